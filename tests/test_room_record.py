"""Room left in attempt.json: what the record holds, and that it fits the published schema."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from fake_attempt import make_attempt
from fake_room import loss, make_room, shunt, stop_map

from analysis.judge import with_room
from analysis.record import attempt_to_json
from analysis.room.nouns import RoomAlong

SCHEMA = json.loads((Path(__file__).parents[1] / "cli" / "attempt.schema.json").read_text("utf-8"))
HEAD = {"made_at": "2026-11-25T09:00:00+00:00", "program": {"name": "tailtrace", "version": "0"}, "trainee": None,
        "instructor": None, "clips": [], "files": []}


def full() -> RoomAlong:
    return make_room(make_attempt(), largest=loss(), shunts=(shunt(),), stop=stop_map())


@pytest.mark.parametrize("room", [full(), make_room(make_attempt(), saving=False),
                                  replace(full(), reference=None, ideal=None, heading_beside=None)])
def test_the_record_fits_the_schema(room: RoomAlong) -> None:
    record = attempt_to_json(with_room(make_attempt(), room)) | HEAD
    jsonschema.validate(json.loads(json.dumps(record, allow_nan=False)), SCHEMA)


def test_the_record_without_room_says_so() -> None:
    record = attempt_to_json(make_attempt()) | HEAD
    assert record["room"] is None
    jsonschema.validate(record, SCHEMA)


def test_the_record_holds_the_moment_the_shunt_and_the_reference_run() -> None:
    record = attempt_to_json(with_room(make_attempt(), full()))["room"]
    (leg,) = record["legs"]
    assert (leg["verdict"], leg["t_s"], leg["t_from_s"], leg["t_to_s"]) == ("lost", 2.5, 2.2, 2.9)
    assert (leg["saving"]["t_s"], leg["saving"]["wheel_deg"], leg["saving"]["used_deg"]) == (1.5, 21.0, -2.0)
    assert record["shunts"][0]["room_before_m"] == -0.3
    assert record["stop"]["gain_left_m"] == 0.05
    run = record["reference"]
    assert run["x_m"][0] == 26.0
    assert run["x_m"][-1] == 3.25
    assert 45 <= len(run["x_m"]) <= 50  # 23 m listed every half metre
    assert record["room_m"][0][0] == 0.4
