"""What the app refuses: foreign hosts and origins, paths out of its folder, too much at once, no passphrase."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from app_running import Running, prepare_result, running, set_up

from analysis.trouble import Trouble
from cli.app.folder import Folder, NotThere, slug
from cli.app.guard import LARGEST_BODY_BYTES, Passphrase
from cli.app.launcher import write_launcher
from cli.main import main

PHRASE = "four words are enough"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return prepare_result(tmp_path_factory.mktemp("result"))


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory, prepared: Path) -> Iterator[Running]:
    with running(set_up(tmp_path_factory.mktemp("app"), prepared, attempts=("run-1",))) as got:
        yield got


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1", "localhost.evil.example:{port}",
                                  ""])
def test_only_its_own_address_is_answered(app: Running, host: str) -> None:
    # a name that is made to point at this machine (DNS rebinding) arrives with that name as its host
    assert app.ask("GET", "/queue", headers={"Host": host.format(port=app.port)})[0] in (400, 421)
    assert app.ask("GET", "/queue", headers={"Host": f"localhost:{app.port}"})[0] == 200


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "", "http://127.0.0.1:1", "http://localhost"])
@pytest.mark.parametrize(("method", "path"), [("POST", "/queue"), ("POST", "/uploads"), ("POST", "/view"),
                                              ("DELETE", "/uploads/abc"), ("POST", "/attempts/run-1/people")])
def test_only_its_own_pages_may_change_anything(app: Running, method: str, path: str, origin: str) -> None:
    assert app.ask(method, path, {}, {"Origin": origin})[0] == 403


def test_other_sites_may_not_read_by_script_but_may_link(app: Running) -> None:
    foreign = {"Sec-Fetch-Site": "cross-site"}
    assert app.ask("GET", "/attempts/run-1/clip", headers=foreign | {"Sec-Fetch-Mode": "no-cors"})[0] == 403
    assert app.ask("GET", "/setup", headers=foreign | {"Sec-Fetch-Mode": "navigate"})[0] == 200


@pytest.mark.parametrize("path", [
    "/attempts/..%2f..%2fetc/clip", "/attempts/%2e%2e/clip", "/attempts/run-1%00/clip", "/attempts/.hidden",
    "/attempts/run-1/files/..%2frequest.json", "/attempts/run-1/files/request.json",
    "/attempts/run-1/files//etc/passwd",
    "/attempts/run-1/files/people/../vehicle.toml", "/attempts/run-1/share/..%2fattempt.json", "/static/../server.py",
    "/static/%2e%2e/server.py", "/view/pages/review.py", "/attempts/a" + "b" * 300, "/setup/tape?of=../../x"])
def test_no_path_leads_out_of_what_is_meant(app: Running, path: str) -> None:
    assert app.ask("GET", path)[0] == 404


def test_a_link_in_the_folder_is_not_followed(tmp_path: Path) -> None:
    folder = Folder(tmp_path / "app")
    (tmp_path / "outside").mkdir()
    (tmp_path / "app" / "attempts" / "link").symlink_to(tmp_path / "outside")
    with pytest.raises(NotThere):
        folder.existing("attempts", "link")


def test_names_made_from_what_people_type() -> None:
    assert slug("Bus 7 (Ä)", lambda n: False) == "bus-7-a"
    assert slug("../../etc", lambda n: False) == "etc"
    assert slug("€", lambda n: False) == "unnamed"
    assert slug("bus", lambda n: n in ("bus", "bus-2")) == "bus-3"


def test_requests_have_a_size(app: Running) -> None:
    big = b'{"uploads": "' + b"x" * LARGEST_BODY_BYTES + b'"}'
    assert app.ask("POST", "/queue", big)[0] == 413
    status, refusal = app.ask("POST", "/uploads", {"name": "x.mp4", "size": 41_000_000_000, "modified": 1})
    assert (status, refusal["what"]) == (422, "41 GB is too large")
    begun = app.ask("POST", "/uploads", {"name": "x.mp4", "size": 20_000_000, "modified": 1})[1]
    assert app.ask("PATCH", f"/uploads/{begun['id']}?offset=0", b"x" * 8_000_001)[0] == 422


@pytest.mark.parametrize("path", ["/", "/setup", "/setup/vehicle", "/setup/course", "/setup/tape", "/setup/lens",
                                  "/view", "/attempts/run-1", "/attempts/run-1/sheet", "/attempts/run-1/share",
                                  "/attempts/run-1/marks", "/trainees/T-07", "/school/index.html",
                                  "/school/attempts.html", "/nothing"])
def test_every_page_forbids_scripts_and_styles_inside_it(app: Running, path: str) -> None:
    status, raw = app.ask("GET", path, headers={"Accept": "text/html"})
    assert status == (404 if path == "/nothing" else 200)
    policy = app.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert app.headers["x-content-type-options"] == "nosniff"
    text = raw.decode()
    assert " style=" not in text
    assert "<style" not in text
    harmless = " src=", ' type="module" src=', ' type="application/json"', ' type="text/plain"'
    assert not [part for part in text.split("<script")[1:] if not part.startswith(harmless)]


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory, prepared: Path) -> Iterator[Running]:
    with running(set_up(tmp_path_factory.mktemp("net"), prepared, attempts=("run-1",)),
                 passphrase=Passphrase(PHRASE)) as got:
        yield got


def test_on_a_network_nothing_is_seen_without_the_passphrase(guarded: Running) -> None:
    assert guarded.ask("GET", "/attempts/run-1/clip")[0] == 303
    assert guarded.ask("GET", "/queue")[0] == 303
    assert guarded.ask("POST", "/queue", {})[0] == 401
    assert guarded.ask("GET", "/login")[0] == 200
    assert guarded.ask("POST", "/login", b"passphrase=four words are few")[0] == 401
    assert guarded.ask("GET", "/queue", headers={"Cookie": "tailtrace_session=guess"})[0] == 303
    assert guarded.ask("POST", "/login", b"passphrase=" + PHRASE.encode())[0] == 303
    cookie = guarded.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie
    assert guarded.ask("GET", "/queue", headers={"Cookie": cookie.split(";")[0]})[0] == 200


def test_a_network_needs_a_passphrase_of_some_length(capsys: pytest.CaptureFixture[str],
                                                     monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    with pytest.raises(Trouble, match="at least 12"):
        Passphrase("short")
    monkeypatch.delenv("TAILTRACE_PASSPHRASE", raising=False)
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    assert main(["serve", "--folder", str(tmp_path), "--network", "127.0.0.1", "--no-browser"]) == 2
    assert "passphrase is needed" in capsys.readouterr().err


def test_a_launcher_starts_the_app(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--launcher", str(tmp_path)]) == 0
    assert "wrote" in capsys.readouterr().out
    written = write_launcher(tmp_path, "Darwin")
    # the same words with --help behind them: the command is there and is the app's
    told = subprocess.run(["sh", "-c", written.read_text().replace("serve", "serve --help")], capture_output=True,
                          text=True, check=True)
    assert "--network" in told.stdout
    assert write_launcher(tmp_path, "Windows").read_bytes().count(b"\r\n") == 3
    assert main(["serve", "--launcher", str(tmp_path / "nowhere")]) == 2


def test_a_port_in_use_is_said(app: Running, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["serve", "--folder", str(tmp_path), "--port", str(app.port), "--no-browser"]) == 2
    assert "running already?" in capsys.readouterr().err
