"""Bounces off a wall where a solid stands against it: into the solid, off the wall, and out again.

The two legs know of half the way through the solid each. Here the halves are put together, the wall behind the
solid's own face is named, and what is no bounce off something else is told apart.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, PARALLEL_COS, STANDING, Bodies
from rf3d.propagation.kernels.images import Planes, on_facet
from rf3d.units import BoolArray, FloatArray, IntArray


class Walls(NamedTuple):
    """Walls passed on the legs of paths: W rows as of ``walls_passed``, and the leg of each."""

    leg: IntArray
    kind: IntArray
    facet: IntArray
    part: IntArray
    depth_m: FloatArray


def join_at_bounces(
    planes: Planes, bodies: Bodies, walls: Walls, *, path: IntArray, turn: IntArray, facet: IntArray, points: FloatArray
) -> tuple[Walls, IntArray, BoolArray]:
    """Make the ways into and out of a body with a bounce between them the two faces of one oblique body.

    Where the wall's material is that of the body there is nothing to bounce off, and where the body's face is parallel
    to the wall the bounce is one within a layered wall: such paths are left out, as are those that enter and never
    leave.

    Parameters
    ----------
    path, turn : (L,) int
        Path of every leg, and the turn that it leads to, in order along each path.
    facet : (C, D) int32
        Facet that each path bounces off at each turn, −1 elsewhere.
    points : (C, D, 3) float64

    Returns
    -------
    walls : Walls
        Without STANDING rows in the paths that stay.
    facet : (C, D) int32
        With the wall in place of the body's own face that lies on it.
    wrong : (C,) bool
        Paths to be left out.
    """
    wrong = np.zeros(len(facet), dtype=bool)
    rows = np.flatnonzero(walls.kind == STANDING)
    if len(rows) == 0:
        return walls, facet, wrong
    facet, kind, part, depth = facet.copy(), walls.kind.copy(), walls.part.copy(), walls.depth_m.copy()
    into, out = rows[depth[rows] > 0.0], rows[depth[rows] < 0.0]
    into = into[np.bincount(walls.leg[into], minlength=len(path))[walls.leg[into]] == 1]
    leaves = np.full(len(path) + 1, -1)
    leaves[walls.leg[out]] = out
    into = into[leaves[walls.leg[into] + 1] >= 0]
    out = leaves[walls.leg[into] + 1]
    p, t = path[walls.leg[into]], turn[walls.leg[into]]
    pairs = (path[walls.leg[out]] == p) & (bodies.material[walls.facet[into]] == bodies.material[walls.facet[out]])
    pairs &= facet[p, t] >= 0
    into, out, p, t = into[pairs], out[pairs], p[pairs], t[pairs]
    wall = facet[p, t]
    for i in np.flatnonzero(bodies.object[wall] == bodies.object[walls.facet[into]]):
        for g in bodies.twins[bodies.twin_start[wall[i]] : bodies.twin_start[wall[i] + 1]]:
            if bodies.object[g] != bodies.object[wall[i]] and on_facet(planes, g, *points[p[i], t[i]]):
                wall[i] = g
                break
    normal = planes.normal[bodies.plane[wall]]
    real = bodies.object[wall] != bodies.object[walls.facet[into]]
    real &= bodies.material[wall] != bodies.material[walls.facet[into]]
    for face in (into, out):
        cosine = np.einsum("bi,bi->b", normal, planes.normal[bodies.plane[walls.facet[face]]])
        real &= np.abs(cosine) < PARALLEL_COS
    into, out = into[real], out[real]
    facet[p[real], t[real]] = wall[real]
    chord, which = depth[into] - depth[out], np.minimum(part[into], part[out])
    for face in (into, out):
        kind[face], depth[face], part[face] = OBLIQUE_FACE, chord, which
    left = rows[kind[rows] == STANDING]
    wrong[path[walls.leg[left]]] = True
    return walls._replace(kind=kind, part=part, depth_m=depth), facet, wrong
