"""The fine fit of a vehicle with a trailer: each roof laid onto the picture by itself, and the two joined at the hinge.

Each roof gives three numbers (x, y, heading) with their covariance. Bodies that meet at the coupling have four unknowns
between them, the towing vehicle's pose and the articulation angle: weighted least squares, the weights from what each
fit and each rim leave uncertain. Weak where the smaller roof is hidden: without the towing vehicle's roof there is no
pose, without the trailer's there is a pose but no angle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.body import Solid
from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.hinge import hinged, trailer_leads
from vision.roof import Fitted, NotFitted, Roof
from vision.solid import Pose, towed_pose

COUPLING_SD_M = 0.02, 0.005
"""How well a data sheet tells the coupling's place along and across the bodies, with its play (our own estimate)."""
USUAL_STRAYS = 5.0
"""A roof's fit strays this much more from frame to frame than its pixels' noise says, as far as not measured otherwise:
compression and resampling move all pixels of a neighbourhood alike (rendered semi-trailer clip: 4 to 7)."""
USUAL_COUNTS = 15
"""What is usual counts like so many pictures in which it was measured: fewer alone would tell it to a third only."""
APART_M = 0.35
"""Fits whose couplings lie further apart than this are not of the two bodies."""


@dataclass(frozen=True)
class HingedFit(Fitted):
    """A frame's pose with the articulation angle in it; that angle's sd and its covariance with the heading, both of
    what is independent from frame to frame."""

    articulation_sd_rad: float
    with_heading_rad2: float


class HingedRoofs:
    """Both learnt roofs. `towing_common`, `trailer_common` (3, 3): what all frames share, of each body's place in its
    own axes (along, across, heading), from its rim. `strays`: how much further than its stated sd a fit is off;
    `gap_m` (2,): how far apart all pictures alike have the coupling, along and across."""

    def __init__(self, vehicle: Vehicle, towing: Roof, trailer: Roof, towing_common: np.ndarray,
                 trailer_common: np.ndarray, strays: float = USUAL_STRAYS) -> None:
        assert vehicle.trailer is not None
        self.vehicle, self.towing, self.trailer = vehicle, towing, trailer
        self.hinge_m = vehicle.trailer.hitch_x_m, vehicle.trailer.hitch_to_axle_m
        self.strays = strays
        self.gap_m = np.zeros(2)
        self._common = np.zeros((6, 6))
        self._common[:3, :3], self._common[3:, 3:] = towing_common, trailer_common
        self._common[[0, 1], [0, 1]] += np.square(COUPLING_SD_M)

    @property
    def solid(self) -> Solid:
        """Of the leading roof."""
        return self.trailer.solid if trailer_leads(self.vehicle) else self.towing.solid

    def common_cov(self) -> np.ndarray:
        """(4, 4) what all frames share of along, across, heading and articulation, with the two bodies in line."""
        gain, _ = self._gain(np.zeros(4), self._common)
        return gain @ self._common @ gain.T

    def lay(self, bgr: np.ndarray, camera: Camera, guess: Pose) -> Fitted | NotFitted:
        """Lay both roofs onto a frame and join them; guess within about half a metre at either roof."""
        mine, theirs = self.lay_each(bgr, camera, guess)
        if not isinstance(mine, Fitted):
            return mine
        if not isinstance(theirs, Fitted):
            bent = Pose(mine.pose.x_m, mine.pose.y_m, mine.pose.heading_rad, guess.articulation_rad)
            return Fitted(bent, self.strays**2 * mine.cov, mine.support, mine.misfit, mine.alike)
        return self._joined(mine, theirs)

    def recognises(self, fit: Fitted) -> bool:
        """Whether a fit where nothing was expected is the vehicle: each of its roofs was laid by itself."""
        return True

    def lay_each(self, bgr: np.ndarray, camera: Camera,
                 guess: Pose) -> tuple[Fitted | NotFitted, Fitted | NotFitted]:
        """The towing vehicle's own fit and its trailer's, the larger roof first; a trailer that leads and is not found
        leaves no place to look for the towing vehicle."""
        if trailer_leads(self.vehicle):
            theirs = self.trailer.lay(bgr, camera, towed_pose(self.vehicle, guess))
            if not isinstance(theirs, Fitted):
                return theirs, theirs
            start = hinged(self.vehicle, theirs.pose, theirs.pose.heading_rad - guess.articulation_rad)
            mine = self.towing.lay(bgr, camera, start)
            return (NotFitted(f"the towing vehicle: {mine.reason}") if isinstance(mine, NotFitted) else mine), theirs
        mine = self.towing.lay(bgr, camera, guess)
        if not isinstance(mine, Fitted):
            return mine, mine
        bent = Pose(mine.pose.x_m, mine.pose.y_m, mine.pose.heading_rad, guess.articulation_rad)
        return mine, self.trailer.lay(bgr, camera, towed_pose(self.vehicle, bent))

    def gap(self, mine: Fitted, theirs: Fitted) -> tuple[np.ndarray, np.ndarray]:
        """How far apart the two fits have the coupling, along and across the towing vehicle: (2,) m and (2,) sd as the
        fits state it."""
        (h, back), a, b = self.hinge_m, mine.pose.heading_rad, theirs.pose.heading_rad
        apart = mine.pose.to_course(np.array([[h, 0.0]])) - theirs.pose.to_course(np.array([[back, 0.0]]))
        turn = np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
        own, other = turn @ _arm(h, a), turn @ _arm(back, b)
        return turn @ apart[0], np.sqrt(np.diag(own @ mine.cov @ own.T + other @ theirs.cov @ other.T))

    def gap_sd(self) -> np.ndarray:
        """(2,) sd (m) that a gap common to all pictures may have, along and across, if the data sheet is right."""
        arms = np.hstack([_arm(self.hinge_m[0], 0.0), _arm(self.hinge_m[1], 0.0)])
        return np.sqrt(np.diag(arms @ self._common @ arms.T))

    def compare(self, pairs: Sequence[tuple[Fitted, Fitted]]) -> None:
        """Learn from both fits of some pictures: two that were right would meet at the coupling. What they miss it by
        in all pictures alike is `gap_m` (along and across); what is left tells how far they stray beyond what they
        state."""
        if not pairs:
            return
        gaps = [self.gap(*pair) for pair in pairs]
        self.gap_m = np.median([g for g, _ in gaps], axis=0)
        apart = np.array([g for g, _ in gaps]) - self.gap_m
        here = 1.4826 * float(np.median(np.abs(apart / [sd for _, sd in gaps])))
        n, m = len(pairs), USUAL_COUNTS
        self.strays = math.sqrt((n * here**2 + m * USUAL_STRAYS**2) / (n + m))

    def _joined(self, mine: Fitted, theirs: Fitted) -> HingedFit | NotFitted:
        if math.hypot(*self.gap(mine, theirs)[0]) > APART_M:
            return NotFitted("the two bodies do not meet at the coupling")
        seen = np.array([mine.pose.x_m, mine.pose.y_m, mine.pose.heading_rad,
                         theirs.pose.x_m, theirs.pose.y_m, theirs.pose.heading_rad])
        own = np.zeros((6, 6))
        own[:3, :3], own[3:, 3:] = self.strays**2 * mine.cov, self.strays**2 * theirs.cov
        shared = _turned(self._common, seen[2], seen[5])
        q = np.array([*seen[:3], seen[5] - seen[2]])
        for _ in range(4):
            gain, model = self._gain(q, own + shared)
            step = gain @ (seen - model)
            q = q + step
            if np.abs(step).max() < 1e-7:
                break
        cov = gain @ own @ gain.T
        return HingedFit(Pose(*(float(a) for a in q)), cov[:3, :3], min(mine.support, theirs.support),
                         max(mine.misfit, theirs.misfit), min(mine.alike, theirs.alike), math.sqrt(cov[3, 3]),
                         float(cov[3, 2]))

    def _gain(self, q: np.ndarray, cov: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(4, 6) how the unknowns (x, y, heading, articulation) follow from the six measured numbers of covariance
        `cov`, and (6,) those numbers as the unknowns have them."""
        h, back = self.hinge_m
        c, s, ct, st = math.cos(q[2]), math.sin(q[2]), math.cos(q[2] + q[3]), math.sin(q[2] + q[3])
        model = np.array([q[0], q[1], q[2], q[0] + h * c - back * ct, q[1] + h * s - back * st, q[2] + q[3]])
        slope = np.zeros((6, 4))
        slope[:3, :3] = np.eye(3)
        slope[3:] = np.array([[1, 0, -h * s + back * st, back * st], [0, 1, h * c - back * ct, -back * ct],
                              [0, 0, 1, 1]])
        weighted = np.linalg.solve(cov, slope)
        return np.linalg.solve(slope.T @ weighted, weighted.T), model


def _arm(along_m: float, heading_rad: float) -> np.ndarray:
    """(2, 3) how a point along a body's middle line moves with the body's x, y and heading."""
    return np.array([[1, 0, -along_m * math.sin(heading_rad)], [0, 1, along_m * math.cos(heading_rad)]])


def _turned(cov: np.ndarray, heading_rad: float, trailer_rad: float) -> np.ndarray:
    """(6, 6) covariance from the two bodies' own axes to those of the course."""
    turn = np.eye(6)
    for k, angle in ((0, heading_rad), (3, trailer_rad)):
        c, s = math.cos(angle), math.sin(angle)
        turn[k:k + 2, k:k + 2] = [[c, -s], [s, c]]
    return turn @ cov @ turn.T
