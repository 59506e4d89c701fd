"""The setting-out sheet from the app: a file to print, for a vehicle and a course that are there."""

from __future__ import annotations

from pathlib import Path

import pytest
from app_running import prepare_result, running, set_up

from cli.app import routes_setout


def test_the_sheet_is_a_file_to_print(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(routes_setout, "room_sentence", lambda vehicle, course: "0.40 m of room.")
    root = set_up(tmp_path / "app", prepare_result(tmp_path))
    vehicle = next((root / "vehicles").iterdir()).name.removesuffix(".vehicle.toml")
    course = next((root / "courses").iterdir()).name.removesuffix(".course.toml")
    with running(root) as app:
        assert b'action="/setup/sheet"' in app.ask("GET", "/setup")[1]
        status, body = app.ask("GET", f"/setup/sheet?vehicle={vehicle}&course={course}")
        assert status == 200
        assert app.headers["content-disposition"] == f'attachment; filename="setting_out_{course}.html"'
        text = body.decode()
        assert "Walk out: pegs" in text and "0.40 m of room." in text
        for asked in (f"vehicle=none&course={course}", f"vehicle={vehicle}&course=..%2f..%2fx", ""):
            assert app.ask("GET", f"/setup/sheet?{asked}")[0] == 404
