"""The live plan of the review page: the still parts as SVG in metres; the script moves the rest."""

from __future__ import annotations

import math

import numpy as np

from analysis.attempt import Attempt
from cli import scene, words
from cli.pages.svg import esc, flipped, num, path
from cli.plan import extent_m, name_place, swept_by_body

_NAMES_M = 1.0  # room for the names of the marks at either end


def plan_view(attempt: Attempt) -> str:
    x_min, x_max, y_min, y_max = extent_m(attempt)
    x_min, x_max = x_min - _NAMES_M, x_max + _NAMES_M
    parts = [f'<svg id="plan" viewBox="{num(x_min)} {num(-y_max)} {num(x_max - x_min)} {num(y_max - y_min)}" '
             'role="img" aria-label="Plan of the yard, seen from above, with the ground passed over">']
    parts += [f'<path class="sweep" fill-rule="evenodd" d="{_rings(shape)}"/>' for shape in swept_by_body(attempt)]
    parts += _yard(attempt)
    parts += _tyre_paths(attempt)
    parts += ['<path class="trail" id="plan-trail"/>', _vehicle(attempt)]
    parts += _marks(attempt)
    parts += [_badge(n, f) for n, f in words.numbered(attempt.findings) if n and f.at_m is not None]
    return "\n".join([*parts, "</svg>"])


def _rings(shape) -> str:
    rings = (np.asarray(ring.coords)[:-1, :2] for ring in (shape.exterior, *shape.interiors))
    return "".join(path(flipped(ring), closed=True) for ring in rings)


def _yard(attempt: Attempt) -> list[str]:
    course = attempt.surveyed
    out = []
    for kind, area in (("bay", course.bay), ("box", course.stopping_box), ("barrier", course.barrier)):
        if area:
            corners = scene.rectangle(area.x_min_m, area.x_max_m, area.y_min_m, area.y_max_m)
            out.append(f'<path class="{kind}" d="{path(flipped(corners), closed=True)}"/>')
    for line in course.lines:
        ends = flipped(np.array([[line.x0_m, line.y0_m], [line.x1_m, line.y1_m]]))
        out.append(f'<path class="line" d="{path(ends)}"/>')
    return out


def _tyre_paths(attempt: Attempt) -> list[str]:
    m = attempt.motion
    out = []
    for tyre in attempt.vehicle.tyres():
        d = ""
        for a, b in scene.runs(attempt.track.measured):
            c, s = np.cos(m.heading_rad[a:b]), np.sin(m.heading_rad[a:b])
            d += path(flipped(np.column_stack([m.x_m[a:b] + c * tyre.x_m - s * tyre.y_m,
                                               m.y_m[a:b] + s * tyre.x_m + c * tyre.y_m])))
        out.append(f'<path class="tyre-path{" steered" if tyre.steered else ""}" d="{d}"/>')
    return out


def _vehicle(attempt: Attempt) -> str:
    """The vehicle in its own frame; the script sets its place, and turns the steered tyres."""
    v = attempt.vehicle
    parts = ['<g id="plan-vehicle">', f'<path class="body" d="{path(flipped(v.body_outline_m()), closed=True)}"/>']
    for tyre, outline in zip(v.tyres(), scene.tyre_outlines_m(v, 0.0, length_m=2 * v.wheel_radius_m), strict=True):
        steered = f' data-x="{num(tyre.x_m)}" data-y="{num(tyre.y_m)}"' if tyre.steered else ""
        parts.append(f'<path class="tyre" d="{path(flipped(outline), closed=True)}"{steered}/>')
    nose = np.array([[v.x_front_m - 0.9, 0.35], [v.x_front_m - 0.35, 0.0], [v.x_front_m - 0.9, -0.35]])
    parts.append(f'<path class="nose" d="{path(flipped(nose))}"/></g>')
    return "".join(parts)


def _marks(attempt: Attempt) -> list[str]:
    planned = {m.name: m for m in attempt.course.marks}
    out = []
    for m in attempt.surveyed.marks:
        p, h = planned[m.name], m.base_half_m
        off = math.hypot(m.x_m - p.x_m, m.y_m - p.y_m)
        out.append(f'<rect class="planned" x="{num(p.x_m - h)}" y="{num(-p.y_m - h)}" width="{num(2 * h)}" '
                   f'height="{num(2 * h)}"/>'
                   f'<rect class="mark" x="{num(m.x_m - h)}" y="{num(-m.y_m - h)}" width="{num(2 * h)}" '
                   f'height="{num(2 * h)}"><title>{esc(words.place(m.name))}: {words.metres(off)} from the plan'
                   f'</title></rect>'
                   f'<text class="mark-name {name_place(attempt, m)}" x="{num(m.x_m)}" y="{num(-m.y_m)}">'
                   f'{esc(words.place(m.name))}</text>')
    return out


def _badge(n: int, finding) -> str:
    x, y = finding.at_m
    return (f'<g class="badge g-{words.COLOUR[words.group(finding)]}" data-seek="{finding.t_start_s:.3f}" '
            f'transform="translate({num(x)} {num(-y)})"><circle class="spot"/><path class="stem" d="M0 0L1 -1"/>'
            f'<g class="flag"><circle/><text>{n}</text></g></g>')
