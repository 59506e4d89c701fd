"""Laying a learnt roof onto a picture: an even roof with a few clear marks, drawn from a formula."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.body import Solid
from vision.camera import Camera, Lens
from vision.roof import Fitted, Roof, roof_layout
from vision.solid import Pose

SOLID = Solid("body", -2.5, 6.5, 2.45, 0.3, 3.0, 0.1)
CAMERA = Camera(Lens(640, 360, 1200.0, 1200.0, 319.5, 179.5), np.diag([1.0, -1.0, -1.0]), np.array([2.0, 0.0, 33.0]))
TRUE = Pose(0.0, 0.0, 0.0)


def painted(x_m: np.ndarray, y_m: np.ndarray, seed: int) -> np.ndarray:
    """(rows, cols, 3) what the roof shows at places of the vehicle frame: even but for bars across it, two pixels
    broad, in pairs as at a hatch's two edges; grain of its own in every picture."""
    value = np.full(x_m.shape, 110.0)
    for at, step in ((-1.0, 60), (-0.9, -50), (0.3, 50), (1.5, 60), (1.6, -50), (3.0, -50), (4.6, 60), (4.7, -50)):
        value += step * np.exp(-0.5 * ((x_m - at) / 0.03) ** 2) * (np.abs(y_m) < 0.8)
    value += np.random.default_rng(seed).normal(0, 2.0, value.shape)
    return np.repeat(value[..., None], 3, axis=2).astype(np.float32)


def learnt() -> Roof:
    layout = roof_layout(SOLID, 0.025)
    x, y = np.meshgrid(layout.x_m, layout.y_m)
    variation = np.full(x.shape, 2.0, np.float32)
    return Roof(SOLID, layout, painted(x, y, 1), variation, np.full(x.shape, SOLID.z_max_m, np.float32))


def picture() -> np.ndarray:
    u, v = np.meshgrid(np.arange(640.0), np.arange(360.0))
    at = CAMERA.to_ground(np.column_stack([u.ravel(), v.ravel()]), SOLID.z_max_m).reshape(360, 640, 2)
    on = (at[..., 0] > SOLID.x_min_m) & (at[..., 0] < SOLID.x_max_m) & (np.abs(at[..., 1]) < SOLID.width_m / 2)
    return np.where(on[..., None], painted(at[..., 0], at[..., 1], 2), 60.0).round().astype(np.uint8)


@pytest.mark.parametrize("beside_m", [-0.06, -0.045, -0.03, 0.03, 0.045, 0.06])
def test_few_clear_marks_are_found_from_beside_their_places(beside_m: float) -> None:
    """A pixel is 2.5 cm: the roof is laid to a tenth of one from as far as a prediction may be off. With narrow weights
    from the first step on, five of these six end 2-6 cm aside or nowhere: marks beside their places are outliers."""
    fit = learnt().lay(picture(), CAMERA, replace(TRUE, x_m=beside_m))
    assert isinstance(fit, Fitted)
    assert abs(fit.pose.x_m) < 0.0025


def test_what_is_nothing_like_the_roof_is_no_fit_by_hand() -> None:
    """Pictures usually correlate with it by 0.99 and miss its greys by 8, as in glaring light: ten times as unlike is
    0.90. Three times as unlike, or three times the misfit, is sound; both are not, nor is what is nothing like it."""
    roof = learnt()
    roof.usual = 8.0, 0.99

    def fit(misfit: float, alike: float) -> Fitted:
        return Fitted(TRUE, np.eye(3), 0.9, misfit, alike)
    assert roof.recognises(fit(8.0, 0.91)) and not roof.recognises(fit(8.0, 0.89))
    assert roof.sound(fit(20.0, 0.91)) and roof.sound(fit(30.0, 0.975))
    assert not roof.sound(fit(30.0, 0.91)) and not roof.sound(fit(8.0, 0.6))
