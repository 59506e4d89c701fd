"""Strip charts of the review page: figures along the run, on one time axis. Gaps stay gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import cycle

import numpy as np

from analysis.attempt import Attempt, Series
from cli import scene, words
from cli.pages.svg import esc, num, path

CLEARANCE_SHOWN_M = 2.0  # beyond this a clearance no longer matters to anybody


@dataclass(frozen=True)
class Curve:
    """One line of a strip: value and sd (n,) at the motion's times, in the strip's unit; NaN where unknown."""

    name: str
    value: np.ndarray
    sd: np.ndarray
    style: str


@dataclass(frozen=True)
class Strip:
    """One chart. low, high: the range shown; limits: where the rules put the fault, or what `limit_words` say of it;
    least: mark the smallest value."""

    key: str
    title: str
    unit: str
    decimals: int
    curves: tuple[Curve, ...]
    low: float
    high: float
    ticks: tuple[float, ...]
    limits: tuple[float, ...] = ()
    least: bool = True
    limit_words: str = ""


def strips(attempt: Attempt) -> tuple[Strip, ...]:
    m = attempt.motion
    known = np.where(attempt.track.measured, 1.0, np.nan)
    speed = Curve("speed", m.speed_mps * known, m.sd(3), "a")
    top = max(0.5, math.ceil(2 * float(np.nanmax(np.abs(speed.value)))) / 2)
    wheel = Curve("wheel", np.degrees(m.wheel_rad) * known, np.degrees(m.sd(4)), "a")
    lock = max(10.0, 10 * math.ceil(math.degrees(attempt.vehicle.max_wheel_rad) / 10))
    out = [Strip("speed", "Speed, reverse below the line", "m/s", 2, (speed,), -top, top, (-top, 0.0, top),
                 least=False),
           Strip("wheel", "Wheel angle, left above the line", "°", 1, (wheel,), -lock, lock, (-lock, 0.0, lock),
                 least=False)]
    if attempt.trailer:
        out.append(_articulation(attempt, known))
    title, kind, lines = line_clearance(attempt)
    if lines:
        curves = tuple(Curve(name, s.value_m * known, s.sd_m, style)
                       for (name, s), style in zip(lines.items(), cycle("ab"), strict=False))
        limits = [f.limit for f in attempt.findings if f.kind == kind and f.limit is not None]
        out.append(_clearance("tyres", title, curves, limits[0] if limits else 0.0))
    if attempt.mark_clearance:
        out.append(_clearance("marks", "Body to nearest mark", (nearest_mark(attempt),), 0.0))
    return tuple(out)


def _articulation(attempt: Attempt, known: np.ndarray) -> Strip:
    """The angle to the trailer, with its limits where it comes anywhere near them."""
    assert attempt.trailer is not None
    angle = Curve("angle", np.degrees(attempt.trailer.angle_rad) * known, np.degrees(attempt.trailer.sd_rad), "a")
    most = float(np.nanmax(np.abs(angle.value), initial=0.0))
    limit = next((f.limit for f in attempt.findings if f.kind == "jack_knife" and f.limit), math.inf)
    near = most > 0.6 * limit
    top = max(15.0, 15 * math.ceil(max(most, limit * near) / 15 + 0.01))
    return Strip("articulation", "Angle to the trailer, tail to the right above the line", "°", 1, (angle,), -top, top,
                 (-top, 0.0, top), (-limit, limit) if near else (), least=False,
                 limit_words=f"limit {words.number(limit, 0)}°" if near else "")


def line_clearance(attempt: Attempt) -> tuple[str, str, dict[str, Series]]:
    """What is read against the lines, its kind of finding, and by line ('left', 'right') how far it stays inside:
    tyres or, where the rules leave tyres out, the body; in the reading that the rules use."""
    rules = attempt.rules
    parts, title, kind = ["tyre_full_" if rules.tyre_reading == "full_width" else "tyre_"], "Tyre", "tyre_over_line"
    if rules.severity["tyre_over_line"] == "ignore":
        parts, title, kind = ["body_"], "Body", "body_over_line"
        if rules.body_reading == "with_mirrors":
            parts, title = ["body_", "mirror_"], "Body and mirrors"
    out = {}
    for line in attempt.course.lines:
        name = line.name.removeprefix("side_")
        series = [attempt.line_clearance[p + name] for p in parts if p + name in attempt.line_clearance]
        if series:
            label = name if line.name.startswith("side_") else words.place(line.name)
            value, sd = (np.array([getattr(s, column) for s in series]) for column in ("value_m", "sd_m"))
            nearest = np.argmin(value, axis=0), np.arange(value.shape[1])
            out[label] = Series(label, value[nearest], sd[nearest])
    return f"{title} to line", kind, out


def _clearance(key: str, title: str, curves: tuple[Curve, ...], limit: float) -> Strip:
    lowest = min((float(np.nanmin(c.value)) for c in curves if np.isfinite(c.value).any()), default=0.0)
    low = min(-0.25, limit - 0.25, math.floor(4 * (lowest - 0.1)) / 4)
    return Strip(key, title, "m", 2, curves, low, CLEARANCE_SHOWN_M, (0.0, 1.0, CLEARANCE_SHOWN_M), (limit,))


def nearest_mark(attempt: Attempt) -> Curve:
    """At each time the clearance to whichever mark is nearest."""
    series = list(attempt.mark_clearance.values())
    known = np.where(attempt.track.measured, 1.0, np.nan)
    value = np.array([np.where(np.isfinite(s.value_m), s.value_m, np.inf) for s in series])
    which = np.argmin(value, axis=0)
    columns = np.arange(value.shape[1])
    nearest = value[which, columns]
    return Curve("nearest mark", np.where(np.isfinite(nearest), nearest, np.nan) * known,
                 np.array([s.sd_m for s in series])[which, columns], "a")


def charts_html(attempt: Attempt, shown: tuple[Strip, ...], duration_s: float, below: str = "") -> str:
    """The strips under a ribbon of legs and findings; `below`: further rows on the same time axis."""
    times = attempt.motion.t_s
    shading = _shading(attempt, duration_s)
    parts = [_ribbon(attempt, duration_s)]
    for strip in shown:
        where = _least(strip, times)
        button = ""
        if where is not None:
            name, value, t = where
            of = f" {name}" if len(strip.curves) > 1 else ""
            button = (f'<button class="least" data-seek="{t:.3f}">least:{esc(of)} '
                      f'{words.number(value, strip.decimals)} {strip.unit} at {words.clock(t)}</button>')
        names = "".join(_key(c) for c in strip.curves) if len(strip.curves) > 1 else ""
        parts.append(
            f'<figure class="strip"><figcaption><span class="name">{esc(strip.title)}</span>{names}{button}'
            f'<output class="now" id="now-{strip.key}"></output></figcaption>'
            f'<div class="plot" data-plot>{_ticks(strip)}{shading}{_svg(strip, times, duration_s)}{_limit(strip)}'
            '<i class="cursor"></i></div></figure>')
    return "\n".join([*parts, below, _time_axis(duration_s)])


def _key(curve: Curve) -> str:
    return (f'<span class="key"><svg viewBox="0 0 22 6" aria-hidden="true"><path class="curve {curve.style}" '
            f'd="M0 3H22"/></svg>{esc(curve.name)}</span>')


def _least(strip: Strip, times: np.ndarray) -> tuple[str, float, float] | None:
    found = [(c.name, float(np.nanmin(c.value)), float(times[np.nanargmin(c.value)]))
             for c in strip.curves if np.isfinite(c.value).any()]
    return min(found, key=lambda f: f[1]) if strip.least and found else None


def _down(strip: Strip, value: np.ndarray | float) -> np.ndarray:
    """Values as distance from the top edge, in hundredths of the height."""
    return 100 * (strip.high - np.asarray(value, float)) / (strip.high - strip.low)


def _svg(strip: Strip, times: np.ndarray, duration_s: float) -> str:
    across = 1000 * times / duration_s
    parts = ['<svg viewBox="0 0 1000 100" preserveAspectRatio="none" aria-hidden="true">']
    zero = float(_down(strip, 0.0))
    parts.append(f'<path class="zero" d="M0 {num(zero)}H1000"/>')
    for curve in strip.curves:
        line, band = "", ""
        for a, b in scene.runs(np.isfinite(curve.value)):
            value, half, x = curve.value[a:b], words.Z95 * curve.sd[a:b], across[a:b]
            line += path(np.column_stack([x, _down(strip, value)]))
            upper, lower = _down(strip, value + half), _down(strip, value - half)
            band += path(np.vstack([np.column_stack([x, upper]), np.column_stack([x, lower])[::-1]]), closed=True)
        parts.append(f'<path class="band {curve.style}" d="{band}"/><path class="curve {curve.style}" d="{line}"/>')
    return "".join([*parts, "</svg>"])


def _ticks(strip: Strip) -> str:
    return "".join(f'<span class="tick" style="top:{float(_down(strip, v)):.1f}%">'
                   f'{words.number(v, _decimals(v))}</span>' for v in strip.ticks)


def _decimals(value: float) -> int:
    return 0 if float(value).is_integer() else 1


def _limit(strip: Strip) -> str:
    out = ""
    for k, limit in enumerate(strip.limits):
        told = strip.limit_words or f"fault below {words.number(limit, strip.decimals)} {strip.unit}"
        out += (f'<span class="limit" style="top:{float(_down(strip, limit)):.1f}%">'
                f'{"" if k else f"<b>{told}</b>"}</span>')
    return out


def across(a_s: float, b_s: float, duration_s: float) -> str:
    """Style of what spans from a to b on the time axis."""
    left = 100 * min(max(a_s / duration_s, 0.0), 1.0)
    right = 100 * min(max(b_s / duration_s, 0.0), 1.0)
    return f"left:{left:.2f}%;width:{right - left:.2f}%"


def gaps(attempt: Attempt) -> list[tuple[float, float]]:
    """Start and end (s) of each stretch without a measurement, as long as the pictures leave it open."""
    t = attempt.track.t_s
    return [(float(t[max(a - 1, 0)]), float(t[min(b, len(t) - 1)])) for a, b in scene.runs(~attempt.track.measured)]


def _shading(attempt: Attempt, duration_s: float) -> str:
    stops = [f'<i class="stop" style="{across(s.t_start_s, s.t_end_s, duration_s)}"></i>' for s in attempt.stops]
    unknown = [f'<i class="gap" style="{across(a, b, duration_s)}"></i>' for a, b in gaps(attempt)]
    turned = [f'<i class="turning {p.kind}" style="{across(p.from_s, p.to_s, duration_s)}"></i>'
              for p in scene.turning_points(attempt)]
    return "".join(stops + unknown + turned)


def _ribbon(attempt: Attempt, duration_s: float) -> str:
    """Which way the vehicle went, when; and where in time the numbered findings lie."""
    spans = [(leg.t_start_s, leg.t_end_s, "forward" if leg.direction > 0 else "reverse") for leg in attempt.legs]
    spans += [(s.t_start_s, s.t_end_s, "standing") for s in attempt.stops]
    bars = "".join(f'<i class="{kind}" style="{across(a, b, duration_s)}"><span>{kind}</span></i>'
                   for a, b, kind in sorted(spans))
    unknown = "".join(f'<i class="gap" style="{across(a, b, duration_s)}"></i>' for a, b in gaps(attempt))
    said = "; ".join(f"{kind} {words.span(a, b)}" for a, b, kind in sorted(spans))
    flags = "".join(f'<b class="g-{words.COLOUR[words.group(f)]}" data-seek="{f.t_start_s:.3f}" '
                    f'style="left:{100 * min(f.t_start_s / duration_s, 1.0):.2f}%">{n}</b>'
                    for n, f in words.numbered(attempt.findings) if n)
    flags += "".join(f'<b class="turning {p.kind}" data-seek="{p.t_s:.3f}" title="{esc(p.label)}" '
                     f'style="left:{100 * min(p.t_s / duration_s, 1.0):.2f}%">{"◇" if p.kind == "saving" else "◆"}</b>'
                     for p in scene.turning_points(attempt))
    return (f'<div class="flags" aria-hidden="true">{flags}</div>'
            f'<div class="ribbon" data-plot role="img" aria-label="{esc(said)}">{bars}{unknown}'
            '<i class="cursor"></i></div>')


def _time_axis(duration_s: float) -> str:
    step = next(s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1e9) if duration_s / s <= 8)
    marks = "".join(f'<span style="left:{100 * t / duration_s:.2f}%">{words.clock(t)[:-2]}</span>'
                    for t in np.arange(0.0, duration_s, step))
    return f'<div class="time-axis" aria-hidden="true">{marks}</div>'
