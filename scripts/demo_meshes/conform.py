"""Make the sheets of a venue meet edge to edge.

Diffraction and facets are found from edges that coincide, so a floor that ends against a wall must
share its edge with the wall: every sheet is cut along the edges of the others that lie in its plane,
and every vertex that lies on an edge becomes a vertex of that edge.
"""

from __future__ import annotations

import numpy as np

ON_M = 1e-4
"""Points nearer than this are on a plane or an edge."""
SHORT_M = 1e-3
"""Contacts shorter than this are not worth a cut."""

Polygon = np.ndarray
"""Corners (n, 3) of a convex planar polygon, in order."""


def normal_of(polygon: Polygon) -> np.ndarray:
    """Unit normal (3,), by Newell's sum; right-handed about the order of the corners."""
    n = np.cross(polygon, np.roll(polygon, -1, axis=0)).sum(axis=0)
    return n / np.linalg.norm(n)


def split(polygon: Polygon, point: np.ndarray, across: np.ndarray) -> tuple[Polygon | None, Polygon | None]:
    """Parts of a convex polygon below and above the plane through ``point`` with normal ``across`` (unit)."""
    height = (polygon - point) @ across
    height[np.abs(height) < ON_M] = 0.0
    if (height >= 0).all():
        return None, polygon
    if (height <= 0).all():
        return polygon, None
    below: list[np.ndarray] = []
    above: list[np.ndarray] = []
    for k in range(len(polygon)):
        h, h_next = height[k], height[(k + 1) % len(polygon)]
        if h <= 0:
            below.append(polygon[k])
        if h >= 0:
            above.append(polygon[k])
        if h * h_next < 0:
            crossing = polygon[k] + (polygon[(k + 1) % len(polygon)] - polygon[k]) * (h / (h - h_next))
            below.append(crossing)
            above.append(crossing)
    return np.array(below), np.array(above)


def cut_out(polygons: list[Polygon], opening: Polygon) -> list[Polygon]:
    """What is left of convex polygons around a convex opening in the same plane."""
    inward = np.cross(normal_of(opening), np.roll(opening, -1, axis=0) - opening)
    inward /= np.linalg.norm(inward, axis=1)[:, None]
    kept = []
    for polygon in polygons:
        rest: Polygon | None = polygon
        outside = []
        for corner, across in zip(opening, inward, strict=True):
            if rest is None:
                break
            out, rest = split(rest, corner, across)
            if out is not None:
                outside.append(out)
        kept.extend(outside if rest is not None else [polygon])
    return kept


def conform(polygons: list[Polygon]) -> list[list[Polygon]]:
    """Convex cells of every polygon, cut along the edges of the others and carrying every vertex on their rims."""
    edges = np.concatenate([np.stack([p, np.roll(p, -1, axis=0)], axis=1) for p in polygons])
    owner = np.repeat(np.arange(len(polygons)), [len(p) for p in polygons])
    low, high = edges.min(axis=1), edges.max(axis=1)
    cells = []
    for index, polygon in enumerate(polygons):
        near = (low < polygon.max(axis=0) + ON_M).all(axis=1) & (high > polygon.min(axis=0) - ON_M).all(axis=1)
        candidates = np.flatnonzero(near & (owner != index))
        n = normal_of(polygon)
        in_plane = (np.abs((edges[candidates] - polygon[0]) @ n) < ON_M).all(axis=1)
        cells.append(_imprint(polygon, n, edges[candidates[in_plane]]))
    return _share_vertices(cells)


def _imprint(polygon: Polygon, n: np.ndarray, segments: np.ndarray) -> list[Polygon]:
    cells = [polygon]
    for segment in segments[_lengths_inside(polygon, n, segments) > SHORT_M]:
        along = (segment[1] - segment[0]) / np.linalg.norm(segment[1] - segment[0])
        across = np.cross(n, along)
        after: list[Polygon] = []
        for cell in cells:
            if _lengths_inside(cell, n, segment[None])[0] > SHORT_M:
                after.extend(part for part in split(cell, segment[0], across) if part is not None)
            else:
                after.append(cell)
        cells = after
    return cells


def _lengths_inside(cell: Polygon, n: np.ndarray, segments: np.ndarray) -> np.ndarray:
    """Length of each segment (S, 2, 3) strictly inside a convex polygon of normal n, (S,)."""
    inward = np.cross(n, np.roll(cell, -1, axis=0) - cell)
    inward /= np.linalg.norm(inward, axis=1)[:, None]
    height = np.einsum("spi,ei->spe", segments, inward) - (cell * inward).sum(axis=1) - ON_M
    start, end = height[:, 0], height[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = start / (start - end)
    first = np.where((start < 0) & (end > 0), crossing, 0.0).max(axis=1)
    last = np.where((start > 0) & (end < 0), crossing, 1.0).min(axis=1)
    share = np.where(((start <= 0) & (end <= 0)).any(axis=1), 0.0, np.maximum(last - first, 0.0))
    return np.asarray(share * np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1))


def _share_vertices(cells: list[list[Polygon]]) -> list[list[Polygon]]:
    """Put every vertex of every cell that lies on another cell's rim into that rim."""
    points = np.concatenate([cell for group in cells for cell in group])
    points = points[np.unique(np.round(points / ON_M).astype(np.int64), axis=0, return_index=True)[1]]
    shared = []
    for group in cells:
        done = []
        for cell in group:
            near = (points > cell.min(axis=0) - ON_M).all(axis=1) & (points < cell.max(axis=0) + ON_M).all(axis=1)
            done.append(_with_points(cell, points[near]))
        shared.append(done)
    return shared


def _with_points(cell: Polygon, points: np.ndarray) -> Polygon:
    rim = []
    for a, b in zip(cell, np.roll(cell, -1, axis=0), strict=True):
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        t = (points - a) @ along
        off = np.linalg.norm(points - a - t[:, None] * along, axis=1)
        on = np.flatnonzero((off < ON_M) & (t > 2 * ON_M) & (t < length - 2 * ON_M))
        rim.append(a)
        rim.extend(points[k] for k in on[np.argsort(t[on])])
    return np.array(rim)


def triangulate(polygon: Polygon) -> np.ndarray:
    """Corner indices (m, 3) of triangles that fill a convex polygon, vertices in the middle of its sides included.

    Ears are clipped best shape first (the first of equals, so that rounding cannot choose); a clip that
    would leave only points in one line is passed over.
    """
    if len(polygon) == 3:
        return np.array([[0, 1, 2]])
    n = normal_of(polygon)
    u = polygon[1] - polygon[0]
    u = u / np.linalg.norm(u)
    flat = np.stack([polygon @ u, polygon @ np.cross(n, u)], axis=1).tolist()
    left = sum(a[0] * b[1] - a[1] * b[0] for a, b in zip(flat, flat[1:] + flat[:1], strict=True))
    ring = list(range(len(polygon)))
    triangles = []
    while len(ring) > 3:
        best, best_shape, best_area = -1, 0.0, 0.0
        for k in range(len(ring)):
            area, shape = _ear(flat[ring[k - 1]], flat[ring[k]], flat[ring[(k + 1) % len(ring)]])
            if shape > best_shape + 1e-6 and left - area > ON_M * ON_M:
                best, best_shape, best_area = k, shape, area
        if best < 0:
            raise ValueError(f"polygon is not convex: {polygon.tolist()}")
        triangles.append([ring[best - 1], ring[best], ring[(best + 1) % len(ring)]])
        left -= best_area
        del ring[best]
    return np.array([*triangles, ring])


def _ear(a: list[float], b: list[float], c: list[float]) -> tuple[float, float]:
    """Twice the area, and that over the square of the longest side: 0 for a line, 0.87 for equal sides."""
    sides = [(q[0] - p[0], q[1] - p[1]) for p, q in ((a, b), (b, c), (c, a))]
    area = sides[0][0] * sides[1][1] - sides[0][1] * sides[1][0]
    return area, area / max(x * x + y * y for x, y in sides)
