"""What a file that came in holds, found out in a process of its own: `python -m cli.app.look FILE` prints it as JSON.

Decoders are large and written in C. A clip made to break one, or by chance doing so, ends that process and not the app.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from analysis.trouble import Trouble

LOOK = (sys.executable, "-m", "cli.app.look")
LONGEST_S = 1800.0  # all of a large clip is read through once, perhaps from a slow disk
_ENDINGS = {"mov": ".mp4", "matroska": ".mkv", "avi": ".avi"}  # by the first of the demuxer's names


def ending_of_clip(path: Path, shown_as: str, *, command: Sequence[str] = LOOK, longest_s: float = LONGEST_S) -> str:
    """What kind of video a file holds, found by decoding a picture of it and never by its name: '.mp4', '.mkv', …

    Raises Trouble, naming the file as the person knows it, for anything that is not a clip.
    """
    try:
        ran = subprocess.run([*command, str(path)], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                             timeout=longest_s, check=False)
        said = json.loads(ran.stdout.splitlines()[-1])
        if "ending" in said:
            return str(said["ending"])
        what, remedy = said["problem"]
    except subprocess.TimeoutExpired:
        what, remedy = "reading it does not come to an end", "copy it from the camera again, or cut it to the run"
    except (ValueError, IndexError, KeyError):
        what, remedy = ("reading it brings the reading program down", "do not trust this file; copy it from the camera "
                        "again, or export it as MP4 with H.264")
    raise Trouble(what, where=shown_as, remedy=remedy)


def look(path: Path) -> str:
    """The ending that fits. Raises Trouble."""
    from vision.footage import frames, open_footage
    from vision.opening import opened
    if next(iter(frames(open_footage([path]))), None) is None:
        raise Trouble("no picture in it can be decoded", remedy="copy it from the memory card again")
    with opened(path) as container:
        return _ENDINGS.get(container.format.name.split(",")[0], ".video")


def main(argv: Sequence[str]) -> None:
    try:
        print(json.dumps({"ending": look(Path(argv[0]))}))
    except Trouble as e:
        print(json.dumps({"problem": [e.what, e.remedy]}))


if __name__ == "__main__":
    main(sys.argv[1:])
