"""What the app says: one catalogue a language, and how a browser's user wants pages to look.

catalogue/en.toml is the one every other language is measured against (a test compares keys and places for figures).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

LANGUAGES = {"en": "English", "de": "Deutsch"}
THEMES = ("paper", "sun", "night")
UNITS = ("m", "ft")
HANDS = ("right", "left")
COOKIE = "tailtrace_view"
FEET_IN_A_METRE = 1 / 0.3048  # exact, by definition of the international foot


@dataclass(frozen=True)
class View:
    """How one browser's user wants the pages."""

    language: str = "en"
    theme: str = "paper"
    units: str = "m"
    hand: str = "right"

    def cookie(self) -> str:
        return ".".join((self.language, self.theme, self.units, self.hand))


_CHOICES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("language", tuple(LANGUAGES)), ("theme", THEMES), ("units", UNITS), ("hand", HANDS))


def view_of(values: Mapping[str, str], accepted: str = "") -> View:
    """A View from what a form or cookie says; what is not known is left at its default.

    accepted: the browser's Accept-Language, for the first visit.
    """
    chosen = {key: values[key] for key, allowed in _CHOICES if values.get(key) in allowed}
    if "language" not in chosen:
        first = next((m[1].lower() for m in re.finditer(r"\b([a-zA-Z]{2})\b(?:-[a-zA-Z]+)?", accepted)
                      if m[1].lower() in LANGUAGES), "en")
        chosen["language"] = first
    return View(**chosen)


def view_of_cookie(cookie: str, accepted: str = "") -> View:
    return view_of(dict(zip((key for key, _ in _CHOICES), cookie.split("."), strict=False)), accepted)


@cache
def catalogue(language: str) -> Mapping[str, Mapping[str, str]]:
    """All sections of a language's catalogue."""
    return tomllib.loads((resources.files("cli.app") / "catalogue" / f"{language}.toml").read_text("utf-8"))


class Wording:
    """The words of one language. `say('queue.title')`; figures are put where the catalogue has {name}."""

    def __init__(self, language: str) -> None:
        self.language = language
        self._words = catalogue(language)

    def say(self, key: str, **figures: Any) -> str:
        section, _, name = key.partition(".")
        return self._words[section][name].format(**figures) if figures else self._words[section][name]

    def has(self, key: str) -> bool:
        section, _, name = key.partition(".")
        return name in self._words.get(section, {})

    def section(self, name: str) -> Mapping[str, str]:
        return self._words[name]

    def review(self, text: str) -> str:
        """A fixed text of the review page and sheets, which are written in English, in this language.

        What is not in the catalogue (sentences with their own grammar) stays English."""
        texts = self._words["review_texts"]
        if text in texts:
            return texts[text]
        for pattern, told in _patterns(self.language):
            if found := pattern.fullmatch(text):
                return told.format(**found.groupdict())
        return text


_FIGURE = r"[−\d][−\d.,:°%\s±]*(?:(?:cm|m/s|m|s|px)[\s±\d.,−]*)*"


@cache
def _patterns(language: str) -> tuple[tuple[re.Pattern[str], str], ...]:
    """The catalogue's texts with places for figures, {a} and {b}, as patterns."""
    def pattern(key: str) -> re.Pattern[str]:
        return re.compile(re.sub(r"\\{(\w)\\}", lambda place: f"(?P<{place[1]}>{_FIGURE})", re.escape(key)))

    return tuple((pattern(key), told) for key, told in catalogue(language)["review_texts"].items() if "{a}" in key)


_METRIC = re.compile(r"(?P<sign>[−-]?)(?P<value>\d+(?:\.\d+)?)(?P<space>[ \u00a0])(?P<unit>m/s|cm|m)(?![\w²/])")


def in_units(text: str, units: str, names: Collection[str] = ()) -> str:
    """The text with lengths and speeds in feet and inches if asked for: '12 cm' -> '4.7 in', '0.74 m' -> '2.4 ft'.

    names: of vehicles and the like, which stay as they are written ('12 m bus').
    One decimal: 0.1 in is 2.5 mm, 0.1 ft is 3 cm; metres given to the centimetre keep two decimals of a foot.
    """
    if units != "ft":
        return text
    for name in names:
        if name and name in text:
            return name.join(in_units(part, units, names) for part in text.split(name))

    def feet(found: re.Match[str]) -> str:
        value, unit = float(found["value"]), found["unit"]
        decimals = len(found["value"].partition(".")[2])
        if unit == "cm":
            return f"{found['sign']}{value / 2.54:.1f}{found['space']}in"
        return f"{found['sign']}{value * FEET_IN_A_METRE:.{decimals}f}{found['space']}{unit.replace('m', 'ft', 1)}"

    return _METRIC.sub(feet, text)
