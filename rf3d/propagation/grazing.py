"""Waves that graze an edge: the wave bent there must take the side on which the straight one was found.

The straight way is seen by the tracer in float32, the bent one's side is worked out in float64. Within rounding
of the boundary the two may disagree, as where antennas and the top of a wall have one height, and then half of
the wave comes twice or not at all.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rf3d.propagation.assembly import Setting
from rf3d.propagation.kernels.crossings import DIFFRACTION, REFLECTION
from rf3d.propagation.pathset import PathSet
from rf3d.units import FloatArray

GRAZING = 1e-6
"""Share of the scene's size within which the tracer may take the wrong side of an edge: a few steps of float32."""
_SAME_LENGTH_M = 1e-6
_LEAST_RAD = 1e-8


def on_the_side_seen(setting: Setting, found: PathSet, bent: PathSet) -> PathSet:
    """Paths over one edge, those that graze it turned by a hair to the side of the shadow boundary that was seen.

    Lit means that ``found`` has the same way without the bend, through neither face of the edge. Elsewhere
    nothing changes, nor do lengths, points and the angle to the edge anywhere.

    Parameters
    ----------
    found, bent : PathSet
        Of one transmitter: paths without and with edges.
    """
    edges, facets = setting.edges, setting.facets
    bends = np.bincount(bent.path_of_interaction, bent.kind == DIFFRACTION, minlength=bent.count)
    row = np.flatnonzero(bent.kind == DIFFRACTION)
    row = row[bends[bent.path_of_interaction[row]] == 1]
    path = bent.path_of_interaction[row]
    first = row == bent.start[path]
    before = np.where(first[:, None], bent.departure[path], bent.leaving[np.maximum(row - 1, 0)])
    there, on = bent.distance_m[row], bent.length_m[path] - bent.distance_m[row]
    aside = np.linalg.norm(bent.leaving[row] - before, axis=1) * there * on / np.maximum(there + on, 1e-300)
    leaving = bent.leaving.copy()
    for i in np.flatnonzero(aside < GRAZING * setting.scene.extent_m):
        e, p = bent.edge[row[i]], path[i]
        turn = _angle(edges.along[e], edges.normal[e], leaving[row[i]])
        turn -= _angle(edges.along[e], edges.normal[e], -before[i])
        own = bent.facet[bent.start[p] : bent.start[p + 1]]
        mirrors = own[bent.kind[bent.start[p] : bent.start[p + 1]] == REFLECTION]
        faces = facets.plane[[edges.facet_0[e], edges.facet_n[e]]]
        lit = False
        for q in np.flatnonzero(
            (found.receiver == bent.receiver[p]) & (np.abs(found.length_m - bent.length_m[p]) < _SAME_LENGTH_M)
        ):
            rows = slice(found.start[q], found.start[q + 1])
            bounced = found.kind[rows] == REFLECTION
            through = np.isin(facets.plane[found.facet[rows][~bounced]], faces).any()
            lit |= np.array_equal(found.facet[rows][bounced], mirrors) and not through
        past = abs(turn) - np.pi
        wanted = (-1.0 if lit else 1.0) * max(abs(past), _LEAST_RAD)
        angle = np.sign(turn) * (wanted - past)
        axis = edges.axis[e]
        leaving[row[i]] += angle * np.cross(axis, leaving[row[i]])
    return replace(bent, leaving=leaving)


def _angle(along: FloatArray, normal: FloatArray, way: FloatArray) -> float:
    """Angle of a direction about an edge, from face 0."""
    return float(np.arctan2(way @ normal, way @ along)) % (2.0 * np.pi)
