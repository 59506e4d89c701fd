"""Which pictures a clip is known by before it is followed."""

from __future__ import annotations

import numpy as np
import pytest

from vision.footage import Frame
from vision.looking import _about_sightings, _Look
from vision.solid import Pose


@pytest.mark.parametrize(("seen_in", "from_when_to_when_s"), [
    ((0, 1), (0.0, 80.0)), ((5,), (160.0, 240.0)), ((7, 9), (240.0, 360.0)), ((), None)])
def test_where_in_a_long_clip_the_vehicle_is_on_its_way(seen_in: tuple[int, ...],
                                                        from_when_to_when_s: tuple[float, float] | None) -> None:
    """Ten pictures, 40 s apart, in all others of which the vehicle stands where it was taken for the yard."""
    shots = tuple(Frame(100 * i, 40.0 * i, np.zeros((1, 1, 3), np.uint8)) for i in range(10))
    look = _Look(shots, (), None, (0.0, 0.0))  # type: ignore[arg-type] # no picture is looked at
    assert _about_sightings(look, {100 * i: Pose(0.0, 0.0, 0.0) for i in seen_in}) == from_when_to_when_s
