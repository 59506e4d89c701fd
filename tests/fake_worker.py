"""In place of the app's worker in tests: tells the same things, and copies a prepared result in place of measuring.

`python fake_worker.py TASK FOLDER`, with the prepared attempt folder in FAKE_RESULT. What it does follows from the
trainee's code: 'slow' takes half a minute, 'steady' three seconds, 'swift' a tenth of one, 'lost' finds no marks until
they are pointed out, 'dies' says nothing, 'babbles' says what nobody understands. Sharing is the real thing.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from cli import store


def end_with_the_server() -> None:
    while os.read(0, 1):
        pass
    os._exit(130)


def main(task: str, folder: Path) -> None:
    if task == "share":
        from cli.app.worker import main as real
        sys.exit(real([task, str(folder)]))
    threading.Thread(target=end_with_the_server, daemon=True).start()
    asked = json.loads((folder / "request.json").read_text("utf-8"))
    if asked["trainee"] == "dies":
        sys.exit(1)
    if asked["trainee"] == "babbles":
        print("this is not what was agreed", flush=True)
    steps = {"slow": 300, "steady": 30, "swift": 1}.get(asked["trainee"], 4)
    for step in range(steps):
        print(json.dumps({"stage": "following the vehicle", "fraction": step / steps}), flush=True)
        time.sleep(0.1)
    if asked["trainee"] == "lost" and not (folder / "marks.csv").exists():
        print(json.dumps({"problem": ["no cones found in the picture", "", "point the marks out by hand"]}), flush=True)
        sys.exit(2)
    prepared = Path(os.environ["FAKE_RESULT"])
    record = json.loads((prepared / "attempt.json").read_text("utf-8"))
    record |= {"trainee": asked["trainee"] or None, "instructor": asked["instructor"] or None,
               "clips": store.clip_references([folder / clip for clip in asked["clips"]], folder)}
    with store.replacing(folder) as fresh:
        for name in record["files"]:
            shutil.copyfile(prepared / name, fresh / name)
        store.write_record(fresh, record)
    print(json.dumps({"done": True}), flush=True)


if __name__ == "__main__":
    try:
        main(sys.argv[1], Path(sys.argv[2]))
    except BrokenPipeError:  # the server is gone
        os._exit(130)
