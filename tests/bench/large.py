"""Large clips made of an ordinary one: four times the pixels, or as long as a camera that was left running."""

from __future__ import annotations

import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

LONG_S = 20 * 60.0


def enlarged(source: Path, out: Path) -> None:
    """The clip at twice its width and height. It shows no more than before, but is as much to decode and go through."""
    _write(_decoded(source), out, 2)


def lengthened(source: Path, out: Path) -> None:
    """The clip, its last picture held until 20 minutes are over: nobody stops the camera while the vehicle stands."""
    _write(_held(source), out, 1)


def _decoded(source: Path) -> Iterator[tuple[Any, float]]:
    with av.open(str(source)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        yield from ((picture, float(picture.time)) for picture in container.decode(stream))


def _held(source: Path) -> Iterator[tuple[Any, float]]:
    before_s = at_s = 0.0
    for picture, t_s in _decoded(source):
        yield picture, t_s
        before_s, at_s = at_s, t_s
    step_s = at_s - before_s
    while (at_s := at_s + step_s) < LONG_S:
        yield picture, at_s


def _write(pictures: Iterator[tuple[Any, float]], out: Path, times: int) -> None:
    """H.264 with the pictures' own times; whole or not at all."""
    part = out.with_suffix(".part.mp4")
    with av.open(str(part), "w") as container:
        stream = None
        for picture, t_s in pictures:
            if stream is None:
                stream = container.add_stream("libx264", rate=30)
                stream.width, stream.height, stream.pix_fmt = picture.width * times, picture.height * times, "yuv420p"
                stream.codec_context.time_base = Fraction(1, 90_000)
                stream.options = {"crf": "20", "preset": "veryfast"}
            frame = picture.reformat(stream.width, stream.height, "yuv420p", interpolation="BICUBIC")
            frame.pts, frame.time_base, frame.pict_type = round(t_s * 90_000), Fraction(1, 90_000), 0
            container.mux(stream.encode(frame))
        assert stream is not None
        container.mux(stream.encode())
    os.replace(part, out)
