"""What cameras and phones really write: each gives its pictures at their true times, or says what is missing."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from grey_clips import GREYS, number_of, with_display_matrix, write
from paint_yard import bus_course, looking_down, paint

from analysis.trouble import Trouble
from vision.footage import Footage, frame_at, frames, missing_times, open_footage, spread_frames
from vision.survey import register_any


def numbers(footage: Footage) -> list[int]:
    return [number_of(f.bgr) for f in frames(footage)]


@pytest.mark.parametrize("rate", [Fraction(24), Fraction(25), Fraction(30000, 1001), Fraction(50), Fraction(60)])
def test_any_frame_rate_is_looked_at_ten_times_a_second(tmp_path: Path, rate: Fraction) -> None:
    ms = [round(1000 * i / rate) for i in range(math.ceil(2 * rate) + 1)]
    footage = open_footage([write(tmp_path / "clip.mp4", ms)])
    got = list(frames(footage, rate_hz=10))
    assert len(got) == 21
    # At the nearest picture, or at one that must be decoded anyway, as near as half the spacing.
    assert [f.t_s for f in got] == pytest.approx(np.arange(21) / 10, abs=max(0.5 / float(rate), 0.05) + 1e-3)
    assert all(number_of(f.bgr) == f.index % 20 for f in got)
    assert footage.notes == ()


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
@pytest.mark.parametrize("size", [(1280, 720), (1920, 1080), (2704, 1520), (3840, 2160)])
def test_sizes_of_picture(tmp_path: Path, size: tuple[int, int], codec: str) -> None:
    if codec not in av.codecs_available:
        pytest.skip(f"this build of PyAV cannot write {codec}")
    quick = {"preset": "ultrafast", "x265-params": "log-level=error"}
    footage = open_footage([write(tmp_path / "clip.mp4", [0, 40, 80], size=size, codec=codec, options=quick)])
    assert (footage.width_px, footage.height_px) == size
    got = list(frames(footage))
    assert [f.bgr.shape for f in got] == 3 * [(size[1], size[0], 3)]
    assert [number_of(f.bgr) for f in got] == [0, 1, 2]


@pytest.mark.parametrize("size", [(161, 97), (159, 96)])
def test_odd_sizes(tmp_path: Path, size: tuple[int, int]) -> None:
    """Cut to size in a program, say: an odd number of columns and rows (4:4:4, as 4:2:0 cannot be odd everywhere)."""
    footage = open_footage([write(tmp_path / "cut.mkv", [0, 40, 80], size=size, pix_fmt="yuv444p")])
    assert (footage.width_px, footage.height_px) == size
    assert numbers(footage) == [0, 1, 2]


def test_pixels_that_are_not_square(tmp_path: Path) -> None:
    """Old camcorders: 1440 columns shown as 1920; here 120 shown as 160."""
    path = tmp_path / "wide.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 120, 90, "yuv420p"
        stream.codec_context.sample_aspect_ratio = Fraction(4, 3)
        picture = np.full((90, 120, 3), 40, np.uint8)
        picture[:, 60:] = 200
        for _ in range(3):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        out.mux(stream.encode(None))
    footage = open_footage([path])
    assert (footage.width_px, footage.height_px) == (160, 90)
    shown = next(frames(footage)).bgr
    assert shown.shape == (90, 160, 3)
    assert shown[:, :76].mean() == pytest.approx(40, abs=3)
    assert shown[:, 84:].mean() == pytest.approx(200, abs=3)


@pytest.mark.parametrize("kind", ["limited", "full"])
def test_range_of_brightness(tmp_path: Path, kind: str) -> None:
    """Black is 16 in the one and 0 in the other; both come out as the greys that went in."""
    path = write(tmp_path / "clip.mp4", [40 * i for i in range(20)], options={"color_range": kind, "crf": "10"},
                 pix_fmt="yuvj420p" if kind == "full" else "yuv420p")
    greys = [float(f.bgr.mean()) for f in frames(open_footage([path]))]
    assert greys == pytest.approx([GREYS * i for i in range(20)], abs=5)


def test_the_course_is_found_in_pictures_of_high_dynamic_range(tmp_path: Path) -> None:
    """Hybrid log-gamma in the wide colours of ITU-R BT.2020, ten bits, as drones and phones write it."""
    course = bus_course()
    path = tmp_path / "hlg.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25, options={"preset": "ultrafast", "crf": "18"})
        stream.width, stream.height, stream.pix_fmt = 960, 540, "yuv420p10le"
        stream.codec_context.color_primaries, stream.codec_context.color_trc = 9, 18
        stream.codec_context.colorspace = 9
        camera = looking_down(course, (960, 540))
        frame = av.VideoFrame.from_ndarray(hybrid_log_gamma(paint(course, camera)), format="bgr24")
        for _ in range(3):
            out.mux(stream.encode(frame.reformat(format="yuv420p10le", dst_colorspace="ITU709")))
        out.mux(stream.encode(None))
    shot = next(frames(open_footage([path])))
    _, registration = register_any([shot.bgr], course, path.name)
    assert registration.unseen == ()
    for mark, real in zip(registration.marks, course.marks, strict=True):
        assert np.hypot(mark.x_m - real.x_m, mark.y_m - real.y_m) < 0.15


def hybrid_log_gamma(bgr: np.ndarray) -> np.ndarray:
    """An ordinary (sRGB, BT.709) picture as such a camera codes it: ITU-R BT.2100, white at 75 % as in BT.2408."""
    light = np.where(bgr / 255 <= 0.04045, bgr / 255 / 12.92, ((bgr / 255 + 0.055) / 1.055) ** 2.4)[..., ::-1]
    wide = light @ np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]).T  # BT.2087
    scene = 0.265 * np.clip(wide, 0, 1)
    coded = np.where(scene <= 1 / 12, np.sqrt(3 * scene),
                     0.17883277 * np.log(np.maximum(12 * scene - 0.28466892, 1e-9)) + 0.55991073)
    return (255 * coded[..., ::-1]).round().astype(np.uint8)


def test_pictures_held_to_an_earlier_one_and_to_a_later_one(tmp_path: Path) -> None:
    """Pictures coded from both neighbours come out of the file in another order than they are shown."""
    path = write(tmp_path / "b.mp4", [40 * i for i in range(40)], group=20, options={"x264-params": "b-adapt=0"})
    with av.open(str(path)) as container:
        stored = [p.pts for p in container.demux(video=0) if p.pts is not None]
    assert stored != sorted(stored)
    footage = open_footage([path])
    assert [f.index for f in frames(footage)] == list(range(40))
    assert numbers(footage) == [i % 20 for i in range(40)]


def cut_in(tmp_path: Path, by_s: float) -> Path:
    """A clip whose start was cut off without coding it anew: an edit list hides what the first pictures need."""
    whole = write(tmp_path / "whole.mp4", [40 * i for i in range(40)], group=10)
    path = tmp_path / "cut_in.mp4"
    with av.open(str(whole)) as source, av.open(str(path), "w", options={"avoid_negative_ts": "disabled"}) as out:
        stream = source.streams.video[0]
        copy = out.add_stream_from_template(stream)
        for packet in source.demux(stream):
            if packet.dts is not None:
                packet.pts -= round(by_s / stream.time_base)
                packet.dts -= round(by_s / stream.time_base)
                packet.stream = copy
                out.mux(packet)
    return path


def test_pictures_before_the_start_are_not_counted(tmp_path: Path) -> None:
    """Its first five pictures have times below zero and are there for the decoder only."""
    footage = open_footage([cut_in(tmp_path, 0.2)])
    assert footage.times_s == pytest.approx(0.04 * np.arange(35), abs=1e-3)
    assert numbers(footage) == [i % 20 for i in range(5, 40)]
    assert [number_of(f.bgr) for f in spread_frames(footage, 4)] == [10, 0, 10]  # at 0.2, 0.6 and 1.0 s
    at = frame_at(footage, 0.4)
    assert at is not None
    assert number_of(at.bgr) == 15


def test_a_very_long_way_to_the_next_whole_picture(tmp_path: Path) -> None:
    """One picture that decodes by itself in a thousand: any moment is still found."""
    footage = open_footage([write(tmp_path / "long.mp4", [40 * i for i in range(1000)], group=1000,
                                 options={"sc_threshold": "0"})])
    assert footage.key.sum() == 1
    at = frame_at(footage, 31.4)
    assert at is not None
    assert (at.index, number_of(at.bgr)) == (785, 785 % 20)
    assert [f.index for f in spread_frames(footage, 9)] == pytest.approx(np.linspace(0, 999, 9), abs=1)


def test_a_file_that_does_not_say_how_long_it_is(tmp_path: Path) -> None:
    """Recorded as a stream: the header was written before the end was known."""
    path = write(tmp_path / "live.mkv", [40 * i for i in range(30)], container={"live": "1"})
    with av.open(str(path)) as container:
        assert not container.duration
    footage = open_footage([path])
    assert footage.duration_s == pytest.approx(29 * 0.04, abs=1e-3)
    assert footage.notes == ()
    assert numbers(footage) == [i % 20 for i in range(30)]


def test_pictures_without_times_are_refused(tmp_path: Path) -> None:
    """A bare H.264 stream in a wrapper that carries no times of presentation."""
    bare = write(tmp_path / "bare.h264", [40 * i for i in range(30)])
    with pytest.raises(Trouble) as e:
        open_footage([bare])
    assert str(bare) in e.value.one_line()
    assert "MP4" in e.value.one_line()


def test_telemetry_sound_and_cover_are_left_alone(tmp_path: Path) -> None:
    """A drone's clip: flight data as subtitles, sound, and a still of its own as a second stream of pictures."""
    path = tmp_path / "drone.mp4"
    with av.open(str(path), "w") as out:
        cover = out.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 640, 480, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        stream = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        sound = out.add_stream("aac", rate=8000)
        flight = out.add_stream("mov_text")
        flight.codec_context.subtitle_header = b"[Script Info]\n[V4+ Styles]\n[Events]\n"
        still = av.VideoFrame.from_ndarray(np.full((480, 640, 3), 255, np.uint8), format="bgr24")
        out.mux(cover.encode(still.reformat(format="yuvj420p")))
        out.mux(cover.encode(None))
        silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        silence.sample_rate = 8000
        for i in range(8):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(np.full((96, 160, 3), GREYS * i, np.uint8),
                                                             format="bgr24")))
            out.mux(sound.encode(silence))
            words = f"F/2.8, SS 400, H {30 + i} m".encode()
            packet = av.Packet(len(words).to_bytes(2, "big") + words)
            packet.pts = packet.dts = 40 * i
            packet.duration, packet.time_base, packet.stream = 40, Fraction(1, 1000), flight
            out.mux(packet)
        out.mux(stream.encode(None))
    with av.open(str(path)) as container:
        assert {s.type for s in container.streams} == {"video", "audio", "subtitle"}
        assert len(container.streams.video) == 2
    footage = open_footage([path])
    assert (footage.width_px, footage.height_px) == (160, 96)
    assert numbers(footage) == list(range(8))


def test_interlaced_pictures_are_read_and_told(tmp_path: Path) -> None:
    path = write(tmp_path / "old.mp4", [40 * i for i in range(8)], options={"x264-params": "interlaced=1:tff=1"})
    footage = open_footage([path])
    assert numbers(footage) == list(range(8))
    assert any("interlaced" in n for n in footage.notes)


def test_a_file_cut_short_says_so(tmp_path: Path) -> None:
    """Copied from the card in part: the index in front says four seconds, the pictures end before."""
    whole = write(tmp_path / "whole.mp4", [40 * i for i in range(100)], grain=6, container={"movflags": "faststart"})
    cut = tmp_path / "short.mp4"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    footage = open_footage([cut])
    assert 1.5 < footage.duration_s < 2.5
    note, = footage.notes
    assert "short.mp4 is cut short: it should last 4 s, but its pictures end after 2 s" in note
    got = list(frames(footage))
    assert all(number_of(f.bgr) == f.index % 20 for f in got[:-1])  # of the very last a part may be missing


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_a_damaged_stretch_is_a_gap_and_shifts_nothing(tmp_path: Path, codec: str) -> None:
    """A spot on the card cannot be read: what follows still comes at its own time, and the hole is known."""
    if codec not in av.codecs_available:
        pytest.skip(f"this build of PyAV cannot write {codec}")
    path = write(tmp_path / "clip.mp4", [40 * i for i in range(120)], codec=codec, group=10, grain=6,
                 container={"movflags": "faststart"},
                 options={"crf": "10", "preset": "superfast", "x265-params": "log-level=error"})
    data = bytearray(path.read_bytes())
    middle, share = len(data) // 2, len(data) // 6
    data[middle:middle + share] = bytes(share)
    path.write_bytes(data)
    footage = open_footage([path])
    got = list(frames(footage))
    indices = [f.index for f in got]
    assert 70 < len(got) < 115
    assert indices[-1] > 110
    assert [f.t_s for f in got] == pytest.approx(footage.times_s[indices])
    assert np.mean([number_of(f.bgr) == f.index % 20 for f in got]) > 0.95  # a picture may be damaged and not known
    missing = missing_times(footage, 10, np.array([f.t_s for f in got]))
    hole = 0.04 * int(np.diff(indices).max())
    assert len(missing) == pytest.approx((hole - 0.2) / 0.1, abs=1)
    assert 1.5 < missing.min() < missing.max() < 4.0


def test_missing_times_by_hand() -> None:
    """Seen at 0, 0.1, 0.2, then nothing up to 0.8: of a look every 0.1 s those from 0.4 to 0.7 have no picture within
    0.1 s (0.3 has one just as near)."""
    times = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.8, 0.85, 0.9])
    footage = Footage((), times, np.ones(8, bool), (), 160, 96, ())
    assert missing_times(footage, 10, np.array([0.0, 0.1, 0.2, 0.801, 0.9])) == pytest.approx([0.4, 0.5, 0.6, 0.7])
    assert len(missing_times(footage, 10, np.array([]))) == 10  # nothing at all was seen


def begun(tmp_path: Path, name: str, at: str | None, count: int = 100) -> Path:
    return write(tmp_path / name, [40 * i for i in range(count)], metadata={"creation_time": at} if at else None)


def test_files_that_follow_on(tmp_path: Path) -> None:
    """Four seconds each, begun four seconds apart: one recording without a gap, and nothing needs saying."""
    footage = open_footage([begun(tmp_path, "a.mp4", "2031-05-01T10:00:00Z"),
                            begun(tmp_path, "b.mp4", "2031-05-01T10:00:04Z")])
    assert footage.times_s == pytest.approx(0.04 * np.arange(200), abs=1e-3)
    assert footage.notes == ()


def test_a_gap_between_two_files_is_kept_and_told(tmp_path: Path) -> None:
    """Begun 16 s apart, the first lasting 4 s: 12 s are missing."""
    footage = open_footage([begun(tmp_path, "a.mp4", "2031-05-01T10:00:00Z"),
                            begun(tmp_path, "b.mp4", "2031-05-01T10:00:16Z")])
    assert footage.times_s[99:101] == pytest.approx([3.96, 16.0], abs=1e-3)
    note, = footage.notes
    assert "About 12 s between a.mp4 and b.mp4 were not recorded" in note
    got = list(frames(footage, rate_hz=10))
    missing = missing_times(footage, 10, np.array([f.t_s for f in got]))
    assert missing.min() == pytest.approx(4.1, abs=0.06)
    assert missing.max() == pytest.approx(15.8, abs=0.06)


@pytest.mark.parametrize("times", [(None, None), ("2031-05-01T10:00:00Z", None),
                                   ("2031-05-01T10:00:00Z", "2031-05-01T10:00:00Z")])
def test_files_that_do_not_tell_are_joined_and_that_is_said(tmp_path: Path, times: tuple[str | None, ...]) -> None:
    footage = open_footage([begun(tmp_path, f"{i}.mp4", t) for i, t in enumerate(times)])
    assert footage.times_s == pytest.approx(0.04 * np.arange(200), abs=1e-3)
    note, = footage.notes
    assert "nothing in them says whether something is missing" in note


@pytest.mark.parametrize(("second", "said"), [("2031-05-01T09:59:50Z", "was recorded before a.mp4"),
                                              ("2031-05-01T13:00:00Z", "180 minutes after")])
def test_files_that_cannot_be_one_run_are_refused(tmp_path: Path, second: str, said: str) -> None:
    parts = [begun(tmp_path, "a.mp4", "2031-05-01T10:00:00Z"), begun(tmp_path, "b.mp4", second)]
    with pytest.raises(Trouble, match=said) as e:
        open_footage(parts)
    assert "b.mp4" in e.value.one_line()


def test_a_frame_is_found_in_whichever_file_it_lies(tmp_path: Path) -> None:
    footage = open_footage([begun(tmp_path, "a.mp4", None), begun(tmp_path, "b.mp4", None)])
    for t_s, number in ((0.4, 10), (3.96, 19), (4.0, 0), (6.0, 10)):
        at = frame_at(footage, t_s)
        assert at is not None
        assert (at.t_s, number_of(at.bgr)) == (pytest.approx(t_s), number)


def test_the_course_is_found_at_four_k() -> None:
    """The painted yard at 720p drawn out to 2160p: the marks are where they are, to centimetres."""
    course = bus_course()
    picture = cv2.resize(paint(course, looking_down(course, (1280, 720))), None, fx=3, fy=3,
                         interpolation=cv2.INTER_CUBIC)
    _, registration = register_any([picture], course, "yard")
    assert registration.unseen == ()
    for mark, real in zip(registration.marks, course.marks, strict=True):
        assert np.hypot(mark.x_m - real.x_m, mark.y_m - real.y_m) < 0.12


@pytest.mark.parametrize("turn", [90, 270])
def test_the_course_is_found_in_a_clip_filmed_upright(tmp_path: Path, turn: int) -> None:
    """A phone held on end, the yard along the picture's height; the pictures are stored lying, with a flag."""
    course = bus_course()
    upright = paint(course, looking_down(course, (720, 1280), turn_deg=90.0))
    path = tmp_path / "portrait.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25, options={"preset": "ultrafast", "crf": "18"})
        stream.width, stream.height, stream.pix_fmt = 1280, 720, "yuv420p"
        lying = np.ascontiguousarray(np.rot90(upright, turn // 90))
        for _ in range(3):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(lying, format="bgr24")))
        out.mux(stream.encode(None))
    path.write_bytes(with_display_matrix(path.read_bytes(), turn))
    shot = next(frames(open_footage([path])))
    assert shot.bgr.shape == (1280, 720, 3)
    _, registration = register_any([shot.bgr], course, path.name)
    assert registration.unseen == registration.fallen == ()
    for mark, real in zip(registration.marks, course.marks, strict=True):
        assert np.hypot(mark.x_m - real.x_m, mark.y_m - real.y_m) < 0.15
