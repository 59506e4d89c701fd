"""The audit's pictures, as SVG text: intervals, control chart, funnel, learning curve, map of the yard.

Colours come from classes in audit.css; nothing is told by colour alone. Every picture stands beside its table.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from markupsafe import Markup

from analysis.audit.control import Chart
from analysis.audit.funnel import Funnel
from analysis.audit.learning import STEADY, Learner
from analysis.audit.rates import Rate
from analysis.audit.yard import Yard
from cli.pages.svg import esc, num, path

Href = Callable[[np.ndarray, str], str | None]
LEAST_CAME, LISTED = 5, 10
_W, _H, _LEFT, _RIGHT, _TOP, _BOTTOM = 900.0, 260.0, 46.0, 12.0, 12.0, 34.0


def percent(share: float) -> str:
    return f"{100 * share:.0f}\u00a0%" if np.isfinite(share) else "–"


def interval(rate: Rate, most: float = 1.0) -> Markup:
    """A dot with its 95 % interval on a line from 0 to `most`."""
    if not rate.n:
        return Markup("")
    x = [150 * min(v / most, 1.0) + 5 for v in (rate.low, rate.share, rate.high)]
    return Markup(f'<svg class="interval" viewBox="0 0 160 16" aria-hidden="true"><path class="rule" d="M5 8H155"/>'
                  f'<path class="span" d="M{num(x[0])} 8H{num(x[2])}"/><circle cx="{num(x[1])}" cy="8" r="4"/></svg>')


class _Frame:
    """A plot's frame: shares upwards from 0 to `most`, something else to the right."""

    def __init__(self, most: float, x_low: float, x_high: float) -> None:
        self.most = min(1.0, max(0.05, np.ceil(most * 20) / 20))
        self._low, self._span = x_low, max(x_high - x_low, 1e-9)

    def x(self, value: float) -> float:
        return _LEFT + (_W - _LEFT - _RIGHT) * (value - self._low) / self._span

    def y(self, share: float) -> float:
        return _TOP + (_H - _TOP - _BOTTOM) * (1 - min(max(share / self.most, 0.0), 1.0))

    def line(self, xs: np.ndarray, shares: np.ndarray, style: str) -> str:
        points = [(self.x(float(a)), self.y(float(b))) for a, b in zip(xs, shares, strict=True)]
        return f'<path class="{style}" d="{path(points)}"/>'

    def axis(self, label: str) -> str:
        step = next(s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.25) if self.most / s <= 5 or s == 0.25)
        ticks = np.arange(0, self.most + 1e-9, step)
        lines = "".join(f'<path class="grid" d="M{_LEFT} {num(self.y(t))}H{_W - _RIGHT}"/><text class="tick y" '
                        f'x="{_LEFT - 6}" y="{num(self.y(t) + 4)}">{round(100 * t)} %</text>' for t in ticks)
        return f'{lines}<text class="tick label" x="{_W - _RIGHT}" y="{_H - 2}">{esc(label)}</text>'


def _svg(body: str, told: str, *, height: float = _H) -> Markup:
    return Markup(f'<svg class="chart" viewBox="0 0 {num(_W)} {num(height)}" role="img" aria-label="{esc(told)}">'
                  f'{body}</svg>')


def _linked(href: str | None, body: str, told: str) -> str:
    shown = f"<title>{esc(told)}</title>{body}"
    return f'<a href="{esc(href)}">{shown}</a>' if href else f"<g>{shown}</g>"


def _spot(x: float, y: float, outside: bool) -> str:
    """A group or period: a diamond where it is outside its limits, else a dot."""
    if outside:
        return f'<path class="out" d="M{num(x)} {num(y - 7)}l7 7l-7 7l-7 -7Z"/>'
    return f'<circle class="spot" cx="{num(x)}" cy="{num(y)}" r="4.5"/>'


def control_chart(chart: Chart, what: str, href: Href) -> Markup:
    """Shares by period with limits and moving average; a point outside is a diamond, not only another colour."""
    points = chart.points
    at = np.arange(len(points), dtype=float)
    frame = _Frame(max([p.rate.share for p in points] + [min(p.high, 1.5 * p.expected + 0.1) for p in points]), -0.5,
                   len(points) - 0.5)
    edges = np.repeat(at, 2) + np.tile([-0.5, 0.5], len(points))
    body = frame.axis("")
    band = np.concatenate([edges, edges[::-1]]), np.concatenate([np.repeat([p.high for p in points], 2),
                                                                 np.repeat([p.low for p in points], 2)[::-1]])
    body += frame.line(*band, "limits") + frame.line(edges, np.repeat([p.expected for p in points], 2), "centre")
    body += frame.line(at, np.array([p.average for p in points]), "average")
    body += frame.line(at, np.array([p.rate.share for p in points]), "shares")
    every = max(1, len(points) // 12)
    for i, p in enumerate(points):
        x, y = frame.x(i), frame.y(p.rate.share)
        spot = _spot(x, y, p.signal in ("above", "below"))
        body += _linked(href(p.rate.rows, f"{what}, {p.name}"), spot,
                        f"{p.name}: {p.rate.k} of {p.rate.n}, {percent(p.rate.share)}")
        if i % every == 0:
            body += f'<text class="tick x" x="{num(x)}" y="{_H - 16}">{esc(p.name.removeprefix("week of "))}</text>'
    return _svg(body, f"{what} by period, with limits")


def funnel_chart(funnel: Funnel, what: str, href: Href) -> Markup:
    """Each group's share against what its attempts are worth, with the funnel of chance."""
    worth = [p.rate.n_effective for p in funnel.places]
    frame = _Frame(max([p.rate.share for p in funnel.places] + [min(2 * funnel.centre, 1.0)]), 0, funnel.n[-1])
    body = frame.axis("attempts, at what they are worth when one trainee's are alike")
    for limits, style in ((funnel.alarm, "limits"), (funnel.warning, "limits inner")):
        body += frame.line(np.r_[funnel.n, funnel.n[::-1]], np.r_[limits[1], limits[0][::-1]], style)
    body += frame.line(np.array([0, funnel.n[-1]]), np.full(2, funnel.centre), "centre")
    body += "".join(f'<text class="tick x" x="{num(frame.x(t))}" y="{_H - 16}">{t:.0f}</text>'
                    for t in _round_ticks(float(funnel.n[-1])))
    taken = [(frame.x(n), frame.y(p.rate.share), 8.0) for p, n in zip(funnel.places, worth, strict=True)]
    for p, n in zip(funnel.places, worth, strict=True):
        x, y = frame.x(n), frame.y(p.rate.share)
        spot = _spot(x, y, p.place.startswith("very"))
        at, end = _free_place(x, y, 7.0 * len(p.name), taken)
        label = f'<text class="name{" end" if end else ""}" x="{num(at[0])}" y="{num(at[1])}">{esc(p.name)}</text>'
        body += _linked(href(p.rate.rows, f"{what} {p.name}: attempts with a fault"), spot + label,
                        f"{p.name}: {p.rate.k} of {p.rate.n}, {percent(p.rate.share)}")
    return _svg(body, f"Share of attempts with a fault by {what.lower()}, with the limits of chance")


def _free_place(x: float, y: float, width: float,
                taken: list[tuple[float, float, float]]) -> tuple[tuple[float, float], bool]:
    """Where a name of this width is written beside its spot, clear of what is taken (middle, height, half width)
    where that can be, and whether it ends there. The place is then taken."""
    sides = (-1, 1) if x > _W - 130 else (1, -1)
    places = [(x + side * 9, y + 4 + dy, side < 0) for dy in (0, 13, -13, 26, -26) for side in sides]

    def middle(px: float, end: bool) -> float:
        return px + (-width / 2 if end else width / 2)
    free = (p for p in places if all(abs(p[1] - 4 - b) > 11 or abs(middle(p[0], p[2]) - a) > width / 2 + h
                                     for a, b, h in taken))
    px, py, end = next(free, places[0])
    taken.append((middle(px, end), py - 4, width / 2))
    return (px, py), end


def _round_ticks(high: float) -> list[float]:
    step = next((s for s in (5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000) if high / s <= 8), high / 4)
    return [float(t) for t in np.arange(0, high, step)]


def learning_curve(learner: Learner) -> Markup:
    """The chance of passing over attempts with its 95 % band, and how each attempt went: a tick above passed, a tick
    below failed."""
    w, h = 260.0, 68.0
    m = int(learner.turns[-1])

    def x(attempt: float) -> float:
        return 8 + (w - 16) * np.log2(attempt) / max(np.log2(m + 1), 1)

    def y(share: float) -> float:
        return 16 + (h - 36) * (1 - share)
    at, chance = learner.at, learner.chance
    band = [(x(a), y(c)) for a, c in zip(at, chance[:, 0], strict=True)]
    band += [(x(a), y(c)) for a, c in zip(at[::-1], chance[::-1, 2], strict=True)]
    middle = [(x(a), y(c)) for a, c in zip(at, chance[:, 1], strict=True)]
    body = (f'<path class="grid" d="M8 {num(y(STEADY))}H{num(w - 8)}"/><path class="limits" d="{path(band)}Z"/>'
            f'<path class="average" d="{path(middle)}"/>')
    for turn, passed in zip(learner.turns, learner.passed, strict=True):
        if np.isfinite(passed):
            top = 4 if passed else h - 14
            body += f'<path class="{"passed" if passed else "failed"}" d="M{num(x(turn))} {num(top)}v9"/>'
    return Markup(f'<svg class="curve" viewBox="0 0 {num(w)} {num(h)}" role="img" aria-label="Chance of passing over '
                  f'{m} attempts of {esc(learner.name)}">{body}</svg>')


def yard_map(yard: Yard, layer: str, what: str, href: Href) -> Markup:
    """The yard from above, x to the right, y upwards. layer: 'near' (share of the attempts that came over a square, in
    per cent; squares with fewer than LEAST_CAME left out), 'faults' or 'lost' (number). A square holds its figure,
    not only a shade, and leads to its attempts."""
    found = {s: rows for s, rows in getattr(yard, layer).items() if layer != "near" or _came(yard, s) >= LEAST_CAME}
    value = {s: len(rows) / _came(yard, s) if layer == "near" else float(len(rows)) for s, rows in found.items()}
    most = max(value.values(), default=1.0)
    squares = [(yard.ix0 + int(i), yard.iy0 + int(j)) for i, j in np.argwhere(yard.came > 0)] + list(found)
    low = [min((s[k] for s in squares), default=0) for k in (0, 1)]
    size = [max((s[k] for s in squares), default=0) - low[k] + 1 for k in (0, 1)]
    cell = min(24.0, (_W - 40) / size[0])
    height = size[1] * cell + 24

    def at(s: tuple[int, int]) -> str:
        return (f'x="{num(30 + (s[0] - low[0]) * cell)}" y="{num((size[1] - 1 - s[1] + low[1]) * cell)}" '
                f'width="{num(cell)}" height="{num(cell)}"')
    body = "".join(f'<rect class="came" {at(s)}/>' for s in squares)
    for s, v in value.items():
        shade = min(7, int(8 * v / most))
        told = f"{what}, from x {s[0]} m, y {s[1]} m"
        text = f"{100 * v:.0f}" if layer == "near" else f"{v:.0f}"
        figure = (f'<text class="cell c{shade}" x="{num(30 + (s[0] - low[0] + 0.5) * cell)}" '
                  f'y="{num((size[1] - 0.5 - s[1] + low[1]) * cell + 3)}">{text}</text>' if cell >= 11 else "")
        body += _linked(href(np.array(found[s]), told), f'<rect class="heat h{shade}" {at(s)}/>{figure}',
                        f"{told}: {len(found[s])} attempts")
    for t in range(-(low[0] // -5) * 5, low[0] + size[0], 5):
        body += f'<text class="tick x" x="{num(30 + (t - low[0]) * cell)}" y="{num(height - 8)}">{_minus(t)}</text>'
    for t in range(-(low[1] // -2) * 2, low[1] + size[1], 2):
        body += (f'<text class="tick y" x="24" y="{num((size[1] - t + low[1]) * cell)}">{_minus(t)}</text>')
    return _svg(body, f"{what}: the yard from above, in metres from the bay's back line", height=height)


def _came(yard: Yard, s: tuple[int, int]) -> int:
    i, j = s[0] - yard.ix0, s[1] - yard.iy0
    return int(yard.came[i, j]) if 0 <= i < yard.came.shape[0] and 0 <= j < yard.came.shape[1] else 0


def squares(yard: Yard, layer: str) -> list[tuple[tuple[int, int], np.ndarray, int]]:
    """(square, its attempts, how many came over it) of the squares with most attempts on a layer, most first."""
    ordered = sorted(getattr(yard, layer).items(), key=lambda item: (-len(item[1]), item[0]))
    return [(s, np.array(rows), _came(yard, s)) for s, rows in ordered[:LISTED]]


def _minus(value: int) -> str:
    return str(value).replace("-", "−")
