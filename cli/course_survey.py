"""A course file corrected by a survey: distances taped between its marks, or a clip that was analysed."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.table import Table

from analysis.course import Course
from analysis.tape import Taped, TapeSurvey, solve
from analysis.trouble import Trouble
from analysis.wording import words
from cli.courses import course_toml, moved
from cli.files import read_course, read_rows, read_text, write_new
from cli.lengths import ALLOWED, length_m
from cli.records import record_of
from cli.store import RECORD
from cli.words import Z95

HEADER = ["from", "to", "distance"]
FARTHEST_M = 200.0


def write_surveyed(course_file: Path, survey: Path, out: Path) -> None:
    """Write the course with its marks where the survey found them; nothing when the survey contradicts itself."""
    course = read_course(course_file)
    if survey.is_dir() or survey.suffix == ".json":
        points, source = _from_record(survey / RECORD if survey.is_dir() else survey, course), "surveyed from a clip"
    else:
        taped = read_tape(survey, course)
        found = solved(taped, course, str(survey))
        points, source = found.points_m, f"tape survey of {len(taped)} distances"
        print_tape(taped, found)
    write_new(out, course_toml(moved(course, points, f"{source}; planned: {course.source}")))


def places_m(course: Course) -> dict[str, tuple[float, float]]:
    """The planned places of everything that can be measured to: marks, and line ends as 'LINE start', 'LINE end'."""
    places = {m.name: (m.x_m, m.y_m) for m in course.marks}
    for ln in course.lines:
        places |= {f"{ln.name} start": (ln.x0_m, ln.y0_m), f"{ln.name} end": (ln.x1_m, ln.y1_m)}
    return places


def read_tape(path: Path, course: Course) -> tuple[Taped, ...]:
    """Distances between marks, from CSV with the header `from,to,distance`; metres, or with a unit: '79ft 10in'."""
    _, rows = read_rows(path, HEADER)
    known = places_m(course)
    taped = []
    for where, row in rows:
        a, b = row[0].strip(), row[1].strip()
        for name in (a, b):
            if name not in known:
                raise Trouble(f"the course has no '{name[:40]}'", where=where, remedy="allowed: " + ", ".join(known))
        if a == b:
            raise Trouble(f"from '{a}' to itself", where=where, remedy="name two different marks")
        try:
            distance = length_m(row[2])
        except Trouble as e:
            raise e.at(where) from None
        if not 0.05 <= distance <= FARTHEST_M:
            raise Trouble(f"{distance:g} m is out of range", where=where, remedy=f"allowed: 0.05 to {FARTHEST_M:g} m")
        taped.append(Taped(a, b, distance))
    if not taped:
        raise Trouble("no distances", where=str(path), remedy=f"one line each: {','.join(HEADER)}; {ALLOWED}")
    return tuple(taped)


def solved(taped: tuple[Taped, ...], course: Course, where: str) -> TapeSurvey:
    """The adjusted survey. Raises Trouble naming the distances to measure again when they do not close."""
    try:
        found = solve(taped, places_m(course))
    except Trouble as e:
        raise e.at(where) from None
    if not found.suspects:
        return found
    suspects = [f"{words(taped[k].a)} to {words(taped[k].b)}" for k in found.suspects]
    if len(suspects) == 1:
        k = found.suspects[0]
        longer = "long" if found.residuals_m[k] < 0 else "short"
        raise Trouble(f"the distances do not close by {found.gap_m:.2f} m", where=where,
                      remedy=f"measure {suspects[0]} again: it reads about {found.gap_m:.2f} m too {longer}, "
                             "and the others agree without it")
    raise Trouble(f"these {len(suspects)} distances do not close by {found.gap_m:.2f} m", where=where,
                  remedy="measure again, or one more between them, for which is wrong cannot be told: "
                         + "; ".join(suspects))


def print_tape(taped: tuple[Taped, ...], found: TapeSurvey) -> None:
    """How well the distances agree, and where each mark was found."""
    table = Table("from", "to", "read m", "off by cm", "checked by the others", box=None, pad_edge=False)
    for t, residual, share in zip(taped, found.residuals_m, found.checked, strict=True):
        table.add_row(words(t.a), words(t.b), f"{t.distance_m:.2f}", f"{-100 * residual:+.1f}",
                      f"{100 * share:.0f} %" if share > 0.02 else "no: an error in it would not be noticed")
    console = Console()
    console.print(table)
    worst = max(found.sd_m, key=lambda n: found.sd_m[n])
    console.print(f"Worst place: {words(worst)}, ± {Z95 * found.sd_m[worst] * 100:.0f} cm (95 %).", highlight=False)


def _from_record(path: Path, course: Course) -> dict[str, tuple[float, float]]:
    """Places of marks and line ends that an analysed clip measured."""
    text = read_text(path)
    try:
        record = record_of(text.encode())
    except Trouble as e:
        raise Trouble(e.what, where=str(path), remedy="give an attempt folder, or its attempt.json") from None
    points: dict[str, tuple[float, float]] = {m["name"]: (m["x_m"], m["y_m"]) for m in record["marks"]}
    for ln in record.get("lines", []):
        points[f"{ln['name']} start"] = ln["x0_m"], ln["y0_m"]
        points[f"{ln['name']} end"] = ln["x1_m"], ln["y1_m"]
    known = places_m(course)
    strange = [n for n in points if n not in known]
    if strange or not points:
        raise Trouble(f"it surveyed '{strange[0]}', which the course has not" if strange else "no mark was surveyed",
                      where=str(path), remedy="give the course file that the clip was analysed with")
    return points
