"""A school's rule set as data: what counts as a fault, how many, how much."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from analysis.table import REQUIRED, Table

SEVERITIES = ("fault", "note", "ignore")


@dataclass(frozen=True)
class Rules:
    """Predicates on which the published rule sets differ, one field each. Angles in rad, lengths in m.

    tyre_reading: 'any_part' (any part of a tyre beyond the line's yard-side edge) or
    'full_width' (the whole tyre width beyond it). `severity` of a finding kind: 'fault' counts
    against the attempt, 'note' is told without counting, 'ignore' is not told.

    A rule set may score by points: a fault of a kind in `points` (points each) then counts its points, and the run
    fails above `points_allowed`; a fault of a kind without points fails it outright. None: no points, any fault fails.
    `count_each_crossing`: each time bodywork crosses a line is a fault of its own. `body_reading`: with or without
    the mirrors. `looks_allowed`: how often the driver may get out and look, None where nothing is said about it.
    `articulation_limit_rad`: as far as vehicle and trailer may bend, None where the data sheet's limit alone holds.
    """

    name: str
    source: str
    tyre_reading: str
    tyre_tolerance_m: float
    shunts_allowed: int
    shunt_min_forward_m: float
    dry_tolerance_rad: float
    dry_probability: float
    forward_pair_must_reach: bool
    rear_inside_box: bool
    barrier_touch_allowed: bool
    final_heading_limit_rad: float
    speed_limit_mps: float
    near_mark_m: float
    unseen_mark_m: float
    stop_min_s: float
    crawl_limit_rad_per_m: float
    severity: Mapping[str, str]
    points: Mapping[str, int] = field(default_factory=dict)
    points_allowed: int | None = None
    count_each_crossing: bool = False
    body_reading: str = "without_mirrors"
    whole_inside_bay: bool = False
    looks_allowed: int | None = None
    articulation_limit_rad: float | None = None


KINDS = ("tyre_over_line", "body_over_line", "mark_touched", "mark_close", "shunt_count", "dry_steering",
         "stopping_box", "barrier", "final_heading", "forward_pair", "speed_near_mark", "mark_unseen", "inside_bay",
         "looks", "crawl_steering", "jack_knife", "data_sheet")

_DEFAULT_SEVERITY = {"tyre_over_line": "fault", "body_over_line": "note", "mark_touched": "fault",
                     "mark_close": "note", "shunt_count": "fault", "dry_steering": "fault", "stopping_box": "fault",
                     "barrier": "fault", "final_heading": "note", "forward_pair": "note", "speed_near_mark": "note",
                     "mark_unseen": "note", "inside_bay": "fault", "looks": "note",
                     "crawl_steering": "note", "jack_knife": "fault", "data_sheet": "note"}


def rules_from_table(values: Mapping[str, Any]) -> Rules:
    """Read a `*.rules.toml` mapping. Raises Trouble naming the key, the value and what is allowed."""
    t = Table(values)
    t.whole("schema", 1, 1, 1)
    severity_table = t.table("severity", {})
    severity = {k: severity_table.choice(k, SEVERITIES, _DEFAULT_SEVERITY[k]) for k in KINDS}
    severity_table.done()
    points_table = t.table("points", {})
    points = {k: points_table.whole(k, 1, 100, None) for k in KINDS if points_table.has(k)}
    points_table.done()
    if bool(points) != t.has("points_allowed"):
        missing = "points_allowed" if points else "points"
        raise t.fail(missing, "points and points_allowed go together", "give both, or neither")
    rules = Rules(
        name=t.text("name", REQUIRED),
        source=t.text("source", ""),
        tyre_reading=t.choice("tyre_reading", ("any_part", "full_width"), REQUIRED),
        tyre_tolerance_m=t.number("tyre_tolerance_m", 0.0, 0.5, 0.0),
        shunts_allowed=t.whole("shunts_allowed", 0, 9, 2),
        shunt_min_forward_m=t.number("shunt_min_forward_m", 0.0, 3.0, 0.3),
        dry_tolerance_rad=math.radians(t.number("dry_tolerance_deg", 0.0, 45.0, 10.0)),
        dry_probability=t.number("dry_probability", 0.5, 0.999, 0.95),
        forward_pair_must_reach=t.flag("forward_pair_must_reach", True),
        rear_inside_box=t.flag("rear_inside_box", True),
        barrier_touch_allowed=t.flag("barrier_touch_allowed", True),
        final_heading_limit_rad=math.radians(t.number("final_heading_limit_deg", 0.1, 45.0, 3.0)),
        speed_limit_mps=t.number("speed_limit_mps", 0.3, 5.0, 1.5),
        near_mark_m=t.number("near_mark_m", 0.05, 5.0, 0.5),
        unseen_mark_m=t.number("unseen_mark_m", 0.1, 5.0, 1.0),
        stop_min_s=t.number("stop_min_s", 0.1, 3.0, 0.3),
        crawl_limit_rad_per_m=math.radians(t.number("crawl_limit_deg_per_m", 5.0, 200.0, 45.0)),
        severity=severity,
        points=points,
        points_allowed=t.whole("points_allowed", 0, 1000) if points else None,
        count_each_crossing=t.flag("count_each_crossing", False),
        body_reading=t.choice("body_reading", ("without_mirrors", "with_mirrors"), "without_mirrors"),
        whole_inside_bay=t.flag("whole_inside_bay", False),
        looks_allowed=t.whole("looks_allowed", 0, 9) if t.has("looks_allowed") else None,
        articulation_limit_rad=math.radians(t.number("articulation_limit_deg", 10.0, 110.0))
        if t.has("articulation_limit_deg") else None)
    t.done()
    return rules
