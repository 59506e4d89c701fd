"""Damaged and crafted clips: looked over, spread over, and read as far as a bounded number of pictures.

Case n is a small clip of one of many kinds with damage drawn by the seed n, or one of the crafted ones.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from fractions import Fraction
from itertools import islice
from pathlib import Path

import av
import numpy as np

from soak.mutation import TELLING, mutated
from vision.footage import frame_at, frames, open_footage, spread_frames

LONGEST_S = 60.0
MEMORY_MB = 1200.0
READ = 40  # pictures of a case that is read on
WIDTH, HEIGHT, PICTURES = 96, 64, 12

# name: ending, codec, pixels, options of the container
KINDS: dict[str, tuple[str, str, str, dict[str, str]]] = {
    "h264": ("mp4", "libx264", "yuv420p", {}), "h264 first": ("mp4", "libx264", "yuv420p", {"movflags": "faststart"}),
    "h264 pieces": ("mp4", "libx264", "yuv420p", {"movflags": "frag_keyframe+empty_moov"}),
    "h265": ("mov", "libx265", "yuv420p10le", {}), "h264 mkv": ("mkv", "libx264", "yuv420p", {}),
    "vp9": ("webm", "libvpx-vp9", "yuv420p", {}), "av1": ("mp4", "libsvtav1", "yuv420p", {}),
    "mpeg4": ("avi", "mpeg4", "yuv420p", {}), "mjpeg": ("avi", "mjpeg", "yuvj420p", {}),
    "mjpeg mov": ("mov", "mjpeg", "yuvj422p", {}), "prores": ("mov", "prores_ks", "yuv422p10le", {}),
    "ffv1": ("mkv", "ffv1", "yuv444p", {}), "raw": ("avi", "rawvideo", "yuv420p", {}),
    "mts": ("ts", "libx264", "yuv420p", {}), "mpeg2": ("mpg", "mpeg2video", "yuv420p", {}),
    "bare h264": ("h264", "libx264", "yuv420p", {}), "gif": ("gif", "gif", "rgb8", {})}


def write_seed(path: Path, codec: str, pixels: str, options: dict[str, str]) -> None:
    rng = np.random.default_rng(1)
    with av.open(str(path), "w", options=options) as out:
        stream = out.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt, stream.gop_size = WIDTH, HEIGHT, pixels, 4
        stream.time_base = stream.codec_context.time_base = Fraction(1, 25)
        base = rng.integers(0, 255, (HEIGHT, WIDTH, 3), dtype=np.uint8)
        for i in range(PICTURES):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(np.roll(base, 3 * i, axis=1)), format="rgb24")
            frame.pts, frame.time_base = i, Fraction(1, 25)
            out.mux(stream.encode(frame.reformat(format=pixels)))
        out.mux(stream.encode(None))


def seeds(folder: Path) -> dict[str, bytes]:
    """A small whole clip of each kind that this machine can write."""
    folder.mkdir(parents=True, exist_ok=True)
    found = {}
    for name, (ending, codec, pixels, options) in KINDS.items():
        path = folder / f"{name.replace(' ', '_')}.{ending}"
        if not path.exists():
            try:
                write_seed(path, codec, pixels, options)
            except (av.error.FFmpegError, ValueError):
                path.unlink(missing_ok=True)
                continue
        found[name] = path.read_bytes()
    return found


# ---- crafted: what damage alone would seldom hit ---------------------------------------------------------------------

Craft = Callable[[dict[str, bytes], random.Random], bytes]


def _patched(clip: bytes, name: bytes, offset: int, width: int, rng: random.Random) -> bytes:
    """A clip with a number inside the box or chunk `name` replaced by a telling or a random one."""
    at = clip.find(name)
    if at < 0:
        return clip
    value = rng.choice([*TELLING, rng.getrandbits(8 * width)]) % (1 << 8 * width)
    at += 4 + offset
    return clip[:at] + value.to_bytes(width, "big") + clip[at + width:]


# Boxes of ISO/IEC 14496-12, the offset of a number behind the name, and its width.
_BOXES = [(b"mvhd", 12, 4), (b"mvhd", 16, 4), (b"tkhd", 20, 4), (b"tkhd", 76, 4), (b"tkhd", 80, 4), (b"mdhd", 12, 4),
          (b"mdhd", 16, 4), (b"stts", 4, 4), (b"stts", 8, 4), (b"stts", 12, 4), (b"ctts", 4, 4), (b"ctts", 12, 4),
          (b"stsz", 4, 4), (b"stsz", 8, 4), (b"stsz", 12, 4), (b"stco", 4, 4), (b"stco", 8, 4), (b"stsc", 4, 4),
          (b"stsc", 8, 4), (b"stsc", 12, 4), (b"stss", 4, 4), (b"elst", 4, 4), (b"elst", 8, 4), (b"elst", 12, 4),
          (b"elst", 16, 4), (b"stsd", 4, 4), (b"avc1", 24, 2), (b"avc1", 26, 2), (b"hvc1", 24, 2), (b"hev1", 24, 2),
          (b"avcC", 0, 1), (b"avcC", 5, 1), (b"trun", 4, 4), (b"tfhd", 4, 4), (b"trex", 8, 4)]


def _box(clips: dict[str, bytes], rng: random.Random) -> bytes:
    clip = clips[rng.choice([k for k in clips if KINDS[k][0] in ("mp4", "mov")])]
    for _ in range(rng.randint(1, 3)):
        clip = _patched(clip, *rng.choice(_BOXES), rng)
    return clip


def _turned(clips: dict[str, bytes], rng: random.Random) -> bytes:
    clip = clips["h264"]
    at = clip.index(b"tkhd") + 4 + 40
    matrix = b"".join(struct.pack(">I", rng.choice([*TELLING, 0x10000, 0xFFFF0000])) for _ in range(9))
    return clip[:at] + matrix + clip[at + 36:]


def _avi(clips: dict[str, bytes], rng: random.Random) -> bytes:
    """Absurd sizes, rates and lengths in the headers of an AVI (little-endian)."""
    clip = bytearray(clips[rng.choice([k for k in clips if KINDS[k][0] == "avi"])])
    for _ in range(rng.randint(1, 4)):
        name, offset = rng.choice([(b"avih", 4), (b"avih", 20), (b"avih", 36), (b"avih", 40), (b"strh", 24),
                                   (b"strh", 28), (b"strh", 36), (b"strf", 8), (b"strf", 12), (b"strf", 18)])
        at = clip.find(name)
        if at >= 0:
            clip[at + 4 + offset:at + 8 + offset] = struct.pack("<I", rng.choice(TELLING))
    return bytes(clip)


def _streams(clips: dict[str, bytes], rng: random.Random) -> bytes:
    """An MP4 with hundreds of tracks, or one whose only track is empty."""
    clip = clips["h264"]
    at = clip.index(b"trak") - 4
    length = struct.unpack(">I", clip[at:at + 4])[0]
    track, moov = clip[at:at + length], clip.index(b"moov") - 4
    if rng.random() < 0.5:
        track = track.replace(b"stbl", b"free")
    copies = rng.choice((0, 1, 40, 2000))
    whole = struct.unpack(">I", clip[moov:moov + 4])[0] - length + len(track) * copies
    return clip[:moov] + struct.pack(">I", whole) + clip[moov + 4:at] + track * copies + clip[at + length:]


def _joined(clips: dict[str, bytes], rng: random.Random) -> bytes:
    """Two streams of different sizes or codecs one after another, as a stream that changes on the way."""
    a, b = (clips[rng.choice(list(clips))] for _ in range(2))
    return a + b


_PLAYLISTS = [
    "ffconcat version 1.0\nfile '{kept}'\n",
    "#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nfile://{kept}\n#EXT-X-ENDLIST\n",
    "#EXTM3U\n#EXTINF:9,\nhttp://127.0.0.1:9/x.ts\n",
    "v=0\no=- 0 0 IN IP4 127.0.0.1\nc=IN IP4 127.0.0.1\nm=video 9 RTP/AVP 96\n",
    "RTSPtextrtsp://127.0.0.1:9/x\n", "<?xml version='1.0'?><MPD xmlns='urn:mpeg:dash:schema:mpd:2011'></MPD>",
    "file,subfile,,start,0,end,0,,:{kept}\n", "<html><script>alert(1)</script></html>", "\x7fELF\x02\x01\x01",
    "%PDF-1.7\n",
    "PK\x03\x04", "RIFF\x00\x00\x00\x00WAVEfmt ", "\x89PNG\r\n\x1a\n", "II*\x00\x08\x00\x00\x00", "ID3\x04\x00",
    "\x00" * 5000, "\x00\x00\x00\x20ftypisom" * 3]


def _no_clip(clips: dict[str, bytes], rng: random.Random) -> bytes:
    """Another kind of file under a clip's name; some name further files or addresses, as playlists do."""
    return rng.choice(_PLAYLISTS).replace("{kept}", "../kept.txt").encode("latin-1") * rng.choice((1, 1, 50))


CRAFTS: tuple[Craft, ...] = (_box, _box, _turned, _avi, _streams, _joined, _no_clip)


def clip_of(number: int, clips: dict[str, bytes]) -> tuple[str, bytes]:
    """The case's file ending and its bytes."""
    rng = random.Random(number)
    if rng.random() < 0.4:
        made = rng.choice(CRAFTS)(clips, rng)
        return rng.choice(("mp4", "mov", "avi", "mkv")), made if rng.random() < 0.8 else mutated(made, rng)
    name = rng.choice(list(clips))
    ending = KINDS[name][0] if rng.random() < 0.8 else rng.choice(("mp4", "avi", "mkv", "MOV"))
    return ending, mutated(clips[name], rng, list(clips.values()))


def prepare(folder: Path) -> Callable[[int, Path], str]:
    clips = seeds(folder)

    def trial(number: int, here: Path) -> str:
        ending, data = clip_of(number, clips)
        path = here / f"clip.{ending}"
        path.write_bytes(data)
        return read(path)
    return trial


def read(path: Path) -> str:
    """As an analysis reads: over, spread, through, at one time. Returns how much there was."""
    footage = open_footage([path])
    times = footage.times_s
    assert len(times) >= 2 and np.all(np.isfinite(times)) and np.all(np.diff(times) >= 0) and times[0] == 0
    few, spread, through = (list(islice(it, READ)) for it in (
        spread_frames(footage, 4), spread_frames(footage, 9), frames(footage)))  # by key pictures; decoded through
    at = frame_at(footage, footage.duration_s / 2)
    for frame in [*few, *spread, *through, *([at] if at else [])]:
        assert frame.bgr.shape == (footage.height_px, footage.width_px, 3) and frame.bgr.dtype == np.uint8
        assert frame.t_s == times[frame.index]
    return f"{len(times)} times, {len(few)} and {len(spread)} spread, {len(through)} through"
