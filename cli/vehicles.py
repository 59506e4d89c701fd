"""The generic vehicles that ship with the program, and what follows from a vehicle file: figures and a drawing."""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path

from analysis.licensing import categories_met
from analysis.swept import TurningCircle, trailer_circle, turning_circle, wheel_for_outer_radius
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from cli.drawing import vehicle_drawing
from cli.files import read_vehicle, write_new
from cli.lengths import feet, metres

_ENDING = ".vehicle.toml"
RING_OUTER_M, RING_INNER_M = 12.50, 5.30  # 97/27/EC Annex I 7.6.1: the ring every vehicle must turn in


def generic_names() -> list[str]:
    """Names of the shipped vehicles, in alphabetical order."""
    data = resources.files("cli") / "data"
    return sorted(f.name.removesuffix(_ENDING) for f in data.iterdir() if f.name.endswith(_ENDING))


def _text_of(name: str) -> str:
    if name not in generic_names():
        raise Trouble(f"there is no generic vehicle '{name}'", where="vehicle",
                      remedy="allowed: " + ", ".join(generic_names()) + "; or a vehicle file (.toml)")
    return (resources.files("cli") / "data" / f"{name}{_ENDING}").read_text("utf-8")


def copy_vehicle(name: str, out: Path) -> None:
    """Write a shipped vehicle's file as it is, with its sources; never over an existing file."""
    write_new(out, _text_of(name))


def vehicle_of(name: str) -> Vehicle:
    """A shipped vehicle by its name, or that of a file (its name ends in .toml)."""
    if name.endswith(".toml"):
        return read_vehicle(Path(name))
    _text_of(name)
    with resources.as_file(resources.files("cli") / "data" / f"{name}{_ENDING}") as shipped:
        return read_vehicle(shipped)


def write_drawing(name: str, out: Path) -> None:
    """The labelled drawing of a shipped vehicle or of a file, as SVG."""
    write_new(out, vehicle_drawing(vehicle_of(name)) + "\n")


def figures_text(vehicle: Vehicle) -> str:
    """What follows from the sizes, with the published checks beside it."""
    turn = turning_circle(vehicle, vehicle.max_wheel_rad)
    rows = [("length × width × height", f"{metres(vehicle.length_m)} × {metres(vehicle.width_m)} × "
             f"{metres(vehicle.height_m)}", ""),
            ("rear overhang", _both(vehicle.rear_overhang_m), "length less wheelbase less front overhang"),
            ("full lock, middle of the axle", f"{math.degrees(vehicle.max_wheel_rad):.1f}°", "")]
    rows += [(what, _both(value), "") for what, value in _turning(turn)]
    rows += _towing(vehicle)
    rows.append(_ring(vehicle))
    rows.append(("long and wide enough for", ", ".join(categories_met(vehicle)) or "no category",
                 "2006/126/EC Annex II, sizes alone: mass, speed and equipment are not looked at"))
    table = "\n".join(f"{a:30s} {b:28s} {c}".rstrip() for a, b, c in rows)
    return f"{table}\nsource: {vehicle.source or 'not stated'}"


def _turning(turn: TurningCircle) -> list[tuple[str, float]]:
    return [("radius of the outer corner", turn.outer_body_m), ("radius of the outer tyre", turn.outer_tyre_m),
            ("radius of the front axle", turn.front_axle_m), ("radius of the rear axle", turn.rear_axle_m),
            ("radius of the inner side", turn.inner_body_m),
            ("swept width", turn.outer_body_m - turn.inner_body_m), ("off-tracking", turn.off_tracking_m),
            ("tail swing from straight", turn.tail_swing_m)]


def _towing(vehicle: Vehicle) -> list[tuple[str, str, str]]:
    """What follows from the trailer, if there is one; all figures above are of the vehicle without it."""
    trailer = vehicle.trailer
    if trailer is None:
        return []
    rows = [("with its trailer, overall", _both(vehicle.overall_length_m), ""),
            ("coupling to trailer's axles", _both(trailer.hitch_to_axle_m), "")]
    turn, circle = turning_circle(vehicle, vehicle.max_wheel_rad), trailer_circle(vehicle, vehicle.max_wheel_rad)
    if circle is None:
        return [*rows, ("steady turn at full lock", "none", "the trailer folds until the combination jack-knifes")]
    return [*rows, ("radius of the trailer's axle", _both(circle.axle_m), "steady turn at full lock"),
            ("angle to the trailer", f"{math.degrees(circle.articulation_rad):.0f}°",
             "steady turn at full lock"),
            ("swept width with the trailer", _both(turn.outer_body_m - circle.inner_body_m), "")]


def _ring(vehicle: Vehicle) -> tuple[str, str, str]:
    """Whether it can turn in the ring of 97/27/EC, from the steady turn with its outer corner on the outer circle."""
    source = f"97/27/EC Annex I 7.6.1: within {RING_OUTER_M:.2f} m, clear of {RING_INNER_M:.2f} m"
    wheel = wheel_for_outer_radius(vehicle, RING_OUTER_M)
    inner = turning_circle(vehicle, wheel).inner_body_m
    towed = trailer_circle(vehicle, wheel)
    if towed:
        inner = towed.inner_body_m
    fits = wheel <= vehicle.max_wheel_rad and inner >= RING_INNER_M and (towed is not None or not vehicle.trailer)
    return "turns in the published ring", f"{'yes' if fits else 'no'}, inner side at {metres(inner)}", source


def _both(value_m: float) -> str:
    return f"{metres(value_m)} ({feet(value_m)})"
