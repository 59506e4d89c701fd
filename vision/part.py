"""One file of a recording: what its headers and packets say of it, and what can be decoded of it.

Pictures are told apart by the time the file gives them, never by counting: a damaged stretch, an edit list or a
picture that comes twice would shift the count.
"""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any

import av
import numpy as np

from analysis.trouble import Trouble
from vision.coded import length_bytes, nothing_builds_on
from vision.opening import MOST_PICTURES, check_length, check_picture, opened, video_stream

_DAMAGED = (av.error.FFmpegError, MemoryError)  # what FFmpeg says of it; a size that cannot be had is such a thing too

CLOCK_S = 2.0
"""The time of recording stands in a file to the whole second, and is taken a moment before or after the first picture
(from memory)."""
LONGEST_GAP_S = 600.0
"""Files further apart than this are not one run."""
MOST_STRETCHED = 3
"""No camera's pixels are this much wider than high, or higher than wide."""
SHORT_S = 1.0
"""A file whose pictures end this much before it says it ends is told to be cut short."""


@dataclass(frozen=True)
class Part:
    """ticks (n,) rising presentation times in units of base_s; key (n,) bool: decodes by itself; spare (n,) bool: known
    not to be needed to decode any other; width_px, height_px as shown (rotation and the pixels' shape applied);
    stretch: a pixel's width over its height; stated_s how long the file says it is, recorded_at when it says it was
    begun (or closed), None where it does not; interlaced: each picture is woven of two taken one after the other."""

    path: Path
    ticks: np.ndarray
    base_s: float
    key: np.ndarray
    spare: np.ndarray
    width_px: int
    height_px: int
    stretch: Fraction
    stated_s: float | None
    recorded_at: datetime | None
    interlaced: bool

    @property
    def times_s(self) -> np.ndarray:
        """(n,) from 0."""
        return (self.ticks - self.ticks[0]) * self.base_s

    @property
    def step_s(self) -> float:
        """The usual time from picture to picture."""
        return float(np.median(np.diff(self.times_s))) if len(self.ticks) > 1 else 1 / 30

    @property
    def duration_s(self) -> float:
        return float(self.times_s[-1]) + self.step_s

    def index(self, coded: Any) -> int | None:
        """Which of the pictures a decoded one, or a packet, is."""
        if coded.pts is None:
            return None
        i = int(np.searchsorted(self.ticks, coded.pts))
        return i if i < len(self.ticks) and self.ticks[i] == coded.pts else None

    def decoded(self, start: int = 0, wanted: Container[int] | None = None) -> Iterator[tuple[int, Any]]:
        """(index, picture) in order, from the last picture at or before `start` that decodes by itself. Given the
        indices `wanted`, others are left out where no picture is built upon them.

        What is damaged is left out, and what was coded after it as a change to it: up to the next picture that decodes
        by itself."""
        with opened(self.path) as container:
            stream = video_stream(container, self.path)
            stream.thread_type = "AUTO"
            if start:
                try:
                    container.seek(int(self.ticks[start]), stream=stream)
                except _DAMAGED:
                    return
            packets = container.demux(stream)
            if wanted is not None and self.spare.any():
                packets = (p for p in packets if not self._to_leave_out(p, wanted))
            sound, last = True, -1
            for picture in _pictures(packets):
                sound = picture is not None and (picture.key_frame or (sound and not picture.is_corrupt))
                i = self.index(picture) if sound else None
                if i is not None and i > last:
                    last = i
                    yield i, picture

    def _to_leave_out(self, packet: Any, wanted: Container[int]) -> bool:
        i = self.index(packet)
        return i is not None and i not in wanted and bool(self.spare[i])

    def size_px(self, decoded: Any) -> tuple[int, int]:
        """(width, height) of a decoded picture as shown."""
        return shown_size(decoded, self.stretch)

    def upright(self, decoded: Any, size_px: tuple[int, int] | None = None) -> np.ndarray:
        """(h, w, 3) uint8 bgr, with square pixels, turned as the file says it is to be looked at; shrunk to a smaller
        `size_px` (width, height) as shown, if one is given."""
        turn = quarter_turns(decoded)
        width, height = (size_px or self.size_px(decoded))[::-1 if turn % 2 else 1]
        if size_px is not None:  # shrunk as coded, then coloured: half the work of both in one
            decoded = decoded.reformat(width, height, "yuv420p", interpolation="AREA")
        bgr = decoded.to_ndarray(format="bgr24", width=width, height=height)
        return np.ascontiguousarray(np.rot90(bgr, turn)) if turn else bgr


def _pictures(packets: Iterator[Any]) -> Iterator[Any]:
    """The decoded pictures, None for each damaged packet; ends where the file can be read no further."""
    while True:
        try:
            packet = next(packets)
        except (StopIteration, *_DAMAGED):
            return
        try:
            pictures = packet.decode()
        except _DAMAGED:
            yield None
            continue
        yield from pictures


def look_over(path: Path) -> Part:
    """What a file holds, decoding one picture only. Raises Trouble for a file that is no clip."""
    with opened(path) as container:
        stream = video_stream(container, path)
        packets = list(islice(_packets(container, stream), MOST_PICTURES + 1))
        base = float(stream.time_base or 0)
        stated_s = float(stream.duration * stream.time_base) if stream.duration and base else None
        stretch = stream.sample_aspect_ratio or Fraction(1)
        recorded_at = _date(container.metadata.get("creation_time") or stream.metadata.get("creation_time"))
    timed = {pts: (key, spare) for pts, key, spare in packets if pts is not None}
    if packets and len(timed) < len(packets) / 2:
        raise Trouble("does not say when each of its pictures was taken", where=str(path),
                      remedy="give the MP4 or MOV as the camera wrote it, not the bare stream of pictures")
    ticks = np.array(sorted(timed))
    check_length(len(packets), float((ticks[-1] - ticks[0]) * base) if timed else 0.0, path)
    first = _first_picture(path)
    if first is None or not timed or base <= 0:
        raise Trouble("no picture in it can be read", where=str(path),
                      remedy="the file is damaged or cut short: copy it from the camera again")
    if not 1 / MOST_STRETCHED < stretch < MOST_STRETCHED:  # a claim not to be followed
        stretch = Fraction(1)
    size = shown_size(first, stretch)
    check_picture(*size, first.format.name, path)
    key, spare = np.array([timed[t] for t in ticks], bool).T
    return Part(path, ticks, base, key, spare, *size, stretch, stated_s, recorded_at,
                bool(first.interlaced_frame))


def _packets(container: Any, stream: Any) -> Iterator[tuple[int | None, bool, bool]]:
    """Presentation time (ticks), whether it decodes by itself, and whether it is known that no other is built upon it,
    of each packet that is to be shown, up to the first that cannot be read."""
    decoder = stream.codec_context
    size = length_bytes(decoder.extradata) if decoder.name == "h264" else 0
    try:
        yield from ((p.pts, p.is_keyframe, size > 0 and nothing_builds_on(memoryview(p), size))
                    for p in container.demux(stream) if p.size and not p.is_discard)
    except _DAMAGED:
        return


def _first_picture(path: Path) -> Any:
    with opened(path) as container:
        packets = container.demux(video_stream(container, path))
        return next((p for p in _pictures(packets) if p is not None), None)


def _date(text: str | None) -> datetime | None:
    try:
        return datetime.fromisoformat(text.replace("Z", "+00:00")) if text else None
    except ValueError:
        return None


def quarter_turns(decoded: Any) -> int:
    """Anticlockwise quarter turns that set a decoded picture upright (the container's display matrix)."""
    return round((decoded.rotation or 0) / 90) % 4


def shown_size(decoded: Any, stretch: Fraction) -> tuple[int, int]:
    """(width, height) px of a decoded picture with square pixels, set upright."""
    size = round(decoded.width * stretch), decoded.height
    return size[::-1] if quarter_turns(decoded) % 2 else size


def apart_s(before: Part, after: Part) -> float | None:
    """How long the camera did not record between two files, to a second or two, by the times written in them; 0 when
    the one follows on the other, None when they do not tell. Raises Trouble when they cannot be one run in this order.

    Some cameras write the time a file was begun, some the time it was closed, some one time in all files of a
    recording: so files as far apart as either of them lasts follow on, and equal times tell nothing."""
    if before.recorded_at is None or after.recorded_at is None:
        return None
    try:
        apart = (after.recorded_at - before.recorded_at).total_seconds()
    except TypeError:  # one with a time zone, one without
        return None
    if apart < -CLOCK_S:
        raise Trouble(f"was recorded before {before.path.name}, by the times written in them", where=str(after.path),
                      remedy="name the files in the order in which they were recorded; if this is it, join them into "
                      "one file first")
    if min(abs(apart - before.duration_s), abs(apart - after.duration_s)) <= CLOCK_S:
        return 0.0
    gap = apart - before.duration_s
    if gap > LONGEST_GAP_S:
        raise Trouble(f"was recorded {gap / 60:.0f} minutes after {before.path.name} ended, by the times written in "
                      "them", where=str(after.path),
                      remedy="analyse each run by itself; if they are one, join them into one file first")
    return gap if gap > 0 else None


def shortfall(part: Part) -> str | None:
    """A sentence about a file that ends before it says it does."""
    if part.stated_s is None or part.stated_s - part.duration_s < max(SHORT_S, 2 * part.step_s):
        return None
    return (f"{part.path.name} is cut short: it should last {part.stated_s:.0f} s, but its pictures end after "
            f"{part.duration_s:.0f} s.")
