"""The small drawing of a dry-steered wheel: as it stood before and after the stop, each with its 95 % fan."""

from __future__ import annotations

import math

from analysis.attempt import DryTurn
from cli import words
from cli.pages.svg import esc, num, path

_R = 38.0  # how far the fan reaches, in drawing units


def wheel_drawing(turn: DryTurn) -> str:
    told = (f"Wheel {words.steering(turn.wheel_before_rad)} before and {words.steering(turn.wheel_after_rad)} after "
            f"the stop")
    before = _wheel(36, turn.wheel_before_rad, turn.sd_before_rad, "before")
    after = _wheel(190, turn.wheel_after_rad, turn.sd_after_rad, "after")
    return (f'<svg class="wheels" viewBox="0 0 290 62" role="img" aria-label="{esc(told)}">{before}'
            f'<path class="arrow" d="M136 34H156M150 29L156 34L150 39"/>{after}</svg>')


def _wheel(x: float, angle_rad: float, sd_rad: float, when: str) -> str:
    """Seen from above, the vehicle's front upwards: a wheel turned left points up and to the left."""
    y, half = 44.0, min(words.Z95 * sd_rad, math.pi / 2)

    def at(a: float, r: float) -> tuple[float, float]:
        return x - r * math.sin(a), y - r * math.cos(a)

    steps = [angle_rad - half + k * half / 8 for k in range(17)]
    fan = path([(x, y), *[at(a, _R) for a in steps]], closed=True)
    beside = x + 34
    return (f'<path class="fan" d="{fan}"/><path class="ahead" d="M{num(x)} {num(y + 16)}V{num(y - _R - 4)}"/>'
            f'<rect class="tyre" x="{num(x - 4)}" y="{num(y - 13)}" width="8" height="26" rx="2" '
            f'transform="rotate({num(-math.degrees(angle_rad))} {num(x)} {num(y)})"/>'
            f'<path class="aim" d="{path([(x, y), at(angle_rad, _R)])}"/>'
            f'<text class="when" x="{num(beside)}" y="22">{when}</text>'
            f'<text x="{num(beside)}" y="36">{esc(words.steering(angle_rad))}</text>'
            f'<text x="{num(beside)}" y="50">± {words.degrees(half)}</text>')
