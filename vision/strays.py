"""How much further poses stray from frame to frame than their fits state.

A fit counts its pixels' noise as if neighbours were nearly independent. Compression, resampling and a camera's own
sharpening move whole neighbourhoods alike, by an amount no fit can know. The track itself shows it: what is left of a
slow vehicle's pose after third differences is noise. Weak for a clip of a vehicle that hardly moves: pictures of a
standing scene are coded as copies of one another and share their error.
"""

from __future__ import annotations

import numpy as np

MOVING_M = 0.01
"""From frame to frame; less is standing."""
LEAST_LOOKS = 30  # their median is then good to about a quarter
USUAL_STRAYS = 2.5
"""As far as it cannot be measured (rendered clips: 1.3 to 4)."""
_THIRD = np.array([1.0, -3.0, 3.0, -1.0])  # weights of a third difference
_MEDIAN_OF_SQUARE = 0.4549
"""Of a standard normal value squared."""


def strays(t_s: np.ndarray, pose: np.ndarray, cov: np.ndarray) -> np.ndarray:
    """(3,) factors on the standard deviations of x, y (one factor for both) and heading, each at least 1.

    t_s (n,), pose (n, 3) of (x, y, heading) in m and rad, cov (n, 3, 3), all of measured frames only. The third
    difference of independent values of variance v has variance (1 + 9 + 9 + 1) v; of a motion with a jerk of 1 m/s3
    it is 1 mm at 10 frames a second."""
    out = np.full(3, USUAL_STRAYS)
    if len(t_s) < 4:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(np.arange(len(t_s)), 4)
    step = np.diff(t_s[windows], axis=1)
    even = np.ptp(step, axis=1) < 0.3 * np.median(step)
    moved = np.hypot(*np.diff(pose[windows[:, [0, 3]], :2], axis=1)[:, 0].T) > 3 * MOVING_M
    windows = windows[even & moved]
    if len(windows) < LEAST_LOOKS:
        return out
    left = np.einsum("k,nkj->nj", _THIRD, pose[windows])
    expected = np.einsum("k,nkj->nj", _THIRD**2, np.diagonal(cov, axis1=1, axis2=2)[windows])
    ratio = left**2 / expected
    place = float(np.median(ratio[:, :2])) / _MEDIAN_OF_SQUARE
    heading = float(np.median(ratio[:, 2])) / _MEDIAN_OF_SQUARE
    return np.sqrt(np.maximum([place, place, heading], 1.0))
