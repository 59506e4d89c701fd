"""Small drawings for setting up: a vehicle with its sizes labelled, a course from above. SVG as text."""

from __future__ import annotations

import numpy as np

from analysis.course import Area, Course
from analysis.vehicle import Vehicle
from cli.pages.svg import esc, flipped, num, path
from cli.scene import rectangle


def vehicle_drawing(v: Vehicle) -> str:
    """Side view above, plan below, each size with the key it has in the form. Nose to the right."""
    back, front, half = v.x_rear_m, v.x_front_m, v.width_m / 2
    deep = half + 1.7  # where the plan's middle line lies below the ground of the side view
    below_side = np.array([0.0, deep])
    roof = -v.height_m
    parts = [f'<path class="body" d="M{num(back)} -0.45V{num(roof + 0.2)}Q{num(back)} {num(roof)} {num(back + 0.2)} '
             f'{num(roof)}H{num(front - 0.4)}Q{num(front)} {num(roof)} {num(front)} {num(roof + 0.6)}V-0.45Z"/>',
             f'<path class="ground" d="M{num(back - 0.6)} 0H{num(front + 0.6)}"/>']
    parts += [f'<circle class="tyre" cx="{num(x)}" cy="{num(-v.wheel_radius_m)}" r="{num(v.wheel_radius_m)}"/>'
              for x in (0.0, v.wheelbase_m)]
    outline = flipped(v.body_outline_m()) + below_side
    parts.append(f'<path class="body" d="{path(outline, closed=True)}"/>')
    for t in v.tyres():
        a, b = v.wheel_radius_m, t.width_m / 2
        parts.append(f'<rect class="tyre" x="{num(t.x_m - a)}" y="{num(deep - t.y_m - b)}" width="{num(2 * a)}" '
                     f'height="{num(2 * b)}"/>')
    for mirror in v.mirror_outlines_m():
        parts.append(f'<path class="mirror" d="{path(flipped(mirror) + below_side, closed=True)}"/>')
    below = deep + half + 0.75
    parts += [_along(back, front, below, "length"), _along(0, v.wheelbase_m, 0.75, "wheelbase"),
              _along(v.wheelbase_m, front, 0.75, "front overhang"),
              _across(back - 0.7, -v.height_m, 0, "height"), _across(back - 0.7, deep - half, deep + half, "width"),
              _across(v.wheelbase_m + 0.75, deep - v.track_front_m / 2, deep + v.track_front_m / 2, "front track"),
              _across(0.75, deep - v.track_rear_m / 2, deep + v.track_rear_m / 2, "rear track")]
    x0, y0 = back - 2.3, -v.height_m - 0.4
    return (f'<svg class="drawing" viewBox="{num(x0)} {num(y0)} {num(front + 0.8 - x0)} {num(below + 0.5 - y0)}" '
            f'role="img" aria-label="{esc(v.name)}">{"".join(parts)}</svg>')


def _along(x0: float, x1: float, y: float, label: str) -> str:
    return (f'<path class="measure" d="M{num(x0)} {num(y)}H{num(x1)}M{num(x0)} {num(y - 0.15)}V{num(y + 0.15)}'
            f'M{num(x1)} {num(y - 0.15)}V{num(y + 0.15)}"/><text x="{num((x0 + x1) / 2)}" y="{num(y - 0.15)}">'
            f'{esc(label)}</text>')


def _across(x: float, y0: float, y1: float, label: str) -> str:
    return (f'<path class="measure" d="M{num(x)} {num(y0)}V{num(y1)}M{num(x - 0.15)} {num(y0)}H{num(x + 0.15)}'
            f'M{num(x - 0.15)} {num(y1)}H{num(x + 0.15)}"/><text class="beside" x="{num(x + 0.12)}" '
            f'y="{num((y0 + y1) / 2 + 0.12)}">{esc(label)}</text>')


def course_drawing(course: Course) -> str:
    """The course from above, x to the right, y up; marks carry data-mark so that a page can point one out."""
    xs = [m.x_m for m in course.marks] + [x for ln in course.lines for x in (ln.x0_m, ln.x1_m)]
    ys = [m.y_m for m in course.marks] + [y for ln in course.lines for y in (ln.y0_m, ln.y1_m)]
    x0, x1, y0, y1 = min(xs) - 2, max(xs) + 2, min(ys) - 2, max(ys) + 2
    parts = [_area(kind, area) for kind, area in (("bay", course.bay), ("box", course.stopping_box),
                                                  ("barrier", course.barrier)) if area is not None]
    parts += [f'<path class="line" d="{path(flipped(np.array([[ln.x0_m, ln.y0_m], [ln.x1_m, ln.y1_m]])))}"/>'
              for ln in course.lines]
    for m in course.marks:
        parts.append(f'<g class="mark" data-mark="{esc(m.name)}">'
                     f'<circle cx="{num(m.x_m)}" cy="{num(-m.y_m)}" r="0.45"/><text x="{num(m.x_m)}" '
                     f'y="{num(-m.y_m - 0.8)}">{esc(m.name.replace("_", " "))}</text></g>')
    return (f'<svg class="drawing" viewBox="{num(x0)} {num(-y1)} {num(x1 - x0)} {num(y1 - y0)}" role="img" '
            f'aria-label="{esc(course.name)}">{"".join(parts)}</svg>')


def _area(kind: str, area: Area) -> str:
    corners = rectangle(area.x_min_m, area.x_max_m, area.y_min_m, area.y_max_m)
    return f'<path class="{kind}" d="{path(flipped(corners), closed=True)}"/>'
