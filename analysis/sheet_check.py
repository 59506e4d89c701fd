"""Do length, width, height and wheelbase in the vehicle file fit what the clip shows?

Length and width are seen (vision hands them over), by the scale that the course's marks give: so a difference is either
a wrong vehicle file or a course whose marks do not stand as far apart as entered. The height shows when the camera
sways: a roof entered too low seems to sway with it. The wheelbase shows only when the vehicle turns more tightly than
its file allows; otherwise a wrong wheelbase shows in where the rear axle lies (selfcheck.py), and not at all if the
rear overhang is right.

Weak with a camera that hardly moves: then nothing is said of the height.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from analysis.attempt import AxleCheck, SheetCheck
from analysis.nodes import BIAS, Smoothed
from analysis.smoother import log_evidence, smooth
from analysis.track import SizeSeen, Track
from analysis.vehicle import Vehicle
from analysis.wording import WIDE, length, margin

TRUSTED_M = {"length": 0.3, "width": 0.3, "height": 0.25, "wheelbase": 0.3}
"""Differences that are no error of the file: a dark band along the roof's edge, a sloping front; for the height, what
the camera's own errors can feign (both seen on rendered clips, where the files are right)."""
_TRIED_M = 0.3  # far enough to bend the evidence, near enough for a parabola
_SURE = 3.0  # standard deviations by which the width must be off too before the marks are blamed
_TELLS_M = 0.4  # a height known no better than this is not stated
_AVERAGED_S = 1.0  # drones sway in 2 s or more, and vibrate in less than a tenth of one
_MEMORY_S = 4.0  # over so long the errors of neighbouring poses may hang together


def sheet_checks(run: Smoothed, track: Track, vehicle: Vehicle, axle: AxleCheck | None) -> tuple[SheetCheck, ...]:
    """What the clip says of the file's figures, of those of which it says anything."""
    return (*_size(track.size, vehicle), *_height(run, track, vehicle), *_wheelbase(axle, vehicle))


def is_wrong(check: SheetCheck) -> bool:
    """Whether the figure is surely other than entered. A wheelbase can only be seen to be too long: nobody has to
    drive on the lock."""
    apart = check.seen_m - check.entered_m
    beyond = TRUSTED_M[check.what] + WIDE * check.sd_m
    return apart < -beyond if check.what == "wheelbase" else abs(apart) > beyond


def told(check: SheetCheck, checks: tuple[SheetCheck, ...]) -> str:
    """The sentence about a figure that is wrong."""
    apart, entered = check.seen_m - check.entered_m, f"{check.entered_m:.2f} m as entered"
    if check.what == "wheelbase":
        return (f"the vehicle turns as tightly as one with {-apart * 100:.0f} cm less wheelbase than entered "
                f"({margin(check.sd_m)}): check the wheelbase and the largest wheel angle in the vehicle file.")
    if check.what == "height":
        return (f"the roof moves as if it were {length(apart)} {'higher' if apart > 0 else 'lower'} "
                f"({margin(check.sd_m)}) than {entered}: check the height in the vehicle file; positions and "
                "clearances here lean by that.")
    if of_one_scale(checks):
        return (f"the vehicle looks {abs(apart) / check.entered_m:.0%} {'larger' if apart > 0 else 'smaller'} than "
                f"entered, in length and width alike ({length(apart)} in length, {margin(check.sd_m)}): the marks do "
                "not stand as far apart as in the course file, or it is another vehicle. Measure between two marks.")
    more = {"length": ("longer", "shorter"), "width": ("wider", "narrower")}[check.what][apart < 0]
    return (f"the vehicle looks {length(apart)} {more} ({margin(check.sd_m)}) than {entered}, by the scale of the "
            "marks: check the vehicle file, or measure between two marks; clearances here may be off by as much.")


def of_one_scale(checks: tuple[SheetCheck, ...]) -> bool:
    """Whether length and width are off by one and the same share, the width surely: then rather the course's marks than
    the vehicle file are wrong."""
    by = {c.what: c for c in checks}
    if "length" not in by or "width" not in by or not is_wrong(by["length"]):
        return False
    share, sd = (by["length"].seen_m / by["length"].entered_m - 1, by["length"].sd_m / by["length"].entered_m)
    width, sd_width = (by["width"].seen_m / by["width"].entered_m - 1, by["width"].sd_m / by["width"].entered_m)
    return abs(width) > _SURE * sd_width and abs(width - share) < WIDE * math.hypot(sd, sd_width)


def _size(size: SizeSeen | None, vehicle: Vehicle) -> Iterator[SheetCheck]:
    if size is not None and size.length_m is not None and size.sd_length_m is not None:
        yield SheetCheck("length", vehicle.length_m, size.length_m, size.sd_length_m)
    if size is not None and size.width_m is not None and size.sd_width_m is not None:
        yield SheetCheck("width", vehicle.width_m, size.width_m, size.sd_width_m)


def _wheelbase(axle: AxleCheck | None, vehicle: Vehicle) -> Iterator[SheetCheck]:
    if axle is not None and axle.wheelbase_m is not None and axle.sd_wheelbase_m is not None:
        yield SheetCheck("wheelbase", vehicle.wheelbase_m, axle.wheelbase_m, axle.sd_wheelbase_m)


def _height(run: Smoothed, track: Track, vehicle: Vehicle) -> Iterator[SheetCheck]:
    """The roof's height that makes the measured poses most probable.

    A roof at h that is taken for one at h0 is placed (h - h0) / (H - h) of the camera's shift too far against it (plane
    geometry; H the camera's height). Only the camera's sway about its mean place is used, not where it is, and that
    averaged over a moment: an error of one look's camera (vibration, a rolling shutter) moves the pose as well."""
    camera = track.camera
    if camera is None or vehicle.trailer is not None or camera.placed.sum() < 2:
        return
    placed, nodes = camera.placed, run.nodes
    at_s = camera.t_s[placed]
    looks = np.maximum(np.bincount(nodes.at), 1)  # of a node: none in a gap, several where it is their mean

    def about_mean(centre_m: list[np.ndarray]) -> np.ndarray:
        sway = np.column_stack([np.bincount(nodes.at, np.interp(track.t_s, at_s, c)) / looks for c in centre_m])
        return sway - sway[nodes.seen].mean(axis=0)
    each = [camera.centre_m[placed, i] for i in (0, 1)]
    raw, sway = about_mean(each), about_mean([running_mean(at_s, c, _AVERAGED_S) for c in each])
    # Averaging makes a quick sway smaller: as large as what of the single looks goes with it.
    sway *= (raw * sway)[nodes.seen].sum() / max(float((sway**2)[nodes.seen].sum()), 1e-12)
    above = float(np.median(camera.centre_m[placed, 2])) - vehicle.height_m
    if above <= 2 * vehicle.height_m:
        return

    def at_height(higher_m: float) -> np.ndarray:
        pose = nodes.pose.copy()
        pose[:, :2] += higher_m / (above - higher_m) * sway
        return pose

    higher = 0.0
    for _ in range(2):  # the second time about the first answer
        low, middle, high = (log_evidence(run, replace(nodes, pose=at_height(higher + d)), vehicle)
                             for d in (-_TRIED_M, 0.0, _TRIED_M))
        bend = (2 * middle - low - high) / _TRIED_M**2
        if bend <= 0:
            return
        higher += float(np.clip((high - low) / (2 * _TRIED_M) / bend, -1.0, 1.0))
    best = replace(nodes, pose=at_height(higher))
    left = smooth(best, vehicle, run.standing, run.levels, run.state, run.weight, robust=False)
    # The slow errors of a swaying camera hang together over seconds, more than the model holds for possible: the
    # spread of what stretches of the run say by themselves (sandwich estimate; White 1982).
    miss = best.pose - left.state[:, :3] - left.state[:, BIAS:]
    pull = np.linalg.solve(best.cov, miss[..., None])[..., 0] * (run.weight / run.levels.white**2)[:, None]
    says = np.where(nodes.seen, (pull[:, :2] * sway).sum(axis=1) / above, 0.0)
    stretch = ((nodes.t_s - nodes.t_s[0]) / _MEMORY_S).astype(int)
    spread = float(np.sqrt(np.sum(np.bincount(stretch, says)**2))) / bend
    sd = math.hypot(max(spread, 1 / math.sqrt(bend)), vehicle.height_m * camera.focal_sd_px / camera.fx)
    if sd < _TELLS_M:
        yield SheetCheck("height", vehicle.height_m, vehicle.height_m + higher, sd)


def running_mean(t_s: np.ndarray, value: np.ndarray, over_s: float) -> np.ndarray:
    """(n,) the mean of `value` (n,) within half of over_s to either side of each time t_s (n,), rising; nearer to an
    end within as much as is left there, so that what rises or falls is not bent."""
    half_s = np.minimum(over_s / 2, np.minimum(t_s - t_s[0], t_s[-1] - t_s))
    first = np.searchsorted(t_s, t_s - half_s, side="left")
    behind = np.searchsorted(t_s, t_s + half_s, side="right")
    total = np.concatenate([[0.0], np.cumsum(value)])
    return (total[behind] - total[first]) / (behind - first)
