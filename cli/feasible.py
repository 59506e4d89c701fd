"""Can this vehicle do the exercise on this course, in how many moves, and with how much room?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from analysis.course import Course, check_room
from analysis.room.nouns import Limits, PlannedRun
from analysis.room.runs import best_run, best_stop
from analysis.room.smooth import smoothed
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from cli import files, words
from cli.progress import Report, on_terminal
from cli.room_cache import cached_field

MOST_SHUNTS = 2
_AS_GOOD_M = 0.05


@dataclass(frozen=True)
class Feasible:
    """What was found: the runs with the most room by number of shunts allowed, as far as another gained something;
    ordinary: the same in one reverse with ordinary steering. error_m is the room's sd."""

    vehicle: Vehicle
    course: Course
    runs: tuple[PlannedRun, ...]
    ordinary: PlannedRun
    error_m: float

    @property
    def needed(self) -> PlannedRun | None:
        """The run with the fewest shunts that touches nothing; None when there is none."""
        return next((run for run in self.runs if run.reaches and run.room_m > 0), None)


def feasible(vehicle: Vehicle, course: Course, report: Report = lambda stage, share: None) -> Feasible:
    """From the best place to stop at the forward pair. Raises Trouble when the course has none."""
    if not course.has_marks("forward_left", "forward_right"):
        raise Trouble("the course has no forward pair to start from", where="mark",
                      remedy="add the marks forward_left and forward_right")
    limits = Limits.of(vehicle)
    field = cached_field(vehicle, course, limits, MOST_SHUNTS, lambda share: report("computing the room left", share))
    soft = cached_field(vehicle, course, limits.ordinary(), 0)
    runs: list[PlannedRun] = []
    for shunts in range(MOST_SHUNTS + 1):
        runs.append(smoothed(field, best_run(field, best_stop(field, shunts), 0.0, shunts)))
        if runs[-1].reaches and runs[-1].room_m > 0:
            break
    return Feasible(vehicle, course, tuple(runs), smoothed(soft, best_run(soft, best_stop(soft))), field.grid_sd_m)


def say(found: Feasible) -> str:
    """The answer in a few plain lines."""
    lines = [f"{found.vehicle.name} on '{found.course.name}':"]
    run = found.needed
    half = max(0.01, words.Z95 * found.error_m)
    if run is None:
        best = max((r for r in found.runs if r.reaches), key=lambda r: r.room_m, default=None)
        lines.append(f"no way into the bay was found with up to {MOST_SHUNTS} shunts"
                     + (f"; the best one is {words.metres(-best.room_m)} short of room (± {words.metres(half)})."
                        if best else "."))
        lines.append("A wider yard or bay, or a longer way between forward pair and bay, makes it possible.")
        return "\n".join(lines)
    how = {0: "in one reverse", 1: "with one shunt", 2: "with two shunts"}[run.shunts]
    lines.append(f"it can be done {how}, with {words.metres(run.room_m)} of room (± {words.metres(half)}), "
                 f"from the middle of the rear axle at x {run.x_m[0]:.2f} m, y {run.y_m[0]:.2f} m.")
    if run.room_m < half:
        lines.append("That is within the error of the computation: it may need a shunt more.")
    if run.shunts == 0:
        soft = found.ordinary
        if not soft.reaches or soft.room_m <= 0:
            lines.append("Unhurried steering is not enough for one reverse: it takes full lock, turned fast.")
        elif soft.room_m < run.room_m - _AS_GOOD_M:
            lines.append(f"With unhurried steering {words.metres(soft.room_m)} remain.")
        else:
            lines.append("Unhurried steering is enough for it.")
    lines.append("Room is what stays free at the tightest place: tyres to side lines, body and mirrors to cones, poles "
                 "and barrier.")
    return "\n".join(lines)


def write_feasible(vehicle_file: Path, course_file: Path, out: Path | None) -> None:
    """Print the answer; with `out` also draw the run, as SVG or PNG by the file's ending."""
    vehicle, course = files.read_vehicle(vehicle_file), files.read_course(course_file)
    if out is not None and out.suffix.lower() not in (".svg", ".png"):
        raise Trouble(f"'{out.suffix}' is not a kind of picture written here", where=str(out),
                      remedy="end the name in .svg or .png")
    try:
        check_room(course, vehicle)
        with on_terminal() as report:
            found = feasible(vehicle, course, report)
    except Trouble as e:
        raise e.at(str(vehicle_file if e.where == "trailer" else course_file)) from None
    print(say(found))
    if out is not None:
        from cli.feasible_picture import write_picture
        write_picture(found, out)
