"""Reading clips: true times, upright pictures, several parts, damaged files. All clips are made here."""

from __future__ import annotations

from collections.abc import Container, Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from grey_clips import number_of, with_display_matrix, write

from analysis.trouble import Trouble
from vision.coded import length_bytes, nothing_builds_on
from vision.footage import frames, open_footage, sample_indices, spread_frames
from vision.part import Part


def test_times_are_the_containers_own(tmp_path: Path) -> None:
    """A phone's clip: 33 ms, then 50 ms, then a hole of 400 ms; the first time is not zero."""
    ms = [1000, 1033, 1066, 1116, 1166, 1566, 1600]
    footage = open_footage([write(tmp_path / "phone.mp4", ms)])
    expected = [0.0, 0.033, 0.066, 0.116, 0.166, 0.566, 0.6]
    assert footage.times_s == pytest.approx(expected, abs=1e-3)
    got = list(frames(footage))
    assert [f.t_s for f in got] == pytest.approx(expected, abs=1e-3)
    assert [number_of(f.bgr) for f in got] == [0, 1, 2, 3, 4, 5, 6]


def test_parts_follow_on_in_time(tmp_path: Path) -> None:
    """Three pictures 40 ms apart, then two: the second part starts one step after the first one's end."""
    parts = [write(tmp_path / "a.mp4", [0, 40, 80]), write(tmp_path / "b.mp4", [500, 540])]
    footage = open_footage(parts)
    assert footage.times_s == pytest.approx([0, 0.04, 0.08, 0.12, 0.16], abs=1e-3)
    assert footage.parts_at == (0, 3)
    assert [number_of(f.bgr) for f in frames(footage)] == [0, 1, 2, 0, 1]


def test_parts_of_different_size_are_refused(tmp_path: Path) -> None:
    parts = [write(tmp_path / "a.mp4", [0, 40]), write(tmp_path / "b.mp4", [0, 40], size=(96, 160))]
    with pytest.raises(Trouble, match=r"b\.mp4.*96×160.*160×96"):
        open_footage(parts)


@pytest.mark.parametrize(("turn", "shape"), [(0, (96, 160)), (90, (160, 96)), (180, (96, 160)), (270, (160, 96))])
def test_pictures_stand_upright(tmp_path: Path, turn: int, shape: tuple[int, int]) -> None:
    """A phone held on its side marks the clip as turned; the bright corner must end up where the eye sees it."""
    path = tmp_path / "turned.mp4"
    picture = np.full((96, 160, 3), 40, np.uint8)
    picture[:32, :32] = 220  # top left as stored
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=10)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        for _ in range(3):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        out.mux(stream.encode(None))
    path.write_bytes(with_display_matrix(path.read_bytes(), turn))
    footage = open_footage([path])
    assert (footage.height_px, footage.width_px) == shape
    half = shape[1] // 2, shape[0] // 2
    for upright, size in ((next(frames(footage)).bgr, shape), (next(frames(footage, size_px=half)).bgr, half[::-1])):
        assert upright.shape[:2] == size
        # The matrix says how far the stored picture is to be turned clockwise for viewing.
        corner = {0: (0, 0), 90: (0, -1), 180: (-1, -1), 270: (-1, 0)}[turn]
        assert upright[corner].mean() > 180
        assert sum(float(upright[v, u].mean()) > 180 for v in (0, -1) for u in (0, -1)) == 1


def test_only_the_wanted_pictures_are_given(tmp_path: Path) -> None:
    footage = open_footage([write(tmp_path / "c.mp4", [33 * i for i in range(31)])])
    got = list(frames(footage, rate_hz=10, start_s=0.25, end_s=0.75))
    assert [f.t_s for f in got] == pytest.approx([0.297, 0.396, 0.495, 0.594, 0.693], abs=0.034)
    assert all(number_of(f.bgr) == f.index % 20 for f in got)


def test_pictures_from_the_middle_are_those_of_the_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And are decoded from the last one before them that decodes by itself."""
    footage = open_footage([write(tmp_path / "m.mp4", [33 * i for i in range(90)], group=20)])
    assert footage.most_built_upon == 20
    whole = {f.index: f.bgr for f in frames(footage)}
    starts, decoded = [], Part.decoded

    def noted(part: Part, start: int = 0, wanted: Container[int] | None = None) -> Iterator[tuple[int, Any]]:
        starts.append(start)
        return decoded(part, start, wanted)
    monkeypatch.setattr(Part, "decoded", noted)
    got = list(frames(footage, start_s=1.5, end_s=2.2))
    assert [f.index for f in got] == [i for i in whole if 1.5 <= footage.times_s[i] <= 2.2]
    assert starts == [got[0].index] and got[0].index > 40
    assert next(decoded(footage.parts[0], starts[0]))[0] == 40
    assert all(np.array_equal(f.bgr, whole[f.index]) for f in got)


def test_sampling_by_hand() -> None:
    """0.1 s spacing over 0, 0.04, 0.09, 0.13, 0.21, 0.26, 0.31: nearest are 0, 0.09, 0.21, 0.31."""
    times = np.array([0, 0.04, 0.09, 0.13, 0.21, 0.26, 0.31])
    assert sample_indices(times, 10.0).tolist() == [0, 2, 4, 6]
    assert sample_indices(np.arange(5) * 0.2, 10.0).tolist() == [0, 1, 2, 3, 4]  # slower than asked: all
    spare = np.array([0, 1, 1, 0, 1, 1, 0], bool)  # 0.13 is near enough to 0.1, and 0.31 to 0.3, but neither to 0.2
    assert sample_indices(times, 10.0, spare).tolist() == [0, 3, 4, 6]


def test_pictures_that_none_is_built_upon_are_left_out(tmp_path: Path) -> None:
    """Two such between the others, and those wanted come as if all were decoded, whether they are such or not."""
    path = write(tmp_path / "b.mp4", [33 * i for i in range(60)], group=30, grain=20,
                 options={"bf": "2", "b_strategy": "0", "b-pyramid": "none", "sc_threshold": "0"})
    footage = open_footage([path])
    assert 0.5 < footage.spare.mean() < 0.7
    assert not footage.spare[footage.key].any()
    whole = [f.bgr for f in frames(footage)]
    part = footage.parts[0]
    for wanted in (set(range(0, 60, 3)), set(range(1, 60, 3)), {41}):
        got = dict(part.decoded(0, wanted))
        assert wanted <= got.keys()
        assert all(i in wanted or not part.spare[i] for i in got)
        assert all(np.array_equal(part.upright(got[i]), whole[i]) for i in wanted)
    assert {f.index for f in frames(footage, rate_hz=10)} <= set(np.flatnonzero(~footage.spare))


def test_what_a_packet_says_of_itself() -> None:
    """By hand: a unit of two bytes (its length first), then a slice whose first byte tells whether it is built upon."""
    other, spare, needed = b"\0\0\0\2\x06\0", b"\0\0\0\3\x01\x88\x80", b"\0\0\0\3\x41\x88\x80"
    assert nothing_builds_on(memoryview(other + spare), 4)
    assert not nothing_builds_on(memoryview(other + needed), 4)
    assert not nothing_builds_on(memoryview(spare + needed), 4)  # one of two fields
    assert not nothing_builds_on(memoryview(other), 4)
    assert not nothing_builds_on(memoryview(b"\0\0"), 4)
    assert length_bytes(bytes([1, 100, 0, 40, 255, 225])) == 4
    assert length_bytes(b"\0\0\0\1\x67\x64") == length_bytes(None) == 0


def test_spread_pictures_cover_the_clip(tmp_path: Path) -> None:
    footage = open_footage([write(tmp_path / "d.mp4", [40 * i for i in range(40)])])
    got = list(spread_frames(footage, 5))
    assert len(got) == 5
    assert got[0].t_s < 0.2
    assert got[-1].t_s > 1.3
    assert all(number_of(f.bgr) == f.index % 20 for f in got)


def test_spread_pictures_of_a_clip_with_one_key_frame(tmp_path: Path) -> None:
    footage = open_footage([write(tmp_path / "e.mp4", [40 * i for i in range(40)], group=1000)])
    assert footage.key.sum() == 1
    got = list(spread_frames(footage, 5))
    assert len(got) >= 5
    assert all(number_of(f.bgr) == f.index % 20 for f in got)


@pytest.mark.parametrize("group", [2, 1000])
def test_spread_pictures_of_a_part_of_the_clip(tmp_path: Path, group: int) -> None:
    footage = open_footage([write(tmp_path / "e.mp4", [40 * i for i in range(40)], group=group)])
    got = list(spread_frames(footage, 5, 0.4, 0.9))
    assert len(got) >= 4
    assert got[0].t_s < 0.55 and got[-1].t_s > 0.8
    assert all(0.4 <= f.t_s <= 0.9 and number_of(f.bgr) == f.index % 20 for f in got)


def test_spread_pictures_come_from_all_parts(tmp_path: Path) -> None:
    """The second part's own clock starts at 7 s."""
    parts = [write(tmp_path / "a.mp4", [40 * i for i in range(12)]),
             write(tmp_path / "b.mp4", [7000 + 40 * i for i in range(12)])]
    footage = open_footage(parts)
    got = list(spread_frames(footage, 6))
    assert {f.index >= 12 for f in got} == {False, True}
    assert all(number_of(f.bgr) == f.index % 12 for f in got)


@pytest.mark.parametrize(("codec", "pix_fmt"), [("libx265", "yuv420p"), ("libx265", "yuv420p10le"),
                                                ("libx264", "yuv420p10le"), ("mjpeg", "yuvj420p")])
def test_other_encodings(tmp_path: Path, codec: str, pix_fmt: str) -> None:
    """Drones write H.265, also with 10 bits; action cameras write full-range colours."""
    if codec not in av.codecs_available:
        pytest.skip(f"this build of PyAV cannot write {codec}")
    try:
        path = write(tmp_path / "clip.mov", [40 * i for i in range(8)], codec=codec, pix_fmt=pix_fmt)
    except (av.error.FFmpegError, ValueError):
        pytest.skip(f"this build of PyAV cannot write {codec} as {pix_fmt}")
    got = list(frames(open_footage([path])))
    assert [number_of(f.bgr) for f in got] == list(range(8))
    assert got[0].bgr.dtype == np.uint8


def test_a_clip_cut_short_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    """Recorded in fragments and cut off: what is there is used."""
    whole = write(tmp_path / "whole.mp4", [40 * i for i in range(60)],
                  container={"movflags": "frag_keyframe+empty_moov"}).read_bytes()
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(whole[: len(whole) * 2 // 3])
    footage = open_footage([cut])
    got = list(frames(footage))
    assert 20 <= len(got) < 60
    assert all(number_of(f.bgr) == f.index % 20 for f in got)


def broken(tmp_path: Path, kind: str) -> Path:
    path = tmp_path / f"{kind}.mp4"
    if kind == "empty":
        path.touch()
    elif kind == "text":
        path.write_text("not a video at all\n" * 200)
    elif kind == "cut before its index":
        path.write_bytes(write(tmp_path / "w.mp4", [40 * i for i in range(30)]).read_bytes()[:1200])
    elif kind == "sound only":
        with av.open(str(path), "w") as out:
            stream = out.add_stream("aac", rate=8000)
            sound = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            sound.sample_rate = 8000
            out.mux(stream.encode(sound))
            out.mux(stream.encode(None))
    elif kind == "one picture":
        write(path, [0])
    elif kind == "folder":
        path.mkdir()
    return path


@pytest.mark.parametrize(("kind", "said"), [
    ("missing", "no such file"), ("empty", "empty"), ("text", "not a video"), ("cut before its index", "cut short"),
    ("sound only", "no video"), ("one picture", "single picture"), ("folder", "is a folder")])
def test_what_is_no_clip_gets_one_line_that_names_it(tmp_path: Path, kind: str, said: str) -> None:
    path = broken(tmp_path, kind)
    with pytest.raises(Trouble) as e:
        open_footage([path])
    line = e.value.one_line()
    assert said in line
    assert str(path) in line
    assert "\n" not in line
    assert e.value.remedy


def test_no_clip_named() -> None:
    with pytest.raises(Trouble, match="no clip"):
        open_footage([])
