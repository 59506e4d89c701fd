"""Opening a file that should be a recording: what it may be before a picture of it is decoded.

A clip comes from anywhere, and what its header says of itself is a claim. So only containers that cameras write are
tried (a text that names further files or addresses, as playlists do, is not), only common packings of pictures are
decoded, and nothing larger than the limits below.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import av

from analysis.trouble import Trouble

LARGEST_BYTES = 40_000_000_000  # two hours at the 45 Mbit/s that 4K cameras write
LONGEST_SIDE_PX = 8192  # 8K, the largest any camera of this kind writes
LARGEST_PICTURE_PX = 22_000_000
"""The largest picture of an action camera, 5312 × 3984, and a little; a decoder holds up to twenty at a time."""
SMALLEST_SIDE_PX = 16  # a coding block: less is no picture
LONGEST_S = 2 * 3600.0  # no run lasts a tenth of it; a longer file is a wrong one
MOST_PICTURES = 432_000
"""Two hours at 60 Hz."""
MOST_STREAMS = 32
"""Cameras write one of pictures, one or two of sound and a few of data."""
CONTAINERS = ("mov", "matroska", "avi", "mpegts", "mpeg")
"""By the names of FFmpeg's demuxers: MP4 and MOV, MKV and WebM, AVI, MTS, MPG."""
DECODERS = ("h264", "hevc", "libdav1d", "av1", "vp8", "libvpx-vp8", "vp9", "libvpx-vp9", "mpeg4", "msmpeg4", "mjpeg",
            "mpeg1video", "mpeg2video", "h263", "prores", "dnxhd", "ffv1", "huffyuv", "rawvideo")
PIXELS = re.compile(r"(yuvj?4(20|22|44|11)p|yuva4(20|22|44)p|nv12|nv21|p010|yuyv422|uyvy422|gray|gbrp|gbrap|"
                    r"(rgb|bgr)(0|a|24|48)?|(a|0)(rgb|bgr))(9|10|12|14|16)?(le|be)?")
STALLED_AFTER_S = 60.0
"""Opening or the next read that takes longer than this has failed: a share that is gone, a disk that is dying."""

_WHAT = "give an MP4 or MOV as the camera wrote it"
_OPTIONS = {"format_whitelist": ",".join(CONTAINERS), "protocol_whitelist": "file",
            "max_pixels": str(LARGEST_PICTURE_PX)}


def opened(path: Path) -> Any:
    """The container, to be closed by the caller. Raises Trouble for what is missing, no recording, or too large."""
    where = str(path)
    try:
        if path.is_dir():
            raise Trouble("is a folder, not a clip", where=where, remedy="name the video file in it")
        size = path.stat().st_size
    except (OSError, ValueError):
        raise Trouble("there is no such file", where=where, remedy="check the name and the folder") from None
    if not path.is_file():
        raise Trouble("is not a file", where=where, remedy="name the video file")
    if size == 0:
        raise Trouble("the file is empty", where=where, remedy="copy the clip from the camera again")
    if size > LARGEST_BYTES:
        raise Trouble(f"the file has {size / 1e9:.0f} GB", where=where,
                      remedy=f"up to {LARGEST_BYTES / 1e9:.0f} GB can be read: cut it to the run")
    try:
        # 'file:' so that no name is taken for an address of another kind
        container = av.open(f"file:{path}", options=_OPTIONS, timeout=STALLED_AFTER_S)
    except (av.error.FFmpegError, ValueError, OSError, MemoryError):
        raise Trouble("is not a video that can be read, or it is cut short", where=where, remedy=_WHAT) from None
    streams = len(container.streams)
    if streams > MOST_STREAMS:
        container.close()
        raise Trouble(f"holds {streams} streams of pictures, sound and data", where=where,
                      remedy=f"up to {MOST_STREAMS} are read: {_WHAT}")
    return container


def video_stream(container: Any, path: Path) -> Any:
    """Its main stream of pictures, ready to be decoded. Raises Trouble when there is none that may be."""
    if not container.streams.video:
        raise Trouble("holds no video that can be read", where=str(path),
                      remedy="give the video file, not a sound file; if it is one, it is cut short: copy it again")
    stream = container.streams.best("video") or container.streams.video[0]  # not the cover's still, nor a preview
    decoder = stream.codec_context
    if decoder is None or decoder.name not in DECODERS:
        packed = decoder.name if decoder is not None else "unknown"
        raise Trouble(f"its pictures are packed in a way that is not read ({packed})", where=str(path),
                      remedy="export it as MP4 with H.264 or H.265")
    check_picture(decoder.width, decoder.height, decoder.pix_fmt, path)
    decoder.options = {"max_pixels": str(LARGEST_PICTURE_PX)}  # also when the size changes on the way
    return stream


def check_picture(width_px: int, height_px: int, pixels: str | None, path: Path) -> None:
    """Raises Trouble for a picture too large, too small, or of a kind that is not read. Zero, None: not known yet."""
    if max(width_px, height_px) > LONGEST_SIDE_PX or width_px * height_px > LARGEST_PICTURE_PX:
        raise Trouble(f"is {width_px} × {height_px} pixels", where=str(path), remedy="film in 4K or less")
    if width_px and height_px and min(width_px, height_px) < SMALLEST_SIDE_PX:
        raise Trouble(f"is {width_px} × {height_px} pixels", where=str(path), remedy=_WHAT)
    if pixels is not None and not PIXELS.fullmatch(pixels):
        raise Trouble(f"its pixels are of a kind that is not read ({pixels})", where=str(path),
                      remedy="export it as MP4 with H.264 or H.265")


def check_length(pictures: int, duration_s: float, path: Path) -> None:
    """Raises Trouble for a recording of too many pictures, or longer than any run."""
    if pictures > MOST_PICTURES:
        raise Trouble(f"holds more than {MOST_PICTURES} pictures", where=str(path), remedy="cut it to the run")
    if duration_s > LONGEST_S:
        raise Trouble(f"lasts {duration_s / 3600:.3g} hours by its own clock", where=str(path),
                      remedy=f"cut it to the run; up to {LONGEST_S / 3600:.0f} hours are read")
