"""The course from above, for setting up and for pointing out its marks. SVG as text."""

from __future__ import annotations

import numpy as np

from analysis.course import Area, Course
from cli.pages.svg import esc, flipped, num, path
from cli.palette import PAPER
from cli.scene import rectangle

_STYLE = "".join((
    "svg{background:#fff;font-family:sans-serif}",
    f".line{{fill:none;stroke:{PAPER['line']};stroke-width:.22}}",
    f".bay{{fill:none;stroke:{PAPER['box']};stroke-width:.12;stroke-dasharray:.6 .4}}",
    f".box{{fill:{PAPER['box']};fill-opacity:.3}}", f".barrier{{fill:{PAPER['ink']}}}",
    f".mark circle,.mark text{{fill:{PAPER['mark']}}}",
    ".mark text{font-size:1.15px;text-anchor:middle;paint-order:stroke;stroke:#fff;stroke-width:.4}"))


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


def course_picture(course: Course) -> str:
    """The same as a picture of its own, with its colours inside."""
    return course_drawing(course).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1).replace(
        ">", f"><style>{_STYLE}</style>", 1)
