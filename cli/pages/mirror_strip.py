"""The strip of the mirrors: for each cone, when a mirror would have shown it. A model, and marked as one."""

from __future__ import annotations

import numpy as np

from analysis.attempt import AHEAD, HIDDEN, MAIN, WIDE_ANGLE, Attempt
from analysis.nodes import runs
from cli import words
from cli.pages.charts import across
from cli.pages.svg import esc

_CLASS = {MAIN: "main", WIDE_ANGLE: "wide", HIDDEN: "hidden", AHEAD: "ahead"}
_SAYS = {MAIN: "in the main mirror", WIDE_ANGLE: "in the wide-angle mirror only", HIDDEN: "in no mirror",
         AHEAD: "ahead of the mirrors' fields"}
_SHOWN = ("pivot", "mouth_left", "mouth_right", "back_left", "back_right")  # what a reverse is steered by


def mirror_strip(attempt: Attempt, duration_s: float) -> str:
    if attempt.trailer:
        return ('<p class="model">What the mirrors could show, and room left, are not worked out for a vehicle with a '
                "trailer.</p>")
    every = attempt.mirrors.views
    views = [every[name] for name in _SHOWN if name in every] or list(every.values())
    if not views or not any(leg.direction < 0 for leg in attempt.legs):
        return ""
    t = attempt.motion.t_s
    reversing = np.zeros(len(t), bool)
    for leg in attempt.legs:
        reversing |= (leg.direction < 0) & (t >= leg.t_start_s) & (t <= leg.t_end_s)
    known = reversing & attempt.track.measured
    rows = "".join(_row(v.name, v.state, v.side, known, t, duration_s) for v in views)
    cue = attempt.mirrors.lined_up_s
    if cue is None:
        said = '<span class="key">two poles and one: never</span>'
    else:
        said = f'<button class="least" data-seek="{cue:.3f}">two poles and one: at {words.clock(cue)}</button>'
    keys = "".join(f'<span class="key"><i class="{_CLASS[s]}"></i>{text}</span>' for s, text in (
        (MAIN, "main"), (WIDE_ANGLE, "wide-angle"), (HIDDEN, "neither")))
    seat = "left" if attempt.vehicle.driver_side > 0 else "right"
    return (f'<figure class="strip mirrors"><figcaption><span class="name">Mirrors</span>{keys}{said}</figcaption>'
            f'<div class="plot rows" data-plot>{rows}<i class="cursor"></i></div>'
            f'<p class="model">A model (least fields of UN R46, driver seated {seat}), not where anybody looked.</p>'
            "</figure>")


def _row(name: str, state: np.ndarray, side: np.ndarray, known: np.ndarray, t: np.ndarray, duration_s: float) -> str:
    bars, told = [], []
    for code, kind in _CLASS.items():
        for way, letter in ((1, "L"), (-1, "R")):
            for a, b in runs(known & (state == code) & (side == way)):
                end = float(t[min(b + 1, len(t) - 1)])
                inside = letter if code in (MAIN, WIDE_ANGLE) else ""
                where = across(float(t[a]), end, duration_s)
                bars.append(f'<i class="{kind}" style="{where}"><span>{inside}</span></i>')
                told.append((float(t[a]), f"{_SAYS[code]} {words.span(float(t[a]), end)}"))
    spoken = f"{words.place(name)}: " + "; ".join(text for _, text in sorted(told))
    return (f'<div class="row" role="img" aria-label="{esc(spoken)}"><span class="tick">{esc(words.place(name))}</span>'
            f'{"".join(bars)}</div>')
