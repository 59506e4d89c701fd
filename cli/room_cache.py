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
from typing import BinaryIO

import numpy as np

from analysis.course import Course
from analysis.room.build import empty_field, filled, layers_of, measured
from analysis.room.field import RoomField
from analysis.room.nouns import Limits
from analysis.vehicle import Vehicle
from vision.memory import give_back

LARGEST_BYTES = 1_500_000_000  # of all fields together; the ones not used for longest go first
_HEAD_BYTES = 512

Share = Callable[[float], None]


def cache_folder() -> Path:
    """Where this user's caches belong, by the system's own custom."""
    base = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA")
    return (Path(base) if base else Path.home() / ".cache") / "tailtrace" / "room"


def cached_field(vehicle: Vehicle, course: Course, limits: Limits | None = None, shunts: int = 2,
                 progress: Share = lambda share: None, folder: Path | None = None) -> RoomField:
    """The room field, from the cache if it is there and whole. Without a cache that can be written it is computed.
    `progress` is told the share done; what it raises ends the work and leaves nothing behind."""
    limits = limits or Limits.of(vehicle)
    path = (folder or cache_folder()) / f"{digest(vehicle, course, limits, shunts)}.field"
    empty = empty_field(vehicle, course, limits, shunts)
    kept = read_field(path, empty)
    if kept is not None:
        return kept
    try:
        return written_field(path, empty, progress)
    except OSError:  # a disk that is full or may not be written is no trouble
        return filled(empty, progress)


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
            if tuple(head["shape"]) != empty.values.shape or head["crc32"] != _crc(_checks_of(f, empty)):
                return None
        os.utime(path)
        return replace(_mapped(path, empty), blur_m=float(head["blur_m"]), grid_sd_m=float(head["grid_sd_m"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def written_field(path: Path, empty: RoomField, progress: Share) -> RoomField:
    """The field computed into its file, whole or not at all, and mapped: hardly any of it is ever in memory. Raises
    OSError when it cannot be written."""
    path.parent.mkdir(parents=True, exist_ok=True)
    _make_space(path.parent, LARGEST_BYTES - empty.values.nbytes)
    entries, layers = empty.values.shape[:2]
    checks = np.zeros((entries, layers), np.uint32)
    with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as f:
        part = Path(f.name)
        try:
            for done, (entry, i, layer) in enumerate(layers_of(empty)):
                f.seek(_HEAD_BYTES + (entry * layers + i) * layer.nbytes)
                f.write(layer.data)
                checks[entry, i] = zlib.crc32(layer.data)
                progress((done + 1) / checks.size)
            f.flush()
            give_back()
            field = measured(_mapped(part, empty))
            head = json.dumps({"shape": empty.values.shape, "blur_m": field.blur_m, "grid_sd_m": field.grid_sd_m,
                               "crc32": _crc(checks)})
            f.seek(0)
            f.write(head.encode().ljust(_HEAD_BYTES))
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    os.replace(part, path)
    return replace(_mapped(path, empty), blur_m=field.blur_m, grid_sd_m=field.grid_sd_m)


def _mapped(path: Path, empty: RoomField) -> RoomField:
    return replace(empty, values=np.memmap(path, np.int16, "r", _HEAD_BYTES, empty.values.shape))


def _checks_of(f: BinaryIO, empty: RoomField) -> np.ndarray:
    """The checksum of each layer, read one by one: what is only mapped would stay in memory."""
    entries, layers, *shape = empty.values.shape
    layer = np.empty(shape, np.int16)
    checks = np.zeros((entries, layers), np.uint32)
    for k in range(checks.size):
        if f.readinto(layer.data.cast("B")) != layer.nbytes:  # type: ignore[attr-defined]
            raise ValueError("cut short")
        checks.flat[k] = zlib.crc32(layer.data)
    return checks


def _crc(checks: np.ndarray) -> int:
    return zlib.crc32(checks.astype("<u4").tobytes())


def _make_space(folder: Path, most_bytes: int) -> None:
    files = sorted((p for p in folder.iterdir() if p.suffix in (".field", ".part")), key=lambda p: -p.stat().st_mtime)
    total = 0
    for p in files:
        total += p.stat().st_size
        if total > most_bytes:
            p.unlink(missing_ok=True)
