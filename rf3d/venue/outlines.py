"""Outlines of facets: where a flat piece ends, where a neighbour goes on, and where one rises.

Small facets radiate from their open edges, and edges of the venue are found among the outlines. Files draw a wall in
one piece on a floor in three, or the other way about, so borders are cut where others end before they are matched.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from rf3d.units import BoolArray, FloatArray, IntArray

WELD_M = 1e-5
"""Vertices nearer than this are one point when edges are matched."""
TOUCHING_M = 1e-4
"""A corner nearer than this to another facet's border touches it."""
_STEPS_ACROSS = 128
_SIZES_PER_OCTAVE = 4
"""Balls whose sizes differ by less than this step are looked round in one go."""
_SAME_AXIS_DECIMALS = 4
_LEAST_UNDER_M = 0.25
"""Facets narrower than this, over their length, close no border that stands on them."""
TESTED_ONE_BY_ONE = 3_000
"""Spots times triangles of a facet up to which each is tested against each."""
CHUNK = 1_000_000
"""Triangles that are looked at in one go."""


def group(label: np.ndarray, count: int) -> tuple[IntArray, IntArray]:
    """Members of each label as a start table and an index list."""
    start = np.zeros(count + 1, dtype=np.int32)
    np.cumsum(np.bincount(label, minlength=count), out=start[1:])
    return start, np.argsort(label, kind="stable").astype(np.int32)


def distinct_rows(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First places of the distinct rows (N, C), in order of the rows, and which of them each row is, (N,).

    As ``numpy.unique`` over rows, which sorts them as strings of bytes and takes three times as long.
    """
    label = np.zeros(len(rows), dtype=np.int64)
    for column in rows.T:
        _, rank = np.unique(column, return_inverse=True)
        _, first, label = np.unique(
            label * (int(rank.max(initial=0)) + 1) + rank, return_index=True, return_inverse=True
        )  # fmt: skip
    return first, label


def find_outlines(
    corners: FloatArray,
    triangle_facet: IntArray,
    triangle_normal: FloatArray,
    *,
    edge_triangle: np.ndarray,
    edge_key: np.ndarray,
    edge_corner: np.ndarray,
    welded: np.ndarray,
    places: FloatArray,
    plane: IntArray,
    normal: FloatArray,
    triangles: tuple[IntArray, IntArray],
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Outline of every facet and, for either side, how high what closes each edge rises.

    An edge is open where it is free or convex. It is closed on a side when a neighbour continues the facet in its
    plane or rises on that side: a wall that meets a floor has no edge there, a wall that stops in the air has one.

    Parameters
    ----------
    corners : (M, 3, 3) float64, triangle_facet : (M,) int32, triangle_normal : (M, 3) float64
    edge_triangle, edge_key, edge_corner : (3M,) int
        Every triangle side: its triangle, a key shared by sides that coincide, and its first corner.
    welded : (M, 3) int, places : (W, 3) float64
        Place of every corner among those that are distinct.
    plane : (Q,) int32, normal : (N, 3) float64
    triangles : ((Q + 1,) int32, (M,) int32)
        Start table and list of each facet's triangles.

    Returns
    -------
    edge_start : (Q + 1,) int32
    edges_m : (E, 2, 3) float64, edge_rise_m : (E, 2) float64
        As in ``Facets``.
    joined : (J, 2) int32
        Pairs of facets one of which goes on in the other.
    """
    facet_count = len(plane)
    edge_facet = triangle_facet[edge_triangle]
    once = _first_of_twins(edge_key, triangle_facet)[edge_triangle]
    in_facet, facet_key = np.unique(edge_key.astype(np.int64) * facet_count + edge_facet, return_inverse=True)
    sides = np.bincount(facet_key.reshape(-1), weights=once, minlength=len(in_facet))
    outer = (sides[facet_key.reshape(-1)] == 1) & once
    order = np.concatenate([np.flatnonzero(outer), np.flatnonzero(~outer)])
    side = edge_triangle[order][:, None], np.stack([edge_corner, (edge_corner + 1) % 3], axis=1)[order]
    piece, ends, key = _cut_where_others_end(corners[side], welded[side], places, outer.sum())
    order = order[piece]
    outline = np.flatnonzero(outer[order])
    triangle, apex = edge_triangle[order], corners[edge_triangle[order], (edge_corner[order] + 2) % 3]

    # Pair every outline edge with every other triangle on the same edge.
    by_key_start, by_key = group(key, int(key.max()) + 1)
    fan = np.diff(by_key_start)[key[outline]]
    mine = np.repeat(np.arange(len(outline)), fan)
    step = np.arange(len(mine)) - np.repeat(np.cumsum(fan) - fan, fan)
    other = by_key[by_key_start[key[outline]][mine] + step]
    here, there = triangle_facet[triangle[outline]][mine], triangle_facet[triangle[other]]
    foreign = here != there
    mine, other, here, there = mine[foreign], other[foreign], here[foreign], there[foreign]
    n, start_point = normal[plane[here]], ends[outline[mine], 0]
    rise = np.einsum("ei,ei->e", apex[other] - start_point, n)
    # A face that lies over the facet does not continue it.
    across = np.cross(n, ends[outline[mine], 1] - start_point)
    beyond = (
        np.einsum("ei,ei->e", apex[outline[mine]] - start_point, across)
        * np.einsum("ei,ei->e", apex[other] - start_point, across)
        < 0
    )
    flat = plane[here] == plane[there]
    goes_on = flat & beyond
    height = _heights(corners, there, start_point, plane[here], normal, triangles=triangles)
    edge_rise = np.zeros((len(outline), 2))
    for column, sign in ((0, -1.0), (1, 1.0)):
        closing = np.where((sign * rise > 0.0) & ~flat, height[:, column], 0.0)
        np.maximum.at(edge_rise[:, column], mine, np.where(goes_on, np.inf, closing))

    ends, triangle = ends[outline], triangle[outline]
    row, facet = _facets_under(ends, plane[triangle_facet[triangle]], corners, plane, normal, triangles=triangles)
    about = plane[triangle_facet[triangle[row]]]
    height = _heights(corners, facet, ends[row, 0], about, normal, triangles=triangles)
    for column in (0, 1):
        rises = height[:, column] > TOUCHING_M
        np.maximum.at(edge_rise[:, column], row[rises], height[rises, column])
    flip = np.einsum("ei,ei->e", triangle_normal[triangle], normal[plane[triangle_facet[triangle]]]) < 0
    ends[flip] = ends[flip, ::-1]
    edge_start, order = group(triangle_facet[triangle], facet_count)
    joined = np.unique(np.stack([here, there], axis=1)[goes_on], axis=0)
    return edge_start, ends[order], edge_rise[order], joined


def _facets_under(
    ends: FloatArray,
    own: IntArray,
    corners: FloatArray,
    plane: IntArray,
    normal: FloatArray,
    *,
    triangles: tuple[IntArray, IntArray],
) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of an edge (E, 2, 3) and a facet of another plane than its ``own`` on which it stands all along.

    A wall stands on a floor that has no corner where the wall ends. Looked at in three places along the edge.
    """
    start, members = triangles
    faces = corners[members]
    low, high = np.minimum.reduceat(faces.min(axis=1), start[:-1]), np.maximum.reduceat(faces.max(axis=1), start[:-1])
    area = np.add.reduceat(0.5 * np.linalg.norm(np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0]), axis=1),
                           start[:-1])  # fmt: skip
    wide = np.flatnonzero(area > _LEAST_UNDER_M * np.linalg.norm(high - low, axis=1))
    if len(wide) == 0:
        return wide, wide
    by_plane = wide[np.argsort(plane[wide], kind="stable")]
    some, first, many = np.unique(plane[by_plane], return_index=True, return_counts=True)
    n = normal[some]
    offset = np.einsum("ni,ni->n", faces[start[by_plane[first]], 0], n)
    axis = np.round(n, _SAME_AXIS_DECIMALS)
    _, direction = np.unique(axis, axis=0, return_inverse=True)
    by_direction = np.lexsort((offset, direction.reshape(-1)))
    middle, slack = ends.mean(axis=1), 2 * TOUCHING_M + 10.0**-_SAME_AXIS_DECIMALS * float(np.abs(ends).max())
    least, most = ends.min(axis=1), ends.max(axis=1)
    edges, facets = [], []
    for planes in np.split(by_direction, np.flatnonzero(np.diff(direction.reshape(-1)[by_direction])) + 1):
        # Roughly first, by the middle: of all pairs few are near.
        over = middle @ axis[planes[0]]
        low_row, high_row = (np.searchsorted(offset[planes], over + sign * slack) for sign in (-1.0, 1.0))
        edge = np.repeat(np.arange(len(ends)), high_row - low_row)
        which = planes[_ranges(low_row, high_row - low_row)]
        on = np.abs(np.einsum("pki,pi->pk", ends[edge], n[which]) - offset[which, None]).max(axis=1) < TOUCHING_M
        on &= own[edge] != some[which]
        edge, which = edge[on], which[on]
        edge, facet = np.repeat(edge, many[which]), by_plane[_ranges(first[which], many[which])]
        inside = ((least[edge] > low[facet] - TOUCHING_M) & (most[edge] < high[facet] + TOUCHING_M)).all(axis=1)
        edges.append(edge[inside])
        facets.append(facet[inside])
    edge, facet = np.concatenate(edges), np.concatenate(facets)
    places = ends[edge][:, :1] + np.array([0.02, 0.5, 0.98])[:, None] * (ends[edge][:, 1:] - ends[edge][:, :1])
    found = _on_facets(places.reshape(-1, 3), np.repeat(facet, 3), faces, start, normal[plane])
    stands = found.reshape(-1, 3).all(axis=1)
    return edge[stands], facet[stands]


def _on_facets(
    spot: FloatArray, facet: np.ndarray, faces: FloatArray, start: IntArray, facet_normal: FloatArray
) -> BoolArray:
    """Whether spots (S, 3) in the planes of their ``facet`` (S,) lie on one of its triangles.

    Facets of many triangles with many spots are asked by nearness; all triangles for all spots would be no end of work.
    """
    many = np.diff(start)
    asked = np.bincount(facet, minlength=len(many))
    near = many.astype(np.int64) * asked > TESTED_ONE_BY_ONE
    rows = np.flatnonzero(~near[facet])
    count = many[facet[rows]]
    spots, triangles = [np.repeat(rows, count)], [_ranges(start[facet[rows]], count)]
    by_facet = np.argsort(facet, kind="stable")
    first = np.cumsum(asked) - asked
    for q in np.flatnonzero(near):
        mine = by_facet[first[q] : first[q] + asked[q]]
        mine_faces = faces[start[q] : start[q + 1]]
        middle = mine_faces.mean(axis=1)
        radius = np.linalg.norm(mine_faces - middle[:, None], axis=2).max(axis=1) + 2 * TOUCHING_M
        ball, point = _near(middle, radius, cKDTree(spot[mine]))
        spots.append(mine[point])
        triangles.append(start[q] + ball)
    at, triangle = np.concatenate(spots), np.concatenate(triangles)
    on = np.zeros(len(spot), dtype=bool)
    for begin in range(0, len(at), CHUNK):
        row, face = at[begin : begin + CHUNK], faces[triangle[begin : begin + CHUNK]]
        n = facet_normal[facet[row]]
        within = np.ones((2, len(row)), dtype=bool)  # whichever way round the triangle goes
        for corner in range(3):
            side = face[:, (corner + 1) % 3] - face[:, corner]
            over = np.einsum("ei,ei->e", np.cross(side, spot[row] - face[:, corner]), n)
            reach = TOUCHING_M * np.linalg.norm(side, axis=1)
            within &= np.stack([over > -reach, over < reach])
        on[row[within.any(axis=0)]] = True
    return on


def _ranges(start: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Numbers from each start on, so many of each, one after the other."""
    return np.repeat(start - (np.cumsum(count) - count), count) + np.arange(int(count.sum()))


def _cut_where_others_end(
    span: FloatArray, label: np.ndarray, spot: FloatArray, outer: int
) -> tuple[np.ndarray, FloatArray, np.ndarray]:
    """Sides (S, 2, 3), the first ``outer`` of which are cut where the end of another of these touches them.

    A wall drawn in one piece over a floor drawn in three meets all of them. ``label`` (S, 2) are the places at which
    sides begin and end among those at ``spot`` (W, 3).

    Returns
    -------
    side : (N,) int
        Which side each piece is of.
    ends : (N, 2, 3) float64
    key : (N,) int
        Shared by pieces that coincide.
    """
    rim = np.unique(label[:outer])
    tree = cKDTree(spot[rim])
    pairs = rim[tree.query_pairs(TOUCHING_M, output_type="ndarray")]
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(spot),) * 2)
    _, cluster = connected_components(links, directed=False)
    label = cluster[label]

    a, along = span[:outer, 0], span[:outer, 1] - span[:outer, 0]
    size = np.linalg.norm(along, axis=1)
    # Balls along each side, so that long sides do not ask for all there is.
    most = max(float(np.ptp(span.reshape(-1, 3), axis=0).max()) / _STEPS_ACROSS, TOUCHING_M)
    balls = np.maximum(np.ceil(size / most), 1).astype(np.int64)
    owner = np.repeat(np.arange(outer), balls)
    share = (np.arange(len(owner)) - np.repeat(np.cumsum(balls) - balls, balls) + 0.5) / balls[owner]
    side, seen = _near(a[owner] + share[:, None] * along[owner], 0.5 * (size / balls)[owner] + 2 * TOUCHING_M, tree)
    side, seen = owner[side], rim[seen]
    t = np.einsum("ni,ni->n", spot[seen] - a[side], along[side]) / np.maximum(size[side], WELD_M) ** 2
    off = np.linalg.norm(a[side] + t[:, None] * along[side] - spot[seen], axis=1)
    seen = cluster[seen]
    inner = (off < TOUCHING_M) & (t > 0) & (t < 1) & (seen != label[side, 0]) & (seen != label[side, 1])
    side, seen, t = side[inner], seen[inner], t[inner]
    _, once = np.unique(np.stack([side, seen], axis=1), axis=0, return_index=True)
    side, seen, t = side[once], seen[once], t[once]

    # Every side begins at its start and at each cut; a piece ends where the next begins.
    everyone = np.arange(len(span))
    side, t = np.concatenate([everyone, side]), np.concatenate([np.zeros(len(span)), t])
    head = np.concatenate([label[:, 0], seen])
    order = np.lexsort((t, side))
    side, t, head = side[order], t[order], head[order]
    last = np.append(side[1:] != side[:-1], True)
    stop = np.where(last, 1.0, np.append(t[1:], 1.0))
    tail = np.where(last, label[side, 1], np.append(head[1:], 0))
    low, high = np.minimum(head, tail).astype(np.int64), np.maximum(head, tail)
    _, key = np.unique(low * len(spot) + high, return_inverse=True)
    way = span[side, 1] - span[side, 0]
    ends = span[side, 0][:, None] + np.stack([t, stop], axis=1)[:, :, None] * way[:, None]
    ends[last, 1] = span[side[last], 1]
    return side, ends, key.reshape(-1)


def _near(centre: FloatArray, radius: FloatArray, tree: cKDTree) -> tuple[np.ndarray, np.ndarray]:
    """Pairs of a ball and a point of the tree in it or a little outside; balls of about one size at a time."""
    size = np.ceil(_SIZES_PER_OCTAVE * np.log2(radius)).astype(int)
    balls, points = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.int64)]
    for power in np.unique(size):
        rows = np.flatnonzero(size == power)
        reach = 2.0 ** (power / _SIZES_PER_OCTAVE)
        pairs = cKDTree(centre[rows]).sparse_distance_matrix(tree, reach, output_type="ndarray")
        balls.append(rows[pairs["i"]])
        points.append(pairs["j"])
    return np.concatenate(balls), np.concatenate(points)


def _first_of_twins(edge_key: np.ndarray, triangle_facet: IntArray) -> BoolArray:
    """Triangles (M,) that are the first of those with the same corners in one facet; faces come doubled in files."""
    sides = np.sort(edge_key.reshape(-1, 3), axis=1)
    rows = np.concatenate([triangle_facet[:, None].astype(np.int64), sides], axis=1)
    first, _ = distinct_rows(rows)
    alone = np.zeros(len(rows), dtype=bool)
    alone[first] = True
    return alone


def _heights(
    corners: FloatArray,
    facet: IntArray,
    point: FloatArray,
    about: IntArray,
    normal: FloatArray,
    *,
    triangles: tuple[IntArray, IntArray],
) -> FloatArray:
    """How far facets (N,) reach to the negative and positive side of planes ``about`` (N,) through points, (N, 2).

    Worked out once for every facet and plane: borders of many pieces meet the same neighbour again and again.
    """
    start, members = triangles
    pairs, row = np.unique(facet.astype(np.int64) * len(normal) + about, return_inverse=True)
    facet, about = np.divmod(pairs, len(normal))
    reach = np.empty((len(pairs), 2))
    count = np.diff(start)[facet]
    for some in np.split(np.arange(len(pairs)), np.flatnonzero(np.diff(np.cumsum(count) // CHUNK)) + 1):
        corner = corners[members[_ranges(start[facet[some]], count[some])]]
        over = np.einsum("nci,ni->nc", corner, normal[np.repeat(about[some], count[some])])
        ends = np.cumsum(count[some]) - count[some]
        reach[some, 0] = np.minimum.reduceat(over.min(axis=1), ends)
        reach[some, 1] = np.maximum.reduceat(over.max(axis=1), ends)
    at = np.einsum("ni,ni->n", point, normal[about[row]])
    return np.maximum(np.array([-1.0, 1.0]) * (reach[row] - at[:, None]), 0.0)


def expanses(
    joined: IntArray, first_of_twins: IntArray, edge_start: IntArray, edges_m: FloatArray, edge_rise_m: FloatArray
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    """Facets that go on in each other as one: number of each facet's expanse, and the outlines of these.

    Parameters
    ----------
    joined : (J, 2) int32
        Pairs of facets one of which goes on in the other.
    first_of_twins : (Q,) int32
        Of the facets that coincide with each the one of lowest number: it alone gives its borders.
    edge_start, edges_m, edge_rise_m
        Outlines of the facets (``find_outlines``).

    Returns
    -------
    expanse : (Q,) int32
    start : (N + 1,) int32, edges_m : (K, 2, 3) float64, rise_m : (K, 2) float64
    """
    count = len(first_of_twins)
    pairs = np.concatenate([joined, np.stack([np.arange(count), first_of_twins], axis=1)])
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    _, label = connected_components(links, directed=False)
    owner = np.repeat(np.arange(count), np.diff(edge_start))
    border = (first_of_twins[owner] == owner) & np.isfinite(edge_rise_m).any(axis=1)
    start, order = group(label[owner[border]], int(label.max()) + 1)
    return label.astype(np.int32), start, edges_m[border][order], edge_rise_m[border][order]
