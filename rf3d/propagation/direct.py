"""Power that arrives in each voxel without a reflection, exactly and without rays.

One straight line from the antenna to each voxel, through every wall on the way; near the
antenna, and where a voxel's middle is inside a solid, many lines to parts of the voxel.
"""

from __future__ import annotations

import numpy as np

from rf3d.jobs import Jobs, ordered
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.branch import through_all
from rf3d.propagation.kernels.crossings import walls_passed
from rf3d.propagation.kernels.inside import inside_any, make_hulls
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.paths import Setting
from rf3d.propagation.rays import Emission
from rf3d.radio.antennas import world_response
from rf3d.units import FloatArray, IntArray
from rf3d.venue.surfaces import Surface

NEAR_VOXELS = 2.5
"""Voxels whose middle is nearer than so many edges along every axis are cut into parts."""
NEAR_PARTS, BURIED_PARTS = 4, 2
"""Parts along each edge of a voxel near the antenna, and of one whose middle is inside a solid."""
NEAR_EDGES = 2.6
"""Cubes whose middles are nearer than so many edges along every axis get their exact mean of 1/r²."""
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(24)
_CHUNK = 16_384


def direct_power(
    setting: Setting, walls: Walls, surfaces: tuple[Surface, ...], *, emission: Emission, grid: Grid, jobs: Jobs
) -> FloatArray:
    """Mean of |E|²·(λ/4πr)² over each voxel, (voxels,) float64, per watt at the antenna, no reflections.

    Points inside solids that are not opaque count nothing: there is no place for a receiver. What a unit-gain
    probe accepting |Eθ|² + |Eφ|² receives.

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory).
    """
    numbers = np.arange(grid.count)
    chunks = [numbers[i : i + _CHUNK] for i in range(0, grid.count, _CHUNK)]
    hulls = make_hulls(_see_through_solids(setting, surfaces))

    def chunk(voxels: IntArray) -> FloatArray:
        centres = grid.centres_m(voxels)
        near = (np.abs(centres - emission.source_m) < NEAR_VOXELS * grid.voxel_m).all(axis=1)
        buried = inside_any(hulls, centres) & ~near
        whole = ~(near | buried)
        power = np.zeros(len(voxels))
        power[whole] = _power_at(setting, walls, emission, centres[whole], edge_m=grid.voxel_m)
        for cut, per_edge in ((np.flatnonzero(near), NEAR_PARTS), (np.flatnonzero(buried), BURIED_PARTS)):
            points = (centres[cut, None] + grid.voxel_m * _parts(per_edge)[None]).reshape(-1, 3)
            part_power = np.zeros(len(points))
            free = ~inside_any(hulls, points)
            part_power[free] = _power_at(setting, walls, emission, points[free], edge_m=grid.voxel_m / per_edge)
            power[cut] = part_power.reshape(len(cut), per_edge**3).mean(axis=1)
        return power

    return np.concatenate(list(ordered(chunk, chunks, jobs=jobs, stage="direct field", total=len(chunks))))


def mean_inverse_square(offset_m: FloatArray, edge_m: float) -> FloatArray:
    """Mean of 1/r² (N,), 1/m², over axis-parallel cubes of edge ``edge_m`` whose middles lie at ``offset_m`` (N, 3).

    Far from the antenna (1 + h²/12s²)/s² with s the distance of the middle; nearer than ``NEAR_EDGES`` the integral
    itself, which is finite even with the antenna inside: since ∇·(r̂/r) = 1/r², it is the sum over the faces of
    d·∬dA/r², d being the signed distance of the face.

    Source: Gauss's theorem and Taylor's series, checked against quadrature in the tests.
    """
    offset = np.asarray(offset_m, dtype=np.float64)
    near = (np.abs(offset) < NEAR_EDGES * edge_m).all(axis=1)
    square = np.where(near, 1.0, (offset**2).sum(axis=1))
    mean = (1.0 + edge_m**2 / (12.0 * square)) / square
    if not near.any():
        return mean
    close, half = offset[near], 0.5 * edge_m
    total = np.zeros(len(close))
    for axis in range(3):
        across, along = close[:, (axis + 1) % 3], close[:, (axis + 2) % 3]
        for side in (-half, half):
            distance = np.sign(side) * (close[:, axis] + side)
            for u, v in ((-half, -half), (-half, half), (half, -half), (half, half)):
                total += np.sign(u * v) * distance * _over_rectangle(distance, across + u, along + v)
    mean[near] = total / edge_m**3
    return mean


def _over_rectangle(distance: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """∬ du dv / (d² + u² + v²) over 0 ≤ u ≤ x, 0 ≤ v ≤ y; odd in x and in y. In polar form ½∫ ln(1 + ρ²/d²) dφ."""
    sign, x, y = np.sign(x * y), np.abs(x), np.abs(y)
    d2 = np.maximum(distance**2, 1e-300)
    total = np.zeros(len(x))
    for one, other in ((x, y), (y, x)):
        angle = np.arctan2(other, one)
        phi = 0.5 * angle[:, None] * (1.0 + _NODE)
        total += 0.25 * angle * (np.log1p((one**2 / d2)[:, None] / np.cos(phi) ** 2) @ _WEIGHT)
    return sign * total


def _power_at(setting: Setting, walls: Walls, emission: Emission, points_m: FloatArray, *, edge_m: float) -> FloatArray:
    """Power per watt at points (N, 3), each standing for a cube of edge ``edge_m``."""
    facets = setting.facets
    span = points_m - emission.source_m
    distance = np.linalg.norm(span, axis=1)
    at_antenna = distance < 1e-9
    ways = np.where(at_antenna[:, None], [1.0, 0.0, 0.0], span / np.maximum(distance, 1e-9)[:, None])
    starts = np.broadcast_to(emission.source_m, points_m.shape).copy()
    met = setting.tracer.crossings(starts, points_m, opaque=setting.opaque[facets.part[facets.triangle_facet]])
    first = np.searchsorted(met.segment, np.arange(len(points_m) + 1)).astype(np.int64)
    nowhere = np.full(len(points_m), -1, dtype=np.int32)
    _, row_first, kind, facet, part, depth, _ = walls_passed(
        setting.planes, setting.bodies, starts, points_m, nowhere, nowhere, first,
        facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    passages = Passages(row_first, kind, facet, part, depth, distance, nowhere)
    field = world_response(emission.antenna, emission.axes, ways)
    power = through_all(walls, setting.planes, setting.bodies, passages, ways, field)
    power[met.blocked] = 0.0
    return power * mean_inverse_square(span, edge_m) / (4.0 * walls.wavenumber[0] ** 2)


def _see_through_solids(setting: Setting, surfaces: tuple[Surface, ...]) -> list[FloatArray]:
    """Triangles (M, 3, 3) of every solid that is not opaque."""
    members: dict[str, list[int]] = {}
    for part, surface in enumerate(surfaces):
        if surface.body == "solid" and not setting.opaque[part]:
            members.setdefault(setting.scene.objects[part], []).append(part)
    triangles = setting.scene.corners_m
    return [triangles[np.isin(setting.scene.triangle_part, parts)] for parts in members.values()]


def _parts(per_edge: int) -> FloatArray:
    """Middles (per_edge³, 3) of the parts of a unit cube about the origin."""
    steps = (np.arange(per_edge) + 0.5) / per_edge - 0.5
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
