"""What a result was made with, so that it can be made again a year later: versions, the program's code, what was given.

It stands in attempt.json under `made_with`. Small files that were given are kept there as they were: the originals may
have been corrected since. The clip and large files are referred to by their checksum.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from cli import files, store

LIBRARIES = ("tailtrace", "numpy", "scipy", "numba", "opencv-python-headless", "av", "pandas", "pyarrow", "shapely")
_PACKAGES = ("analysis", "vision", "cli")
_NOT_RESULTS = ("app", "library")  # below cli: they show and keep results, and decide nothing in them
_KINDS = (".py", ".toml", ".json", ".html", ".css", ".js")
_KEPT_CHARACTERS = 100_000


@dataclass(frozen=True)
class Given:
    """A file that was given, as it was when it was read. file: its place seen from the attempt folder, or the name of a
    rule set that ships with the program; text: None when it is too large to be kept."""

    file: str
    sha256: str
    text: str | None


def versions() -> dict[str, str]:
    """Everything outside the program's own code that may decide the last bits."""
    import av
    import cv2
    return {name: version_of(name) for name in LIBRARIES} | {
        "python": platform.python_version(), "ffmpeg": str(getattr(av, "ffmpeg_version_info", av.library_versions)),
        "machine": f"{platform.system()} {platform.machine()}", "processor": cv2.getCPUFeaturesLine()}


def version_of(name: str) -> str:
    """The version of an installed package."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


@cache
def code_sha256() -> str:
    """A hash over the files of the program that decide a result: all code, templates and data but the app and the
    library."""
    root = Path(__file__).resolve().parents[1]
    whole = hashlib.sha256()
    for file in sorted(f for package in _PACKAGES for f in (root / package).rglob("*") if f.is_file()):
        parts = file.relative_to(root).parts
        if file.suffix not in _KINDS or (parts[0] == "cli" and parts[1] in _NOT_RESULTS):
            continue
        whole.update(f"{'/'.join(parts)}\0".encode() + hashlib.sha256(file.read_bytes()).digest())
    return whole.hexdigest()


def given_files(named: Mapping[str, Path | None], out: Path) -> dict[str, Given]:
    """What stands in the files given for a run, by what they are; `out` is the attempt folder. Without rules, the
    usual ones are meant. Raises Trouble when one cannot be read."""
    read = {}
    for what, path in {**named, "rules": files.rules_file(named.get("rules"))}.items():
        if path is not None:
            text = files.read_text(path)
            place = path.name.removesuffix(files.RULES_ENDING) if files.is_shipped(path) else store.seen_from(out, path)
            read[what] = Given(place, store.sha256(path), text if len(text) <= _KEPT_CHARACTERS else None)
    return read


def made_with(given: Mapping[str, Given], options: Mapping[str, bool]) -> dict[str, Any]:
    """What attempt.json holds under this name."""
    return {"versions": versions(), "code_sha256": code_sha256(), "options": dict(options),
            "given": {what: {"file": g.file, "sha256": g.sha256, "text": g.text} for what, g in given.items()}}
