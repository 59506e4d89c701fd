"""Course files: generated from a vehicle, corrected by a survey, and written for a person to read and keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from analysis.course import EXERCISES, Course
from analysis.layouts import SETTINGS, course_for, settings_for
from analysis.trouble import Trouble
from cli.files import read_vehicle, write_new
from cli.lengths import feet, length_m, metres

_HEAD = """\
# The course for one exercise, in metres. Origin: middle of the bay's back line on the ground;
# x from the bay towards the forward pair, y to the left of x. Correct it with your own tape
# survey: the marks' places on the day are measured from the clip anyway, and reported.
"""


def write_course(vehicle_file: Path, out: Path, *, exercise: str, bay_on_left: bool, asked: Sequence[str]) -> None:
    """Write the course for the vehicle by the usual proportions, with the distances asked for ('name=length') in
    their place; never over an existing file."""
    vehicle = read_vehicle(vehicle_file)
    wanted = {}
    for text in asked:
        name, equals, value = text.partition("=")
        if not equals:
            raise Trouble(f"'{text}' sets nothing", where="--set", remedy="write NAME=LENGTH, e.g. pivot_to_back_m=18")
        try:
            wanted[name.strip()] = length_m(value, vehicle)
        except Trouble as e:
            raise e.at(f"--set {name.strip()}") from None
    try:
        course = course_for(vehicle, exercise, bay_on_left=bay_on_left, wanted=wanted)
    except Trouble as e:
        raise e.at("--set") from None
    used = settings_for(vehicle, exercise, wanted)
    notes = [f"# {name} = {metres(used[name])} ({feet(used[name])}): {s.what}; "
             + ("as asked for" if name in wanted else s.source) for name, s in SETTINGS[exercise].items()]
    write_new(out, course_toml(course, ["# Made with these distances (tailtrace course --set NAME=LENGTH):", *notes]))


def distances_text(vehicle_file: Path, exercise: str) -> str:
    """The distances that can be set for an exercise, with their usual values for the vehicle and their sources."""
    vehicle = read_vehicle(vehicle_file)
    usual = settings_for(vehicle, exercise)
    return "\n".join(f"{name:18s} {metres(usual[name]):>9s} {feet(usual[name]):>11s}  {s.what} ({s.source})"
                     for name, s in SETTINGS[exercise].items())


def moved(course: Course, points_m: Mapping[str, tuple[float, float]], source: str) -> Course:
    """The course with its marks, and line ends named 'LINE start' and 'LINE end', where a survey found them."""
    def at(name: str, x_m: float, y_m: float) -> tuple[float, float]:
        return points_m.get(name, (x_m, y_m))

    marks = tuple(replace(m, x_m=x, y_m=y) for m in course.marks for x, y in [at(m.name, m.x_m, m.y_m)])
    lines = tuple(replace(ln, x0_m=x0, y0_m=y0, x1_m=x1, y1_m=y1) for ln in course.lines
                  for x0, y0 in [at(f"{ln.name} start", ln.x0_m, ln.y0_m)]
                  for x1, y1 in [at(f"{ln.name} end", ln.x1_m, ln.y1_m)])
    return replace(course, marks=marks, lines=lines, source=source)


def course_toml(course: Course, notes: Sequence[str] = ()) -> str:
    """The course as commented TOML; reading it again gives the same course (to the millimetre)."""
    parts = [_HEAD, *notes, *([""] if notes else []), "schema = 1", f"name = {_quoted(course.name)}",
             f"source = {_quoted(course.source)}",
             f'exercise = "{course.exercise}"  # {EXERCISES[course.exercise].title}', ""]
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
    for name, comment, a in (("bay", "The bay, between its cones.", course.bay),
                             ("stopping_box", "The rear of the vehicle must end in here.", course.stopping_box),
                             ("barrier", "The solid behind the stopping box; leave it out when there is none.",
                              course.barrier)):
        if a is None:
            continue
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
