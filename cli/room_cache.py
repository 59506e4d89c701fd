"""Room fields kept between runs, by what they were computed from.

A field takes some seconds to compute and a hundred megabytes or two to keep. It is found again by a digest of the
vehicle, the course, the limits and the program's own code, so a change of any of them is another field. The cache may
be deleted at any time.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import asdict, replace
from importlib import resources
from pathlib import Path

import numpy as np

from analysis.attempt import Attempt
from analysis.course import Course
from analysis.room.along import room_along
from analysis.room.build import empty_field, room_field
from analysis.room.field import RoomField
from analysis.room.nouns import Limits, RoomAlong
from analysis.vehicle import Vehicle

LARGEST_BYTES = 1_500_000_000  # of all fields together; the ones not used for longest go first
_HEAD_BYTES = 512

Share = Callable[[float], None]


def cache_folder() -> Path:
    """Where this user's caches belong, by the system's own custom."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "tailtrace" / "room"


def room_of(attempt: Attempt, progress: Share = lambda share: None) -> RoomAlong:
    """Room left along an attempt, on the course as surveyed and by its rules. `progress` is told the share done."""
    limits = Limits.of(attempt.vehicle, attempt.rules.final_heading_limit_rad,
                       attempt.rules.tyre_reading == "full_width")
    field = cached_field(attempt.vehicle, attempt.surveyed, limits, 2, lambda share: progress(0.75 * share))
    ordinary = cached_field(attempt.vehicle, attempt.surveyed, limits.ordinary(), 0,
                            lambda share: progress(0.75 + 0.15 * share))
    room = room_along(attempt, field, ordinary)
    progress(1.0)
    return room


def cached_field(vehicle: Vehicle, course: Course, limits: Limits | None = None, shunts: int = 2,
                 progress: Share | None = None, folder: Path | None = None) -> RoomField:
    """The room field, from the cache if it is there and whole. Without a cache that can be written it is computed."""
    limits = limits or Limits.of(vehicle)
    folder = folder or cache_folder()
    path = folder / f"{digest(vehicle, course, limits, shunts)}.field"
    kept = read_field(path, empty_field(vehicle, course, limits, shunts))
    if kept is not None:
        return kept
    field = room_field(vehicle, course, limits, shunts, progress=progress)
    write_field(path, field)
    return field


def digest(vehicle: Vehicle, course: Course, limits: Limits, shunts: int) -> str:
    """What a field is computed from, as one short word. Names and sources do not matter."""
    sizes = asdict(vehicle) | {"name": "", "source": ""}
    yard = asdict(course) | {"name": "", "source": ""}
    told = json.dumps([sizes, yard, asdict(limits), shunts, _code()], sort_keys=True, default=float)
    return hashlib.sha256(told.encode()).hexdigest()[:24]


def _code() -> str:
    """A digest of the code that decides a field."""
    code = hashlib.sha256()
    for package, name in (("analysis.room", "build.py"), ("analysis.room", "field.py"), ("analysis.room", "runs.py"),
                          ("analysis.room", "solids.py"), ("analysis.room", "sweeps.py"),
                          ("analysis", "body.py"), ("analysis", "clearance.py"), ("analysis", "vehicle.py"),
                          ("analysis", "course.py")):
        code.update(resources.files(package).joinpath(name).read_bytes())
    return code.hexdigest()


def read_field(path: Path, empty: RoomField) -> RoomField | None:
    """The field kept in a file, mapped rather than read; None when there is none or it is not whole."""
    try:
        with path.open("rb") as f:
            head = json.loads(f.read(_HEAD_BYTES))
        values = np.memmap(path, np.int16, "r", _HEAD_BYTES, tuple(head["shape"]))
        if values.shape != empty.values.shape or zlib.crc32(values.data) != head["crc32"]:
            return None
        os.utime(path)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return replace(empty, values=values, blur_m=float(head["blur_m"]), grid_sd_m=float(head["grid_sd_m"]))


def write_field(path: Path, field: RoomField) -> None:
    """Keep a field, whole or not at all; a disk that is full or may not be written is no trouble."""
    head = json.dumps({"shape": field.values.shape, "blur_m": field.blur_m, "grid_sd_m": field.grid_sd_m,
                       "crc32": zlib.crc32(field.values.data)})
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _make_space(path.parent, LARGEST_BYTES - field.values.nbytes)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as f:
            part = Path(f.name)
            try:
                f.write(head.encode().ljust(_HEAD_BYTES))
                f.write(field.values.data)
            except BaseException:
                part.unlink(missing_ok=True)
                raise
        os.replace(part, path)
    except OSError:
        return


def _make_space(folder: Path, most_bytes: int) -> None:
    files = sorted((p for p in folder.iterdir() if p.suffix in (".field", ".part")), key=lambda p: -p.stat().st_mtime)
    total = 0
    for p in files:
        total += p.stat().st_size
        if total > most_bytes:
            p.unlink(missing_ok=True)
