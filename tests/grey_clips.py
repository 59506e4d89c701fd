"""Small clips whose pictures tell their own number, as grey levels."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

SIZE = 160, 96
GREYS = 12  # a frame's number is its grey level over this


def grey_picture(i: int, size: tuple[int, int] = SIZE, grain: int = 0) -> np.ndarray:
    noise = np.random.default_rng(i).integers(-grain, grain + 1, (size[1], size[0], 1))
    return np.repeat(np.clip((i % 20) * GREYS + noise, 0, 255).astype(np.uint8), 3, axis=2)


def number_of(bgr: np.ndarray) -> int:
    return round(float(bgr.mean()) / GREYS)


def write(path: Path, times_ms: Sequence[int], *, codec: str = "libx264", pix_fmt: str = "yuv420p",
          size: tuple[int, int] = SIZE, group: int = 4, container: dict[str, str] | None = None,
          options: dict[str, str] | None = None, metadata: dict[str, str] | None = None, grain: int = 0) -> Path:
    """A clip whose i-th picture is grey level i * GREYS (and grain, for a file of some size), shown at times_ms[i]."""
    with av.open(str(path), "w", options=container or {}) as out:
        out.metadata.update(metadata or {})
        stream = out.add_stream(codec, rate=30, options=options or {})
        stream.width, stream.height = size
        stream.pix_fmt = pix_fmt
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        stream.gop_size = group
        for i, ms in enumerate(times_ms):
            frame = av.VideoFrame.from_ndarray(grey_picture(i, size, grain), format="bgr24")
            frame.pts, frame.time_base = ms, Fraction(1, 1000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def with_display_matrix(mp4: bytes, clockwise_deg: int) -> bytes:
    """The file with the track header's matrix set (ISO/IEC 14496-12: 16.16 numbers a b u c d v x y w)."""
    one, minus = 0x10000, 0xFFFF0000
    a, b, c, d = {0: (one, 0, 0, one), 90: (0, one, minus, 0), 180: (minus, 0, 0, minus),
                  270: (0, minus, one, 0)}[clockwise_deg]
    at = mp4.index(b"tkhd") + 4 + 4 + 20 + 8 + 8  # name, version and flags, times and id, reserved, layer and volume
    matrix = b"".join(v.to_bytes(4, "big") for v in (a, b, 0, c, d, 0, 0, 0, 0x40000000))
    return mp4[:at] + matrix + mp4[at + 36:]
