"""The attempt folder on disk: what is in it, and how a new result replaces an old one.

A result is written whole into a hidden folder beside the attempt folder, marked finished by one
rename, and only then moved in, file by file. A run that fails or is killed before that rename
leaves the earlier result as it was; one killed after it is completed by whoever opens the folder
next. Only the files named in `COMPUTED` are ever replaced or removed: `people/` (notes and
corrections) and anything else found in the folder are not touched.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.trouble import Trouble
from cli.held import held, own_folder
from cli.whole import disk_trouble, sync_tree

if TYPE_CHECKING:
    import pandas as pd

RECORD, TRACK, TRACK_CSV = "attempt.json", "track.parquet", "track.csv"
PLAN_SVG, PLAN_PNG, OVERLAY, VIEWING_COPY, REVIEW = "plan.svg", "plan.png", "overlay.mp4", "clip.mp4", "review.html"
TRAINEE = "trainee.html"
COMPUTED = (TRACK, TRACK_CSV, PLAN_SVG, PLAN_PNG, OVERLAY, VIEWING_COPY, REVIEW, TRAINEE, RECORD)
PEOPLE = "people"


def check_usable(folder: Path) -> None:
    """Raise Trouble early, before a long analysis, when the result could not be kept in `folder`."""
    where = str(folder)
    if folder.exists() and not folder.is_dir():
        raise Trouble("is a file, not a folder", where=where, remedy="name another folder with --out")
    complete_unfinished(folder)
    if folder.exists() and not (folder / RECORD).exists() and any((folder / name).exists() for name in COMPUTED):
        raise Trouble(f"holds files of its own by the names used for results, but no {RECORD}", where=where,
                      remedy="name an empty or new folder with --out")
    nearest = folder if folder.exists() else _parent(folder)
    while not nearest.exists():
        nearest = nearest.parent
    if not nearest.is_dir() or not os.access(nearest, os.W_OK):
        raise Trouble("nothing can be written there", where=str(nearest), remedy="name another folder with --out")


@contextmanager
def replacing(folder: Path) -> Iterator[Path]:
    """Yield an empty folder to write a result into; when the block ends well, it becomes that of `folder`."""
    parent = _parent(folder)
    try:
        parent.mkdir(parents=True, exist_ok=True)
        with own_folder(f".{folder.resolve().name}.unfinished-", parent) as staging:
            yield staging
            sync_tree(staging)
            _finish(staging, folder)
        complete_unfinished(folder)
    except OSError as e:
        raise disk_trouble(e, folder) from e


def _finish(staging: Path, folder: Path) -> None:
    """Mark a written result as finished; when another run of the same folder finished first, after that one's."""
    while True:
        complete_unfinished(folder)
        try:
            staging.rename(_finished(folder))
            return
        except OSError:
            if not _finished(folder).is_dir():
                raise


def complete_unfinished(folder: Path) -> None:
    """Move a finished result in that a killed run left beside the folder. Does nothing when there is none.

    Whoever opens the folder may do this, several processes at once: one of them moves, the others wait for it."""
    finished = _finished(folder)
    while finished.is_dir():
        with held(finished) as mine:
            if mine is not False:
                _move_in(finished, folder)


def _move_in(finished: Path, folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    if (finished / RECORD).exists():
        # What this result does not hold must not stay from the one before. The record moves last:
        # while it is still in the finished folder, a move that was cut short can be taken up again.
        files = json.loads((finished / RECORD).read_text("utf-8"))["files"]
        for name in COMPUTED:
            if (finished / name).exists():
                os.replace(finished / name, folder / name)
            elif name not in files:
                (folder / name).unlink(missing_ok=True)
    (folder / PEOPLE).mkdir(exist_ok=True)
    shutil.rmtree(finished)


def write_record(folder: Path, record: Mapping[str, Any]) -> None:
    """attempt.json, with the list of the files beside it and the checksums of all of them; written last."""
    files = [name for name in COMPUTED if name == RECORD or (folder / name).exists()]
    sums = {name: sha256(folder / name) for name in files if name != RECORD}
    whole = {**record, "files": files, "files_sha256": sums}
    text = json.dumps({**whole, "record_sha256": record_sha256(whole)}, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / RECORD).write_text(text + "\n", "utf-8")


def record_sha256(record: Mapping[str, Any]) -> str:
    """The checksum of a record's content, whatever its layout in the file; its own `record_sha256` is left out."""
    content = {k: v for k, v in record.items() if k != "record_sha256"}
    return hashlib.sha256(json.dumps(content, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def write_track(folder: Path, table: pd.DataFrame, *, csv: bool) -> None:
    """track.parquet with each column's unit (from attrs['units']) in its field metadata; track.csv on request."""
    import pyarrow as pa  # here, so that what only looks at folders does not wait for it
    import pyarrow.parquet as pq
    units: Mapping[str, str] = table.attrs["units"]
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    fields = [arrow.field(name).with_metadata({"unit": units[name]}) for name in arrow.column_names]
    pq.write_table(arrow.cast(pa.schema(fields, metadata={"frame": "course", "axes": "ISO 8855", "schema": "1"})),
                   folder / TRACK)
    if csv:
        table.to_csv(folder / TRACK_CSV, index=False, float_format="%.6g")


def clip_references(clips: Sequence[Path], folder: Path, addresses: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Where the clip's parts lie, seen from the attempt folder, and what they were: size and SHA-256. addresses: where
    they were fetched from, for those that lie on another file system."""
    places = [seen_from(folder, clip) for clip in clips]
    places = [a if "://" in a else place for a, place in zip(addresses or places, places, strict=True)]
    return [{"file": place, "bytes": clip.stat().st_size, "sha256": sha256(clip)}
            for place, clip in zip(places, clips, strict=True)]


Stamps = Mapping[Path, tuple[int, int] | None]  # size and time of the last change; None: not there


def clip_stamps(clips: Sequence[Path]) -> Stamps:
    """How clips look now, for `check_unchanged` later."""
    def stamp(clip: Path) -> tuple[int, int] | None:
        try:
            info = clip.stat()
        except OSError:
            return None
        return info.st_size, info.st_mtime_ns
    return {clip: stamp(clip) for clip in clips}


def check_unchanged(before: Stamps) -> None:
    """Raise Trouble when a clip is another one, or gone, since its stamp was taken."""
    for clip, stamp in clip_stamps(tuple(before)).items():
        if stamp != before[clip]:
            raise Trouble("the clip was removed or changed while it was being measured", where=str(clip),
                          remedy="copy it whole onto this machine's disk, and analyse it again")


def sha256(path: Path) -> str:
    with path.open("rb") as f:
        return hashlib.file_digest(f, "sha256").hexdigest()


def seen_from(folder: Path, path: Path) -> str:
    """A path as it is found from a folder, wherever both are moved together; whole where they share no drive."""
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def _parent(folder: Path) -> Path:
    return folder.resolve().parent


def _finished(folder: Path) -> Path:
    return _parent(folder) / f".{folder.resolve().name}.finished"
