"""Ways over one edge with two reflections: before it, after it, or one on either side."""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.bends import NEAREST_M, Bends, about_edge, estimate
from rf3d.propagation.kernels.images import (
    MIRROR_NUMBERS,
    Planes,
    beam_meets,
    lay_mirror,
    make_beam,
    on_facets,
    walk_back,
)
from rf3d.units import BoolArray, FloatArray, IntArray


@njit(nogil=True, cache=True)
def bent_ways_between(
    planes: Planes,
    bends: Bends,
    images_a: FloatArray,
    turns_a: IntArray,
    images_b: FloatArray,
    turns_b: IntArray,
    chosen: IntArray,
    wavenumber: float,
    least: float,
    most: int,
) -> tuple[int, IntArray, FloatArray, FloatArray, IntArray]:
    """Ways over one edge between images of one end and images of the other.

    Keller's cone as in ``bends.bent_ways``, between two images; then the bounces are walked back on either side.

    Parameters
    ----------
    images_a : (A, D + 1, 3) float64, images_b : (B, D + 1, 3) float64
        The end itself, then its images one after the other.
    turns_a : (A, D) int32, turns_b : (B, D) int32
        Planes mirrored in, counted from the end; −1 beyond their number.
    chosen : (K,) int32
        Edges to try.
    least : float
        Estimates below this are left out, 1/m.

    Returns
    -------
    count : int
        Ways found; when it exceeds ``most`` the lists hold the first ``most``.
    edge : (most,) int32
    estimate : (most,) float64
        As that of ``bends.bent_ways``: what the bounces take is not in it.
    point_m : (most, 2·D + 1, 3) float64, facet : (most, 2·D + 1) int32
        Bounces counted from end a, those counted from end b, and last the point of the edge.
    """
    deep = turns_a.shape[1]
    edge = np.empty(most, dtype=np.int32)
    size = np.empty(most)
    point = np.zeros((most, 2 * deep + 1, 3))
    facet = np.full((most, 2 * deep + 1), -1, dtype=np.int32)
    walked_a, walked_b = np.zeros((deep, 3)), np.zeros((deep, 3))
    hit_a, hit_b = np.empty(deep, dtype=np.int32), np.empty(deep, dtype=np.int32)
    lit_a, lit_b = _lit(planes, bends, images_a, turns_a, chosen), _lit(planes, bends, images_b, turns_b, chosen)
    mirrors_a, mirrors_b = _mirrors(planes, turns_a), _mirrors(planes, turns_b)
    start, axis, length = bends.start_m, bends.axis, bends.length_m
    # The last images of end b about every edge: along it, away from it, its angle.
    about = np.empty((len(images_b), 3))
    found = 0
    for k in range(len(chosen)):
        e = chosen[k]
        for b in range(len(images_b)):
            if lit_b[b, k]:
                last = _depth(turns_b, b)
                z, u, v = about_edge(bends, e, images_b[b, last, 0], images_b[b, last, 1], images_b[b, last, 2])
                about[b, 0], about[b, 1], about[b, 2] = z, np.sqrt(u * u + v * v), np.arctan2(v, u) % (2.0 * np.pi)
                lit_b[b, k] = about[b, 1] >= 1e-6 and about[b, 2] <= bends.n[e] * np.pi
        if not lit_b[:, k].any():
            continue
        for a in range(len(images_a)):
            if not lit_a[a, k]:
                continue
            depth_a = _depth(turns_a, a)
            z_a, u, v = about_edge(bends, e, images_a[a, depth_a, 0], images_a[a, depth_a, 1], images_a[a, depth_a, 2])
            r_a = np.sqrt(u * u + v * v)
            phi = np.arctan2(v, u) % (2.0 * np.pi)
            if r_a < 1e-6 or phi > bends.n[e] * np.pi:
                continue
            for b in range(len(images_b)):
                if not lit_b[b, k]:
                    continue
                z_b, r_b = about[b, 0], about[b, 1]
                z = z_a + (z_b - z_a) * r_a / (r_a + r_b)
                if z < 0.0 or z > length[e]:
                    continue
                s_a, s_b = np.hypot(r_a, z - z_a), np.hypot(r_b, z_b - z)
                strong = estimate(bends, e, phi, about[b, 2], r_a / s_a, s_a, s_b, wavenumber)
                if strong < least:
                    continue
                x, y, w = start[e, 0] + z * axis[e, 0], start[e, 1] + z * axis[e, 1], start[e, 2] + z * axis[e, 2]
                depth_b = _depth(turns_b, b)
                if _beside(planes, turns_a, a, depth_a, x, y, w) or _beside(planes, turns_b, b, depth_b, x, y, w):
                    continue
                good, _ = walk_back(mirrors_a, images_a, a, depth_a, x, y, w, walked_a)
                if not good or not on_facets(planes, turns_a, a, depth_a, walked_a, hit_a):
                    continue
                good, _ = walk_back(mirrors_b, images_b, b, depth_b, x, y, w, walked_b)
                if not good or not on_facets(planes, turns_b, b, depth_b, walked_b, hit_b):
                    continue
                if found < most:
                    edge[found], size[found] = e, strong
                    for i in range(depth_a):
                        facet[found, i] = hit_a[i]
                        for c in range(3):
                            point[found, i, c] = walked_a[i, c]
                    for i in range(depth_b):
                        facet[found, deep + i] = hit_b[i]
                        for c in range(3):
                            point[found, deep + i, c] = walked_b[i, c]
                    point[found, 2 * deep, 0], point[found, 2 * deep, 1], point[found, 2 * deep, 2] = x, y, w
                found += 1
    return found, edge, size, point, facet


@njit(**INNER)
def _beside(planes: Planes, turns: IntArray, i: int, depth: int, x: float, y: float, z: float) -> bool:
    """Whether a point of an edge lies in the mirror next to it: then it is an edge of the mirror's own."""
    if depth == 0:
        return False
    p = turns[i, depth - 1]
    height = planes.normal[p, 0] * x + planes.normal[p, 1] * y + planes.normal[p, 2] * z - planes.offset_m[p]
    return abs(height) < NEAREST_M


@njit(nogil=True, cache=True)
def _lit(planes: Planes, bends: Bends, images: FloatArray, turns: IntArray, chosen: IntArray) -> BoolArray:
    """Which edges (A, K) some light from each image may fall on."""
    ends = np.empty((len(chosen), 2, 3))
    for k in range(len(chosen)):
        for c in range(3):
            ends[k, 0, c] = bends.start_m[chosen[k], c]
            ends[k, 1, c] = ends[k, 0, c] + bends.length_m[chosen[k]] * bends.axis[chosen[k], c]
    lit = np.ones((len(images), len(chosen)), dtype=np.bool_)
    beam = np.empty((1, 5, 4))
    for a in range(len(images)):
        depth = _depth(turns, a)
        if depth > 0:
            make_beam(planes, images[a], depth, turns[a, depth - 1], beam, 0)
            for k in range(len(chosen)):
                lit[a, k] = beam_meets(beam, 0, ends, k)
    return lit


@njit(nogil=True, cache=True)
def _mirrors(planes: Planes, turns: IntArray) -> FloatArray:
    """The mirrors of every image (A, D, MIRROR_NUMBERS), see ``images.lay_mirror``."""
    mirrors = np.empty((turns.shape[0], turns.shape[1], MIRROR_NUMBERS))
    for a in range(len(turns)):
        for k in range(_depth(turns, a)):
            lay_mirror(planes, turns[a, k], mirrors, a, k)
    return mirrors


@njit(**INNER)
def _depth(turns: IntArray, i: int) -> int:
    depth = 0
    while depth < turns.shape[1] and turns[i, depth] >= 0:
        depth += 1
    return depth
