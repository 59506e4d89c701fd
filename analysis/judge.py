"""From a track to an attempt: the one entry point of this package."""

from __future__ import annotations

from dataclasses import replace

from analysis.advice import advice_of
from analysis.articulation import smoothed_angles, with_trailer
from analysis.attempt import Attempt
from analysis.clearance import clearances, of_both
from analysis.course import Course
from analysis.drysteer import dry_turns, wheel_at_start
from analysis.finals import final_position
from analysis.findings import Run, findings_of
from analysis.mirrors import NO_MIRRORS, mirrors_of
from analysis.motion import bridged, estimate, motion_of, with_sensors
from analysis.room.nouns import RoomAlong
from analysis.rules import Rules
from analysis.selfcheck import axle_check
from analysis.sensorlog import SensorLog
from analysis.sheet_check import sheet_checks
from analysis.steering import steering_of
from analysis.stops import legs_of, shunts_of, stops_of
from analysis.track import Track
from analysis.trailer_check import trailer_check
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle


def judge(track: Track, vehicle: Vehicle, course: Course, rules: Rules, sensors: SensorLog | None = None) -> Attempt:
    """Measure and judge one run. `course` is as it should be set out; the track says how it really is.

    Raises Trouble when the track is too short to be judged. A sensor log that does not fit the run is left out, and the
    track's notes say why.
    """
    surveyed = course.with_survey(track.marks, track.lines)
    smoothed, probability = estimate(track, vehicle)
    used = None
    if sensors:
        try:
            smoothed, used = with_sensors(smoothed, vehicle, sensors)
        except Trouble as e:
            track = replace(track, notes=(*track.notes, f"The sensor log was not used: {e.what}."))
    motion, towed, towed_check = motion_of(smoothed, probability, track), None, None
    if vehicle.trailer:
        motion, towed = with_trailer(smoothed_angles(smoothed, track, vehicle), smoothed, motion, vehicle)
        towed_check = trailer_check(smoothed, track, vehicle)
    seen = bridged(track)
    stops = stops_of(motion, rules.stop_min_s)
    legs = legs_of(motion, stops)
    shunts = shunts_of(legs, rules.shunt_min_forward_m)
    dry = dry_turns(smoothed, stops, vehicle, rules.dry_tolerance_rad)
    distances = clearances(motion, vehicle, surveyed, track, vehicle.size_sd_m)
    if vehicle.trailer is None or towed is None:
        final = final_position(motion, vehicle, distances, seen)
        mirrors = mirrors_of(motion, vehicle, surveyed, legs, seen)
    else:
        distances = of_both(distances, clearances(towed.body, vehicle.trailer, surveyed, track, vehicle.size_sd_m))
        final = final_position(towed.body, vehicle.trailer, distances, seen)
        mirrors = NO_MIRRORS
    steering = steering_of(smoothed, motion, legs, seen, vehicle, surveyed)
    axle = axle_check(smoothed, track, vehicle)
    sheet = sheet_checks(smoothed, track, vehicle, axle)
    run = Run(vehicle, surveyed, rules, track, motion, seen, stops, legs, shunts, dry,
              wheel_at_start(smoothed, stops, vehicle), distances, final, mirrors, steering, axle, towed,
              towed_check, sheet)
    attempt = Attempt(vehicle, course, surveyed, rules, track, motion, stops, legs, len(shunts), dry,
                      distances.line_series(), {n: r.series(n) for n, r in distances.mark.items()},
                      distances.barrier.series("barrier") if distances.barrier else None, final, mirrors,
                      findings_of(run), steering=steering, axle=axle, sheet=sheet, sensors=used,
                      trailer=towed, trailer_check=towed_check)
    return replace(attempt, advice=advice_of(attempt))


def with_room(attempt: Attempt, room: RoomAlong) -> Attempt:
    """The attempt with its room left, and advice that takes it into account."""
    return replace(attempt, room=room, advice=advice_of(attempt, room))
