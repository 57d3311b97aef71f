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


@njit(nogil=True, cache=True)
def in_box(x: float, y: float, z: float, low: FloatArray, high: FloatArray) -> bool:
    """Whether a point lies in an axis-aligned box, with a micrometre to spare."""
    slack = BOX_SLACK_M
    return (
        low[0] - slack <= x <= high[0] + slack
        and low[1] - slack <= y <= high[1] + slack
        and low[2] - slack <= z <= high[2] + slack
    )


@njit(**INNER)
def on_facet(planes: Planes, facet: int, x: float, y: float, z: float) -> bool:
    """Whether a point in the plane of a facet lies on it."""
    # Element by element: rows taken out of an array are counted references, which threads would fight over.
    low, high, slack = planes.facet_low_m, planes.facet_high_m, BOX_SLACK_M
    if x < low[facet, 0] - slack or y < low[facet, 1] - slack or z < low[facet, 2] - slack:
        return False
    if x > high[facet, 0] + slack or y > high[facet, 1] + slack or z > high[facet, 2] + slack:
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


@njit(nogil=True, cache=True)
def facet_at(planes: Planes, plane: int, x: float, y: float, z: float) -> int:
    """Lowest-numbered facet of a plane that holds a point of that plane, or −1."""
    if not in_box(x, y, z, planes.low_m[plane], planes.high_m[plane]):
        return -1
    for i in range(planes.plane_start[plane], planes.plane_start[plane + 1]):
        facet = planes.plane_facets[i]
        if on_facet(planes, facet, x, y, z):
            return facet
    return -1


@njit(nogil=True, cache=True)
def walk_back(
    planes: Planes,
    image: FloatArray,
    sequence: IntArray,
    depth: int,
    x: float,
    y: float,
    z: float,
    point: FloatArray,
    hit: IntArray,
) -> tuple[bool, bool]:
    """Reflection points from the receiver (x, y, z) back to the source, into ``point`` and ``hit``.

    Returns
    -------
    good : bool
        Every point lies on a facet, between the receiver's side and the image.
    corner : bool
        Two points fell together where two planes meet. Of the two orders of perpendicular walls rounding would then
        accept both or none, although the path exists once: ask again from beside the receiver.
    """
    for k in range(depth - 1, -1, -1):
        p = sequence[k]
        n = planes.normal[p]
        vx, vy, vz = image[k + 1, 0] - x, image[k + 1, 1] - y, image[k + 1, 2] - z
        slope = n[0] * vx + n[1] * vy + n[2] * vz
        gap = planes.offset_m[p] - (n[0] * x + n[1] * y + n[2] * z)
        if k < depth - 1 and abs(gap) < CORNER_M:
            return False, True
        # The receiver side and the image must lie on opposite sides of the plane.
        if not (0.0 < gap < slope or slope < gap < 0.0):
            return False, False
        s = gap / slope
        x, y, z = x + s * vx, y + s * vy, z + s * vz
        if not in_box(x, y, z, planes.low_m[p], planes.high_m[p]):
            return False, False
        point[k, 0], point[k, 1], point[k, 2] = x, y, z
    # Facets last: most sequences have failed by now.
    for k in range(depth - 1, -1, -1):
        hit[k] = facet_at(planes, sequence[k], point[k, 0], point[k, 1], point[k, 2])
        if hit[k] < 0:
            return False, False
    return True, False


@njit(nogil=True, cache=True)
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


@njit(nogil=True, cache=True)
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


@njit(nogil=True, cache=True)
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


@njit(nogil=True, cache=True)
def lit_planes(planes: Planes, source: FloatArray, sequences: IntArray, targets: IntArray) -> BoolArray:
    """Which of ``targets`` light from a source (3,) may fall on after each of N sequences (N, D), (N, targets)."""
    lit = np.zeros((len(sequences), len(targets)), dtype=np.bool_)
    image, beam = np.empty((1, 3)), np.empty((1, 5, 4))
    for i in range(len(sequences)):
        for c in range(3):
            image[0, c] = source[c]
        last = sequences[i, sequences.shape[1] - 1]
        for k in range(sequences.shape[1]):
            p = sequences[i, k]
            away = -planes.offset_m[p]
            for c in range(3):
                away += planes.normal[p, c] * image[0, c]
            for c in range(3):
                image[0, c] -= 2.0 * away * planes.normal[p, c]
        make_beam(planes, image, 0, last, beam, 0)
        for q in range(len(targets)):
            lit[i, q] = targets[q] != last and _in_beam(planes, image, 0, beam, 0, last, targets[q])
    return lit


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
    image = np.empty((depth_max + 1, 3))
    point = np.zeros((depth_max, 3))
    hit = np.empty(depth_max, dtype=np.int32)
    away = np.zeros(depth_max)
    beams = np.empty((depth_max + 1, 5, 4))  # from each image through the plane it was mirrored in last
    # Signed distance of every receiver from every plane: most sequences fail on the last bounce's side or box alone.
    height = np.empty((len(planes.normal), len(receivers)))
    for p in range(len(planes.normal)):
        n = planes.normal[p]
        for r in range(len(receivers)):
            dot = n[0] * receivers[r, 0] + n[1] * receivers[r, 1] + n[2] * receivers[r, 2]
            height[p, r] = dot - planes.offset_m[p]
    # Corners of a box round all receivers.
    around = np.empty((1, 8, 3))
    for c in range(3):
        image[0, c] = source[c]
        for j in range(8):
            around[0, j, c] = receivers[:, c].max() if (j >> c) & 1 else receivers[:, c].min()
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
            n = planes.normal[p]
            away[depth] = n[0] * image[depth, 0] + n[1] * image[depth, 1] + n[2] * image[depth, 2] - planes.offset_m[p]
            for c in range(3):
                image[depth + 1, c] = image[depth, c] - 2.0 * away[depth] * n[c]
            depth += 1
            make_beam(planes, image, depth, p, beams, depth)
        mirrored = depth
        if not lit or (depth > 0 and not beam_meets(beams, depth, around, 0)):
            continue
        for r in range(len(receivers)):
            x, y, z = receivers[r, 0], receivers[r, 1], receivers[r, 2]
            if depth > 0:
                p = sequences[i, depth - 1]
                if height[p, r] * away[depth - 1] <= 0.0:
                    continue
                s = height[p, r] / (height[p, r] + away[depth - 1])
                at_x = x + s * (image[depth, 0] - x)
                at_y = y + s * (image[depth, 1] - y)
                at_z = z + s * (image[depth, 2] - z)
                if not in_box(at_x, at_y, at_z, planes.low_m[p], planes.high_m[p]):
                    continue
            good, corner = walk_back(planes, image, sequences[i], depth, x, y, z, point, hit)
            if corner:
                x, y, z = x + NUDGE_M[0], y + NUDGE_M[1], z + NUDGE_M[2]
                good, _ = walk_back(planes, image, sequences[i], depth, x, y, z, point, hit)
            if good:
                out_sequence[found] = i
                out_receiver[found] = r
                for k in range(depth_max):
                    out_facet[found, k] = hit[k] if k < depth else -1
                    for c in range(3):
                        out_points[found, k, c] = point[k, c]
                found += 1
    return found, len(sequences), out_sequence, out_receiver, out_points, out_facet
