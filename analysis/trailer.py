"""A trailer with one articulation: a semi-trailer on a fifth wheel, or a trailer with a rigid drawbar.

Trailer frame: origin on the ground below the middle of the trailer's axle (of the group, where there are several),
x forward, y left, z up (ISO 8855). The articulation angle is the trailer's heading less the towing vehicle's,
anticlockwise positive, in (-pi, pi); metres, radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.body import Solid, Tyre, rounded_rectangle, solids_from_table
from analysis.table import REQUIRED, Table

KINDS = ("semi", "rigid_drawbar")
_TWO_JOINTS = ("turntable", "dolly", "drawbar", "full", "a_frame", "full_trailer", "road_train", "b_double")


@dataclass(frozen=True)
class Trailer:
    """A trailer as its data sheet states it. Sizes are of its body, drawbar and mirrors left out (ISO 612).

    kind: 'semi' or 'rigid_drawbar'. hitch_x_m: the coupling in the towing vehicle's frame, forward of its rear axle
    positive. hitch_to_axle_m: from the coupling back to the axle that does not slip sideways (the middle of the
    group). max_articulation_rad: as far as the two may bend before body meets body. axle_x_m: the axles along the
    trailer, in its frame.
    """

    name: str
    kind: str
    hitch_x_m: float
    hitch_to_axle_m: float
    length_m: float
    width_m: float
    height_m: float
    rear_overhang_m: float
    track_m: float
    tyre_width_m: float
    tyre_length_m: float
    wheel_radius_m: float
    corner_radius_m: float
    max_articulation_rad: float
    solids: tuple[Solid, ...]
    axle_x_m: tuple[float, ...] = (0.0,)

    @property
    def wheelbase_m(self) -> float:
        """From the axle to the point it is led by: the coupling."""
        return self.hitch_to_axle_m

    @property
    def x_rear_m(self) -> float:
        """x of the rearmost body point in the trailer frame (negative)."""
        return -self.rear_overhang_m

    @property
    def x_front_m(self) -> float:
        return self.length_m - self.rear_overhang_m

    def tyres(self) -> tuple[Tyre, ...]:
        """Left and right of each axle, from the front; of a single axle just left and right."""
        out = []
        for k, x in enumerate(self.axle_x_m, 1):
            axle = f"trailer_axle_{k}" if len(self.axle_x_m) > 1 else "trailer"
            out += [Tyre(f"{axle}_{side}", x, sign * self.track_m / 2, self.tyre_width_m, self.tyre_length_m, False)
                    for side, sign in (("left", 1.0), ("right", -1.0))]
        return tuple(out)

    def body_outline_m(self, points_per_corner: int = 5) -> np.ndarray:
        """(n, 2) corners of the plan outline, anticlockwise, trailer frame; the drawbar left out."""
        return rounded_rectangle(self.x_rear_m, self.x_front_m, self.width_m, self.corner_radius_m, points_per_corner)


def trailer_pose(x_m: np.ndarray, y_m: np.ndarray, heading_rad: np.ndarray, articulation_rad: np.ndarray,
                 trailer: Trailer) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(x, y, heading) of the trailer's frame in the course frame, from the towing vehicle's pose there.

    Takes arrays of one shape or numbers; the heading goes on where the towing vehicle's does (unwrapped)."""
    theirs = np.asarray(heading_rad, float) + articulation_rad
    h, back = trailer.hitch_x_m, trailer.hitch_to_axle_m
    return (x_m + h * np.cos(heading_rad) - back * np.cos(theirs),
            y_m + h * np.sin(heading_rad) - back * np.sin(theirs), theirs)


def articulation_rate_radps(articulation_rad: np.ndarray, speed_mps: np.ndarray, yaw_rate_radps: np.ndarray,
                            trailer: Trailer) -> np.ndarray:
    """How fast the articulation angle grows, from the towing vehicle's speed at its rear axle and its yaw rate.

    The coupling moves with v along and h w across the towing vehicle; the trailer's axle does not slip sideways, so
    that motion's part across the trailer turns it: w_t = (h w cos g - v sin g) / L (Altafini 2001, the general
    one-trailer; h positive forward)."""
    across = trailer.hitch_x_m * yaw_rate_radps * np.cos(articulation_rad) - speed_mps * np.sin(articulation_rad)
    return across / trailer.hitch_to_axle_m - yaw_rate_radps


def trailer_from_table(t: Table, towing_rear_m: float, towing_front_m: float) -> Trailer:
    """Read the [trailer] table of a vehicle file; the towing body reaches from towing_rear_m to towing_front_m.

    Raises Trouble naming the key, the value and what is allowed."""
    kind = t.text("kind", REQUIRED)
    if kind in _TWO_JOINTS:
        raise t.fail("kind", f"'{kind}': a trailer that steers by a turntable or dolly bends at two places, and only "
                     "one can be measured",
                     "analyse a semi-trailer (kind = \"semi\") or a trailer with a rigid drawbar "
                     "(kind = \"rigid_drawbar\")")
    semi = t.choice("kind", KINDS) == "semi"
    name = t.text("name", "semi-trailer" if semi else "trailer")
    # A fifth wheel stands near the rear axle, a coupling jaw at or under the tail.
    low, high = (-1.5, towing_front_m - 1.0) if semi else (towing_rear_m - 0.6, -0.2)
    hitch_x = t.number("hitch_x_m", low, high, REQUIRED)
    back = t.number("hitch_to_axle_m", 1.5, 14.0, REQUIRED)
    length = t.number("length_m", 1.5, 16.0, REQUIRED)
    width = t.number("width_m", 1.0, 3.0, REQUIRED)
    height = t.number("height_m", 0.5, 4.5, REQUIRED)
    rear = t.number("rear_overhang_m", 0.2, 8.0, REQUIRED)
    front = length - rear
    if front < 0.2:
        raise t.fail("rear_overhang_m", f"{rear:g} m leaves {front:.2f} m ahead of the axle of a {length:g} m trailer",
                     "check length_m and rear_overhang_m")
    if semi and front < back:
        raise t.fail("hitch_to_axle_m", f"the coupling would lie {back - front:.2f} m ahead of the semi-trailer's body",
                     "a semi-trailer rests on the fifth wheel: check hitch_to_axle_m, length_m and rear_overhang_m")
    overlap = hitch_x - towing_rear_m - (back - front)
    if not semi and overlap > 0:
        raise t.fail("hitch_to_axle_m", f"the trailer would stand {overlap:.2f} m inside the towing vehicle",
                     "the drawbar must reach further than the coupling lies under the tail: check hitch_x_m, "
                     "hitch_to_axle_m, length_m and rear_overhang_m")
    if t.has("combination_length_m"):
        stated, whole = t.number("combination_length_m", 5.0, 40.0), towing_front_m - hitch_x + back + rear
        if abs(stated - whole) > 0.05:
            raise t.fail("combination_length_m", f"{stated:g} m does not fit: the other sizes make it {whole:.2f} m",
                         "correct hitch_x_m, hitch_to_axle_m or rear_overhang_m, or leave combination_length_m out")
    tyre = t.number("tyre_width_m", 0.1, 0.9, 0.385)
    track = t.number("track_m", 0.8, width, max(0.8, min(2.04, width - 0.5)))
    if track + tyre > width + 0.06:
        raise t.fail("track_m", f"track {track:g} m plus tyre {tyre:g} m stands out of a {width:g} m wide body",
                     "track is middle to middle of the (twin) tyres; check both")
    axles, spacing = t.whole("axles", 1, 4, 1), t.number("axle_spacing_m", 0.5, 2.5, 1.31)
    corner = t.number("corner_radius_m", 0.0, 0.8, 0.1)
    # Side and rear underrun guards reach down to 0.55 m (UN R73 and R58, from memory).
    clearance = t.number("ground_clearance_m", 0.05, 1.4, 0.55 if semi else 0.4)
    trailer = Trailer(
        name, kind, hitch_x, back, length, width, height, rear, track, tyre,
        t.number("tyre_length_m", 0.1, 0.6, 0.25), t.number("wheel_radius_m", 0.15, 0.7, 0.5 if semi else 0.35),
        corner, math.radians(t.number("max_articulation_deg", 20.0, 110.0, REQUIRED)),
        solids_from_table(t, -rear, front, width, height, clearance, corner),
        tuple(((axles - 1) / 2 - k) * spacing for k in range(axles)))
    t.done()
    return trailer
