"""Taking up what a server that was killed left undone between a clip's arrival and its place in the queue."""

from __future__ import annotations

import json
import logging
import shutil
from pathlib import Path

from cli import store
from cli.app.folder import REQUEST, Folder, NotThere
from cli.app.jobs import Queue
from cli.app.uploads import Uploads

log = logging.getLogger(__name__)
_OURS = {"vehicle.toml", "course.toml", "lens.toml", "rules.toml", store.PEOPLE}


def take_up(folder: Folder, queue: Queue, uploads: Uploads) -> None:
    """Queue each clip that was to be analysed and neither has a result nor waits for one. Its parts that still lie
    among the uploads are moved in first. A folder that no clip came into yet is removed: the upload is still there."""
    for name in folder.names("attempts"):
        place = folder.place("attempts", name)
        store.complete_unfinished(place)
        if (place / store.RECORD).exists() or queue.of(name, "analyse"):
            continue
        if (place / REQUEST).is_file():
            try:
                asked = json.loads((place / REQUEST).read_text("utf-8"))
                for upload, clip in zip(asked.get("uploads", ()), asked["clips"], strict=False):
                    _move_in(folder.place("uploads", upload), place / Path(clip).name)
                    uploads.remove(upload)
                queue.add("analyse", name, str(asked.get("label", name)))
            except (ValueError, KeyError, TypeError, AttributeError, NotThere) as e:
                log.warning("%s makes no sense and is left as it is (%s)", place / REQUEST, e)
        elif not folder.recordings(name) and {f.name for f in place.iterdir() if f.name[0] != "."} <= _OURS:
            shutil.rmtree(place)


def _move_in(upload: Path, clip: Path) -> None:
    if upload.is_file() and not clip.exists():
        upload.rename(clip)
