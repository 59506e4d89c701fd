"""Reading clips: frames with their true presentation times, upright, whatever the container says.

A recording may be cut by the camera into several files; they are read as one, each part's
times following on the last frame of the part before.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import av
import numpy as np

from analysis.trouble import Trouble
from vision.opening import MOST_PICTURES, check_length, check_picture, opened, video_stream

_DAMAGED = (av.error.FFmpegError, MemoryError)  # what FFmpeg says of it; a size that cannot be had is such a thing too


@dataclass(frozen=True)
class Frame:
    """One upright picture: t_s its presentation time, index its place in the recording, bgr (h, w, 3) uint8."""

    index: int
    t_s: float
    bgr: np.ndarray


@dataclass(frozen=True)
class Footage:
    """What a recording holds, read from its headers and packets without decoding a picture.

    times_s (n,) presentation times of all frames, rising, from 0; key (n,) bool: frames that can be decoded by
    themselves; parts_at (parts,) index of each part's first frame; width_px, height_px as shown (rotation applied).
    """

    paths: tuple[Path, ...]
    times_s: np.ndarray
    key: np.ndarray
    parts_at: tuple[int, ...]
    width_px: int
    height_px: int

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1])


def open_footage(paths: Sequence[Path | str]) -> Footage:
    """Look a recording over. Raises Trouble for a missing, empty, unreadable or non-video file."""
    if not paths:
        raise Trouble("no clip was named", remedy="name at least one video file")
    all_times: list[np.ndarray] = []
    all_keys: list[np.ndarray] = []
    sizes: list[tuple[int, int]] = []
    parts = tuple(Path(p) for p in paths)
    offset = 0.0
    for part in parts:
        times, keys, size = _look_over(part)
        if sizes and size != sizes[0]:
            raise Trouble(f"is {size[0]}×{size[1]} but the first part is {sizes[0][0]}×{sizes[0][1]}", where=str(part),
                          remedy="give only the parts of one recording, in order")
        step = float(np.median(np.diff(times))) if len(times) > 1 else 1 / 30
        all_times.append(times - times[0] + offset)
        offset = all_times[-1][-1] + step
        sizes.append(size)
        all_keys.append(keys)
    times_s = np.concatenate(all_times)
    if len(times_s) < 2:
        raise Trouble("holds a single picture, not a clip", where=str(parts[0]), remedy="give the video file")
    starts = np.cumsum([0] + [len(t) for t in all_times])[:-1]
    return Footage(parts, times_s, np.concatenate(all_keys), tuple(int(i) for i in starts), *sizes[0])


def frames(footage: Footage, *, rate_hz: float | None = None, start_s: float = 0.0,
           end_s: float = float("inf")) -> Iterator[Frame]:
    """Decode in order. With `rate_hz`, only frames nearest to that even spacing are turned into pictures.

    A part that ends early (truncated file) simply ends: its missing frames are not yielded.
    """
    wanted = sample_indices(footage.times_s, rate_hz) if rate_hz else np.arange(len(footage.times_s))
    wanted = wanted[(footage.times_s[wanted] >= start_s) & (footage.times_s[wanted] <= end_s)]
    if not len(wanted):
        return
    wanted_set = set(wanted.tolist())
    last = int(wanted[-1])
    index = 0
    for part in footage.paths:
        with opened(part) as container:
            stream = video_stream(container, part)
            stream.thread_type = "AUTO"
            try:
                for frame in container.decode(stream):
                    if index in wanted_set:
                        yield _frame(footage, index, frame)
                    index += 1
                    if index > last:
                        return
            except _DAMAGED:
                pass  # a damaged end: what was decoded so far stands, the rest is missing


def frame_at(footage: Footage, t_s: float) -> Frame | None:
    """The frame nearest to a time, decoded from the last one before it that decodes by itself; None when it cannot
    be read."""
    index = int(np.argmin(np.abs(footage.times_s - t_s)))
    part = max(i for i, at in enumerate(footage.parts_at) if at <= index)
    into_s = footage.times_s[index] - footage.times_s[footage.parts_at[part]]
    with opened(footage.paths[part]) as container:
        stream = video_stream(container, footage.paths[part])
        base = float(stream.time_base)
        try:
            container.seek(round(into_s / base) + (stream.start_time or 0), stream=stream)
            for frame in container.decode(stream):
                if frame.pts is not None and (frame.pts - (stream.start_time or 0)) * base > into_s - 1e-3:
                    return _frame(footage, index, frame)
        except _DAMAGED:
            return None
    return None


def spread_frames(footage: Footage, count: int) -> Iterator[Frame]:
    """About `count` frames spread evenly over the recording, cheaply: frames that decode by themselves are
    taken where there are enough of them, else the recording is decoded through."""
    wanted = np.linspace(0, len(footage.times_s) - 1, count).round().astype(int)
    keys = np.flatnonzero(footage.key)
    if len(keys) < count / 2:
        span = footage.duration_s / max(count - 1, 1)
        yield from frames(footage, rate_hz=1 / span if span > 0 else None)
        return
    nearest = keys[np.abs(keys[None] - wanted[:, None]).argmin(axis=1)]
    for index in sorted({int(i) for i in nearest}):
        frame = _key_frame(footage, index)
        if frame is not None:
            yield frame


def _key_frame(footage: Footage, index: int) -> Frame | None:
    part = max(i for i, at in enumerate(footage.parts_at) if at <= index)
    path = footage.paths[part]
    into_s = footage.times_s[index] - footage.times_s[footage.parts_at[part]]
    with opened(path) as container:
        stream = video_stream(container, path)
        base = float(stream.time_base)
        try:
            container.seek(round((into_s + 1e-3) / base) + (stream.start_time or 0), stream=stream)
            for frame in container.decode(stream):
                at_s = (frame.pts - (stream.start_time or 0)) * base
                if at_s > into_s + 0.5 * np.median(np.diff(footage.times_s[:64])):
                    return None
                if abs(at_s - into_s) < 1e-3:
                    return _frame(footage, index, frame)
        except _DAMAGED:
            return None
    return None


def sample_indices(times_s: np.ndarray, rate_hz: float) -> np.ndarray:
    """Indices of the frames nearest to an even spacing of 1/rate_hz s; all of them when the clip is slower."""
    step = float(np.median(np.diff(times_s)))
    if step >= 0.8 / rate_hz:
        return np.arange(len(times_s))
    grid = np.arange(times_s[0], times_s[-1] + step / 2, 1 / rate_hz)
    right = np.clip(np.searchsorted(times_s, grid), 1, len(times_s) - 1)
    nearest = np.where(grid - times_s[right - 1] <= times_s[right] - grid, right - 1, right)
    return np.unique(nearest)


def _look_over(part: Path) -> tuple[np.ndarray, np.ndarray, tuple[int, int]]:
    with opened(part) as container:
        stream = video_stream(container, part)
        packets = list(islice(_packets(container, stream), MOST_PICTURES + 1))
        base = float(stream.time_base or 0)
    first = _first_picture(part)
    if first is None or not packets or base <= 0:
        raise Trouble("no picture in it can be read", where=str(part),
                      remedy="the file is damaged or cut short: copy it from the camera again")
    packets.sort()
    ticks, keys = (np.array(column) for column in zip(*packets, strict=True))
    times_s = ticks.astype(float) * base
    check_length(len(packets), float(times_s[-1] - times_s[0]), part)
    check_picture(first.width, first.height, first.format.name, part)
    size = (first.width, first.height)
    return times_s, keys.astype(bool), size[::-1] if _quarter_turns(first) % 2 else size


def _packets(container, stream) -> Iterator[tuple[int, bool]]:
    """Presentation time (ticks) and whether it decodes by itself, of each packet up to the first that is damaged."""
    try:
        yield from ((p.pts, p.is_keyframe) for p in container.demux(stream) if p.pts is not None and p.size)
    except _DAMAGED:
        return


def _first_picture(part: Path):
    with opened(part) as container:
        try:
            return next(container.decode(video_stream(container, part)), None)
        except _DAMAGED:
            return None


def _frame(footage: Footage, index: int, decoded) -> Frame:
    """Raises Trouble when the picture is not of the recording's size: a stream may change it on the way."""
    bgr, t_s = _upright(decoded), float(footage.times_s[index])
    if bgr.shape[:2] != (footage.height_px, footage.width_px):
        raise Trouble(f"its pictures change from {footage.width_px}×{footage.height_px} to {bgr.shape[1]}×"
                      f"{bgr.shape[0]} at {t_s:.1f} s", where=str(footage.paths[0]),
                      remedy="give one recording made with one setting, or copy it from the camera again")
    return Frame(index, t_s, bgr)


def _upright(frame) -> np.ndarray:
    bgr = frame.to_ndarray(format="bgr24")
    turn = _quarter_turns(frame)
    return np.ascontiguousarray(np.rot90(bgr, turn)) if turn else bgr


def _quarter_turns(frame) -> int:
    """Anticlockwise quarter turns that set the picture upright (the container's display matrix)."""
    return round((getattr(frame, "rotation", 0) or 0) / 90) % 4
