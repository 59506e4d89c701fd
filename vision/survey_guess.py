"""Which mark is which: the first, rough camera from cones and lines, without clicks.

Two long painted lines, taken as two lines of the course, leave a camera of given focal length only two freedoms: a
roll about their direction and a shift along it. The roll is tried in steps, every cone taken as every mark proposes a
shift, and the proposals are judged by how many marks they explain. In case the course has no two parallel lines, or
they are not seen, pairs of cones propose views straight down as well.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from analysis.course import Course
from vision.camera import Camera, Lens
from vision.marks import ConeSpot, LineSpot

ROLLS_RAD = np.radians(np.arange(-30, 31, 5.0))  # a camera up to about 30° off straight down
FIELDS_OF_VIEW_RAD = np.radians([52.0, 66.0, 82.0])  # across the longer side; drones and phones are in between
HEIGHTS_M = (6.0, 200.0)  # from a low mast to well above the usual ceiling for drones
SPREADS = (0.94, 1.06)  # tried next: side lines that are not as far apart as the file says
GOOD_SHARE = 0.5  # of the marks explained, above which nothing else need be tried
COARSE_SD_M = 0.6  # setting out (0.5 m) and what a wrong focal length or roll step leaves
FINE_SD_M = 0.35  # cones set out by hand, decimetres off
LINE_SD_M = 0.2  # a line lies more exactly than a cone stands
LEAN_SHARE = 0.1  # the middle of a cone's visible blob is about where a point at a tenth of its height is seen


Proposal = tuple[float, Camera, dict[str, int]]  # score, camera, the line spot taken for each course line


@dataclass(frozen=True)
class Guess:
    """A rough camera, the spot taken for each mark (by index, None: not seen), the course line taken for each
    line spot index, and the score: the number of marks explained, each counting up to 1."""

    camera: Camera
    spot_of_mark: tuple[int | None, ...]
    line_spots: dict[str, int]
    score: float


def trial_lenses(size: tuple[int, int], bend: float) -> list[Lens]:
    """Lenses of the usual fields of view that share the bend seen in the picture."""
    half = max(size) / 2
    lenses = []
    for fov in FIELDS_OF_VIEW_RAD:
        focal = half / math.tan(fov / 2)
        lenses.append(Lens(size[0], size[1], focal, focal, (size[0] - 1) / 2, (size[1] - 1) / 2,
                           (bend * (focal / half) ** 2, 0.0, 0.0, 0.0, 0.0)))
    return lenses


def guesses(course: Course, spots: list[ConeSpot], lines: list[LineSpot], lenses: list[Lens],
            keep: int = 10) -> list[Guess]:
    """The most promising distinct guesses, best first, polished by a small robust fit."""
    marks = np.array([[m.x_m, m.y_m] for m in course.marks])
    trust = spot_trust(spots)
    polished: list[Guess] = []
    for spreads in ((1.0,), SPREADS):
        by_lines = [p for lens in lenses for spread in spreads
                    for p in _from_lines(course, marks, spots, trust, lines, lens, spread)]
        by_cones = _from_cones(marks, spots, trust, lenses[len(lenses) // 2]) if spreads == (1.0,) else []
        for proposals, most in ((by_lines, keep), (by_cones, keep // 2)):
            for _, camera, line_spots in _distinct(proposals, marks, most):
                guess = polish(course, camera, spots, lines, line_spots)
                if guess is not None:
                    polished.append(guess)
        polished.sort(key=lambda g: -g.score)
        if polished and polished[0].score > GOOD_SHARE * len(marks):
            break
    return polished


def _distinct(proposals: list[Proposal], marks: np.ndarray, most: int) -> list[Proposal]:
    """The best proposals that differ in where they put the marks."""
    kept: list[Proposal] = []
    for p in sorted(proposals, key=lambda p: -p[0]):
        if len(kept) == most:
            break
        if not any(same_view(p[1], k[1], marks) for k in kept):
            kept.append(p)
    return kept


def spot_trust(spots: list[ConeSpot]) -> np.ndarray:
    """0..1 for each spot: cones of one yard are alike in colour, bits of worn paint are much paler."""
    if not spots:
        return np.zeros(0)
    scores = np.array([s.score for s in spots])
    typical = np.median(np.sort(scores)[::-1][:8])
    return np.clip(scores / (0.6 * typical), 0.05, 1)


def same_view(a: Camera, b: Camera, marks: np.ndarray, within: float = 0.04) -> bool:
    """Whether two cameras see the marks at about the same places (to a share of the picture's longer side)."""
    pa, pb = a.project_ground(marks), b.project_ground(marks)
    return bool(np.median(np.hypot(*(pa - pb).T)) < within * max(a.lens.width_px, a.lens.height_px))


def parallel_pair(course: Course) -> tuple[int, int] | None:
    """The two course lines that are parallel within 3° and farthest apart."""
    best: tuple[float, tuple[int, int]] | None = None
    for i, j in itertools.combinations(range(len(course.lines)), 2):
        a, b = course.lines[i], course.lines[j]
        da = np.array([a.x1_m - a.x0_m, a.y1_m - a.y0_m])
        db = np.array([b.x1_m - b.x0_m, b.y1_m - b.y0_m])
        cross = abs(da[0] * db[1] - da[1] * db[0]) / (np.hypot(*da) * np.hypot(*db))
        apart = abs(float(a.clearance_m(np.array([b.x0_m, b.y0_m]))))
        if cross < math.sin(math.radians(3)) and (best is None or apart > best[0]):
            best = (apart, (i, j))
    return best[1] if best else None


def _from_lines(course: Course, marks: np.ndarray, spots: list[ConeSpot], trust: np.ndarray, lines: list[LineSpot],
                lens: Lens, spread: float) -> list[Proposal]:
    """Proposals from every pair of long lines; `spread`: the course lines' distance as a share of nominal."""
    pair = parallel_pair(course)
    if pair is None or len(lines) < 2 or len(spots) < 3:
        return []
    a, b = course.lines[pair[0]], course.lines[pair[1]]
    along = np.array([a.x1_m - a.x0_m, a.y1_m - a.y0_m])
    along /= np.hypot(*along)
    across = np.array([-along[1], along[0]])
    at_a, at_b = (float(across @ [(ln.x0_m + ln.x1_m) / 2, (ln.y0_m + ln.y1_m) / 2]) for ln in (a, b))
    middle, half = (at_a + at_b) / 2, (at_b - at_a) / 2 * spread
    to_world = np.array([[along[0], across[0], 0], [along[1], across[1], 0], [0, 0, 1.0]])
    marks_ab = marks @ to_world[:2, :2]
    rays = lens.rays(np.array([[s.u_px, s.v_px] for s in spots]))
    planes = [_plane(lens, ln) for ln in lines]
    out = []
    for i, j in _line_pairs(lines):
        for first, second in ((i, j), (j, i)):
            for rotation, centre in _cameras_through(planes[first], planes[second], middle - half,
                                                           middle + half):
                ground = _ground(rays, rotation, centre)
                for score, shift in _shifts(ground, marks_ab, trust):
                    camera = Camera(lens, rotation @ to_world.T, to_world @ (centre + np.array([shift, 0, 0])))
                    out.append((score, camera, {a.name: first, b.name: second}))
    return out


def _line_pairs(lines: list[LineSpot], limit: int = 14) -> Iterator[tuple[int, int]]:
    """Pairs of long lines that could be two sides of a yard, longest first."""
    pairs = []
    for i, j in itertools.combinations(range(len(lines)), 2):
        (a1, b1, _), (a2, b2, _) = lines[i].straight, lines[j].straight
        if abs(a1 * b2 - a2 * b1) > math.sin(math.radians(35)):
            continue
        middle = lines[i].points_px.mean(0), lines[j].points_px.mean(0)
        apart = abs((middle[1] - middle[0]) @ np.array([a1, b1]))
        shorter = min(lines[i].score, lines[j].score)
        if apart < 0.05 * shorter:
            continue
        pairs.append((shorter, i, j))
    pairs.sort(reverse=True)
    if pairs:
        pairs = [p for p in pairs if p[0] > 0.2 * pairs[0][0]]
    yield from ((i, j) for _, i, j in pairs[:limit])


def _plane(lens: Lens, line: LineSpot) -> np.ndarray:
    """Unit normal (3,) of the plane through the camera and the line; nought where the lens as tried has no direction
    for two of its points, beyond the fold of a strong bend."""
    rays = lens.rays(line.points_px[::max(1, len(line.points_px) // 80)])
    rays = rays[np.isfinite(rays).all(axis=1)]
    if len(rays) < 2:
        return np.zeros(3)
    return np.linalg.svd(rays / np.linalg.norm(rays, axis=1)[:, None])[2][2]


def _cameras_through(n1: np.ndarray, n2: np.ndarray, y1_m: float,
                     y2_m: float) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Cameras (rotation, centre) that see the ground lines y = y1 and y = y2 in the planes n1 and n2; x left at 0.

    The lines' common direction is n1 × n2 in the camera; for each roll about it the height and the sideways place
    follow from two linear equations n·(y e_y + t) = 0. Only cameras above the ground are real: that settles which
    way along the lines x runs."""
    d = np.cross(n1, n2)
    if np.linalg.norm(d) < 1e-6:
        return
    d /= np.linalg.norm(d)
    for ex in (d, -d):
        up = np.array([0, 0, -1.0])
        up -= (up @ ex) * ex
        if np.linalg.norm(up) < 0.7:
            continue
        up /= np.linalg.norm(up)
        side = np.cross(ex, up)
        for roll in ROLLS_RAD:
            ez = math.cos(roll) * up + math.sin(roll) * side
            ey = np.cross(ez, ex)
            m = np.array([[n1 @ ey, n1 @ ez], [n2 @ ey, n2 @ ez]])
            if abs(np.linalg.det(m)) < 1e-9:
                continue
            t = np.linalg.solve(m, [-y1_m * (n1 @ ey), -y2_m * (n2 @ ey)])
            if HEIGHTS_M[0] < -t[1] < HEIGHTS_M[1] and ez[2] < -0.75:
                yield np.column_stack([ex, ey, ez]), np.array([0.0, -t[0], -t[1]])


def _ground(rays: np.ndarray, rotation: np.ndarray, centre: np.ndarray) -> np.ndarray:
    d = rays @ rotation
    with np.errstate(divide="ignore", invalid="ignore"):
        s = -centre[2] / d[:, 2]
    ground = centre[:2] + d[:, :2] * s[:, None]
    ground[~(s > 0)] = 1e6
    return ground


def _shifts(ground: np.ndarray, marks: np.ndarray, trust: np.ndarray, best: int = 2) -> list[tuple[float, float]]:
    """The best shifts along x and their scores: the number of marks that have a spot, each counting up to 1."""
    dx = marks[None, :, 0] - ground[:, None, 0]
    closeness = trust[:, None] * np.exp(-0.5 * ((marks[None, :, 1] - ground[:, None, 1]) / COARSE_SD_M) ** 2)
    candidates = dx[closeness > 0.15]
    if len(candidates) == 0:
        return []
    near = np.exp(-0.5 * ((dx[None] - candidates[:, None, None]) / COARSE_SD_M) ** 2) * closeness[None]
    scores = near.max(1).sum(1)
    out: list[tuple[float, float]] = []
    for k in np.argsort(-scores):
        if all(abs(candidates[k] - s) > 2 for _, s in out):
            out.append((float(scores[k]), float(candidates[k])))
            if len(out) == best:
                break
    return out


def _from_cones(marks: np.ndarray, spots: list[ConeSpot], trust: np.ndarray,
                lens: Lens) -> list[Proposal]:
    """Views straight down proposed by two spots taken as two marks (the farthest apart pairs of marks)."""
    use = [i for i in range(len(spots)) if trust[i] > 0.5][:24]
    if len(use) < 4:
        return []
    xy = lens.rays(np.array([[spots[i].u_px, spots[i].v_px] for i in use]))[:, :2] * [1, -1]  # seen from above
    xy = xy[np.isfinite(xy).all(axis=1)]
    z = xy[:, 0] + 1j * xy[:, 1]
    w = marks[:, 0] + 1j * marks[:, 1]
    apart = sorted(itertools.permutations(range(len(marks)), 2), key=lambda p: -abs(w[p[1]] - w[p[0]]))
    i, j = (g.ravel() for g in np.meshgrid(range(len(z)), range(len(z))))
    i, j = i[i != j], j[i != j]
    out: list[Proposal] = []
    for p, q in apart[:16]:
        a = (w[q] - w[p]) / (z[j] - z[i])
        b = w[p] - a * z[i]
        real = (np.abs(a) > HEIGHTS_M[0]) & (np.abs(a) < HEIGHTS_M[1])
        placed = a[:, None] * z[None] + b[:, None]
        sd = 2 * COARSE_SD_M
        score = np.exp(-0.5 * (np.abs(placed[:, :, None] - w[None, None]) / sd) ** 2).max(1).sum(1) * real
        for k in np.argsort(-score)[:6]:
            turn, height = float(np.angle(a[k])), float(abs(a[k]))
            c, s = math.cos(turn), math.sin(turn)
            # the camera's right is (c, s) in the world; its down is (s, -c); it looks along -z
            rotation = np.array([[c, s, 0], [s, -c, 0], [0, 0, -1.0]])
            out.append((float(score[k]) * 0.8, Camera(lens, rotation, np.array([b[k].real, b[k].imag, height])), {}))
    return out


def match(course: Course, camera: Camera, spots: list[ConeSpot], gate_m: float) -> list[int | None]:
    """For each mark the spot it is seen at: mutual nearest on the ground, within the gate (m), trusted spots first."""
    if not spots:
        return [None] * len(course.marks)
    trust = spot_trust(spots)
    px = np.array([[s.u_px, s.v_px] for s in spots])
    marks = np.array([[m.x_m, m.y_m] for m in course.marks])
    height = float(np.mean([m.height_m for m in course.marks]))
    ground = np.nan_to_num(camera.to_ground(px, LEAN_SHARE * height), nan=1e6)
    distance = np.hypot(*(ground[:, None] - marks[None]).transpose(2, 0, 1)) + 0.3 * gate_m * (1 - trust[:, None])
    taken: list[int | None] = [None] * len(marks)
    while distance.size and np.min(distance) < gate_m:
        i, j = np.unravel_index(int(np.argmin(distance)), distance.shape)
        taken[j] = int(i)
        distance[i, :] = np.inf
        distance[:, j] = np.inf
    return taken


def polish(course: Course, camera: Camera, spots: list[ConeSpot], lines: list[LineSpot],
           line_spots: dict[str, int]) -> Guess | None:
    """Fit the six freedoms of the camera's place to the matched cones and lines, focal length kept; match again."""
    taken: list[int | None] = []
    for gate_m in (2.0, 1.5, 1.2):
        taken = match(course, camera, spots, gate_m)
        seen = [(m, spots[i]) for m, i in zip(course.marks, taken, strict=True) if i is not None]
        if len(seen) < 3:
            return None
        camera = _fit_place(course, camera, seen, lines, line_spots)
        if not (HEIGHTS_M[0] < camera.centre_m[2] < HEIGHTS_M[1]):
            return None
    taken = match(course, camera, spots, 1.2)
    return Guess(camera, tuple(taken), line_spots, explained(course, camera, spots, taken))


def explained(course: Course, camera: Camera, spots: list[ConeSpot], taken: list[int | None]) -> float:
    trust, score = spot_trust(spots), 0.0
    for m, i in zip(course.marks, taken, strict=True):
        if i is not None:
            g = camera.to_ground(np.array([[spots[i].u_px, spots[i].v_px]]), LEAN_SHARE * m.height_m)[0]
            score += trust[i] * math.exp(-0.5 * math.hypot(g[0] - m.x_m, g[1] - m.y_m) ** 2 / FINE_SD_M ** 2)
    return score


def _fit_place(course: Course, camera: Camera, seen: list, lines: list[LineSpot], line_spots: dict[str, int]) -> Camera:
    px = np.array([[s.u_px, s.v_px] for _, s in seen])
    marks = np.array([[m.x_m, m.y_m] for m, _ in seen])
    lean_m = LEAN_SHARE * float(np.mean([m.height_m for m, _ in seen]))
    painted = []
    for line in course.lines:
        if line.name in line_spots:
            p = lines[line_spots[line.name]].points_px
            painted.append((line, p[::max(1, len(p) // 30)]))

    def misfit(q: np.ndarray) -> np.ndarray:
        c = camera.moved(q[:3], q[3:])
        r = [((c.to_ground(px, lean_m) - marks) / FINE_SD_M).ravel()]
        for line, p in painted:
            r.append((line.clearance_m(c.to_ground(p)) + line.width_m / 2) / LINE_SD_M / math.sqrt(len(p) / 6))
        return np.nan_to_num(np.concatenate(r), nan=1e3)

    q = least_squares(misfit, np.zeros(6), loss="soft_l1", x_scale=[0.01, 0.01, 0.01, 0.3, 0.3, 0.3], max_nfev=15).x
    return camera.moved(q[:3], q[3:])
