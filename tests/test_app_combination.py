"""A vehicle with a trailer, set up and corrected in the app."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import urlencode

import pytest
from app_running import running

from cli.files import read_vehicle

SIZES = {"name": "Artic 2", "length_m": "6.0", "width_m": "2.5", "height_m": "3.6", "wheelbase_m": "3.7",
         "front_overhang_m": "1.4", "size_sd_m": "0.02", "trailer_hitch_x_m": "0.6", "trailer_hitch_to_axle_m": "7.7",
         "trailer_length_m": "13.6", "trailer_width_m": "2.55", "trailer_height_m": "4.0",
         "trailer_rear_overhang_m": "4.3", "trailer_max_articulation_deg": "75"}


def test_a_combination_is_begun_from_the_generic_one_and_corrected(tmp_path: Path) -> None:
    with running(tmp_path / "folder") as app:
        form = app.ask("GET", "/setup/vehicle?from=semi_14")[1]
        assert b'name="size_sd_m" value="0.015"' in form  # by tape, as the generic vehicles' files have it
        assert b'name="trailer_hitch_to_axle_m" value="8.4"' in form and b"cab_length_m" not in form
        assert b'data-drawing="/setup/vehicle/drawing?from=semi_14"' in form
        assert app.ask("POST", "/setup/vehicle?from=semi_14", urlencode(SIZES).encode())[0] == 303
        path = app.root / "vehicles" / "artic-2.vehicle.toml"
        v = read_vehicle(path)
        assert v.trailer is not None and v.size_sd_m == 0.02
        assert (v.trailer.kind, v.trailer.hitch_to_axle_m, v.overall_length_m) == ("semi", 7.7, pytest.approx(16.5))
        # The tractor's boxes, stretched from 5.5 m (rear at -0.8, cab from 2.5) to 6 m (rear at -0.9).
        assert {s.name: (s.x_min_m, s.x_max_m) for s in v.solids} == {
            "cab": (pytest.approx(5.1 - 2.2 * 6 / 5.5, abs=1e-3), pytest.approx(5.1)),
            "chassis": (pytest.approx(-0.9), pytest.approx(5.1 - 2.2 * 6 / 5.5, abs=1e-3))}
        behind = SIZES | {"trailer_hitch_x_m": "-0.2"}
        assert app.ask("POST", "/setup/vehicle?of=artic-2", urlencode(behind).encode())[0] == 303
        v = read_vehicle(path)
        assert v.trailer is not None and v.trailer.hitch_x_m == -0.2
        wrong = urlencode(SIZES | {"trailer_hitch_to_axle_m": "10.5"}).encode()
        status, page = app.ask("POST", "/setup/vehicle?of=artic-2", wrong)
        assert status == 422 and b"a semi-trailer rests on the fifth wheel" in page
        assert b'name="trailer_hitch_to_axle_m" value="10.5"' in page  # what was typed is still there
        drawn = app.ask("POST", "/setup/vehicle/drawing?of=artic-2", urlencode(SIZES).encode())[1]
        assert "coupling to middle of axles" in drawn["svg"]


def test_a_trailer_written_wrongly_by_hand_does_not_close_the_form(tmp_path: Path) -> None:
    with running(tmp_path / "folder") as app:
        assert app.ask("POST", "/setup/vehicle?from=semi_14", urlencode(SIZES).encode())[0] == 303
        path = app.root / "vehicles" / "artic-2.vehicle.toml"
        path.write_text(path.read_text("utf-8").replace('kind = "semi"', 'kind = "dolly"'), "utf-8")
        assert app.ask("GET", "/setup/vehicle?of=artic-2")[0] == 200
        status, page = app.ask("POST", "/setup/vehicle?of=artic-2", urlencode(SIZES).encode())
        assert status == 422 and b"bends at two places" in page
