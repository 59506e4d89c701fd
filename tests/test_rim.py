"""The roof's rim among edges that are not it, on pictures laid out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from analysis.vehicle import Solid
from vision.articulated import rim_cov
from vision.laid_out import Layout
from vision.rim import SIDES, RimFit, SideLook, centre_of_edge, fit_rim

SOLID = Solid("body", -2.4, 6.6, 2.45, 0.3, 3.0, 0.18)
BAND = Layout(-3.0, 1.8, 0.02, 180, 510)
ACROSS_M, TURN_RAD = 0.03, 0.002
NOISE = 2.0
COARSE = Layout(-3.0, 1.8, 0.048, 75, 213)
SHARPNESS_PX = 0.6  # of an edge


def roof_on_ground(rng: np.random.Generator, shade_to_m: float | None, border_m: float, band: Layout) -> np.ndarray:
    """What differs from the empty yard: a bright roof, off by ACROSS_M and TURN_RAD. With `shade_to_m` the light on its
    right changes at that distance beyond the rim, so that up to there the ground is taken for something else. Along the
    rim it may have a border less bright."""
    x, y = band.grid_m[..., 0], band.grid_m[..., 1]
    across = y - ACROSS_M - TURN_RAD * x

    def within(out_m: np.ndarray) -> np.ndarray:
        return 1 / (1 + np.exp(np.clip(out_m / (SHARPNESS_PX * band.spacing_m), -50, 50)))
    roof = within(np.abs(across) - SOLID.width_m / 2) * within(x - SOLID.x_max_m) * within(SOLID.x_min_m - x)
    inner = within(np.abs(across) - SOLID.width_m / 2 + border_m) * within(x - SOLID.x_max_m + border_m) * within(
        SOLID.x_min_m + border_m - x)
    grey = 30 * roof + 50 * inner
    if shade_to_m is not None:
        beside = within(-across - SOLID.width_m / 2 - shade_to_m) * within(across)
        grey = np.maximum(grey, 95 * beside)
    return (grey[..., None] + rng.normal(0, NOISE / 1.538, (*grey.shape, 3))).astype(np.float32)


def looks(shades_m: list[float | None], border_m: float, band: Layout) -> list[dict[str, SideLook]]:
    rng = np.random.default_rng(3)
    out = []
    for shade in shades_m:
        picture = roof_on_ground(rng, shade, border_m, band)
        out.append({side: SideLook(picture, NOISE, 0.1, True) for side in SIDES})
    return out


def fitted(shades_m: list[float | None], border_m: float = 0.0, band: Layout = BAND) -> RimFit:
    start = np.array([0.01, 0.02, 0.0, 1.0])
    got = fit_rim(SOLID, dict.fromkeys(SIDES, band), looks(shades_m, border_m, band), start, NOISE, 0.001)
    assert got is not None
    return got


@pytest.mark.parametrize("shades_m", [
    pytest.param([None] * 8, id="even light"),
    pytest.param([None] * 3 + [0.11, 0.12, 0.13, 0.14, 0.15], id="a shadow's edge beside the rim in five of eight"),
    pytest.param([0.5] * 8, id="no ground is seen by the right side"),
])
def test_the_rim_is_found_among_shadows(shades_m: list[float | None]) -> None:
    got = fitted(shades_m)
    assert got.across_m == pytest.approx(ACROSS_M, abs=0.003)
    assert got.turn_rad == pytest.approx(TURN_RAD, abs=0.0006)
    assert abs(got.wider_m) < 0.01 and abs(got.longer_m) < 0.01 and got.edge_radius_m < 0.1


@pytest.mark.parametrize("blur_px", [0.6, 1.0, 1.5])
@pytest.mark.parametrize(("border_px", "within_px"), [(None, 0.05), (6.0, 0.1)])
def test_an_edge_is_found_wherever_between_two_pixels_it_lies(blur_px: float, border_px: float | None,
                                                               within_px: float) -> None:
    """A step blurred by a lens (the cumulative normal distribution), alone or with a stronger one six pixels inside."""
    px = np.arange(-12.0, 13.0)
    between = (px[1:] + px[:-1]) / 2
    for edge_px in np.linspace(-0.5, 0.5, 11):
        grey = 60 * ndtr((edge_px - px) / blur_px)
        if border_px is not None:
            grey += 90 * ndtr((edge_px - border_px - px) / blur_px)
        step = np.abs(np.diff(grey))
        steepest = int(np.argmin(np.abs(between - edge_px)))
        assert centre_of_edge(step, between, steepest) == pytest.approx(edge_px, abs=within_px)


@pytest.mark.parametrize(("border_m", "band", "within_m"), [(0.06, BAND, 0.003), (0.12, BAND, 0.003),
                                                            (0.10, COARSE, 0.006)])
def test_a_border_is_part_of_the_roof(border_m: float, band: Layout, within_m: float) -> None:
    """Its inner edge is the stronger one, and in a coarse picture two pixels from the rim."""
    got = fitted([None] * 8, border_m, band)
    assert got.across_m == pytest.approx(ACROSS_M, abs=within_m)
    assert abs(got.wider_m) < 3 * within_m and abs(got.longer_m) < 3 * within_m


def test_what_still_moved_at_last_is_part_of_the_doubt() -> None:
    rim = RimFit(0.03, 0.0, 0.002, 1.0, 0.001, 0.0, 0.0, 0.05, np.diag([0.04**2, 0.01**2, 0.001**2]))
    sd = np.sqrt(np.diag(rim_cov(rim)))
    assert sd == pytest.approx([0.05, 0.01, 0.00224], abs=1e-5)  # the hypotenuse of 3 and 4 cm; of 2 and 1 mrad
