"""Room left on the review page: its strip along the run, the angle beside the reference run, and where to stop."""

from __future__ import annotations

import math

import numpy as np

from analysis.attempt import Attempt
from analysis.room.nouns import HeadingBeside, ShuntRoom, StopMap
from cli import scene, words
from cli.pages.charts import Curve, Strip
from cli.pages.svg import num, path

_SHUNT_WORDS = ("no shunt", "one", "two")
_SHOWN_M = (-0.5, 1.0)


def room_strips(attempt: Attempt) -> tuple[Strip, ...]:
    """The strip of room left with 0, 1 and 2 shunts still allowed; none where it was not computed."""
    room = attempt.room
    if room is None or not np.isfinite(room.room_m).any():
        return ()
    t, known = attempt.motion.t_s, attempt.track.measured
    curves = []
    for name, style, value, sd in zip(_SHUNT_WORDS, "abc", room.room_m, room.sd_m, strict=True):
        if np.isfinite(value).any():
            curves.append(Curve(name, np.where(known, _at(t, room.t_s, value), np.nan), _at(t, room.t_s, sd), style))
    return (Strip("room", "Room left", "m", 2, tuple(curves), *_SHOWN_M, (0.0, 1.0), (0.0,), least=False,
                  limit_words="below: out of reach"),)


def _at(t_s: np.ndarray, thinned_s: np.ndarray, value: np.ndarray) -> np.ndarray:
    """A thinned series at other times; unknown beside what is unknown and outside of it."""
    return np.interp(t_s, thinned_s, value, left=np.nan, right=np.nan)


def room_sections(attempt: Attempt) -> str:
    """What stands below the desk: the angle, the place to start from, and the shunts; '' where nothing is known."""
    room = attempt.room
    if room is None:
        return ""
    parts = []
    if room.heading_beside is not None and len(room.heading_beside.x_m) > 1:
        parts.append(_section("angle", "The angle, beside the reference run", _heading(room.heading_beside)))
    if room.stop_map is not None:
        parts.append(_section("stop-map", "Where the drive forward ended", _stop_map(room.stop_map)))
    if room.shunts:
        parts.append(_section("shunts", "What the shunts were worth", _shunts(room.shunts)))
    return "".join(parts)


def _section(key: str, title: str, body: str) -> str:
    return f'<section aria-labelledby="{key}-title"><h2 id="{key}-title">{title}</h2>{body}</section>'


_W, _H, _LEFT, _HEAD, _FOOT = 620.0, 190.0, 44.0, 10.0, 30.0


def _heading(beside: HeadingBeside) -> str:
    """Heading difference over the rear axle's place; the run goes from left to right, towards the bay."""
    x, value = beside.x_m, np.degrees(beside.difference_rad)
    half = words.Z95 * np.degrees(beside.sd_rad)
    top = max(5.0, 5 * math.ceil(float(np.nanmax(np.abs(value))) / 5))
    right = (_W - _LEFT) / (x.max() - x.min())
    across = _LEFT + (x.max() - x) * right

    def down(v: np.ndarray | float) -> np.ndarray:
        return _HEAD + (_H - _HEAD - _FOOT) * (1 - np.asarray(v) / top) / 2

    line, band = "", ""
    for a, b in scene.runs(np.isfinite(value)):
        line += path(np.column_stack([across[a:b], down(value[a:b])]))
        band += path(np.vstack([np.column_stack([across[a:b], down((value + half)[a:b])]),
                                np.column_stack([across[a:b], down((value - half)[a:b])])[::-1]]), closed=True)
    ticks = "".join(f'<text class="at" x="{num(_LEFT - 6)}" y="{num(float(down(v)) + 4)}" text-anchor="end">'
                    f"{words.number(v, 0)}°</text>" for v in (-top, 0.0, top))
    places = np.arange(10 * math.ceil(x.min() / 10), x.max(), 10.0)
    feet = "".join(f'<text class="at" x="{num(_LEFT + (x.max() - p) * right)}" y="{num(_H - 14)}" '
                   f'text-anchor="middle">{p:.0f}</text>' for p in places)
    k = int(np.nanargmax(np.abs(value)))
    told = (f"Largest difference {words.number(float(value[k]), 1)}° ± {words.number(float(half[k]), 1)}° with the "
            f"rear axle {x[k]:.0f} m from the bay's back line.")
    return (f'<svg class="figure" viewBox="0 0 {num(_W)} {num(_H)}" role="img" aria-label="{told}">'
            f'<path class="zero" d="M{num(_LEFT)} {num(float(down(0.0)))}H{num(_W)}"/>'
            f'<path class="band a" d="{band}"/><path class="curve a" d="{line}"/>{ticks}{feet}'
            f'<text class="at" x="{num(_W)}" y="{num(_H - 1)}" text-anchor="end">rear axle, m from the bay\'s back '
            f"line</text></svg><p>{told} Above the line: the nose further left than in the reverse that keeps the most "
            "room.</p>")


_LEVELS = ((0.0, "out of reach without a shunt"), (0.2, "under 20 cm of room"), (0.4, "20 to 40 cm"),
           (math.inf, "over 40 cm"))


def _stop_map(stop: StopMap) -> str:
    x, y = stop.x_m, stop.y_m
    dx, dy = float(np.median(np.diff(x))), float(np.median(np.diff(y)))
    cells = [""] * len(_LEVELS)
    for i, j in zip(*np.nonzero(np.isfinite(stop.room_m)), strict=True):
        level = next(n for n, (limit, _) in enumerate(_LEVELS) if stop.room_m[i, j] < limit)
        cells[level] += f"M{num(x[i] - dx / 2)} {num(-y[j] - dy / 2)}h{num(dx)}v{num(dy)}h{num(-dx)}Z"
    width, height = x[-1] - x[0] + dx, y[-1] - y[0] + dy
    drawn = "".join(f'<path class="level-{n}" d="{d}"/>' for n, d in enumerate(cells) if d)
    r = 0.035 * max(width, height)
    (hx, hy), (bx, by) = stop.here_m, stop.best_m
    cross = f"M{num(hx - r)} {num(-hy)}H{num(hx + r)}M{num(hx)} {num(-hy - r)}V{num(-hy + r)}"
    drawn += (f'<path class="here" d="{cross}"/>'
              f'<circle class="best" cx="{num(bx)}" cy="{num(-by)}" r="{num(r)}"/>')
    keys = "".join(f'<span><svg viewBox="0 0 18 10" aria-hidden="true"><rect class="level-{n}" width="18" '
                   f'height="10"/></svg>{text}</span>' for n, (_, text) in enumerate(_LEVELS) if cells[n])
    gains = {"left": stop.gain_left_m, "right": stop.gain_right_m, "forward": stop.gain_ahead_m,
             "back": stop.gain_back_m}
    told = "".join(f"<div><dt>Half a metre {where}</dt><dd>{_signed(gain)}</dd></div>" for where, gain in gains.items())
    here = words.figure(stop.room_here_m, stop.sd_here_m, "m")
    return (f'<svg class="figure map" viewBox="{num(x[0] - dx / 2)} {num(-y[-1] - dy / 2)} {num(width)} {num(height)}" '
            f'role="img" aria-label="Room left by where the rear axle stood when the reverse began">{drawn}</svg>'
            f'<p class="legend">{keys}<span>cross: where it was</span><span>ring: the most room</span></p>'
            f"<dl><div><dt>Room from there</dt><dd>{here}</dd></div><div><dt>Best place</dt>"
            f"<dd>{words.figure(stop.room_best_m, None, 'm')}</dd></div>{told}</dl>")


def _signed(gain_m: float) -> str:
    """'+12 cm', '−3 cm', 'not free' where something stands in the way."""
    if not math.isfinite(gain_m):
        return "not free"
    return ("+" if gain_m > 0 else "") + words.figure(gain_m, None, "m")


_NEEDED = {"yes": "needed", "no": "not needed"}


def _shunts(shunts: tuple[ShuntRoom, ...]) -> str:
    rows = "".join(
        f"<tr><th scope='row'>{words.span(s.t_start_s, s.t_end_s)}</th><td>{s.distance_m:.1f} m</td>"
        f"<td>{words.figure(s.room_before_m, s.sd_before_m, 'm')}</td>"
        f"<td>{words.figure(s.room_after_m, s.sd_after_m, 'm')}</td><td>{_NEEDED.get(s.needed, s.needed)}</td>"
        f"<td>{words.figure(s.better_m, None, 'm')} at {s.better_distance_m:.1f} m</td></tr>" for s in shunts)
    heads = "".join(f"<th scope='col'>{h}</th>" for h in ("Shunt", "forward", "room before", "room after", "",
                                                         "best it could give"))
    return f"<table class='wide'><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
