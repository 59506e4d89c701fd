"""One job of the queue, in a process of its own: `python -m cli.app.worker TASK FOLDER`; runner.py says what it tells.

What is to be done stands in the attempt folder: request.json names the parts of the clip and the people's codes, and
says whether to leave out what takes longest; vehicle.toml, course.toml and, where given, lens.toml, rules.toml and
marks.csv lie beside it.
"""

from __future__ import annotations

import _thread
import json
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, TextIO

from analysis.trouble import Trouble
from cli.app.folder import MARKS, REQUEST
from cli.whole import disk_trouble, is_of_the_disk

_GRACE_S = 5.0


def main(argv: list[str]) -> int:
    task, folder = argv[0], Path(argv[1])
    # Only what is meant for the server may reach it: everything else that prints goes to the log.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8", buffering=1)
    os.dup2(2, 1)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        threading.Thread(target=_end_with_the_server, daemon=True).start()
        TASKS[task](folder, out)
        _say(out, {"done": True})
        return 0
    except Trouble as e:
        _say(out, {"problem": [e.what, _without_folders(e.where, folder), e.remedy]})
        return 2
    except BrokenPipeError:  # the server is gone
        return 130
    except OSError as e:
        if not is_of_the_disk(e):
            raise
        trouble = disk_trouble(e)
        _say(out, {"problem": [trouble.what, _without_folders(trouble.where, folder), trouble.remedy]})
        return 2
    except KeyboardInterrupt:
        return 130


def _analyse(folder: Path, out: TextIO) -> None:
    from cli.analyse import Request, analyse
    asked = json.loads((folder / REQUEST).read_text("utf-8"))

    def beside(name: str) -> Path | None:
        return folder / name if (folder / name).exists() else None

    request = Request(tuple(folder / name for name in asked["clips"]), folder / "vehicle.toml", folder / "course.toml",
                      folder, beside("rules.toml"), beside("lens.toml"), beside(MARKS), asked["trainee"] or None,
                      asked["instructor"] or None, video=not asked["quick"], room=not asked["quick"])
    analyse(request, reporting=lambda: _telling(out))


def _share(folder: Path, out: TextIO) -> None:
    from cli.app.share import make_share
    with _telling(out) as report:
        make_share(folder, report)


TASKS: dict[str, Callable[[Path, TextIO], None]] = {"analyse": _analyse, "share": _share}


@contextmanager
def _telling(out: TextIO) -> Iterator[Callable[[str, float], None]]:
    last = ("", -1.0)

    def report(stage: str, fraction: float) -> None:
        nonlocal last
        if stage != last[0] or abs(fraction - last[1]) >= 0.01:
            last = stage, fraction
            _say(out, {"stage": stage, "fraction": round(float(fraction), 3)})

    yield report


def _say(out: TextIO, what: dict[str, Any]) -> None:
    out.write(json.dumps(what) + "\n")


def _without_folders(where: str, folder: Path) -> str:
    return where.replace(f"{folder}{os.sep}", "")


def _end_with_the_server() -> None:
    """Wait until the server's end of standard input is closed, then stop as if interrupted."""
    with suppress(OSError):
        while os.read(0, 1):  # not through sys.stdin, whose lock the end of the program would wait for
            pass
    _thread.interrupt_main()
    threading.Event().wait(_GRACE_S)
    os._exit(130)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
