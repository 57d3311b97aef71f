"""Mirror images: which sequences of planes give a specular path between two points.

Mirror the transmitter in one plane after the other, then walk back from the receiver and
see whether each reflection point lies on a facet. All of it in float64.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from rf3d.units import FloatArray, IntArray
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene

EDGE_TOLERANCE = 1e-9
"""Slack of the point-in-triangle test in barycentric units: a point on a seam belongs to a side."""
CORNER_M = 1e-9
"""Two reflection points nearer than this to each other's planes are one point, in the corner between walls."""
NUDGE_M = (4e-7, 1.1e-6, 3.1e-6)
"""Shift of the receiver that tells the order of walls in a corner; path lengths change by its square over a leg."""


class Planes(NamedTuple):
    """What the kernels need of a scene's facets, as plain arrays (see Facets)."""

    normal: FloatArray
    offset_m: FloatArray
    low_m: FloatArray
    high_m: FloatArray
    plane_start: IntArray
    plane_facets: IntArray
    facet_low_m: FloatArray
    facet_high_m: FloatArray
    facet_start: IntArray
    facet_triangles: IntArray
    corners_m: FloatArray


def make_planes(scene: Scene, facets: Facets) -> Planes:
    """Lay out planes, facets and triangles for the kernels."""
    low = np.minimum.reduceat(facets.bounds_m[facets.plane_facets, 0], facets.plane_start[:-1], axis=0)
    high = np.maximum.reduceat(facets.bounds_m[facets.plane_facets, 1], facets.plane_start[:-1], axis=0)
    return Planes(
        facets.normal, facets.offset_m, low, high, facets.plane_start, facets.plane_facets,
        np.ascontiguousarray(facets.bounds_m[:, 0]), np.ascontiguousarray(facets.bounds_m[:, 1]),
        facets.facet_start, facets.facet_triangles, scene.corners_m,
    )  # fmt: skip


@njit(nogil=True, cache=True)
def in_box(x: float, y: float, z: float, low: FloatArray, high: FloatArray) -> bool:
    """Whether a point lies in an axis-aligned box, with a micrometre to spare."""
    slack = 1e-6
    return (
        low[0] - slack <= x <= high[0] + slack
        and low[1] - slack <= y <= high[1] + slack
        and low[2] - slack <= z <= high[2] + slack
    )


@njit(nogil=True, cache=True)
def on_triangle(x: float, y: float, z: float, corner: FloatArray) -> bool:
    """Whether a point in the plane of a triangle (3, 3) lies on it."""
    ax, ay, az = corner[0, 0], corner[0, 1], corner[0, 2]
    e1x, e1y, e1z = corner[1, 0] - ax, corner[1, 1] - ay, corner[1, 2] - az
    e2x, e2y, e2z = corner[2, 0] - ax, corner[2, 1] - ay, corner[2, 2] - az
    px, py, pz = x - ax, y - ay, z - az
    d11 = e1x * e1x + e1y * e1y + e1z * e1z
    d12 = e1x * e2x + e1y * e2y + e1z * e2z
    d22 = e2x * e2x + e2y * e2y + e2z * e2z
    p1 = px * e1x + py * e1y + pz * e1z
    p2 = px * e2x + py * e2y + pz * e2z
    det = d11 * d22 - d12 * d12
    u = (d22 * p1 - d12 * p2) / det
    v = (d11 * p2 - d12 * p1) / det
    return u >= -EDGE_TOLERANCE and v >= -EDGE_TOLERANCE and u + v <= 1.0 + EDGE_TOLERANCE


@njit(nogil=True, cache=True)
def on_facet(planes: Planes, facet: int, x: float, y: float, z: float) -> bool:
    """Whether a point in the plane of a facet lies on it."""
    if not in_box(x, y, z, planes.facet_low_m[facet], planes.facet_high_m[facet]):
        return False
    for i in range(planes.facet_start[facet], planes.facet_start[facet + 1]):
        if on_triangle(x, y, z, planes.corners_m[planes.facet_triangles[i]]):
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
def _walk_back(
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
        hit[k] = facet_at(planes, p, x, y, z)
        if hit[k] < 0:
            return False, False
        point[k, 0], point[k, 1], point[k, 2] = x, y, z
    return True, False


@njit(nogil=True, cache=True)
def specular_points(
    planes: Planes, source: FloatArray, receivers: FloatArray, sequences: IntArray, most: int
) -> tuple[int, IntArray, IntArray, FloatArray, IntArray]:
    """Specular paths from one source to R receivers over N sequences of planes, blockage not looked at.

    Parameters
    ----------
    source : (3,) float64, receivers : (R, 3) float64
    sequences : (N, D) int32
        Planes in the order of reflection from the source, padded with −1.
    most : int
        Room for so many answers.

    Returns
    -------
    count : int
        Number of paths; when it exceeds ``most`` the lists hold the first ``most`` only.
    sequence, receiver : (most,) int32
    points_m : (most, D, 3) float64
    facet : (most, D) int32
    """
    depth_max = sequences.shape[1]
    out_sequence = np.empty(most, dtype=np.int32)
    out_receiver = np.empty(most, dtype=np.int32)
    out_points = np.zeros((most, depth_max, 3))
    out_facet = np.full((most, depth_max), -1, dtype=np.int32)
    image = np.empty((depth_max + 1, 3))
    point = np.empty((depth_max, 3))
    hit = np.empty(depth_max, dtype=np.int32)
    # Signed distance of every receiver from every plane: most sequences fail on the last bounce's side or box alone.
    height = np.empty((len(planes.normal), len(receivers)))
    for p in range(len(planes.normal)):
        n = planes.normal[p]
        for r in range(len(receivers)):
            dot = n[0] * receivers[r, 0] + n[1] * receivers[r, 1] + n[2] * receivers[r, 2]
            height[p, r] = dot - planes.offset_m[p]
    found = 0
    for i in range(len(sequences)):
        depth = 0
        away = 0.0
        for c in range(3):
            image[0, c] = source[c]
        while depth < depth_max and sequences[i, depth] >= 0:
            p = sequences[i, depth]
            n = planes.normal[p]
            away = n[0] * image[depth, 0] + n[1] * image[depth, 1] + n[2] * image[depth, 2] - planes.offset_m[p]
            for c in range(3):
                image[depth + 1, c] = image[depth, c] - 2.0 * away * n[c]
            depth += 1
        for r in range(len(receivers)):
            x, y, z = receivers[r, 0], receivers[r, 1], receivers[r, 2]
            if depth > 0:
                p = sequences[i, depth - 1]
                if height[p, r] * away <= 0.0:
                    continue
                s = height[p, r] / (height[p, r] + away)
                at_x = x + s * (image[depth, 0] - x)
                at_y = y + s * (image[depth, 1] - y)
                at_z = z + s * (image[depth, 2] - z)
                if not in_box(at_x, at_y, at_z, planes.low_m[p], planes.high_m[p]):
                    continue
            good, corner = _walk_back(planes, image, sequences[i], depth, x, y, z, point, hit)
            if corner:
                x, y, z = x + NUDGE_M[0], y + NUDGE_M[1], z + NUDGE_M[2]
                good, _ = _walk_back(planes, image, sequences[i], depth, x, y, z, point, hit)
            if good:
                if found < most:
                    out_sequence[found] = i
                    out_receiver[found] = r
                    for k in range(depth):
                        out_facet[found, k] = hit[k]
                        for c in range(3):
                            out_points[found, k, c] = point[k, c]
                found += 1
    return found, out_sequence, out_receiver, out_points, out_facet
