"""From a recording to a Track: look it over (looking.py), then go through it once, following camera, vehicle and marks.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis.course import Course, MarkEvent
from analysis.track import Track
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from vision.articulated import articulation_of, coupling_notes, rim_cov
from vision.camera import Lens, camera_path
from vision.footage import Footage, Frame, frames, missing_times, open_footage
from vision.looking import LookedOver, Progress, as_stood_before, look_over
from vision.markwatch import MarkWatch
from vision.memory import give_back
from vision.overlap import ahead
from vision.roof_learning import LearntRoof
from vision.shared import shared_cov
from vision.solid import Pose, covered_px
from vision.strays import strays
from vision.survey import Pick, Registration
from vision.tracking import Step, follow

MEASURED_HZ = 10.0
"""Poses per second: a slow manoeuvre at 1 m/s moves 10 cm between them; more only repeats the same errors. Fewer are
taken of a vehicle that has long stood (standstill.py)."""
MOST_READ_AGAIN = 300
"""Pictures to be decoded, at most, to have those before a moment once more: a second or two of work. Encoders put a
picture that decodes by itself at least every 250 unless told otherwise."""
GIVEN_BACK_LOOKS = 25
"""After so many looks memory is given back: what other threads keep comes to lie between the pictures, and the gaps
that those leave add up to some hundred megabytes in a minute."""
LEAST_MOVED = 1 / 3
"""Of the vehicle's length: what is followed over less is no run. It is then the ground where a vehicle of its colour
stood, or its shadow (rendered clips: up to 0.27; every run is more than a length)."""
LOOK_AT_MARKS_HZ = 4.0  # a knocked cone falls in about a second


def measure(clips: Sequence[Path | str], vehicle: Vehicle, course: Course, *, lens: Lens | None = None,
            picks: Sequence[Pick] | None = None, progress: Progress | None = None,
            surveyed: Callable[[Course], None] | None = None) -> Track:
    """The vehicle's track in the course frame from one recording (one or several files, in order).

    lens: intrinsics from a calibration; estimated from the marks and lines when None. picks: marks pointed
    out by hand in the first picture, in place of the automatic finding. progress(stage, share 0..1). surveyed: told
    the course as it really stands, before the clip is followed; only a mark that is moved in it changes that later.
    Raises Trouble when there is no result: unreadable clip, no course, no vehicle in view.
    """
    tell = progress or (lambda stage, share: None)
    footage = open_footage(clips)
    name = str(footage.paths[0])
    if lens is not None:
        lens = _fitting(lens, footage)
    seen = look_over(footage, vehicle, course, lens, picks, tell)
    found = seen.registration
    if surveyed is not None:
        surveyed(course.with_survey(found.marks, found.lines))
    watch = MarkWatch((*found.marks, *found.fallen), course, found.camera)
    steps = _followed(seen, footage, watch, vehicle, tell)
    events = watch.events()
    moved = {e.name: e.t_s for e in events}
    marks = [as_stood_before(seen, footage, m, moved[m.name], course) if m.name in moved else m
             for m in (*found.marks, *found.fallen)]
    order = [m.name for m in course.marks]
    standing = tuple(sorted((m for m in marks if m not in found.fallen), key=lambda m: order.index(m.name)))
    fallen = tuple(m for m in found.fallen if m in marks)
    return replace(_track(steps, footage, replace(found, marks=standing, fallen=fallen), seen.learnt, vehicle,
                          events, name), size=seen.size)


def _fitting(lens: Lens, footage: Footage) -> Lens:
    """The lens file's numbers at this clip's size; Trouble when the shapes differ."""
    if abs(lens.width_px / lens.height_px - footage.width_px / footage.height_px) > 0.01:
        raise Trouble(f"is for pictures of {lens.width_px}×{lens.height_px}, the clip has "
                      f"{footage.width_px}×{footage.height_px}", where="lens file",
                      remedy="calibrate with the same camera setting as the clip, or leave the lens file out")
    return lens.scaled(footage.width_px / lens.width_px)


def _followed(seen: LookedOver, footage: Footage, watch: MarkWatch, vehicle: Vehicle, tell: Progress) -> list[Step]:
    steps: list[Step] = []
    read_s: list[float] = []  # also of the pictures that nobody looks at
    next_look_s = 0.0

    def pictures() -> Iterator[Frame]:
        for frame in frames(footage, rate_hz=MEASURED_HZ):
            read_s.append(frame.t_s)
            yield frame

    def again(after_s: float, before_s: float) -> Iterator[Frame]:
        between = frames(footage, rate_hz=MEASURED_HZ, start_s=after_s, end_s=before_s)
        return (frame for frame in between if after_s < frame.t_s < before_s)

    soon_again = footage.most_built_upon <= MOST_READ_AGAIN
    for step, frame in follow(seen.scene, ahead(pictures()), seen.first_camera, again if soon_again else None):
        steps.append(step)
        if step.camera is not None and frame.t_s >= next_look_s:
            around = covered_px(vehicle, step.fitted.pose, step.camera) if step.fitted else None
            watch.look(frame.t_s, frame.bgr, step.camera, around)
            next_look_s = frame.t_s + 1 / LOOK_AT_MARKS_HZ
        if len(steps) % GIVEN_BACK_LOOKS == 0:
            give_back()
        tell("following the vehicle", frame.t_s / footage.duration_s)
    steps += [Step(float(t), None, None, "there is no picture that can be read")
              for t in missing_times(footage, MEASURED_HZ, np.array(read_s))]
    return sorted(steps, key=lambda s: s.t_s)


def _track(steps: Sequence[Step], footage: Footage, registration: Registration, learnt: LearntRoof, vehicle: Vehicle,
           events: tuple[MarkEvent, ...], name: str) -> Track:
    t_s = np.array([s.t_s for s in steps])
    measured = np.array([s.fitted is not None for s in steps])
    if measured.sum() < 10:
        raise Trouble("the vehicle could be followed in fewer than 10 pictures", where=name,
                      remedy="the whole run must be in view, from well above")
    n = len(steps)
    x, y, heading, cov = np.zeros(n), np.zeros(n), np.zeros(n), np.tile(np.eye(3), (n, 1, 1))
    for i, s in enumerate(steps):
        if s.fitted is not None:
            p = s.fitted.pose
            x[i], y[i], heading[i], cov[i] = p.x_m, p.y_m, p.heading_rad, s.fitted.cov
    moved_m = float(np.hypot(np.ptp(x[measured]), np.ptp(y[measured])))
    if moved_m < LEAST_MOVED * vehicle.length_m:
        raise Trouble(f"what was taken for the vehicle moved by only {moved_m:.1f} m", where=name,
                      remedy="film the whole run; in softer light if the vehicle is of the ground's colour and hardly "
                      "told from its shadow")
    heading[measured] = np.unwrap(heading[measured])
    k = strays(t_s[measured], np.column_stack([x, y, heading])[measured], cov[measured])
    cov *= k[:, None] * k
    path = camera_path([s.camera for s in steps], t_s, registration.camera.lens, registration.focal_sd_px)
    poses = [Pose(*p) for p in zip(x, y, heading, strict=True)]
    lean, frame, strain = shared_cov(poses, vehicle.wheelbase_m, vehicle.height_m, vehicle.size_sd_m,
                                     registration.camera, registration.covariance)
    of_body = rim_cov(learnt.rim) + np.diag([vehicle.axle_sd_m**2, 0.0, 0.0])
    return Track(t_s, measured, x, y, heading, cov, of_body,
                 registration.marks, registration.lines, events, path,
                 (*footage.notes, *_notes(steps, registration, learnt, vehicle), *coupling_notes(learnt.roof)),
                 articulation=articulation_of([s.fitted for s in steps], learnt.roof), lean_cov=lean, frame_cov=frame,
                 strain_cov=strain)


def _notes(steps: Sequence[Step], registration: Registration, learnt: LearntRoof, vehicle: Vehicle) -> list[str]:
    notes = []
    missing = sum(s.fitted is None for s in steps)
    if missing:
        notes.append(f"{missing} of {len(steps)} looks at the clip gave no position; they are shown as gaps.")
    if registration.unseen:
        notes.append("Not seen, so taken from the course file: " + ", ".join(registration.unseen) + ".")
    if registration.fallen:
        notes.append("Lying on the ground, so taken as standing where the course file says: "
                     + ", ".join(m.name for m in registration.fallen) + ".")
    if learnt.rim is None:
        notes.append("The edge of the roof could not be made out: the vehicle's place is known to about 8 cm only.")
    return notes
