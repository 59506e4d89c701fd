"""What a hostile page, client, file or name can do to the app and to the pages it writes: nothing that counts."""

from __future__ import annotations

import json
import re
import signal
import socket
import sys
import zipfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from app_running import VEHICLE, Running, analysed_by_hand, prepare_result, running, set_up
from fake_attempt import make_attempt, write_clip

from analysis.trouble import Trouble
from cli.app import guard
from cli.app.folder import Folder
from cli.app.guard import LARGEST_BODY_BYTES
from cli.app.look import ending_of_clip
from cli.app.rewrite import take_apart
from cli.app.share import ASKED, SHARE, SINGLE, ZIP, make_share
from cli.app.uploads import Uploads

MARK = "xss-probe"
EVIL = f"\"'><{MARK} onclick=alert(1)></script><{MARK}>--><svg/onload=alert(1)>&lt;{MARK}&gt; {{{{7*7}}}} {{0}} %s"


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    prepared = prepare_result(tmp_path_factory.mktemp("result"))
    with running(set_up(tmp_path_factory.mktemp("app"), prepared, attempts=("run-1",))) as got:
        yield got


# ---- requests --------------------------------------------------------------------------------------------------------


def raw(app: Running, text: str, *, end: bool = False) -> bytes:
    """The answer to bytes put on the line as they are."""
    with socket.create_connection(("127.0.0.1", app.port), timeout=20) as line:
        answer = b""
        with suppress(ConnectionResetError, BrokenPipeError):  # the server may hang up on what it does not want
            line.sendall(text.replace("\n", "\r\n").encode("latin-1"))
            if end:
                line.shutdown(socket.SHUT_WR)
            while piece := line.recv(65536):
                answer += piece
    return answer


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


def test_two_hosts_a_foreign_target_and_forwarding_headers_change_nothing(app: Running) -> None:
    own = f"Host: 127.0.0.1:{app.port}\n"
    assert status(raw(app, f"GET /queue HTTP/1.1\n{own}Host: evil.example\nConnection: close\n\n")) in (400, 421)
    assert status(raw(app, "GET http://evil.example/queue HTTP/1.1\nHost: evil.example\nConnection: close\n\n")) == 421
    for header in ("X-Forwarded-Host: evil.example", "Forwarded: host=evil.example", "X-Original-URL: /login"):
        answer = raw(app, f"GET /queue HTTP/1.1\n{own}{header}\nConnection: close\n\n")
        assert status(answer) == 200 and b"evil" not in answer
    odd = f"Host: 127.0.0.1:{app.port}@evil.example\n"
    assert status(raw(app, f"GET /queue HTTP/1.1\n{odd}Connection: close\n\n")) == 421


def test_another_port_of_this_machine_is_another_site(app: Running) -> None:
    read = {"Sec-Fetch-Site": "same-site", "Sec-Fetch-Mode": "cors"}
    assert app.ask("GET", "/attempts/run-1/people", headers=read)[0] == 403
    for origin in (f"http://127.0.0.1:{app.port + 1}", f"http://127.0.0.1:{app.port}.evil.example",
                   f"https://127.0.0.1:{app.port}", f"http://127.0.0.1:{app.port} http://evil.example"):
        assert app.ask("POST", "/view", b"theme=night", {"Origin": origin})[0] == 403


def test_nothing_is_changed_by_a_link(app: Running) -> None:
    """Every address that changes something answers to POST, PATCH or DELETE only, which need the app's own origin."""
    before = sorted(p.name for p in (app.root / "attempts").iterdir())
    for path in ("/attempts/run-1/remove", "/setup/remove", "/queue/x/cancel", "/uploads/x", "/attempts/run-1/again"):
        assert app.ask("GET", path)[0] in (404, 405)
    assert sorted(p.name for p in (app.root / "attempts").iterdir()) == before


@pytest.mark.parametrize("path", [
    "/attempts/%252e%252e%252fetc/clip", "/attempts/..%255c..%255cetc/clip", "/attempts/%c0%ae%c0%ae/clip",
    "/attempts/run-1/files/%2e%2e%2f%2e%2e%2fqueue.json", "/static/..%5c..%5cserver.py", "/static/%252e%252e/server.py",
    "/school/..%2f..%2fqueue.json", "/attempts/run-1/share/%2e%2e%2frequest.json", "/attempts/CON", "/attempts/run-1.",
    "/attempts/run-1/files/people%2fcorrections.jsonl%00.html", "/trainees/%ff%fe", "/trainees/" + "x" * 5000])
def test_no_encoding_of_a_path_leads_anywhere(app: Running, path: str) -> None:
    assert app.ask("GET", path)[0] in (303, 404)  # 303: to the first page, where an attempt without result is shown
    assert not app.headers.get("location", "/").strip("/")


@pytest.mark.parametrize("body", [
    b"[" * 200_000, b'{"version": NaN}', b'{"version": 1e999}', b'{"by": "\\ud800"}', b"\xff\xfe{}", b"", b"[]",
    b'{"a": 1', b'{"version": ' + b"9" * 5000 + b"}",
    b'{"action": "time", "finding": {"t_start_s": "x"}, "by": "I-1", "version": 0}',
    b'{"action": "confirm", "finding": {"t_start_s": [], "kind": 1}, "by": "I-1", "version": 0}'])
@pytest.mark.parametrize("path", ["/attempts/run-1/people", "/attempts/run-1/marks/fit", "/queue", "/uploads"])
def test_no_body_is_a_defect(app: Running, path: str, body: bytes) -> None:
    code, told = app.ask("POST", path, body)
    assert code == 422 and told["what"] and told["remedy"]


@pytest.mark.parametrize("path", ["/?page=%C2%B2", "/?page=-1", "/?page=99999999999999999999", "/compare?of=a&of=%00",
                                  "/setup/tape?of=%F0%9F%98%80", "/setup/vehicle?from=..%2f&of="])
def test_no_query_is_a_defect(app: Running, path: str) -> None:
    assert app.ask("GET", path)[0] in (200, 303, 404)


def test_bodies_and_headers_have_a_size_even_when_they_do_not_say_it(app: Running) -> None:
    start = f"POST /queue HTTP/1.1\nHost: 127.0.0.1:{app.port}\nOrigin: {app.url}\nTransfer-Encoding: chunked\n\n"
    piece = f"{10_000:x}\n" + "x" * 10_000 + "\n"
    # the server hangs up on what it will not read, which may overtake its answer
    got = [raw(app, start + piece * (LARGEST_BODY_BYTES // 10_000 + 1) + "0\n\n", end=True) for _ in range(5)]
    assert {status(answer) for answer in got if answer} == {413}
    for many in (40_000, 3_000_000):
        got = raw(app, f"GET /queue HTTP/1.1\nHost: 127.0.0.1:{app.port}\nConnection: close\nX: {'x' * many}\n\n")
        assert not got or status(got) in (400, 431)
    assert app.ask("GET", "/queue")[0] == 200


def test_a_body_that_stops_arriving_is_given_up(app: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "PATIENCE_S", 0.2)
    head = f"POST /queue HTTP/1.1\nHost: 127.0.0.1:{app.port}\nOrigin: {app.url}\nConnection: close\n"
    assert status(raw(app, head + 'Content-Length: 100\n\n{"uploads"')) == 408
    assert app.ask("GET", "/queue")[0] == 200


def test_cookies_are_for_this_site_and_not_for_scripts(app: Running) -> None:
    app.ask("POST", "/view", b"theme=night&back=//evil.example")
    cookies = app.headers.get_all("set-cookie") or []
    assert cookies and all("HttpOnly" in c and "SameSite=strict" in c for c in cookies)
    assert app.headers["location"] == "/"


# ---- uploads ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["../../etc/passwd", "C:\\con", "clip.mp4\0.exe", "\u202egpj.exe", "x" * 500, "nul",
                                  ".", "<img src=x onerror=alert(1)>.mp4", "a\nb.mp4", "clip.mp4/", "~/.ssh/id"])
def test_a_clips_name_is_never_a_name_on_disk(app: Running, name: str) -> None:
    before = {p for p in app.root.rglob("*") if "uploads" not in p.parts}
    code, begun = app.ask("POST", "/uploads", {"name": name, "size": 10, "modified": 1})
    assert code == 200 and re.fullmatch(r"[0-9a-f]{24}", begun["id"])
    assert {p for p in app.root.rglob("*") if "uploads" not in p.parts} == before
    assert app.ask("DELETE", f"/uploads/{begun['id']}")[0] == 204


def test_uploads_together_may_not_fill_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """5 GB are free, of which 1 GB is kept: 3 GB announced leave no room for 2 GB more."""
    folder = Folder(tmp_path)
    monkeypatch.setattr("cli.app.folder.shutil.disk_usage", lambda path: type("Disk", (), {"free": 5_000_000_000}))
    uploads = Uploads(folder)
    uploads.begin("a.mp4", 3_000_000_000, 1)
    with pytest.raises(Trouble, match="make room"):
        uploads.begin("b.mp4", 2_000_000_000, 1)
    uploads.begin("c.mp4", 900_000_000, 1)


def test_a_clip_that_brings_the_decoder_down_costs_only_itself(app: Running, tmp_path: Path) -> None:
    clip = write_clip(tmp_path / "clip.mp4", seconds=0.5)
    assert ending_of_clip(clip, "clip.mp4") == ".mp4"
    dies = (sys.executable, "-c", f"import os; os.kill(os.getpid(), {int(signal.SIGSEGV)})")
    with pytest.raises(Trouble, match=r"holiday\.mp4: reading it brings the reading program down"):
        ending_of_clip(clip, "holiday.mp4", command=dies)
    hangs = (sys.executable, "-c", "import time; time.sleep(60)")
    with pytest.raises(Trouble, match="does not come to an end"):
        ending_of_clip(clip, "holiday.mp4", command=hangs, longest_s=0.3)
    (tmp_path / "list.mp4").write_text("ffconcat version 1.0\nfile '/etc/hostname'\n")
    with pytest.raises(Trouble, match="is not a video"):
        ending_of_clip(tmp_path / "list.mp4", "list.mp4")


def test_an_analysis_that_crashes_costs_only_itself(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The decoder brings the worker down on every clip: it is told, the queue goes on, and the pages answer."""
    dies = (sys.executable, "-c", f"import os; os.kill(os.getpid(), {int(signal.SIGSEGV)})")
    clip = write_clip(tmp_path / "clip.mp4", seconds=0.5)
    root = set_up(tmp_path / "app", prepare_result(tmp_path_factory.mktemp("result")))
    with running(root, worker=dies) as app:
        for trainee in ("T-1", "T-2"):
            ended = app.wait(app.job(clip, trainee=trainee)["id"], "failed")
            assert "without saying why" in ended["problem"][0]
        assert app.ask("GET", "/")[0] == 200
        assert len(list((root / "attempts").glob("*/recording-01.mp4"))) == 2


# ---- scripts in names and notes --------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """All tags of a page, each with its attributes' names."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, list[str]]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, [name for name, _ in attrs]))


def harmless(page: str) -> None:
    """The hostile text may be read on the page; no browser takes any of it for markup."""
    tags = Tags(page).tags
    assert tags
    assert not [t for t in tags if t[0] == MARK or any(a.startswith("on") for a in t[1])]
    for data in re.findall(r'<script type="application/json"[^>]*>(.*?)</script>', page, re.DOTALL):
        json.loads(data)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an analysed attempt whose every free text is hostile."""
    attempt = make_attempt(sentence=EVIL)
    attempt = replace(attempt, vehicle=replace(attempt.vehicle, name=EVIL), course=replace(attempt.course, name=EVIL),
                      surveyed=replace(attempt.surveyed, name=EVIL),
                      rules=replace(attempt.rules, name=EVIL, source=EVIL),
                      track=replace(attempt.track, notes=(EVIL,)))
    place = tmp_path_factory.mktemp("hostile") / "prepared"
    analysed_by_hand(place, attempt)
    return place


@pytest.fixture(scope="module")
def spoken(hostile: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """The app over it, with hostile words of people, and a vehicle and a clip of hostile names."""
    with running(set_up(tmp_path_factory.mktemp("app"), hostile, attempts=("run-1", "run-2"))) as app:
        for action, more in (("overrule", {"verdict": "ok", "tool_verdict": "fault"}), ("note", {}),
                             ("add", {"verdict": "fault", "t_start_s": 1.0, "t_end_s": 2.0})):
            finding = {"kind": "dry_steering" if action != "add" else EVIL, "where": "" if action != "add" else EVIL,
                       "t_start_s": 5.0}
            version = app.ask("GET", "/attempts/run-1/people")[1]["version"]
            code, told = app.ask("POST", "/attempts/run-1/people", {
                "action": action, "finding": finding, "by": "I-1", "reason": EVIL, "version": version} | more)
            assert code == 200, told
        about = app.ask("GET", "/attempts/run-1/about")[1].decode()
        was = re.search(r'name="was" value="([0-9a-f]+)"', about)
        assert was
        form = f"was={was[1]}&trainee=T-07&weather={EVIL}&notes={EVIL}".replace("&lt;", "").replace("&gt;", "")
        assert app.ask("POST", "/attempts/run-1/about", form.encode())[0] == 303
        (app.root / "vehicles" / "evil.vehicle.toml").write_text(VEHICLE.replace("8.5 m lorry", EVIL.replace('"', "")))
        app.ask("POST", "/setup/lens", f"name={EVIL[:60]}&width_px=1920&height_px=1080&view_deg=70".encode())
        yield app


_SHOWS_IT = ("/", "/setup", "/setup/vehicle?of=evil", "/setup/tape", "/attempts/run-1", "/attempts/run-1/about",
             "/attempts/run-1/sheet", "/trainees/T-07", "/school/index.html", f"/trainees/%3C{MARK}%3E",
             f"/view?back=/%22%3E%3C{MARK}%3E")


@pytest.mark.parametrize("path", [*_SHOWS_IT, "/setup/vehicle", "/setup/lens", "/attempts/run-1/share",
                                  "/compare?of=run-1&of=run-2", "/school/attempts.html"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_hostile_names_and_notes_are_only_text(spoken: Running, path: str, language: str) -> None:
    code, page = spoken.ask("GET", path, headers={"Accept": "text/html", "Accept-Language": language})
    assert code in (200, 404)
    assert MARK in page.decode() or path not in _SHOWS_IT
    harmless(page.decode())


def test_hostile_words_are_only_text_in_captions(spoken: Running) -> None:
    for name in ("captions", "chapters"):
        text = spoken.ask("GET", f"/attempts/run-1/{name}.vtt")[1].decode()
        assert text.startswith("WEBVTT") and f"<{MARK}" not in text
        assert all("-->" not in line or re.fullmatch(r"[\d:.]+ --> [\d:.]+", line) for line in text.splitlines())


def test_hostile_names_are_only_text_in_files(hostile: Path) -> None:
    for name in ("review.html", "trainee.html"):
        text = (hostile / name).read_text("utf-8")
        assert not [t for t, _ in Tags(text).tags if t == MARK]
        assert MARK in text
    drawing = ElementTree.parse(hostile / "plan.svg")
    assert not [e for e in drawing.iter() if MARK in str(e.tag)]


@pytest.mark.parametrize("single", [True, False])
def test_hostile_words_are_only_text_in_a_copy(spoken: Running, single: bool) -> None:
    place = spoken.root / "attempts" / "run-1"
    (place / SHARE).mkdir(exist_ok=True)
    (place / SHARE / ASKED).write_text(json.dumps({"single": single, "blur": False, "language": "en"}))
    make_share(place, lambda stage, share: None)
    if single:
        pages = [(place / SHARE / SINGLE).read_text("utf-8")]
    else:
        with zipfile.ZipFile(place / SHARE / ZIP) as z:
            pages = [z.read(n).decode() for n in z.namelist() if n.endswith(".html")]
    assert pages
    for page in pages:
        assert not [t for t, _ in Tags(page).tags if t == MARK]


def test_a_stored_page_written_by_others_loses_what_leads_away() -> None:
    away = "<meta http-equiv=refresh content='0;url=//evil.example'>"
    page = (f"<html><head>{away}</head><body><h1 onclick=x()>Fault</h1>{away}"
            "<base href=//evil.example><iframe src=/queue></iframe>"
            "<form action=/setup/remove><button class=finding>a</button></form><a href='javascript:x()'>b</a>"
            "<svg><use xlink:href='#dot'/><image href='//evil.example/x.png'/></svg>"
            "<img src='data:image/png;base64,AA'>"
            "<script src=//evil.example></script><video src=//evil.example></video></body></html>")
    taken = take_apart(page, lambda text: text, clip="/attempts/run-1/clip")
    assert taken.body == ('<h1>Fault</h1><button class="finding" data-finding="0">a</button><a>b</a>'
                          '<svg><use xlink:href="#dot"/><image/></svg><img src="data:image/png;base64,AA">'
                          '<video src="/attempts/run-1/clip"></video>')
