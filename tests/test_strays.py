"""Noise known beforehand, laid over a slow reverse in an S."""

import numpy as np
import pytest

from vision.strays import USUAL_STRAYS, strays


def s_reverse(n: int, seed: int, sd: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """10 frames a second at 0.8 m/s, the heading swinging 20 degrees to and fro; sd in m and rad."""
    t = np.arange(n) / 10
    heading = 0.35 * np.sin(t / 8)
    step = -0.08 * np.column_stack([np.cos(heading), np.sin(heading)])
    rng = np.random.default_rng(seed)
    return t, np.column_stack([np.cumsum(step, axis=0) + rng.normal(0, sd[0], (n, 2)),
                               heading + rng.normal(0, sd[1], n)])


@pytest.mark.parametrize(("stated", "factor"), [(0.001, 3.0), (0.003, 1.0), (0.012, 1.0)])
def test_the_factor_is_what_was_left_out(stated: float, factor: float) -> None:
    t, pose = s_reverse(500, 3, (0.003, 0.0006))
    cov = np.tile(np.diag([stated**2, stated**2, (stated / 5) ** 2]), (500, 1, 1))
    assert strays(t, pose, cov) == pytest.approx([factor] * 3, rel=0.15)


def test_a_standing_vehicle_tells_nothing_and_gross_errors_do_not_matter() -> None:
    t, pose = s_reverse(300, 4, (0.003, 0.0006))
    cov = np.tile(np.diag([0.001**2, 0.001**2, 0.0002**2]), (300, 1, 1))
    pose[::15, 1] += 0.3
    assert strays(t, pose, cov)[0] == pytest.approx(3.0, rel=0.3)
    standing = np.tile(pose[0], (300, 1))
    assert strays(t, standing, cov).tolist() == [USUAL_STRAYS] * 3
    assert strays(t[:3], pose[:3], cov[:3]).tolist() == [USUAL_STRAYS] * 3
