"""In place of the app's worker in tests: tells the same things, and copies a prepared result in place of measuring.

`python fake_worker.py TASK FOLDER`, with the prepared attempt folder in FAKE_RESULT. What it does follows from the
trainee's code: 'slow' takes half a minute, 'steady' three seconds, 'lost' finds no marks until they are pointed out,
'dies' says nothing, 'babbles' says what nobody understands. Sharing is the real thing.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import threading
import time
from pathlib import Path


def end_with_the_server() -> None:
    while os.read(0, 1):
        pass
    os._exit(130)


def main(task: str, folder: Path) -> None:
    if task == "share":
        sys.path.insert(0, str(Path(__file__).parents[1]))
        from cli.app.worker import main as real
        sys.exit(real([task, str(folder)]))
    threading.Thread(target=end_with_the_server, daemon=True).start()
    asked = json.loads((folder / "request.json").read_text("utf-8"))
    if asked["trainee"] == "dies":
        sys.exit(1)
    if asked["trainee"] == "babbles":
        print("this is not what was agreed", flush=True)
    steps = {"slow": 300, "steady": 30}.get(asked["trainee"], 4)
    for step in range(steps):
        print(json.dumps({"stage": "following the vehicle", "fraction": step / steps}), flush=True)
        time.sleep(0.1)
    if asked["trainee"] == "lost" and not (folder / "marks.csv").exists():
        print(json.dumps({"problem": ["no cones found in the picture", "", "point the marks out by hand"]}), flush=True)
        sys.exit(2)
    prepared = Path(os.environ["FAKE_RESULT"])
    for file in sorted(prepared.iterdir(), key=lambda f: f.name == "attempt.json"):
        if file.is_file() and not file.name.startswith("recording") and file.suffix != ".toml":
            shutil.copyfile(file, folder / file.name)
    record = json.loads((folder / "attempt.json").read_text("utf-8"))
    record |= {"trainee": asked["trainee"], "instructor": asked["instructor"]}
    (folder / "attempt.json").write_text(json.dumps(record), "utf-8")
    print(json.dumps({"done": True}), flush=True)


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
