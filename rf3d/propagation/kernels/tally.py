"""What segments of rays leave in the voxels they pass: their exact length, or that of a few points drawn along them.

Where a segment crosses the k-th plane of voxels is always worked out from k itself, never step by step. So a part of
the grid gets what the whole would give it, but for the order in which float32 numbers add up; and large grids are done
brick by brick, each small enough to stay in the processor's cache.

Segments are walked ``ABREAST``, one voxel each at a time: the loops over them have no branches and each reads and
writes one flat array, so the compiler makes vector instructions of them.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER, OWNING
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
ABREAST = 32
"""Segments that are walked together; below 16 the compiler unrolls the loops over them instead."""
_STATES = 16
_AT, _LEAVE, _PX, _PY, _PZ, _CX, _CY, _CZ, _SX, _SY, _SZ, _BASE, _S2, _SD, _W, _T = range(0, _STATES * ABREAST, ABREAST)
"""Where in a flat array the state of all segments begins: way along each, and its end; number of the next plane across
each axis, the k-th of them being at c + k·s; what makes a voxel's number of those; square of the straight way from the
antenna in ns² at the origin, and its slope; weight; way travelled to the origin."""


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
    if brick == 0:
        rows = np.arange(len(segments)).astype(np.int32)
        _walk(box, segments, rows, 0, len(rows), _all_of(box), source, arrival, tally)
        return
    first, rows = visits(box, segments, source, brick)
    x1, y1, z1 = box.fx + box.nx, box.fy + box.ny, box.fz + box.nz
    by, bz = -(-box.ny // brick), -(-box.nz // brick)
    for b in range(len(first) - 1):
        x0 = box.fx + b // (by * bz) * brick
        y0 = box.fy + b // bz % by * brick
        z0 = box.fz + b % bz * brick
        within = x0, min(x0 + brick, x1), y0, min(y0 + brick, y1), z0, min(z0 + brick, z1)
        _walk(box, segments, rows, first[b], first[b + 1], within, source, arrival, tally)


@njit(**OWNING)
def _walk(
    box: Box,
    segments: FloatArray,
    rows: IntArray,
    begin: int,
    end: int,
    within: tuple[int, int, int, int, int, int],
    source: FloatArray,
    arrival: bool,
    tally: FloatArray,
) -> None:
    """Add segments ``rows[begin:end]`` to the voxels from x0 to below x1, and so on, of the venue's.

    Source: Amanatides & Woo, A fast voxel traversal algorithm for ray tracing, Eurographics 1987 (from memory).
    """
    across_x, across_y, last = float(box.ny * box.nz), float(box.nz), len(tally) - 1.0
    more = tally.shape[1] > BASE
    raw, ready, state = np.empty(9 * ABREAST), np.empty(_STATES * ABREAST), np.empty(_STATES * ABREAST)
    left, amount = np.full(ABREAST, -1.0), np.empty(3 * ABREAST, dtype=np.float32)
    which, row_of = np.empty(ABREAST, dtype=np.int32), np.full(ABREAST, -1, dtype=np.int32)
    voxel = np.empty(ABREAST, dtype=np.int32)
    taken = found = going = block = 0
    ended = True
    while True:
        if ended:
            for n in range(ABREAST):
                if left[n] > 0.0:
                    continue
                if row_of[n] >= 0:
                    going -= 1
                while taken == found and begin < end:
                    block, taken = begin, 0
                    begin = min(begin + ABREAST, end)
                    found = _set_out(box, segments, rows, block, begin, within, source, raw, ready, which)
                if taken < found:
                    for m in range(_STATES):
                        state[m * ABREAST + n] = ready[m * ABREAST + which[taken]]
                    row_of[n] = rows[block + which[taken]]
                    taken += 1
                    going += 1
                else:
                    # Goes on for ever and adds nothing.
                    for m in range(_STATES):
                        state[m * ABREAST + n] = 0.0
                    state[_LEAVE + n] = 1.0
                    row_of[n] = -1
            if going == 0:
                return
        ends = 0
        for n in range(ABREAST):
            px, py, pz = state[_PX + n], state[_PY + n], state[_PZ + n]
            sx, sy, sz = state[_SX + n], state[_SY + n], state[_SZ + n]
            next_x, next_y, next_z = state[_CX + n] + px * sx, state[_CY + n] + py * sy, state[_CZ + n] + pz * sz
            step = min(next_x, min(next_y, next_z))
            leave, at = state[_LEAVE + n], state[_AT + n]
            stop = min(step, leave)
            middle = 0.5 * (at + stop)
            # Everything about delay in nanoseconds: way so far, less the straight way from the antenna.
            square = max(0.0, state[_S2 + n] + middle * (state[_SD + n] + middle * NS_PER_M**2))
            excess = (state[_T + n] + middle) * NS_PER_M - np.sqrt(square)
            power = state[_W + n] * (stop - at)
            moment = power * excess
            amount[n] = np.float32(power)
            amount[ABREAST + n] = np.float32(moment)
            amount[2 * ABREAST + n] = np.float32(moment * excess)
            place = px * across_x + py * across_y + pz + state[_BASE + n]
            voxel[n] = np.int32(min(max(0.0, place), last))
            left[n] = leave - step
            ends += 0 if step < leave else 1  # so that not even a number that is none could go on for ever
            state[_AT + n] = stop
            state[_PX + n] = px + ((1.0 if sx > 0.0 else -1.0) if next_x <= step else 0.0)
            state[_PY + n] = py + ((1.0 if sy > 0.0 else -1.0) if next_y <= step else 0.0)
            state[_PZ + n] = pz + ((1.0 if sz > 0.0 else -1.0) if next_z <= step else 0.0)
        ended = ends > 0
        for n in range(ABREAST):
            v = np.uint64(voxel[n])  # unsigned: no test for counting from the end
            tally[v, _POWER] += amount[n]
            tally[v, _DELAY] += amount[ABREAST + n]
            tally[v, _DELAY_SQUARE] += amount[2 * ABREAST + n]
        if more:
            for n in range(ABREAST):
                if row_of[n] >= 0:
                    _add_more(segments, row_of[n], float(amount[n]), arrival, tally, np.uint64(voxel[n]))


@njit(**INNER)
def _add_more(segments: FloatArray, row: int, amount: float, arrival: bool, tally: FloatArray, v: int) -> None:
    """Add what a segment leaves in voxel ``v`` besides its moments of delay."""
    own = segments[row, OWN]
    if own >= 0.0:
        tally[v, np.uint64(BASE + ARRIVAL if arrival else BASE)] += np.float32(amount * own)
        if arrival:
            tally[v, _TO_X] -= np.float32(amount * segments[row, DX])
            tally[v, _TO_Y] -= np.float32(amount * segments[row, DY])
            tally[v, _TO_Z] -= np.float32(amount * segments[row, DZ])
    if segments[row, LISTED] >= 0.0:
        tally[v, np.uint64(segments[row, LISTED])] += np.float32(amount)


@njit(**INNER)
def _all_of(box: Box) -> tuple[int, int, int, int, int, int]:
    """First voxel and one past the last, along each axis, of those of the venue."""
    return box.fx, box.fx + box.nx, box.fy, box.fy + box.ny, box.fz, box.fz + box.nz


@njit(**OWNING)
def _room(count: int) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Rows of all of so many segments, and room for ``_set_out``."""
    every = np.arange(count).astype(np.int32)
    return every, np.empty(9 * ABREAST), np.empty(_STATES * ABREAST), np.empty(ABREAST, dtype=np.int32)


@njit(**INNER)
def _set_out(
    box: Box,
    segments: FloatArray,
    rows: IntArray,
    begin: int,
    end: int,
    within: tuple[int, int, int, int, int, int],
    source: FloatArray,
    raw: FloatArray,
    ready: FloatArray,
    which: IntArray,
) -> int:
    """States of segments ``rows[begin:end]``, up to ``ABREAST``, where they enter a part of the grid.

    Written into ``ready``; into ``which`` those that do enter it, and their number is returned. ``raw`` is room to work
    in.
    """
    edge, low_x, low_y, low_z = box.edge, box.low[0], box.low[1], box.low[2]
    across_x, across_y = float(box.ny * box.nz), float(box.nz)
    x0, x1, y0, y1, z0, z1 = within
    from_x, from_y, from_z = source[0], source[1], source[2]
    for n in range(end - begin):
        row = np.uint64(rows[begin + n])
        for m in range(9):
            raw[m * ABREAST + n] = segments[row, m]
    for n in range(end - begin):
        ox, oy, oz = raw[X * ABREAST + n], raw[Y * ABREAST + n], raw[Z * ABREAST + n]
        dx, dy, dz = raw[DX * ABREAST + n], raw[DY * ABREAST + n], raw[DZ * ABREAST + n]
        cx, sx, in_x, out_x = _across(ox, dx, low_x, edge, x0, x1)
        cy, sy, in_y, out_y = _across(oy, dy, low_y, edge, y0, y1)
        cz, sz, in_z, out_z = _across(oz, dz, low_z, edge, z0, z1)
        at = max(0.0, max(in_x, max(in_y, in_z)))
        ready[_AT + n] = at
        ready[_LEAVE + n] = min(raw[REACH * ABREAST + n] - _HAIR * edge, min(out_x, min(out_y, out_z)))
        ready[_CX + n], ready[_CY + n], ready[_CZ + n] = cx, cy, cz
        ready[_SX + n], ready[_SY + n], ready[_SZ + n] = sx, sy, sz
        # The plane that comes next is the voxel's far one; a direction without a component along an axis meets none.
        far_x, far_y, far_z = 1.0 if sx > 0.0 else 0.0, 1.0 if sy > 0.0 else 0.0, 1.0 if sz > 0.0 else 0.0
        ready[_PX + n] = _place(ox, dx, low_x, edge, cx, sx, at, x0, x1) + far_x
        ready[_PY + n] = _place(oy, dy, low_y, edge, cy, sy, at, y0, y1) + far_y
        ready[_PZ + n] = _place(oz, dz, low_z, edge, cz, sz, at, z0, z1) + far_z
        ready[_BASE + n] = -((far_x + box.fx) * across_x + (far_y + box.fy) * across_y + far_z + box.fz)
        rx, ry, rz = ox - from_x, oy - from_y, oz - from_z
        ready[_S2 + n] = (rx * rx + ry * ry + rz * rz) * NS_PER_M**2
        ready[_SD + n] = 2.0 * (rx * dx + ry * dy + rz * dz) * NS_PER_M**2
        ready[_W + n], ready[_T + n] = raw[WEIGHT * ABREAST + n], raw[TRAVELLED * ABREAST + n]
    found = 0
    for n in range(end - begin):
        which[found] = n
        found += 1 if ready[_LEAVE + n] > ready[_AT + n] else 0
    return found


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
def _place(o: float, d: float, low: float, edge: float, c: float, s: float, at: float, first: int, last: int) -> float:
    """Place along an axis, from ``first`` to below ``last``, of a line that has met the planes up to ``at``."""
    place = min(max(np.floor((o + at * d - low) / edge), float(first)), last - 1.0)
    # Rounding may take it over a plane; the planes decide.
    on = 1.0 if s > 0.0 else -1.0
    over = place + on
    place = over if s != 0.0 and first <= over < last and c + max(place, over) * s <= at else place
    under = place - on
    return under if s != 0.0 and first <= under < last and c + max(place, under) * s > at else place


@njit(nogil=True, cache=True)
def visits(box: Box, segments: FloatArray, source: FloatArray, brick: int) -> tuple[IntArray, IntArray]:
    """Which of N segments pass each brick of ``brick`` voxels along each edge, in their order.

    Returns
    -------
    first : (bricks + 1,) int64
        Those of brick b are entries ``first[b]:first[b + 1]`` of the next array; z counts fastest.
    rows : (W,) int32
    """
    by, bz = -(-box.ny // brick), -(-box.nz // brick)
    bricks = -(-box.nx // brick) * by * bz
    which, whose = np.empty(4 * len(segments) + 64, dtype=np.int32), np.empty(4 * len(segments) + 64, dtype=np.int32)
    every, raw, ready, entering = _room(len(segments))
    found = 0
    first = np.zeros(bricks + 1, dtype=np.int64)
    for begin in range(0, len(segments), ABREAST):
        end = min(begin + ABREAST, len(segments))
        for m in range(_set_out(box, segments, every, begin, end, _all_of(box), source, raw, ready, entering)):
            n = entering[m]
            row, leave = begin + n, ready[_LEAVE + n]
            cx, cy, cz = ready[_CX + n], ready[_CY + n], ready[_CZ + n]
            sx, sy, sz = ready[_SX + n], ready[_SY + n], ready[_SZ + n]
            i = (int(ready[_PX + n]) - (1 if sx > 0.0 else 0) - box.fx) // brick
            j = (int(ready[_PY + n]) - (1 if sy > 0.0 else 0) - box.fy) // brick
            k = (int(ready[_PZ + n]) - (1 if sz > 0.0 else 0) - box.fz) // brick
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
    edge, more = box.edge, tally.shape[1] > BASE
    every, raw, ready, entering = _room(len(segments))
    for begin in range(0, len(segments), ABREAST):
        end = min(begin + ABREAST, len(segments))
        for found in range(_set_out(box, segments, every, begin, end, _all_of(box), source, raw, ready, entering)):
            n = entering[found]
            row, enter, leave = begin + n, ready[_AT + n], ready[_LEAVE + n]
            pieces = min(points, 1 + int((leave - enter) / edge))
            piece = (leave - enter) / pieces
            for m in range(pieces):
                at = enter + (m + chance[row]) * piece
                v = np.uint64(_voxel_at(box, segments, row, at))
                square = max(0.0, ready[_S2 + n] + at * (ready[_SD + n] + at * NS_PER_M**2))
                excess = (ready[_T + n] + at) * NS_PER_M - np.sqrt(square)
                amount = ready[_W + n] * piece
                tally[v, _POWER] += np.float32(amount)
                tally[v, _DELAY] += np.float32(amount * excess)
                tally[v, _DELAY_SQUARE] += np.float32(amount * excess * excess)
                if more:
                    _add_more(segments, row, amount, arrival, tally, v)


@njit(**INNER)
def _voxel_at(box: Box, segments: FloatArray, row: int, at: float) -> int:
    """Voxel of the grid that a segment is in after so many metres."""
    scale = 1.0 / box.edge
    x = (segments[row, X] + at * segments[row, DX] - box.low[0]) * scale
    y = (segments[row, Y] + at * segments[row, DY] - box.low[1]) * scale
    z = (segments[row, Z] + at * segments[row, DZ] - box.low[2]) * scale
    i = min(max(int(x) - box.fx, 0), box.nx - 1)
    j = min(max(int(y) - box.fy, 0), box.ny - 1)
    k = min(max(int(z) - box.fz, 0), box.nz - 1)
    return (i * box.ny + j) * box.nz + k


@njit(nogil=True, cache=True)
def add_worth(box: Box, segments: FloatArray, worth: FloatArray, total: FloatArray) -> None:
    """Add weight² × Σ length · ``worth`` (voxels,) of N segments to the entries (K,) of ``total`` they are listed in.

    Looked at once a voxel's edge along each segment: good enough to say where rays are worth sending.
    """
    edge = box.edge
    every, raw, ready, entering = _room(len(segments))
    for begin in range(0, len(segments), ABREAST):
        end = min(begin + ABREAST, len(segments))
        for found in range(_set_out(box, segments, every, begin, end, _all_of(box), box.low, raw, ready, entering)):
            n = entering[found]
            row, enter, leave = begin + n, ready[_AT + n], ready[_LEAVE + n]
            pieces = 1 + int((leave - enter) / edge)
            piece = (leave - enter) / pieces
            worthy = 0.0
            for m in range(pieces):
                worthy += worth[_voxel_at(box, segments, row, enter + (m + 0.5) * piece)]
            total[int(segments[row, LISTED])] += ready[_W + n] ** 2 * worthy * piece


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
