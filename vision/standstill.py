"""Which pictures need not be looked at: most of those in which the vehicle has long stood.

The camera goes on swaying and people walk about, but the vehicle's place is known from the looks before, and two more a
second do as well as ten (their slow error is the same). When one of them shows that it moves, or does not show it where
it stood, the pictures of the last seconds are gone back to, so that the edge of a standstill is seen as closely as any.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import Generic, TypeVar

from vision.roof import Fitted
from vision.solid import Pose

STOOD_S = 4.0
"""Longer than the stops of most runs, of which every picture is looked at."""
EVERY_S = 0.5
"""As long as the camera and the vehicle are expected to go on as before (LOST_AFTER_S)."""
BACK_S = 2.0
"""Longer than from moving off until it shows: a vehicle that creeps off at 2 cm/s takes 1.5 s for STILL_M."""
STILL_M, STILL_RAD, STILL_BENT_RAD = 0.03, math.radians(0.3), math.radians(1.0)
"""A vehicle that stands rocks on its springs, and its measured place wanders, by less than this (own estimate)."""
_LITTLE_S = 0.05  # half the time from picture to picture: which of them is nearest

T = TypeVar("T")


@dataclass
class Standstill(Generic[T]):
    """Whether the vehicle has long stood, from the looks so far. Each is taken with `T`: what is needed to go on from
    its end once more."""

    _stood: deque[tuple[float, Pose]] = field(default_factory=deque)
    _ends: deque[tuple[float, T]] = field(default_factory=deque)
    _place: Pose | None = None
    _left_out_s: float = -math.inf

    def can_leave_out(self, t_s: float) -> bool:
        """Whether the picture at t_s need not be looked at now; if so, it is taken to be left out."""
        if self._place is None or t_s - self._ends[-1][0] > EVERY_S - _LITTLE_S:
            return False
        self._left_out_s = t_s
        return True

    def back_to(self, fitted: Fitted | None) -> tuple[float, T] | None:
        """Time and end of the look from which to go on anew, where a look shows that the vehicle does not stand any
        more and pictures were left out in the last seconds before."""
        if self._place is None or (fitted is not None and _still(fitted.pose, self._place)):
            return None
        return self._ends[0] if self._left_out_s > self._ends[0][0] else None

    @property
    def looks_s(self) -> frozenset[float]:
        """The times of the looks since the one that would be gone back to."""
        return frozenset(t_s for t_s, _ in self._ends)

    def looked(self, t_s: float, fitted: Fitted | None, end: T) -> None:
        self._ends.append((t_s, end))
        while len(self._ends) > 1 and self._ends[1][0] <= t_s - BACK_S:
            self._ends.popleft()
        if fitted is None or (self._place is not None and not _still(fitted.pose, self._place)):
            self._place = None
            self._stood.clear()
        if fitted is None or self._place is not None:
            return
        self._stood.append((t_s, fitted.pose))
        while not _still(self._stood[0][1], fitted.pose) or (
                len(self._stood) > 1 and self._stood[1][0] <= t_s - STOOD_S):
            self._stood.popleft()
        if self._stood[0][0] <= t_s - STOOD_S and all(_still(pose, fitted.pose) for _, pose in self._stood):
            self._place = fitted.pose


def _still(pose: Pose, place: Pose) -> bool:
    turned = abs(math.remainder(pose.heading_rad - place.heading_rad, math.tau))
    return (math.hypot(pose.x_m - place.x_m, pose.y_m - place.y_m) <= STILL_M and turned <= STILL_RAD
            and abs(pose.articulation_rad - place.articulation_rad) <= STILL_BENT_RAD)
