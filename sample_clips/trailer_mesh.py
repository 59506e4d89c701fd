"""How a trailer looks: its body on beams and axles, and the combination drawn as one thing hinged at the coupling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.trailer import Trailer
from analysis.vehicle import rounded_rectangle
from sample_clips.mesh import Mesh, box, join, linear, prism, upright, wheel
from sample_clips.scene import (
    Livery,
    Palette,
    SoftSpot,
    VehicleModel,
    dimness,
    placed_boxes,
    roof_picture,
    side_picture,
)
from sample_clips.towing import trailer_place_m

DIM_STEP_M = 0.1


@dataclass(frozen=True)
class CombinationModel(VehicleModel):
    """The towing vehicle with its trailer's mesh, boxes (b, 6) and soft shadow in the trailer's own frame."""

    towed: Mesh
    towed_boxes: np.ndarray
    towed_dimness: np.ndarray
    towed_dim_origin_m: tuple[float, float]

    def _place(self, x_m: float, y_m: float, heading_rad: float, articulation_rad: float) -> tuple[float, ...]:
        pose = np.array([[x_m, y_m, heading_rad, heading_rad + articulation_rad]])
        return tuple(float(a) for a in trailer_place_m(self.vehicle, pose)[0])

    def mesh(
        self, x_m: float, y_m: float, heading_rad: float, steer_rad: float, articulation_rad: float = 0.0
    ) -> Mesh:
        x, y, h = self._place(x_m, y_m, heading_rad, articulation_rad)
        return join([super().mesh(x_m, y_m, heading_rad, steer_rad), self.towed.placed(x, y, h)])

    def boxes_at(self, x_m: float, y_m: float, heading_rad: float, articulation_rad: float = 0.0) -> np.ndarray:
        x, y, h = self._place(x_m, y_m, heading_rad, articulation_rad)
        return np.concatenate([super().boxes_at(x_m, y_m, heading_rad), placed_boxes(self.towed_boxes, x, y, h)])

    def soft_spots(self, x_m: float, y_m: float, heading_rad: float, articulation_rad: float = 0.0) -> list[SoftSpot]:
        x, y, h = self._place(x_m, y_m, heading_rad, articulation_rad)
        return [
            *super().soft_spots(x_m, y_m, heading_rad),
            ((x, y, h), self.towed_dimness, self.towed_dim_origin_m, DIM_STEP_M),
        ]


def coupled(
    palette: Palette, model: VehicleModel, trailer: Trailer, livery: Livery, rng: np.random.Generator
) -> CombinationModel:
    """The model with a box trailer behind it: body, frame, axles, legs or drawbar, underrun bar."""
    rubber, rim, dark, grey = (
        palette.flat(linear(*c)) for c in ((34, 33, 33), (128, 128, 126), (30, 30, 32), (92, 94, 96))
    )
    parts: list[Mesh] = []
    boxes: list[tuple[float, ...]] = []

    def number() -> int:
        return len(model.boxes) + len(boxes)

    def add(x0: float, x1: float, y0: float, y1: float, z0: float, z1: float, material: int) -> None:
        boxes.append((x0, x1, y0, y1, z0, z1))
        parts.append(box(x0, x1, y0, y1, z0, z1, side=material, top=material, solid=number()))

    for s in trailer.solids:
        boxes.append((s.x_min_m, s.x_max_m, -s.width_m / 2, s.width_m / 2, s.z_min_m, s.z_max_m))
        parts.append(
            prism(
                rounded_rectangle(s.x_min_m, s.x_max_m, s.width_m, s.corner_radius_m),
                upright(s.z_min_m, s.z_max_m),
                side=palette.picture(side_picture(trailer, s, livery, "box", rng)),
                top=palette.picture(roof_picture(s, livery, rng, rim=False)),
                solid=number(),
            )
        )
    floor = min(s.z_min_m for s in trailer.solids)
    rear, front, half = trailer.x_rear_m, trailer.x_front_m, trailer.width_m / 2
    beam = min(front - 0.3, trailer.hitch_to_axle_m - 1.2) if trailer.kind == "semi" else front
    for side in (-1, 1):
        add(rear + 0.1, beam, side * 0.45 - 0.08, side * 0.45 + 0.08, floor - 0.4, floor, dark)
    add(rear + 0.02, rear + 0.14, -half + 0.1, half - 0.1, 0.4, 0.55, grey)
    if trailer.kind == "semi":
        legs = trailer.hitch_to_axle_m - 2.6
        for side in (-1, 1):
            add(legs - 0.08, legs + 0.08, side * 0.9 - 0.08, side * 0.9 + 0.08, 0.3, floor, grey)
    else:
        add(front, trailer.hitch_to_axle_m, -0.08, 0.08, 0.45, 0.62, dark)
    for tyre in trailer.tyres():
        parts.append(
            wheel(trailer.wheel_radius_m, tyre.width_m, rubber, rim).placed(
                tyre.x_m, tyre.y_m, 0.0, trailer.wheel_radius_m
            )
        )
    dim, origin = dimness(trailer, DIM_STEP_M)
    return CombinationModel(
        model.body,
        model.front_wheel,
        model.vehicle,
        model.boxes,
        model.dimness,
        model.dim_origin_m,
        model.dim_step_m,
        join(parts),
        np.array(boxes),
        dim,
        origin,
    )
