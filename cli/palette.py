"""The colours of everything drawn, in one place.

Derived from the colour-blind-safe set of Okabe and Ito; because several of its colours are too
faint on white paper or on asphalt (WCAG 2.2, 1.4.11), each overlay line gets a dark halo and a
dash or shape of its own, and the paper versions are darkened until they reach 4.5 : 1.
"""

from __future__ import annotations

OVERLAY = {  # on the clip, always over a dark halo
    "vehicle": "#F0E442",
    "tyre": "#56B4E9",
    "trail": "#E69F00",
    "line": "#FFFFFF",
    "mark": "#CC79A7",
    "box": "#009E73",
    "solid": "#FFFFFF",
    "halo": "#10151A",
}
PAPER = {  # on the plan, the charts and in text
    "ink": "#1B2228",
    "soft": "#59636B",
    "rule": "#D8D5CC",
    "paper": "#FBFAF6",
    "card": "#FFFFFF",
    "vehicle": "#1B2228",
    "sweep": "#E4E1D7",
    "tyre": "#0072B2",
    "trail": "#9A5B00",
    "line": "#1B2228",
    "mark": "#8B3E70",
    "box": "#00684C",
    "fault": "#A83F00",
    "close": "#735400",
    "unseen": "#6B3F86",
    "note": "#005F94",
    "ok": "#00684C",
}


def bgr(hex_colour: str) -> tuple[int, int, int]:
    """'#RRGGBB' as OpenCV wants it."""
    r, g, b = (int(hex_colour[i:i + 2], 16) for i in (1, 3, 5))
    return b, g, r
