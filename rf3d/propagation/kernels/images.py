"""Mirror images: which sequences of planes give a specular path between two points.

Mirror the transmitter in one plane after the other, then walk back from the receiver and
see whether each reflection point lies on a facet. All of it in float64.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene

EDGE_TOLERANCE = 1e-9
"""Slack of the point-in-triangle test in barycentric units: a point on a seam belongs to a side."""
BOX_SLACK_M = 1e-6
"""What bounding boxes have to spare."""
CORNER_M = 1e-9
"""Two reflection points nearer than this to each other's planes are one point, in the corner between walls."""
MIRROR_NUMBERS = 10
"""How many numbers are kept of a mirror (``lay_mirror``)."""
NUDGE_M = (4e-7, 1.1e-6, 3.1e-6)
"""Shift of the receiver that tells the order of walls in a corner; path lengths change by its square over a leg."""

BEAM_SLACK_M = 1e-4
"""What lies less far outside a beam is still tried: more than rounding, and than the shift above."""


class Planes(NamedTuple):
    """What the kernels need of a scene's facets, as plain arrays (see Facets).

    Attributes
    ----------
    normal, offset_m, low_m, high_m, plane_start, plane_facets
        Planes and their boxes.
    window_m : (N, 4, 3) float64
        Corners, in turn, of a rectangle round everything in a plane.
    facet_low_m, facet_high_m, facet_start, facet_triangles
    corner_m : (M, 3) float64, across : (M, 2, 3) float64
        First corner of every triangle, and the gradients of its two barycentric coordinates.
    """

    normal: FloatArray
    offset_m: FloatArray
    low_m: FloatArray
    high_m: FloatArray
    window_m: FloatArray
    plane_start: IntArray
    plane_facets: IntArray
    facet_low_m: FloatArray
    facet_high_m: FloatArray
    facet_start: IntArray
    facet_triangles: IntArray
    corner_m: FloatArray
    across: FloatArray


def make_planes(scene: Scene, facets: Facets) -> Planes:
    """Lay out planes, facets and triangles for the kernels."""
    low = np.minimum.reduceat(facets.bounds_m[facets.plane_facets, 0], facets.plane_start[:-1], axis=0)
    high = np.maximum.reduceat(facets.bounds_m[facets.plane_facets, 1], facets.plane_start[:-1], axis=0)
    a = scene.corners_m[:, 0]
    e1, e2 = scene.corners_m[:, 1] - a, scene.corners_m[:, 2] - a
    d11, d12, d22 = (np.einsum("mi,mi->m", u, v)[:, None] for u, v in ((e1, e1), (e1, e2), (e2, e2)))
    across = np.stack([d22 * e1 - d12 * e2, d11 * e2 - d12 * e1], axis=1) / (d11 * d22 - d12 * d12)[:, None]
    return Planes(
        facets.normal, facets.offset_m, low, high, _windows(scene, facets), facets.plane_start, facets.plane_facets,
        np.ascontiguousarray(facets.bounds_m[:, 0]), np.ascontiguousarray(facets.bounds_m[:, 1]),
        facets.facet_start, facets.facet_triangles, np.ascontiguousarray(a), across,
    )  # fmt: skip


def _windows(scene: Scene, facets: Facets) -> FloatArray:
    """Corners (N, 4, 3) of a rectangle round everything in each plane, along its longest side of a triangle."""
    triangle_plane = facets.plane[facets.triangle_facet]
    side = np.roll(scene.corners_m, -1, axis=1) - scene.corners_m
    length = np.linalg.norm(side, axis=2)
    longest = side[np.arange(len(side)), length.argmax(axis=1)]
    order = np.lexsort((length.max(axis=1), triangle_plane))
    last = order[np.searchsorted(triangle_plane[order], np.arange(facets.plane_count), side="right") - 1]
    first_axis = longest[last] / np.linalg.norm(longest[last], axis=1)[:, None]
    axes = np.stack([first_axis, np.cross(facets.normal, first_axis)], axis=1)
    low, high = np.full((2, facets.plane_count, 2), np.inf)
    along = np.einsum("mvi,mai->mva", scene.corners_m, axes[triangle_plane])
    np.minimum.at(low, triangle_plane, along.min(axis=1))
    np.minimum.at(high, triangle_plane, -along.max(axis=1))
    spans = np.stack([low, -high], axis=2)
    corners = [
        spans[:, 0, i, None] * axes[:, 0] + spans[:, 1, j, None] * axes[:, 1]
        for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))
    ]
    return np.stack(corners, axis=1) + (facets.offset_m[:, None] * facets.normal)[:, None]


@njit(**INNER)
def in_box(x: float, y: float, z: float, low: FloatArray, high: FloatArray, box: int) -> bool:
    """Whether a point lies in an axis-aligned box of several, with a micrometre to spare."""
    slack = BOX_SLACK_M
    return (
        low[box, 0] - slack <= x <= high[box, 0] + slack
        and low[box, 1] - slack <= y <= high[box, 1] + slack
        and low[box, 2] - slack <= z <= high[box, 2] + slack
    )


@njit(**INNER)
def on_facet(planes: Planes, facet: int, x: float, y: float, z: float) -> bool:
    """Whether a point in the plane of a facet lies on it."""
    if not in_box(x, y, z, planes.facet_low_m, planes.facet_high_m, facet):
        return False
    corner, g = planes.corner_m, planes.across
    for i in range(planes.facet_start[facet], planes.facet_start[facet + 1]):
        t = planes.facet_triangles[i]
        px, py, pz = x - corner[t, 0], y - corner[t, 1], z - corner[t, 2]
        u = g[t, 0, 0] * px + g[t, 0, 1] * py + g[t, 0, 2] * pz
        v = g[t, 1, 0] * px + g[t, 1, 1] * py + g[t, 1, 2] * pz
        if u >= -EDGE_TOLERANCE and v >= -EDGE_TOLERANCE and u + v <= 1.0 + EDGE_TOLERANCE:
            return True
    return False


@njit(**INNER)
def facet_at(planes: Planes, plane: int, x: float, y: float, z: float) -> int:
    """Lowest-numbered facet of a plane that holds a point of that plane, or −1."""
    if not in_box(x, y, z, planes.low_m, planes.high_m, plane):
        return -1
    for i in range(planes.plane_start[plane], planes.plane_start[plane + 1]):
        facet = planes.plane_facets[i]
        if on_facet(planes, facet, x, y, z):
            return facet
    return -1


@njit(**INNER)
def lay_mirror(planes: Planes, plane: int, mirrors: FloatArray, i: int, k: int) -> None:
    """Write a plane's normal, offset and box, with a micrometre to spare, into ``mirrors[i, k]`` (MIRROR_NUMBERS,)."""
    for c in range(3):
        mirrors[i, k, c] = planes.normal[plane, c]
        mirrors[i, k, 4 + c] = planes.low_m[plane, c] - BOX_SLACK_M
        mirrors[i, k, 7 + c] = planes.high_m[plane, c] + BOX_SLACK_M
    mirrors[i, k, 3] = planes.offset_m[plane]


@njit(**INNER)
def walk_back(
    mirrors: FloatArray,
    images: FloatArray,
    i: int,
    depth: int,
    x: float,
    y: float,
    z: float,
    point: FloatArray,
) -> tuple[bool, bool]:
    """Reflection points from the receiver (x, y, z) back to the source, into ``point``; facets are not looked at.

    Parameters
    ----------
    mirrors : (N, D, MIRROR_NUMBERS) float64
        Of a sequence's planes in order, see ``lay_mirror``; the i-th sequence of several counts.
    images : (N, D + 1, 3) float64
        The source and its images.

    Returns
    -------
    good : bool
        Every point lies in the box of its plane, between the receiver's side and the image.
    corner : bool
        Two points fell together where two planes meet. Of the two orders of perpendicular walls rounding would then
        accept both or none, although the path exists once: ask again from beside the receiver.
    """
    for k in range(depth - 1, -1, -1):
        nx, ny, nz = mirrors[i, k, 0], mirrors[i, k, 1], mirrors[i, k, 2]
        vx, vy, vz = images[i, k + 1, 0] - x, images[i, k + 1, 1] - y, images[i, k + 1, 2] - z
        slope = nx * vx + ny * vy + nz * vz
        gap = mirrors[i, k, 3] - (nx * x + ny * y + nz * z)
        if k < depth - 1 and abs(gap) < CORNER_M:
            return False, True
        # The receiver side and the image must lie on opposite sides of the plane.
        if not (0.0 < gap < slope or slope < gap < 0.0):
            return False, False
        s = gap / slope
        x, y, z = x + s * vx, y + s * vy, z + s * vz
        # Without branches: any side of the box is as likely as the other.
        inside = (mirrors[i, k, 4] <= x) & (mirrors[i, k, 5] <= y) & (mirrors[i, k, 6] <= z)
        if not (inside & (x <= mirrors[i, k, 7]) & (y <= mirrors[i, k, 8]) & (z <= mirrors[i, k, 9])):
            return False, False
        point[k, 0], point[k, 1], point[k, 2] = x, y, z
    return True, False


@njit(**INNER)
def on_facets(planes: Planes, sequences: IntArray, i: int, depth: int, point: FloatArray, hit: IntArray) -> bool:
    """Whether every point of a way through planes ``sequences[i]`` lies on a facet; which, into ``hit``."""
    for k in range(depth - 1, -1, -1):
        hit[k] = facet_at(planes, sequences[i, k], point[k, 0], point[k, 1], point[k, 2])
        if hit[k] < 0:
            return False
    return True


@njit(**INNER)
def make_beam(planes: Planes, images: FloatArray, k: int, window: int, beams: FloatArray, b: int) -> None:
    """Write into ``beams[b]`` (5, 4) the sides of the light from image ``k`` through the rectangle of a plane.

    Four sides, the normals inward, and the window itself, its normal away from the image: a point is out of the beam
    when its product with any normal stays below the fourth number.
    """
    for j in range(4):
        ax = planes.window_m[window, j, 0] - images[k, 0]
        ay = planes.window_m[window, j, 1] - images[k, 1]
        az = planes.window_m[window, j, 2] - images[k, 2]
        bx = planes.window_m[window, (j + 1) % 4, 0] - images[k, 0]
        by = planes.window_m[window, (j + 1) % 4, 1] - images[k, 1]
        bz = planes.window_m[window, (j + 1) % 4, 2] - images[k, 2]
        sx, sy, sz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        inward = 0.0
        for c, s in ((0, sx), (1, sy), (2, sz)):
            inward += s * (planes.window_m[window, (j + 2) % 4, c] - images[k, c])
        slack = BEAM_SLACK_M * np.sqrt(sx * sx + sy * sy + sz * sz)
        if inward < 0.0:
            sx, sy, sz = -sx, -sy, -sz
        beams[b, j, 0], beams[b, j, 1], beams[b, j, 2] = sx, sy, sz
        beams[b, j, 3] = sx * images[k, 0] + sy * images[k, 1] + sz * images[k, 2] - slack
    side = 0.0
    for c in range(3):
        side += planes.normal[window, c] * images[k, c]
    side = 1.0 if side > planes.offset_m[window] else -1.0
    for c in range(3):
        beams[b, 4, c] = -side * planes.normal[window, c]
    beams[b, 4, 3] = -side * planes.offset_m[window] - BEAM_SLACK_M


@njit(**INNER)
def _in_beam(planes: Planes, images: FloatArray, k: int, beams: FloatArray, b: int, window: int, target: int) -> bool:
    """Whether light from image ``k`` in ``beams[b]`` through plane ``window`` may fall on plane ``target``.

    Never False where it does. The window must have a corner on the image's side of the target.
    """
    m, w = planes.normal, planes.window_m
    from_target = m[target, 0] * images[k, 0] + m[target, 1] * images[k, 1] + m[target, 2] * images[k, 2]
    other = 1.0 if from_target > planes.offset_m[target] else -1.0
    for j in range(4):
        height = m[target, 0] * w[window, j, 0] + m[target, 1] * w[window, j, 1] + m[target, 2] * w[window, j, 2]
        if other * (height - planes.offset_m[target]) > -BEAM_SLACK_M:
            return beam_meets(beams, b, w, target)
    return False


@njit(**INNER)
def beam_meets(beams: FloatArray, b: int, corners: FloatArray, hull: int) -> bool:
    """Whether a beam (``make_beam``) may meet the hull of ``corners[hull]`` (K, 3).

    Never False where it does: the hull is out of the beam when all its corners lie outside one of the beam's sides, or
    before its window.
    """
    for j in range(4, -1, -1):
        outside = True
        for i in range(corners.shape[1]):
            x, y, z = corners[hull, i, 0], corners[hull, i, 1], corners[hull, i, 2]
            if beams[b, j, 0] * x + beams[b, j, 1] * y + beams[b, j, 2] * z >= beams[b, j, 3]:
                outside = False
                break
        if outside:
            return False
    return True


@njit(**INNER)
def mirror_in(planes: Planes, images: FloatArray, k: int, plane: int) -> None:
    """Write the mirror image of ``images[k]`` (3,) in a plane into ``images[k + 1]``."""
    away = -planes.offset_m[plane]
    for c in range(3):
        away += planes.normal[plane, c] * images[k, c]
    for c in range(3):
        images[k + 1, c] = images[k, c] - 2.0 * away * planes.normal[plane, c]


@njit(nogil=True, cache=True)
def lit_planes(planes: Planes, source: FloatArray, sequences: IntArray, targets: IntArray) -> BoolArray:
    """Which of ``targets`` light from a source (3,) may fall on after each of N sequences (N, D), (N, targets)."""
    lit = np.zeros((len(sequences), len(targets)), dtype=np.bool_)
    depth = sequences.shape[1]
    image, beam = np.empty((depth + 1, 3)), np.empty((1, 5, 4))
    for c in range(3):
        image[0, c] = source[c]
    for i in range(len(sequences)):
        last = sequences[i, sequences.shape[1] - 1]
        for k in range(sequences.shape[1]):
            mirror_in(planes, image, k, sequences[i, k])
        make_beam(planes, image, depth, last, beam, 0)
        for q in range(len(targets)):
            lit[i, q] = targets[q] != last and _in_beam(planes, image, depth, beam, 0, last, targets[q])
    return lit


@njit(**INNER)
def _unfold(planes: Planes, beams: FloatArray, level: int, sequences: IntArray, i: int, depth: int) -> None:
    """Write into ``beams[0]`` what ``beams[level]`` becomes by mirroring in the planes of a sequence that follow."""
    for j in range(5):
        for c in range(4):
            beams[0, j, c] = beams[level, j, c]
    for k in range(level, depth):
        p = sequences[i, k]
        nx, ny, nz, offset = planes.normal[p, 0], planes.normal[p, 1], planes.normal[p, 2], planes.offset_m[p]
        for j in range(5):
            twice = 2.0 * (nx * beams[0, j, 0] + ny * beams[0, j, 1] + nz * beams[0, j, 2])
            beams[0, j, 0] -= twice * nx
            beams[0, j, 1] -= twice * ny
            beams[0, j, 2] -= twice * nz
            beams[0, j, 3] -= twice * offset


@njit(**INNER)
def _narrow(beams: FloatArray, b: int, places: FloatArray, inside: BoolArray) -> int:
    """Take the places (3, R) that are not in ``beams[b]`` out of ``inside`` (R,); how many are left.

    Nothing branches here, so that the processor looks at several places at a time.
    """
    a0, a1, a2, a3 = beams[b, 0, 0], beams[b, 0, 1], beams[b, 0, 2], beams[b, 0, 3]
    b0, b1, b2, b3 = beams[b, 1, 0], beams[b, 1, 1], beams[b, 1, 2], beams[b, 1, 3]
    c0, c1, c2, c3 = beams[b, 2, 0], beams[b, 2, 1], beams[b, 2, 2], beams[b, 2, 3]
    d0, d1, d2, d3 = beams[b, 3, 0], beams[b, 3, 1], beams[b, 3, 2], beams[b, 3, 3]
    e0, e1, e2, e3 = beams[b, 4, 0], beams[b, 4, 1], beams[b, 4, 2], beams[b, 4, 3]
    count = 0
    for r in range(len(inside)):
        x, y, z = places[0, r], places[1, r], places[2, r]
        inside[r] &= (
            (a0 * x + a1 * y + a2 * z >= a3)
            & (b0 * x + b1 * y + b2 * z >= b3)
            & (c0 * x + c1 * y + c2 * z >= c3)
            & (d0 * x + d1 * y + d2 * z >= d3)
            & (e0 * x + e1 * y + e2 * z >= e3)
        )
        count += inside[r]
    return count


@njit(**INNER)
def _seen_through(
    planes: Planes,
    beams: FloatArray,
    sequences: IntArray,
    i: int,
    depth: int,
    places: FloatArray,
    inside: BoolArray,
    chosen: IntArray,
) -> int:
    """Which of R places (3, R) light by way of a sequence may reach, never too few: their number, first in ``chosen``.

    What has come through the last window has come through all the windows before, seen in the mirrors between.

    Parameters
    ----------
    beams : (D + 1, 5, 4) float64
        Those of the sequence from 1 on; the first is room to work in.
    inside : (R,) bool
        Room to work in.
    chosen : (R + 1,) int32
    """
    for r in range(len(inside)):
        inside[r] = True
    left = _narrow(beams, depth, places, inside)
    for level in range(depth - 1, 0, -1):
        if left == 0:
            return 0
        _unfold(planes, beams, level, sequences, i, depth)
        left = _narrow(beams, 0, places, inside)
    count = 0
    for r in range(len(inside)):
        chosen[count] = r
        count += inside[r]
    return count


@njit(nogil=True, cache=True)
def specular_points(
    planes: Planes, source: FloatArray, receivers: FloatArray, sequences: IntArray, first: int, most: int
) -> tuple[int, int, IntArray, IntArray, FloatArray, IntArray]:
    """Specular paths from one source to R receivers over N sequences of planes, blockage not looked at.

    Parameters
    ----------
    source : (3,) float64, receivers : (R, 3) float64
    sequences : (N, D) int32
        Planes in the order of reflection from the source, padded with −1. Neighbours that begin alike cost less.
    first : int
        Sequence to begin with.
    most : int
        Room for so many answers, at least R.

    Returns
    -------
    count : int
        Number of paths.
    after : int
        Sequence to go on with, N when all are done.
    sequence, receiver : (most,) int32
    points_m : (most, D, 3) float64
    facet : (most, D) int32
    """
    depth_max = sequences.shape[1]
    out_sequence = np.empty(most, dtype=np.int32)
    out_receiver = np.empty(most, dtype=np.int32)
    out_points = np.empty((most, depth_max, 3))
    out_facet = np.empty((most, depth_max), dtype=np.int32)
    images, mirrors = np.empty((1, depth_max + 1, 3)), np.empty((1, depth_max, MIRROR_NUMBERS))
    point = np.zeros((depth_max, 3))
    hit = np.empty(depth_max, dtype=np.int32)
    beams = np.empty((depth_max + 1, 5, 4))  # from each image, 1 and on, through the plane it was mirrored in last
    places = np.ascontiguousarray(receivers.T)
    inside, chosen = np.empty(len(receivers), dtype=np.bool_), np.empty(len(receivers) + 1, dtype=np.int32)
    # Corners of a box round all receivers.
    around = np.empty((1, 8, 3))
    for c in range(3):
        images[0, 0, c] = source[c]
        for j in range(8):
            around[0, j, c] = places[c].max() if (j >> c) & 1 else places[c].min()
    image = images[0]
    found = 0
    mirrored = 0  # images up to here are those of the sequence before, all of its beams lit
    for i in range(first, len(sequences)):
        if found + len(receivers) > most:
            return found, i, out_sequence, out_receiver, out_points, out_facet
        kept = 0
        while kept < mirrored and sequences[i, kept] >= 0 and sequences[i, kept] == sequences[i - 1, kept]:
            kept += 1
        depth = kept
        lit = True
        while depth < depth_max and sequences[i, depth] >= 0:
            p = sequences[i, depth]
            if depth > 0 and not _in_beam(planes, image, depth, beams, depth, sequences[i, depth - 1], p):
                lit = False
                break
            mirror_in(planes, image, depth, p)
            lay_mirror(planes, p, mirrors, 0, depth)
            depth += 1
            make_beam(planes, image, depth, p, beams, depth)
        mirrored = depth
        if not lit or (depth > 0 and not beam_meets(beams, depth, around, 0)):
            continue
        count = len(receivers)
        if depth > 0:
            count = _seen_through(planes, beams, sequences, i, depth, places, inside, chosen)
        for q in range(count):
            r = chosen[q] if depth > 0 else q
            x, y, z = receivers[r, 0], receivers[r, 1], receivers[r, 2]
            good, corner = walk_back(mirrors, images, 0, depth, x, y, z, point)
            if corner:
                x, y, z = x + NUDGE_M[0], y + NUDGE_M[1], z + NUDGE_M[2]
                good, _ = walk_back(mirrors, images, 0, depth, x, y, z, point)
            if good and on_facets(planes, sequences, i, depth, point, hit):
                out_sequence[found] = i
                out_receiver[found] = r
                for k in range(depth_max):
                    out_facet[found, k] = hit[k] if k < depth else -1
                    for c in range(3):
                        out_points[found, k, c] = point[k, c]
                found += 1
    return found, len(sequences), out_sequence, out_receiver, out_points, out_facet
