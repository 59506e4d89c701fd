"""A vehicle file as a drawing: side and plan with every size labelled, and its turning figures beside it."""

from __future__ import annotations

import math

import numpy as np

from analysis.body import Body
from analysis.swept import trailer_circle, turning_circle
from analysis.trailer import Trailer, trailer_pose
from analysis.vehicle import Vehicle
from cli.lengths import feet
from cli.pages.svg import esc, flipped, num, path
from cli.palette import PAPER
from cli.scene import drawbar_m, placed, rectangle, tyre_outlines_m

_STYLE = f"""
.vd {{ background: #fff; }}
.vd text {{ font: 1em/1 "Liberation Sans", Arial, sans-serif; fill: {PAPER['ink']}; text-anchor: middle;
  paint-order: stroke; stroke: #fff; stroke-width: 0.1px; }}
.vd .left {{ text-anchor: start; }} .vd .title {{ font-size: 1.5em; font-weight: bold; text-anchor: start; }}
.vd .soft {{ fill: {PAPER['soft']}; font-size: 0.85em; text-anchor: start; }}
.vd path, .vd circle {{ fill: none; stroke: {PAPER['ink']}; stroke-width: 0.04; }}
.vd .body {{ fill: {PAPER['sweep']}; }} .vd .tyre {{ fill: {PAPER['tyre']}; stroke: none; }}
.vd .ground {{ stroke: {PAPER['soft']}; }} .vd .measure {{ stroke: {PAPER['trail']}; stroke-width: 0.03; }}
.vd .axis {{ stroke: {PAPER['soft']}; stroke-width: 0.02; stroke-dasharray: 0.25 0.1 0.05 0.1; }}
.vd .turn {{ stroke: {PAPER['tyre']}; }} .vd .outer {{ stroke: {PAPER['fault']}; stroke-dasharray: 0.3 0.15; }}
"""


def vehicle_drawing(vehicle: Vehicle) -> str:
    """Three views in one SVG, in metres: side, plan, and the turn at full lock; with the trailer, if it draws one."""
    v, trailer = vehicle, vehicle.trailer
    turn = turning_circle(v, v.max_wheel_rad)
    width, height = v.overall_width_m, max(v.height_m, trailer.height_m if trailer else 0.0)
    plan_y = width / 2 + (5.5 if trailer else 4.3)  # the plan's middle line below the ground of the side view
    turn_x = v.x_front_m + 2.2
    radius = turn.outer_body_m
    shrink = min(1.0, (plan_y + width / 2 + height + 2.0) / (2 * radius))
    low = plan_y + width / 2 + 2.4
    font_m = 0.18 + 0.015 * min(v.overall_length_m, 1.6 * v.length_m)
    left, top = v.x_front_m - v.overall_length_m - 2.6, -height - 1.9
    right = turn_x + 2 * radius * shrink + 0.6
    parts = [f'<svg class="vd" xmlns="http://www.w3.org/2000/svg" viewBox="{num(left)} {num(top)} {num(right - left)} '
             f'{num(low - top)}" style="font-size:{num(font_m)}px" role="img" '
             f'aria-label="{esc(v.name)} with its sizes"><style>{_STYLE}</style>',
             f'<text class="title" x="{num(left + 0.3)}" y="{num(top + 0.7)}">{esc(v.name)}</text>',
             f'<text class="soft" x="{num(left + 0.3)}" y="{num(top + 1.15)}">{esc(v.source)}</text>']
    parts += _side(v)
    if trailer:
        parts += _trailer(trailer, plan_y)
    parts += _plan(v, plan_y)
    if trailer:
        parts += _trailer_sizes(v, trailer, plan_y)
    parts += _turn(v, turn_x + radius * shrink, top + 1.9 + radius * shrink, shrink)
    return "".join([*parts, "</svg>"])


def _side(v: Vehicle) -> list[str]:
    parts = [f'<path class="ground" d="M{num(v.x_front_m - v.overall_length_m - 0.6)} 0H{num(v.x_front_m + 0.6)}"/>',
             *_from_the_side(v, 0.0)]
    parts.append(f'<path d="M{num(v.mirror_x_m)} {num(-v.mirror_z_m - 0.25)}v0.5"/>')
    return [*parts, _along(0.0, v.wheelbase_m, 0.75, "wheelbase", v.wheelbase_m),
            _along(v.wheelbase_m, v.x_front_m, 0.75, "front overhang", v.front_overhang_m),
            _along(v.x_rear_m, 0.0, 0.75, "rear overhang", v.rear_overhang_m),
            _along(v.x_rear_m, v.x_front_m, 1.9, "length", v.length_m),
            _across(_beside_m(v), -v.height_m, 0.0, "height", v.height_m)]


def _beside_m(v: Vehicle) -> float:
    """Where height and width of the vehicle are told: behind it, or ahead of it where a trailer stands behind."""
    return v.x_front_m + 0.35 if v.trailer else v.x_rear_m - 0.7


def _from_the_side(body: Body, shift_m: float) -> list[str]:
    """Solids and wheels of a body whose frame begins at shift_m."""
    parts = []
    for s in body.solids:
        corners = rectangle(s.x_min_m + shift_m, s.x_max_m + shift_m, s.z_min_m, s.z_max_m)
        parts.append(f'<path class="body" d="{path(flipped(corners), closed=True)}"/>')
    r = body.wheel_radius_m
    return parts + [f'<circle class="tyre" cx="{num(x + shift_m)}" cy="{num(-r)}" r="{num(r)}"/>'
                    for x in sorted({t.x_m for t in body.tyres()})]


def _trailer(t: Trailer, y: float) -> list[str]:
    """The trailer straight behind the vehicle, from the side and in plan (its middle line at y)."""
    at = t.hitch_x_m - t.hitch_to_axle_m
    shift = np.array([at, y])
    parts = _from_the_side(t, at)
    parts.append(f'<path class="body" d="{path(flipped(t.body_outline_m()) + shift, closed=True)}"/>')
    parts += [f'<path class="tyre" d="{path(flipped(o) + shift, closed=True)}"/>' for o in tyre_outlines_m(t, 0.0)]
    drawbar = drawbar_m(t)
    if drawbar is not None:
        parts.append(f'<path d="{path(flipped(drawbar) + shift)}"/>')
        parts.append(f'<path d="M{num(at + t.x_front_m)} -0.6H{num(t.hitch_x_m)}"/>')
    return parts


def _trailer_sizes(v: Vehicle, t: Trailer, y: float) -> list[str]:
    at = t.hitch_x_m - t.hitch_to_axle_m
    rear, half = at + t.x_rear_m, t.width_m / 2
    where = f"{abs(t.hitch_x_m):.2f} m {'ahead of' if t.hitch_x_m > 0 else 'behind'}" if t.hitch_x_m else "over"
    return [f'<circle class="measure" cx="{num(t.hitch_x_m)}" cy="{num(y)}" r="0.12"/>',
            f'<path class="axis" d="M{num(rear - 0.4)} {num(y)}H{num(v.x_rear_m)}"/>',
            _along(at, t.hitch_x_m, 3.05, "coupling to middle of axles", t.hitch_to_axle_m),
            _along(rear, at, 3.05, "rear overhang", t.rear_overhang_m),
            _along(rear, at + t.x_front_m, y + half + 0.6, "trailer, length", t.length_m),
            _along(rear, v.x_front_m, y + half + 1.7, "overall length", v.overall_length_m),
            _across(rear - 0.7, -t.height_m, 0.0, "height", t.height_m),
            _across(rear - 0.7, y - half, y + half, "width", t.width_m),
            _across(at + t.axle_x_m[0] + 1.0, y - t.track_m / 2, y + t.track_m / 2, "track", t.track_m),
            f'<text x="{num(t.hitch_x_m)}" y="{num(y - half - 0.55)}">coupling {where} the rear axle</text>']


def _plan(v: Vehicle, y: float) -> list[str]:
    shift = np.array([0.0, y])
    parts = [f'<path class="body" d="{path(flipped(v.body_outline_m()) + shift, closed=True)}"/>']
    parts += [f'<path d="{path(flipped(m) + shift, closed=True)}"/>' for m in v.mirror_outlines_m()]
    parts += [f'<path class="tyre" d="{path(flipped(t) + shift, closed=True)}"/>'
              for t in tyre_outlines_m(v, 0.0)]
    parts.append(f'<path class="axis" d="M{num(v.x_rear_m - 0.4)} {num(y)}H{num(v.x_front_m + 0.4)}"/>')
    half = v.width_m / 2
    return [*parts, _across(_beside_m(v), y - half, y + half, "width", v.width_m),
            _across(1.0, y - v.track_rear_m / 2, y + v.track_rear_m / 2, "rear track", v.track_rear_m),
            _across(v.wheelbase_m - 1.0, y - v.track_front_m / 2, y + v.track_front_m / 2, "front track",
                    v.track_front_m),
            f'<text x="{num(v.mirror_x_m)}" y="{num(y - half - v.mirror_out_m - 0.15)}">mirror, out '
            f"{v.mirror_out_m:.2f} m</text>"]


def _turn(v: Vehicle, x: float, y: float, k: float) -> list[str]:
    """The turn at full lock to the left, to a smaller scale k: the circles of axle, inner side and outer corner."""
    turn = turning_circle(v, v.max_wheel_rad)
    centre = np.array([0.0, turn.rear_axle_m])  # of the turn, seen from the vehicle
    body = v.body_outline_m() - centre
    parts = [f'<circle class="{css}" cx="{num(x)}" cy="{num(y)}" r="{num(k * r)}"/>' for css, r in
             (("outer", turn.outer_body_m), ("outer", turn.inner_body_m), ("axis", turn.rear_axle_m))]
    parts.append(f'<path class="body" d="{path(flipped(body) * k + [x, y], closed=True)}"/>')
    for t in tyre_outlines_m(v, v.max_wheel_rad):
        parts.append(f'<path class="tyre" d="{path(flipped(t - centre) * k + [x, y], closed=True)}"/>')
    towed = trailer_circle(v, v.max_wheel_rad)
    inner_m = towed.inner_body_m if towed else turn.inner_body_m
    if v.trailer and towed:
        here, bent = np.array(0.0), np.array(-towed.articulation_rad)
        x_t, y_t, heading = (float(p) for p in trailer_pose(here, here, here, bent, v.trailer))
        behind = placed(v.trailer.body_outline_m(), x_t, y_t, heading) - centre
        parts += [f'<circle class="axis" cx="{num(x)}" cy="{num(y)}" r="{num(k * towed.axle_m)}"/>',
                  f'<path class="body" d="{path(flipped(behind) * k + [x, y], closed=True)}"/>']
    told = [f"full lock {math.degrees(v.max_wheel_rad):.1f}° (middle of the axle)",
            f"outer corner {_both(turn.outer_body_m)}", f"rear axle {_both(turn.rear_axle_m)}",
            f"inner side {_both(turn.inner_body_m)}",
            f"swept width {_both(turn.outer_body_m - inner_m)}", f"tail swing {_both(turn.tail_swing_m)}"]
    if towed:
        told += [f"trailer's axle {_both(towed.axle_m)}",
                 f"angle to the trailer {math.degrees(towed.articulation_rad):.0f}°"]
    elif v.trailer:
        told.append("no steady turn with the trailer: it folds")
    parts += [f'<text x="{num(x)}" y="{num(y + 0.5 * (i - 2.5))}">{esc(t)}</text>' for i, t in enumerate(told)]
    return parts


def _both(value_m: float) -> str:
    return f"{value_m:.2f} m ({feet(value_m)})"


def _along(x0: float, x1: float, y: float, label: str, value_m: float) -> str:
    low, text_x = y + 0.12, (x0 + x1) / 2
    return (f'<path class="measure" d="M{num(x0)} {num(y)}H{num(x1)}M{num(x0)} {num(y - 0.12)}V{num(low)}M{num(x1)} '
            f'{num(y - 0.12)}V{num(low)}"/><text x="{num(text_x)}" y="{num(y - 0.1)}">{esc(label)}</text>'
            f'<text x="{num(text_x)}" y="{num(y + 0.42)}">{value_m:.2f} m</text>')


def _across(x: float, y0: float, y1: float, label: str, value_m: float) -> str:
    middle = (y0 + y1) / 2
    return (f'<path class="measure" d="M{num(x)} {num(y0)}V{num(y1)}M{num(x - 0.12)} {num(y0)}H{num(x + 0.12)}'
            f'M{num(x - 0.12)} {num(y1)}H{num(x + 0.12)}"/><text class="{"left" if x > 0 else ""}" '
            f'x="{num(x + (0.1 if x > 0 else -0.95))}" y="{num(middle - 0.05)}">{esc(label)}</text><text '
            f'class="{"left" if x > 0 else ""}" x="{num(x + (0.1 if x > 0 else -0.95))}" y="{num(middle + 0.4)}">'
            f"{value_m:.2f} m</text>")
