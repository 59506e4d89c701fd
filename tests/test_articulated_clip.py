"""Part of the bundled clip of a tractor with a semi-trailer, measured from clip, vehicle and course file alone."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.course import course_from_table
from analysis.track import Track
from analysis.vehicle import vehicle_from_table
from sample_clips.encode import write_clip
from vision.footage import frames, open_footage
from vision.measure import measure
from vision.steady import one_thread_each

BUNDLED = Path(__file__).parents[1] / "sample_clips" / "semi_shunt"
FROM_S, TO_S, RATE_HZ = 10.0, 29.0, 3  # the first reverse: bent by up to 14 degrees, and long enough to leave its place


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> tuple[Track, pd.DataFrame]:
    """The track of the cut clip, and the truth at the same times, which only this test reads."""
    given = tmp_path_factory.mktemp("given")
    for name in ("vehicle.toml", "course.toml"):
        shutil.copy(BUNDLED / name, given)
    times_s, pictures = [], []
    for frame in frames(open_footage([BUNDLED / "clip.mp4"]), rate_hz=RATE_HZ):
        if FROM_S <= frame.t_s < TO_S:
            times_s.append(frame.t_s)
            pictures.append(np.ascontiguousarray(frame.bgr[..., ::-1]))
    write_clip(given / "clip.mp4", pictures, RATE_HZ, 18.0, "veryfast")
    vehicle = vehicle_from_table(tomllib.loads((given / "vehicle.toml").read_text()))
    course = course_from_table(tomllib.loads((given / "course.toml").read_text()))
    with one_thread_each():
        track = measure([given / "clip.mp4"], vehicle, course)
    rows = pd.read_csv(BUNDLED / "truth" / "track.csv")
    t = np.array(times_s)[np.round(track.t_s * RATE_HZ).astype(int)]
    return track, pd.DataFrame({c: np.interp(t, rows.t_s, rows[c]) for c in rows.columns})


def test_the_articulation_angle_is_known_to_a_degree(seen: tuple[Track, pd.DataFrame]):
    track, truth = seen
    assert track.articulation is not None
    assert track.articulation.measured.mean() > 0.95
    known = track.articulation.measured
    off = np.degrees(track.articulation.angle_rad - truth.articulation_rad)[known]
    assert np.percentile(np.abs(off), 95) < 1.0
    assert np.ptp(np.degrees(track.articulation.angle_rad[known])) > 20  # it was bent, and seen to be


def test_the_stated_sd_of_the_angle_is_neither_boast_nor_excuse(seen: tuple[Track, pd.DataFrame]):
    track, truth = seen
    assert track.articulation is not None
    known = track.articulation.measured
    off = (track.articulation.angle_rad - truth.articulation_rad)[known]
    sd = np.hypot(track.articulation.sd_rad[known], track.articulation.common_sd_rad)
    assert (np.abs(off) < 1.96 * sd).mean() > 0.85
    assert np.degrees(np.median(sd)) < 0.8


def test_the_towing_vehicle_is_placed_as_well_as_one_without_a_trailer(seen: tuple[Track, pd.DataFrame]):
    track, truth = seen
    off = np.hypot(track.x_m - truth.x_m, track.y_m - truth.y_m)[track.measured]
    assert np.percentile(off, 95) < 0.10
    assert np.degrees(np.percentile(np.abs(track.heading_rad - truth.heading_rad)[track.measured], 95)) < 1.0
