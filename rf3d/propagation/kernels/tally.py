"""What segments of rays leave in the voxels they pass: their exact length, or that of a few points drawn along them.

Where a segment crosses the k-th plane of voxels is always worked out from k itself, never step by step. So a part of
the grid gets bit for bit what the whole would give it, and large grids are done brick by brick, each small enough
to stay in the processor's cache.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import SPEED_OF_LIGHT_M_S, FloatArray, IntArray

NS_PER_M = 1e9 / SPEED_OF_LIGHT_M_S
BASE, ARRIVAL = 3, 3
"""Columns that a tally always has, and those of arrival; the receiving antenna's comes next."""
PRODUCTS = 3
"""Products of columns that running sums always have, and as many more of those of arrival."""
SEGMENT_COLUMNS = 11
X, Y, Z, DX, DY, DZ, REACH, WEIGHT, TRAVELLED, OWN, LISTED = range(SEGMENT_COLUMNS)
"""Columns of a segment: origin, unit direction, length and weight; way travelled before, metres; |E·h|² of the
receiving antenna, below 0 to leave it out, and arrival with it; column in which it is listed once more, −1 for none."""
_POWER, _DELAY, _DELAY_SQUARE = np.uint64(0), np.uint64(1), np.uint64(2)
_TO_X, _TO_Y, _TO_Z = np.uint64(3), np.uint64(4), np.uint64(5)
_NEVER = 1e300
_LEVEL = 1e-12
"""Component below which a direction crosses no plane across that axis: over a kilometre it strays a nanometre."""
_HAIR = 1e-9
"""Part of a voxel by which segments end early, so that rounding leads to nothing behind a wall between voxels."""


class Box(NamedTuple):
    """A grid for the kernels: a box of the voxels of a venue.

    Attributes
    ----------
    low : (3,) float64
        Low corner of the venue's voxels, local metres.
    edge : float
        Of a voxel, metres.
    nx, ny, nz : int
        Voxels along each axis.
    fx, fy, fz : int
        Place of the first one among those of the venue.
    """

    low: FloatArray
    edge: float
    nx: int
    ny: int
    nz: int
    fx: int
    fy: int
    fz: int


@njit(nogil=True, cache=True)
def tally_segments(
    box: Box, segments: FloatArray, source: FloatArray, brick: int, arrival: bool, tally: FloatArray
) -> None:
    """Add weight × length of N segments, and its moments of excess delay, to every voxel they cross.

    The excess delay is that of the middle of the crossing over the straight way from the antenna to there.

    Parameters
    ----------
    segments : (N, SEGMENT_COLUMNS) float64
    source : (3,) float64
        The antenna, from which delays are measured.
    brick : int
        Voxels along each edge of the bricks that are done one after the other; 0 for all at once.
    arrival : bool
        Whether the tally has columns of arrival.
    tally : (voxels, C) float32
        Weight × length in metres, the same × excess delay in ns, and × its square; with ``OWN`` the same times the
        unit vector to where the wave comes from, three columns if there is ``arrival``, and times ``OWN``; then what is
        listed, such as orders or culprits. Changed in place.
    """
    x1, y1, z1 = box.fx + box.nx, box.fy + box.ny, box.fz + box.nz
    if brick == 0:
        for row in range(len(segments)):
            walk(box, segments, row, box.fx, x1, box.fy, y1, box.fz, z1, source, arrival, tally)
        return
    first, rows = visits(box, segments, brick)
    by, bz = -(-box.ny // brick), -(-box.nz // brick)
    for b in range(len(first) - 1):
        x0 = box.fx + b // (by * bz) * brick
        y0 = box.fy + b // bz % by * brick
        z0 = box.fz + b % bz * brick
        ends = min(x0 + brick, x1), min(y0 + brick, y1), min(z0 + brick, z1)
        for v in range(first[b], first[b + 1]):
            row = rows[v]
            walk(box, segments, row, x0, ends[0], y0, ends[1], z0, ends[2], source, arrival, tally)


@njit(**INNER)
def walk(
    box: Box,
    segments: FloatArray,
    row: int,
    x0: int,
    x1: int,
    y0: int,
    y1: int,
    z0: int,
    z1: int,
    source: FloatArray,
    arrival: bool,
    tally: FloatArray,
) -> None:
    """Add one segment to the voxels from x0 to below x1, and so on, of the venue's.

    Source: Amanatides & Woo, A fast voxel traversal algorithm for ray tracing, Eurographics 1987 (from memory).
    """
    edge = box.edge
    ox, oy, oz = segments[row, X], segments[row, Y], segments[row, Z]
    dx, dy, dz = segments[row, DX], segments[row, DY], segments[row, DZ]
    cx, sx, in_x, out_x = _across(ox, dx, box.low[0], edge, x0, x1)
    cy, sy, in_y, out_y = _across(oy, dy, box.low[1], edge, y0, y1)
    cz, sz, in_z, out_z = _across(oz, dz, box.low[2], edge, z0, z1)
    at = max(0.0, max(in_x, max(in_y, in_z)))
    leave = min(segments[row, REACH] - _HAIR * edge, min(out_x, min(out_y, out_z)))
    if leave <= at:
        return
    i = _place(ox, dx, box.low[0], edge, cx, sx, at, x0, x1)
    j = _place(oy, dy, box.low[1], edge, cy, sy, at, y0, y1)
    k = _place(oz, dz, box.low[2], edge, cz, sz, at, z0, z1)
    # Planes that come next, by number; a direction without a component along an axis meets none (``_across``).
    up_x, up_y, up_z = (1.0 if sx > 0.0 else -1.0), (1.0 if sy > 0.0 else -1.0), (1.0 if sz > 0.0 else -1.0)
    qx, qy, qz = i + max(up_x, 0.0), j + max(up_y, 0.0), k + max(up_z, 0.0)
    next_x, next_y, next_z = cx + qx * sx, cy + qy * sy, cz + qz * sz
    hop_x = box.ny * box.nz if sx > 0.0 else -box.ny * box.nz
    hop_y = box.nz if sy > 0.0 else -box.nz
    hop_z = 1 if sz > 0.0 else -1
    voxel, voxels = ((i - box.fx) * box.ny + j - box.fy) * box.nz + k - box.fz, len(tally)
    # Everything about delay in nanoseconds: way so far, and the square of the straight way from the antenna.
    rx, ry, rz = ox - source[0], oy - source[1], oz - source[2]
    s2 = (rx * rx + ry * ry + rz * rz) * NS_PER_M**2
    sd = 2.0 * (rx * dx + ry * dy + rz * dz) * NS_PER_M**2
    weight, travelled, own = segments[row, WEIGHT], segments[row, TRAVELLED], segments[row, OWN]
    listed = segments[row, LISTED] >= 0.0
    column = np.uint64(max(segments[row, LISTED], 0.0))
    own_column = np.uint64(BASE + ARRIVAL if arrival else BASE)
    while 0 <= voxel < voxels:
        step = min(next_x, min(next_y, next_z))
        end = min(step, leave)
        middle = 0.5 * (at + end)
        straight = np.sqrt(max(0.0, s2 + middle * (sd + middle * NS_PER_M**2)))
        excess = (travelled + middle) * NS_PER_M - straight
        amount = weight * (end - at)
        moment = amount * excess
        v = np.uint64(voxel)  # unsigned: no test for counting from the end
        tally[v, _POWER] += np.float32(amount)
        tally[v, _DELAY] += np.float32(moment)
        tally[v, _DELAY_SQUARE] += np.float32(moment * excess)
        if own >= 0.0:
            tally[v, own_column] += np.float32(amount * own)
            if arrival:
                tally[v, _TO_X] -= np.float32(amount * dx)
                tally[v, _TO_Y] -= np.float32(amount * dy)
                tally[v, _TO_Z] -= np.float32(amount * dz)
        if listed:
            tally[v, column] += np.float32(amount)
        if step >= leave:
            return
        at = end
        # Which axes are due cannot be foreseen, so all are asked alike: no branches.
        due_x, due_y, due_z = next_x <= step, next_y <= step, next_z <= step
        qx += up_x if due_x else 0.0
        qy += up_y if due_y else 0.0
        qz += up_z if due_z else 0.0
        next_x, next_y, next_z = cx + qx * sx, cy + qy * sy, cz + qz * sz
        voxel += (hop_x if due_x else 0) + (hop_y if due_y else 0) + (hop_z if due_z else 0)


@njit(**INNER)
def _across(o: float, d: float, low: float, edge: float, first: int, last: int) -> tuple[float, float, float, float]:
    """Where a line meets the planes across one axis: the k-th at c + k·s; and where it is between two of them."""
    if abs(d) < _LEVEL:
        inside = first <= (o - low) / edge < last
        return _NEVER, 0.0, (-_NEVER if inside else _NEVER), (_NEVER if inside else -_NEVER)
    inverse = 1.0 / d
    c, s = (low - o) * inverse, edge * inverse
    one, other = c + first * s, c + last * s
    return c, s, min(one, other), max(one, other)


@njit(**INNER)
def _place(o: float, d: float, low: float, edge: float, c: float, s: float, at: float, first: int, last: int) -> int:
    """Place along an axis, from ``first`` to below ``last``, of a line that has met the planes up to ``at``."""
    place = min(max(int(np.floor((o + at * d - low) / edge)), first), last - 1)
    if s == 0.0:
        return place
    on = 1 if s > 0.0 else -1
    ahead, behind = (1 + on) // 2, (1 - on) // 2
    while first <= place + on < last and c + (place + ahead) * s <= at:
        place += on
    while first <= place - on < last and c + (place + behind) * s > at:
        place -= on
    return place


@njit(nogil=True, cache=True)
def visits(box: Box, segments: FloatArray, brick: int) -> tuple[IntArray, IntArray]:
    """Which of N segments pass each brick of ``brick`` voxels along each edge, in their order.

    Returns
    -------
    first : (bricks + 1,) int64
        Those of brick b are entries ``first[b]:first[b + 1]`` of the next array; z counts fastest.
    rows : (W,) int32
    """
    edge = box.edge
    x1, y1, z1 = box.fx + box.nx, box.fy + box.ny, box.fz + box.nz
    by, bz = -(-box.ny // brick), -(-box.nz // brick)
    bricks = -(-box.nx // brick) * by * bz
    which, whose = np.empty(4 * len(segments) + 64, dtype=np.int32), np.empty(4 * len(segments) + 64, dtype=np.int32)
    found = 0
    first = np.zeros(bricks + 1, dtype=np.int64)
    for row in range(len(segments)):
        ox, oy, oz = segments[row, X], segments[row, Y], segments[row, Z]
        dx, dy, dz = segments[row, DX], segments[row, DY], segments[row, DZ]
        cx, sx, in_x, out_x = _across(ox, dx, box.low[0], edge, box.fx, x1)
        cy, sy, in_y, out_y = _across(oy, dy, box.low[1], edge, box.fy, y1)
        cz, sz, in_z, out_z = _across(oz, dz, box.low[2], edge, box.fz, z1)
        at = max(0.0, max(in_x, max(in_y, in_z)))
        leave = min(segments[row, REACH] - _HAIR * edge, min(out_x, min(out_y, out_z)))
        if leave <= at:
            continue
        i = (_place(ox, dx, box.low[0], edge, cx, sx, at, box.fx, x1) - box.fx) // brick
        j = (_place(oy, dy, box.low[1], edge, cy, sy, at, box.fy, y1) - box.fy) // brick
        k = (_place(oz, dz, box.low[2], edge, cz, sz, at, box.fz, z1) - box.fz) // brick
        while True:
            if found == len(which):
                which = np.append(which, np.empty_like(which))
                whose = np.append(whose, np.empty_like(whose))
            which[found], whose[found] = (i * by + j) * bz + k, row
            first[which[found] + 1] += 1
            found += 1
            next_x = cx + (box.fx + (i + (1 if sx > 0.0 else 0)) * brick) * sx
            next_y = cy + (box.fy + (j + (1 if sy > 0.0 else 0)) * brick) * sy
            next_z = cz + (box.fz + (k + (1 if sz > 0.0 else 0)) * brick) * sz
            step = min(next_x, min(next_y, next_z))
            if step >= leave:
                break
            if next_x <= step:
                i += 1 if sx > 0.0 else -1
            if next_y <= step:
                j += 1 if sy > 0.0 else -1
            if next_z <= step:
                k += 1 if sz > 0.0 else -1
    for b in range(bricks):
        first[b + 1] += first[b]
    free = first.copy()
    rows = np.empty(found, dtype=np.int32)
    for v in range(found):
        rows[free[which[v]]] = whose[v]
        free[which[v]] += 1
    return first, rows


@njit(**INNER)
def _within(box: Box, segments: FloatArray, row: int) -> tuple[float, float]:
    """Where a segment enters the grid and where it leaves it or ends, metres from its origin."""
    edge, low = box.edge, box.low
    _, _, in_x, out_x = _across(segments[row, X], segments[row, DX], low[0], edge, box.fx, box.fx + box.nx)
    _, _, in_y, out_y = _across(segments[row, Y], segments[row, DY], low[1], edge, box.fy, box.fy + box.ny)
    _, _, in_z, out_z = _across(segments[row, Z], segments[row, DZ], low[2], edge, box.fz, box.fz + box.nz)
    return max(0.0, max(in_x, max(in_y, in_z))), min(segments[row, REACH], min(out_x, min(out_y, out_z)))


@njit(nogil=True, cache=True)
def sample_segments(
    box: Box,
    segments: FloatArray,
    source: FloatArray,
    chance: FloatArray,
    points: int,
    arrival: bool,
    tally: FloatArray,
) -> None:
    """As ``tally_segments``, at up to ``points`` places along each segment instead of in every voxel.

    The part of a segment within the box is cut into as many equal pieces as there are points, but none shorter than
    a voxel's edge, and each piece is booked where one random number ``chance`` (N,) puts it: without bias, since
    every place of a piece is as likely as any other.
    """
    edge = box.edge
    own_column = np.uint64(BASE + ARRIVAL if arrival else BASE)
    for row in range(len(segments)):
        enter, leave = _within(box, segments, row)
        if leave <= enter:
            continue
        ox, oy, oz = segments[row, X], segments[row, Y], segments[row, Z]
        dx, dy, dz = segments[row, DX], segments[row, DY], segments[row, DZ]
        pieces = min(points, 1 + int((leave - enter) / edge))
        piece = (leave - enter) / pieces
        weight, travelled, own = segments[row, WEIGHT], segments[row, TRAVELLED], segments[row, OWN]
        for m in range(pieces):
            at = enter + (m + chance[row]) * piece
            x, y, z = ox + at * dx, oy + at * dy, oz + at * dz
            i = min(max(int((x - box.low[0]) / edge) - box.fx, 0), box.nx - 1)
            j = min(max(int((y - box.low[1]) / edge) - box.fy, 0), box.ny - 1)
            k = min(max(int((z - box.low[2]) / edge) - box.fz, 0), box.nz - 1)
            v = np.uint64((i * box.ny + j) * box.nz + k)
            rx, ry, rz = x - source[0], y - source[1], z - source[2]
            excess = (travelled + at - np.sqrt(rx * rx + ry * ry + rz * rz)) * NS_PER_M
            amount = weight * piece
            tally[v, _POWER] += np.float32(amount)
            tally[v, _DELAY] += np.float32(amount * excess)
            tally[v, _DELAY_SQUARE] += np.float32(amount * excess * excess)
            if own >= 0.0:
                tally[v, own_column] += np.float32(amount * own)
                if arrival:
                    tally[v, _TO_X] -= np.float32(amount * dx)
                    tally[v, _TO_Y] -= np.float32(amount * dy)
                    tally[v, _TO_Z] -= np.float32(amount * dz)
            if segments[row, LISTED] >= 0.0:
                tally[v, np.uint64(segments[row, LISTED])] += np.float32(amount)


@njit(nogil=True, cache=True)
def add_worth(box: Box, segments: FloatArray, worth: FloatArray, total: FloatArray) -> None:
    """Add weight² × Σ length · ``worth`` (voxels,) of N segments to the entries (K,) of ``total`` they are listed in.

    Looked at once a voxel's edge along each segment: good enough to say where rays are worth sending.
    """
    edge = box.edge
    for row in range(len(segments)):
        enter, leave = _within(box, segments, row)
        if leave <= enter:
            continue
        ox, oy, oz = segments[row, X], segments[row, Y], segments[row, Z]
        dx, dy, dz = segments[row, DX], segments[row, DY], segments[row, DZ]
        pieces = 1 + int((leave - enter) / edge)
        piece = (leave - enter) / pieces
        found = 0.0
        for m in range(pieces):
            at = enter + (m + 0.5) * piece
            i = min(max(int((ox + at * dx - box.low[0]) / edge) - box.fx, 0), box.nx - 1)
            j = min(max(int((oy + at * dy - box.low[1]) / edge) - box.fy, 0), box.ny - 1)
            k = min(max(int((oz + at * dz - box.low[2]) / edge) - box.fz, 0), box.nz - 1)
            found += worth[(i * box.ny + j) * box.nz + k]
        total[int(segments[row, LISTED])] += segments[row, WEIGHT] ** 2 * found * piece


@njit(nogil=True, cache=True)
def fold(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray, count: int, sums: FloatArray) -> None:
    """Add the first ``count`` of four batches (voxels, C) float32 to running sums (voxels, S) float64, in order.

    The sums do not fit in a cache, so fetching them once for several batches is what saves time. The batches are left
    empty, ready for the next.

    Columns of the sums: the C tallies, their squares, and the products of power with delay, power with its square,
    and delay with its square; where there are three more, those of the direction of arrival's x with y, x with z and
    y with z.
    """
    columns = a.shape[1]
    twice = 2 * columns
    for v in range(len(sums)):
        power, delay, square = sums[v, 0], sums[v, 1], sums[v, 2]
        power_2, delay_2, square_2 = sums[v, columns], sums[v, columns + 1], sums[v, columns + 2]
        power_delay, power_square, delay_square = sums[v, twice], sums[v, twice + 1], sums[v, twice + 2]
        # One by one: to pick an array out of a tuple, or to ask whether it is empty here, costs more than the rest.
        for batch in range(count):
            if batch == 0:
                p, q, r = np.float64(a[v, 0]), np.float64(a[v, 1]), np.float64(a[v, 2])
                a[v, 0] = a[v, 1] = a[v, 2] = 0.0
            elif batch == 1:
                p, q, r = np.float64(b[v, 0]), np.float64(b[v, 1]), np.float64(b[v, 2])
                b[v, 0] = b[v, 1] = b[v, 2] = 0.0
            elif batch == 2:
                p, q, r = np.float64(c[v, 0]), np.float64(c[v, 1]), np.float64(c[v, 2])
                c[v, 0] = c[v, 1] = c[v, 2] = 0.0
            else:
                p, q, r = np.float64(d[v, 0]), np.float64(d[v, 1]), np.float64(d[v, 2])
                d[v, 0] = d[v, 1] = d[v, 2] = 0.0
            power += p
            delay += q
            square += r
            power_2 += p * p
            delay_2 += q * q
            square_2 += r * r
            power_delay += p * q
            power_square += p * r
            delay_square += q * r
        sums[v, 0], sums[v, 1], sums[v, 2] = power, delay, square
        sums[v, columns], sums[v, columns + 1], sums[v, columns + 2] = power_2, delay_2, square_2
        sums[v, twice], sums[v, twice + 1], sums[v, twice + 2] = power_delay, power_square, delay_square
        if columns > BASE:
            _more(a, v, sums)
            if count > 1:
                _more(b, v, sums)
            if count > 2:
                _more(c, v, sums)
            if count > 3:
                _more(d, v, sums)


@njit(**INNER)
def _more(tally: FloatArray, v: int, sums: FloatArray) -> None:
    columns = tally.shape[1]
    if sums.shape[1] > 2 * columns + PRODUCTS:
        x, y, z = np.float64(tally[v, _TO_X]), np.float64(tally[v, _TO_Y]), np.float64(tally[v, _TO_Z])
        sums[v, 2 * columns + PRODUCTS] += x * y
        sums[v, 2 * columns + PRODUCTS + 1] += x * z
        sums[v, 2 * columns + PRODUCTS + 2] += y * z
    for m in range(BASE, columns):
        value = np.float64(tally[v, m])
        sums[v, m] += value
        sums[v, columns + m] += value * value
        tally[v, m] = 0.0


@njit(nogil=True, cache=True, error_model="numpy")
def delay_spreads(
    sums: FloatArray,
    columns: int,
    batches: int,
    scale: float,
    watts: float,
    direct: FloatArray,
    direct_delay: FloatArray,
    direct_square: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Power-weighted rms delay spread (V,) and its standard error, ns; see ``tallies.delay_spread``.

    Parameters
    ----------
    sums : (V, 2 * columns + 3 or more) float64
        As ``fold`` makes them, over ``batches``; times ``scale`` they are watts.
    direct, direct_delay, direct_square : (V,) float64
        Power, power × delay and power × delay² of what is known exactly; times ``watts`` they are watts.
    """
    spread, error = np.empty(len(sums)), np.empty(len(sums))
    mean = scale / max(batches, 1)
    pair = scale * scale / (batches * (batches - 1.0)) if batches > 1 else 0.0
    share = 1.0 / max(batches, 1)
    for v in range(len(sums)):
        s0, s1, s2 = sums[v, 0], sums[v, 1], sums[v, 2]
        power, delay, square = (
            watts * direct[v] + mean * s0, watts * direct_delay[v] + mean * s1, watts * direct_square[v] + mean * s2,
        )  # fmt: skip
        spread[v] = error[v] = np.nan
        if not power > 0.0:
            continue
        spread[v] = np.sqrt(max(square / power - (delay / power) ** 2, 0.0))
        g0 = 2.0 * delay * delay / power**3 - square / power**2
        g1, g2 = -2.0 * delay / power**2, 1.0 / power
        variance = (
            g0 * g0 * max(sums[v, columns] - s0 * s0 * share, 0.0)
            + g1 * g1 * max(sums[v, columns + 1] - s1 * s1 * share, 0.0)
            + g2 * g2 * max(sums[v, columns + 2] - s2 * s2 * share, 0.0)
            + 2.0 * g0 * g1 * (sums[v, 2 * columns] - s0 * s1 * share)
            + 2.0 * g0 * g2 * (sums[v, 2 * columns + 1] - s0 * s2 * share)
            + 2.0 * g1 * g2 * (sums[v, 2 * columns + 2] - s1 * s2 * share)
        )
        found = np.sqrt(max(pair * variance, 0.0)) / (2.0 * spread[v])
        if np.isfinite(found):
            error[v] = found
    return spread, error
