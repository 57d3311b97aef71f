"""Where a ray that enters a solid comes out, and what it passes on the way.

Most solids are entered and left through faces of their own; those are done here from one
more hit of the tracer. Bodies that touch, overlap or have sheets inside are left to
``walls_passed``, whose rows are cut off where the ray is back in the open.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, PARALLEL_COS, TOUCH_M, TRANSMISSION, Bodies
from rf3d.propagation.kernels.images import Planes, on_facet
from rf3d.propagation.kernels.walk import Rays, march
from rf3d.units import BoolArray, ComplexArray, FloatArray, IntArray

CLOSED, SIMPLE, INVOLVED = range(3)
"""Nothing gets out; left through the entered object's own face; anything else."""


UNKNOWN = -2
"""Exit of a body that is no box."""
MOST_FACES, FLUSH_M = 32, 2e-5
"""Faces of a box; how far others may reach into it, or a corner out of a face's plane; files round to float32."""


class Passages(NamedTuple):
    """What N rays pass from entering a solid to being back in the open.

    Attributes
    ----------
    first : (N + 1,) int64
        Rows of ray i are ``first[i]:first[i + 1]`` of the next four; no rows, no way through.
    kind, facet, part : (W,) int32, depth_m : (W,) float64
        As ``walls_passed`` gives them.
    reach_m : (N,) float64
        From the point of entry to the point of leaving.
    plane : (N,) int32
        Plane left last.
    """

    first: IntArray
    kind: IntArray
    facet: IntArray
    part: IntArray
    depth_m: FloatArray
    reach_m: FloatArray
    plane: IntArray


class Entered(NamedTuple):
    """Rays that enter solids: N along their own ways, then the same N along the inward normal.

    Attributes
    ----------
    rows : (N,) int64
        Which rays they are.
    points, ways, inward : (2N, 3) float64
        Point of entry, unit direction and unit normal into the solid.
    facet, out : (2N,) int32
        Facet entered, and the one it is left by; UNKNOWN, or −1 where no face is ahead.
    """

    rows: IntArray
    points: FloatArray
    ways: FloatArray
    inward: FloatArray
    facet: IntArray
    out: IntArray


@njit(nogil=True, cache=True)
def arrive(
    rays: Rays,
    count: int,
    triangle: IntArray,
    triangle_facet: IntArray,
    planes: Planes,
    bodies: Bodies,
    boxes: Boxes,
    opaque: BoolArray,
    clearance: float,
    listed: IntArray,
    segments: FloatArray,
    carried: ComplexArray,
    written: int,
    behind_m: FloatArray,
    ledger: FloatArray,
) -> tuple[int, Entered]:
    """``march``, then ``entries``: one call from outside, which is what a batch of few rays spends its time on."""
    written = march(
        rays, count, triangle, triangle_facet, planes, bodies, clearance, listed, segments, carried, written, ledger
    )  # fmt: skip
    return written, entries(rays, count, planes, bodies, boxes, opaque, behind_m)


@njit(nogil=True, cache=True)
def entries(
    rays: Rays, count: int, planes: Planes, bodies: Bodies, boxes: Boxes, opaque: BoolArray, behind_m: FloatArray
) -> Entered:
    """Rays that stand at solids that let them in, and by which face they leave those that are boxes.

    Sets the thickness ``behind_m`` (count,) of a bounce to infinity on any solid, for later to correct; else to NaN.
    """
    facet_now, origin, direction = rays.facet, rays.origin, rays.direction
    solid, facet_part, facet_plane, normal = bodies.solid, bodies.part, bodies.plane, planes.normal
    rows = np.empty(count, dtype=np.int64)
    found = 0
    for i in range(count):
        behind_m[i] = np.nan
        if facet_now[i] < 0 or not solid[facet_now[i]]:
            continue
        behind_m[i] = np.inf
        if not opaque[facet_part[facet_now[i]]]:
            rows[found] = i
            found += 1
    points, ways, inward = np.empty((2 * found, 3)), np.empty((2 * found, 3)), np.empty((2 * found, 3))
    entered = np.empty(2 * found, dtype=np.int32)
    for row in range(found):
        i, also = rows[row], found + row
        plane = facet_plane[facet_now[i]]
        entered[row] = entered[also] = facet_now[i]
        along = 0.0
        for a in range(3):
            along += direction[i, a] * normal[plane, a]
        for a in range(3):
            points[row, a] = points[also, a] = origin[i, a]
            inward[row, a] = inward[also, a] = normal[plane, a] if along > 0.0 else -normal[plane, a]
            ways[row, a], ways[also, a] = direction[i, a], inward[row, a]
    return Entered(rows[:found], points, ways, inward, entered, exits(planes, bodies, boxes, points, ways, entered))


@njit(nogil=True, cache=True)
def spread(both: Passages, rows: IntArray, count: int, behind_m: FloatArray) -> Passages:
    """Number passages among all rays, and read thicknesses from those along the normal.

    Parameters
    ----------
    both : Passages
        Of 2N rays, as ``Entered`` has them.
    rows : (N,) int64
        Which of ``count`` rays they are.
    behind_m : (count,) float64
        Set to the slab's thickness where the far face is parallel.
    """
    entered = len(rows)
    first = np.zeros(count + 1, dtype=np.int64)
    reach = np.zeros(count)
    plane = np.full(count, -1, dtype=np.int32)
    for row in range(entered):
        i = rows[row]
        first[i + 1] = both.first[row + 1] - both.first[row]
        reach[i], plane[i] = both.reach_m[row], both.plane[row]
        across = both.first[entered + row]
        if across < both.first[entered + row + 1] and both.kind[across] == TRANSMISSION:
            behind_m[i] = both.depth_m[across]
    for i in range(count):
        first[i + 1] += first[i]
    return Passages(first, both.kind, both.facet, both.part, both.depth_m, reach, plane)


class Boxes(NamedTuple):
    """Convex solids that nothing stands in or reaches into; what is in them leaves by one of their planes.

    Attributes
    ----------
    start : (objects + 1,) int64
        Faces of object o are ``start[o]:start[o + 1]`` of the next arrays; none, if it is not such a solid.
    facet : (W,) int32
        The one facet of each face.
    outward : (W,) float64
        1 where the normal of its plane leads out, else −1.
    """

    start: IntArray
    facet: IntArray
    outward: FloatArray


def make_boxes(corners_m: FloatArray, planes: Planes, bodies: Bodies, opaque: BoolArray) -> Boxes:
    """Find the see-through solids that are convex and apart from all else.

    Parameters
    ----------
    corners_m : (M, 3, 3) float64
        Of the scene's triangles.
    opaque : (parts,) bool
    """
    low, high = planes.facet_low_m, planes.facet_high_m
    normal, offset = planes.normal[bodies.plane], planes.offset_m[bodies.plane]
    start, facets, outward = [0], [np.zeros(0, dtype=np.int32)], [np.zeros(0)]
    for thing in range(int(bodies.object.max(initial=-1)) + 1):
        mine = np.flatnonzero((bodies.object == thing) & bodies.solid)
        start.append(start[-1])
        if not 4 <= len(mine) <= MOST_FACES or len(np.unique(bodies.plane[mine])) < len(mine):
            continue
        if opaque[bodies.part[mine]].any():
            continue
        n, o = normal[mine], offset[mine]
        height = _heights(_corners_of(mine, corners_m, planes), n, o)
        side = np.where(height.max(axis=0) > -height.min(axis=0), -1.0, 1.0)
        if (side * height).max() > FLUSH_M:
            continue
        near = (low <= high[mine].max(axis=0)) & (high >= low[mine].min(axis=0))
        others = np.flatnonzero(near.all(axis=1) & (bodies.object != thing))
        # Nearest to the body that any point of a facet's box comes, by each plane.
        middle, half = 0.5 * (low[others] + high[others]), 0.5 * (high[others] - low[others])
        nearest = side * _heights(middle, n, o) - _heights(half, np.abs(n), np.zeros(len(n)))
        suspects = others[nearest.max(axis=1) < -FLUSH_M]
        if len(suspects):
            # Boxes of facets that slope reach where the facets do not: a triangle is apart if one plane says so.
            height = side * _heights(_corners_of(suspects, corners_m, planes), n, o)
            if (height.reshape(-1, 3, len(n)).min(axis=1).max(axis=1) < -FLUSH_M).any():
                continue
        start[-1] += len(mine)
        facets.append(mine.astype(np.int32))
        outward.append(side)
    return Boxes(np.array(start, dtype=np.int64), np.concatenate(facets), np.concatenate(outward))


def _corners_of(facets: IntArray, corners_m: FloatArray, planes: Planes) -> FloatArray:
    """Corners (3M, 3) of all triangles of some facets, out of those of the scene's (M, 3, 3)."""
    used = np.concatenate([np.arange(planes.facet_start[f], planes.facet_start[f + 1]) for f in facets])
    return corners_m[planes.facet_triangles[used]].reshape(-1, 3)


def _heights(points: FloatArray, normal: FloatArray, offset: FloatArray) -> FloatArray:
    """Signed distances (N, Q) of points (N, 3) from planes (Q,)."""
    x, y, z = (points[:, a, None] for a in range(3))
    return np.asarray(x * normal[:, 0] + y * normal[:, 1] + z * normal[:, 2] - offset)


@njit(nogil=True, cache=True, error_model="numpy")
def exits(
    planes: Planes, bodies: Bodies, boxes: Boxes, points: FloatArray, ways: FloatArray, entered: IntArray
) -> IntArray:
    """Facets (N,) by which rays leave the boxes they enter; UNKNOWN for other bodies, −1 where no face is ahead."""
    normal, offset, facet_plane, facet_object = planes.normal, planes.offset_m, bodies.plane, bodies.object
    start, facet, outward = boxes.start, boxes.facet, boxes.outward
    out = np.full(len(entered), UNKNOWN, dtype=np.int32)
    for i in range(len(entered)):
        thing = facet_object[entered[i]]
        if start[thing] == start[thing + 1]:
            continue
        px, py, pz = points[i, 0], points[i, 1], points[i, 2]
        dx, dy, dz = ways[i, 0], ways[i, 1], ways[i, 2]
        out[i], least = -1, np.inf
        for f in range(start[thing], start[thing + 1]):
            plane = facet_plane[facet[f]]
            along = outward[f] * (normal[plane, 0] * dx + normal[plane, 1] * dy + normal[plane, 2] * dz)
            if along < 1e-9:
                continue
            gap = offset[plane] - (normal[plane, 0] * px + normal[plane, 1] * py + normal[plane, 2] * pz)
            chord = outward[f] * gap / along
            if chord < least:
                least, out[i] = chord, facet[f]
    return out


@njit(nogil=True, cache=True)
def simple_passages(planes: Planes, bodies: Bodies, opaque: BoolArray, rays: Entered) -> tuple[IntArray, Passages]:
    """Sort rays by how they leave the solid they enter, and describe the simple ones.

    Parameters
    ----------
    opaque : (parts,) bool
    rays : Entered
        2N of them, every way out known.

    Returns
    -------
    state : (2N,) int32
        CLOSED, SIMPLE or INVOLVED.
    passages : Passages
        Two rows a ray, of which a simple pair of parallel faces uses the first; the rest have none.
    """
    points, ways, entered, met = rays.points, rays.ways, rays.facet, rays.out
    count = len(entered)
    state = np.full(count, CLOSED, dtype=np.int32)
    first = np.zeros(count + 1, dtype=np.int64)
    kind = np.empty(2 * count, dtype=np.int32)
    facet = np.empty(2 * count, dtype=np.int32)
    part = np.empty(2 * count, dtype=np.int32)
    depth = np.empty(2 * count)
    reach = np.zeros(count)
    plane = np.full(count, -1, dtype=np.int32)
    written = 0
    for i in range(count):
        first[i + 1] = written
        out = met[i]
        if out < 0:
            continue
        if not bodies.solid[out] or bodies.object[out] != bodies.object[entered[i]]:
            state[i] = INVOLVED
            continue
        if opaque[bodies.part[out]]:
            continue
        n, m = planes.normal[bodies.plane[entered[i]]], planes.normal[bodies.plane[out]]
        d = ways[i]
        along = m[0] * d[0] + m[1] * d[1] + m[2] * d[2]
        gap = planes.offset_m[bodies.plane[out]] - (m[0] * points[i, 0] + m[1] * points[i, 1] + m[2] * points[i, 2])
        if bodies.plane[out] == bodies.plane[entered[i]] or abs(along) < 1e-9 or gap / along <= 0.0:
            continue
        chord = gap / along
        x, y, z = points[i, 0] + chord * d[0], points[i, 1] + chord * d[1], points[i, 2] + chord * d[2]
        touched = False
        for w in range(bodies.twin_start[out], bodies.twin_start[out + 1]):
            touched = touched or on_facet(planes, bodies.twins[w], x, y, z)
        if touched:
            state[i] = INVOLVED
            continue
        state[i] = SIMPLE
        reach[i], plane[i] = chord, bodies.plane[out]
        which = min(bodies.part[entered[i]], bodies.part[out])
        if abs(n[0] * m[0] + n[1] * m[1] + n[2] * m[2]) > PARALLEL_COS:
            kind[written], facet[written], part[written] = TRANSMISSION, entered[i], which
            depth[written] = chord * abs(n[0] * d[0] + n[1] * d[1] + n[2] * d[2])
            written += 1
        else:
            for side in range(2):
                kind[written], part[written], depth[written] = OBLIQUE_FACE, which, chord
                facet[written] = entered[i] if side == 0 else out
                written += 1
        first[i + 1] = written
    return state, Passages(first, kind[:written], facet[:written], part[:written], depth[:written], reach, plane)


@njit(nogil=True, cache=True)
def cut_off(
    planes: Planes,
    bodies: Bodies,
    ways: FloatArray,
    lead: float,
    met_first: IntArray,
    met_facet: IntArray,
    met_distance: FloatArray,
    row_first: IntArray,
    row_kind: IntArray,
    row_facet: IntArray,
    row_part: IntArray,
    row_depth: FloatArray,
    row_distance: FloatArray,
) -> Passages:
    """Of the walls that long segments pass, those up to where each is back in the open.

    Segments start ``lead`` metres before the face entered. Bodies that touch or overlap, and sheets in between,
    belong to one passage; it has no rows when the body entered is not left again.
    """
    count = len(ways)
    first = np.zeros(count + 1, dtype=np.int64)
    chosen = np.empty(len(row_kind), dtype=np.int64)
    reach = np.zeros(count)
    plane = np.full(count, -1, dtype=np.int32)
    written = 0
    for i in range(count):
        end = -1.0
        for r in range(row_first[i], row_first[i + 1]):
            if end < 0.0 and (row_distance[r] > 2.0 * lead or np.isnan(row_depth[r])):
                break  # the first thing passed is not the body entered
            if end >= 0.0 and row_distance[r] > end + TOUCH_M:
                break
            leaves = row_distance[r]
            if row_kind[r] == OBLIQUE_FACE:
                leaves += row_depth[r]
                for before in range(row_first[i], r):
                    # The way out repeats the chord of its way in.
                    gap = row_distance[before] + row_depth[before] - row_distance[r]
                    if row_kind[before] == OBLIQUE_FACE and row_depth[before] == row_depth[r] and abs(gap) < TOUCH_M:
                        leaves = row_distance[r]
            elif not np.isnan(row_depth[r]):
                n = planes.normal[bodies.plane[row_facet[r]]]
                leaves += row_depth[r] / abs(n[0] * ways[i, 0] + n[1] * ways[i, 1] + n[2] * ways[i, 2])
            end = max(end, leaves)
            chosen[written] = r
            written += 1
        first[i + 1] = written
        if end >= 0.0:
            reach[i] = end - lead
            nearest = np.inf
            for c in range(met_first[i], met_first[i + 1]):
                if abs(met_distance[c] - end) < nearest:
                    nearest, plane[i] = abs(met_distance[c] - end), bodies.plane[met_facet[c]]
    rows = chosen[:written]
    return Passages(first, row_kind[rows], row_facet[rows], row_part[rows], row_depth[rows], reach, plane)
