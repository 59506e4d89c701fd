"""What vision hands over: the vehicle's pose at each measured time, and what the yard looks like."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from analysis.course import MarkEvent, SurveyedLine, SurveyedMark


@dataclass(frozen=True)
class CameraPath:
    """The camera over time, as numbers: OpenCV pinhole with Brown distortion, Xc = R (Xw - C).

    Pixel (0, 0) is the centre of the top-left pixel. World is the course frame (m).
    fx..cy in pixels for a picture of width_px x height_px; dist = (k1, k2, p1, p2, k3).
    t_s (n,), rotation (n, 3, 3), centre_m (n, 3); placed (n,) False where the frame could
    not be placed (its pose is then meaningless and must not be used).
    """

    width_px: int
    height_px: int
    fx: float
    fy: float
    cx: float
    cy: float
    dist: tuple[float, float, float, float, float]
    t_s: np.ndarray
    rotation: np.ndarray
    centre_m: np.ndarray
    placed: np.ndarray
    focal_sd_px: float = 0.0


@dataclass(frozen=True)
class Articulation:
    """The measured articulation angle at the track's times (n,): the trailer's heading less the towing vehicle's, rad.

    measured False where it could not be had (angle and sd there are meaningless). sd_rad is independent from frame to
    frame; common_sd_rad is shared by all frames and cannot be averaged away. with_heading_rad2: the covariance of its
    error with the heading's in the same frame (minus the heading's variance for the difference of two headings measured
    apart); None where the two errors have nothing to do with each other.
    """

    measured: np.ndarray
    angle_rad: np.ndarray
    sd_rad: np.ndarray
    common_sd_rad: float
    with_heading_rad2: np.ndarray | None = None


@dataclass(frozen=True)
class SizeSeen:
    """How long and wide the vehicle looks by the scale of the course's marks, whatever its file says (m), each with its
    sd; None where that could not be seen. The doubt about the camera's height is in the sds."""

    length_m: float | None
    sd_length_m: float | None
    width_m: float | None
    sd_width_m: float | None


@dataclass(frozen=True)
class Track:
    """The vehicle's pose in the course frame at each sampled frame of the clip.

    t_s (n,) presentation times; measured (n,) False where no pose could be had (a gap: the
    pose columns there are meaningless); x_m, y_m (n,) the rear-axle reference point on the
    ground; heading_rad (n,) unwrapped; cov (n, 3, 3) of (x, y, heading) in m, m, rad: the part
    that is independent from frame to frame. What frames share cannot be averaged away: `common_cov` (3, 3) in the
    vehicle's own axes (along, across, heading), its offset against what was taken for its outline; `lean_cov`
    (n, 3, 3) in course axes, of its roof against the ground under it, from what is not known of the camera's height and
    tilt; `frame_cov` (n, 3, 3) in course axes, of the course frame at its place, which all that stands there shares;
    `strain_cov` (n, 3, 3) of the ground about it: stretched along x, along y, and sheared (as shares), so that what
    stands apart is not as far apart as it looks. None: nothing of the kind.
    `notes` are plain sentences about the measurement that a person should read. `articulation` is of the trailer, None
    for a vehicle without one.
    """

    t_s: np.ndarray
    measured: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    cov: np.ndarray
    common_cov: np.ndarray
    marks: tuple[SurveyedMark, ...] = ()
    lines: tuple[SurveyedLine, ...] = ()
    mark_events: tuple[MarkEvent, ...] = ()
    camera: CameraPath | None = None
    notes: tuple[str, ...] = field(default=())
    size: SizeSeen | None = None
    articulation: Articulation | None = None
    lean_cov: np.ndarray | None = None
    frame_cov: np.ndarray | None = None
    strain_cov: np.ndarray | None = None

    def shared_cov(self) -> np.ndarray:
        """(3, 3) what frames share of the place against the ground, in the vehicle's axes, on average over the run."""
        if self.lean_cov is None:
            return self.common_cov
        back = np.swapaxes(turns(self.heading_rad), 1, 2)
        lean = back @ self.lean_cov @ np.swapaxes(back, 1, 2)
        return self.common_cov + lean[self.measured].mean(axis=0)


def turns(heading_rad: np.ndarray) -> np.ndarray:
    """(n, 3, 3) that take (along, across, heading) of a body with these headings (n,) to (x, y, heading)."""
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    out = np.zeros((len(c), 3, 3))
    out[:, 0, 0], out[:, 0, 1], out[:, 1, 0], out[:, 1, 1], out[:, 2, 2] = c, -s, s, c, 1.0
    return out
