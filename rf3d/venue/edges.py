"""Edges of the venue that can bend a wave: where faces end, or meet at an outward angle.

Every line where facets end is looked at once: the faces that meet there cut the space round
it into sectors, and each sector wider than a half-turn is a wedge. Seams of a tessellation,
inside corners and gentle bends of a curved surface are not edges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.units import FloatArray, IntArray, read_only
from rf3d.venue.facets import WELD_M, Facets

LEAST_BEND_RAD = np.radians(25.0)
"""A bend flatter than this belongs to a curved surface, not to an edge."""
_SAME_FACE_RAD = 1e-3
_SAME_LINE_M = 1e-3


@dataclass(frozen=True, eq=False)
class Edges:
    """E wedges; local coordinates.

    Attributes
    ----------
    ends_m : (E, 2, 3) float64
    axis : (E, 3) float64
        Unit vector along the edge, such that angles grow from face 0 counter-clockwise about it.
    along, normal : (E, 3) float64
        Unit vectors from the edge into face 0, and square to face 0 into the free sector.
    n : (E,) float64
        Free angle over π, above 1 and up to 2.
    facet_0, facet_n : (E,) int32
        The faces; the same one at the free edge of a sheet.
    """

    ends_m: FloatArray
    axis: FloatArray
    along: FloatArray
    normal: FloatArray
    n: FloatArray
    facet_0: IntArray
    facet_n: IntArray

    @property
    def count(self) -> int:
        """Number of wedges."""
        return len(self.n)

    def take(self, chosen: IntArray) -> Edges:
        """The wedges with numbers ``chosen``."""
        return Edges(
            self.ends_m[chosen], self.axis[chosen], self.along[chosen], self.normal[chosen], self.n[chosen],
            self.facet_0[chosen], self.facet_n[chosen],
        )  # fmt: skip


def find_edges(facets: Facets) -> Edges:
    """All wedges of a scene whose free sector exceeds a half-turn by at least ``LEAST_BEND_RAD``."""
    facet = np.repeat(np.arange(facets.count), np.diff(facets.edge_start))
    a, b = facets.edges_m[:, 0], facets.edges_m[:, 1]
    side = b - a
    size = np.linalg.norm(side, axis=1)
    # Outlines run counter-clockwise about the plane's normal, so the facet lies to the left of each side.
    inward = np.cross(facets.normal[facets.plane[facet]], side)
    key = np.round(facets.edges_m / WELD_M).astype(np.int64)
    swap = _precedes(key[:, 1], key[:, 0])
    key[swap] = key[swap][:, ::-1]
    long = size > 10 * WELD_M
    rows = np.flatnonzero(long)
    _, line = np.unique(key[rows].reshape(len(rows), 6), axis=0, return_inverse=True)
    line = line.reshape(-1)
    # One frame for all faces of a line: axis along the first side seen, angles about it.
    order = np.argsort(line, kind="stable")
    rows, line = rows[order], line[order]
    first = np.flatnonzero(np.append(True, line[1:] != line[:-1]))
    head = np.repeat(first, np.diff(np.append(first, len(rows))))
    axis = side[rows[head]] / size[rows[head]][:, None]
    zero = inward[rows[head]] / np.linalg.norm(inward[rows[head]], axis=1)[:, None]
    up = np.cross(axis, zero)
    angle = np.arctan2((inward[rows] * up).sum(1), (inward[rows] * zero).sum(1)) % (2 * np.pi)
    angle[2 * np.pi - angle < _SAME_FACE_RAD] = 0.0
    order = np.lexsort((facet[rows], angle, line))
    rows, line, angle, axis, up = rows[order], line[order], angle[order], axis[order], up[order]
    distinct = np.append(True, (line[1:] != line[:-1]) | (angle[1:] - angle[:-1] > _SAME_FACE_RAD))
    rows, line, angle, axis, up = rows[distinct], line[distinct], angle[distinct], axis[distinct], up[distinct]
    first = np.flatnonzero(np.append(True, line[1:] != line[:-1])) if len(line) else np.zeros(0, dtype=int)
    count = np.diff(np.append(first, len(rows)))
    follower = np.arange(1, len(rows) + 1)
    follower[first + count - 1] = first  # the last face of a line is followed by its first
    gap = (angle[follower] - angle) % (2 * np.pi)
    gap[follower == np.arange(len(rows))] = 2 * np.pi
    wide = np.flatnonzero(gap > np.pi + LEAST_BEND_RAD)
    along = inward[rows[wide]] / np.linalg.norm(inward[rows[wide]], axis=1)[:, None]
    pieces = Edges(
        ends_m=facets.edges_m[rows[wide]],
        axis=axis[wide],
        along=along,
        normal=np.cross(axis[wide], along),
        n=np.minimum(gap[wide] / np.pi, 2.0),
        facet_0=facet[rows[wide]].astype(np.int32),
        facet_n=facet[rows[follower[wide]]].astype(np.int32),
    )
    return _joined(pieces)


def _joined(pieces: Edges) -> Edges:
    """Pieces of one straight edge between the same two faces as one edge, however finely it was cut."""
    if pieces.count == 0:
        return pieces
    t = np.einsum("eki,ei->ek", pieces.ends_m, pieces.axis)
    t.sort(axis=1)
    foot = pieces.ends_m[:, 0] - np.einsum("ei,ei->e", pieces.ends_m[:, 0], pieces.axis)[:, None] * pieces.axis
    line = np.concatenate([np.round(pieces.axis / _SAME_FACE_RAD), np.round(foot / _SAME_LINE_M)], axis=1)
    # Two faces meet in one line; only the outline of a single sheet runs along several.
    line[pieces.facet_0 != pieces.facet_n] = 0.0
    key = np.concatenate([pieces.facet_0[:, None], pieces.facet_n[:, None], line], axis=1)
    _, group = np.unique(key, axis=0, return_inverse=True)
    order = np.lexsort((t[:, 0], group.reshape(-1)))
    group, t = group.reshape(-1)[order], t[order]
    apart = (group[1:] != group[:-1]) | (t[1:, 0] > t[:-1, 1] + 10 * WELD_M)
    first = np.flatnonzero(np.append(True, apart))
    head = order[first]
    low, high = np.minimum.reduceat(t[:, 0], first), np.maximum.reduceat(t[:, 1], first)
    ends = foot[head][:, None] + np.stack([low, high], axis=1)[:, :, None] * pieces.axis[head][:, None]
    whole = pieces.take(head)
    return Edges(
        ends_m=read_only(ends), axis=read_only(whole.axis), along=read_only(whole.along),
        normal=read_only(whole.normal), n=read_only(whole.n), facet_0=read_only(whole.facet_0),
        facet_n=read_only(whole.facet_n),
    )  # fmt: skip


def _precedes(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Whether point a (N, 3) comes before point b in lexicographic order."""
    less, equal = np.zeros(len(a), dtype=bool), np.ones(len(a), dtype=bool)
    for i in range(a.shape[1]):
        less |= equal & (a[:, i] < b[:, i])
        equal &= a[:, i] == b[:, i]
    return less
