"""Does the trailer follow as its file says? The distance from coupling to axle, found from how its angle changes.

It is the distance that makes the measured angles most probable, given the towing vehicle's motion. A clear difference
from the vehicle file means a wrong data sheet, a wrong trailer, or axles that are lifted or steered.

Weak on a run with little articulation, where any length follows; the standard deviation then says so. A wrong
hitch_x_m of the file goes unnoticed and shows up here, in a run of tight turns by about its own size.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.articulation import log_evidence, smoothed_angles
from analysis.attempt import TrailerCheck
from analysis.nodes import Smoothed
from analysis.track import Track
from analysis.vehicle import Vehicle

_TRIED_M = 0.3  # far enough to bend the evidence, near enough for a parabola
_LEAST_M, _MOST_M = 1.0, 16.0  # no trailer is shorter or longer behind its coupling
_ROUNDS = 3  # each about the last one's answer


def trailer_check(run: Smoothed, track: Track, vehicle: Vehicle) -> TrailerCheck | None:
    """The coupling-to-axle distance beside the file's; None when the run does not tell."""
    assert vehicle.trailer is not None
    stated = found = vehicle.trailer.hitch_to_axle_m
    for _ in range(_ROUNDS):
        angles = smoothed_angles(run, track, _of_length(vehicle, found))
        low, middle, high = (log_evidence(run, track, _of_length(vehicle, found + d), angles)
                             for d in (-_TRIED_M, 0.0, _TRIED_M))
        bend = (2 * middle - low - high) / _TRIED_M**2
        if bend <= 0:
            return None
        found = float(np.clip(found + np.clip((high - low) / (2 * _TRIED_M) / bend, -1.5, 1.5), _LEAST_M, _MOST_M))
    return TrailerCheck(found, float(1 / np.sqrt(bend)), stated)


def _of_length(vehicle: Vehicle, hitch_to_axle_m: float) -> Vehicle:
    assert vehicle.trailer is not None
    return replace(vehicle, trailer=replace(vehicle.trailer, hitch_to_axle_m=hitch_to_axle_m))
