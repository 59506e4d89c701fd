"""Following the vehicle through the clip: one camera and one pose per sampled frame, or a stated gap."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from copy import copy
from dataclasses import dataclass, field, replace
from itertools import chain

import numpy as np

from analysis.vehicle import Vehicle
from vision.camera import Camera, rotation_matrix, rotation_vector
from vision.footage import Frame
from vision.ground import GroundReference, NotPlaced, Placed, Reach
from vision.hinged_roofs import HingedRoofs
from vision.outline import difference
from vision.plate import Plate
from vision.roof import FAR_WORSE, Fitted, Roof, near
from vision.shared import change_of_pose
from vision.solid import Pose, covered_px
from vision.standstill import Standstill
from vision.sunlit import Sun, sighted

LOST_AFTER_S = 0.5
"""After this long without a pose the vehicle is searched for anew instead of being predicted."""

JUMP = 1.5
"""A camera whose misfit is this much above the recent usual may have slid along the paint: it is searched anew."""
UNLIKE, LEAST_UNLIKE = 3.0, 0.12
"""The same where the ground lacks this many times the usual share of likeness with the reference picture, but not less
than the second; if no search helps, the frame is a gap (rendered clips: up to 9 % lacking in place, 13-50 % where a
climbing camera was placed wrongly)."""
RECENT = 50
"""Frames from which the usual is taken: five seconds."""


@dataclass(frozen=True)
class Step:
    """One sampled frame: t_s; camera or None; fitted pose or None; why there is none."""

    t_s: float
    camera: Camera | None
    fitted: Fitted | None
    reason: str


@dataclass(frozen=True)
class Scene:
    """What is known of the clip before it is followed; `known` are poses already found, with their times; `usual` the
    misfit and likeness with which its pictures lie on the reference view; `sun` where it took the vehicle's shadow to
    find it."""

    vehicle: Vehicle
    plate: Plate
    ground: GroundReference
    roof: Roof | HingedRoofs
    yard_m: np.ndarray
    known: tuple[tuple[float, Pose], ...] = ()
    usual: tuple[float, float] | None = None
    sun: Sun | None = None


Again = Callable[[float, float], Iterable[Frame]]
"""Gives the pictures between two times (s) once more, in order."""


def follow(scene: Scene, pictures: Iterable[Frame], first_camera: Camera,
           again: Again | None = None) -> Iterator[tuple[Step, Frame]]:
    """Camera and pose frame by frame, in order but where a long standstill ends: most pictures of one are left out, and
    those of its last seconds looked at once it has ended. Where they cannot be had `again`, none is left out. Memory
    does not grow with the clip."""
    follower, rest = _Follower(scene, first_camera), Standstill[_Follower]()
    for frame, is_last in _with_last(pictures):
        if again is not None and not is_last and rest.can_leave_out(frame.t_s):
            continue
        step = follower.look(frame)
        back = rest.back_to(step.fitted)
        if again is None or back is None:
            rest.looked(frame.t_s, step.fitted, copy(follower))
            yield step, frame
            continue
        told_s, (back_s, follower), rest = rest.looks_s, back, Standstill()
        for anew in chain(again(back_s, frame.t_s), [frame]):
            step = follower.look(anew)
            rest.looked(anew.t_s, step.fitted, copy(follower))
            if anew.t_s not in told_s:
                yield step, anew


def _with_last(pictures: Iterable[Frame]) -> Iterator[tuple[Frame, bool]]:
    """The pictures, with whether each is the last."""
    before: Frame | None = None
    for frame in pictures:
        if before is not None:
            yield before, False
        before = frame
    if before is not None:
        yield before, True


@dataclass
class _Follower:
    """What is known when the next frame comes; its lists are never changed in place: a copy keeps them. When the
    vehicle is lost it is searched for twice a second: the search costs as much as following does for a second."""

    scene: Scene
    camera: Camera
    way: list[tuple[float, Camera]] = field(default_factory=list)
    past: list[tuple[float, Pose]] = field(default_factory=list)
    searched_s: float = -LOST_AFTER_S
    usual: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.usual = [self.scene.usual] if self.scene.usual else []

    def look(self, frame: Frame) -> Step:
        guess = _predicted(self.past, frame.t_s)
        around = covered_px(self.scene.vehicle, guess, self.camera, 1.15) if guess is not None else None
        placed = _placed(self.scene, frame, self.camera, _continued(self.way, frame.t_s), around, self.usual)
        if not isinstance(placed, Placed):
            return Step(frame.t_s, None, None, placed.reason)
        self.camera = placed.camera
        self.way = [*self.way[-1:], (frame.t_s, self.camera)]
        self.usual = [*self.usual[-RECENT:], (placed.misfit, placed.alike)]
        fit, reason = None, "the vehicle was not found"
        lost = not self.past or frame.t_s - self.past[-1][0] > LOST_AFTER_S
        if guess is not None:
            attempt = self.scene.roof.lay(frame.bgr, self.camera, guess)
            if not isinstance(attempt, Fitted):
                reason = attempt.reason
            elif not near(attempt.pose, guess):
                reason = "the vehicle seems to jump"
            elif lost and not self.scene.roof.recognises(attempt):
                reason = FAR_WORSE
            else:
                fit = attempt
        if fit is None and lost and frame.t_s - self.searched_s >= LOST_AFTER_S:
            self.searched_s = frame.t_s
            for start in _places_to_look(self.scene, frame, self.camera):
                attempt = self.scene.roof.lay(frame.bgr, self.camera, start)
                if isinstance(attempt, Fitted) and near(attempt.pose, start) and self.scene.roof.recognises(attempt):
                    fit, self.past = attempt, []
                    break
        if fit is not None:
            self.past = [*self.past[-1:], (frame.t_s, fit.pose)]
            fit = replace(fit, cov=fit.cov + _camera_share(self.scene.vehicle, fit.pose, placed))
        return Step(frame.t_s, self.camera, fit, "" if fit else reason)


def _placed(scene: Scene, frame: Frame, camera: Camera, continued: Camera | None, around: np.ndarray | None,
            usual: list[tuple[float, float]]) -> Placed | NotPlaced:
    """The frame's camera as it went on moving; where that fits worse than usual, from the last one, then searched for
    in the whole picture."""
    misfit, alike = np.median(usual, axis=0) if usual else (np.inf, 0.0)
    least_alike = 1 - max(UNLIKE * (1 - alike), LEAST_UNLIKE)
    best: Placed | NotPlaced = NotPlaced("the camera's place is not known")
    for start, reach in ((continued, Reach.NEAR), (camera, Reach.USUAL), (camera, Reach.WIDE)):
        if start is None or (reach is Reach.USUAL and not usual):
            continue
        again = scene.ground.place(frame.bgr, start, around, reach)
        if not isinstance(best, Placed) or (isinstance(again, Placed) and again.alike > best.alike):
            best = again
        if isinstance(best, Placed) and best.misfit <= JUMP * misfit and best.alike >= least_alike:
            return best
    if isinstance(best, Placed) and best.alike < least_alike:
        return NotPlaced("the ground lies otherwise than in the reference picture")
    return best


def _continued(way: list[tuple[float, Camera]], t_s: float) -> Camera | None:
    """The camera if it went on as between the last two frames; None after a pause."""
    if len(way) < 2 or t_s - way[-1][0] > LOST_AFTER_S:
        return None
    (t0, c0), (t1, c1) = way
    share = (t_s - t1) / (t1 - t0)
    return Camera(c1.lens, rotation_matrix(share * rotation_vector(c1.rotation @ c0.rotation.T)) @ c1.rotation,
                  c1.centre_m + share * (c1.centre_m - c0.centre_m))


def _places_to_look(scene: Scene, frame: Frame, camera: Camera) -> Iterator[Pose]:
    """Where a lost vehicle may be: where it was known to be at about this time, then where it is seen coarsely."""
    if scene.known:
        t_s, pose = min(scene.known, key=lambda k: abs(k[0] - frame.t_s))
        if abs(t_s - frame.t_s) <= LOST_AFTER_S:
            yield pose
    sighting = sighted(difference(frame.bgr, camera, scene.plate, scene.yard_m), camera, scene.vehicle, scene.sun)
    if sighting is not None and sighting.good:
        yield sighting.pose


def _predicted(past: list[tuple[float, Pose]], t_s: float) -> Pose | None:
    """Straight continuation of the last two poses; the last one alone after a pause."""
    if not past:
        return None
    t1, p1 = past[-1]
    if len(past) < 2 or t_s - t1 > 0.5:
        return p1
    t0, p0 = past[-2]
    share = (t_s - t1) / (t1 - t0)
    return Pose(p1.x_m + share * (p1.x_m - p0.x_m), p1.y_m + share * (p1.y_m - p0.y_m),
                p1.heading_rad + share * (p1.heading_rad - p0.heading_rad),
                p1.articulation_rad + share * (p1.articulation_rad - p0.articulation_rad))


def _camera_share(vehicle: Vehicle, pose: Pose, placed: Placed) -> np.ndarray:
    """(3, 3) covariance of the pose that comes from the frame's camera: where the roof's two ends, held
    fast in the picture, would go if the camera moved by one of its six numbers."""
    ends = pose.to_course(np.array([[0.0, 0.0], [vehicle.wheelbase_m, 0.0]]))
    z = vehicle.height_m
    rays = (np.column_stack([ends, [z, z]]) - placed.camera.centre_m) @ placed.camera.rotation.T
    slope = np.zeros((3, 6))
    for k in range(6):
        step = np.zeros(6)
        step[k] = 1e-4 if k < 3 else 1e-3
        moved = placed.camera.moved(step[:3], step[3:]).along_rays(rays, z) - ends
        slope[:, k] = change_of_pose(moved, np.array([pose.heading_rad]), vehicle.wheelbase_m)[0] / step[k]
    return slope @ placed.cov @ slope.T
