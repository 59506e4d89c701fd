"""The still picture of the plan: the course to scale, the swept path, and where each finding lies."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Polygon, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke
from shapely import MultiPoint, MultiPolygon, unary_union
from shapely import Polygon as Shape

from analysis.attempt import Attempt, Motion
from analysis.body import Body
from analysis.course import Area, Course, Mark
from analysis.swept import tyre_paths_m
from cli import scene, words
from cli.palette import PAPER

WIDTH_IN, DPI = 13.0, 160
_MARGIN_M = 0.8


def write_plan(attempt: Attempt, svg: Path, png: Path) -> None:
    """Write the plan as SVG (to scale, x to the right, y up) and as PNG."""
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "tailtrace", "font.family": "sans-serif",
                                "font.size": 8.5}):
        figure = plan_figure(attempt)
        figure.savefig(svg, metadata={"Date": None, "Creator": "tailtrace"})
        figure.savefig(png, dpi=DPI)


def extent_m(attempt: Attempt) -> tuple[float, float, float, float]:
    """x_min, x_max, y_min, y_max of everything worth showing."""
    course = attempt.surveyed
    points = [[(m.x_m, m.y_m) for m in course.marks]]
    points += [[(ln.x0_m, ln.y0_m), (ln.x1_m, ln.y1_m)] for ln in course.lines]
    points += [body.tolist() for body in body_outlines_m(attempt)]
    low, high = (np.concatenate(points).min(axis=0) - _MARGIN_M), (np.concatenate(points).max(axis=0) + _MARGIN_M)
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def body_outlines_m(attempt: Attempt) -> list[np.ndarray]:
    """The plan outline of vehicle and trailer at each measured time, in the course frame."""
    return [placed for body, m in attempt.bodies
            for placed in _outlines_m(body, m, np.flatnonzero(attempt.track.measured))]


def swept_by_body(attempt: Attempt) -> list[Shape]:
    """The ground passed over by vehicle and trailer, as polygons (m). Nothing is filled in across a gap."""
    return swept(_outlines_m(body, m, range(a, b))
                 for body, m in attempt.bodies for a, b in scene.runs(attempt.track.measured))


def _outlines_m(body: Body, m: Motion, at: Iterable[int]) -> list[np.ndarray]:
    outline = body.body_outline_m()
    return [scene.placed(outline, m.x_m[i], m.y_m[i], m.heading_rad[i]) for i in at]


def swept(stretches: Iterable[Sequence[np.ndarray]]) -> list[Shape]:
    """The ground under a body that moves from outline to outline, within each stretch of them."""
    pieces = []
    for outlines in stretches:
        # Between two samples the outline moves by centimetres: their hull closes the scallops.
        pairs = zip(outlines, outlines[1:] or outlines, strict=False)
        pieces += [MultiPoint(np.vstack(pair)).convex_hull for pair in pairs]
    union = unary_union(pieces).simplify(0.01)
    return list(union.geoms) if isinstance(union, MultiPolygon) else [union]


def plan_figure(attempt: Attempt) -> Figure:
    x_min, x_max, y_min, y_max = extent_m(attempt)
    figure, axes, per_m, head_m = sheet(x_min, x_max, y_min, y_max)
    _sweep(axes, attempt)
    draw_yard(axes, attempt.surveyed, attempt.course)
    _reference(axes, attempt)
    _vehicles(axes, attempt)
    _findings(axes, attempt)
    _turning_points(axes, attempt)
    _margin_words(axes, attempt, x_min, y_max + 0.55 * head_m, y_min - 0.35 * head_m, per_m)
    return figure


def sheet(x_min: float, x_max: float, y_min: float, y_max: float) -> tuple[Figure, Any, float, float]:
    """A figure to scale with room for a line of words above and below: (figure, axes, inches per metre, metres of
    that room)."""
    per_m = WIDTH_IN / (x_max - x_min)
    head_m = 0.62 / per_m
    figure = Figure(figsize=(WIDTH_IN, (y_max - y_min + 2 * head_m) * per_m), facecolor=PAPER["paper"])
    axes = figure.add_axes((0, 0, 1, 1), frameon=False)
    axes.set_xlim(x_min, x_max)
    axes.set_ylim(y_min - head_m, y_max + head_m)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return figure, axes, per_m, head_m


def draw_swept(axes: Any, shapes: Iterable[Shape]) -> None:
    for shape in shapes:
        rings = [np.asarray(ring.coords) for ring in (shape.exterior, *shape.interiors)]
        path = Outline.make_compound_path(*(Outline(ring, closed=True) for ring in rings))
        axes.add_patch(PathPatch(path, facecolor=PAPER["sweep"], edgecolor="#B9B4A4", lw=0.6))


def _sweep(axes: Any, attempt: Attempt) -> None:
    draw_swept(axes, swept_by_body(attempt))
    for body, m in attempt.bodies:
        paths = tyre_paths_m(m, body)
        for tyre in body.tyres():
            for a, b in scene.runs(attempt.track.measured):
                axes.plot(*paths[tyre.name][a:b].T, color=PAPER["tyre"], lw=0.7,
                          ls=(0, (1, 1.5)) if tyre.steered else "-", zorder=3)


def draw_yard(axes: Any, course: Course, planned_course: Course) -> None:
    """The course as it stands, its marks' planned places dotted."""
    for line in course.lines:
        # The paint lies beyond the edge that counts, away from the yard.
        d = np.array([line.x1_m - line.x0_m, line.y1_m - line.y0_m])
        beyond = -line.yard_side * np.array([-d[1], d[0]]) / np.hypot(*d) * line.width_m
        ends = np.array([[line.x0_m, line.y0_m], [line.x1_m, line.y1_m]])
        axes.add_patch(Polygon(np.vstack([ends, ends[::-1] + beyond]), fc=PAPER["line"], ec=PAPER["line"], lw=0.8))
    axes.add_patch(Polygon(_corners(course.bay), fill=False, ec=PAPER["box"], lw=0.8, ls=(0, (4, 3)), zorder=2))
    if course.stopping_box:
        axes.add_patch(Polygon(_corners(course.stopping_box), fill=False, ec=PAPER["box"], lw=0.8, hatch="////",
                               zorder=2))
    if course.barrier:
        axes.add_patch(Polygon(_corners(course.barrier), fc=PAPER["ink"], ec=PAPER["ink"], lw=0.8, zorder=4))
    nominal = {m.name: m for m in planned_course.marks}
    legible = [withStroke(linewidth=2.5, foreground=PAPER["paper"])]
    for mark in course.marks:
        planned = nominal[mark.name]
        h = planned.base_half_m
        axes.add_patch(Rectangle((planned.x_m - h, planned.y_m - h), 2 * h, 2 * h, fill=False, ec=PAPER["soft"],
                                 lw=0.6, ls=(0, (1, 1)), zorder=4))
        axes.add_patch(Rectangle((mark.x_m - h, mark.y_m - h), 2 * h, 2 * h, fc=PAPER["mark"], ec="white", lw=0.5,
                                 zorder=5))
        offset, across, down = _NAME_AT[name_place(planned_course, mark)]
        axes.annotate(words.place(mark.name), (mark.x_m, mark.y_m), xytext=offset, textcoords="offset points",
                      ha=across, va=down, color=PAPER["mark"], fontsize=7, zorder=6, path_effects=legible)


_NAME_AT = {"above": ((0, 6), "center", "bottom"), "below": ((0, -6), "center", "top"),
            "beside": ((6, 0), "left", "center")}


def name_place(course: Course, mark: Mark) -> str:
    """Where a mark's name is written: 'beside', 'above' or 'below' it.

    Those of the bay's cones go beside, clear of the side line and of the vehicle in the bay.
    """
    if mark.name.startswith(("mouth", "back")):
        return "beside"
    middle = float(np.mean([m.y_m for m in course.marks]))
    left = mark.name == "forward_left" or (mark.name != "forward_right" and mark.y_m > middle)
    return "above" if left else "below"


def _corners(area: Area) -> np.ndarray:
    return scene.rectangle(area.x_min_m, area.x_max_m, area.y_min_m, area.y_max_m)


def _vehicles(axes: Any, attempt: Attempt) -> None:
    for stop in attempt.stops:
        now = scene.moment(attempt, (stop.t_start_s + stop.t_end_s) / 2)
        if now is None:
            continue
        last = stop.kind == "final"
        for body, pose, wheel_rad in scene.bodies_at(attempt.vehicle, now):
            axes.add_patch(Polygon(scene.placed(body.body_outline_m(), *pose), fc="white" if last else "none",
                                   alpha=0.9 if last else 1, ec=PAPER["vehicle"], lw=1.3 if last else 0.6, zorder=3.5))
            drawbar = scene.drawbar_m(body)
            if drawbar is not None:
                axes.plot(*scene.placed(drawbar, *pose).T, color=PAPER["vehicle"], lw=1.3 if last else 0.6, zorder=3.5)
            for tyre in scene.tyre_outlines_m(body, wheel_rad) if last else ():
                axes.add_patch(Polygon(scene.placed(tyre, *pose), fc=PAPER["tyre"], ec="none", zorder=3.6))


def _findings(axes: Any, attempt: Attempt) -> None:
    for n, f in words.numbered(attempt.findings):
        if n and f.at_m is not None:
            colour = PAPER[words.COLOUR[words.group(f)]]
            axes.annotate(str(n), f.at_m, xytext=(9, 9), textcoords="offset points", ha="center", va="center",
                          color="white", fontsize=7.5, fontweight="bold", zorder=8,
                          bbox={"boxstyle": "circle,pad=0.25", "fc": colour, "ec": "white", "lw": 0.8},
                          arrowprops={"arrowstyle": "-", "color": colour, "lw": 0.9, "shrinkA": 0, "shrinkB": 0})


def _reference(axes: Any, attempt: Attempt) -> None:
    """The rear axle's path in the reverse that keeps the most room."""
    run = attempt.room.reference if attempt.room else None
    if run is not None:
        axes.plot(run.x_m, run.y_m, color=PAPER["ok"], lw=1.3, ls=(0, (5, 3)), zorder=3.2)


def _turning_points(axes: Any, attempt: Attempt) -> None:
    for point in scene.turning_points(attempt):
        if point.at_m is not None:
            colour = PAPER[{"lost": "fault", "saving": "ok", "note": "note"}[point.kind]]
            above = point.kind != "saving"
            axes.plot(*point.at_m, marker="o", ms=8, mfc="none", mec=colour, mew=1.6, zorder=9)
            axes.annotate(f"{point.label}, {words.clock(point.t_s)}", point.at_m, xytext=(0, 12 if above else -12),
                          textcoords="offset points", ha="center", va="bottom" if above else "top", color=colour,
                          fontsize=8.5, fontweight="bold", zorder=9,
                          path_effects=[withStroke(linewidth=2.5, foreground=PAPER["paper"])])


def _margin_words(axes: Any, attempt: Attempt, x_m: float, top_m: float, bottom_m: float, per_m: float) -> None:
    x = x_m + 0.25 / per_m
    axes.text(x, top_m, words.headline(attempt), fontsize=12, fontweight="bold", color=PAPER["ink"], va="center")
    x_right = axes.get_xlim()[1] - 0.25 / per_m
    axes.text(x_right, top_m, f"{attempt.vehicle.name}  ·  {attempt.course.name}", ha="right", va="center",
              color=PAPER["soft"])
    axes.text(x, bottom_m, "Light area: ground passed over by the body.  Blue: tyres (dotted: steered).  "
              "Filled squares: marks as found; dotted squares: as planned."
              + ("  Green: the reverse with the most room." if attempt.room and attempt.room.reference else ""),
              va="center", color=PAPER["soft"])
    end = x_right
    axes.plot([end - 5, end], [bottom_m, bottom_m], color=PAPER["ink"], lw=1.2, marker="|", ms=6)
    axes.text(end - 5.3, bottom_m, "5 m", ha="right", va="center", color=PAPER["ink"])
