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
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.paths import Setting
from rf3d.propagation.rays import Emission
from rf3d.radio.antennas import world_response
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.surfaces import Surface, inside_closed

NEAR_VOXELS = 2.5
"""Voxels whose middle is nearer than so many edges along every axis are cut into parts."""
PARTS = 4
"""Parts along each edge of a voxel that is cut up."""
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
    bodies = _see_through_solids(setting, surfaces)

    def chunk(voxels: IntArray) -> FloatArray:
        centres = grid.centres_m(voxels)
        inside = _inside_any(bodies, centres)
        near = (np.abs(centres - emission.source_m) < NEAR_VOXELS * grid.voxel_m).all(axis=1)
        whole = ~(inside | near)
        power = np.zeros(len(voxels))
        power[whole] = _power_at(setting, walls, emission, centres[whole], edge_m=grid.voxel_m)
        cut = np.flatnonzero(~whole)
        for few in np.array_split(cut, 1 + len(cut) * PARTS**3 // _CHUNK):
            points = (centres[few, None] + grid.voxel_m * _parts()[None]).reshape(-1, 3)
            part_power = np.zeros(len(points))
            free = ~_inside_any(bodies, points)
            part_power[free] = _power_at(setting, walls, emission, points[free], edge_m=grid.voxel_m / PARTS)
            power[few] = part_power.reshape(len(few), PARTS**3).mean(axis=1)
        return power

    return np.concatenate(list(ordered(chunk, chunks, jobs=jobs, stage="direct field", total=len(chunks))))


def mean_inverse_square(distance_m: FloatArray, edge_m: float) -> FloatArray:
    """Mean of 1/r² (N,), 1/m², over a ball with the volume of a cube of edge ``edge_m``, N distances away.

    In a ball of radius a at distance s, ∫dV/r² = π(2a + (a² − s²)/s · ln|(a + s)/(a − s)|): finite when the
    antenna is inside, 4πa at its middle, and volume/s² · (1 + a²/5s² + …) far away.

    Source: elementary integral, checked against quadrature in the tests.
    """
    a = edge_m * (3.0 / (4.0 * np.pi)) ** (1.0 / 3.0)
    s = np.maximum(np.asarray(distance_m, dtype=np.float64), 1e-9 * a)
    x2 = (a / s) ** 2
    far = s > 10.0 * a
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.log(np.abs((a + s) / (a - s)))
        near = np.pi * (2.0 * a + np.where(a == s, 0.0, (a * a - s * s) / s * log)) / edge_m**3
    # The series keeps what the difference of nearly equal terms would lose.
    series = (1.0 + x2 / 5.0 + 3.0 * x2**2 / 35.0 + x2**3 / 21.0) / s**2
    return np.where(far, series, near)


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
    return power * mean_inverse_square(distance, edge_m) / (4.0 * walls.wavenumber[0] ** 2)


def _see_through_solids(setting: Setting, surfaces: tuple[Surface, ...]) -> list[FloatArray]:
    """Triangles (M, 3, 3) of every solid that is not opaque."""
    members: dict[str, list[int]] = {}
    for part, surface in enumerate(surfaces):
        if surface.body == "solid" and not setting.opaque[part]:
            members.setdefault(setting.scene.objects[part], []).append(part)
    triangles = setting.scene.corners_m
    return [triangles[np.isin(setting.scene.triangle_part, parts)] for parts in members.values()]


def _inside_any(bodies: list[FloatArray], points_m: FloatArray) -> BoolArray:
    """Whether points (N, 3) lie inside any of the bodies."""
    inside = np.zeros(len(points_m), dtype=bool)
    for corners in bodies:
        low, high = corners.min(axis=(0, 1)), corners.max(axis=(0, 1))
        near = np.flatnonzero(((points_m >= low) & (points_m <= high)).all(axis=1) & ~inside)
        if len(near):
            inside[near] = inside_closed(corners, points_m[near])
    return inside


def _parts() -> FloatArray:
    """Middles (PARTS³, 3) of the parts of a unit cube about the origin."""
    steps = (np.arange(PARTS) + 0.5) / PARTS - 0.5
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
