"""Learning a vehicle with a trailer, and its articulation angle over the clip.

The larger roof is learnt first, from the coarse poses of the whole; the other one then from where the hinge puts it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.body import Body
from analysis.track import Articulation
from analysis.trouble import Trouble
from analysis.vehicle import Vehicle
from vision.camera import Camera
from vision.hinge import hinged, trailer_leads
from vision.hinged_roofs import APART_M, HingedFit, HingedRoofs
from vision.plate import Plate
from vision.rim import RimFit
from vision.roof import Fitted, NotFitted, Roof
from vision.roof_learning import LearntRoof, learn_roof
from vision.solid import Pose, main_solid, towed_pose

DOUBTED = 3.0
"""Standard deviations by which the coupling must lie elsewhere than entered to be told."""
UNSEEN_RIM_SD = (0.08, 0.08, 0.01)
"""Of a body's place (m, m, rad) where its rim could not be made out."""
INSET_PX = 2.5
"""A pixel of roof nearer to the rim than this is mixed with what lies beyond, by the blur of lens and compression. It
tells on headings: on the rendered clip the trailer's strayed by 0.11° with 1 px, by 0.08° with this."""
OPEN_SIDES = {"towing": ("left", "right", "front"), "trailer": ("left", "right", "rear")}
"""Beyond the sides that face the other body there is no ground to be told from."""


def leading_body(vehicle: Vehicle) -> Body:
    """The body whose roof is learnt first and decides the camera's height: the one with the larger roof."""
    return vehicle.trailer if vehicle.trailer is not None and trailer_leads(vehicle) else vehicle


def learn_hinged(vehicle: Vehicle, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera], coarse: Sequence[Pose],
                 times_s: Sequence[float], plate: Plate, size_doubt: float) -> LearntRoof | NotFitted:
    """Both roofs, from pictures with coarse poses and times; arguments as of `learn_roof`. The rim is the leading
    body's, with the sd of the towing vehicle's place.

    Raises Trouble where the towing vehicle's solids leave nothing to be seen ahead of the trailer."""
    trailer = vehicle.trailer
    assert trailer is not None
    front = trailer.hitch_x_m - trailer.hitch_to_axle_m + trailer.x_front_m
    if main_solid(vehicle).x_min_m < front and main_solid(vehicle).z_max_m > min(s.z_min_m for s in trailer.solids):
        raise Trouble("the towing vehicle would reach into its trailer", where="solid",
                      remedy="give cab and chassis as [[solid]] of their own, the chassis below the trailer's floor")
    leads = trailer_leads(vehicle)
    theirs = [towed_pose(vehicle, p) for p in coarse]
    first = _learnt_body(vehicle, leads, bgrs, cameras, theirs if leads else coarse, times_s, plate, size_doubt)
    if not isinstance(first, LearntRoof):
        return first
    known = dict(first.known)
    used = [i for i, t in enumerate(times_s) if t in known]
    starts = []
    for i in used:
        lead, bend = known[times_s[i]], coarse[i].articulation_rad
        starts.append(hinged(vehicle, lead, lead.heading_rad - bend) if leads else
                      towed_pose(vehicle, replace(lead, articulation_rad=bend)))
    second = _learnt_body(vehicle, not leads, [bgrs[i] for i in used], [cameras[i] for i in used], starts,
                          [times_s[i] for i in used], plate, size_doubt, faint=True)
    if not isinstance(second, LearntRoof):
        return NotFitted(f"{'towing vehicle' if leads else 'trailer'}: {second.reason}")
    mine, other = (second, first) if leads else (first, second)
    assert isinstance(mine.roof, Roof) and isinstance(other.roof, Roof)
    roofs = HingedRoofs(vehicle, mine.roof, other.roof, rim_cov(mine.rim), rim_cov(other.rim))
    towing, towed = dict(mine.known), dict(other.known)
    poses = {t: replace(p, articulation_rad=towed[t].heading_rad - p.heading_rad) for t, p in towing.items()
             if t in towed}
    each = [roofs.lay_each(bgrs[i], cameras[i], poses[times_s[i]]) for i in used if times_s[i] in poses]
    roofs.compare([(p, q) for p, q in each if isinstance(p, Fitted) and isinstance(q, Fitted)])
    if math.hypot(*roofs.gap_m) > APART_M:
        return NotFitted(f"{_coupling(roofs)}; check hitch_x_m and hitch_to_axle_m")
    rim = first.rim and replace(first.rim, cov=roofs.common_cov()[:3, :3])
    return LearntRoof(roofs, rim, tuple(poses.items()))


def coupling_notes(roof: Roof | HingedRoofs) -> list[str]:
    """What a person should know of how the two bodies meet: a sentence where they do not as the vehicle file says."""
    if isinstance(roof, Roof) or (np.abs(roof.gap_m) < DOUBTED * roof.gap_sd()).all():
        return []
    return [f"By the pictures {_coupling(roof)}: check hitch_x_m and hitch_to_axle_m."]


def _coupling(roofs: HingedRoofs) -> str:
    along, across = roofs.gap_m
    way = "less" if along < 0 else "more"
    aside = f", and {abs(across):.2f} m to the side" if abs(across) > DOUBTED * roofs.gap_sd()[1] else ""
    return f"trailer and towing vehicle are {abs(along):.2f} m {way} apart than their coupling allows{aside}"


def _learnt_body(vehicle: Vehicle, trailer: bool, bgrs: Sequence[np.ndarray], cameras: Sequence[Camera],
                 coarse: Sequence[Pose], times_s: Sequence[float], plate: Plate,
                 size_doubt: float, faint: bool = False) -> LearntRoof | NotFitted:
    body: Body | None = vehicle.trailer if trailer else vehicle
    assert body is not None
    return learn_roof(body, bgrs, cameras, coarse, times_s, plate, size_doubt,
                      OPEN_SIDES["trailer" if trailer else "towing"], INSET_PX, faint)


def rim_cov(rim: RimFit | None) -> np.ndarray:
    """(3, 3) of along, across and heading: how well the rim tells where the roof lies on its body, and by how much that
    was still moved at last."""
    if rim is None:
        return np.diag(np.square(UNSEEN_RIM_SD))
    moved = np.array([rim.along_m, rim.across_m, rim.turn_rad])
    return rim.cov + np.outer(moved, moved)


def articulation_of(fits: Sequence[Fitted | None], roof: Roof | HingedRoofs) -> Articulation | None:
    """The angle at each sampled frame, a gap where one of the two bodies could not be fitted; None for one body."""
    if isinstance(roof, Roof):
        return None
    angle = np.array([f.pose.articulation_rad if isinstance(f, HingedFit) else 0.0 for f in fits])
    sd = np.array([f.articulation_sd_rad if isinstance(f, HingedFit) else 1.0 for f in fits])
    with_heading = np.array([f.with_heading_rad2 if isinstance(f, HingedFit) else 0.0 for f in fits])
    return Articulation(np.array([isinstance(f, HingedFit) for f in fits]), angle, sd,
                        float(np.sqrt(roof.common_cov()[3, 3])), with_heading)
