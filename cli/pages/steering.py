"""How the wheel was used in the run, as rows of words and figures."""

from __future__ import annotations

import math

from analysis.attempt import Attempt
from cli import words
from cli.pages.svg import esc


def steering_figures(attempt: Attempt) -> tuple[tuple[str, str, float | None], ...]:
    """(label, figure, time to look at in s or None) for each figure that there is."""
    s = attempt.steering
    rows: list[tuple[str, str, float | None]] = []
    if s.wheel_on_s is not None:
        where = f"after {words.metres(s.wheel_on_after_m or 0.0)} of reversing"
        if s.wheel_on_beyond_pivot_m is not None:
            side = "before" if s.wheel_on_beyond_pivot_m > 0 else "past"
            where += f", the rear {words.metres(abs(s.wheel_on_beyond_pivot_m))} {side} the pivot cone"
        rows.append(("Wheel first on", f"{words.clock(s.wheel_on_s)}, {where}", s.wheel_on_s))
    if s.second_turn_s is not None and s.second_turn_heading_rad is not None:
        heading = s.second_turn_heading_rad
        nose = f"nose {words.degrees(abs(heading))} to the {'left' if heading > 0 else 'right'} of the bay's line"
        later = f"{words.metres(s.second_turn_after_m or 0.0)} later"
        rows.append(("Second turn", f"{words.clock(s.second_turn_s)}, {later}, {nose}", s.second_turn_s))
    if s.lock_to_lock_s is not None and s.lock_to_lock_rad is not None:
        rows.append(("From one side to the other", f"{words.degrees(s.lock_to_lock_rad)} in "
                     f"{words.number(s.lock_to_lock_s, 1)} s and {words.metres(s.lock_to_lock_m or 0.0)}", None))
    if s.largest_rad is not None:
        rows.append(("Largest wheel angle", f"{_to_a_side(s.largest_rad)} ± "
                     f"{words.degrees(words.Z95 * (s.sd_largest_rad or 0.0))} at {words.clock(s.largest_s or 0.0)}",
                     s.largest_s))
    if s.turned_per_m_rad is not None and s.corrections is not None:
        changes = "1 change of sense" if s.corrections == 1 else f"{s.corrections} changes of sense"
        rows.append(("Smoothness of the reverse", f"{words.degrees(s.turned_per_m_rad)} turned per metre, {changes}",
                     None))
    if s.crawls:
        worst = max(s.crawls, key=lambda c: abs(c.per_m_rad))
        rows.append(("Most turned over one metre", f"{_to_a_side(worst.per_m_rad)} ± "
                     f"{words.degrees(words.Z95 * worst.sd_per_m_rad)} at {words.clock(worst.t_start_s)}",
                     worst.t_start_s))
    return tuple(rows)


def _to_a_side(angle_rad: float) -> str:
    return f"{math.degrees(abs(angle_rad)):.0f}° to the {'left' if angle_rad > 0 else 'right'}"


def steering_html(attempt: Attempt) -> str:
    """The figures as a list; a figure that has its moment takes the clip there."""
    rows = steering_figures(attempt)
    if not rows:
        return '<p class="empty">The wheel was not seen to be used in a reverse.</p>'
    return '<dl class="long">' + "".join(
        f"<div><dt>{esc(label)}</dt><dd>"
        + (f'<button class="least" data-seek="{t:.3f}">{esc(figure)}</button>' if t is not None else esc(figure))
        + "</dd></div>" for label, figure, t in rows) + "</dl>"
