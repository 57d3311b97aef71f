"""Edges of the venue that can bend a wave: where faces end, or meet at an outward angle.

Every line where facets end is looked at once: the faces that meet there cut the space round
it into sectors, and each sector wider than a half-turn is a wedge. Seams of a tessellation,
inside corners and gentle bends of a curved surface are not edges. Faces that meet along a
line without sharing its ends, as sheets butted together do, meet there all the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rf3d.units import FloatArray, IntArray, read_only
from rf3d.venue.facets import Facets
from rf3d.venue.outlines import WELD_M

LEAST_BEND_RAD = np.radians(25.0)
"""A bend flatter than this belongs to a curved surface, not to an edge."""
_SAME_FACE_RAD = 1e-3
_SAME_LINE_M = 1e-3
_BUTTED_M = 2e-3
"""Borders nearer than this along their length lie on one line."""
_BUTTED_OVER_M = 20.0
"""Length over which two directions may part by that much."""


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
    cut, ends, line = _cut(facets.edges_m[rows], facet[rows], np.asarray(line.reshape(-1)))
    rows = rows[cut]
    # One frame for all faces of a line: axis along the first side seen, angles about it.
    order = np.argsort(line, kind="stable")
    rows, ends, line = rows[order], ends[order], line[order]
    first = np.flatnonzero(np.append(True, line[1:] != line[:-1]))
    head = np.repeat(first, np.diff(np.append(first, len(rows))))
    axis = side[rows[head]] / size[rows[head]][:, None]
    zero = inward[rows[head]] / np.linalg.norm(inward[rows[head]], axis=1)[:, None]
    up = np.cross(axis, zero)
    angle = np.arctan2((inward[rows] * up).sum(1), (inward[rows] * zero).sum(1)) % (2 * np.pi)
    angle[2 * np.pi - angle < _SAME_FACE_RAD] = 0.0
    order = np.lexsort((facet[rows], angle, line))
    rows, ends, line = rows[order], ends[order], line[order]
    angle, axis, up = angle[order], axis[order], up[order]
    distinct = np.append(True, (line[1:] != line[:-1]) | (angle[1:] - angle[:-1] > _SAME_FACE_RAD))
    rows, ends, line = rows[distinct], ends[distinct], line[distinct]
    angle, axis, up = angle[distinct], axis[distinct], up[distinct]
    first = np.flatnonzero(np.append(True, line[1:] != line[:-1])) if len(line) else np.zeros(0, dtype=int)
    count = np.diff(np.append(first, len(rows)))
    follower = np.arange(1, len(rows) + 1)
    follower[first + count - 1] = first  # the last face of a line is followed by its first
    gap = (angle[follower] - angle) % (2 * np.pi)
    gap[follower == np.arange(len(rows))] = 2 * np.pi
    wide = np.flatnonzero(gap > np.pi + LEAST_BEND_RAD)
    along = inward[rows[wide]] / np.linalg.norm(inward[rows[wide]], axis=1)[:, None]
    pieces = Edges(
        ends_m=ends[wide],
        axis=axis[wide],
        along=along,
        normal=np.cross(axis[wide], along),
        n=np.minimum(gap[wide] / np.pi, 2.0),
        facet_0=facet[rows[wide]].astype(np.int32),
        facet_n=facet[rows[follower[wide]]].astype(np.int32),
    )
    return _joined(pieces)


def _cut(ends_m: FloatArray, facet: np.ndarray, line: np.ndarray) -> tuple[np.ndarray, FloatArray, np.ndarray]:
    """Sides that lie on one line with a free side of another facet, cut where either ends, so that pieces coincide.

    Parameters
    ----------
    ends_m : (S, 2, 3) float64, facet : (S,) int32
        Sides of the facets' outlines.
    line : (S,) int
        Equal for sides that share both ends.

    Returns
    -------
    side : (N,) int
        Which side each piece is of.
    ends_m : (N, 2, 3) float64
    line : (N,) int
    """
    free = np.bincount(line)[line] == 1
    span = ends_m[:, 1] - ends_m[:, 0]
    axis = span / np.linalg.norm(span, axis=1)[:, None]
    foot = ends_m[:, 0] - np.einsum("si,si->s", ends_m[:, 0], axis)[:, None] * axis
    coarse, inverse = np.unique(np.round(np.concatenate([axis * _BUTTED_OVER_M, foot], axis=1), 4), axis=0,
                                return_inverse=True)  # fmt: skip
    both = np.concatenate([coarse, coarse * np.array([-1.0, -1.0, -1.0, 1.0, 1.0, 1.0])])
    pairs = cKDTree(both).query_pairs(_BUTTED_M, output_type="ndarray") % len(coarse)
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(coarse),) * 2)
    _, component = connected_components(links, directed=False)
    straight = component[inverse.reshape(-1)]
    order = np.argsort(straight, kind="stable")
    first = np.flatnonzero(np.append(True, straight[order][1:] != straight[order][:-1]))
    side, ends, label = [np.arange(len(line))], [ends_m], [line]
    whole = np.ones(len(line), dtype=bool)
    fresh = int(line.max()) + 1 if len(line) else 0
    for members in np.split(order, first[1:]):
        if len(members) < 2 or not free[members].any():
            continue
        lead = axis[members[0]]
        t = np.einsum("ski,i->sk", ends_m[members], lead)
        low, high = t.min(axis=1), t.max(axis=1)
        shared = np.minimum(high[:, None], high) - np.maximum(low[:, None], low) > _BUTTED_M
        if not (shared & (facet[members][:, None] != facet[members]) & free[members][:, None]).any():
            continue
        cuts = np.sort(t.reshape(-1))
        cuts = cuts[np.append(True, np.diff(cuts) > _BUTTED_M)]
        whole[members] = False
        for i, s in enumerate(members):
            # Its own ends stay; others' cuts fall between.
            inner = cuts[(cuts > low[i] + _BUTTED_M) & (cuts < high[i] - _BUTTED_M)]
            at = np.concatenate([[low[i]], inner, [high[i]]])
            piece = np.searchsorted(cuts, 0.5 * (at[1:] + at[:-1]))
            a, b = ends_m[s] if t[i, 0] < t[i, 1] else ends_m[s, ::-1]
            corner = a + ((at - low[i]) / (high[i] - low[i]))[:, None] * (b - a)
            pieces = np.stack([corner[:-1], corner[1:]], axis=1)
            side.append(np.full(len(piece), s))
            ends.append(pieces if t[i, 0] < t[i, 1] else pieces[:, ::-1])
            label.append(fresh + piece)
        fresh += len(cuts) + 1
    side[0], ends[0], label[0] = side[0][whole], ends[0][whole], label[0][whole]
    return np.concatenate(side), np.concatenate(ends), np.concatenate(label)


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
