"""What a body on wheels is made of: boxes, tyres, a plan outline. Of a vehicle and of its trailer alike.

Each body has a frame of its own: origin on the ground below the middle of its (rear) axle, x forward, y left, z up
(ISO 8855); metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from analysis.table import REQUIRED, Table


@dataclass(frozen=True)
class Solid:
    """A box with rounded vertical corners, in its body's frame (m)."""

    name: str
    x_min_m: float
    x_max_m: float
    width_m: float
    z_min_m: float
    z_max_m: float
    corner_radius_m: float


@dataclass(frozen=True)
class Tyre:
    """A tyre's contact patch in its body's frame (m). A twin tyre is one patch of its full width."""

    name: str
    x_m: float
    y_m: float
    width_m: float
    length_m: float
    steered: bool


class Body(Protocol):
    """What the distances and the ground passed over are computed from: a Vehicle or a Trailer."""

    @property
    def length_m(self) -> float: ...
    @property
    def width_m(self) -> float: ...
    @property
    def wheelbase_m(self) -> float: ...
    @property
    def corner_radius_m(self) -> float: ...
    @property
    def wheel_radius_m(self) -> float: ...
    @property
    def x_rear_m(self) -> float: ...
    @property
    def x_front_m(self) -> float: ...
    @property
    def solids(self) -> tuple[Solid, ...]: ...

    def tyres(self) -> tuple[Tyre, ...]: ...
    def body_outline_m(self, points_per_corner: int = 5) -> np.ndarray: ...


def rounded_rectangle(x_min: float, x_max: float, width: float, radius: float,
                      points_per_corner: int = 5) -> np.ndarray:
    """(n, 2) outline, anticlockwise, of a rectangle about the x axis with rounded corners."""
    radius = min(radius, width / 2, (x_max - x_min) / 2)
    if radius <= 0:
        h = width / 2
        return np.array([[x_max, -h], [x_max, h], [x_min, h], [x_min, -h]])
    turn = np.linspace(0, math.pi / 2, points_per_corner)
    centres = ((x_max - radius, width / 2 - radius, 0.0), (x_min + radius, width / 2 - radius, math.pi / 2),
               (x_min + radius, -width / 2 + radius, math.pi), (x_max - radius, -width / 2 + radius, -math.pi / 2))
    return np.concatenate([
        np.column_stack([cx + radius * np.cos(a0 + turn), cy + radius * np.sin(a0 + turn)])
        for cx, cy, a0 in centres])


def solids_from_table(t: Table, rear_m: float, front_m: float, width_m: float, height_m: float, clearance_m: float,
                      corner_m: float) -> tuple[Solid, ...]:
    """The [[solid]] entries of a body that reaches from rear_m to front_m; one box of the whole body where there are
    none. Raises Trouble when none reaches near the stated height."""
    solids = tuple(_solid(s, rear_m, front_m, width_m, height_m) for s in t.tables("solid"))
    if not solids:
        solids = (Solid("body", rear_m, front_m, width_m, clearance_m, height_m, corner_m),)
    if max(s.z_max_m for s in solids) < height_m - 0.35:
        raise t.fail("height_m", f"no solid reaches near the stated height {height_m:g} m",
                     "give one [[solid]] z_max_m = height_m (without roof units)")
    return solids


def _solid(s: Table, rear_m: float, front_m: float, width_m: float, height_m: float) -> Solid:
    x_min = s.number("x_min_m", rear_m - 0.01, front_m, REQUIRED)
    x_max = s.number("x_max_m", rear_m, front_m + 0.01, REQUIRED)
    z_min = s.number("z_min_m", 0.0, height_m, 0.3)
    z_max = s.number("z_max_m", 0.3, height_m + 0.5, REQUIRED)
    if x_max - x_min < 0.2 or z_max - z_min < 0.1:
        raise s.fail("x_max_m", "the solid is thinner than 0.2 m along or 0.1 m high",
                     "x_max_m must exceed x_min_m, z_max_m must exceed z_min_m")
    solid = Solid(s.text("name", "solid"), x_min, x_max, s.number("width_m", 0.5, width_m + 0.01, width_m), z_min,
                  z_max, s.number("corner_radius_m", 0.0, 0.8, 0.1))
    s.done()
    return solid
