"""Where the run ended."""

from __future__ import annotations

import math

import numpy as np

from analysis.attempt import Final, Motion
from analysis.body import Body
from analysis.clearance import Clearances, to_course_m


def final_position(motion: Motion, body: Body, distances: Clearances, seen: np.ndarray) -> Final | None:
    """The place of the last body, which is the trailer's where there is one, at the end of the run; None when its end
    was not seen.

    `seen` (n,) bool is False where the track has a gap too long to bridge.
    """
    k = len(motion.t_s) - 1
    if not seen[k]:
        return None
    outline = to_course_m(motion, body.body_outline_m())[k]
    rear = int(np.argmin(outline[:, 0]))
    heading = math.remainder(float(motion.heading_rad[k]), 2 * math.pi)
    c, s = math.cos(heading), math.sin(heading)
    cov = motion.in_course_cov()[k]
    # d(rear_x) = dx - (lever across) d(heading); d(lateral) = dy + (lever along) d(heading)
    along = np.array([1.0, 0.0, -(outline[rear, 1] - motion.y_m[k])])
    across = np.array([0.0, 1.0, body.x_rear_m * c])
    barrier = distances.barrier
    return Final(float(outline[rear, 0]), float(np.sqrt(along @ cov @ along)),
                 float(motion.y_m[k] + body.x_rear_m * s), float(np.sqrt(across @ cov @ across)),
                 heading, float(np.sqrt(cov[2, 2])),
                 float(barrier.value_m[k]) if barrier else None, float(barrier.sd_m[k]) if barrier else 0.0)
