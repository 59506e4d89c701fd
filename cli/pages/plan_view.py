"""The plan on the pages, as SVG in metres: live on the review page, whose script moves the vehicle, and still."""

from __future__ import annotations

import math

import numpy as np

from analysis.attempt import Attempt
from analysis.body import Body
from analysis.swept import tyre_paths_m
from analysis.vehicle import Vehicle
from cli import scene, words
from cli.pages.svg import esc, flipped, num, path
from cli.plan import extent_m, name_place, swept_by_body

_NAMES_M = 1.0  # room for the names of the marks at either end


def plan_view(attempt: Attempt) -> str:
    """The live plan: the vehicle and its path are left to the script."""
    x_min, x_max, y_min, y_max = _view(attempt)
    view = x_min, x_max, y_min, y_max + _BADGE_M
    parts = [_head(view, 'id="plan"'), *_ground(attempt), *_tyre_paths(attempt), *_reference(attempt),
             '<path class="trail" id="plan-trail"/>',
             *(f'<g class="live body-{k}">{_body(body, 0.0)}</g>' for k, (body, _) in enumerate(attempt.bodies)),
             *_marks(attempt)]
    parts += [_badge(n, f) for n, f in words.numbered(attempt.findings) if n and f.at_m is not None]
    parts += [_turning_point(p, view) for p in scene.turning_points(attempt)]
    return "\n".join([*parts, "</svg>"])


def still_plan(attempt: Attempt) -> str:
    """The plan at the moment that the advice is about, with the reverse legs driven; in words beside the yard what
    the moment is and, where it is known, from where to steer otherwise."""
    (_, m), point = attempt.bodies[-1], scene.shown_moment(attempt)
    called = [p for p in (point, *scene.turning_points(attempt)[1:]) if p.at_m is not None]
    x_min, x_max, y_min, y_max = _view(attempt)
    u = (x_max - x_min) / _SHEET_PX
    up = point.at_m is not None and point.at_m[1] > (y_min + y_max) / 2
    above = [up if k == 0 else not up for k in range(len(called))]
    view = x_min, x_max, y_min - 26 * u * (False in above), y_max + 26 * u * (True in above)
    parts = [_head(view, f'class="plan" style="--u:{num(u)}"'), *_ground(attempt), *_reference(attempt)]
    for leg in attempt.legs:
        during = attempt.track.measured & (m.t_s >= leg.t_start_s) & (m.t_s <= leg.t_end_s) & (leg.direction < 0)
        parts += [f'<path class="trail" d="{path(flipped(np.column_stack([m.x_m[a:b], m.y_m[a:b]])))}"/>'
                  for a, b in scene.runs(during)]
    now = scene.moment(attempt, point.t_s)
    for body, pose, wheel_rad in scene.bodies_at(attempt.vehicle, now) if now else ():
        parts.append(f'<g transform="translate({num(pose.x_m)} {num(-pose.y_m)}) '
                     f'rotate({num(-math.degrees(pose.heading_rad))})">{_body(body, wheel_rad)}</g>')
    parts += _marks(attempt)
    parts += [_called_out(p, view, u, up) for p, up in zip(called, above, strict=True)]
    return "\n".join([*parts, "</svg>"])


def _called_out(point: scene.TurningPoint, view: tuple[float, float, float, float], u: float, above: bool) -> str:
    """A ring where it happened, and a line from there to the words above or below the yard."""
    x_min, x_max, y_min, y_max = view
    (x, y), words_y = point.at_m or (0.0, 0.0), -(y_max - 16 * u) if above else -(y_min + 6 * u)
    aside = min(max(x, x_min + 110 * u), x_max - 110 * u)
    line_y = words_y if above else words_y - 16 * u
    return (f'<g class="moment {point.kind}"><path d="M{num(x)} {num(-y)}L{num(aside)} {num(line_y)}"/>'
            f'<circle class="spot" cx="{num(x)}" cy="{num(-y)}"/><circle class="dot" cx="{num(x)}" cy="{num(-y)}"/>'
            f'<text x="{num(aside)}" y="{num(words_y)}">{esc(point.label)}, {words.clock(point.t_s)}</text></g>')


_SHEET_PX = 980  # about the width of the plan on a sheet of paper, in CSS pixels


def _view(attempt: Attempt) -> tuple[float, float, float, float]:
    x_min, x_max, y_min, y_max = extent_m(attempt)
    return x_min - _NAMES_M, x_max + _NAMES_M, y_min, y_max


def _head(view: tuple[float, float, float, float], attributes: str) -> str:
    x_min, x_max, y_min, y_max = view
    return (f'<svg {attributes} viewBox="{num(x_min)} {num(-y_max)} {num(x_max - x_min)} {num(y_max - y_min)}" '
            'role="img" aria-label="Plan of the yard, seen from above, with the ground passed over">')


def _ground(attempt: Attempt) -> list[str]:
    return [f'<path class="sweep" fill-rule="evenodd" d="{_rings(shape)}"/>' for shape in swept_by_body(attempt)] \
        + _yard(attempt)


def _reference(attempt: Attempt) -> list[str]:
    """The rear axle's path in the reverse that keeps the most room."""
    run = attempt.room.reference if attempt.room else None
    if run is None:
        return []
    return [f'<path class="reference" d="{path(flipped(np.column_stack([run.x_m, run.y_m])))}"/>']


def _turning_point(point: scene.TurningPoint, view: tuple[float, float, float, float]) -> str:
    if point.at_m is None:
        return ""
    (x, y), (_, _, y_min, y_max) = point.at_m, view
    under = y > y_max - _WORDS_M or (point.kind == "saving" and y > y_min + _WORDS_M)
    return (f'<g class="moment {point.kind}{" under" if under else ""}" data-seek="{point.t_s:.3f}" '
            f'transform="translate({num(x)} {num(-y)})"><circle class="spot"/><circle class="dot"/>'
            f'<text>{esc(point.label)}, {words.clock(point.t_s)}</text></g>')


_WORDS_M = 2.0  # room that the words over a place need
_BADGE_M = 0.7  # room for the badge of a finding at the upper edge


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
    out = []
    for body, m in attempt.bodies:
        paths = tyre_paths_m(m, body)
        for tyre in body.tyres():
            d = "".join(path(flipped(paths[tyre.name][a:b])) for a, b in scene.runs(attempt.track.measured))
            out.append(f'<path class="tyre-path{" steered" if tyre.steered else ""}" d="{d}"/>')
    return out


def _body(body: Body, wheel_rad: float) -> str:
    """The vehicle or its trailer in its own frame; the script of the live plan turns the steered tyres itself."""
    parts = [f'<path class="body" d="{path(flipped(body.body_outline_m()), closed=True)}"/>']
    for tyre, outline in zip(body.tyres(), scene.tyre_outlines_m(body, wheel_rad), strict=True):
        steered = f' data-x="{num(tyre.x_m)}" data-y="{num(tyre.y_m)}"' if tyre.steered else ""
        parts.append(f'<path class="tyre" d="{path(flipped(outline), closed=True)}"{steered}/>')
    drawbar = scene.drawbar_m(body)
    if isinstance(body, Vehicle):
        x = body.x_front_m
        nose = np.array([[x - 0.9, 0.35], [x - 0.35, 0.0], [x - 0.9, -0.35]])
        parts.append(f'<path class="nose" d="{path(flipped(nose))}"/>')
    elif drawbar is not None:
        parts.append(f'<path class="nose" d="{path(flipped(drawbar))}"/>')
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
                   f'<text class="mark-name {name_place(attempt.course, m)}" x="{num(m.x_m)}" y="{num(-m.y_m)}">'
                   f'{esc(words.place(m.name))}</text>')
    return out


def _badge(n: int, finding) -> str:
    x, y = finding.at_m
    return (f'<g class="badge g-{words.COLOUR[words.group(finding)]}" data-seek="{finding.t_start_s:.3f}" '
            f'transform="translate({num(x)} {num(-y)})"><circle class="spot"/><path class="stem" d="M0 0L1 -1"/>'
            f'<g class="flag"><circle/><text>{n}</text></g></g>')
