"""The review page, opened in a real browser from disk, without a network."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsing import chromium_running, needs_browser
from fake_attempt import make_attempt, write_clip
from fake_room import loss, make_room, shunt, stop_map

from analysis.attempt import Attempt
from analysis.judge import with_room
from cli import scene
from cli.pages.charts import nearest_mark, strips
from cli.pages.mirror_strip import mirror_strip
from cli.pages.review import review_page
from cli.pages.room_view import room_sections, room_strips
from vision.footage import open_footage


def explained() -> Attempt:
    """The hand-made attempt with made-up room left, lost at 2.5 s."""
    attempt = make_attempt()
    return with_room(attempt, make_room(attempt, largest=loss(), shunts=(shunt(),), stop=stop_map()))


def built(folder: Path, attempt: Attempt, trainee: str | None = "T-07") -> Path:
    clip = write_clip(folder / "clip.mp4")
    page = folder / "review.html"
    times_s = open_footage([clip]).times_s
    page.write_text(review_page(attempt, clip, times_s, made_on=date(2026, 11, 25), trainee=trainee), "utf-8")
    return page


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    page = built(tmp_path_factory.mktemp("page"), explained())
    (page.parent / "clip.mp4").unlink()  # the page must hold all it needs
    return page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium_running() as chromium:
        yield chromium


@pytest.fixture
def page(browser: Any, page_file: Path) -> Iterator[Any]:
    yield from opened(browser, page_file)


def wait_until(page: Any, condition: str, timeout_ms: int = 30_000) -> None:
    """Poll a condition from outside: the page's own policy rightly forbids it to evaluate text."""
    for _ in range(timeout_ms // 50):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never came true: {condition}")


def opened(browser: Any, page_file: Path, width: int = 1440, height: int = 900) -> Iterator[Any]:
    """The page with its clip ready; any error in the console fails the test, as does any request that leaves."""
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
    tab = context.new_page()
    errors: list[str] = []
    tab.on("console", lambda m: errors.append(m.text) if m.type in ("error", "warning") else None)
    tab.on("pageerror", lambda e: errors.append(str(e)))
    tab.on("request", lambda r: errors.append(r.url) if r.url.startswith("http") else None)
    tab.goto(page_file.as_uri())
    wait_until(tab, "document.getElementById('video').readyState >= 2")
    yield tab
    context.close()
    assert errors == []


def time_of(page: Any) -> float:
    return page.evaluate("document.getElementById('video').currentTime")


# ---- without a browser -------------------------------------------------------------------------------


def test_words_from_files_cannot_become_markup(tmp_path: Path) -> None:
    attempt = make_attempt(sentence="</script><b>bold</b> {{clip}} & \"quoted\"")
    attempt = replace(attempt, vehicle=replace(attempt.vehicle, name="<i>bus</i>"))
    text = built(tmp_path, attempt).read_text("utf-8")
    assert "<b>bold</b>" not in text
    assert "<i>bus</i>" not in text
    assert "&lt;/script&gt;&lt;b&gt;bold&lt;/b&gt; {{clip}} &amp;" in text
    assert text.count("</script>") == 3  # the three of the page itself


def test_nothing_is_fetched_from_elsewhere(page_file: Path) -> None:
    text = page_file.read_text("utf-8")
    links = re.findall(r"https?://[^\"' )]+", text)
    assert set(links) <= {"http://www.w3.org/2000/svg"}


def test_a_large_clip_is_named_not_embedded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cli.pages.review.EMBED_LIMIT_BYTES", 10)
    text = built(tmp_path, make_attempt()).read_text("utf-8")
    assert 'src="clip.mp4"' in text
    assert '<script type="text/plain" id="clip-bytes"></script>' in text


def test_charts_leave_gaps_open() -> None:
    attempt = make_attempt()
    for strip in strips(attempt):
        for curve in strip.curves:
            assert np.isnan(curve.value[~attempt.track.measured]).all()
            assert np.isfinite(curve.value[attempt.track.measured]).all()


def test_the_nearest_mark_is_the_nearest_at_each_time() -> None:
    attempt = make_attempt()
    pivot = attempt.mark_clearance["pivot"]
    other = replace(pivot, name="mouth_left", value_m=np.full(len(pivot.value_m), 1.5), sd_m=pivot.sd_m * 2)
    nearest = nearest_mark(replace(attempt, mark_clearance={"pivot": pivot, "mouth_left": other}))
    # the pivot's clearance falls from 2.0 m by 0.1 m a second: below 1.5 m after 5 s
    assert nearest.value[20] == 1.5
    assert nearest.sd[20] == pytest.approx(0.06)
    assert nearest.value[100] == pytest.approx(1.0)
    assert nearest.sd[100] == pytest.approx(0.03)


# ---- in the browser ------------------------------------------------------------------------------------


@needs_browser
def test_the_video_plays(page: Any) -> None:
    page.locator("#play").click()
    wait_until(page, "document.getElementById('video').currentTime > 0.5", 15_000)
    assert page.locator("#play").get_attribute("aria-label") == "Pause"
    page.locator("#play").click()
    assert page.evaluate("document.getElementById('video').paused")


@needs_browser
def test_a_click_on_a_finding_seeks_to_its_time(page: Any) -> None:
    finding = page.locator(".finding", has_text="Dry steering")
    assert finding.get_attribute("data-seek") == "5.000"
    finding.click()
    wait_until(page, "!document.getElementById('video').seeking")
    assert time_of(page) == pytest.approx(5.0, abs=0.01)
    assert page.locator("#clock").inner_text().startswith("0:05.0")
    assert finding.get_attribute("aria-current") is not None


@needs_browser
def test_enter_on_a_finding_seeks_too(page: Any) -> None:
    page.locator(".finding", has_text="Tyre and side line").focus()
    page.keyboard.press("Enter")
    assert time_of(page) == pytest.approx(10.8, abs=0.01)


@needs_browser
def test_a_click_on_a_chart_seeks_to_that_time(page: Any) -> None:
    plot = page.locator(".plot").first
    box = plot.bounding_box()
    plot.click(position={"x": box["width"] / 4, "y": 10})
    assert time_of(page) == pytest.approx(3.0, abs=0.1)
    assert page.locator("#now-speed").inner_text() == "not measured"


@needs_browser
def test_enter_on_the_least_clearance_seeks_to_it(page: Any) -> None:
    least = page.locator(".least").first
    assert "right −0.06 m at 0:12.0" in least.inner_text()  # 0.9 m less 0.08 m a second
    least.focus()
    page.keyboard.press("Enter")
    assert time_of(page) == pytest.approx(12.0, abs=0.05)


@needs_browser
def test_every_layer_can_be_switched_off_and_on(page: Any) -> None:
    page.evaluate("seek(5)")
    switches = page.locator("input[data-layer]")
    assert switches.count() == 10
    for k in range(switches.count()):
        key = switches.nth(k).get_attribute("data-layer")
        layer = page.locator(f"#overlay g[data-layer={key}]")
        switches.nth(k).check()
        assert layer.evaluate("e => getComputedStyle(e).display") != "none"
        assert len(layer.locator("path").first.get_attribute("d") if layer.locator("path").count() else "circle") > 5
        switches.nth(k).uncheck()
        assert layer.evaluate("e => getComputedStyle(e).display") == "none"


@needs_browser
def test_the_keyboard_steers(page: Any) -> None:
    page.keyboard.press("ArrowRight")
    assert time_of(page) == pytest.approx(1.0, abs=0.01)
    page.keyboard.press("Shift+ArrowRight")
    assert time_of(page) == pytest.approx(1.1, abs=0.01)
    page.keyboard.press("ArrowLeft")
    assert time_of(page) == pytest.approx(0.1, abs=0.01)
    page.keyboard.press("]")
    assert time_of(page) == pytest.approx(2.6, abs=0.01)
    page.keyboard.press("]")
    assert time_of(page) == pytest.approx(5.0, abs=0.01)
    page.keyboard.press("[")
    assert time_of(page) == pytest.approx(2.6, abs=0.01)
    assert page.evaluate("document.activeElement.dataset.seek") == "2.600"
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press(" ")
    wait_until(page, "!document.getElementById('video').paused")
    page.keyboard.press(" ")
    wait_until(page, "document.getElementById('video').paused")
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()
    page.keyboard.press("?")
    assert not page.locator("#keys").is_visible()


@needs_browser
def test_a_gap_is_shown_as_a_gap(page: Any) -> None:
    page.evaluate("seek(2.5)")
    assert len(page.locator("#overlay [data-layer=vehicle] .ink").get_attribute("d")) > 50
    assert not page.locator("#unmeasured").is_visible()
    page.evaluate("seek(3.0)")
    assert page.locator("#overlay [data-layer=vehicle] .ink").get_attribute("d") == ""
    assert page.locator("#unmeasured").is_visible()
    page.evaluate("seek(4.0)")
    trail = page.locator("#overlay [data-layer=trail] .ink").get_attribute("d")
    assert trail.count("M") == 2  # broken once


@needs_browser
def test_the_page_projects_as_the_camera_does(page: Any) -> None:
    """The script's own projection against the measuring camera's, distortion and interpolation included."""
    attempt = make_attempt()
    for t, x, y in ((0.0, 20.0, -2.5), (0.37, 35.0, 3.0), (11.93, 5.0, -9.0)):
        camera = scene.camera_at(attempt.track.camera, t)
        assert camera is not None
        wanted = camera.project_ground(np.array([[x, y]]))[0]
        got = page.evaluate(f"project(cameraAt({t}), {x}, {y}, 0)")
        assert got == pytest.approx(wanted.tolist(), abs=0.02)


@needs_browser
def test_the_plan_moves_with_the_clip(page: Any) -> None:
    page.evaluate("seek(0)")
    before = page.locator("#plan .body-0").get_attribute("transform")
    assert before.startswith("translate(26 2) rotate(")
    page.evaluate("seek(4)")
    assert page.locator("#plan .body-0").get_attribute("transform") != before


@needs_browser
@pytest.mark.parametrize(("width", "height"), [(1440, 900), (1280, 800), (820, 1180), (390, 844)])
def test_nothing_sticks_out_sideways(browser: Any, page_file: Path, width: int, height: int) -> None:
    for tab in opened(browser, page_file, width, height):
        assert tab.evaluate("document.documentElement.scrollWidth") <= width


@needs_browser
def test_a_desk_screen_shows_clip_plan_findings_and_charts_at_once(page: Any) -> None:
    for part in ("#screen", "#plan", ".findings", ".charts"):
        box = page.locator(part).bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 900, part


@needs_browser
def test_every_control_has_a_name_and_is_large_enough(page: Any) -> None:
    """WCAG 2.2: 4.1.2 names; 2.5.8 targets of 24 x 24 px (the box and its words together are the target)."""
    for control in page.locator("button:visible, select:visible, input:visible").all():
        told = control.evaluate("""e => (e.getAttribute('aria-label') || e.innerText || '').trim()
            || [...(e.labels || [])].map(l => l.innerText).join(' ').trim()""")
        assert told
        target = control.evaluate("""e => { const r = ((e.labels && e.labels[0]) || e).getBoundingClientRect();
            return [r.width, r.height]; }""")
        assert min(target) >= 24, told


@needs_browser
def test_a_large_clip_beside_the_page_plays(browser: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cli.pages.review.EMBED_LIMIT_BYTES", 10)
    for tab in opened(browser, built(tmp_path, make_attempt())):
        tab.evaluate("seek(6)")
        wait_until(tab, "!document.getElementById('video').seeking")
        assert time_of(tab) == pytest.approx(6.0, abs=0.01)


@needs_browser
def test_an_attempt_without_findings_clearances_or_camera_still_has_a_page(browser: Any, tmp_path: Path) -> None:
    attempt = make_attempt()
    attempt = replace(attempt, findings=(), line_clearance={}, mark_clearance={}, dry_turns=(), stops=(), legs=(),
                      track=replace(attempt.track, camera=None, marks=(), notes=()))
    for tab in opened(browser, built(tmp_path, attempt, None)):
        assert tab.locator("h1").inner_text() == "No fault found"
        tab.evaluate("seek(6)")
        assert tab.locator(".strip").count() == 2


# ---- where the angle was lost -----------------------------------------------------------------------------------


def test_the_strip_of_room_left_holds_the_room_with_no_one_and_two_shunts() -> None:
    """The made-up room falls from 0.40 m at 0.5 s to -0.50 m at 5 s: at 2.3 s, 0.04 m; one shunt gives 0.3 m more."""
    attempt = explained()
    (strip,) = room_strips(attempt)
    k = int(np.argmin(np.abs(attempt.motion.t_s - 2.3)))
    assert [c.value[k] for c in strip.curves] == pytest.approx([0.04, 0.34, 0.60], abs=0.002)
    assert np.isnan(strip.curves[0].value[~attempt.track.measured]).all()
    assert room_strips(make_attempt()) == ()


def test_what_is_known_of_the_room_is_told_below_and_nothing_else() -> None:
    text = room_sections(explained())
    assert "Half a metre left</dt><dd>+5 cm" in text
    assert "needed</td><td>35 cm at 4.0 m" in text
    attempt = make_attempt()
    assert room_sections(with_room(attempt, make_room(attempt))).count("<section") == 1  # only the angle is left
    assert room_sections(attempt) == ""


def test_mirrors_are_shown_while_reversing_and_never_in_a_gap() -> None:
    text = mirror_strip(make_attempt(), 12.0)
    rows = re.findall(r'aria-label="([^"]+)"', text)
    assert [r.split(":")[0] for r in rows] == ["pivot", "left mouth", "right mouth", "left back", "right back"]
    spans = [(float(a), float(a) + float(w)) for a, w in re.findall(r"left:([\d.]+)%;width:([\d.]+)%", text)]
    gap = 100 * 2.6 / 12, 100 * 3.2 / 12
    assert not any(a < gap[1] and b > gap[0] + 0.9 for a, b in spans)
    assert "driver seated left), not where anybody looked." in text


@needs_browser
def test_the_lost_moment_is_marked_on_clip_plan_and_charts(page: Any) -> None:
    page.evaluate("seek(2.5)")
    spot = page.evaluate("project(cameraAt(2.5), 23.4, -2.1, 0)")
    dot = page.locator("#overlay [data-layer=turning] g:has(text:text('Bay lost, 0:02.5')) circle")
    assert [float(dot.get_attribute(k)) for k in ("cx", "cy")] == pytest.approx(spot, abs=0.01)
    assert page.locator("#plan .moment.lost").get_attribute("transform") == "translate(23.4 2.1)"
    assert page.locator("#plan .reference").get_attribute("d").startswith("M26 ")
    marks = page.locator(".plot .turning.lost")
    assert marks.count() == page.locator(".strip:not(.mirrors)").count() == 5
    assert marks.first.get_attribute("style") == "left:18.33%;width:5.83%"  # 2.2 to 2.9 s of 12 s
    page.evaluate("seek(9)")
    assert not dot.is_visible()


@needs_browser
def test_each_sentence_of_advice_takes_the_clip_to_its_evidence(page: Any) -> None:
    said = page.locator(".advice .advised")
    assert said.count() == 3
    said.nth(1).click()
    wait_until(page, "!document.getElementById('video').seeking")
    assert time_of(page) == pytest.approx(1.5, abs=0.01)
    assert "To practise: Only the first half." in page.locator(".advice .drill").inner_text()
