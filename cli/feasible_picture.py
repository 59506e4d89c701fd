"""The picture of a planned run: the course to scale, the ground the vehicle passes over, and the tightest place."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.patheffects import withStroke

from analysis.attempt import Motion
from analysis.clearance import body_to_barrier, body_to_mark, tyres_to_line
from analysis.room.nouns import PlannedRun
from cli import plan, scene, words
from cli.feasible import Feasible
from cli.files import new_file
from cli.palette import PAPER

OUTLINE_EVERY_M = 0.15


def write_picture(found: Feasible, out: Path) -> None:
    """Write the picture of the run with the fewest shunts, or of the least bad one; never over an existing file."""
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "tailtrace", "font.family": "sans-serif",
                                "font.size": 8.5}):
        figure = run_figure(found)
        svg = out.suffix.lower() == ".svg"
        with new_file(out) as f:
            figure.savefig(f, format="svg" if svg else "png", dpi=plan.DPI,
                           metadata={"Date": None, "Creator": "tailtrace"} if svg else None)


def run_figure(found: Feasible) -> Figure:
    run = found.needed or max(found.runs, key=lambda r: (r.reaches, r.room_m))
    vehicle, course, body = found.vehicle, found.course, found.vehicle.body_outline_m()
    every = max(1, round(OUTLINE_EVERY_M / max(float(np.median(np.diff(run.distance_m))), 1e-3)))
    at = np.unique(np.append(np.arange(0, len(run.x_m), every), len(run.x_m) - 1))
    outlines = [scene.placed(body, run.x_m[k], run.y_m[k], run.heading_rad[k]) for k in at]
    points = np.vstack([*outlines, [(m.x_m, m.y_m) for m in course.marks],
                        *([[ln.x0_m, ln.y0_m], [ln.x1_m, ln.y1_m]] for ln in course.lines)])
    (x_min, y_min), (x_max, y_max) = points.min(axis=0) - 0.8, points.max(axis=0) + 0.8
    figure, axes, per_m, head_m = plan.sheet(x_min, x_max, y_min, y_max)
    plan.draw_swept(axes, plan.swept([outlines]))
    plan.draw_yard(axes, course, course)
    c, s = np.cos(run.heading_rad), np.sin(run.heading_rad)
    for tyre in vehicle.tyres():
        axes.plot(run.x_m + c * tyre.x_m - s * tyre.y_m, run.y_m + s * tyre.x_m + c * tyre.y_m, color=PAPER["tyre"],
                  lw=0.7, ls=(0, (1, 1.5)) if tyre.steered else "-", zorder=3)
    turns = np.flatnonzero(np.diff(run.direction)) + 1
    for k in (0, *turns, len(run.x_m) - 1):
        pose = run.x_m[k], run.y_m[k], run.heading_rad[k]
        axes.add_patch(Polygon(scene.placed(body, *pose), fc="none", ec=PAPER["vehicle"], lw=1.0, zorder=3.5))
        for outline in scene.tyre_outlines_m(vehicle, run.wheel_rad[k]):
            axes.add_patch(Polygon(scene.placed(outline, *pose), fc=PAPER["tyre"], ec="none", zorder=3.6))
    _tightest(axes, found, run)
    _words(axes, found, run, x_min + 0.25 / per_m, y_max + 0.55 * head_m, y_min - 0.35 * head_m, x_max - 0.25 / per_m)
    return figure


def _tightest(axes: Any, found: Feasible, run: PlannedRun) -> None:
    k = int(np.argmin(run.clearance_m))
    place = tightest_place_m(found, run, k)
    above = place[1] < run.y_m[k]  # the words on the vehicle's side, where there is nothing else to read
    axes.plot(*place, marker="o", ms=8, mfc="none", mec=PAPER["fault"], mew=1.5, zorder=7)
    axes.annotate(f"tightest here: {words.metres(float(run.clearance_m[k]))}", place, xytext=(0, 11 if above else -11),
                  textcoords="offset points", ha="center", va="bottom" if above else "top", color=PAPER["fault"],
                  fontsize=8, fontweight="bold", zorder=8,
                  path_effects=[withStroke(linewidth=2.5, foreground=PAPER["sweep"])])


def tightest_place_m(found: Feasible, run: PlannedRun, k: int) -> tuple[float, float]:
    """The vehicle's point that is nearest to a line, a mark or the barrier at one pose of a run (course frame)."""
    course, vehicle = found.course, found.vehicle
    at = [np.array([float(v[k])]) for v in (run.x_m, run.y_m, run.heading_rad)]
    motion = Motion(np.zeros(1), at[0], at[1], at[2], np.zeros(1), run.wheel_rad[k:k + 1], np.zeros((1, 5, 5)),
                    np.zeros(1))
    readings = [tyres_to_line(motion, vehicle, line, 0.0, full_width=False) for line in course.lines]
    readings += [body_to_mark(motion, vehicle, mark, 0.0) for mark in course.marks]
    readings += [body_to_barrier(motion, vehicle, course.barrier, 0.0)] if course.barrier else []
    nearest = min(readings, key=lambda r: float(r.value_m[0]))
    return float(nearest.place_m[0, 0]), float(nearest.place_m[0, 1])


def _words(axes: Any, found: Feasible, run: PlannedRun, x_m: float, top_m: float, bottom_m: float,
           right_m: float) -> None:
    text = axes.text
    how = {0: "In one reverse", 1: "With one shunt"}.get(run.shunts, f"With {run.shunts} shunts")
    half = max(0.01, words.Z95 * found.error_m)
    text(x_m, top_m, f"{how}: {words.metres(run.room_m)} of room (± {words.metres(half)})" if found.needed else
         "No way into the bay was found; the least bad run", fontsize=12, fontweight="bold", color=PAPER["ink"],
         va="center")
    text(right_m, top_m, f"{found.vehicle.name}  ·  {found.course.name}", ha="right", va="center", color=PAPER["soft"])
    text(x_m, bottom_m, "Light area: ground passed over by the body.  Blue: tyres (dotted: steered), and the wheels at "
         f"each stop.  Wheel at most {math.degrees(np.abs(run.wheel_rad).max()):.0f}°.  Circle: the "
         "tightest place.", va="center", color=PAPER["soft"])
    axes.plot([right_m - 5, right_m], [bottom_m, bottom_m],
              color=PAPER["ink"], lw=1.2, marker="|", ms=6)
    text(right_m - 5.3, bottom_m, "5 m", ha="right", va="center", color=PAPER["ink"])
