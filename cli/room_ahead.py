"""Room left worked out while the clip is still being followed: its fields need the course as surveyed and the rules,
which are known long before the run has been measured.

A thread is enough, for the sweeps let go of Python's lock; it ends with the analysis, whatever ends that.
"""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import Any

from analysis.attempt import Attempt
from analysis.course import Course
from analysis.room.along import room_along
from analysis.room.field import RoomField
from analysis.room.nouns import Limits, RoomAlong
from analysis.rules import Rules
from analysis.vehicle import Vehicle
from cli.room_cache import Share, cached_field

SHUNTS = 2  # allowed at most; ordinary steering is to do without
_LOOK_S = 0.2  # how often a waiting person is told


class _Stopped(Exception):
    """Nobody waits for the fields any more."""


class RoomAhead:
    """The two fields of one run. Used as a context: at its end what is still being computed is given up."""

    def __init__(self, vehicle: Vehicle, rules: Rules) -> None:
        self._vehicle = vehicle
        self._limits = Limits.of(vehicle, rules.final_heading_limit_rad, rules.tyre_reading == "full_width")
        self._pool = ThreadPoolExecutor(1)
        self._course: Course | None = None
        self._coming: Future[tuple[RoomField, RoomField]]
        self._share = 0.0

    def __enter__(self) -> RoomAhead:
        return self

    def __exit__(self, *_: Any) -> None:
        self._course = None
        self._pool.shutdown(cancel_futures=True)

    def begin(self, course: Course) -> None:
        """Begin on the course as surveyed, without waiting; nothing is raised here, but when the fields are needed.
        What was begun on another course is given up."""
        self._course, self._share = course, 0.0
        self._coming = self._pool.submit(self._fields, course)

    def along(self, attempt: Attempt, progress: Share) -> RoomAlong:
        """Room left along the attempt, on the course as surveyed and by its rules. `progress` is told the share done.
        On another course than was begun (a mark was moved during the run) the fields are worked out anew. Raises
        Trouble for a course that leaves no way in."""
        if self._course != attempt.surveyed:
            self.begin(attempt.surveyed)
        while not wait([self._coming], _LOOK_S).done:
            progress(0.9 * self._share)
        room = room_along(attempt, *self._coming.result())
        self._course, self._coming = None, Future()  # what was looked at of the fields need not stay in memory
        progress(1.0)
        return room

    def _fields(self, course: Course) -> tuple[RoomField, RoomField]:
        def told(begun: float, part: float) -> Share:
            def tell(share: float) -> None:
                if self._course is not course:
                    raise _Stopped
                self._share = begun + part * share
            return tell

        return (cached_field(self._vehicle, course, self._limits, SHUNTS, told(0.0, 0.8)),
                cached_field(self._vehicle, course, self._limits.ordinary(), 0, told(0.8, 0.2)))
