"""The audit's pages: every figure leads to its attempts, nothing is fetched, and the month fits on one sheet."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from attempt_folders import write_attempt
from browsing import chromium_running, needs_browser
from synthetic_school import fill, make_school
from synthetic_tracks import write_school
from test_page import wait_until

from analysis.audit.measures import Grid
from analysis.trouble import Trouble
from cli.audit import audit_of, load, write_audit
from cli.library.library import Library, open_library
from cli.library.query import Filter
from cli.main import main

PAGES = ("index", "faults", "time", "groups", "trainees", "patterns", "yard", "tool", "attempts")


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    rng = np.random.default_rng(0)
    least = np.full((60, 11), np.nan)
    least[4:58, 2:9] = rng.uniform(0.3, 2.0, (54, 7))
    least[20:24, 2] = [0.15, 0.1, -0.05, 0.12]
    opened = open_library(tmp_path_factory.mktemp("school"))
    fill(opened, make_school(1, 1500).school, grid_of=Grid(0, -8, least))
    return opened


@pytest.fixture(scope="module")
def site(library: Library, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("audit") / "out"
    return write_audit(library, out, attempt_href=lambda i: f"review/{i}.html").parent


def sets_of(site: Path) -> dict[str, tuple[str, list[int]]]:
    text = (site / "attempts.js").read_text("utf-8")
    data = json.loads(text[text.index("{"):text.index(";\n")])
    return {k: (title, np.cumsum([int(d) for d in steps.split()]).tolist()) for k, (title, steps) in
            data["sets"].items()}


# ---- without a browser ------------------------------------------------------------------------------------


def test_what_is_read_from_the_index_is_what_was_put_in(library: Library) -> None:
    school, made = load(library), make_school(1, 1500).school
    assert school.attempts["id"].tolist() == made.attempts["id"].tolist()
    assert np.array_equal(school.failed, made.failed, equal_nan=True)
    assert np.allclose(school.attempts["early_lateral_m"], made.attempts["early_lateral_m"])
    assert school.turn.tolist() == made.turn.tolist()
    for kind in made.kinds:
        assert np.array_equal(school.had(kind), made.had(kind), equal_nan=True)


def test_every_link_leads_to_attempts(site: Path) -> None:
    sets = sets_of(site)
    linked = set()
    for page in site.glob("*.html"):
        text = page.read_text("utf-8")
        linked |= set(re.findall(r'href="attempts\.html#(\w+)"', text))
        for other in re.findall(r'href="([\w-]+\.html)', text):
            assert (site / other).exists(), other
    assert linked == set(sets)
    assert len(linked) > 200


def test_the_attempts_behind_a_figure_are_those_it_counts(site: Path, library: Library) -> None:
    school = load(library)
    by_title = {title: rows for title, rows in sets_of(site).values()}
    a = school.attempts
    failed = (a["verdict"] == "fault").to_numpy()
    assert by_title["Any fault"] == np.flatnonzero(failed).tolist()
    assert by_title["Instructor I3: any fault"] == np.flatnonzero(failed & (a["instructor"] == "I3")).tolist()
    assert by_title["Verdict not sure"] == np.flatnonzero(a["verdict"] == "too close to call").tolist()
    shunts = np.flatnonzero(school.had("shunt_count") == 1).tolist()
    assert by_title["Shunts"] == by_title["Shunts, shunt"] == shunts
    someone = a["trainee"].iloc[0]
    assert by_title[f"Trainee {someone}"] == np.flatnonzero(a["trainee"] == someone).tolist()


def test_the_pages_need_nothing_from_elsewhere_and_hold_no_script_or_style_of_their_own(site: Path) -> None:
    for page in site.glob("*.html"):
        text = page.read_text("utf-8")
        assert not re.findall(r"https?://", text)
        assert not re.findall(r"<style|<script(?! src)|\sstyle=|\son\w+=", text), page.name
    assert set(re.findall(r"https?://[^\"' )]+", (site / "attempts.js").read_text("utf-8"))) == set()


def test_every_chart_has_a_table(site: Path) -> None:
    for name in PAGES:
        text = (site / f"{name}.html").read_text("utf-8")
        for section in re.split(r"<section", text)[1:]:
            assert '<svg class="chart"' not in section or "<table" in section, name


def test_a_filter_narrows_the_audit(library: Library, tmp_path: Path) -> None:
    found = audit_of(library, Filter(instructor="I3"))
    assert set(found.school.attempts["instructor"]) == {"I3"}
    assert found.school.findings["attempt"].max() < len(found.school)
    late = load(library, Filter(since=date(2025, 6, 1)))  # what a trainee did before still counts as practice
    whole = load(library).attempts.set_index("id")["turn"]
    assert (late.attempts.groupby("trainee")["turn"].min() > 1).any()
    assert late.attempts["turn"].tolist() == whole[late.attempts["id"]].tolist()
    assert all(yard.came.max() <= len(found.school) for yard in found.yards.values())
    with pytest.raises(Trouble, match="no attempt is like that"):
        write_audit(library, tmp_path / "x", Filter(instructor="nobody"))
    assert not (tmp_path / "x").exists()


def test_words_from_files_cannot_become_markup(tmp_path: Path) -> None:
    for k in range(3):
        write_attempt(tmp_path / "lib" / f"a{k}", vehicle={"name": "<i>bus</i>\"'", "length_m": 8, "width_m": 2.5,
                                                           "wheelbase_m": 5})
    library = open_library(tmp_path / "lib")
    library.refresh()
    site = write_audit(library, tmp_path / "out").parent
    for page in site.glob("*.html"):
        assert "<i>bus" not in page.read_text("utf-8"), page.name
    assert "../lib/a1/review.html" in (site / "attempts.js").read_text("utf-8")


def test_a_library_of_one_attempt_gives_pages_that_say_little(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    write_attempt(tmp_path / "lib" / "a")
    assert main(["audit", str(tmp_path / "lib"), "--out", str(tmp_path / "out")]) == 0
    assert capsys.readouterr().out.strip() == str(tmp_path / "out" / "index.html")
    assert "Nothing can be said of learning yet" in (tmp_path / "out" / "trainees.html").read_text("utf-8")
    assert "None found." in (tmp_path / "out" / "patterns.html").read_text("utf-8")
    assert main(["audit", str(tmp_path / "lib"), "--out", str(tmp_path / "out")]) == 0  # again, in its place
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("x", "utf-8")
    assert main(["audit", str(tmp_path / "lib"), "--out", str(tmp_path / "mine")]) == 2
    assert "holds something that is not an audit" in capsys.readouterr().err
    assert (tmp_path / "mine" / "letter.txt").exists()


def test_the_commands_of_the_library(tmp_path: Path, capsys: pytest.CaptureFixture) -> None:
    lib = str(tmp_path / "lib")
    write_attempt(tmp_path / "lib" / "a", trainee="T1")
    write_attempt(tmp_path / "lib" / "b", trainee="T2")

    def said(*command: str, code: int = 0) -> str:
        assert main(["library", *command]) == code
        out = capsys.readouterr()
        return out.out + out.err
    assert said("index", lib) == "2 added, 0 changed, 0 removed\n"
    assert said("find", lib, "--trainee", "T1").splitlines()[-1] == "1 attempts"
    assert "is not a day" in said("find", lib, "--since", "yesterday", code=2)
    assert said("export", lib, str(tmp_path / "x.zip")).startswith("2 attempts")
    assert said("import", str(tmp_path / "other"), str(tmp_path / "x.zip")).startswith("2 new")
    assert "no such folder" in said("find", str(tmp_path / "nowhere"), code=2)
    assert "1 attempts would be removed" in said("erase", lib, "T1")
    assert (tmp_path / "lib" / "a").exists()
    assert "Receipt" in said("erase", lib, "T1", "--yes")
    assert not (tmp_path / "lib" / "a").exists()
    (tmp_path / "lib" / "retention.toml").write_text("schema = 1\nrecords_days = 1\n", "utf-8")
    assert "1 attempts and the pictures of 0 more" in said("retain", lib)
    assert "1 attempts: " in said("retain", lib, "--yes")


# ---- in the browser ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium_running() as chromium:
        yield chromium


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    page = context.new_page()
    errors: list[str] = []
    page.on("console", lambda m: errors.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: errors.append(str(e)))
    page.on("request", lambda r: errors.append(r.url) if r.url.startswith("http") else None)
    yield page
    context.close()
    assert errors == []


@needs_browser
@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_offline_and_fits_its_width(name: str, tab: Any, site: Path) -> None:
    tab.goto((site / f"{name}.html").as_uri())
    assert tab.locator("h1").count() == 1
    assert tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert tab.evaluate("[...document.querySelectorAll('svg.chart')].every(s => s.getBoundingClientRect().height > 60)")
    assert tab.locator("nav [aria-current=page]").count() == 1


@needs_browser
def test_a_figure_clicks_through_to_its_attempts(tab: Any, site: Path) -> None:
    tab.goto((site / "groups.html").as_uri())
    row = tab.locator("tr", has=tab.locator("th", has_text=re.compile("^I3$"))).first
    failed = row.locator("a").inner_text()
    row.locator("a").click()
    tab.wait_for_url("**/attempts.html#*")
    wait_until(tab, "document.querySelectorAll('#list tbody tr').length > 0")
    assert tab.locator("#what").inner_text() == "Instructor I3: attempts with a fault"
    assert tab.locator("#count").inner_text() == f"{failed} attempts"
    rows = tab.locator("#list tbody tr")
    assert rows.count() == min(int(failed), 200)
    assert {rows.nth(i).locator("td").nth(3).inner_text() for i in range(5)} == {"I3"}
    assert re.fullmatch(r"review/a\d{7}\.html", rows.first.locator("a").get_attribute("href"))
    tab.locator("#everything").click()
    wait_until(tab, "document.getElementById('count').textContent === '1500 attempts'")
    tab.locator("#more").click()
    assert tab.locator("#list tbody tr").count() == 400


@needs_browser
def test_a_dot_of_a_chart_clicks_through_by_keyboard(tab: Any, site: Path) -> None:
    tab.goto((site / "time.html").as_uri())
    tab.locator("svg.chart a").first.focus()
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/attempts.html#*")
    assert tab.locator("#what").inner_text().startswith("Any fault, 20")


@needs_browser
def test_the_month_report_prints_on_one_page(tab: Any, site: Path) -> None:
    reports = sorted(site.glob("month-*.html"))
    assert len(reports) == 12
    for report in (reports[0], reports[-3]):
        tab.goto(report.as_uri())
        for paper in ("A4", "Letter"):
            assert len(re.findall(rb"/Type\s*/Page\b", tab.pdf(format=paper))) == 1, (report.name, paper)


@needs_browser
def test_text_keeps_its_contrast_on_the_map(tab: Any, site: Path) -> None:
    """WCAG 2.2, 1.4.3: the figures in the squares at 4.5 : 1 on their shade."""
    tab.goto((site / "yard.html").as_uri())
    pairs = tab.evaluate("""[...document.querySelectorAll('svg .heat')].map(r => [getComputedStyle(r).fill,
        r.nextElementSibling ? getComputedStyle(r.nextElementSibling).fill : null])""")

    def light(colour: str) -> float:
        c = [int(v) / 255 for v in re.findall(r"\d+", colour)[:3]]
        return float(np.dot([0.2126, 0.7152, 0.0722], [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4
                                                       for v in c]))
    known = [(light(a), light(b)) for a, b in pairs if b]
    assert known
    assert min((max(p) + 0.05) / (min(p) + 0.05) for p in known) >= 4.5


@needs_browser
def test_the_folder_can_be_moved(tab: Any, site: Path, tmp_path: Path) -> None:
    shutil.copytree(site, tmp_path / "elsewhere" / "audit")
    tab.goto((tmp_path / "elsewhere" / "audit" / "attempts.html").as_uri())
    wait_until(tab, "document.querySelectorAll('#list tbody tr').length === 200")


# ---- from folders with tracks to the audit ---------------------------------------------------------------


def test_a_pattern_planted_in_tracks_is_found_through_folders_and_index(tmp_path: Path) -> None:
    planted = write_school(tmp_path / "lib", seed=5, trainees=24, each=10)
    library = open_library(tmp_path / "lib")
    done = library.refresh()
    assert (done.added, done.troubles) == (240, ())
    found = audit_of(library)
    a = found.school.attempts.set_index("id")
    for p in planted:
        assert a.loc[p.folder, "early_lateral_m"] == pytest.approx(p.lateral_m, abs=0.01)
        assert a.loc[p.folder, "early_ahead_m"] == pytest.approx(p.ahead_m, abs=0.01)
        assert a.loc[p.folder, "out_pivot_m"] == pytest.approx(p.pivot_m, abs=0.02)
    assert [(p.early, p.shape, p.later) for p in found.patterns.told] == [("early_lateral_m", "far", "mark_close")]
    assert found.learning is not None and len(found.learning.learners) == 24

    yard, = found.yards.values()
    ids = found.school.attempts["id"]
    near = {ids[row] for rows in yard.near.values() for row in rows}
    sure, likely = ({p.folder for p in planted if p.least_left_m < limit} for limit in (0.199, 0.201))
    assert sure <= near <= likely and len(sure) > 10  # kept to the millimetre
    assert sum(len(rows) for rows in yard.faults.values()) == sum(p.pivot_m < 0.5 for p in planted)
