"""The compiled sweeps of the value function over layers of the course.

A vehicle that reverses into the bay always moves towards smaller x while its heading is well below a right angle. So x
plays the part of time: the value on one layer x = const follows from the layer one step nearer to the bay, exactly and
without iteration, and it is interpolated only across (y, heading, wheel). A forward sweep is the same the other way.

Within a step the wheel turns evenly from its angle to one of a few targets within reach. The shape of such an arc
depends on heading and wheel only, so arcs are laid out once and shifted over all y.
"""

from __future__ import annotations

import threading

import numpy as np
from numba import njit, prange

from analysis.room.solids import body_clearance, clearance_at, tyre_reach

ONE_AT_A_TIME = threading.RLock()  # not every threading layer of the compiler may be entered by two threads at once


@njit(cache=True, fastmath=True, parallel=True)
def fill_clearance(x, y, heading, boxes, pairs, outline, barrier, wall, cap):  # type: ignore[no-untyped-def]
    """(nx, nh, ny) body clearance over the planes x (nx,), the headings (nh,) and y (ny,)."""
    out = np.empty((x.shape[0], heading.shape[0], y.shape[0]), np.float32)
    for i in prange(x.shape[0]):
        for j in range(heading.shape[0]):
            c, s = np.cos(heading[j]), np.sin(heading[j])
            for k in range(y.shape[0]):
                out[i, j, k] = body_clearance(x[i], y[k], c, s, boxes, pairs, outline, barrier, wall, cap)
    return out


@njit(cache=True, fastmath=True)
def roll(heading, wheel, target, dx, parts, wheelbase, dy, headings):  # type: ignore[no-untyped-def]
    """One arc across |dx|, its wheel turning evenly in x: fills dy (parts,) and headings (parts,), the offset and the
    heading after each part. Returns the length rolled (m); midpoint rule, dx < 0 in reverse."""
    step = dx / parts
    y, length = 0.0, 0.0
    for p in range(parts):
        w = wheel + (target - wheel) * (p + 0.5) / parts
        k = np.tan(w) / wheelbase
        # half a step first, for the heading in the middle
        middle = heading + k * step / (2 * np.cos(heading))
        cosine = np.cos(middle)
        if cosine < 0.2:
            cosine = 0.2  # beyond the headings of the grid; the caller drops such an arc
        y += step * np.sin(middle) / cosine
        heading += k * step / cosine
        length += abs(step) / cosine
        dy[p] = y
        headings[p] = heading
    return length


@njit(cache=True, fastmath=True)
def reach_of_wheel(wheel, heading, dx, lock, per_m):  # type: ignore[no-untyped-def]
    """The least and greatest wheel angle that can be had after a step across |dx|."""
    turn = per_m * abs(dx) / np.cos(heading)
    return max(-lock, wheel - turn), min(lock, wheel + turn)


@njit(cache=True, fastmath=True, parallel=True)
def lay_arcs(dx, parts, headings, wheels, lock, per_m, wheelbase, lines, tyres,
             full_width):  # type: ignore[no-untyped-def]
    """Every arc across dx from each heading and wheel: target (nh, nd, nu), dy and heading (nh, nd, nu, parts) after
    each part, and reach (nh, nd, nu, parts, nl) of its tyres towards each line."""
    nh, nd, nl = headings.shape[0], wheels.shape[0], lines.shape[0]
    furthest = per_m * abs(dx) / np.cos(headings[-1])
    choices = 2 * min(int(np.ceil(furthest / (wheels[1] - wheels[0]))), nd) + 1
    target = np.empty((nh, nd, choices))
    dy, hs = np.empty((nh, nd, choices, parts)), np.empty((nh, nd, choices, parts))
    reach = np.empty((nh, nd, choices, parts, nl))
    for j in prange(nh):
        for d in range(nd):
            low, high = reach_of_wheel(wheels[d], headings[j], dx, lock, per_m)
            for u in range(choices):
                # the grid's own angles, between which nothing is blurred, and the two furthest within reach
                to = min(max(wheels[0] + (d + u - choices // 2) * (wheels[1] - wheels[0]), low), high)
                target[j, d, u] = to
                roll(headings[j], wheels[d], to, dx, parts, wheelbase, dy[j, d, u], hs[j, d, u])
                for p in range(parts):
                    w = wheels[d] + (to - wheels[d]) * (p + 1) / parts
                    for m in range(nl):
                        reach[j, d, u, p, m] = tyre_reach(hs[j, d, u, p], w, lines[m, 0], lines[m, 1], tyres,
                                                          wheelbase, full_width)
    return target, dy, hs, reach


@njit(cache=True, fastmath=True)
def cell(value, first, width, count):  # type: ignore[no-untyped-def]
    """(index, share) of a value on an even grid: it lies `share` of the way from grid point index to the next."""
    at = (value - first) / width
    k = max(0, min(int(at), count - 2))
    return k, np.float32(at - k)


@njit(cache=True, fastmath=True, parallel=True)
def step_layer(here, there, clear, x_parts, headings, y, wheels, arcs_target, arcs_dy, arcs_heading, arcs_reach, lines,
               floor):  # type: ignore[no-untyped-def]
    """Raise here (nd, nh, ny) to the value of the best arc to `there` (nd, nh, ny).

    clear (parts, nh, ny): body clearance on the planes x_parts (parts,) that the step passes, its end included.
    """
    nd, nh, ny = here.shape
    parts, choices = clear.shape[0], arcs_target.shape[2]
    dh, dy_cell, dw = headings[1] - headings[0], y[1] - y[0], wheels[1] - wheels[0]
    one = np.float32(1)
    for j in prange(nh):
        best = np.empty(ny, np.float32)
        for d in range(nd):
            row = here[d, j]
            for u in range(choices):
                if u and arcs_target[j, d, u] == arcs_target[j, d, u - 1]:
                    continue
                hs, dy = arcs_heading[j, d, u], arcs_dy[j, d, u]
                if hs.min() < headings[0] or hs.max() > headings[-1]:
                    continue
                w, wf = cell(arcs_target[j, d, u], wheels[0], dw, nd)
                h, hf = cell(hs[-1], headings[0], dh, nh)
                shift = int(np.floor(dy[-1] / dy_cell))
                yf = np.float32(dy[-1] / dy_cell - shift)
                k0, k1 = max(0, -shift), min(ny, ny - 1 - shift)
                # where the lines leave a tyre so far out that the value is the floor anyway
                for m in range(lines.shape[0]):
                    if abs(lines[m, 1]) > 0.5:
                        at = lines[m, 0] * x_parts[0] + lines[m, 1] * dy[0] + lines[m, 2] + arcs_reach[j, d, u, 0, m]
                        edge = ((floor - at) / lines[m, 1] - y[0]) / dy_cell
                        if lines[m, 1] > 0:
                            k0 = max(k0, int(np.floor(edge)))
                        else:
                            k1 = min(k1, int(np.ceil(edge)) + 1)
                a00, a01 = (one - wf) * (one - hf), (one - wf) * hf
                a10, a11 = wf * (one - hf), wf * hf
                t00, t01, t10, t11 = there[w, h], there[w, h + 1], there[w + 1, h], there[w + 1, h + 1]
                for k in range(k0, k1):
                    q = k + shift
                    near = a00 * t00[q] + a01 * t01[q] + a10 * t10[q] + a11 * t11[q]
                    far = a00 * t00[q + 1] + a01 * t01[q + 1] + a10 * t10[q + 1] + a11 * t11[q + 1]
                    best[k] = near + yf * (far - near)
                # where another arc has led to more, the way there can only make this one worse
                while k0 < k1 and best[k0] <= row[k0]:
                    k0 += 1
                while k0 < k1 and best[k1 - 1] <= row[k1 - 1]:
                    k1 -= 1
                for p in range(parts):
                    if k0 >= k1:
                        break
                    h, hf = cell(hs[p], headings[0], dh, nh)
                    shift = int(np.floor(dy[p] / dy_cell))
                    yf = np.float32(dy[p] / dy_cell - shift)
                    k0, k1 = max(k0, -shift), min(k1, ny - 1 - shift)
                    c0, c1 = clear[p, h], clear[p, h + 1]
                    for k in range(k0, k1):
                        q = k + shift
                        near = c0[q] + hf * (c1[q] - c0[q])
                        far = c0[q + 1] + hf * (c1[q + 1] - c0[q + 1])
                        best[k] = min(best[k], near + yf * (far - near))
                    for m in range(lines.shape[0]):
                        at = np.float32(lines[m, 0] * x_parts[p] + lines[m, 1] * dy[p] + lines[m, 2] +
                                        arcs_reach[j, d, u, p, m] + lines[m, 1] * y[0])
                        rise = np.float32(lines[m, 1] * dy_cell)
                        for k in range(k0, k1):
                            best[k] = min(best[k], at + rise * np.float32(k))
                for k in range(k0, k1):
                    row[k] = max(row[k], best[k])


@njit(cache=True, fastmath=True)
def value_on_layer(layer, heading, y_m, wheel, headings, y, wheels):  # type: ignore[no-untyped-def]
    """Value of a state on a layer (nd, nh, ny), linear between grid points; -inf outside the grid."""
    wf = (wheel - wheels[0]) / (wheels[1] - wheels[0])
    hf = (heading - headings[0]) / (headings[1] - headings[0])
    yf = (y_m - y[0]) / (y[1] - y[0])
    if hf < 0 or yf < 0 or hf > headings.shape[0] - 1 or yf > y.shape[0] - 1:
        return -np.inf
    w = max(0, min(int(wf), wheels.shape[0] - 2))
    h, k = min(int(hf), headings.shape[0] - 2), min(int(yf), y.shape[0] - 2)
    wf, hf, yf = min(max(wf - w, 0.0), 1.0), hf - h, yf - k
    total = 0.0
    for a in range(2):
        for b in range(2):
            share = (wf if a else 1 - wf) * (hf if b else 1 - hf)
            total += share * ((1 - yf) * layer[w + a, h + b, k] + yf * layer[w + a, h + b, k + 1])
    return total


@njit(cache=True, fastmath=True)
def look_ahead(x, y_m, heading, wheel, layer_x, layer, scale, headings, y, wheels, choices, lock, per_m, part_m,
               prefer, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width,
               cap):  # type: ignore[no-untyped-def]
    """(value, target wheel) of the best single arc from a pose to the layer at layer_x, with exact clearances.

    `prefer` (m per rad): of arcs about as good, the one that turns the wheel less; 0 for the value alone. The value
    returned is never the worse for it by more than that.
    """
    dx = layer_x - x
    best_score, best, best_target = -np.inf, -np.inf, wheel
    if np.cos(heading) < 0.2:
        return best, best_target
    parts = max(1, int(np.ceil(abs(dx) / part_m)))
    dy, hs = np.empty(parts), np.empty(parts)
    low, high = reach_of_wheel(wheel, heading, dx, lock, per_m)
    if low > high:  # a wheel turned further than the limits allow: it may at least come back
        low = high = min(max(wheel, -lock), lock)
    for u in range(choices):
        target = low + (high - low) * u / (choices - 1)
        roll(heading, wheel, target, dx, parts, wheelbase, dy, hs)
        value = value_on_layer(layer, hs[-1], y_m + dy[-1], target, headings, y, wheels) * scale
        score = value - prefer * abs(target - wheel)
        if score <= best_score:
            continue
        for p in range(parts):
            xp = x + dx * (p + 1) / parts
            value = min(value, clearance_at(xp, y_m + dy[p], hs[p], wheel + (target - wheel) * (p + 1) / parts,
                                            wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall,
                                            full_width, cap))
        score = value - prefer * abs(target - wheel)
        if score > best_score:
            best_score, best, best_target = score, value, target
    return best, best_target


@njit(cache=True, fastmath=True, parallel=True)
def look_ahead_all(states, into, layer_x, layers, scale, headings, y, wheels, choices, lock, per_m,
                   part_m, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width,
                   cap):  # type: ignore[no-untyped-def]
    """(n,) values by one arc from each state (n, 4) to the layer into (n,) of layers (nl, nd, nh, ny); -inf where
    into < 0."""
    out = np.full(states.shape[0], -np.inf)
    for i in prange(states.shape[0]):
        if into[i] >= 0:
            out[i], _ = look_ahead(states[i, 0], states[i, 1], states[i, 2], states[i, 3], layer_x[into[i]],
                                   layers[into[i]], scale, headings, y, wheels, choices, lock, per_m, part_m, 0.0,
                                   wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width, cap)
    return out
