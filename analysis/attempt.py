"""The attempt: everything derived from one track. These records are what pages and files show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from analysis.body import Body
from analysis.course import Course
from analysis.room.nouns import RoomAlong
from analysis.rules import Rules
from analysis.track import Track
from analysis.vehicle import Vehicle

VERDICTS = ("ok", "fault", "too close to call", "not seen")


@dataclass(frozen=True)
class Motion:
    """Smoothed motion at the track's times: the state (x, y, heading, speed, road wheel).

    t_s (n,); x_m, y_m, heading_rad, speed_mps (signed), wheel_rad (single-track, left positive), each (n,);
    cov (n, 5, 5) in that order, against what stands in the yard beside it, with what frames share; standing (n,)
    probability of standing still. frame_cov (n, 3, 3): of the course frame itself there, in x, y, heading; strain_cov
    (n, 3, 3): of the ground there, as Track's. None: nothing of the kind.
    """

    t_s: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    speed_mps: np.ndarray
    wheel_rad: np.ndarray
    cov: np.ndarray
    standing: np.ndarray
    frame_cov: np.ndarray | None = None
    strain_cov: np.ndarray | None = None

    def stretch_var(self, normal: np.ndarray) -> np.ndarray:
        """(n,) variance of how much longer (a share) what lies along the unit vectors `normal` (n, 2) is than seen."""
        if self.strain_cov is None:
            return np.zeros(len(normal))
        along = np.column_stack([normal[:, 0] ** 2, normal[:, 1] ** 2, 2 * normal[:, 0] * normal[:, 1]])
        return np.einsum("ni,nij,nj->n", along, self.strain_cov, along)

    def in_course_cov(self) -> np.ndarray:
        """(n, 3, 3) of x, y, heading in the course frame."""
        return self.cov[:, :3, :3] + (0.0 if self.frame_cov is None else self.frame_cov)

    def sd(self, column: int) -> np.ndarray:
        """(n,) of one number of the state, in the course frame."""
        of_frame = self.frame_cov[:, column, column] if self.frame_cov is not None and column < 3 else 0.0
        return np.sqrt(self.cov[:, column, column] + of_frame)


@dataclass(frozen=True)
class TrailerMotion:
    """The trailer along the run, at Motion.t_s (n,): the articulation angle (trailer's heading less the towing
    vehicle's, left positive) with its sd, and the motion of the trailer's own frame, a body without a steered wheel
    (its wheel_rad is zero, and the covariance of speed with the rest is left at zero)."""

    angle_rad: np.ndarray
    sd_rad: np.ndarray
    body: Motion


@dataclass(frozen=True)
class Stop:
    """A standstill; the sds are of its edges. kind: 'start', 'between', 'final'."""

    t_start_s: float
    t_end_s: float
    sd_start_s: float
    sd_end_s: float
    kind: str


@dataclass(frozen=True)
class Leg:
    """Motion between two direction changes; direction +1 forward, -1 reverse."""

    t_start_s: float
    t_end_s: float
    direction: int
    distance_m: float


@dataclass(frozen=True)
class DryTurn:
    """Turning the wheel at a standstill, as inferred at one stop. Angles in rad, signed (left positive).

    angle_rad is the part that cannot have been steered while rolling; probability that it exceeds
    the rule's tolerance; bound_rad the posterior Cramer-Rao bound of the angle's sd.
    """

    t_start_s: float
    t_end_s: float
    wheel_before_rad: float
    sd_before_rad: float
    wheel_after_rad: float
    sd_after_rad: float
    angle_rad: float
    sd_rad: float
    probability: float
    bound_rad: float


@dataclass(frozen=True)
class CrawlTurn:
    """The metre of a leg over which the wheel was turned furthest: its time span, and rad per metre (signed)."""

    t_start_s: float
    t_end_s: float
    per_m_rad: float
    sd_per_m_rad: float


@dataclass(frozen=True)
class Steering:
    """How the wheel was used in the whole reverse; None where it did not happen or was not seen. Left positive.

    wheel_on: when the wheel first went more than 5 degrees from straight ahead (its sd None where it stood so before
    the vehicle moved), how far the vehicle had reversed, and
    how far its rear end still was from level with the pivot cone (along the course, positive before it). second_turn:
    when it passed through straight ahead to the other side, how far after, and the heading to the bay then.
    lock_to_lock: from the most to the one side to the most to the other. turned_per_m: all turning of the wheel while
    reversing, over the distance; corrections: how often the steering changed its sense by more than 5 degrees.
    """

    wheel_on_s: float | None = None
    sd_wheel_on_s: float | None = None
    wheel_on_after_m: float | None = None
    wheel_on_beyond_pivot_m: float | None = None
    second_turn_s: float | None = None
    sd_second_turn_s: float | None = None
    second_turn_after_m: float | None = None
    second_turn_heading_rad: float | None = None
    lock_to_lock_s: float | None = None
    lock_to_lock_m: float | None = None
    lock_to_lock_rad: float | None = None
    largest_rad: float | None = None
    sd_largest_rad: float | None = None
    largest_s: float | None = None
    turned_per_m_rad: float | None = None
    corrections: int | None = None
    crawls: tuple[CrawlTurn, ...] = ()


@dataclass(frozen=True)
class AxleCheck:
    """Where the vehicle really turns about: the point that does not slip sideways lies offset_m ahead of the middle of
    the rear axle in the vehicle file. wheelbase_m: what the wheelbase would be if the tightest steady circle was
    driven at the file's lock, None when no such circle was driven."""

    offset_m: float
    sd_m: float
    wheelbase_m: float | None = None
    sd_wheelbase_m: float | None = None


@dataclass(frozen=True)
class TrailerCheck:
    """How far behind the coupling the trailer turns, as its motion tells, beside hitch_to_axle_m of the vehicle
    file."""

    hitch_to_axle_m: float
    sd_m: float
    stated_m: float


@dataclass(frozen=True)
class SheetCheck:
    """A figure of the vehicle file against what the clip shows of it (m): what is 'length', 'width', 'height' or
    'wheelbase' (the last as if the tightest circle was driven on the file's lock)."""

    what: str
    entered_m: float
    seen_m: float
    sd_m: float


@dataclass(frozen=True)
class SensorUse:
    """How a sensor log was laid onto the clip: shift_s is added to its clock; correlation with the motion seen; what it
    measured. steering_ratio: steering-wheel over road-wheel angle. mean_sd_wheel_*: the wheel angle's sd, averaged
    over all rolling, without and with the log."""

    shift_s: float
    sd_shift_s: float
    correlation: float
    columns: tuple[str, ...]
    steering_ratio: float | None = None
    wheel_zero_rad: float | None = None
    mean_sd_wheel_without_rad: float = 0.0
    mean_sd_wheel_with_rad: float = 0.0


@dataclass(frozen=True)
class Series:
    """A figure along the run: value and sd at Motion.t_s (n,); `name` e.g. 'tyre_left', 'body_right', 'pivot'."""

    name: str
    value_m: np.ndarray
    sd_m: np.ndarray


@dataclass(frozen=True)
class Final:
    """Where the run ended: the last body, which is the trailer where there is one. rear_x_m: its rearmost point along
    the course; lateral_m: the middle of its rear across the bay."""

    rear_x_m: float
    sd_rear_x_m: float
    lateral_m: float
    sd_lateral_m: float
    heading_rad: float
    sd_heading_rad: float
    barrier_m: float | None
    sd_barrier_m: float


AHEAD, HIDDEN, WIDE_ANGLE, MAIN = 0, 1, 2, 3  # states of a mark's view, see MarkView


@dataclass(frozen=True)
class MarkView:
    """Where a mark lies for the mirrors, at Motion.t_s. side (n,): +1 left of the vehicle's middle, -1 right.

    state (n,): MAIN in the ground field of that side's main mirror (UN R46 class II), WIDE_ANGLE only in that of its
    wide-angle mirror (class IV), HIDDEN in neither, AHEAD of both, where the driver looks out directly.
    """

    name: str
    side: np.ndarray
    state: np.ndarray


@dataclass(frozen=True)
class Mirrors:
    """What the mirrors could show: a model, not what the driver looked at.

    views by mark name, none for a vehicle with a trailer, which is not modelled; pivot_side: +1 the pivot stands to
    the left of the bay, -1 to its right, 0 there is none;
    lined_up_s: when two poles first stood in the main mirror on that side and one in the other while reversing, None
    when they never did.
    """

    views: Mapping[str, MarkView]
    pivot_side: int
    lined_up_s: float | None


@dataclass(frozen=True)
class Finding:
    """One thing worth telling. `where` names the line, mark, tyre or place; `at_m` is its spot on the ground.

    value, sd, limit in `unit`; sentence is the plain-words summary with the figures in it.
    severity: 'fault' counts, 'note' does not. `counts` is severity == 'fault' and verdict == 'fault'.
    points: what it costs under a rule set that scores by points, if it is a fault; 0 otherwise.
    """

    kind: str
    where: str
    verdict: str
    severity: str
    t_start_s: float
    t_end_s: float
    value: float | None
    sd: float | None
    unit: str
    limit: float | None
    at_m: tuple[float, float] | None
    sentence: str
    points: int = 0

    @property
    def counts(self) -> bool:
        return self.severity == "fault" and self.verdict == "fault"


@dataclass(frozen=True)
class Said:
    """One sentence of advice: the rule it comes from and what shows it. t_s is the time to look at; finding the index
    into Attempt.findings, None when the room left shows it; at_m the place on the ground; counts: it is about a fault
    that counts, or about the bay coming out of reach."""

    rule: str
    sentence: str
    t_s: float
    t_start_s: float
    t_end_s: float
    at_m: tuple[float, float] | None
    finding: int | None
    counts: bool


@dataclass(frozen=True)
class Drill:
    """Something to practise."""

    name: str
    title: str
    text: str


@dataclass(frozen=True)
class Advice:
    """At most three sentences in order of weight, one drill for the first of them, and one thing done well.

    All empty when the data do not support saying anything."""

    said: tuple[Said, ...]
    drill: Drill | None
    well: str | None


NOTHING_SAID = Advice((), None, None)


@dataclass(frozen=True)
class Attempt:
    """One run, measured and judged. `room` is None where the room left was not computed, `trailer` where the vehicle
    draws none."""

    vehicle: Vehicle
    course: Course
    surveyed: Course
    rules: Rules
    track: Track
    motion: Motion
    stops: tuple[Stop, ...]
    legs: tuple[Leg, ...]
    shunts: int
    dry_turns: tuple[DryTurn, ...]
    line_clearance: Mapping[str, Series]
    mark_clearance: Mapping[str, Series]
    barrier_clearance: Series | None
    final: Final | None
    mirrors: Mirrors
    findings: tuple[Finding, ...]
    room: RoomAlong | None = None
    advice: Advice = NOTHING_SAID
    steering: Steering = field(default_factory=Steering)
    axle: AxleCheck | None = None
    sheet: tuple[SheetCheck, ...] = ()
    sensors: SensorUse | None = None
    trailer: TrailerMotion | None = None
    trailer_check: TrailerCheck | None = None

    @property
    def bodies(self) -> tuple[tuple[Body, Motion], ...]:
        """The vehicle and, where it draws one, its trailer, each with its motion; the last one enters the bay first."""
        if self.vehicle.trailer is None or self.trailer is None:
            return ((self.vehicle, self.motion),)
        return (self.vehicle, self.motion), (self.vehicle.trailer, self.trailer.body)

    def points(self, *verdicts: str) -> int:
        """The points of all counting findings with one of these verdicts."""
        return sum(f.points for f in self.findings if f.severity == "fault" and f.verdict in verdicts)

    @property
    def verdict(self) -> str:
        """'fault' if any finding that counts outright is one, or the points exceed what is allowed; else 'too close
        to call' or 'not seen' if that could still turn out so; else 'ok'."""
        outright = {f.verdict for f in self.findings if f.severity == "fault" and not f.points}
        allowed = self.rules.points_allowed
        for n, verdict in enumerate(VERDICTS[1:], 2):
            if verdict in outright or (allowed is not None and self.points(*VERDICTS[1:n]) > allowed):
                return verdict
        return "ok"
