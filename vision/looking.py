"""What is found out before the clip is followed, from a few pictures spread over it.

1. Place one of them in the course without clicks.
2. Place the others against it, build the empty yard, and see the vehicle in them to a few decimetres.
3. Build the yard again without the vehicle, survey the course on it, learn the vehicle's roof, and so fix its height,
   size and place to sub-pixel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np

from analysis.course import Course, SurveyedMark
from analysis.track import SizeSeen
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from vision.articulated import leading_body, learn_hinged
from vision.camera import Camera, Lens
from vision.footage import Footage, Frame, frame_by, spread_frames, spread_indices
from vision.ground import Features, GroundReference, NotPlaced, Placed, features_of, pose_from_ground, with_focal
from vision.memory import give_back
from vision.outline import Sighting, difference, yard_polygon_m
from vision.overlap import side_by_side
from vision.plate import Plate, build_plate
from vision.roof_learning import LearntRoof, learn_roof
from vision.size import size_seen
from vision.solid import Pose, covered_px, main_solid, silhouettes_px
from vision.sunlit import Sun, sighted, sun_seen
from vision.survey import FailedRegistration, Pick, Registration, refine, register, register_any
from vision.sway import SwaySeen, lens_from_sway
from vision.tracking import Scene

SPREAD_COUNT = 28
"""Pictures looked at before following: with 20 of them a rendered clip's focal length came out 1.3 % off from its sway,
and the vehicle 7 cm beside its place."""
SPREAD_BYTES = 220e6
"""Working memory for those pictures; fewer are taken of a larger picture."""
SIZE_CONFIRMED = 3.0
"""Standard deviations within which the roof must look as large as entered, or it does not decide the height."""
SIZE_DOUBT = (0.001, 0.03)
"""Bounds of the share by which the roof may look larger or smaller than entered: 1 cm in 10 m even if the camera's
height is known, and no more than the second however little is known of it."""
REACH_M = 2.0
"""So far about the vehicle its pictures are kept: as far as its ends are looked for, and half a metre."""
TELLS_MORE = 0.7
"""The roof's size decides the height only if that makes the doubt about it smaller by this factor."""

EMPTYINGS, LEAST_EMPTY = 3, 5
"""So often, at most, is the yard built again without a vehicle that stood about, of no fewer pictures than the second:
a median of fewer shows what is in one of them."""

_LOG_FOCAL = 6  # its place in Registration.covariance

FOUND_SHARE = 0.8
"""In so many of the pictures with something new in them must the vehicle be found, or it is sought by its shadow: where
it is of another colour than the ground, it is in nearly all."""
SUN_COUNT = 7  # pictures from which the sun is told
UNSHADED = 0.8
"""The empty yard by the brightest fifth of the pictures: what is left of a vehicle that stood about is dark, its shadow
if it is of the ground's colour, and other pictures show that spot."""

CLOSER_LOOKS = 3
"""So often, at most, are pictures taken of an ever shorter part of the clip: of an hour, the last from some minutes."""

Progress = Callable[[str, float], None]
Span = tuple[float, float]
"""From when to when in the clip (s)."""


@dataclass(frozen=True)
class LookedOver:
    """What is known of a clip before it is followed: the course as registered and surveyed, the scene to follow, the
    roof learnt with it, how large it looks, and where to start. `cameras` and `coarse` poses of the pictures looked at,
    by their indices, and `within` which part of the clip they were taken; the pictures themselves are not kept: they
    are a quarter of all the memory."""

    registration: Registration
    scene: Scene
    learnt: LearntRoof
    size: SizeSeen | None
    first_camera: Camera
    cameras: Mapping[int, Camera]
    coarse: Mapping[int, Pose]
    sway: SwaySeen | None
    within: Span


@dataclass(frozen=True)
class _Look:
    """The pictures spread over the clip, with a camera each; `usual`: the median misfit and likeness with which they
    lie on the reference view; `corners_px` (u, v) at which they begin, where only parts of them are kept."""

    shots: tuple[Frame, ...]
    cameras: tuple[Camera, ...]
    reference: GroundReference
    usual: tuple[float, float]
    corners_px: tuple[tuple[int, int], ...] = ()

    def near(self, poses: Mapping[int, Pose]) -> list[tuple[Frame, Camera, Pose]]:
        """The parts that are kept of the pictures with a pose, each with a camera that has taken that part alone."""
        return [(s, Camera(c.lens.cropped(*corner), c.rotation, c.centre_m), poses[s.index])
                for s, c, corner in zip(self.shots, self.cameras, self.corners_px, strict=True) if s.index in poses]


def look_over(footage: Footage, vehicle: Vehicle, course: Course, lens: Lens | None, picks: Sequence[Pick] | None,
              tell: Progress) -> LookedOver:
    """Raises Trouble when the clip shows no such course, or no such vehicle."""
    name = str(footage.paths[0])
    look, registration, found, within = _first_found(footage, vehicle, course, lens, picks, name, tell)
    sun = found.sun
    if len(found.coarse) < 3:
        raise Trouble("no moving vehicle of the entered size was found in the yard", where=name,
                      remedy="check the vehicle file's length and width, and that the clip shows the run")
    tell("surveying the yard", 0.7)
    plate, look, coarse, sway = _emptied(look, found, registration, vehicle, course, lens is not None)
    del found  # its yard is as large as a picture
    if len(coarse) < 3:
        raise Trouble("the vehicle was lost sight of when its pictures were compared", where=name,
                      remedy="check the vehicle file's height, length and width")
    give_back()
    before = registration if sway is None else replace(registration, camera=sway.camera)
    registration = _again(before, plate, course, lens is not None, sway)
    plate, look, coarse = _carried(plate, look, coarse, registration, vehicle)
    tell("learning the vehicle", 0.8)
    learnt = _learnt(look, coarse, plate, registration, vehicle, name)
    size = _size_seen(look, learnt, plate, registration, vehicle)
    if lens is None and learnt.rim is not None:
        registration, plate, look, learnt = _with_height_confirmed(registration, plate, look, learnt, vehicle, course,
                                                                   sway, name)
    surveyed = course.with_survey(registration.marks, registration.lines)
    scene = Scene(vehicle, plate, look.reference, learnt.roof, yard_polygon_m(surveyed, vehicle), learnt.known,
                  look.usual, sun)
    give_back()
    return LookedOver(registration, scene, learnt, size, look.cameras[0],
                      {s.index: c for s, c in zip(look.shots, look.cameras, strict=True)}, coarse, sway, within)


def _first_found(footage: Footage, vehicle: Vehicle, course: Course, lens: Lens | None, picks: Sequence[Pick] | None,
                 name: str, tell: Progress) -> tuple[_Look, Registration, _Found, Span]:
    """The pictures looked at, the course in them, the empty yard, and the vehicle to a few decimetres. Where it is not
    at its usual place in a few pictures only, again in pictures from that part of the clip."""
    within, looks = (0.0, footage.duration_s), 0
    while True:
        look, registration = _placed(footage, within, course, lens, picks, name, tell)
        plate = build_plate([s.bgr for s in look.shots], look.cameras, look.reference.camera)
        give_back()
        tell("finding the vehicle", 0.6)
        found = _found(look, plate, registration, vehicle, course)
        closer, looks = _about_sightings(look, found.coarse), looks + 1
        if (len(found.coarse) >= LEAST_EMPTY or looks == CLOSER_LOOKS or closer is None
                or np.ptp(closer) > 0.5 * np.ptp(within)):
            return look, registration, found, within
        within = closer
        del look, plate, found  # before others take their room
        give_back()


def _about_sightings(look: _Look, coarse: Mapping[int, Pose]) -> tuple[float, float] | None:
    """From when to when (s) the vehicle, which in all other pictures stands where it was taken for the yard, is on its
    way: between the pictures before and after those in which it was found."""
    at = [i for i, s in enumerate(look.shots) if s.index in coarse]
    if not at:
        return None
    return look.shots[max(at[0] - 1, 0)].t_s, look.shots[min(at[-1] + 1, len(look.shots) - 1)].t_s


def as_stood_before(seen: LookedOver, footage: Footage, mark: SurveyedMark, t_s: float, course: Course) -> SurveyedMark:
    """A mark that was moved at t_s as it stood before that, from the pictures taken until then; as surveyed where there
    is none."""
    shots = [s for s in _spread(footage, seen.within) if s.t_s < t_s and s.index in seen.cameras]
    if not shots:
        return mark
    cameras = [seen.cameras[s.index] for s in shots]
    plate = _without_vehicle(shots, cameras, seen.coarse, seen.registration.camera, seen.scene.vehicle)
    again = _again(seen.registration, plate, course, True, seen.sway)
    return next((m for m in again.marks if m.name == mark.name), mark)


def _spread(footage: Footage, within: Span) -> list[Frame]:
    return list(spread_frames(footage, _spread_count(footage), *within))


def _spread_count(footage: Footage) -> int:
    return int(np.clip(SPREAD_BYTES / (footage.width_px * footage.height_px * 3), 9, SPREAD_COUNT))


def _placed(footage: Footage, within: Span, course: Course, lens: Lens | None, picks: Sequence[Pick] | None, name: str,
            tell: Progress) -> tuple[_Look, Registration]:
    """The pictures against the one of them in which the course was found."""
    tell("looking the clip over", 0.0)
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(_with_features, footage, within)
        tell("finding the course", 0.2)
        known = {} if picks else _in_the_middle(footage, within, course, lens)
        shots, features = coming.result()
    if len(shots) < 3:
        raise Trouble("too few pictures in it can be read", where=name, remedy="copy the clip from the camera again")
    at, registration = register_any([s.bgr for s in shots], course, name, lens=lens, picks=picks,
                                    known={i: known[s.index] for i, s in enumerate(shots) if s.index in known})
    give_back()
    tell("placing the camera", 0.4)
    return _placed_against(shots, features, GroundReference(shots[at].bgr, registration.camera)), registration


def _with_features(footage: Footage, within: Span) -> tuple[list[Frame], list[Features]]:
    """The pictures, and by what they can be told: both can be had while the course is still being found."""
    shots = _spread(footage, within)
    return shots, [features_of(cv2.cvtColor(s.bgr, cv2.COLOR_BGR2GRAY)) for s in shots]


def _in_the_middle(footage: Footage, within: Span, course: Course,
                   lens: Lens | None) -> dict[int, Registration | FailedRegistration]:
    """What the middle one of the pictures shows of the course, by its index: mostly all of it, and it can be had before
    the others are decoded. Nothing where they all come of one pass through the clip."""
    indices = spread_indices(footage, _spread_count(footage), *within)
    middle = frame_by(footage, indices[len(indices) // 2]) if indices else None
    return {} if middle is None else {middle.index: register(middle.bgr, course, lens=lens)}


def _placed_against(shots: Sequence[Frame], features: Sequence[Features], reference: GroundReference) -> _Look:
    """Cameras of the pictures, each started from its neighbour's in time; those that cannot be placed are left out."""
    camera = reference.camera
    placed = []
    anywhere = side_by_side(lambda s, f: reference.place_anywhere(s.bgr, found=f), shots, features)
    for shot, found in zip(shots, anywhere, strict=True):
        got = reference.nearer(reference.place(shot.bgr, camera), found)
        camera = got.camera if isinstance(got, Placed) else camera
        placed.append(got)
    return _kept(shots, placed, reference)


def _placed_again(look: _Look, reference: GroundReference) -> _Look:
    """The same pictures against a better reference, each started from where it was placed before."""
    starts = [with_focal(c, reference.camera.lens.fx) for c in look.cameras]
    return _kept(look.shots, side_by_side(lambda s, c: reference.place(s.bgr, c), look.shots, starts), reference)


def _kept(shots: Sequence[Frame], placed: Sequence[Placed | NotPlaced], reference: GroundReference) -> _Look:
    got = [(s, p) for s, p in zip(shots, placed, strict=True) if isinstance(p, Placed)]
    usual = np.median([[p.misfit, p.alike] for _, p in got], axis=0) if got else (np.inf, 0.0)
    return _Look(tuple(s for s, _ in got), tuple(p.camera for _, p in got), reference,
                 (float(usual[0]), float(usual[1])))


def _again(registration: Registration, plate: Plate, course: Course, lens_known: bool,
           sway: SwaySeen | None = None) -> Registration:
    """The registration measured anew on the empty yard; the earlier one stands if that fails."""
    unknown = (~plate.known).astype(np.uint8)
    better = refine(registration, plate.bgr, course, lens_known=lens_known, exclude_mask=unknown, sway=sway)
    return better if isinstance(better, Registration) else registration


@dataclass(frozen=True)
class _Found:
    """Coarse poses by the pictures' indices, of those in which the vehicle was found; the empty yard that they were
    found against, and the sun, where it took its shadow to find it."""

    plate: Plate
    coarse: dict[int, Pose]
    sun: Sun | None


def _found(look: _Look, plate: Plate, registration: Registration, vehicle: Vehicle, course: Course) -> _Found:
    """Where the vehicle stood so long that it was taken for the yard, the yard is built again of the pictures in which
    it was found elsewhere. Where it is missed in many pictures, it is sought by its shadow."""
    for _ in range(EMPTYINGS):
        seen = _sightings(look, plate, registration, vehicle, course)
        known = _good(seen)
        if len(known) < LEAST_EMPTY or not any(s.ghost_by for s in seen.values()):
            break
        shots, cameras = zip(*[(s, c) for s, c in zip(look.shots, look.cameras, strict=True) if s.index in known],
                             strict=True)
        plate = _without_vehicle(shots, cameras, known, look.reference.camera, vehicle)
    if len(known) >= FOUND_SHARE * len(seen):
        return _Found(plate, known, None)
    give_back()
    unshaded = build_plate([s.bgr for s in look.shots], look.cameras, look.reference.camera, darker=UNSHADED)
    yard = yard_polygon_m(course.with_survey(registration.marks, registration.lines), vehicle)
    step = max(1, len(look.shots) // SUN_COUNT)
    some = list(zip(look.shots, look.cameras, strict=True))[step // 2::step]
    sun = sun_seen([difference(s.bgr, c, unshaded, yard) for s, c in some], [c for _, c in some], vehicle)
    again = _good(_sightings(look, unshaded, registration, vehicle, course, sun=sun))
    if sun is not None or len(again) > len(known):
        # Brighter than usual everywhere by its noise, that yard tells the outline but not the lens.
        return _Found(_without_vehicle(look.shots, look.cameras, again, look.reference.camera, vehicle), again, sun)
    return _Found(plate, known, None)


def _good(seen: Mapping[int, Sighting]) -> dict[int, Pose]:
    return {i: s.pose for i, s in seen.items() if s.good}


def _sightings(look: _Look, plate: Plate, registration: Registration, vehicle: Vehicle, course: Course,
               earlier: Mapping[int, Pose] | None = None, sun: Sun | None = None) -> dict[int, Sighting]:
    """What looks most like the vehicle in each picture, by its index; with `earlier` poses, only about those."""
    yard = yard_polygon_m(course.with_survey(registration.marks, registration.lines), vehicle)

    def sighting(shot: Frame, camera: Camera) -> Sighting | None:
        if earlier is not None and shot.index not in earlier:
            return None
        return sighted(difference(shot.bgr, camera, plate, yard), camera, vehicle, sun,
                       earlier[shot.index] if earlier else None)

    seen = side_by_side(sighting, look.shots, look.cameras)
    return {shot.index: s for shot, s in zip(look.shots, seen, strict=True) if s is not None}


def _emptied(look: _Look, found: _Found, registration: Registration, vehicle: Vehicle, course: Course,
             lens_known: bool) -> tuple[Plate, _Look, dict[int, Pose], SwaySeen | None]:
    """The yard once more, with the vehicle left out of every picture, and with the lens as the camera's sway shows it;
    the cameras and coarse poses against that, and of the pictures only the parts in which the vehicle is."""
    around = [_around(found.coarse.get(s.index), c, vehicle) for s, c in zip(look.shots, look.cameras, strict=True)]
    sway = None if lens_known else lens_from_sway([s.bgr for s in look.shots], look.cameras, around, found.plate)
    if sway is not None:
        look = replace(look, cameras=sway.cameras)
    camera = registration.camera if sway is None else sway.camera
    give_back()
    plate = _without_vehicle(look.shots, look.cameras, found.coarse, camera, vehicle)
    look = _placed_again(look, GroundReference(plate.bgr, camera, plate.known))
    coarse = _good(_sightings(look, plate, registration, vehicle, course, found.coarse, found.sun))
    return plate, _cropped(look, coarse, vehicle), coarse, sway


def _cropped(look: _Look, coarse: Mapping[int, Pose], vehicle: Vehicle) -> _Look:
    """Only the part of each picture in which the vehicle is: all of them are a quarter of all the memory."""
    shots, corners = [], []
    for shot, camera in zip(look.shots, look.cameras, strict=True):
        px = np.zeros((1, 2)) if shot.index not in coarse else _reach_px(vehicle, coarse[shot.index], camera, REACH_M)
        h, w = shot.bgr.shape[:2]
        left, top = np.clip(np.floor(px.min(axis=0)), 0, [w - 2, h - 2]).astype(int)
        right, low = np.clip(np.ceil(px.max(axis=0)), [left + 2, top + 2], [w, h]).astype(int)
        shots.append(replace(shot, bgr=shot.bgr[top:low, left:right].copy()))
        corners.append((int(left), int(top)))
    return replace(look, shots=tuple(shots), corners_px=tuple(corners))


def _reach_px(vehicle: Vehicle, pose: Pose, camera: Camera, reach_m: float) -> np.ndarray:
    """A convex polygon (n, 2) px around the vehicle and all within reach_m of it, to either side and the ends."""
    outline = np.concatenate(silhouettes_px(vehicle, pose, camera))
    reach = reach_m / (camera.metres_per_pixel() * (1 - vehicle.height_m / camera.centre_m[2]))
    corners = [outline + reach * np.array(way) for way in ((-1, -1), (-1, 1), (1, -1), (1, 1))]
    return cv2.convexHull(np.concatenate(corners).astype(np.float32)).reshape(-1, 2).astype(float)


def _carried(plate: Plate, look: _Look, poses: Mapping[int, Pose], registration: Registration,
             vehicle: Vehicle) -> tuple[Plate, _Look, dict[int, Pose]]:
    """Plate, cameras and poses once the reference view's own camera is known better: every picture shows the same spots
    of ground as before, and the roof where it did."""
    after = registration.camera
    cameras = tuple(_seeing_alike(c, look.reference.camera, after) for c in look.cameras)
    moved = {s.index: _seen_alike(poses[s.index], vehicle, c, d)
             for s, c, d in zip(look.shots, look.cameras, cameras, strict=True) if s.index in poses}
    look = replace(look, cameras=cameras, reference=GroundReference(plate.bgr, after, plate.known))
    return replace(plate, camera=after), look, moved


def _seeing_alike(camera: Camera, before: Camera, after: Camera) -> Camera:
    """The camera of a picture laid onto the reference view by the ground, when the camera of that view is another."""
    u, v = np.linspace(0, camera.lens.width_px - 1, 12), np.linspace(0, camera.lens.height_px - 1, 8)
    px = np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)
    ground = after.to_ground(before.project_ground(camera.to_ground(px)))
    known = np.isfinite(ground).all(axis=1)
    near = with_focal(camera, after.lens.fx)
    return pose_from_ground(ground[known], px[known], after.lens, near) or near


def _seen_alike(pose: Pose, vehicle: Vehicle, before: Camera, after: Camera) -> Pose:
    """The pose whose roof another camera sees at the same pixels."""
    roof = main_solid(leading_body(vehicle)).z_max_m
    ends = pose.to_course(np.array([[0.0, 0.0], [vehicle.wheelbase_m, 0.0]]))
    rear, front = after.to_ground(before.project_ground(ends, roof), roof)
    along, was = front - rear, ends[1] - ends[0]
    turn = math.atan2(was[0] * along[1] - was[1] * along[0], was @ along)
    return replace(pose, x_m=float(rear[0]), y_m=float(rear[1]), heading_rad=pose.heading_rad + turn)


def _around(pose: Pose | None, camera: Camera, vehicle: Vehicle) -> np.ndarray | None:
    """A polygon (n, 2) px around the vehicle; None where it was not found."""
    return None if pose is None else covered_px(vehicle, pose, camera, 1.15)


def _without_vehicle(shots: Sequence[Frame], cameras: Sequence[Camera], poses: Mapping[int, Pose], view: Camera,
                     vehicle: Vehicle) -> Plate:
    """The yard as `view` sees it, of pictures with cameras, with the vehicle left out where its pose is known, and its
    shadow where other pictures show what is there: that reaches as far as the vehicle is high if the sun is half up."""
    hidden, shaded = [], []
    for shot, camera in zip(shots, cameras, strict=True):
        pose = poses.get(shot.index)
        hidden.append(_around(pose, camera, vehicle))
        shaded.append(None if pose is None else _reach_px(vehicle, pose, camera, vehicle.height_m))
    return build_plate([s.bgr for s in shots], cameras, view, hidden, shaded)


def _learnt(look: _Look, coarse: Mapping[int, Pose], plate: Plate, registration: Registration, vehicle: Vehicle,
            name: str) -> LearntRoof:
    used = look.near(coarse)
    learn = learn_roof if vehicle.trailer is None else learn_hinged
    learnt = learn(vehicle, [s.bgr for s, _, _ in used], [c for _, c, _ in used], [p for _, _, p in used],
                   [s.t_s for s, _, _ in used], plate, _size_doubt(registration, vehicle))
    if not isinstance(learnt, LearntRoof):
        raise Trouble(f"the vehicle could not be followed: {learnt.reason}", where=name,
                      remedy="check the vehicle file's height, length and width")
    return learnt


def _size_seen(look: _Look, learnt: LearntRoof, plate: Plate, registration: Registration,
               vehicle: Vehicle) -> SizeSeen:
    """What the pictures say of the entered length and width, before the camera's height is fitted to them."""
    shots = [(s.bgr, c, p) for s, c, p in look.near(_by_index(look, learnt))]
    return size_seen(vehicle, shots, plate, _size_doubt(registration, vehicle))


def _by_index(look: _Look, learnt: LearntRoof) -> dict[int, Pose]:
    poses = dict(learnt.known)
    return {s.index: poses[s.t_s] for s in look.shots if s.t_s in poses}


def _size_doubt(registration: Registration, vehicle: Vehicle) -> float:
    """By what share (one sd) the roof may look larger or smaller than entered. The ground fixes focal length / height
    only; a roof at h looks larger than its ground plan by H / (H - h)."""
    height, roof = float(registration.camera.centre_m[2]), main_solid(leading_body(vehicle)).z_max_m
    share = roof / max(height - roof, 1.0) * registration.focal_sd_px / registration.camera.lens.fx
    return float(np.clip(share, *SIZE_DOUBT))


def _with_height_confirmed(registration: Registration, plate: Plate, look: _Look, learnt: LearntRoof,
                           vehicle: Vehicle, course: Course, sway: SwaySeen | None,
                           name: str) -> tuple[Registration, Plate, _Look, LearntRoof]:
    """The camera's height taken from the roof's size where that tells more than the ground did, and if the roof learnt
    anew then looks as large as entered.

    If it does not, the edge followed was not the rim (a roof the colour of the ground, a mark along its edge):
    what was known before stands, with its own wide uncertainty."""
    before = registration, plate, look, learnt
    taller = _with_height_from_size(registration, plate, learnt, course, sway)
    if taller is None:
        return before
    registration = taller
    plate, look, poses = _carried(plate, look, _by_index(look, learnt), registration, vehicle)
    learnt = _learnt(look, poses, plate, registration, vehicle, name)
    if learnt.rim is None or abs(learnt.rim.size - 1) > SIZE_CONFIRMED * learnt.rim.size_sd:
        return before
    return registration, plate, look, learnt


def _with_height_from_size(registration: Registration, plate: Plate, learnt: LearntRoof, course: Course,
                           sway: SwaySeen | None) -> Registration | None:
    """The camera's height (so its focal length) from how large the roof looks, which was measured with what is known
    of the height weighed in; None where that tells little more. Seen through an assumed height H0, a roof at h of
    length L comes out as L (1 - h/H0) / (1 - h/H). Weak for a short or low vehicle, and where the roof is shorter than
    the body.
    """
    assert learnt.rim is not None
    roof_m = learnt.roof.solid.z_max_m
    assumed_m = float(registration.camera.centre_m[2])
    focal = registration.camera.lens.fx
    squeeze = (1 - roof_m / assumed_m) / learnt.rim.size
    if squeeze >= 0.999:
        return None
    seen_focal = focal * roof_m / (1 - squeeze) / assumed_m
    seen_sd = seen_focal * squeeze / (1 - squeeze) * learnt.rim.size_sd
    if seen_sd > TELLS_MORE * registration.focal_sd_px:
        return None
    # A size further from the expected one than both claim to be makes either believed less (Birge's ratio).
    apart = abs(seen_focal - focal) / np.hypot(registration.focal_sd_px, seen_sd)
    start = replace(registration, camera=with_focal(registration.camera, seen_focal))
    focal_sd = float(seen_sd * max(1.0, apart))
    return replace(_again(start, plate, course, True, sway), focal_sd_px=focal_sd,
                   covariance=_with_focal_sd(registration.covariance, focal_sd / seen_focal))


def _with_focal_sd(covariance: np.ndarray, log_focal_sd: float) -> np.ndarray:
    """(8, 8) Registration's covariance when the focal length is known to log_focal_sd from elsewhere: what is open
    besides it stays as it is, and what goes along with it goes along as before."""
    along = covariance[:, _LOG_FOCAL] / covariance[_LOG_FOCAL, _LOG_FOCAL]
    return covariance + (log_focal_sd**2 - covariance[_LOG_FOCAL, _LOG_FOCAL]) * np.outer(along, along)
