"""Wording, units, colours, captions and the taking apart of stored pages: no server, no browser."""

from __future__ import annotations

import re
import string
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.rules import KINDS
from cli.app import blur, vtt
from cli.app.people import correction_of
from cli.app.rewrite import take_apart
from cli.app.themes import THEMES, colours_css
from cli.app.wording import LANGUAGES, View, Wording, catalogue, in_units, view_of, view_of_cookie
from vision.camera import Camera, Lens

APP = Path(__file__).parents[1] / "cli" / "app"
OPEN = ("kinds", "places", "review_texts")  # what English says elsewhere, a language may say here


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


# ---- the catalogue -------------------------------------------------------------------------------------


@pytest.mark.parametrize("language", [k for k in LANGUAGES if k != "en"])
def test_every_language_says_all_that_english_says(language: str) -> None:
    english, other = catalogue("en"), catalogue(language)
    assert set(english) == set(other)
    for section in set(english) - set(OPEN):
        assert set(english[section]) == set(other[section]), section
        for key, text in english[section].items():
            assert other[section][key].strip(), f"{section}.{key} is empty"
            assert places(text) == places(other[section][key]), f"{section}.{key}"
    for text, told in other["review_texts"].items():
        assert places(text) == places(told)


def test_no_word_of_a_page_stands_outside_the_catalogue() -> None:
    """Templates hold no text of their own: between tags there is markup of the template language only."""
    for template in (APP / "templates").glob("*.html"):
        text = re.sub(r"\{%.*?%\}|\{\{.*?\}\}|\{#.*?#\}|<!doctype html>", "", template.read_text(), flags=re.S)
        words = [w for w in re.sub(r"<[^>]*>", " ", text).split() if re.search(r"[A-Za-z]{2,}", w)]
        assert set(words) <= {"tailtrace", "px", "MB"}, template.name


def test_every_key_asked_for_is_in_the_catalogue() -> None:
    english = catalogue("en")
    for template in (APP / "templates").glob("*.html"):
        for key in re.findall(r'say\(["\']([a-z_.]+)["\']\s*[,)]', template.read_text()):
            section, _, name = key.partition(".")
            assert name in english[section], f"{template.name}: {key}"
    for script in (APP / "static").glob("*.js"):
        for key in re.findall(r'\bsay\("([a-z_]+)"[,)]', script.read_text()):
            assert key in english["script"], f"{script.name}: {key}"


@pytest.mark.parametrize("language", [k for k in LANGUAGES if k != "en"])
def test_every_kind_of_finding_has_a_name(language: str) -> None:
    assert set(catalogue(language)["kinds"]) == set(KINDS)


def test_what_a_browser_asks_for_decides_the_first_language() -> None:
    assert view_of_cookie("", "de-AT,de;q=0.9,en;q=0.8").language == "de"
    assert view_of_cookie("", "fr-FR,en;q=0.5").language == "en"
    assert view_of_cookie("de.sun.ft.left") == View("de", "sun", "ft", "left")
    assert view_of_cookie("xx.<script>.yards") == View()
    assert view_of({"theme": "night", "units": "furlong"}) == View(theme="night")


def test_texts_of_stored_pages_in_german() -> None:
    say = Wording("de").review
    assert say("Too close to call") == "Zu knapp"
    assert say("0:05.0 to 0:07.0") == "0:05.0 bis 0:07.0"
    assert say("limit 10.0°") == "Grenze 10.0°"
    assert say("least: right −0.06 m at 0:12.0") == "kleinster: rechts −0.06 m bei 0:12.0"
    assert say("Wheel turned 25.0° to the left while standing") == "Wheel turned 25.0° to the left while standing"
    assert Wording("en").review("limit 10.0°") == "limit 10.0°"


# ---- feet ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("metric", "imperial"), [
    ("−12 cm ± 5 cm", "−4.7 in ± 2.0 in"), ("0.74 m", "2.43 ft"), ("1.60 m/s", "5.25 ft/s"), ("27° ± 9°", "27° ± 9°"),
    ("at 1:01.6 (± 8 cm)", "at 1:01.6 (± 3.1 in)"), ("12 marks", "12 marks"), ("5 m²", "5 m²"),
    ("pivot: 0.11 m from the plan", "pivot: 0.36 ft from the plan"), ("1920 px", "1920 px")])
def test_lengths_in_feet(metric: str, imperial: str) -> None:
    # 1 in = 2.54 cm and 1 ft = 0.3048 m exactly
    assert in_units(metric, "ft") == imperial
    assert in_units(metric, "m") == metric


def test_names_keep_their_figures() -> None:
    assert in_units("T1 · 12 m bus · 3 m short", "ft", ["12 m bus"]) == "T1 · 12 m bus · 10 ft short"


# ---- colours ------------------------------------------------------------------------------------------------


def contrast(a: str, b: str) -> float:
    """Contrast ratio of two colours: WCAG 2.2, definition of relative luminance and 1.4.3."""
    def luminance(colour: str) -> float:
        channels = [int(colour[i:i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_worked_out_right() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21)
    assert contrast("#0072B2", "#FFFFFF") == pytest.approx(5.19, abs=0.01)


@pytest.mark.parametrize(("theme", "least"), [("paper", 4.5), ("sun", 7.0), ("night", 4.5)])
def test_every_theme_can_be_read(theme: str, least: float) -> None:
    colours = THEMES[theme]
    for text in ("ink", "soft", "fault", "close", "unseen", "note", "ok", "mark", "trail"):
        for ground in ("paper", "card"):
            assert contrast(colours[text], colours[ground]) >= least, (text, ground)
    assert contrast(colours["paper"], colours["ink"]) >= least  # the main buttons
    assert f"--ink:{colours['ink']};" in colours_css(theme)


# ---- captions -------------------------------------------------------------------------------------------------


def test_chapters_and_captions_are_webvtt() -> None:
    record = {"legs": [{"t_start_s": 1.0, "t_end_s": 61.2345, "direction": -1}],
              "stops": [{"t_start_s": 61.2345, "t_end_s": 3700.0, "kind": "final"}]}
    assert vtt.chapters(record, lambda key: key) == (
        "WEBVTT\n\n00:00:01.000 --> 00:01:01.235\nvtt.reverse\n\n00:01:01.234 --> 01:01:40.000\nvtt.stop_final\n")
    findings = [{"verdict": "fault", "t_start_s": 5.0, "t_end_s": 5.0, "sentence": "a <b> --> c\n\nd & e"},
                {"verdict": "ok", "t_start_s": 1.0, "t_end_s": 2.0, "sentence": "fine"},
                {"verdict": "fault", "t_start_s": 0.0, "t_end_s": 60.0, "sentence": "the whole run"}]
    text = vtt.captions(findings, lambda f: f["sentence"], 60.0)
    assert text == "WEBVTT\n\n00:00:05.000 --> 00:00:07.000\na &lt;b&gt; --&gt; c d &amp; e\n"


# ---- stored pages ------------------------------------------------------------------------------------------------


def test_a_stored_page_comes_apart_without_scripts_or_styles() -> None:
    page = ('<html><head><style>b{}</style></head><body><p style="left:3%" onclick="x()" title="Play">1 &lt; 2</p>'
            '<video id="video" src="old.mp4" muted></video><svg viewBox="0 0 1 1"><path d="M0 0"/></svg>'
            '<button class="finding" data-seek="5">Fault</button><button class="other">Close</button>'
            '<script type="application/json" id="data">{"a":"\\u003c/script>"}</script>'
            '<script>evil()</script></body></html>')
    taken = take_apart(page, lambda text: text.upper(), clip="/clip", tracks="<track>")
    assert taken.data == {"a": "</script>"}
    assert taken.script == "evil()"
    assert taken.body == ('<p data-style="left:3%" title="PLAY">1 &lt; 2</p>'
                          '<video id="video" muted src="/clip"><track></video>'
                          '<svg viewbox="0 0 1 1"><path d="M0 0"/></svg>'
                          '<button class="finding" data-seek="5" data-finding="0">FAULT</button>'
                          '<button class="other">CLOSE</button>')


# ---- what people say -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("body", [{"action": "delete"}, {"action": "time", "t_start_s": "5"},
                                  {"action": "time", "t_start_s": float("nan")}, {"action": "add", "t_start_s": 99.0},
                                  {"action": "time", "t_start_s": -1}, {"action": "time", "t_start_s": True}])
def test_what_makes_no_sense_is_not_kept(body: Mapping[str, Any]) -> None:
    from analysis.trouble import Trouble
    with pytest.raises(Trouble):
        correction_of(body, "I-1", "because", 12.0)


# ---- people made unrecognisable --------------------------------------------------------------------------------------


def test_everything_but_the_vehicle_is_coarsened() -> None:
    down = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]])
    camera = Camera(Lens(640, 360, 800.0, 800.0, 319.5, 179.5), down, np.array([0.0, 0.0, 40.0]))  # 20 px a metre
    rng = np.random.default_rng(1)
    picture = rng.integers(0, 255, (360, 640, 3), np.uint8).astype(np.uint8)
    page = {"motion": {"t": [0.0, 1.0, 2.0], "known": [1, 1, 0]},
            "bodies": [{"path": {"x": [0.0, 2.0, 0], "y": [0.0, 0.0, 0], "heading": [0.0, 0.0, 0]},
                        "solids": [{"ring": [[-2, -1], [4, -1], [4, 1], [-2, 1]], "low": 0.3, "high": 3.0}]}]}
    keep, = blur.outlines_px(page, camera, 0.5)
    # the solid's top at 3 m is seen larger by 40 / 37: x from -1 m to 5 m, y ± 1 m
    assert keep.min(axis=0) == pytest.approx([319.5 - 1 * 800 / 37, 179.5 - 800 / 37], abs=0.1)
    assert keep.max(axis=0) == pytest.approx([319.5 + 5 * 800 / 37, 179.5 + 800 / 37], abs=0.1)
    coarse = blur.coarsened(picture, camera, [keep])
    assert (coarse[175:185, 330:400] == picture[175:185, 330:400]).all()
    outside = coarse[20:140]
    assert np.abs(np.diff(outside.astype(int), axis=1)).sum() < 0.1 * np.abs(
        np.diff(picture[20:140].astype(int), axis=1)).sum()
    runs = np.flatnonzero(np.abs(np.diff(coarse[40].astype(int), axis=0)).sum(axis=1))
    assert np.diff(runs).min() >= 6  # blocks of 8 px here: 0.3 m are 6 px, and no block is under 8 px
    assert blur.outlines_px(page, camera, 1.5) == []  # next to a gap nothing is kept sharp
