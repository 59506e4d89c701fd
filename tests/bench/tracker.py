"""OpenCV's general-purpose tracker on the same clip: `python -m bench.tracker GIVEN OUT` writes an attempt folder.

TrackerMIL is the only one in opencv-python that needs no weights of a neural network. It works on the baseline's steady
pictures, starts from the box about the baseline's first sighting, and gives a box a picture. The box's middle through
the ground homography is the vehicle's middle; its heading is the direction in which that middle moves.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from bench.baseline import STANDING_MPS, Yard, write
from vision.measure import MEASURED_HZ


def run(given: Path, out: Path) -> None:
    yard = Yard.look_over(given)
    middles = pd.DataFrame(_middles(yard), columns=["t_s", "x_m", "y_m"])
    write(yard, with_heading(middles, yard.middle_m), out)


def _middles(yard: Yard) -> Iterator[tuple[float, float, float]]:
    """Time and place (m) of the middle of the box; NaN before the first sighting and where it is lost."""
    cv2.setRNGSeed(0)
    tracker = None
    for t_s, steady in yard.pictures():
        box = None
        if steady is not None and tracker is not None:
            found, seen = tracker.update(steady)
            box = seen if found else None
        elif steady is not None and (outline := yard.vehicle_px(steady)) is not None:
            box = cv2.boundingRect(outline)
            tracker = cv2.TrackerMIL.create()
            tracker.init(steady, box)
        if box is None:
            yield t_s, np.nan, np.nan
            continue
        left, top, width, height = box
        (x, y), = yard.on_ground(np.array([left + width / 2, top + height / 2]))
        yield t_s, float(x), float(y)


def with_heading(middles: pd.DataFrame, middle_m: float) -> pd.DataFrame:
    """Poses of the rear axle, middle_m behind the middle: heading along its motion over a second, kept while it
    stands. The exercise is driven facing the forward pair, so forward and in reverse are the same line."""
    second = round(MEASURED_HZ)
    x, y = (middles[c].interpolate(limit_direction="both").rolling(second, center=True, min_periods=1).mean()
            for c in ("x_m", "y_m"))
    dx, dy = np.gradient(x, middles.t_s), np.gradient(y, middles.t_s)
    heading = pd.Series(np.where(np.hypot(dx, dy) > STANDING_MPS, np.arctan(np.tan(np.arctan2(dy, dx))), np.nan))
    heading = heading.ffill().bfill().fillna(0.0).where(middles.x_m.notna())
    return pd.DataFrame({"t_s": middles.t_s, "x_m": middles.x_m - middle_m * np.cos(heading),
                         "y_m": middles.y_m - middle_m * np.sin(heading), "heading_rad": heading})


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))
