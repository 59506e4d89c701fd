"""Writing H.264 that every browser plays: yuv420p, index at the front of the file."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.video.reformatter import ColorRange, Colorspace

BT709 = 1  # code of the colour primaries, transfer and matrix in the file


def write_clip(
    path: Path, frames: Iterable[np.ndarray], fps: int, crf: float, preset: str = "medium", repeatable: bool = False
) -> int:
    """Encode (h, w, 3) uint8 RGB frames; frame i is shown at i / fps seconds. Returns the number of frames.

    `repeatable`: the same pictures give the same file each time, a little larger; x264's tree of macroblocks, which is
    left out for it, comes out a little otherwise from one process to the next."""
    count = 0
    part = path.with_suffix(".part.mp4")
    with av.open(str(part), "w", options={"movflags": "faststart"}) as box:
        stream = None
        for picture in frames:
            if stream is None:
                stream = box.add_stream("libx264", rate=fps)
                stream.height, stream.width = picture.shape[:2]
                stream.pix_fmt = "yuv420p"
                stream.time_base = Fraction(1, fps)
                colour = stream.codec_context
                colour.color_primaries = colour.color_trc = colour.colorspace = BT709
                colour.color_range = ColorRange.MPEG.value
                stream.options = {
                    "crf": f"{crf:g}",
                    "preset": preset,
                    "g": str(4 * fps),
                    "bf": "5",
                    "threads": "2",
                    "x264-params": "aq-mode=1:rc-lookahead=30" + (":no-mbtree=1" if repeatable else ""),
                }
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(
                format="yuv420p", dst_colorspace=Colorspace.ITU709, dst_color_range=ColorRange.MPEG
            )
            frame.pts = count
            frame.time_base = Fraction(1, fps)
            for packet in stream.encode(frame):
                box.mux(packet)
            count += 1
        if stream is not None:
            for packet in stream.encode():
                box.mux(packet)
    part.replace(path)
    return count
