"""What all frames of a clip share: an error of the reference view's camera moves every pose, and no averaging helps.

Every frame is laid onto the reference view, so its camera's errors come to the vehicle in two parts. The ground under
the vehicle moves in the course frame, and with it all that stands beside it. The roof, at its height, moves against the
ground: a camera taken to be higher, or tilted otherwise, sees it lean otherwise, and a roof that is not as high as the
data sheet has it leans otherwise. Weak where the camera of a frame is far from the reference view's (a long climb): the
lean is worked out from there. How the two parts go together is left out; a camera's errors that the marks and lines
leave open are just those that move the ground little.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.track import turns
from vision.camera import Camera
from vision.solid import Pose
from vision.survey_fit import STEPS, moved_by

HIGHER_M = 0.01  # small against the camera's height: the slope is straight over it


def shared_cov(poses: Sequence[Pose], wheelbase_m: float, roof_m: float, roof_sd_m: float, camera: Camera,
               covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n, 3, 3) of (x, y, heading) in course axes, twice: of the roof, roof_m (sd roof_sd_m) high, against the ground
    under it; and of that ground in the course frame. And (n, 3, 3) of how the ground there is strained, as
    `Track.strain_cov` has it. covariance (8, 8): Registration's, of `camera`."""
    ends = np.concatenate([p.to_course(np.array([[0.0, 0.0], [wheelbase_m, 0.0]])) for p in poses])
    aside = np.concatenate([p.to_course(np.array([[0.0, wheelbase_m]])) for p in poses])
    heading = np.array([p.heading_rad for p in poses])
    on_ground, on_roof = camera.project_ground(ends), camera.project_ground(ends, roof_m)
    on_aside = camera.project_ground(aside)
    lean, frame, strain = np.zeros((3, len(poses), 3, len(STEPS)))
    for k, step in enumerate(STEPS):
        moved = moved_by(camera, np.diag(STEPS)[k])
        ground_m = (moved.to_ground(on_ground) - ends) / step
        frame[:, :, k] = change_of_pose(ground_m, heading, wheelbase_m)
        aside_m = (moved.to_ground(on_aside) - aside) / step
        strain[:, :, k] = _strain(ground_m[::2], ground_m[1::2], aside_m, heading, wheelbase_m)
        roof_shift = (moved.to_ground(on_roof, roof_m) - ends) / step
        lean[:, :, k] = change_of_pose(roof_shift - ground_m, heading, wheelbase_m)
    higher_m = (camera.to_ground(on_roof, roof_m + HIGHER_M) - ends) / HIGHER_M
    by_height = roof_sd_m * np.nan_to_num(change_of_pose(higher_m, heading, wheelbase_m))
    # NaN: a pose beyond the horizon of the reference view
    lean, frame, strain = np.nan_to_num(lean), np.nan_to_num(frame), np.nan_to_num(strain)
    of_lean, of_frame, of_strain = (by @ covariance @ np.swapaxes(by, 1, 2) for by in (lean, frame, strain))
    return of_lean + by_height[:, :, None] * by_height[:, None], of_frame, of_strain


def _strain(here_m: np.ndarray, ahead_m: np.ndarray, aside_m: np.ndarray, heading_rad: np.ndarray,
            apart_m: float) -> np.ndarray:
    """(n, 3) how the ground is stretched along x, along y, and sheared, from how three spots of it move, each (n, 2):
    here, apart_m ahead and as far to the left (small strain: the gradient's even part)."""
    turn = turns(heading_rad)[:, :2, :2]
    gradient = np.stack([ahead_m - here_m, aside_m - here_m], axis=2) / apart_m @ np.swapaxes(turn, 1, 2)
    return np.column_stack([gradient[:, 0, 0], gradient[:, 1, 1], (gradient[:, 0, 1] + gradient[:, 1, 0]) / 2])


def change_of_pose(ends_m: np.ndarray, heading_rad: np.ndarray, apart_m: float) -> np.ndarray:
    """(n, 3) how x, y and heading change when the two ends, apart_m apart, of each body move by (2 n, 2)."""
    rear, front = ends_m[::2], ends_m[1::2]
    across = turns(heading_rad)[:, :2, 1]
    return np.column_stack([rear, np.einsum("ni,ni->n", front - rear, across) / apart_m])
