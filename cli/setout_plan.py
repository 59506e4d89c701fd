"""The drawing on the setting-out sheet: the course to scale along its baseline, as SVG in millimetres of paper."""

from __future__ import annotations

import numpy as np

from analysis.course import Area, Course
from analysis.setting_out import Placing, SettingOut
from cli import words
from cli.lengths import as_taped
from cli.pages.svg import esc, num, path
from cli.palette import PAPER
from cli.scene import rectangle

WIDTH_MM = 277.0
TALLEST_MM = 76.0
SCALES = range(50, 1001, 10)
_BORDER_MM = 6.0

STYLE = f"""
.so text {{ font: 2.6px/1 "Liberation Sans", Arial, sans-serif; fill: {PAPER['ink']}; }}
.so .mark-name {{ fill: {PAPER['mark']}; font-weight: bold; }}
.so .soft {{ fill: {PAPER['soft']}; }}
.so .peg-name {{ fill: #fff; font-weight: bold; text-anchor: middle; }}
.so .halo {{ paint-order: stroke; stroke: #fff; stroke-width: 0.9px; stroke-linejoin: round; }}
.so path, .so circle, .so rect {{ vector-effect: none; fill: none; }}
.so .yard {{ stroke: {PAPER['soft']}; stroke-width: 0.2; stroke-dasharray: 0.6 0.8; }}
.so .paint {{ stroke: {PAPER['soft']}; }}
.so .bay {{ stroke: {PAPER['box']}; stroke-width: 0.25; stroke-dasharray: 1.6 1; }}
.so .box {{ stroke: {PAPER['box']}; stroke-width: 0.25; fill: url(#so-hatch); }}
.so .barrier {{ fill: {PAPER['ink']}; }}
.so .base {{ stroke: {PAPER['tyre']}; stroke-width: 0.5; }}
.so .offset {{ stroke: {PAPER['tyre']}; stroke-width: 0.2; }}
.so .tie {{ stroke: {PAPER['trail']}; stroke-width: 0.18; stroke-dasharray: 1 0.7; }}
.so .diagonal {{ stroke: {PAPER['box']}; stroke-width: 0.18; }}
.so .peg {{ fill: {PAPER['tyre']}; }}
.so .cone {{ fill: {PAPER['mark']}; }}
.so .pole {{ stroke: {PAPER['mark']}; stroke-width: 0.3; }}
.so .drone {{ stroke: {PAPER['ink']}; stroke-width: 0.25; }}
"""


class _Sheet:
    """Metres along and across the baseline, turned into millimetres on paper; across grows upwards."""

    def __init__(self, course: Course, plan: SettingOut) -> None:
        self.course, self.plan = course, plan
        (middle_along, middle_across), half = plan.middle_m, (plan.length_m / 2, plan.width_m / 2)
        self.low = middle_along - half[0], middle_across - half[1]
        self.high = middle_along + half[0], middle_across + half[1]
        room = (WIDTH_MM - 2 * _BORDER_MM) / plan.length_m, (TALLEST_MM - 2 * _BORDER_MM) / plan.width_m
        self.scale = next((s for s in SCALES if 1000 / s <= min(room)), SCALES[-1])
        self.per_m = 1000 / self.scale
        self.height_mm = plan.width_m * self.per_m + 2 * _BORDER_MM + 1.5
        self.left_mm = (WIDTH_MM - plan.length_m * self.per_m) / 2

    def mm(self, along_m: float, across_m: float) -> tuple[float, float]:
        return (self.left_mm + (along_m - self.low[0]) * self.per_m,
                _BORDER_MM + (self.high[1] - across_m) * self.per_m)

    def of_course(self, x_m: float, y_m: float) -> tuple[float, float]:
        d = np.array([x_m, y_m]) - self.plan.start_m
        u = np.array(self.plan.along)
        return self.mm(float(d @ u), float(u[0] * d[1] - u[1] * d[0]))

    def area(self, area: Area) -> str:
        return path([self.of_course(x, y) for x, y in rectangle(area.x_min_m, area.x_max_m, area.y_min_m,
                                                                area.y_max_m)], closed=True)


def plan_svg(course: Course, plan: SettingOut) -> str:
    """The drawing: baseline with pegs and running distances, each mark with its two arcs' distances, bay diagonals,
    the yard that is needed, and where the drone hovers."""
    s = _Sheet(course, plan)
    parts = [f'<svg class="so" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {num(WIDTH_MM)} {num(s.height_mm)}" '
             f'width="{num(WIDTH_MM)}mm" height="{num(s.height_mm)}mm" role="img" aria-label="Plan of the course with '
             'the distances to measure">', f"<style>{STYLE}</style>",
             '<defs><pattern id="so-hatch" width="1.4" height="1.4" patternUnits="userSpaceOnUse" '
             f'patternTransform="rotate(45)"><path d="M0 0V1.4" style="stroke:{PAPER["box"]};stroke-width:.35"/>'
             "</pattern></defs>"]
    parts += _yard(s)
    parts += _ties(s)
    parts += _baseline(s)
    parts += _marks(s)
    parts += _drone_and_scale(s)
    return "\n".join([*parts, "</svg>"])


def _yard(s: _Sheet) -> list[str]:
    corners = [s.mm(s.low[0], s.low[1]), s.mm(s.high[0], s.low[1]), s.mm(s.high[0], s.high[1]),
               s.mm(s.low[0], s.high[1])]
    out = [f'<path class="yard" d="{path(corners, closed=True)}"/>']
    for ln in s.course.lines:
        d = np.array([ln.x1_m - ln.x0_m, ln.y1_m - ln.y0_m])
        aside = -ln.yard_side * np.array([-d[1], d[0]]) / np.hypot(*d) * ln.width_m / 2
        ends = [s.of_course(ln.x0_m + aside[0], ln.y0_m + aside[1]), s.of_course(ln.x1_m + aside[0],
                                                                                ln.y1_m + aside[1])]
        out.append(f'<path class="paint" style="stroke-width:{num(max(0.4, ln.width_m * s.per_m))}" '
                   f'd="{path(ends)}"/>')
    for name, area in (("bay", s.course.bay), ("box", s.course.stopping_box), ("barrier", s.course.barrier)):
        if area:
            out.append(f'<path class="{name}" d="{s.area(area)}"/>')
    return out


def _ties(s: _Sheet) -> list[str]:
    out = []
    at = {p.name: p.along_m for p in s.plan.pegs}
    for p in s.plan.placings:
        if p.tie_to is not None:
            out.append(f'<path class="tie" d="{path([s.mm(at[p.tie_to], 0), s.mm(p.along_m, p.across_m)])}"/>')
    for c in s.plan.checks:
        if c.diagonal:
            a, b = s.course.mark(c.a), s.course.mark(c.b)
            out.append(f'<path class="diagonal" d="{path([s.of_course(a.x_m, a.y_m), s.of_course(b.x_m, b.y_m)])}"/>')
    return out


def _baseline(s: _Sheet) -> list[str]:
    """Pegs as numbered discs, with their running distance outside; of two close together the second stands farther
    out."""
    along = [p.along_m for p in s.plan.pegs]
    out = [f'<path class="base" d="{path([s.mm(min(along), 0), s.mm(max(along), 0)])}"/>']
    outwards = -1.0 if float(np.mean([p.across_m for p in s.plan.placings])) < 0 else 1.0
    before, level = -1e9, 0
    for p in sorted(s.plan.pegs, key=lambda p: p.along_m):
        x, y = s.mm(p.along_m, 0)
        level = 1 - level if x - before < 9 else 0
        before = x
        disc = y + outwards * (2.6 + 6.0 * level)
        text = disc + outwards * 2.2 + (0.0 if outwards < 0 else 1.9)
        out += [f'<path class="base" d="{path([(x, y), (x, disc)])}"/>',
                f'<circle class="peg" cx="{num(x)}" cy="{num(disc)}" r="1.7"/>',
                f'<text class="peg-name" x="{num(x)}" y="{num(disc + 0.95)}">{esc(p.name)}</text>',
                f'<text class="halo" x="{num(x)}" y="{num(text)}" text-anchor="middle">'
                f"{words.minus(as_taped(p.along_m))}</text>"]
    return out


def _marks(s: _Sheet) -> list[str]:
    out = []
    farthest: dict[float, float] = {}
    for p in s.plan.placings:
        farthest[p.along_m] = max(farthest.get(p.along_m, 0.0), abs(p.across_m))
    for p in s.plan.placings:
        x, y = s.mm(p.along_m, p.across_m)
        if p.across_m and abs(p.across_m) == farthest[p.along_m]:
            out.append(f'<path class="offset" d="{path([s.mm(p.along_m, 0), (x, y)])}"/>')
    for p in s.plan.placings:
        out += _mark(s, p)
    return out


def _mark(s: _Sheet, p: Placing) -> list[str]:
    x, y = s.mm(p.along_m, p.across_m)
    out = []
    if s.course.has_mark(p.name):
        mark = s.course.mark(p.name)
        out.append(f'<rect class="cone" x="{num(x - 0.8)}" y="{num(y - 0.8)}" width="1.6" height="1.6"/>')
        if mark.pole_height_m:
            out.append(f'<circle class="pole" cx="{num(x)}" cy="{num(y)}" r="1.6"/>')
        out.append(f'<text class="mark-name halo" x="{num(x + 2.1)}" y="{num(y - 0.7)}">{esc(words.place(p.name))}'
                   "</text>")
        if p.across_m:
            out.append(f'<text class="halo" x="{num(x + 2.1)}" y="{num(y + 2.2)}">{as_taped(abs(p.across_m))}</text>')
    return out


def _drone_and_scale(s: _Sheet) -> list[str]:
    x, y = s.mm(*s.plan.middle_m)
    bar = 10 * s.per_m
    right, low = s.mm(s.high[0], s.low[1])
    return [f'<circle class="drone" cx="{num(x)}" cy="{num(y)}" r="1.8"/><path class="drone" d="M{num(x - 2.8)} '
            f'{num(y)}h5.6M{num(x)} {num(y - 2.8)}v5.6"/>',
            f'<text class="soft halo" x="{num(x + 3.4)}" y="{num(y - 1)}">drone hovers here</text>',
            f'<path class="drone" d="M{num(right - bar)} {num(low + 2.2)}h{num(bar)}m0 -0.8v1.6M{num(right - bar)} '
            f'{num(low + 1.4)}v1.6"/>',
            f'<text class="soft" x="{num(right - bar - 1.5)}" y="{num(low + 3.2)}" text-anchor="end">10 m, scale 1 : '
            f'{s.scale} when printed at full size</text>',
            f'<text class="soft" x="{num(s.left_mm)}" y="{num(low + 6.4)}">Dotted: yard needed, '
            f'{s.plan.length_m:.1f} m × {s.plan.width_m:.1f} m. Blue: baseline and foot of each mark. '
            f'Brown: second arc. Ring: with a pole. Metres.</text>']

