"""Writing a generated course as a file that a person can read, correct with a tape survey, and keep."""

from __future__ import annotations

from pathlib import Path

from analysis.course import Course, course_for
from cli.files import read_vehicle, write_new

_HEAD = """\
# The course for one exercise, in metres. Origin: middle of the bay's back line on the ground;
# x from the bay towards the forward pair, y to the left of x. Correct it with your own tape
# survey: the marks' places on the day are measured from the clip anyway, and reported.
"""


def write_course(vehicle_file: Path, out: Path, *, bay_on_left: bool) -> None:
    """Write the course for the vehicle by the usual proportions; never over an existing file."""
    course = course_for(read_vehicle(vehicle_file), bay_on_left=bay_on_left)
    write_new(out, course_toml(course))


def course_toml(course: Course) -> str:
    """The course as commented TOML; reading it again gives the same course (to the millimetre)."""
    parts = [_HEAD, "schema = 1", f"name = {_quoted(course.name)}", f"source = {_quoted(course.source)}", ""]
    parts += ["# Cones: middle of the base. base_half_m: half the side of the base. pole_height_m: 0 for no pole."]
    for m in course.marks:
        parts += ["[[mark]]", f'name = {_quoted(m.name)}', f"x_m = {_metres(m.x_m)}", f"y_m = {_metres(m.y_m)}",
                  f"base_half_m = {_metres(m.base_half_m)}", f"height_m = {_metres(m.height_m)}",
                  f"pole_height_m = {_metres(m.pole_height_m)}", ""]
    parts += ["# Side lines: the edge of the paint that faces the yard, from end 0 to end 1; the paint lies beyond."]
    for line in course.lines:
        parts += ["[[line]]", f"name = {_quoted(line.name)}", f"x0_m = {_metres(line.x0_m)}",
                  f"y0_m = {_metres(line.y0_m)}", f"x1_m = {_metres(line.x1_m)}", f"y1_m = {_metres(line.y1_m)}",
                  f"width_m = {_metres(line.width_m)}", ""]
    areas = [("bay", "The bay, between its cones.", course.bay),
             ("stopping_box", "The rear of the vehicle must end in here.", course.stopping_box)]
    if course.barrier is not None:
        areas.append(("barrier", "The solid behind the stopping box; leave it out when there is none.", course.barrier))
    for name, comment, a in areas:
        parts += [f"# {comment}", f"[{name}]", f"x_min_m = {_metres(a.x_min_m)}", f"x_max_m = {_metres(a.x_max_m)}",
                  f"y_min_m = {_metres(a.y_min_m)}", f"y_max_m = {_metres(a.y_max_m)}"]
        if name == "barrier":
            parts += [f"height_m = {_metres(course.barrier_height_m)}"]
        parts += [""]
    return "\n".join(parts)


def _metres(value_m: float) -> str:
    return f"{value_m:.3f}"


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
    return f'"{escaped}"'
