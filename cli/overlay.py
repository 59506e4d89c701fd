"""Videos made from the clip: the overlay video, and a viewing copy when a browser cannot play the clip itself.

Everything is drawn where it stands on the ground, through the clip's own camera. A time without
a measurement is shown as such: no outline, and the words "not measured".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from fractions import Fraction
from functools import cache, lru_cache
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import av
import cv2
import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from analysis.attempt import Attempt
from cli import scene, store, words
from cli.palette import OVERLAY, bgr
from vision.camera import Camera
from vision.footage import Footage, Frame, frames
from vision.measure import MEASURED_HZ
from vision.overlap import ahead

VIDEO_RATE_HZ = MEASURED_HZ  # a picture for each measured pose: between them nothing more is known
VIDEO_LONG_SIDE_PX = 1280
EMBED_LIMIT_BYTES = 25_000_000
_TICKS = 90_000  # a second's share in the time base of the videos written
_SUBPIXEL = 4  # OpenCV draws in 1/16 px
_TRAIL_STEP_M = 0.4  # a chord this long lies 3 mm off a circle of 7 m
_TURNING_SHOWN_S = 4.0  # before and after

Report = Callable[[str, float], None]


def write_videos(footage: Footage, attempt: Attempt, folder: Path, *, overlay: bool, progress: Report) -> Path:
    """Write overlay.mp4 if asked, and clip.mp4 if needed, in one pass. Returns the clip a browser can play."""
    as_it_is = playable(footage.paths)
    if as_it_is and not overlay:
        return footage.paths[0]
    stage = "drawing the overlay video" if overlay else "writing a viewing copy"
    size_px = video_size_px(footage)
    artist = Artist(attempt, *size_px) if overlay else None
    with ExitStack() as stack:
        def writer(name: str) -> Mp4Writer:
            return stack.enter_context(Mp4Writer(folder / name, *size_px))
        drawn = writer(store.OVERLAY) if overlay else None
        plain = None if as_it_is else writer(store.VIEWING_COPY)
        # Decoded in one thread, drawn in another, coded in this one.
        for frame, picture in ahead(_drawn(ahead(frames(footage, rate_hz=VIDEO_RATE_HZ, size_px=size_px)), artist)):
            if plain:
                plain.add(frame.bgr, frame.t_s)
            if drawn:
                drawn.add(picture, frame.t_s)
            progress(stage, frame.t_s / footage.duration_s)
    return footage.paths[0] if as_it_is else folder / store.VIEWING_COPY


def video_size_px(footage: Footage) -> tuple[int, int]:
    """(width, height) of the videos made from a clip: even, and no larger than the clip."""
    scale = min(1.0, VIDEO_LONG_SIDE_PX / max(footage.width_px, footage.height_px))
    return int(footage.width_px * scale) // 2 * 2, int(footage.height_px * scale) // 2 * 2


def _drawn(shown: Iterator[Frame], artist: Artist | None) -> Iterator[tuple[Frame, np.ndarray]]:
    """Each frame with its picture drawn over; as it is without an artist."""
    for frame in shown:
        picture = frame.bgr
        if artist:
            picture = picture.copy()
            artist.draw(picture, frame.t_s)
        yield frame, picture


def playable(clips: Sequence[Path]) -> bool:
    """Whether browsers play this recording as it is, with its own times, and it is small enough to embed."""
    if len(clips) != 1 or clips[0].stat().st_size > EMBED_LIMIT_BYTES:
        return False
    with av.open(str(clips[0])) as container:
        stream = container.streams.video[0]
        start_s = float((stream.start_time or 0) * (stream.time_base or 0))
        return ("mp4" in container.format.name and stream.codec_context.name == "h264"
                and stream.codec_context.pix_fmt in ("yuv420p", "yuvj420p") and abs(start_s) < 1e-3)


class Mp4Writer:
    """An H.264 video that browsers play at once: 4:2:0, index in front, true times. Use as a context."""

    def __init__(self, path: Path, width_px: int, height_px: int) -> None:
        self._container = av.open(str(path), "w", format="mp4", options={"movflags": "faststart"})
        self._stream = self._container.add_stream("libx264", rate=round(VIDEO_RATE_HZ))
        self._stream.width, self._stream.height, self._stream.pix_fmt = width_px, height_px, "yuv420p"
        # As near to the picture as crf 23 of "veryfast", by its squared error, at two thirds of the work and four
        # thirds of the size (measured on a bundled clip).
        self._stream.options = {"crf": "25", "preset": "superfast"}
        self._stream.codec_context.time_base = Fraction(1, _TICKS)

    def __enter__(self) -> Mp4Writer:
        return self

    def add(self, bgr_picture: np.ndarray, t_s: float) -> None:
        # FFmpeg's own way from BGR takes three times as long.
        planes = np.asarray(cv2.cvtColor(bgr_picture, cv2.COLOR_BGR2YUV_I420), np.uint8)
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        frame.pts, frame.time_base = round(t_s * _TICKS), Fraction(1, _TICKS)
        self._container.mux(self._stream.encode(frame))

    def __exit__(self, *exc: object) -> None:
        if exc[0] is None:
            self._container.mux(self._stream.encode())
        self._container.close()


class Stroke(NamedTuple):
    """Lines on the ground, each (n, 2) m, drawn alike; `what` names their colour. A tyre is filled, and closed."""

    what: str
    lines: list[np.ndarray]


class Artist:
    """Draws one attempt's overlay onto pictures of width_px x height_px."""

    def __init__(self, attempt: Attempt, width_px: int, height_px: int) -> None:
        self._attempt = attempt
        self._size = width_px, height_px
        self._thick = max(1, round(height_px / 360))
        self._points = scene.turning_points(attempt)
        # Dashes are cut on the ground, about as long as asked for in the picture: they lie still when the camera sways.
        path = attempt.track.camera
        first = next((c for t in path.t_s if (c := scene.camera_at(path, t))), None) if path else None
        self._line_width_m = self._thick * self._scaled(first).metres_per_pixel() if first else 1.0
        self._yard = self._yard_strokes()
        self._trails = trails(attempt)

    def draw(self, picture: np.ndarray, t_s: float, *, caption: bool = True) -> None:
        """Draw what stands and what is known at t_s, in place; `caption`: with the words below."""
        path = self._attempt.track.camera
        camera = scene.camera_at(path, t_s) if path else None
        now = scene.moment(self._attempt, t_s)
        if camera is not None:
            camera = self._scaled(camera)
            self._draw_strokes(picture, camera, [*self._yard, self._trail(t_s), *self._vehicle(now)])
            self._turning(picture, camera, t_s)
        if caption:
            self._caption(picture, t_s, now if camera is not None else None)

    def _scaled(self, camera: Camera) -> Camera:
        return Camera(camera.lens.scaled(self._size[0] / camera.lens.width_px), camera.rotation, camera.centre_m)

    def _yard_strokes(self) -> list[Stroke]:
        course = self._attempt.surveyed
        sides = [scene.along(line.x0_m, line.y0_m, line.x1_m, line.y1_m) for line in course.lines]
        b = course.stopping_box or course.bay
        box = closed(scene.rectangle(b.x_min_m, b.x_max_m, b.y_min_m, b.y_max_m))
        marks = [closed(scene.placed(scene.rectangle(-h, h, -h, h), mark.x_m, mark.y_m, np.pi / 4))
                 for mark in course.marks for h in [mark.base_half_m * 1.6]]
        return [Stroke("line", [dash for side in sides for dash in self._dashed(side, 14, 6)]),
                Stroke("box", self._dashed(box, 5, 4)), Stroke("mark", marks)]

    def _trail(self, t_s: float) -> Stroke:
        """Where the vehicle's rear axle, or its trailer's, was so far."""
        lines = [np.vstack([places[times < t_s], [np.interp(t_s, times, places[:, k]) for k in (0, 1)]])
                 for times, places in self._trails if times[0] < t_s]
        return Stroke("trail", [dash for line in lines for dash in self._dashed(line, 7, 5)])

    def _vehicle(self, now: scene.Moment | None) -> list[Stroke]:
        strokes = []
        for body, pose, wheel_rad in scene.bodies_at(self._attempt.vehicle, now) if now else ():
            tyres = [scene.placed(tyre, *pose) for tyre in scene.tyre_outlines_m(body, wheel_rad)]
            lines = [closed(scene.placed(body.body_outline_m(), *pose))]
            drawbar = scene.drawbar_m(body)
            if drawbar is not None:
                lines.append(scene.placed(drawbar, *pose))
            strokes += [Stroke("tyre", tyres), Stroke("vehicle", lines)]
        return strokes

    def _dashed(self, places_m: np.ndarray, on: float, off: float) -> list[np.ndarray]:
        """The dashes of a line on the ground; lengths in line widths."""
        return dashes(places_m, on * self._line_width_m, off * self._line_width_m)

    def _draw_strokes(self, picture: np.ndarray, camera: Camera, strokes: Sequence[Stroke]) -> None:
        """Lines over a dark halo, tyres in a thin one."""
        every = iter(self._pixels(camera, [line for stroke in strokes for line in stroke.lines]))
        for what, lines in strokes:
            seen = [px for px in islice(every, len(lines)) if px is not None]
            if what == "tyre":
                for px in seen:
                    cv2.fillPoly(picture, [px], bgr(OVERLAY[what]), cv2.LINE_AA, _SUBPIXEL)
                cv2.polylines(picture, seen, True, bgr(OVERLAY["halo"]), 1, cv2.LINE_AA, _SUBPIXEL)
                continue
            for colour, thickness in ((OVERLAY["halo"], 2 * self._thick + 1), (OVERLAY[what], self._thick)):
                cv2.polylines(picture, seen, False, bgr(colour), thickness, cv2.LINE_AA, _SUBPIXEL)

    def _turning(self, picture: np.ndarray, camera: Camera, t_s: float) -> None:
        """Where the bay was lost, and where it could last have been kept, about that time."""
        for point in self._points:
            if point.at_m is None or abs(t_s - point.t_s) > _TURNING_SHOWN_S:
                continue
            [px] = self._pixels(camera, [np.array([point.at_m])])
            if px is None:
                continue
            ring_px, (x, y) = 7 * self._thick, (int(v) for v in px[0])
            for colour, thickness in ((OVERLAY["halo"], 2 * self._thick + 2), (OVERLAY["line"], self._thick)):
                cv2.circle(picture, (x, y), ring_px << _SUBPIXEL, bgr(colour), thickness, cv2.LINE_AA, _SUBPIXEL)
            label = caption(f"{point.label}, {words.clock(point.t_s)}", max(11, self._size[1] // 44))
            x, y = x >> _SUBPIXEL, y >> _SUBPIXEL
            beside = 2 * ring_px if point.kind == "saving" else -2 * ring_px - label.shape[0]
            paste(picture, label, x - label.shape[1] // 2, y + beside)

    def _pixels(self, camera: Camera, lines_m: Sequence[np.ndarray]) -> list[np.ndarray | None]:
        """Lines on the ground in OpenCV's fixed-point pixels, all in one go; None for each that reaches behind the
        camera or far outside the picture."""
        if not lines_m:
            return []
        ground = np.concatenate(lines_m)
        px = camera.project_ground(ground)
        depth = (np.column_stack([ground, np.zeros(len(ground))]) - camera.centre_m) @ camera.rotation[2]
        wild = (depth <= 0.1) | (np.abs(px) > 8 * max(self._size)).any(axis=1)
        px[wild] = 0
        fixed = np.round(px * (1 << _SUBPIXEL)).astype(np.int32)
        ends = np.cumsum([len(line) for line in lines_m])
        return [None if wild[b - len(line):b].any() else fixed[b - len(line):b]
                for line, b in zip(lines_m, ends, strict=True)]

    def _caption(self, picture: np.ndarray, t_s: float, now: scene.Moment | None) -> None:
        strip = caption(_caption_words(t_s, now), max(12, self._size[1] // 36))
        paste(picture, strip, 0, picture.shape[0] - strip.shape[0])


def _caption_words(t_s: float, now: scene.Moment | None) -> str:
    if now is None:
        return f"{words.clock(t_s)}   not measured"
    way = "standing" if abs(now.speed_mps) < 0.02 else "forward" if now.speed_mps > 0 else "in reverse"
    half = words.degrees(words.Z95 * now.sd_wheel_rad)
    bent = f"   trailer {words.bent(now.trailer.heading_rad - now.heading_rad)}" if now.trailer else ""
    return (f"{words.clock(t_s)}   {words.number(abs(now.speed_mps), 2)} m/s {way}   "
            f"wheel {words.steering(now.wheel_rad)} ± {half}{bent}")


def trails(attempt: Attempt) -> list[tuple[np.ndarray, np.ndarray]]:
    """The way of the last body's rear axle, a line for each stretch that was measured: times (n,), places (n, 2) m. So
    few places that drawing is quick, so many that bends look round and no cusp is cut off."""
    out = []
    _, m = attempt.bodies[-1]
    for a, b in scene.runs(attempt.track.measured):
        places = np.column_stack([m.x_m, m.y_m])[a:b]
        step = np.floor(np.cumsum(np.hypot(*np.diff(places, axis=0, prepend=places[:1]).T)) / _TRAIL_STEP_M)
        kept = (np.diff(step, prepend=-1) > 0) | (np.diff(np.sign(m.speed_mps[a:b]), append=0) != 0)
        out.append((m.t_s[a:b][kept], places[kept]))
    return out


def closed(ring: np.ndarray) -> np.ndarray:
    """(n + 1, 2) a ring (n, 2) that ends where it begins."""
    return np.vstack([ring, ring[:1]])


def dashes(line: np.ndarray, on: float, off: float) -> list[np.ndarray]:
    """The dashes of a line (n, 2), each (k, 2) with the line's own corners; lengths in the unit of the line."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    starts = np.arange(0.0, length[-1], on + off)
    which, into = np.divmod(length, on + off)
    corner = (into > 0) & (into < on) & (length < length[-1]) & (np.diff(length, prepend=0.0) > 0)
    number = np.arange(len(starts))
    at = np.concatenate([starts, np.minimum(starts + on, length[-1]), length[corner]])
    dash = np.concatenate([number, number, which[corner].astype(int)])
    order = np.lexsort((at, dash))
    places = np.column_stack([np.interp(at[order], length, line[:, k]) for k in (0, 1)])
    return np.split(places, np.flatnonzero(np.diff(dash[order])) + 1) if len(starts) else []


@cache
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size_px)


@lru_cache(8)  # the labels on the ground stay for seconds
def caption(text: str, size_px: int) -> np.ndarray:
    """Light words on a dark strip, (h, w, 3) BGR, not to be written to."""
    font = _font(size_px)
    pad = size_px // 2
    image = Image.new("RGB", (int(font.getlength(text)) + 2 * pad, size_px + 2 * pad), OVERLAY["halo"])
    ImageDraw.Draw(image).text((pad, pad - size_px // 8), text, font=font, fill="#FFFFFF")
    return np.ascontiguousarray(np.asarray(image)[:, :, ::-1])


def paste(picture: np.ndarray, patch: np.ndarray, left: int, top: int) -> None:
    """Lay a patch onto a picture, in place; what would stick out is left off."""
    h, w = picture.shape[:2]
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + patch.shape[1], w), min(top + patch.shape[0], h)
    if x1 > x0 and y1 > y0:
        picture[y0:y1, x0:x1] = patch[y0 - top:y1 - top, x0 - left:x1 - left]
