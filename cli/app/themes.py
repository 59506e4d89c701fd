"""The colours of the app's pages in each theme, as CSS variables of the names the review page uses too.

Every pair of text and ground reaches 4.5 : 1 (WCAG 2.2, 1.4.3), in the sun theme 7 : 1 (1.4.6); a test checks it.
"""

from __future__ import annotations

from cli.palette import OVERLAY, PAPER

# What is told by colour is also told by shape and word; so in the sun theme colours may come close to each other.
SUN = PAPER | {"ink": "#000000", "soft": "#262626", "rule": "#000000", "paper": "#FFFFFF", "card": "#FFFFFF",
               "vehicle": "#000000", "sweep": "#E3E3E3", "tyre": "#004E80", "trail": "#6B3F00", "line": "#000000",
               "mark": "#6E2457", "box": "#004D39", "fault": "#8A2C00", "close": "#574000", "unseen": "#55296F",
               "note": "#00426B", "ok": "#004D39"}
NIGHT = PAPER | {"ink": "#ECEAE4", "soft": "#B4B6B5", "rule": "#3C444B", "paper": "#14191D", "card": "#1C2328",
                 "vehicle": "#ECEAE4", "sweep": "#343D43", "tyre": "#7CC4EE", "trail": "#EBB04D", "line": "#ECEAE4",
                 "mark": "#DFA0C3", "box": "#4FC4A0", "fault": "#FF9A66", "close": "#E5C04E", "unseen": "#CFA6E6",
                 "note": "#86C8F0", "ok": "#4FC4A0"}
THEMES = {"paper": PAPER, "sun": SUN, "night": NIGHT}


def colours_css(theme: str) -> str:
    """The theme's variables; a browser that asks for more contrast gets the sun theme in place of the paper one."""
    def block(colours: dict[str, str]) -> str:
        return ":root{" + "".join(f"--{k}:{v};" for k, v in colours.items()) + \
            "".join(f"--on-{k}:{v};" for k, v in OVERLAY.items()) + "}"

    text = block(THEMES[theme])
    if theme == "paper":
        text += "@media (prefers-contrast: more){" + block(SUN) + "}"
    return text
