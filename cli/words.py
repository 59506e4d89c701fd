"""How figures and verdicts are written for people: one place, so that page, terminal and pictures agree."""

from __future__ import annotations

import math
import re

from analysis import wording as told
from analysis.attempt import Attempt, Finding, SensorUse

Z95 = told.WIDE  # half width of a 95 % interval in standard deviations
clock = told.clock

VERDICT_WORDS = {"ok": "In order", "fault": "Fault", "too close to call": "Too close to call", "not seen": "Not seen"}
VERDICT_SENTENCES = {"ok": "No fault found", "fault": "Not within the rules",
                     "too close to call": "No clear fault, but too close to call",
                     "not seen": "No fault seen, but not everything was seen"}
GROUPS = ("fault", "too close to call", "not seen", "note", "ok")
GROUP_TITLES = {"fault": "Faults", "too close to call": "Too close to call", "not seen": "Not seen",
                "note": "Worth knowing", "ok": "In order"}
COLOUR = {"fault": "fault", "too close to call": "close", "not seen": "unseen", "note": "note", "ok": "ok"}
KIND_WORDS = {"tyre_over_line": "Tyre and side line", "body_over_line": "Body over side line",
              "mark_touched": "Cone or pole touched", "mark_close": "Close to a cone", "shunt_count": "Shunts",
              "dry_steering": "Dry steering", "stopping_box": "Stopping box", "barrier": "Barrier",
              "final_heading": "Straight in the bay", "forward_pair": "Forward pair",
              "crawl_steering": "Steering at a crawl", "jack_knife": "Angle to the trailer",
              "data_sheet": "Vehicle file", "inside_bay": "Inside the bay", "looks": "Getting out to look",
              "speed_near_mark": "Speed near a cone", "mark_unseen": "Close and out of sight"}
CAUTION = ("Training aid, not an official test result. Keep people clear of a reversing vehicle, "
           "and fly only as your local drone rules allow.")


def place(name: str) -> str:
    """The name of a mark, line or tyre, short: 'mouth_left' -> 'left mouth'."""
    return told.words(name).removesuffix(" cone")


def minus(text: str) -> str:
    """With a true minus sign, and without a negative zero."""
    return text.replace("-", "−") if any(c in "123456789" for c in text) else text.replace("-", "")


def number(value: float, decimals: int) -> str:
    return minus(f"{value:.{decimals}f}")


def metres(value_m: float) -> str:
    return f"{number(value_m, 2)} m"


def degrees(value_rad: float) -> str:
    return f"{number(math.degrees(value_rad), 1)}°"


def span(t_start_s: float, t_end_s: float) -> str:
    a, b = clock(t_start_s), clock(t_end_s)
    return a if a == b else f"{a} to {b}"


def unbroken(text: str) -> str:
    """With spaces inside a figure that no line may break at: '± 4 cm' stays together."""
    return re.sub(r"(?<=±) | (?=± \d)|(?<=\d) (?=(?:cm|m|m/s|s)\b)", "\u00a0", text)


def _unit(value: float, unit: str) -> tuple[float, str, int]:
    """The value and unit as shown, and how many decimals."""
    match unit:
        case "m/s":
            return value, " m/s", 2
        case "deg":
            return value, "°", 1
        case "s":
            return value, " s", 1
        case "1":
            return value, "", 0
        case _:
            return value, f" {unit}", 2


def figure(value: float | None, sd: float | None, unit: str) -> str:
    """A figure with its 95 % interval: '−12 cm ± 5 cm'; '' when there is none. Lengths as in the sentences."""
    if value is None or not math.isfinite(value):
        return ""
    if unit == "m":
        length = ("−" if round(value, 2) < 0 else "") + told.length(value)
        return f"{length} {told.margin(sd)}" if sd and math.isfinite(sd) else length
    shown, suffix, decimals = _unit(value, unit)
    text = f"{number(shown, decimals)}{suffix}"
    if sd and math.isfinite(sd) and unit != "1":
        half, _, _ = _unit(Z95 * sd, unit)
        text += f" ± {number(max(half, 10.0 ** -decimals), decimals)}{suffix}"
    return text


def sensors(use: SensorUse) -> str:
    """How a sensor log was laid onto the clip, and what it brought."""
    ratio = f", steering ratio {number(abs(use.steering_ratio), 1)}" if use.steering_ratio else ""
    without, given = (degrees(Z95 * sd) for sd in (use.mean_sd_wheel_without_rad, use.mean_sd_wheel_with_rad))
    return (f"The sensor log fits the run (correlation {number(use.correlation, 2)}; {number(use.shift_s, 2)} s added "
            f"to its clock{ratio}). While rolling, the wheel angle is known to ± {given} instead of ± {without}.")


def group(finding: Finding) -> str:
    """Under which heading a finding is told. What does not count is never shown among the faults."""
    if finding.verdict == "ok":
        return "ok"
    return finding.verdict if finding.severity == "fault" else "note"


def verdict(finding: Finding) -> str:
    """The verdict in words; that of something which does not count says so."""
    return GROUP_TITLES["note"] if group(finding) == "note" else VERDICT_WORDS[finding.verdict]


def worst_first(findings: tuple[Finding, ...]) -> list[Finding]:
    return sorted(findings, key=lambda f: (GROUPS.index(group(f)), f.t_start_s))


def numbered(findings: tuple[Finding, ...]) -> list[tuple[int, Finding]]:
    """Worst first; 1, 2, … for what needs a look, 0 for what is in order. The numbers used in all pictures."""
    ordered = worst_first(findings)
    return [(i + 1 if group(f) != "ok" else 0, f) for i, f in enumerate(ordered)]


def counts(attempt: Attempt) -> dict[str, tuple[int, str]]:
    """For each group that has findings: how many, and the words that go with the number."""
    n = {g: sum(group(f) == g for f in attempt.findings) for g in GROUPS}
    return {g: (k, "fault" if g == "fault" and k == 1 else GROUP_TITLES[g].lower()) for g, k in n.items() if k}


def headline(attempt: Attempt) -> str:
    """The attempt's verdict in a few words."""
    told_of = [f"{k} {what}" for g, (k, what) in counts(attempt).items() if g not in ("note", "ok")]
    allowed = attempt.rules.points_allowed
    if allowed is not None:
        told_of.append(f"{points(attempt)} of the {allowed} points allowed")
    return ", ".join(told_of) or "No fault found"


def verdict_sentence(attempt: Attempt) -> str:
    """What the run came to, in a few words."""
    if attempt.verdict == "ok" and attempt.rules.points_allowed is not None and attempt.points("fault"):
        return "Within the points allowed"
    return VERDICT_SENTENCES[attempt.verdict]


def points(attempt: Attempt) -> str:
    """'4', or '4 to 8' when some findings are too close to call or not seen."""
    sure = attempt.points("fault")
    most = attempt.points("fault", "too close to call", "not seen")
    return str(sure) if sure == most else f"{sure} to {most}"


def steering(wheel_rad: float) -> str:
    """'12.3° left', '0.4° right', 'straight' below a tenth of a degree."""
    if abs(math.degrees(wheel_rad)) < 0.05:
        return "straight"
    return f"{degrees(abs(wheel_rad))} {'left' if wheel_rad > 0 else 'right'}"


def bent(articulation_rad: float) -> str:
    """How the trailer stands behind the vehicle: '23.4°, tail right', 'straight' below a tenth of a degree."""
    if abs(math.degrees(articulation_rad)) < 0.05:
        return "straight"
    return f"{degrees(abs(articulation_rad))}, tail {'right' if articulation_rad > 0 else 'left'}"
