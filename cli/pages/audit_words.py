"""How the audit's findings are said: one sentence each, with the figure and its interval in it."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby

from analysis.audit.agreement import Agreement
from analysis.audit.audit import Audit
from analysis.audit.control import Chart, Point
from analysis.audit.effects import Effect, Effects
from analysis.audit.learning import NEVER, Learner, Learning
from analysis.audit.measures import BY_NAME, ROOM_LOST
from analysis.audit.patterns import Pattern
from analysis.audit.rates import Rate
from cli import words
from cli.pages.audit_charts import percent

DIMENSION_WORDS = {"instructor": "Instructor", "vehicle": "Vehicle", "course": "Course", "trainee": "Trainee"}
PLACE_WORDS = {"inside": "within what chance gives", "high": "above 95 % of what chance gives",
               "low": "below 95 % of what chance gives", "very high": "higher than chance gives",
               "very low": "lower than chance gives"}
_LATELY = 12  # periods back that the overview still tells of
_KINDS = {"": "Any fault", ROOM_LOST: "Bay out of reach without a shunt"}
_SIGNAL_WORDS = {"above": "above what is usual for attempts like these", "below": "below what is usual for attempts "
                 "like these", "rising": "the moving average is above its limit",
                 "falling": "the moving average is below its limit"}


def kind(name: str) -> str:
    if name in _KINDS:
        return _KINDS[name]
    return words.KIND_WORDS.get(name, words.place(name).capitalize())


def rate(r: Rate) -> str:
    """'31 of 80, 39 % (28 to 51 %)'"""
    if not r.n:
        return "no attempts"
    return f"{r.k} of {r.n}, {percent(r.share)} ({100 * r.low:.0f} to {percent(r.high)})"


def points(fraction: float) -> str:
    return words.minus(f"{100 * fraction:+.1f}")


def number(value: float, unit: str) -> str:
    decimals = {"deg": 1, "m": 2, "m/s": 2}.get(unit, 1)
    return words.number(value, decimals) + {"deg": "°", "m": " m", "m/s": " m/s"}.get(unit, "")


def signals(chart: Chart, what: str) -> list[tuple[str, list[Point]]]:
    """One sentence for each run of signals of the same kind in periods that follow one another, with its periods."""
    out = []
    numbered = [(i, p) for i, p in enumerate(chart.points) if p.signal]
    for (signal, _), run in groupby(enumerate(numbered), key=lambda e: (e[1][1].signal, e[1][0] - e[0])):
        at = [p for _, (_, p) in run]
        when = at[0].name if len(at) == 1 else f"{at[0].name} to {at[-1].name}"
        k, n = sum(p.rate.k for p in at), sum(p.rate.n for p in at)
        usual = sum(p.expected * p.rate.n for p in at) / n
        out.append((f"{what}, {when}: {_SIGNAL_WORDS[signal]} ({k} of {n}, {percent(k / n)}; usual {percent(usual)}).",
                    at))
    return out


def pattern(p: Pattern) -> str:
    later = f"'{kind(p.later)}'"
    more = "more often" if p.effect > 0 else "less often"
    if p.shape == "fault":
        return f"'{kind(p.early)}' in the drive forward or the first reverse goes with {later} later {more}"
    m = BY_NAME[p.early]
    if p.shape == "far":
        return f"{m.title}: far from the usual {number(p.usual, m.unit)}, to either side, goes with {later} {more}"
    return f"{m.title}: {m.high if p.effect > 0 else m.low} goes with {later} more often"


def pattern_effect(p: Pattern) -> str:
    low, high, middle = p.low, p.high, p.effect
    if p.shape == "signed" and p.effect < 0:
        low, middle, high = -p.high, -p.effect, -p.low
    per = "with it than without" if p.shape == "fault" else f"for each {number(p.step, BY_NAME[p.early].unit)}"
    return f"{points(middle)} points ({points(low)} to {points(high)}) {per}"


def part_names(p: Pattern) -> list[str]:
    if p.shape == "fault":
        return ["without", "with"]
    unit = BY_NAME[p.early].unit
    a, b = (number(v, unit) for v in p.bounds)
    if p.shape == "far":
        return [f"within {a} of the usual", f"{a} to {b} away", f"more than {b} away"]
    return [f"below {a}", f"{a} to {b}", f"above {b}"]


def readiness(k: Learner) -> str:
    return f"{percent(k.ready)} ({100 * k.low:.0f} to {percent(k.high)})"


def needed(k: Learner) -> str:
    """From which attempt on a pass is steady: '12 (8 to 31)'."""
    def n(v: int) -> str:
        return "not in sight" if v >= NEVER else str(v)
    if k.needed_high <= k.turns[-1] + 1:
        return "reached"
    return f"{n(k.needed)} ({n(k.needed_low)} to {n(k.needed_high)})"


def most_often(rates: Mapping[str, Rate]) -> tuple[str, Rate] | None:
    """The kind of fault with the largest share, and its rate; None when there is none."""
    kinds = [(k, r) for k, r in rates.items() if k and r.k]
    return max(kinds, key=lambda item: item[1].share, default=None)


def learning(found: Learning) -> str:
    odds = [2.718281828 ** v for v in (found.gain, found.gain_low, found.gain_high)]
    what = ("practice helps" if found.gain_low > 0 else "practice makes it worse" if found.gain_high < 0
            else "whether practice helps cannot be told from these attempts")
    return (f"{what[0].upper()}{what[1:]}: each doubling of the number of attempts multiplies the odds of passing by "
            f"{odds[0]:.2f} ({odds[1]:.2f} to {odds[2]:.2f}).")


def effect_name(e: Effect) -> str:
    if e.group == "experience":
        return "Twice as many attempts behind the trainee"
    if e.group == "setout":
        m = BY_NAME[e.name]
        return f"{m.title}: 10 cm {m.high}"
    return f"{DIMENSION_WORDS[e.group]} {e.name}"


def effect(e: Effect, unit: str = "m") -> str:
    if unit == "m":
        a, b, c = (words.minus(f"{100 * v:+.1f}") for v in (e.estimate, e.low, e.high))
        return f"{a} cm ({b} to {c} cm)"
    return f"{number(e.estimate, unit)} ({number(e.low, unit)} to {number(e.high, unit)})"


def agreement(a: Agreement) -> str:
    n, same = int(a.table.sum()), int(a.table.trace())
    text = f"{same} of {n} judged findings were confirmed"
    if a.kappa is None:
        return f"{text}; too few or too alike to say more."
    return f"{text}; Cohen's kappa {words.number(a.kappa, 2)} ({words.number(a.low or 0.0, 2)} to " \
           f"{words.number(a.high or 0.0, 2)})."


def standing_out(found: Audit) -> list[tuple[str, str, str]]:
    """What the overview tells first: (page, section's title, sentence), each from a section of its own."""
    out = []
    for key, chart in found.charts.items():
        lately = {p.name for p in chart.points[-_LATELY:]}
        told = [sentence for sentence, at in signals(chart, kind(key)) if at[-1].name in lately]
        out += [("time.html", "Over time", sentence) for sentence in told[-1:]]
    for dimension, funnel in found.funnels.items():
        for p in funnel.places:
            if p.place.startswith("very"):
                out.append(("groups.html", "Groups", f"{DIMENSION_WORDS[dimension]} {p.name}: "
                            f"{PLACE_WORDS[p.place]}, {rate(p.rate)}; all: {percent(funnel.centre)}."))
    strongest = {(p.early, p.later): p for p in reversed(found.patterns.told)}
    told_of = [p for p in found.patterns.told if strongest[p.early, p.later] is p][:4]
    out += [("patterns.html", "Patterns", f"{pattern(p)}: {pattern_effect(p)}.") for p in told_of]
    for e in found.effects:
        out += [("groups.html#apart", "Apart from the drivers", f"{BY_NAME[e.measure].title}: "
                 f"{effect_name(x)} {effect(x)}.") for x in e.effects if x.group == "vehicle" and x.clear
                and abs(x.estimate) >= 0.05]
    return out


def not_told(e: Effects) -> list[str]:
    return [f"{DIMENSION_WORDS[group]}: {why}." for group, why in e.not_told]
