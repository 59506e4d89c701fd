"""The local app in a real browser, from the first use to a copy that is passed on, by mouse and by keyboard."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from app_running import Running, free_port, prepare_result, running, set_up
from browsing import chromium_running, needs_browser
from fake_attempt import make_attempt, write_clip

from cli import scene

pytestmark = needs_browser
BUNDLED = Path(__file__).parents[1] / "sample_clips" / "bus_clean"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare_result(tmp_path_factory.mktemp("result"))


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with chromium_running() as browser:
        yield browser


@pytest.fixture
def tab(chromium: Any) -> Iterator[Any]:
    """A page; whatever it complains of in its console, or asks of another place, fails the test."""
    context = chromium.new_context(viewport={"width": 1440, "height": 900}, accept_downloads=True, locale="en-GB")
    page = context.new_page()
    complaints: list[str] = []
    # a refusal that the page tells of (409, 422) is told of by the browser too
    page.on("console", lambda m: complaints.append(m.text) if m.type in ("error", "warning") and not re.search(
        r"status of (409|422)", m.text) else None)
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.on("request", lambda r: complaints.append(r.url) if not r.url.startswith(
        ("http://127.0.0.1:", "data:", "blob:", "file:")) else None)
    page.complaints = complaints
    yield page
    context.close()
    assert complaints == []


@pytest.fixture
def app(request: pytest.FixtureRequest, tmp_path: Path, prepared: Path) -> Iterator[Running]:
    with running(set_up(tmp_path / "folder", prepared, attempts=("run-1",))) as got:
        yield got
        if "tab" in request.fixturenames:  # a page goes on asking, and complains when nobody answers any more
            request.getfixturevalue("tab").goto("about:blank")


def wait_until(page: Any, condition: str, timeout_ms: int = 20_000) -> None:
    """Poll from outside: the pages' own policy rightly forbids them to evaluate text."""
    from playwright.sync_api import Error
    for _ in range(timeout_ms // 50):
        with suppress(Error):  # the page may be on its way to another
            if page.evaluate(condition):
                return
        page.wait_for_timeout(50)
    raise AssertionError(f"never came true: {condition}")


def soon(page: Any, got: list[Any], timeout_ms: int = 20_000) -> list[Any]:
    """What a listener has gathered, once it has gathered something."""
    for _ in range(timeout_ms // 50):
        if got:
            return got
        page.wait_for_timeout(50)
    raise AssertionError("nothing came")


def review(tab: Any, app: Running, name: str = "run-1") -> None:
    tab.goto(f"{app.url}/attempts/{name}")
    wait_until(tab, "document.getElementById('video').readyState >= 2")


def record_of(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (folder / "people" / "corrections.jsonl").read_text().splitlines()]


# ---- from the first use to a copy to pass on ---------------------------------------------------------------


def test_first_use_to_share(tab: Any, tmp_path: Path, prepared: Path) -> None:
    with running(tmp_path / "fresh") as app:
        tab.goto(app.url)
        assert tab.url.endswith("/setup")  # nothing can be analysed before vehicle and course are there
        tab.get_by_role("link", name="Add a vehicle").click()
        tab.get_by_label("Start from").select_option("city_bus_12")
        tab.get_by_role("button", name="Take its sizes").click()
        tab.get_by_label("Name").fill("Bus 12")
        tab.get_by_label("Length m").fill("3")  # too short: said while typing, before it is kept
        tab.locator("#drawing-trouble", has_text="length_m").wait_for()
        tab.get_by_label("Length m").fill("12,0")
        tab.locator("#drawing-trouble").wait_for(state="hidden")
        tab.get_by_role("button", name="Keep").click()
        tab.get_by_role("link", name="Add a course").click()
        tab.get_by_text("Your yard's own distances", exact=True).click()
        tab.get_by_label("Between the side lines").fill("12.5")
        tab.locator("#drawing img").wait_for()
        tab.get_by_role("button", name="Keep").click()
        course = next((app.root / "courses").glob("*.toml")).read_text()
        assert "y0_m = -9.550" in course  # 12.5 m from the near line, 1 m beyond the bay of 1.5 × 2.6 m
        tab.get_by_role("link", name="Bring a clip in").click()

        tab.locator("#file").set_input_files(BUNDLED / "clip.mp4")
        tab.get_by_label("Trainee code").fill("steady")
        tab.get_by_label("Instructor code").fill("I-3")
        tab.get_by_role("button", name="Analyse").click()
        job = tab.locator("#queue .job")
        job.locator("progress").wait_for()
        job.get_by_role("link", name="Review").wait_for()
        tab.get_by_role("link", name="steady", exact=True).wait_for()
        job.get_by_role("link", name="Review").click()

        wait_until(tab, "document.getElementById('video').readyState >= 2")
        assert tab.locator(".verdict h1").inner_text() == "Not within the rules"
        tab.get_by_role("button", name=re.compile("^Judge: Dry steering")).click()
        tab.get_by_label("I overrule it").check()
        tab.locator("#judge [name=verdict]").select_option("ok")
        tab.get_by_label("Your code").fill("I-3")
        tab.get_by_role("button", name="Keep").click()
        tab.locator("#judge-trouble", has_text="no reason").wait_for()  # an overruling without a reason is not kept
        tab.get_by_label("Why").fill("The wheels rolled, I saw it.")
        tab.get_by_role("button", name="Keep").click()
        tab.locator(".judged", has_text="I-3: In order").wait_for()
        assert tab.locator(".verdict h1").inner_text() == "No clear fault, but too close to call"
        folder = next((app.root / "attempts").glob("2*"))
        assert record_of(folder)[0]["reason"] == "The wheels rolled, I saw it."
        assert json.loads((folder / "attempt.json").read_text())["verdict"] == "fault"  # what was measured stays

        tab.get_by_role("link", name="Trainee sheet").click()
        assert "The wheels rolled, I saw it." in tab.locator(".word").inner_text()
        assert "Too close to call" in tab.locator(".word h2").inner_text()
        tab.get_by_role("link", name="Progress").click()
        tab.get_by_role("heading", name="Progress of steady").wait_for()
        assert tab.locator("tbody tr").count() == 1
        tab.goto(f"{app.url}/attempts/{folder.name}/share")
        tab.get_by_role("button", name="Make the copy").click()
        with tab.expect_download(timeout=60_000) as download:
            tab.get_by_role("link", name="Save the copy").click(timeout=60_000)
        copy = tmp_path / "copy.html"
        download.value.save_as(copy)
    tab.goto(copy.as_uri())  # the server is gone: the copy needs nothing but itself
    wait_until(tab, "document.getElementById('video').readyState >= 2")
    assert tab.locator("h1").inner_text() == "No clear fault, but too close to call"
    assert "The wheels rolled, I saw it." in tab.locator("body").inner_text()


def test_a_folder_to_share_with_people_blurred(tab: Any, app: Running, tmp_path: Path) -> None:
    tab.goto(f"{app.url}/attempts/run-1/share")
    tab.get_by_label("A folder (zip)").check()
    tab.get_by_label("Make people unrecognisable").check()
    tab.get_by_role("button", name="Make the copy").click()
    with tab.expect_download(timeout=60_000) as download:
        tab.get_by_role("link", name="Save the copy").click(timeout=60_000)
    download.value.save_as(tmp_path / "copy.zip")
    with zipfile.ZipFile(tmp_path / "copy.zip") as z:
        names = set(z.namelist())
        z.extractall(tmp_path / "copy")
    assert {"index.html", "clip.mp4", "plan.svg", "plan.png"} <= names
    assert "trainee.html" not in names  # it may hold a picture of the clip as it was
    tab.goto((tmp_path / "copy" / "index.html").as_uri())
    wait_until(tab, "document.getElementById('video').readyState >= 2")


def test_the_bundled_clip_as_it_was_measured(tab: Any, lorry: Path, tmp_path: Path) -> None:
    """The one analysis for real of these tests (conftest.py), reviewed in the browser."""
    shutil.copytree(lorry.parents[1], tmp_path / "app")
    with running(tmp_path / "app") as app:
        tab.goto(app.url)
        tab.get_by_role("link", name=f"Review {lorry.name}").click()
        wait_until(tab, "document.getElementById('video').readyState >= 2")
        assert tab.locator(".verdict h1").inner_text() == "Not within the rules"
        tab.get_by_role("button", name=re.compile("^Judge: Tyre and side line")).first.click()
        tab.get_by_label("I agree with the verdict").check()
        tab.get_by_label("Your code").fill("I-1")
        tab.get_by_role("button", name="Keep").click()
        tab.locator(".judged", has_text="I-1 agrees").wait_for()
        tab.get_by_role("link", name="Trainee sheet").click()
        assert "Fault" in tab.locator(".word h2").inner_text()


# ---- the queue as it is seen -----------------------------------------------------------------------------------


def test_cancel_start_again_reload_and_restart(tab: Any, tmp_path: Path, prepared: Path) -> None:
    root, port = set_up(tmp_path / "folder", prepared), free_port()
    clips = [write_clip(tmp_path / f"{n}.mp4", seconds=1) for n in ("one", "two")]
    with running(root, port=port) as app:
        tab.goto(app.url)
        tab.locator("#file").set_input_files(clips)
        tab.get_by_label("Trainee code").fill("slow")
        tab.get_by_role("button", name="Analyse").click()
        running_job = tab.locator("#queue .job.running")
        running_job.wait_for()
        tab.locator("#queue .job.waiting").wait_for()
        tab.reload()
        running_job.wait_for()
        assert tab.locator("#queue .job").count() == 2
        tab.get_by_role("button", name="Cancel: one.mp4").click()
        tab.locator("#queue .job.cancelled").wait_for()
        tab.get_by_role("button", name="Start again: one.mp4").click()
        tab.locator("#queue .job.waiting", has_text="one.mp4").wait_for()
    tab.locator("#lost").wait_for()
    with running(root, port=port):
        tab.locator("#lost").wait_for(state="hidden")
        tab.locator("#queue .job.running", has_text="two.mp4").wait_for()  # it began before, and so begins first
        tab.get_by_role("button", name="Cancel: two.mp4").click()
        tab.locator("#queue .job.running", has_text="one.mp4").wait_for()
    # while the server was away the page asked in vain, and the browser says so
    tab.complaints[:] = [c for c in tab.complaints if "ERR_CONNECTION" not in c and "Failed to load" not in c]


def test_a_stopped_upload_goes_on_where_it_was(tab: Any, app: Running, tmp_path: Path) -> None:
    big = tmp_path / "card.mp4"
    big.write_bytes(bytes(24_000_000))  # six pieces, and in the end no film
    sent: list[int] = []

    def slowly(route: Any) -> None:
        sent.append(int(route.request.url.rsplit("=", 1)[1]))
        tab.wait_for_timeout(150)
        route.continue_()

    tab.goto(app.url)
    tab.route("**/uploads/*?offset=*", slowly)
    tab.locator("#file").set_input_files(big)
    tab.get_by_role("button", name="Analyse").click()
    tab.get_by_role("button", name="Stop sending card.mp4").click()
    tab.locator("#chosen li", has_text="card.mp4").wait_for()
    tab.wait_for_timeout(300)
    arrived = next(p for p in (app.root / "uploads").iterdir() if not p.suffix).stat().st_size
    assert arrived < 24_000_000
    before = len(sent)
    tab.unroute("**/uploads/*?offset=*")
    tab.on("request", lambda r: sent.append(int(r.url.rsplit("=", 1)[1])) if "?offset=" in r.url else None)
    tab.get_by_role("button", name="Analyse").click()
    tab.locator("#intake-trouble", has_text="card.mp4").wait_for()
    assert sent[before:] == list(range(arrived, 24_000_000, 4_000_000))


def test_marks_that_were_not_found_are_clicked(tab: Any, app: Running, tmp_path: Path) -> None:
    app.wait(app.job(write_clip(tmp_path / "grey.mp4", seconds=1), trainee="lost")["id"], "failed")
    tab.goto(app.url)
    tab.get_by_role("link", name="Point out the marks").click()
    attempt = make_attempt()
    camera = scene.camera_at(attempt.track.camera, 0.0)
    tab.locator("#still").wait_for()
    wait_until(tab, "document.getElementById('still').complete")

    def click(name: str, *, off_m: float = 0.0) -> None:
        mark = attempt.course.mark(name)
        u, v = camera.project_ground([[mark.x_m + off_m, mark.y_m]])[0]
        tab.locator(f".mark-row[data-mark={name}]").click()
        box = tab.locator("#still").bounding_box()
        tab.locator("#still").click(force=True, position={"x": (u + 0.5) / 640 * box["width"],
                                                          "y": (v + 0.5) / 360 * box["height"]})

    for name in ("forward_left", "pivot", "mouth_left"):
        click(name)
    assert tab.get_by_role("button", name="Analyse again").is_disabled()
    click("back_right")
    tab.locator("#fit", has_text="They fit").wait_for()
    click("forward_right")
    click("mouth_right", off_m=6.0)  # another cone, taken for this one
    tab.locator("#fit", has_text=re.compile(r"is it the right cone\?|do not fit")).wait_for()
    tab.get_by_role("button", name="Clear mouth right").click()
    tab.locator("#fit", has_text="They fit").wait_for()
    tab.get_by_role("button", name="Analyse again").click()
    tab.locator("#queue .job.done").wait_for()
    lines = next(app.root.glob("attempts/*/marks.csv")).read_text().splitlines()
    assert lines[0] == "name,u_px,v_px"
    assert len(lines) == 6


# ---- review -------------------------------------------------------------------------------------------------------


def test_clip_and_overlay_stay_within_one_picture(tab: Any, app: Running) -> None:
    """The clip's white block tells which picture is shown: its left edge is at 20 + 4 i. The overlay tells its time."""
    review(tab, app)
    where = """() => { const v = document.getElementById('video'), c = document.createElement('canvas');
      c.width = 640; c.height = 360; const x = c.getContext('2d'); x.drawImage(v, 0, 0, 640, 360);
      const row = x.getImageData(0, 180, 640, 1).data; let left = 0;
      while (left < 640 && row[4 * left] < 160) left++;
      return [(left - 20) / 4 / 10, shown]; }"""
    worst = 0.0
    for t in (0.0, 0.33, 1.99, 4.2, 6.666, 9.05, 11.7, 3.3):
        tab.evaluate(f"seek({t})")
        wait_until(tab, "!document.getElementById('video').seeking")
        tab.wait_for_timeout(60)
        picture_s, overlay_s = tab.evaluate(where)
        worst = max(worst, abs(picture_s - overlay_s))
    assert worst <= 0.1  # one picture of this clip
    tab.evaluate("seek(5)")
    for _ in range(3):
        tab.keyboard.press(".")
        wait_until(tab, "!document.getElementById('video').seeking")
        tab.wait_for_timeout(60)
    picture_s, overlay_s = tab.evaluate(where)
    assert picture_s == pytest.approx(5.3, abs=0.03)
    assert overlay_s == pytest.approx(5.3, abs=0.051)
    tab.keyboard.press(",")
    wait_until(tab, "!document.getElementById('video').seeking")
    tab.wait_for_timeout(60)
    assert tab.evaluate(where)[0] == pytest.approx(5.2, abs=0.03)


def test_everything_people_say_can_be_undone(tab: Any, app: Running) -> None:
    review(tab, app)

    def keep(**fields: str) -> None:
        for label, value in ({"Your code": "I-1"} | fields).items():
            tab.locator("#judge").get_by_label(label, exact=True).fill(value)
        tab.get_by_role("button", name="Keep").click()
        tab.locator("#judge").wait_for(state="hidden")

    tab.get_by_role("button", name=re.compile("^Judge: Straight in the bay")).click()
    tab.get_by_label("I agree with the verdict").check()
    keep()
    tab.locator(".judged", has_text="I-1 agrees").wait_for()
    tab.get_by_role("button", name=re.compile("^Judge: Dry steering")).click()
    tab.get_by_label("The time is not right").check()
    keep(**{"From s": "0:04.5", "To s": "6.5", "Why": "It began earlier."})
    tab.locator(".judged", has_text="time corrected: 0:04.5").wait_for()
    assert tab.locator(".finding", has_text="Dry steering").first.get_attribute("data-seek") == "4.5"
    tab.get_by_role("button", name="Add a finding").click()
    tab.locator("#judge [name=kind]").select_option("mark_touched")
    keep(Why="Touched the pole with the mirror.")
    tab.locator(".added", has_text="Touched the pole").wait_for()
    assert "2 faults" in " ".join(tab.locator(".counts").inner_text().split())
    tab.get_by_role("button", name="Write a note").click()
    keep(Why="Calm today.")
    assert tab.locator("#log li").count() == 4
    for text in ("Touched the pole", "It began earlier"):
        tab.locator("#log li", has_text=text).get_by_role("button", name="Undo").click()
        tab.locator("#log li.undone", has_text=text).wait_for()
    assert tab.locator(".added").is_hidden()
    assert tab.locator(".finding", has_text="Dry steering").first.get_attribute("data-seek") == "5"
    assert "1 faults" in " ".join(tab.locator(".counts").inner_text().split()).replace("1 fault ", "1 faults ")
    assert len(record_of(app.root / "attempts" / "run-1")) == 6  # nothing was taken out of the file


def test_two_people_do_not_overwrite_each_other_unseen(tab: Any, app: Running) -> None:
    review(tab, app)
    finding = {"kind": "dry_steering", "where": "", "t_start_s": 5.0}
    said = {"version": 0, "by": "I-2", "action": "confirm", "finding": finding, "tool_verdict": "fault"}
    assert app.ask("POST", "/attempts/run-1/people", said)[0] == 200
    assert app.ask("POST", "/attempts/run-1/people", said)[0] == 409
    tab.get_by_role("button", name=re.compile("^Judge: Dry steering")).click()
    tab.get_by_label("I overrule it").check()
    tab.get_by_label("Why").fill("No.")
    tab.get_by_label("Your code").fill("I-1")
    tab.get_by_role("button", name="Keep").click()
    tab.locator("#judge-trouble", has_text="I-2 changed this attempt in the meantime").wait_for()
    assert len(record_of(app.root / "attempts" / "run-1")) == 1
    tab.get_by_role("button", name="Keep").click()
    tab.locator(".judged", has_text="I-1: In order").wait_for()
    assert [c["by"] for c in record_of(app.root / "attempts" / "run-1")] == ["I-2", "I-1"]


def test_looking_closer(tab: Any, app: Running) -> None:
    review(tab, app)
    tab.evaluate("seek(4)")
    # 6 m on the ground: from the middle of the picture, 420 px focal length and 40 m up, 10.5 px a metre
    tab.get_by_role("button", name="Measure").click()
    tab.keyboard.press("Enter")
    for _ in range(6):
        tab.keyboard.press("ArrowRight")
    for _ in range(3):
        tab.keyboard.press("Shift+ArrowRight")
    tab.keyboard.press("Enter")
    told = tab.locator("#measured").inner_text()
    metres, half = (float(x) for x in re.match(r"([\d.]+) m on the ground, ± ([\d.]+) m", told).groups())
    assert metres == pytest.approx(6.0, abs=0.02)
    assert half == pytest.approx(1.96 * (2 * (40 / 420) ** 2 + 2 * 0.015**2) ** 0.5, abs=0.01)
    tab.keyboard.press("Escape")
    trail = tab.locator("#overlay [data-layer=trail] .ink")
    axle = trail.get_attribute("d")
    tab.get_by_label("Trail of").select_option("front_left_tyre")
    assert trail.get_attribute("d") != axle
    assert len(trail.get_attribute("d")) > 100
    chapters = tab.locator("#t-chapters")
    wait_until(tab, "document.getElementById('t-chapters').options.length > 1")
    chapters.select_option(label="0:05.0 Standing")
    assert tab.evaluate("shown") == pytest.approx(5.0)
    tab.get_by_role("button", name="Captions").click()
    tracks = "[...document.getElementById('video').textTracks]"
    assert tab.evaluate(f"{tracks}.find(t => t.kind === 'captions').mode") == "showing"
    tab.locator(".finding", has_text="Dry steering").first.click()
    tab.get_by_role("button", name="Loop").click()
    wait_until(tab, "!document.getElementById('video').paused")
    tab.evaluate("document.getElementById('video').currentTime = 8.45")
    # the finding ends at 7 s: 1.5 s later it begins anew
    wait_until(tab, "document.getElementById('video').currentTime < 8")
    tab.get_by_role("button", name="Loop").click()


def test_two_attempts_are_compared_at_the_same_distance(tab: Any, app: Running, prepared: Path) -> None:
    set_up(app.root, prepared, attempts=("run-2",))
    tab.goto(app.url)
    for box in tab.locator(".attempts input[type=checkbox]").all():
        box.check()
    tab.get_by_role("button", name="Compare").click()
    wait_until(tab, "document.getElementById('video-2').readyState >= 2")
    tab.locator("#distance").focus()
    assert tab.locator("#metres").inner_text() == "0.0 m"
    tab.evaluate("(d => { d.value = 500; d.dispatchEvent(new Event('input')); })(document.getElementById('distance'))")
    times = [tab.evaluate(f"document.getElementById('video-{k}').currentTime") for k in (1, 2)]
    assert times[0] == pytest.approx(times[1])
    # 13.6 m are reversed in all, at 1.6 m/s with a stop from 5 s to 7 s: half of it is driven 4.25 s after the start
    assert times[0] == pytest.approx(4.8, abs=0.25)


# ---- keyboard, languages, accessibility ------------------------------------------------------------------------------


def test_by_keyboard_alone(tab: Any, app: Running, tmp_path: Path) -> None:
    """From the list of attempts to an overruled finding: tab, arrows, space and enter."""
    choosers: list[Any] = []

    def keep(chooser: Any) -> None:
        choosers.append(chooser)

    tab.on("filechooser", keep)  # from the start: asked for only with the key, the driver may come too late
    tab.goto(app.url)
    named = """(e => (e === document.body ? '' : e.getAttribute('aria-label') || e.labels?.[0]?.innerText
                      || e.innerText || '').trim())(document.activeElement)"""

    def tab_to(name: str, most: int = 90) -> None:
        for _ in range(most):
            tab.keyboard.press("Tab")
            if re.search(name, tab.evaluate(named)):
                return
        raise AssertionError(f"'{name}' cannot be reached")

    tab_to("^Skip to the content")
    tab.keyboard.press("Enter")
    tab_to("^Choose clips")
    tab.keyboard.press("Space")
    (chooser,) = soon(tab, choosers)
    chooser.set_files(str(write_clip(tmp_path / "keys.mp4", seconds=1)))
    tab_to("^Trainee code")
    tab.keyboard.type("T-5")
    tab_to("^Analyse")
    tab.keyboard.press("Enter")
    tab.locator("#queue .job.done").wait_for()
    tab_to("^Review")
    tab.keyboard.press("Enter")
    wait_until(tab, "document.getElementById('video')?.readyState >= 2")
    tab_to("^Judge: Dry steering")
    tab.keyboard.press("Enter")
    tab_to("I agree")
    tab.keyboard.press("ArrowDown")
    tab_to("^Why")
    tab.keyboard.type("Rolling.")
    tab_to("^Your code")
    tab.keyboard.type("I-1")
    tab.keyboard.press("Enter")
    tab.locator(".judged", has_text="I-1: In order").wait_for()
    assert re.match("Judge: Dry", tab.evaluate("document.activeElement.getAttribute('aria-label')"))  # focus is kept


def test_german_feet_and_the_left_hand(tab: Any, app: Running) -> None:
    tab.goto(f"{app.url}/view?back=/attempts/run-1")
    tab.get_by_label("Deutsch").check()
    tab.get_by_label("Feet and inches").check()
    tab.get_by_label("For the left hand").check()
    tab.get_by_label("Sunlight").check()
    tab.get_by_role("button", name="Apply").click()
    wait_until(tab, "document.getElementById('video').readyState >= 2")
    assert tab.locator("html").get_attribute("lang") == "de"
    assert tab.locator(".verdict h1").inner_text() == "Nicht nach den Regeln"
    assert "Lenken im Stand" in tab.locator(".finding").first.inner_text()
    assert tab.locator("#now-speed").inner_text().endswith("ft/s")
    findings, clip = (tab.locator(f"section.{c}").bounding_box() for c in ("findings", "clip"))
    assert findings["x"] < clip["x"]


PAGES = ("/", "/setup", "/setup/vehicle", "/setup/course", "/setup/tape", "/setup/lens", "/view", "/attempts/run-1",
         "/attempts/run-1/sheet", "/attempts/run-1/share", "/attempts/run-1/marks", "/attempts/run-1/about",
         "/trainees/T-07",
         "/compare?of=run-1&of=run-1", "/school/index.html", "/school/attempts.html", "/nothing")


@pytest.mark.parametrize(("theme", "width", "paths"), [
    ("paper", 1440, PAGES), ("night", 390, PAGES), ("sun", 1024, ("/", "/attempts/run-1", "/attempts/run-1/marks"))])
def test_no_page_has_a_serious_fault_of_accessibility(chromium: Any, app: Running, theme: str, width: int,
                                                      paths: tuple[str, ...]) -> None:
    from axe_playwright_python.sync_playwright import Axe
    context = chromium.new_context(viewport={"width": width, "height": 900})
    context.add_cookies([{"name": "tailtrace_view", "value": f"en.{theme}.m.right", "url": app.url}])
    page = context.new_page()
    found = []
    for path in paths:
        page.goto(app.url + path)
        page.wait_for_timeout(150)
        results = Axe().run(page, options={"resultTypes": ["violations"], "runOnly": [
            "wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}).response
        found += [f"{path}: {v['id']} {v['nodes'][0]['html'][:200]} {v['nodes'][0].get('failureSummary', '')[:300]}"
                  for v in results["violations"] if v["impact"] in ("serious", "critical")]
        if page.evaluate("document.documentElement.scrollWidth > innerWidth + 1"):
            found.append(f"{path}: wider than the screen")
        if page.evaluate("[...document.querySelectorAll('section.findings')].some("
                         "s => s.scrollHeight > s.clientHeight + 1)"):
            found.append(f"{path}: findings run over what follows them")
    context.close()
    assert found == []
