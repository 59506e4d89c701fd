"""The setting-out sheet: one page that a person with one tape takes to the yard."""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from analysis.course import Course, check_room
from analysis.setting_out import SettingOut, setting_out
from analysis.swept import turning_circle
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from cli import words
from cli.files import new_file, read_course, read_vehicle, refuse_existing, write_new
from cli.lengths import as_taped, feet, metres
from cli.pages.svg import esc
from cli.palette import PAPER
from cli.setout_plan import plan_svg

FIELDS_OF_VIEW_DEG = (70, 84)  # across the longer side, of common drones
MANY_ROWS = 11
MARGIN_M = 3.0  # kept free all round; common practice, no published source
_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


def write_sheet(vehicle_file: Path, course_file: Path, out: Path, *, baseline: str | None, tape_m: float,
                margin_m: float, with_room: bool) -> None:
    """Write the sheet as .html, .pdf (by a Chromium browser, where there is one) or .svg (the drawing alone)."""
    vehicle, course = read_vehicle(vehicle_file), read_course(course_file)
    try:
        check_room(course, vehicle)
        plan = setting_out(course, baseline=baseline, tape_m=tape_m, margin_m=margin_m)
    except Trouble as e:
        raise e.at(str(course_file)) from None
    refuse_existing(out)
    match out.suffix.lower():
        case ".svg":
            write_new(out, plan_svg(course, plan))
        case ".pdf":
            print_pdf(sheet_html(vehicle, course, plan, tape_m, margin_m, _room(vehicle, course, with_room)), out)
        case ".html":
            write_new(out, sheet_html(vehicle, course, plan, tape_m, margin_m, _room(vehicle, course, with_room)))
        case _:
            raise Trouble(f"'{out.suffix}' is no kind of sheet", where=str(out), remedy="allowed: .html, .pdf, .svg")


def _room(vehicle: Vehicle, course: Course, wanted: bool) -> str:
    return room_sentence(vehicle, course) if wanted else "Room in the best run was not asked for."


def room_sentence(vehicle: Vehicle, course: Course) -> str:
    """Whether the vehicle can do the exercise on this course, in how many moves and with how much room. Takes some
    seconds."""
    from cli.feasible import feasible, say
    try:
        told = " ".join(say(feasible(vehicle, course)).splitlines()[1:])
    except Trouble as e:
        return f"Room was not computed: {e.what}."
    return told[:1].upper() + told[1:]


def sheet_html(vehicle: Vehicle, course: Course, plan: SettingOut, tape_m: float, margin_m: float,
               room: str) -> str:
    """The whole page: drawing, three tables in the order of the work, and what is needed and to be heeded."""
    title = f"Setting out: {course.name}"
    size_pt = 8.5 if max(len(plan.pegs), len(plan.placings)) <= MANY_ROWS else 7.8  # to stay on one page
    columns = [_pegs(plan, tape_m), _marks(course, plan), _checks(plan) + _materials(course, plan),
               _yard(plan, margin_m) + _feasible(vehicle, room) + _cautions()]
    return (f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{esc(title)}</title>'
            f'<meta name="viewport" content="width=device-width"><style>{_CSS}</style></head>'
            f'<body style="font-size:{size_pt}pt">'
            f"<header><h1>{esc(title)}</h1><p>{esc(course.source)}</p></header>{plan_svg(course, plan)}"
            f'<main>{"".join(f"<section>{c}</section>" for c in columns)}</main></body></html>\n')


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f'<th scope="col">{h}</th>' for h in heads)
    body = "".join("<tr>" + "".join(f"<td>{c}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def place(name: str) -> str:
    """A mark's, line's or line end's name in plain words: 'side_left end' -> 'left line, far end'."""
    for ending, what in ((" start", "near end"), (" end", "far end")):
        if name.endswith(ending):
            return f"{words.place(name.removesuffix(ending))}, {what}"
    return words.place(name)


def both(value_m: float) -> str:
    """Metres, and feet in smaller type."""
    return f'<span class="both"><b>{as_taped(value_m)}</b> <small>{esc(feet(value_m))}</small></span>'


def _pegs(plan: SettingOut, tape_m: float) -> str:
    side = "right" if float(np.mean([p.across_m for p in plan.placings])) < 0 else "left"
    rows = [(esc(p.name), "start" if p.hooked_to is None else esc(p.hooked_to) + (" (back)" if p.along_m < 0 else ""),
             both(p.reading_m) if p.hooked_to is not None else "", words.minus(as_taped(p.along_m))) for p in plan.pegs]
    return (f"<h2>1 Walk out: pegs</h2><p>The baseline is the edge of the {esc(place(plan.baseline))} that faces the "
            "yard: follow the paint, or stretch a string. Peg 0 is where the bay's back line meets it; walk away from "
            f"the bay. Hook the tape ({tape_m:g} m) to the peg named, read, chalk a cross. The course lies on your "
            f"{side}.</p>" + _table(("peg", "hook to", "read m", "from 0"), rows))


def _marks(course: Course, plan: SettingOut) -> str:
    rows = []
    for p in reversed(plan.placings):
        name = esc(place(p.name))
        if course.has_mark(p.name) and course.mark(p.name).pole_height_m:
            name += " <small>+ pole</small>"
        second = _arc(p.tie_to, p.tie_m) if p.tie_to is not None else "at the peg"
        rows.append((name, _arc(p.foot, abs(p.across_m)) if p.tie_to is not None else esc(p.foot), second))
    return ("<h2>2 Walk back: two arcs to each mark</h2><p>Hook the tape to the first peg and chalk an arc at the "
            "first distance, then from the second peg at the second: the middle of the cone's base stands where they "
            "cross.</p>" + _table(("mark", "peg: arc m", "peg: arc m"), rows))


def _arc(peg: str, distance_m: float) -> str:
    return f'<span class="both">{esc(peg)}: <b>{as_taped(distance_m)}</b> <small>{esc(feet(distance_m))}</small></span>'


def _checks(plan: SettingOut) -> str:
    rows = [(f"{esc(place(c.a))} – {esc(place(c.b))}" + (" <small>(diagonal)</small>" if c.diagonal else ""),
             both(c.distance_m)) for c in plan.checks]
    return ("<h2>3 Check</h2><p>The bay is square when both diagonals are alike. More than 5 cm off: place that mark "
            "anew.</p>" + _table(("from – to", "m"), rows))


def _yard(plan: SettingOut, margin_m: float) -> str:
    along, across = plan.middle_m
    heights = " or ".join(f"{plan.length_m / 2 / math.tan(math.radians(f) / 2):.0f} m ({f}° lens)"
                          for f in FIELDS_OF_VIEW_DEG)
    side = "right" if across < 0 else "left"
    return (f"<h2>Yard and drone</h2><p>Yard needed: <b>{plan.length_m:.1f} m × {plan.width_m:.1f} m</b> "
            f"<small>({esc(feet(plan.length_m))} × {esc(feet(plan.width_m))})</small>, with {margin_m:g} m kept free "
            f"all round. Hover {along:.1f} m along from peg 0 and {abs(across):.1f} m to the {side}, about {heights} "
            "up to see all of it, looking straight down. No wires, masts or trees within 10 m of that spot or of the "
            "way up; take off and land outside the yard.</p>")


def _materials(course: Course, plan: SettingOut) -> str:
    along = [p.along_m for p in plan.pegs]
    poles = [m.pole_height_m for m in course.marks if m.pole_height_m]
    paint = sum(math.hypot(ln.x1_m - ln.x0_m, ln.y1_m - ln.y0_m) for ln in course.lines)
    bay = course.bay
    sides = len(course.own_bay_sides_m()) * (bay.x_max_m - bay.x_min_m)
    items = [f"{len(course.marks)} cones" + (f", {len(poles)} poles of {max(poles):g} m" if poles else ""),
             f"tape, chalk, {math.ceil(max(along) - min(along))} m of string if no line is painted",
             f"painted or taped lines: {paint:.0f} m of {100 * course.lines[0].width_m:.0f} cm"
             + (f"; bay sides {sides:.0f} m" if sides else "")]
    if course.stopping_box:
        b = course.stopping_box
        items.append(f"stopping box, hatched: {b.x_max_m - b.x_min_m:.2f} m deep, {b.y_max_m - b.y_min_m:.2f} m wide")
    if course.barrier:
        b = course.barrier
        items.append(f"barrier {b.y_max_m - b.y_min_m:.1f} m wide, {course.barrier_height_m:.2f} m high, its face "
                     f"{course.bay.x_min_m - b.x_max_m:.2f} m behind the bay's back line")
    return "<h2>Materials</h2><ul>" + "".join(f"<li>{esc(i)}</li>" for i in items) + "</ul>"


def _feasible(vehicle: Vehicle, room: str) -> str:
    turn = turning_circle(vehicle, vehicle.max_wheel_rad)
    towing = f", {metres(vehicle.overall_length_m)} with its trailer" if vehicle.trailer else ""
    return (f"<h2>For this vehicle</h2><p>{esc(vehicle.name)}: {metres(vehicle.length_m)} × {metres(vehicle.width_m)}"
            f"{towing}; "
            f"at full lock its outer front corner runs at {metres(turn.outer_body_m)} from the turning centre, and its "
            f"tail swings out {metres(turn.tail_swing_m)}. {esc(room)}</p>")


def _cautions() -> str:
    return ("<h2>Cautions</h2><ul><li>No vehicle moves while you measure.</li><li>Nobody behind or beside a reversing "
            "vehicle; one person gives the signal to stop.</li><li>Fly only as local rules allow, not over people who "
            "have not agreed. Local codes come first.</li></ul>"
            "<p><small>Training aid: the sheet sets out a practice course and is not an official test course.</small>"
            "</p>")


def print_pdf(html: str, out: Path) -> None:
    """The page as PDF, by whichever Chromium is installed."""
    browser = next((found for b in _BROWSERS if (found := shutil.which(b))), None)
    if browser is None:
        raise Trouble("no Chromium browser was found to make a PDF with", where=str(out),
                      remedy="write the sheet as .html and print it from your browser, A4 across")
    with tempfile.TemporaryDirectory() as folder:
        page, made = Path(folder) / "sheet.html", Path(folder) / "sheet.pdf"
        page.write_text(html, "utf-8")
        done = subprocess.run([browser, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
                               f"--print-to-pdf={made}", page.as_uri()], capture_output=True, timeout=120, check=False)
        if done.returncode or not made.exists():
            raise Trouble("the browser could not make the PDF", where=str(out),
                          remedy="write the sheet as .html and print it from your browser, A4 across")
        with new_file(out) as f:
            f.write(made.read_bytes())


_CSS = f"""
@page {{ size: A4 landscape; margin: 7mm 10mm; }}
* {{ box-sizing: border-box; }}
body {{ font: 8.5pt/1.26 "Liberation Sans", Arial, sans-serif; color: {PAPER['ink']}; margin: 0 auto;
  max-width: 277mm; background: #fff; }}
header {{ display: flex; align-items: baseline; gap: 6mm; margin: 0 0 1mm; }}
h1 {{ font-size: 12.5pt; margin: 0; }}
header p {{ margin: 0; color: {PAPER['soft']}; }}
h2 {{ font-size: 1.12em; margin: 0 0 .8mm; }}
p, ul {{ margin: 0 0 1.8mm; }}
ul {{ padding-left: 4mm; }}
.both {{ white-space: nowrap; }}
small {{ color: {PAPER['soft']}; font-size: .84em; white-space: nowrap; }}
main {{ display: grid; grid-template-columns: 58fr 80fr 66fr 64fr; gap: 5mm; margin-top: 1mm; }}
table {{ border-collapse: collapse; width: 100%; margin-bottom: 2mm; font-variant-numeric: tabular-nums; }}
th {{ text-align: left; font-weight: normal; color: {PAPER['soft']}; border-bottom: .3mm solid {PAPER['ink']};
  padding: 0 1mm .4mm 0; }}
td {{ border-bottom: .15mm solid {PAPER['rule']}; padding: .5mm 1mm .5mm 0; vertical-align: baseline; }}
svg {{ display: block; max-width: 100%; height: auto; }}
@media screen {{ body {{ padding: 6mm; max-width: 290mm; }} }}
@media screen and (max-width: 800px) {{
  body {{ font-size: 15px !important; }} main {{ grid-template-columns: 1fr; }} header {{ display: block; }} }}
"""
