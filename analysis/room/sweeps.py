"""The compiled sweeps of the value function over layers of the course.

A vehicle that reverses into the bay always moves towards smaller x while its heading is well below a right angle. So x
plays the part of time: the value on one layer x = const follows from the layer one step nearer to the bay, exactly and
without iteration, and it is interpolated only across (y, heading, wheel). A forward sweep is the same the other way.

Within a step the wheel turns evenly from its angle to one of a few targets within reach. The shape of such an arc
depends on heading and wheel only, so arcs are laid out once and shifted over all y.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from analysis.room.solids import box_distance, clearance_at, pivot_offset, tyre_reach


@njit(cache=True, nogil=True, fastmath=True)
def fill_clearance(x, y, heading, boxes, pairs, outline, barrier, wall, cap):  # type: ignore[no-untyped-def]
    """(nx, nh, ny) body clearance over the planes x (nx,), the headings (nh,) and y (ny,): the same as body_clearance
    at each, but along y, where the processor works out several at once."""
    out = np.full((x.shape[0], heading.shape[0], y.shape[0]), cap, np.float32)
    for i in range(x.shape[0]):
        for j in range(heading.shape[0]):
            c, s, row = np.cos(heading[j]), np.sin(heading[j]), out[i, j]
            for p in range(pairs.shape[0]):
                box, dx, mark_y, radius = boxes[int(pairs[p, 0])], pairs[p, 1] - x[i], pairs[p, 2], pairs[p, 3]
                if abs(dx) - np.hypot(abs(box[0]) + box[2], abs(box[1]) + box[3]) - radius > cap:
                    continue  # too far away for any y
                for k in range(y.shape[0]):
                    dy = mark_y - y[k]
                    d = box_distance(c * dx + s * dy - box[0], -s * dx + c * dy - box[1], box[2], box[3], box[4])
                    row[k] = min(row[k], np.float32(d - radius))
            if barrier.shape[0]:
                mid_x, mid_y = (barrier[0] + barrier[1]) / 2, (barrier[2] + barrier[3]) / 2
                half_x, half_y = (barrier[1] - barrier[0]) / 2, (barrier[3] - barrier[2]) / 2
                for n in range(outline.shape[0]):
                    px = x[i] + c * outline[n, 0] - s * outline[n, 1] - mid_x
                    py = s * outline[n, 0] + c * outline[n, 1] - mid_y
                    for k in range(y.shape[0]):
                        row[k] = min(row[k], np.float32(box_distance(px, y[k] + py, half_x, half_y, 0.0)))
            if wall.shape[0]:
                side = pivot_offset(x[i], c, s, outline, wall)
                for k in range(y.shape[0]):
                    row[k] = min(row[k], np.float32(wall[2] * y[k] + side))
    return out


@njit(cache=True, nogil=True, fastmath=True)
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


@njit(cache=True, nogil=True, fastmath=True)
def reach_of_wheel(wheel, heading, dx, lock, per_m):  # type: ignore[no-untyped-def]
    """The least and greatest wheel angle that can be had after a step across |dx|."""
    turn = per_m * abs(dx) / np.cos(heading)
    return max(-lock, wheel - turn), min(lock, wheel + turn)


@njit(cache=True, nogil=True, fastmath=True)
def lay_arcs(dx, parts, headings, y, wheels, lock, per_m, wheelbase, lines, tyres,
             full_width):  # type: ignore[no-untyped-def]
    """Every arc across dx from each heading and wheel (nh, nd, nu), by where it leads on the grid.

    wheel (nh, nd, nu): index of the wheel angle at its end, -1 for one to be left out (the same as the one before, or
    beyond the headings of the grid), and wheel_share. After each of its parts (nh, nd, nu, parts): heading and
    heading_share, row and row_share, which count from where it began, and offset (..., nl), of its tyres towards each
    line if it began at x = 0 and y[0].
    """
    nh, nd, nl = headings.shape[0], wheels.shape[0], lines.shape[0]
    furthest = per_m * abs(dx) / np.cos(headings[-1])
    dh, dy_cell, dw = headings[1] - headings[0], y[1] - y[0], wheels[1] - wheels[0]
    choices = 2 * min(int(np.ceil(furthest / dw)), nd) + 1
    wheel, wheel_share = np.full((nh, nd, choices), -1, np.int32), np.empty((nh, nd, choices), np.float32)
    heading, row = np.empty((2, nh, nd, choices, parts), np.int32)
    heading_share, row_share = np.empty((2, nh, nd, choices, parts), np.float32)
    offset = np.empty((nh, nd, choices, parts, nl))
    dy, hs = np.empty(parts), np.empty(parts)
    for j in range(nh):
        for d in range(nd):
            low, high = reach_of_wheel(wheels[d], headings[j], dx, lock, per_m)
            before = 2 * low - high - 1.0  # none yet
            for u in range(choices):
                # the grid's own angles, between which nothing is blurred, and the two furthest within reach
                to = min(max(wheels[0] + (d + u - choices // 2) * dw, low), high)
                roll(headings[j], wheels[d], to, dx, parts, wheelbase, dy, hs)
                if to == before or hs.min() < headings[0] or hs.max() > headings[-1]:
                    before = to
                    continue
                before = to
                wheel[j, d, u], wheel_share[j, d, u] = cell(to, wheels[0], dw, nd)
                for p in range(parts):
                    heading[j, d, u, p], heading_share[j, d, u, p] = cell(hs[p], headings[0], dh, nh)
                    row[j, d, u, p] = int(np.floor(dy[p] / dy_cell))
                    row_share[j, d, u, p] = dy[p] / dy_cell - row[j, d, u, p]
                    w = wheels[d] + (to - wheels[d]) * (p + 1) / parts
                    for m in range(nl):
                        offset[j, d, u, p, m] = lines[m, 1] * (dy[p] + y[0]) + lines[m, 2] + tyre_reach(
                            hs[p], w, lines[m, 0], lines[m, 1], tyres, wheelbase, full_width)
    return wheel, wheel_share, heading, heading_share, row, row_share, offset


@njit(cache=True, nogil=True, fastmath=True)
def cell(value, first, width, count):  # type: ignore[no-untyped-def]
    """(index, share) of a value on an even grid: it lies `share` of the way from grid point index to the next."""
    at = (value - first) / width
    k = max(0, min(int(at), count - 2))
    return k, np.float32(at - k)


@njit(cache=True, nogil=True, fastmath=True)
def step_layer(here, there, clear, x_parts, y, arcs, lines, floor):  # type: ignore[no-untyped-def]
    """Raise here (nh, nd, ny) to the value of the best of the arcs, as lay_arcs gives them, to `there` (nh, nd, ny).

    clear (parts, nh, ny): body clearance on the planes x_parts (parts,) that the step passes, its end included.
    """
    nh, nd, ny = here.shape
    wheel, wheel_share, heading, heading_share, rows, row_share, offset = arcs
    parts, choices, dy_cell, one = clear.shape[0], wheel.shape[2], y[1] - y[0], np.float32(1)
    best, mixed = np.empty(ny, np.float32), np.empty(ny + 1, np.float32)
    for j in range(nh):
        for d in range(nd):
            known = here[j, d]
            for u in range(choices):
                w = wheel[j, d, u]
                if w < 0:
                    continue
                shift = rows[j, d, u, parts - 1]
                k0, k1 = max(0, -shift), min(ny, ny - 1 - shift)
                # where the lines leave a tyre so far out that the value is the floor anyway
                for m in range(lines.shape[0]):
                    if abs(lines[m, 1]) > 0.5:
                        edge = (floor - lines[m, 0] * x_parts[0] - offset[j, d, u, 0, m]) / (lines[m, 1] * dy_cell)
                        if lines[m, 1] > 0:
                            k0 = max(k0, int(np.floor(edge)))
                        else:
                            k1 = min(k1, int(np.ceil(edge)) + 1)
                if k0 >= k1:
                    continue
                # Along y every loop counts from 0 over slices: only so are several cells worked out at once.
                h, hf, wf = heading[j, d, u, parts - 1], heading_share[j, d, u, parts - 1], wheel_share[j, d, u]
                a00, a01 = (one - wf) * (one - hf), (one - wf) * hf
                a10, a11 = wf * (one - hf), wf * hf
                q0, q1 = k0 + shift, k1 + shift + 1
                t00, t01 = there[h, w, q0:q1], there[h + 1, w, q0:q1]
                t10, t11 = there[h, w + 1, q0:q1], there[h + 1, w + 1, q0:q1]
                for k in range(q1 - q0):
                    mixed[k] = a00 * t00[k] + a01 * t01[k] + a10 * t10[k] + a11 * t11[k]
                share, found = row_share[j, d, u, parts - 1], best[k0:k1]
                for k in range(k1 - k0):
                    found[k] = mixed[k] + share * (mixed[k + 1] - mixed[k])
                for p in range(parts):
                    # where another arc has led to more, the way there can only make this one worse
                    while k0 < k1 and best[k0] <= known[k0]:
                        k0 += 1
                    while k0 < k1 and best[k1 - 1] <= known[k1 - 1]:
                        k1 -= 1
                    shift = rows[j, d, u, p]
                    k0, k1 = max(k0, -shift), min(k1, ny - 1 - shift)
                    if k0 >= k1:
                        break
                    h, hf, share = heading[j, d, u, p], heading_share[j, d, u, p], row_share[j, d, u, p]
                    c0, c1 = clear[p, h, k0 + shift:k1 + shift + 1], clear[p, h + 1, k0 + shift:k1 + shift + 1]
                    for k in range(k1 - k0 + 1):
                        mixed[k] = c0[k] + hf * (c1[k] - c0[k])
                    found = best[k0:k1]
                    for k in range(k1 - k0):
                        found[k] = min(found[k], mixed[k] + share * (mixed[k + 1] - mixed[k]))
                    for m in range(lines.shape[0]):
                        rise = np.float32(lines[m, 1] * dy_cell)
                        at = np.float32(lines[m, 0] * x_parts[p] + offset[j, d, u, p, m] + k0 * lines[m, 1] * dy_cell)
                        for k in range(k1 - k0):
                            found[k] = min(found[k], at + rise * np.float32(k))
                if k0 < k1:
                    found, raised = best[k0:k1], known[k0:k1]
                    for k in range(k1 - k0):
                        raised[k] = max(raised[k], found[k])


@njit(cache=True, nogil=True, fastmath=True)
def value_on_layer(layer, heading, y_m, wheel, headings, y, wheels):  # type: ignore[no-untyped-def]
    """Value of a state on a layer (nh, nd, ny), linear between grid points; -inf outside the grid."""
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
            total += share * ((1 - yf) * layer[h + b, w + a, k] + yf * layer[h + b, w + a, k + 1])
    return total


@njit(cache=True, nogil=True, fastmath=True)
def look_ahead(x, y_m, heading, wheel, layer_x, layer, scale, headings, y, wheels, choices, lock, per_m, part_m,
               prefer, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width,
               cap):  # type: ignore[no-untyped-def]
    """(value, target wheel) of the best single arc from a pose to the layer at layer_x, with exact clearances.

    `prefer` (m per rad): of arcs about as good, the one that turns the wheel less; 0 for the value alone. The value
    returned is never the worse for it by more than that.
    """
    dx = layer_x - x
    best_score, best, best_target, taken = -np.inf, -np.inf, wheel, choices
    if np.cos(heading) < 0.2:
        return best, best_target
    parts = max(1, int(np.ceil(abs(dx) / part_m)))
    dy, hs = np.empty((choices, parts)), np.empty((choices, parts))
    low, high = reach_of_wheel(wheel, heading, dx, lock, per_m)
    if low > high:  # a wheel turned further than the limits allow: it may at least come back
        low = high = min(max(wheel, -lock), lock)
    targets, values, most = np.empty(choices), np.empty(choices), np.empty(choices)
    for u in range(choices):
        targets[u] = low + (high - low) * u / (choices - 1)
        roll(heading, wheel, targets[u], dx, parts, wheelbase, dy[u], hs[u])
        values[u] = value_on_layer(layer, hs[u, -1], y_m + dy[u, -1], targets[u], headings, y, wheels) * scale
        most[u] = values[u] - prefer * abs(targets[u] - wheel)
    for _ in range(choices):
        u = int(np.argmax(most))  # of equal ones the first
        if most[u] < best_score or most[u] == -np.inf or (most[u] == best_score and u > taken):
            break  # the way there can only make the others worse
        value, penalty = values[u], prefer * abs(targets[u] - wheel)
        for p in range(parts):
            value = min(value, clearance_at(x + dx * (p + 1) / parts, y_m + dy[u, p], hs[u, p],
                                            wheel + (targets[u] - wheel) * (p + 1) / parts, wheelbase, boxes, pairs,
                                            lines, tyres, outline, barrier, wall, full_width, cap))
            if value - penalty < best_score:
                break
        if value - penalty > best_score or (value - penalty == best_score and u < taken):
            best_score, best, best_target, taken = value - penalty, value, targets[u], u
        most[u] = -np.inf
    return best, best_target


@njit(cache=True, nogil=True, fastmath=True)
def look_ahead_all(states, into, layer_x, layers, scale, headings, y, wheels, choices, lock, per_m,
                   part_m, wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width,
                   cap):  # type: ignore[no-untyped-def]
    """(n,) values by one arc from each state (n, 4) to the layer into (n,) of layers (nl, nh, nd, ny); -inf where
    into < 0."""
    out = np.full(states.shape[0], -np.inf)
    for i in range(states.shape[0]):
        if into[i] >= 0:
            out[i], _ = look_ahead(states[i, 0], states[i, 1], states[i, 2], states[i, 3], layer_x[into[i]],
                                   layers[into[i]], scale, headings, y, wheels, choices, lock, per_m, part_m, 0.0,
                                   wheelbase, boxes, pairs, lines, tyres, outline, barrier, wall, full_width, cap)
    return out
