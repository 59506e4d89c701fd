"""Reading clips: frames with their true presentation times, upright, whatever the container says.

A recording may be cut by the camera into several files; they are read as one, each part's times following on the
last frame of the part before, or as much later as the files say they were recorded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from analysis.trouble import Trouble
from vision.part import Part, apart_s, look_over, shortfall

NEARLY_AS_SLOW = 0.8
"""All frames are taken of a clip that is hardly faster than asked: leaving out every tenth would help nobody."""
HOLE_STEPS = 1.5
"""Frames further apart than this many of the clip's usual steps have a hole between them."""


@dataclass(frozen=True)
class Frame:
    """One upright picture: t_s its presentation time, index its place in the recording, bgr (h, w, 3) uint8."""

    index: int
    t_s: float
    bgr: np.ndarray


@dataclass(frozen=True)
class Footage:
    """What a recording holds, read from its headers and packets without decoding more than a picture of each file.

    times_s (n,) presentation times of all frames, rising, from 0; key (n,) bool: frames that can be decoded by
    themselves; parts_at (parts,) index of each part's first frame; width_px, height_px as shown (rotation applied).
    `notes`: plain sentences about what is missing or odd in it.
    """

    parts: tuple[Part, ...]
    times_s: np.ndarray
    key: np.ndarray
    parts_at: tuple[int, ...]
    width_px: int
    height_px: int
    notes: tuple[str, ...]

    @property
    def paths(self) -> tuple[Path, ...]:
        return tuple(p.path for p in self.parts)

    @property
    def spare(self) -> np.ndarray:
        """(n,) bool: frames that are not needed to decode others."""
        return np.concatenate([p.spare for p in self.parts])

    @property
    def most_built_upon(self) -> int:
        """How many frames there are, at most, from one that decodes by itself to the next."""
        return int(np.diff(np.flatnonzero(self.key), prepend=0, append=len(self.key)).max())

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1])

    def place(self, index: int) -> tuple[Part, int]:
        """The part that frame `index` of the recording lies in, and its index there."""
        i = max(i for i, at in enumerate(self.parts_at) if at <= index)
        return self.parts[i], index - self.parts_at[i]


def open_footage(paths: Sequence[Path | str]) -> Footage:
    """Look a recording over. Raises Trouble for a missing, empty, unreadable or non-video file, and for files that
    cannot be one recording in this order."""
    if not paths:
        raise Trouble("no clip was named", remedy="name at least one video file")
    parts = tuple(look_over(Path(p)) for p in paths)
    first = parts[0]
    for part in parts:
        if (part.width_px, part.height_px) != (first.width_px, first.height_px):
            raise Trouble(f"is {part.width_px}×{part.height_px} but the first part is "
                          f"{first.width_px}×{first.height_px}", where=str(part.path),
                          remedy="give only the parts of one recording, in order")
    notes = [note for note in map(shortfall, parts) if note]
    starts = [0.0]
    for before, after in pairwise(parts):
        gap = apart_s(before, after)
        notes += _joint(before, after, gap)
        starts.append(starts[-1] + before.duration_s + (gap or 0.0))
    if any(p.interlaced for p in parts):
        notes.append("The clip is interlaced (each picture woven of two): what moves is blurred by a few centimetres.")
    times_s = np.concatenate([p.times_s + start for p, start in zip(parts, starts, strict=True)])
    if len(times_s) < 2:
        raise Trouble("holds a single picture, not a clip", where=str(first.path), remedy="give the video file")
    parts_at = np.cumsum([0] + [len(p.ticks) for p in parts[:-1]])
    return Footage(parts, times_s, np.concatenate([p.key for p in parts]), tuple(int(i) for i in parts_at),
                   first.width_px, first.height_px, tuple(notes))


def _joint(before: Part, after: Part, gap_s: float | None) -> list[str]:
    """What is to be said of the place where two files meet."""
    if gap_s == 0.0:
        return []
    names = f"{before.path.name} and {after.path.name}"
    if gap_s is None:
        return [f"{names} are taken as following on one another: nothing in them says whether something is missing "
                "in between."]
    return [f"About {gap_s:.0f} s between {names} were not recorded, by the times written in them; that time is shown "
            "as a gap."]


def frames(footage: Footage, *, rate_hz: float | None = None, start_s: float = 0.0,
           end_s: float = float("inf"), size_px: tuple[int, int] | None = None) -> Iterator[Frame]:
    """Decode in order. With `rate_hz`, only frames near that even spacing (`sample_indices`), and what they are built
    upon, are decoded; with a smaller `size_px` (width, height), pictures of that size are given.

    Frames that cannot be read (damaged, or past the end of a truncated file) are not yielded. Raises Trouble when
    the pictures change their size on the way.
    """
    wanted = (sample_indices(footage.times_s, rate_hz, footage.spare) if rate_hz
              else np.arange(len(footage.times_s)))
    wanted = wanted[(footage.times_s[wanted] >= start_s) & (footage.times_s[wanted] <= end_s)]
    for part, at in zip(footage.parts, footage.parts_at, strict=True):
        here = set((wanted[(wanted >= at) & (wanted < at + len(part.ticks))] - at).tolist())
        if not here:
            continue
        last = max(here)
        for i, picture in part.decoded(min(here) if start_s > 0 else 0, here):
            if i in here:
                yield _frame(footage, part, at + i, picture, size_px)
            if i >= last:
                break


def missing_times(footage: Footage, rate_hz: float, seen_s: np.ndarray) -> np.ndarray:
    """Times (s), `rate_hz` or the clip's own rate apart, about which none of the frames seen at `seen_s` (n,) lies:
    the camera did not record, or what it recorded cannot be read."""
    step = max(1 / rate_hz, HOLE_STEPS * float(np.median(np.diff(footage.times_s))))
    grid = np.arange(0.0, footage.duration_s + 1e-9, step)
    seen = np.sort(seen_s) if len(seen_s) else np.array([-np.inf])
    right = np.clip(np.searchsorted(seen, grid), 1, max(len(seen) - 1, 1))
    nearest = np.minimum(np.abs(grid - seen[right - 1]), np.abs(grid - seen[np.minimum(right, len(seen) - 1)]))
    return grid[nearest > step + 1e-6]


def frame_at(footage: Footage, t_s: float) -> Frame | None:
    """The frame nearest to a time; None when it cannot be read."""
    return frame_by(footage, int(np.argmin(np.abs(footage.times_s - t_s))))


def spread_frames(footage: Footage, count: int, start_s: float = 0.0, end_s: float = float("inf")) -> Iterator[Frame]:
    """About `count` frames spread evenly over the recording, or a part of it, cheaply: those of `spread_indices`; where
    there are none, it is decoded through."""
    indices = spread_indices(footage, count, start_s, end_s)
    if not indices:
        span = (min(footage.duration_s, end_s) - start_s) / max(count - 1, 1)
        yield from frames(footage, rate_hz=1 / span if span > 0 else None, start_s=start_s, end_s=end_s)
    for index in indices:
        frame = frame_by(footage, index)
        if frame is not None:
            yield frame


def spread_indices(footage: Footage, count: int, start_s: float = 0.0, end_s: float = float("inf")) -> list[int]:
    """Up to `count` frames that decode by themselves, spread over the recording, or a part of it; none where there are
    too few."""
    here = (footage.times_s >= start_s) & (footage.times_s <= end_s)
    first, last = np.flatnonzero(here)[[0, -1]]
    wanted = np.linspace(first, last, count).round().astype(int)
    keys = np.flatnonzero(footage.key & here)
    if len(keys) < count / 2:
        return []
    return np.unique(keys[np.abs(keys[None] - wanted[:, None]).argmin(axis=1)]).tolist()


def frame_by(footage: Footage, index: int) -> Frame | None:
    """Frame `index`, decoded from the last one before it that decodes by itself; None when it cannot be read."""
    part, i = footage.place(index)
    for k, picture in part.decoded(i, (i,)):
        if k >= i:
            return _frame(footage, part, index, picture) if k == i else None
    return None


def sample_indices(times_s: np.ndarray, rate_hz: float, spare: np.ndarray | None = None) -> np.ndarray:
    """Indices of the frames nearest to an even spacing of 1/rate_hz s; all of them when the clip is slower. Where there
    is one as near as half that spacing which has to be decoded anyway (not `spare`), it is taken: others cost as much
    again to decode, and are often coded coarser."""
    step = float(np.median(np.diff(times_s)))
    if step >= NEARLY_AS_SLOW / rate_hz:
        return np.arange(len(times_s))
    grid = np.arange(times_s[0], times_s[-1] + step / 2, 1 / rate_hz)
    taken = _nearest(times_s, grid)
    if spare is not None and not spare.all():
        needed = np.flatnonzero(~spare)
        near = needed[_nearest(times_s[needed], grid)]
        taken = np.where(np.abs(times_s[near] - grid) <= 0.5 / rate_hz, near, taken)
    return np.unique(taken)


def _nearest(times_s: np.ndarray, grid_s: np.ndarray) -> np.ndarray:
    """(n,) index of the time nearest to each of grid_s (n,), the earlier of two as near."""
    if len(times_s) == 1:
        return np.zeros(len(grid_s), int)
    right = np.clip(np.searchsorted(times_s, grid_s), 1, len(times_s) - 1)
    return np.where(grid_s - times_s[right - 1] <= times_s[right] - grid_s, right - 1, right)


def _frame(footage: Footage, part: Part, index: int, decoded: Any, size_px: tuple[int, int] | None = None) -> Frame:
    """Raises Trouble when the picture is not of the recording's size: a stream may change it on the way."""
    t_s, (width_px, height_px) = float(footage.times_s[index]), part.size_px(decoded)
    if (width_px, height_px) != (footage.width_px, footage.height_px):
        raise Trouble(f"its pictures change from {footage.width_px}×{footage.height_px} to {width_px}×{height_px} at "
                      f"{t_s:.1f} s", where=str(part.path),
                      remedy="give one recording made with one setting, or copy it from the camera again")
    return Frame(index, t_s, part.upright(decoded, size_px))
