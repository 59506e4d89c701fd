"""Small helpers to write SVG and HTML as text. Every word that came from a file goes through `esc`."""

from __future__ import annotations

import html
from collections.abc import Iterable

import numpy as np


def esc(text: object) -> str:
    return html.escape(str(text), quote=True)


def num(value: float) -> str:
    """A coordinate, short: at most three decimals, no trailing zeros."""
    return f"{value:.3f}".rstrip("0").rstrip(".") or "0"


def path(points: Iterable[Iterable[float]], *, closed: bool = False) -> str:
    """Path data through (x, y) points."""
    pairs = [" ".join(num(float(v)) for v in p) for p in points]
    return "M" + "L".join(pairs) + ("Z" if closed else "") if pairs else ""


def flipped(points_m: np.ndarray) -> np.ndarray:
    """Course metres (y up) as SVG coordinates (y down)."""
    return np.asarray(points_m, float) * [1, -1]


def icon(group: str, label: str = "") -> str:
    """The sign of a group of findings: a shape of its own, so that colour is never needed to tell it."""
    described = f'role="img" aria-label="{esc(label)}"' if label else 'aria-hidden="true"'
    return f'<svg class="icon" viewBox="0 0 20 20" {described}><use href="#sign-{group}"/></svg>'
