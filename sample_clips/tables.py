"""Writing vehicle and course files as people would."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from analysis.course import Course


def _value(v: Any) -> str:
    if isinstance(v, str):
        return f'"{v}"'
    return (
        f"{v:.4f}".rstrip("0").rstrip(".")
        if isinstance(v, float) and v != int(v)
        else (f"{v:.1f}" if isinstance(v, float) else str(v))
    )


def _lines(values: dict[str, Any]) -> list[str]:
    return [f"{k} = {_value(v)}" for k, v in values.items()]


def vehicle_text(table: dict[str, Any]) -> str:
    """The TOML text of a vehicle table."""
    out = _lines({k: v for k, v in table.items() if not isinstance(v, (dict, list))})
    out += ["", "[mirror]", *_lines(table.get("mirror", {}))]
    for solid in table.get("solid", []):
        out += ["", "[[solid]]", *_lines(solid)]
    if "trailer" in table:
        out += ["", "[trailer]", *_lines(table["trailer"])]
    return "\n".join(out) + "\n"


def course_text(course: Course) -> str:
    """The TOML text of a course."""
    out = _lines({"schema": 1, "name": course.name, "source": course.source, "exercise": course.exercise})
    for m in course.marks:
        out += [
            "",
            "[[mark]]",
            *_lines(asdict(m)),
        ]
    for ln in course.lines:
        out += [
            "",
            "[[line]]",
            *_lines(
                {
                    "name": ln.name,
                    "x0_m": ln.x0_m,
                    "y0_m": ln.y0_m,
                    "x1_m": ln.x1_m,
                    "y1_m": ln.y1_m,
                    "width_m": ln.width_m,
                }
            ),
        ]
    out += ["", "[bay]", *_lines(asdict(course.bay))]
    if course.stopping_box:
        out += ["", "[stopping_box]", *_lines(asdict(course.stopping_box))]
    if course.barrier:
        out += ["", "[barrier]", *_lines({**asdict(course.barrier), "height_m": course.barrier_height_m})]
    return "\n".join(out) + "\n"
