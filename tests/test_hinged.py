"""A vehicle with a trailer in the picture: which body leads, how the two are joined, how they are found."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from paint_yard import bus_course, looking_down

from analysis.trouble import Trouble
from analysis.vehicle import Vehicle, vehicle_from_table
from sample_clips.combination import SEMI
from vision.articulated import coupling_notes, learn_hinged
from vision.hinge import bent, hinged, trailer_leads, whole
from vision.hinged_roofs import HingedFit, HingedRoofs
from vision.outline import Difference, find_vehicle, working_scale
from vision.roof import Fitted, NotFitted, near
from vision.solid import Pose, covered_px, fill, main_solid, silhouettes_px, towed_pose

LORRY_WITH_TRAILER: dict[str, Any] = {
    "schema": 1, "name": "7 m lorry and trailer", "length_m": 7.0, "width_m": 2.4, "height_m": 3.2, "wheelbase_m": 3.9,
    "front_overhang_m": 1.2,
    "solid": [{"name": "cab", "x_min_m": 3.4, "x_max_m": 5.1, "width_m": 2.2, "z_min_m": 0.4, "z_max_m": 2.5},
              {"name": "body", "x_min_m": -1.9, "x_max_m": 3.2, "width_m": 2.4, "z_min_m": 0.9, "z_max_m": 3.2}],
    "trailer": {"kind": "rigid_drawbar", "hitch_x_m": -2.0, "hitch_to_axle_m": 4.2, "length_m": 4.8, "width_m": 2.3,
                "height_m": 2.9, "rear_overhang_m": 2.3, "max_articulation_deg": 60.0, "axles": 2},
}
ALIKE = {"support": 0.9, "misfit": 2.0, "alike": 0.95}


def semi() -> Vehicle:
    return vehicle_from_table(SEMI)


def drawbar() -> Vehicle:
    return vehicle_from_table(LORRY_WITH_TRAILER)


def test_a_semi_trailer_leads_its_tractor_and_a_lorry_its_small_trailer():
    assert trailer_leads(semi())
    assert not trailer_leads(drawbar())


def test_a_tractors_roof_is_its_cab_though_its_chassis_is_larger():
    assert main_solid(semi()).name == "cab"
    assert main_solid(drawbar()).name == "body"


def test_the_whole_combination_is_16_5_m_long():
    assert whole(semi()).length_m == pytest.approx(16.5)  # 5.1 to the coupling at 0.6, 7.7 to the axle, 4.3 behind it
    assert whole(semi()).middle_x_m == pytest.approx((5.1 - 11.4) / 2)


@pytest.mark.parametrize("vehicle", [semi(), drawbar()])
def test_the_trailer_stays_on_the_coupling_however_the_combination_is_moved(vehicle: Vehicle):
    start = Pose(30.0, -2.0, 0.2, math.radians(-25))
    moved = bent(vehicle, start, np.array([0.4, -0.3, 0.8, -0.9]))
    t = vehicle.trailer
    assert t is not None
    for pose in (start, moved):
        coupling = pose.to_course(np.array([[t.hitch_x_m, 0.0]]))
        assert coupling == pytest.approx(towed_pose(vehicle, pose).to_course(np.array([[t.hitch_to_axle_m, 0.0]])))
    back = hinged(vehicle, towed_pose(vehicle, start), start.heading_rad)
    assert (back.x_m, back.y_m, back.articulation_rad) == pytest.approx((30.0, -2.0, start.articulation_rad))


class Told:
    """In place of a learnt roof: what it would find."""

    def __init__(self, *answers: Fitted | NotFitted) -> None:
        self.answers, self.guesses = answers, []

    def lay(self, bgr: np.ndarray, camera: object, guess: Pose) -> Fitted | NotFitted:
        self.guesses.append(guess)
        return self.answers[len(self.guesses) - 1]


def joined(vehicle: Vehicle, mine: Fitted | NotFitted, theirs: Fitted | NotFitted, guess: Pose,
           common: tuple[float, float, float] = (0.01, 0.01, 0.002)) -> Any:
    shared = np.diag(np.square(common))
    roofs = HingedRoofs(vehicle, Told(mine), Told(theirs), shared, shared, 1.0)  # type: ignore[arg-type]
    return roofs.lay(np.zeros((2, 2, 3), np.uint8), None, guess)  # type: ignore[arg-type]


def fitted(pose: Pose, sd_m: float = 0.01, sd_rad: float = 0.003) -> Fitted:
    return Fitted(pose, np.diag([sd_m**2, sd_m**2, sd_rad**2]), **ALIKE)


@pytest.mark.parametrize("vehicle", [semi(), drawbar()])
def test_two_fits_that_meet_at_the_coupling_are_taken_as_they_are(vehicle: Vehicle):
    pose = Pose(20.0, -3.0, 0.15, math.radians(-18))
    got = joined(vehicle, fitted(pose), fitted(towed_pose(vehicle, pose)), pose)
    assert isinstance(got, HingedFit)
    assert (got.pose.x_m, got.pose.y_m, got.pose.heading_rad, got.pose.articulation_rad) == pytest.approx(
        (20.0, -3.0, 0.15, math.radians(-18)), abs=1e-9)


def test_the_hinge_turns_a_cab_that_was_seen_askew():
    """Tractor seen 0.1 m to the left at the coupling and 0.03 rad askew so that it points at where it should: only the
    trailer, known far better, tells that. The joined pose has the coupling where the trailer has it."""
    vehicle = semi()
    true = Pose(20.0, 0.0, 0.0, 0.0)
    askew = Fitted(Pose(20.0, 0.1, -0.03), np.diag([0.05, 0.05, 0.02]) ** 2, **ALIKE)
    good = fitted(towed_pose(vehicle, true), 0.002, 0.0002)
    got = joined(vehicle, askew, good, true, (0.001, 0.001, 0.0001))
    # Along the line: y = 0.1 with sd 0.05 against the coupling's (0.002, and 0.02 of the data sheet): nearly all gone.
    assert abs(got.pose.y_m + 0.6 * got.pose.heading_rad) < 0.02
    assert got.articulation_sd_rad < 0.021


def test_the_angles_sd_and_covariance_are_those_of_many_trials():
    vehicle = semi()
    true = Pose(20.0, -3.0, 0.15, math.radians(12))
    rng = np.random.default_rng(5)
    trailer = towed_pose(vehicle, true)
    found, headings, stated, shared = [], [], [], []
    for _ in range(400):
        noise = rng.standard_normal(6) * np.array([0.02, 0.02, 0.01, 0.004, 0.004, 0.0005])
        mine = Fitted(Pose(true.x_m + noise[0], true.y_m + noise[1], true.heading_rad + noise[2]),
                      np.diag([0.02, 0.02, 0.01]) ** 2, **ALIKE)
        theirs = Fitted(Pose(trailer.x_m + noise[3], trailer.y_m + noise[4], trailer.heading_rad + noise[5]),
                        np.diag([0.004, 0.004, 0.0005]) ** 2, **ALIKE)
        got = joined(vehicle, mine, theirs, true)
        found.append(got.pose.articulation_rad - true.articulation_rad)
        stated.append(got.articulation_sd_rad)
        headings.append(got.pose.heading_rad - true.heading_rad)
        shared.append(got.with_heading_rad2)
    assert abs(np.mean(found)) < 3 * np.std(found) / 20
    assert np.std(found) == pytest.approx(np.mean(stated), rel=0.1)  # 400 trials: 3.5 % of chance
    assert np.cov(found, headings)[0, 1] == pytest.approx(np.mean(shared), rel=0.2)  # 7 % of chance


def test_bodies_that_do_not_meet_are_no_measurement():
    pose = Pose(20.0, 0.0, 0.0)
    got = joined(semi(), fitted(replace(pose, y_m=0.5)), fitted(towed_pose(semi(), pose)), pose)
    assert isinstance(got, NotFitted)
    assert "coupling" in got.reason


def test_without_the_cab_there_is_no_pose_and_without_a_small_trailer_no_angle():
    pose = Pose(20.0, 0.0, 0.0, 0.1)
    hidden = NotFitted("hidden")
    cab = joined(semi(), hidden, fitted(towed_pose(semi(), pose)), pose)
    assert isinstance(cab, NotFitted)
    assert "towing vehicle" in cab.reason
    alone = joined(drawbar(), fitted(pose), hidden, pose)
    assert isinstance(alone, Fitted) and not isinstance(alone, HingedFit)
    assert alone.pose.x_m == 20.0


def test_fits_that_stray_three_times_as_far_as_they_state_are_found_out():
    """The coupling is carried 3.35 m behind the cab that is seen: what its heading strays shows there."""
    vehicle, rng = semi(), np.random.default_rng(8)
    shared = np.zeros((3, 3))
    roofs = HingedRoofs(vehicle, None, None, shared, shared)  # type: ignore[arg-type]
    sd = np.array([0.004, 0.004, 0.002])
    pairs = []
    for bend in np.linspace(-0.3, 0.3, 200):
        true = Pose(20.0, -3.0, 0.1, bend)
        theirs = towed_pose(vehicle, true)
        off = 3 * sd * rng.standard_normal((2, 3)) + [0.02, 0.01, 0.0]  # with a part that all frames share
        pairs.append(tuple(Fitted(Pose(p.x_m + d[0], p.y_m + d[1], p.heading_rad + d[2]), np.diag(sd**2), **ALIKE)
                           for p, d in zip((true, theirs), off, strict=True)))
    roofs.compare(pairs[:3])
    assert roofs.strays > 4.5  # too few to tell: what is usual stands
    roofs.compare(pairs)
    assert roofs.strays == pytest.approx(3.2, rel=0.15)  # 3 with a fourteenth of the usual 5; 5 % of chance


def test_a_wrong_coupling_is_noticed():
    """Entered 0.6 m ahead of the tractor's axle; it is 0.8 m ahead, so that the trailer follows 0.2 m closer behind."""
    told, real = semi(), vehicle_from_table(SEMI | {"trailer": SEMI["trailer"] | {"hitch_x_m": 0.8}})
    shared = np.diag(np.square((0.01, 0.01, 0.002)))
    roofs = HingedRoofs(told, None, None, shared, shared)  # type: ignore[arg-type]
    poses = [Pose(20.0, 0.0, h, 0.1) for h in np.linspace(-0.2, 0.2, 8)]
    assert coupling_notes(roofs) == []
    roofs.compare([(fitted(p), fitted(towed_pose(told, p))) for p in poses])
    assert coupling_notes(roofs) == []
    roofs.compare([(fitted(p), fitted(towed_pose(real, p))) for p in poses])
    [note] = coupling_notes(roofs)
    assert "0.20 m less apart" in note and "hitch_x_m" in note


def test_what_all_frames_share_follows_from_the_two_rims():
    """With rims of sd 1 cm and 2 mrad the angle's own is at most that of two headings, 2.8 mrad; the hinge helps."""
    shared = np.diag(np.square((0.01, 0.01, 0.002)))
    cov = HingedRoofs(semi(), None, None, shared, shared).common_cov()  # type: ignore[arg-type]
    assert 0.001 < math.sqrt(cov[3, 3]) < math.hypot(0.002, 0.002)


@pytest.mark.parametrize(("vehicle", "bend_deg"), [(semi(), 0), (semi(), 22), (semi(), -35), (drawbar(), 25)])
def test_found_bent_or_straight_in_what_is_new_in_the_yard(vehicle: Vehicle, bend_deg: float):
    camera = looking_down(bus_course())
    true = Pose(30.0, -2.0, math.radians(6), math.radians(bend_deg))
    scale = working_scale(camera)
    small = type(camera)(camera.lens.scaled(scale), camera.rotation, camera.centre_m)
    shape = small.lens.height_px, small.lens.width_px
    seen = fill(silhouettes_px(vehicle, true, small), shape).astype(np.float32)
    edges, grey = cv2.morphologyEx(seen, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)), cv2.merge([100 * seen] * 3)
    diff = Difference(seen, seen, edges, scale, grey, np.zeros_like(grey), np.ones(shape, bool), np.ones_like(seen))
    got = find_vehicle(diff, camera, vehicle)
    assert got is not None and got.good
    assert math.degrees(got.pose.articulation_rad) == pytest.approx(bend_deg, abs=4.0)
    assert near(towed_pose(vehicle, got.pose) if trailer_leads(vehicle) else got.pose,
                towed_pose(vehicle, true) if trailer_leads(vehicle) else true)


def test_the_covered_polygon_holds_both_bodies():
    camera, vehicle, pose = looking_down(bus_course()), semi(), Pose(30.0, -2.0, 0.1, 0.3)
    polygon = fill([covered_px(vehicle, pose, camera, 1.02)], (720, 1280))
    for outline in silhouettes_px(vehicle, pose, camera):
        u, v = np.clip(np.round(outline).astype(int), 0, [1279, 719]).T
        assert polygon[v, u].all()
    assert len(silhouettes_px(vehicle, pose, camera)) == 3  # cab, chassis, trailer


def test_a_towing_vehicle_that_is_one_tall_box_is_refused():
    whole_box = vehicle_from_table(SEMI | {"solid": []})
    with pytest.raises(Trouble, match="reach into its trailer"):
        learn_hinged(whole_box, [], [], [], [], None, 0.01)  # type: ignore[arg-type]
