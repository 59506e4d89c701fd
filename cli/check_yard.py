"""Checking a course from the air before anyone drives: where each mark stands, and how to move it."""

from __future__ import annotations

import base64
import json
import math
from dataclasses import asdict
from pathlib import Path

import cv2
import numpy as np
from rich.console import Console

from analysis.course import Course, check_room
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from analysis.yard_check import LinePlaced, Placed, lines_placed, marks_placed
from cli import words
from cli.courses import course_toml
from cli.files import read_course, read_lens, read_picks, read_vehicle
from cli.pages.svg import esc, num, path
from cli.palette import OVERLAY, PAPER
from cli.progress import on_terminal
from cli.setout import room_sentence
from cli.whole import write_whole
from vision.yard import YardSurvey, survey_yard

REPORT, FIGURES, SURVEYED = "setting_out.html", "setting_out.json", "surveyed.course.toml"
WIDTH_PX = 1600
_SIGN = {"fault": "move", "not seen": "not seen", "too close to call": "measure", "ok": "in place"}
_COLOUR = {"fault": "fault", "not seen": "unseen", "too close to call": "close", "ok": "ok"}


def check_yard(picture: Path, course_file: Path, out: Path, *, vehicle_file: Path | None, lens_file: Path | None,
               marks_file: Path | None, tolerance_m: float, with_room: bool) -> tuple[Placed, ...]:
    """Survey the yard and write the report, its figures, and the course as it stands into the folder `out`."""
    course = read_course(course_file)
    vehicle = read_vehicle(vehicle_file) if vehicle_file else None
    if not 0.02 <= tolerance_m <= 2.0:
        raise Trouble(f"{tolerance_m:g} m is out of range", where="--tolerance", remedy="allowed: 0.02 to 2 m")
    _folder(out)
    with on_terminal() as report:
        report("surveying the yard", 0.0)
        seen = survey_yard(picture, course, lens=read_lens(lens_file) if lens_file else None,
                           picks=read_picks(marks_file, course) if marks_file else None)
    marks = marks_placed(course, seen.registration.marks, tolerance_m)
    lines = lines_placed(course, seen.registration.lines)
    stands = course.with_survey(seen.registration.marks, seen.registration.lines)
    more = [*_strangers(seen), *_for_vehicle(vehicle, stands, with_room)]
    write_whole(out / FIGURES, json.dumps(_figures(course, seen, marks, lines), indent=1) + "\n")
    head = f"# As surveyed from {picture.name}; planned: {course_file.name}."
    write_whole(out / SURVEYED, course_toml(stands, [head]))
    write_whole(out / REPORT, _page(course, seen, marks, lines, more))
    _tell(marks, lines, more, out)
    return marks


def _folder(out: Path) -> None:
    if out.exists() and not out.is_dir():
        raise Trouble("is a file, not a folder", where=str(out), remedy="name another folder with --out")
    strangers = [p.name for p in out.iterdir() if p.name not in (REPORT, FIGURES, SURVEYED)] if out.exists() else []
    if strangers:
        raise Trouble(f"holds other files ('{strangers[0]}')", where=str(out),
                      remedy="name a new folder, or that of an earlier check")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise Trouble(f"cannot be made ({e.strerror})", where=str(out), remedy="name another folder") from None


def _strangers(seen: YardSurvey) -> list[str]:
    return [f"There is a cone at x {x:.1f} m, y {y:.1f} m that is not in the course file." for x, y
            in seen.registration.other_cones_m]


def _for_vehicle(vehicle: Vehicle | None, stands: Course, with_room: bool) -> list[str]:
    """What the marks' real places mean for the vehicle."""
    if vehicle is None:
        return []
    told = []
    try:
        check_room(stands, vehicle)
    except Trouble as e:
        told.append(f"{e.what[:1].upper()}{e.what[1:]}: {e.remedy}.")
    for end in ("mouth", "back"):
        if stands.has_marks(f"{end}_left", f"{end}_right"):
            a, b = stands.mark(f"{end}_left"), stands.mark(f"{end}_right")
            free = math.hypot(a.x_m - b.x_m, a.y_m - b.y_m) - a.base_half_m - b.base_half_m
            if free <= vehicle.overall_width_m:
                told.append(f"The {end} cones stand too close: {words.metres(free)} between their bases, and "
                            f"{vehicle.name} is {words.metres(vehicle.overall_width_m)} wide.")
    if with_room:
        told.append("As the marks stand now: " + room_sentence(vehicle, stands))
    return told


def _figures(course: Course, seen: YardSurvey, marks: tuple[Placed, ...], lines: tuple[LinePlaced, ...]) -> dict:
    return {"schema_version": 1, "course": {"name": course.name}, "pictures": seen.pictures,
            "marks": [asdict(m) for m in marks], "lines": [asdict(ln) for ln in lines],
            "surveyed": [asdict(m) for m in seen.registration.marks],
            "other_cones_m": np.round(seen.registration.other_cones_m, 3).tolist()}


def _tell(marks: tuple[Placed, ...], lines: tuple[LinePlaced, ...], more: list[str], out: Path) -> None:
    console = Console()
    for m in marks:
        if m.verdict != "ok":
            console.print(f"{_SIGN[m.verdict]:9s} {m.sentence}", highlight=False, markup=False)
    good = sum(m.verdict == "ok" for m in marks)
    console.print(f"{good} of {len(marks)} marks are in place. Left and right are as seen from the bay.",
                  highlight=False)
    for sentence in [*(ln.sentence for ln in lines), *more]:
        console.print(sentence, highlight=False, markup=False)
    console.print(words.CAUTION, style="dim", highlight=False)
    console.print(f"Report: {out / REPORT}", highlight=False, markup=False, soft_wrap=True)


def _page(course: Course, seen: YardSurvey, marks: tuple[Placed, ...], lines: tuple[LinePlaced, ...],
          more: list[str]) -> str:
    headline = _headline(marks)
    rows = "".join(
        f'<tr><td><b style="color:{PAPER[_COLOUR[m.verdict]]}">{_SIGN[m.verdict]}</b></td><td>{esc(m.sentence)}</td>'
        f"<td>{esc(words.figure(m.off_m, m.sd_m, 'm'))}</td></tr>" for m in marks)
    notes = "".join(f"<li>{esc(t)}</li>" for t in [*(ln.sentence for ln in lines), *more])
    many = "one picture" if seen.pictures == 1 else f"{seen.pictures} pictures of a clip"
    return (f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{esc(headline)}</title><meta '
            f'name="viewport" content="width=device-width"><style>{_CSS}</style></head><body><h1>{esc(headline)}</h1>'
            f"<p>{esc(course.name)}; from {many}. Left and right as seen "
            f"from the bay; ± is a 95 % interval.</p>{_picture(course, seen, marks)}"
            f"<table><thead><tr><th></th><th>mark</th><th>off its place</th></tr></thead><tbody>{rows}</tbody></table>"
            f"<ul>{notes}</ul><p><small>{esc(words.CAUTION)}</small></p></body></html>\n")


def _headline(marks: tuple[Placed, ...]) -> str:
    """'Move 1, find 1, measure 3 of 7 marks'"""
    n = {verdict: sum(m.verdict == verdict for m in marks) for verdict in _SIGN}
    told = [f"{what} {n[verdict]}" for verdict, what in (("fault", "move"), ("not seen", "find"),
                                                         ("too close to call", "measure")) if n[verdict]]
    text = f"{', '.join(told)} of {len(marks)} marks" if told else "all marks are in place"
    return text[0].upper() + text[1:]


def _picture(course: Course, seen: YardSurvey, marks: tuple[Placed, ...]) -> str:
    """The yard as seen, an arrow from where each mark stands to where it should; a ring where one was not found."""
    shrink = min(1.0, WIDTH_PX / seen.bgr.shape[1])
    small = cv2.resize(seen.bgr, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
    jpeg = base64.b64encode(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 82])[1].tobytes()).decode()
    height, width = small.shape[:2]
    camera = seen.registration.camera

    def px(x_m: float, y_m: float) -> np.ndarray:
        return (camera.project_ground(np.array([[x_m, y_m]]))[0] + 0.5) * shrink - 0.5

    around = np.array([px(*p) for p in [(m.x_m, m.y_m) for m in course.marks]
                       + [q for ln in course.lines for q in ((ln.x0_m, ln.y0_m), (ln.x1_m, ln.y1_m))]])
    room = 0.06 * np.ptp(around, axis=0).max()
    low = np.maximum(around.min(axis=0) - room, 0)
    extent = np.minimum(around.max(axis=0) + room, [width, height]) - low
    size = extent[0] / 90
    parts = [f'<svg viewBox="{num(low[0])} {num(low[1])} {num(extent[0])} {num(extent[1])}" role="img" '
             'aria-label="The yard from above with each mark&#x27;s error">'
             f'<image width="{width}" height="{height}" href="data:image/jpeg;base64,{jpeg}"/>']
    found = {m.name: m for m in seen.registration.marks}
    for m in marks:
        planned = course.mark(m.name)
        goal = px(planned.x_m, planned.y_m)
        colour = OVERLAY["trail"] if m.verdict == "fault" else OVERLAY["vehicle"] if m.verdict != "ok" else \
            OVERLAY["box"]
        label = words.place(m.name)
        shapes = [f'<circle cx="{num(goal[0])}" cy="{num(goal[1])}" r="{num(0.55 * size)}"/>']
        if m.name in found:
            at = px(found[m.name].x_m, found[m.name].y_m)
            if m.verdict in ("fault", "too close to call") and m.off_m is not None:
                shapes.append(f'<path d="{_arrow(at, goal, 0.4 * size)}"/>')
                label += f" {100 * m.off_m:.0f} cm"
        else:
            label += " not found"
        for css in ("halo", "line"):
            parts += [f'<g class="{css}" style="stroke-width:{num(size * (0.28 if css == "halo" else 0.12))}'
                      + (f";stroke:{colour}" if css == "line" else "") + f'">{"".join(shapes)}</g>']
        right = goal[0] > low[0] + 0.85 * extent[0]  # there the name would run out of the picture
        parts.append(f'<text x="{num(goal[0] + (-0.9 if right else 0.9) * size)}" y="{num(goal[1] - 0.6 * size)}" '
                     f'font-size="{num(1.05 * size)}" text-anchor="{"end" if right else "start"}">{esc(label)}</text>')
    return "".join([*parts, "</svg>"])


def _arrow(at: np.ndarray, to: np.ndarray, head: float) -> str:
    d = to - at
    length = float(np.hypot(*d))
    if length < 1e-6:
        return path([at, to])
    u = d / length
    n = np.array([-u[1], u[0]])
    return path([at, to]) + path([to - head * (u + 0.6 * n), to, to - head * (u - 0.6 * n)])


_CSS = f"""
* {{ box-sizing: border-box; }}
body {{ font: 15px/1.45 "Liberation Sans", Arial, sans-serif; color: {PAPER['ink']}; background: {PAPER['paper']};
  margin: 0 auto; padding: 16px; max-width: 1100px; }}
h1 {{ font-size: 1.5rem; margin: 0; }}
p {{ margin: .3rem 0 .8rem; }}
svg {{ display: block; width: 100%; height: auto; }}
svg g {{ fill: none; stroke-linecap: round; stroke-linejoin: round; }}
svg .halo {{ stroke: {OVERLAY['halo']}; }}
svg text {{ fill: #fff; paint-order: stroke; stroke: {OVERLAY['halo']}; stroke-width: 4px; font-weight: bold; }}
table {{ border-collapse: collapse; width: 100%; margin: .8rem 0; }}
th {{ text-align: left; font-weight: normal; color: {PAPER['soft']}; border-bottom: 1px solid {PAPER['ink']}; }}
td {{ padding: .3rem .6rem .3rem 0; border-bottom: 1px solid {PAPER['rule']}; vertical-align: baseline; }}
td:first-child, td:last-child {{ white-space: nowrap; }}
small {{ color: {PAPER['soft']}; }}
"""
