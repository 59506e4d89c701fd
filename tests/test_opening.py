"""What is refused before a picture of it is decoded: too large, too long, too many, another kind of file or picture."""

from __future__ import annotations

import shutil
import struct
from pathlib import Path

import av
import numpy as np
import pytest
from soak.clips import KINDS, write_seed

from analysis.trouble import Trouble
from vision import opening
from vision.footage import frames, open_footage


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("clips") / "clip.mp4"
    write_seed(path, *KINDS["h264"][1:])
    return path


def refused(path: Path) -> str:
    with pytest.raises(Trouble) as told:
        open_footage([path])
    line = told.value.one_line()
    assert line.startswith(str(path)) and told.value.remedy
    return line


@pytest.mark.parametrize(("limit", "value", "said"), [
    ("LARGEST_BYTES", 1000, "up to 0 GB can be read"), ("LONGEST_SIDE_PX", 95, "96 × 64 pixels"),
    ("LARGEST_PICTURE_PX", 96 * 64 - 1, "film in 4K or less"), ("SMALLEST_SIDE_PX", 65, "96 × 64 pixels"),
    ("MOST_STREAMS", 0, "holds 1 streams"), ("LONGEST_S", 0.3, "hours by its own clock"),
    ("DECODERS", ("vp9",), "that is not read (h264)")])
def test_each_limit_is_named_with_what_to_do(clip: Path, monkeypatch: pytest.MonkeyPatch, limit: str, value: object,
                                             said: str) -> None:
    open_footage([clip])
    monkeypatch.setattr(opening, limit, value)
    assert said in refused(clip)


def test_a_clip_of_too_many_pictures_is_refused_without_reading_on(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vision.opening.MOST_PICTURES", 5)
    monkeypatch.setattr("vision.part.MOST_PICTURES", 5)
    assert "more than 5 pictures" in refused(clip)


def test_a_rate_of_four_pictures_a_day_is_refused(tmp_path: Path) -> None:
    """The header of an AVI says that its twelve pictures come every 20 000 seconds: 61 hours."""
    slow = tmp_path / "slow.avi"
    write_seed(slow, *KINDS["mjpeg"][1:])
    raw = bytearray(slow.read_bytes())
    at = raw.index(b"strh") + 28  # name and size, then 20 bytes before the time between pictures: scale / rate
    assert struct.unpack("<II", raw[at:at + 8]) == (1, 25)
    raw[at:at + 8] = struct.pack("<II", 20_000, 1)
    slow.write_bytes(raw)
    assert "lasts 61.1 hours by its own clock" in refused(slow)


@pytest.mark.parametrize("text", ["ffconcat version 1.0\nfile 'clip.mp4'\n",
                                  "#EXTM3U\n#EXTINF:1,\nclip.mp4\n#EXT-X-ENDLIST\n"])
def test_a_text_that_names_a_clip_is_no_clip(clip: Path, tmp_path: Path, text: str) -> None:
    """FFmpeg by itself would open the file that the text names, or an address on the network."""
    shutil.copyfile(clip, tmp_path / "clip.mp4")
    (tmp_path / "list.mp4").write_text(text)
    assert "is not a video" in refused(tmp_path / "list.mp4")


@pytest.mark.parametrize("name", ["concat:clip.mp4", "file:clip.mp4", "pipe:0", "clip%03d.mp4"])
def test_a_name_is_never_an_address(clip: Path, tmp_path: Path, name: str) -> None:
    shutil.copyfile(clip, tmp_path / name)
    assert len(open_footage([tmp_path / name]).times_s) == 12


def test_pictures_that_change_their_size_on_the_way_are_refused(tmp_path: Path) -> None:
    """Two transport streams one behind the other are one stream to a decoder."""
    parts = []
    for i, size in enumerate(((96, 64), (128, 96))):
        path = tmp_path / f"{i}.ts"
        with av.open(str(path), "w") as out:
            stream = out.add_stream("libx264", rate=25)
            stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
            for k in range(10):
                picture = np.full((size[1], size[0], 3), 20 * k, np.uint8)
                frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
                frame.pts = k + 20 * i
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
        parts.append(path.read_bytes())
    (tmp_path / "both.ts").write_bytes(b"".join(parts))
    with pytest.raises(Trouble, match="change from 96×64 to 128×96"):
        list(frames(open_footage([tmp_path / "both.ts"])))
