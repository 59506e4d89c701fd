"""What disturbs a picture of the yard: shade that sweeps over it, headlamps, a rolling shutter, sharpening."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np

from analysis.vehicle import Vehicle
from sample_clips.render import Camera
from sample_clips.scene import cloudy

COARSE = 4  # shade and shutter change slowly over the picture: worked out at every so many pixels
TEXEL_M = 0.1
LAMP_STEP_M = 0.2
SHARPENED_PX = 1.0


class Shade:
    """Shade that moves over the ground: of clouds, drifting with the wind, or of crowns, swaying where they are.

    It is laid over the finished light of the picture: that it falls on a roof a little aside of where it would fall
    on the ground is left out.
    """

    def __init__(self, kind: str, depth: float, rng: np.random.Generator) -> None:
        self.depth, self.clouds = depth, kind == "cloud"
        texels = 1024
        sizes_m = (14.0, 9.0) if self.clouds else (3.2, 0.9, 0.45)
        field = cloudy((texels, texels), tuple(m / TEXEL_M for m in sizes_m), rng)
        steep = 1.2 if self.clouds else 2.5
        share = 1 / (1 + np.exp(-steep * 2 * (field - (0.1 if self.clouds else 0.35))))
        soft_m = 0.8 if self.clouds else 0.12
        self.table = cv2.GaussianBlur(share.astype(np.float32), (0, 0), soft_m / TEXEL_M)
        self.phase = rng.uniform(0, 2 * math.pi, 2)

    def offset_m(self, t_s: float) -> tuple[float, float]:
        if self.clouds:
            return 2.2 * t_s, 0.9 * t_s
        return (0.35 * math.sin(2 * math.pi * t_s / 2.3 + self.phase[0]),
                0.25 * math.sin(2 * math.pi * t_s / 3.1 + self.phase[1]))

    def over(self, camera: Camera, rays: np.ndarray, t_s: float) -> np.ndarray:
        """(h, w) share of the sun that is left; rays (h, w, 2) of the pixels."""
        x, y = _ground(camera, rays[::COARSE, ::COARSE])
        dx, dy = self.offset_m(t_s)
        seen = cv2.remap(self.table, ((x - dx) / TEXEL_M).astype(np.float32), ((y - dy) / TEXEL_M).astype(np.float32),
                         cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        big = cv2.resize(seen, (rays.shape[1], rays.shape[0]), interpolation=cv2.INTER_LINEAR)
        return 1 - self.depth * big


def sharpened(picture: np.ndarray, amount: float) -> np.ndarray:
    """As a camera sharpens its pictures before they are coded: what a blur of a pixel takes away is added `amount`
    times, which leaves a bright and a dark seam along edges."""
    seen = picture.astype(np.float32)
    more = seen + amount * (seen - cv2.GaussianBlur(seen, (0, 0), SHARPENED_PX))
    return np.clip(more + 0.5, 0, 255).astype(np.uint8)


def _ground(camera: Camera, rays: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where (h, w, 2) rays meet the ground."""
    d = rays @ camera.rotation[:2] + camera.rotation[2]
    s = -camera.centre_m[2] / np.minimum(d[..., 2], -1e-3)
    return camera.centre_m[0] + s * d[..., 0], camera.centre_m[1] + s * d[..., 1]


def rolled(picture: np.ndarray, rays: np.ndarray, camera_at: Callable[[float], Camera], t_s: float,
           readout_s: float) -> np.ndarray:
    """The picture as a rolling shutter reads it: row by row from t - readout / 2 to t + readout / 2.

    Each row shows the ground as the camera stood at that row's moment; what stands above the ground is taken along,
    and that the vehicle itself moves within the readout (1 cm at most) is left out.
    """
    h, w = rays.shape[:2]
    rows = np.arange(0, h, COARSE)
    coarse = rays[::COARSE, ::COARSE]
    maps = np.empty((*coarse.shape[:2], 2), np.float32)
    middle = camera_at(t_s)
    for i, j in enumerate(rows):
        x, y = _ground(camera_at(t_s + readout_s * (j / (h - 1) - 0.5)), coarse[i : i + 1])
        px, _ = middle.project(np.stack([x, y, np.zeros_like(x)], axis=-1))
        maps[i] = px[0]
    shift = maps - np.stack(np.meshgrid(np.arange(0, w, COARSE), rows), axis=-1).astype(np.float32)
    # sample k of the coarse grid belongs to pixel k * COARSE
    finer = np.array([[1 / COARSE, 0, 0], [0, 1 / COARSE, 0]])
    full = [cv2.warpAffine(np.ascontiguousarray(shift[..., k]), finer, (w, h), borderMode=cv2.BORDER_REPLICATE,
                           flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP) for k in (0, 1)]
    u, v = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    return cv2.remap(picture, u + full[0], v + full[1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)


def lamp_light(vehicle: Vehicle, strength: float = 0.9) -> tuple[np.ndarray, tuple[float, float]]:
    """How much the headlamps add to the sky's light on the ground ahead (1: nothing), in the vehicle's frame:
    two patches, rows along y; and the place of the table's first row and column."""
    x0, half = vehicle.x_front_m, vehicle.width_m / 2 + 3.0
    x, y = np.arange(0.0, 16.0, LAMP_STEP_M)[None, :], np.arange(-half, half, LAMP_STEP_M)[:, None]
    out = np.ones((y.shape[0], x.shape[1]))
    for lamp in (-1.0, 1.0):
        wide = 0.35 + 0.11 * x
        beam = np.exp(-0.5 * ((y - lamp * (vehicle.width_m / 2 - 0.3)) / wide) ** 2) * (x / 4.0) * np.exp(1 - x / 4.0)
        out += strength * beam
    return out, (x0, -half)
