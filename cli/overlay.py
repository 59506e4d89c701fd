"""Videos made from the clip: the overlay video, and a viewing copy when a browser cannot play the clip itself.

Everything is drawn where it stands on the ground, through the clip's own camera. A time without
a measurement is shown as such: no outline, and the words "not measured".
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from fractions import Fraction
from functools import cache
from pathlib import Path

import av
import cv2
import matplotlib
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from analysis.attempt import Attempt
from cli import scene, store, words
from cli.palette import OVERLAY, bgr
from vision.camera import Camera
from vision.footage import Footage, frames

VIDEO_RATE_HZ = 15.0  # enough for a vehicle at walking pace, and half the work of 30
VIDEO_LONG_SIDE_PX = 1280
EMBED_LIMIT_BYTES = 25_000_000
_TICKS = 90_000  # a second's share in the time base of the videos written
_SUBPIXEL = 4  # OpenCV draws in 1/16 px
_TURNING_SHOWN_S = 4.0  # before and after

Report = Callable[[str, float], None]


def write_videos(footage: Footage, attempt: Attempt, folder: Path, *, overlay: bool, progress: Report) -> Path:
    """Write overlay.mp4 if asked, and clip.mp4 if needed, in one pass. Returns the clip a browser can play."""
    as_it_is = playable(footage.paths)
    if as_it_is and not overlay:
        return footage.paths[0]
    stage = "drawing the overlay video" if overlay else "writing a viewing copy"
    scale = min(1.0, VIDEO_LONG_SIDE_PX / max(footage.width_px, footage.height_px))
    width, height = (int(n * scale) // 2 * 2 for n in (footage.width_px, footage.height_px))
    with ExitStack() as stack:
        def writer(name: str) -> Mp4Writer:
            return stack.enter_context(Mp4Writer(folder / name, width, height))
        drawn = writer(store.OVERLAY) if overlay else None
        plain = None if as_it_is else writer(store.VIEWING_COPY)
        artist = Artist(attempt, width, height) if overlay else None
        for frame in frames(footage, rate_hz=VIDEO_RATE_HZ):
            picture = cv2.resize(frame.bgr, (width, height), interpolation=cv2.INTER_AREA)
            if plain:
                plain.add(picture, frame.t_s)
            if drawn and artist:
                artist.draw(picture, frame.t_s)
                drawn.add(picture, frame.t_s)
            progress(stage, frame.t_s / footage.duration_s)
    return footage.paths[0] if as_it_is else folder / store.VIEWING_COPY


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
        self._stream.options = {"crf": "23", "preset": "veryfast"}
        self._stream.codec_context.time_base = Fraction(1, _TICKS)

    def __enter__(self) -> Mp4Writer:
        return self

    def add(self, bgr_picture: np.ndarray, t_s: float) -> None:
        frame = av.VideoFrame.from_ndarray(bgr_picture, format="bgr24")
        frame.pts, frame.time_base = round(t_s * _TICKS), Fraction(1, _TICKS)
        self._container.mux(self._stream.encode(frame))

    def __exit__(self, *exc: object) -> None:
        if exc[0] is None:
            self._container.mux(self._stream.encode())
        self._container.close()


class Artist:
    """Draws one attempt's overlay onto pictures of width_px x height_px."""

    def __init__(self, attempt: Attempt, width_px: int, height_px: int) -> None:
        self._attempt = attempt
        self._size = width_px, height_px
        self._thick = max(1, round(height_px / 360))
        self._measured = attempt.track.measured
        self._points = scene.turning_points(attempt)

    def draw(self, picture: np.ndarray, t_s: float, *, caption: bool = True) -> None:
        """Draw what stands and what is known at t_s, in place; `caption`: with the words below."""
        path = self._attempt.track.camera
        camera = scene.camera_at(path, t_s) if path else None
        now = scene.moment(self._attempt, t_s)
        if camera is not None:
            camera = Camera(camera.lens.scaled(self._size[0] / camera.lens.width_px), camera.rotation, camera.centre_m)
            self._yard(picture, camera)
            self._trail(picture, camera, t_s)
            if now is not None:
                self._vehicle(picture, camera, now)
            self._turning(picture, camera, t_s)
        if caption:
            self._caption(picture, t_s, now if camera is not None else None)

    def _yard(self, picture: np.ndarray, camera: Camera) -> None:
        course = self._attempt.surveyed
        for line in course.lines:
            self._stroke(picture, camera, scene.along(line.x0_m, line.y0_m, line.x1_m, line.y1_m), "line", (14, 6))
        b = course.stopping_box or course.bay
        corners = scene.rectangle(b.x_min_m, b.x_max_m, b.y_min_m, b.y_max_m)
        self._stroke(picture, camera, np.vstack([corners, corners[:1]]), "box", (5, 4))
        for mark in course.marks:
            h = mark.base_half_m * 1.6
            square = scene.placed(scene.rectangle(-h, h, -h, h), mark.x_m, mark.y_m, np.pi / 4)
            self._stroke(picture, camera, np.vstack([square, square[:1]]), "mark")

    def _trail(self, picture: np.ndarray, camera: Camera, t_s: float) -> None:
        _, m = self._attempt.bodies[-1]
        known = self._measured & (m.t_s <= t_s)
        for a, b in scene.runs(known):
            if b - a > 1:
                self._stroke(picture, camera, np.column_stack([m.x_m[a:b], m.y_m[a:b]]), "trail", (7, 5))

    def _vehicle(self, picture: np.ndarray, camera: Camera, now: scene.Moment) -> None:
        for body, pose, wheel_rad in scene.bodies_at(self._attempt.vehicle, now):
            for tyre in scene.tyre_outlines_m(body, wheel_rad):
                px = self._pixels(camera, scene.placed(tyre, *pose))
                if px is not None:
                    cv2.fillPoly(picture, [px], bgr(OVERLAY["tyre"]), cv2.LINE_AA, _SUBPIXEL)
                    cv2.polylines(picture, [px], True, bgr(OVERLAY["halo"]), 1, cv2.LINE_AA, _SUBPIXEL)
            outline, drawbar = scene.placed(body.body_outline_m(), *pose), scene.drawbar_m(body)
            self._stroke(picture, camera, np.vstack([outline, outline[:1]]), "vehicle")
            if drawbar is not None:
                self._stroke(picture, camera, scene.placed(drawbar, *pose), "vehicle")

    def _turning(self, picture: np.ndarray, camera: Camera, t_s: float) -> None:
        """Where the bay was lost, and where it could last have been kept, about that time."""
        for point in self._points:
            if point.at_m is None or abs(t_s - point.t_s) > _TURNING_SHOWN_S:
                continue
            px = self._pixels(camera, np.array([point.at_m]))
            if px is None:
                continue
            ring_px, (x, y) = 7 * self._thick, (int(v) for v in px[0])
            for colour, thickness in ((OVERLAY["halo"], 2 * self._thick + 2), (OVERLAY["line"], self._thick)):
                cv2.circle(picture, (x, y), ring_px << _SUBPIXEL, bgr(colour), thickness, cv2.LINE_AA, _SUBPIXEL)
            label = caption(f"{point.label}, {words.clock(point.t_s)}", max(11, self._size[1] // 44))
            x, y = x >> _SUBPIXEL, y >> _SUBPIXEL
            beside = 2 * ring_px if point.kind == "saving" else -2 * ring_px - label.shape[0]
            paste(picture, label, x - label.shape[1] // 2, y + beside)

    def _pixels(self, camera: Camera, ground_m: np.ndarray) -> np.ndarray | None:
        """Points in OpenCV's fixed-point pixels; None when any lies behind the camera or far outside the picture."""
        px = camera.project_ground(ground_m)
        depth = (np.column_stack([ground_m, np.zeros(len(ground_m))]) - camera.centre_m) @ camera.rotation[2]
        if (depth <= 0.1).any() or (np.abs(px) > 8 * max(self._size)).any():
            return None
        return np.round(px * (1 << _SUBPIXEL)).astype(np.int32)

    def _stroke(self, picture: np.ndarray, camera: Camera, ground_m: np.ndarray, what: str,
                dash: tuple[int, int] | None = None) -> None:
        """A line on the ground over a dark halo; dash (on, off) in line widths."""
        px = self._pixels(camera, ground_m)
        if px is None:
            return
        pieces = [px] if dash is None else dashes(px, [d * self._thick << _SUBPIXEL for d in dash])
        for colour, thickness in ((OVERLAY["halo"], 2 * self._thick + 1), (OVERLAY[what], self._thick)):
            cv2.polylines(picture, pieces, False, bgr(colour), thickness, cv2.LINE_AA, _SUBPIXEL)

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


def dashes(px: np.ndarray, on_off: Sequence[int]) -> list[np.ndarray]:
    """Cut a polyline (n, 2) into its dashes; lengths in the unit of px."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(px, axis=0).T))])
    if length[-1] == 0:
        return []
    starts = np.arange(0.0, length[-1], sum(on_off))
    out = []
    for a in starts:
        b = min(a + on_off[0], length[-1])
        inside = length[(length > a) & (length < b)]
        at = np.concatenate([[a], inside, [b]])
        out.append(np.column_stack([np.interp(at, length, px[:, k]) for k in (0, 1)]).round().astype(np.int32))
    return out


@cache
def _font(size_px: int) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"), size_px)


def caption(text: str, size_px: int) -> np.ndarray:
    """Light words on a dark strip, (h, w, 3) BGR."""
    font = _font(size_px)
    pad = size_px // 2
    image = Image.new("RGB", (int(font.getlength(text)) + 2 * pad, size_px + 2 * pad), OVERLAY["halo"])
    ImageDraw.Draw(image).text((pad, pad - size_px // 8), text, font=font, fill="#FFFFFF")
    return np.asarray(image)[:, :, ::-1]


def paste(picture: np.ndarray, patch: np.ndarray, left: int, top: int) -> None:
    """Lay a patch onto a picture, in place; what would stick out is left off."""
    h, w = picture.shape[:2]
    x0, y0, x1, y1 = max(left, 0), max(top, 0), min(left + patch.shape[1], w), min(top + patch.shape[0], h)
    if x1 > x0 and y1 > y0:
        picture[y0:y1, x0:x1] = patch[y0 - top:y1 - top, x0 - left:x1 - left]
