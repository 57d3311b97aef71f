"""What arrives in each voxel without a reflection, exactly and without rays.

One straight line from the antenna to each voxel, through every wall on the way; near the
antenna, and where a voxel's middle is inside a solid, many lines to parts of the voxel.
Where edges matter, what they bend is added (``shade``).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rf3d.jobs import Jobs, ordered
from rf3d.propagation.diffraction import HEAVY_DB
from rf3d.propagation.grid import BLOCK, Grid
from rf3d.propagation.kernels.branch import power_of, through_all
from rf3d.propagation.kernels.crossings import walls_passed
from rf3d.propagation.kernels.inside import inside_any, make_hulls
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.kernels.spherical import lines, spread_out
from rf3d.propagation.paths import Setting
from rf3d.propagation.rays import Emission
from rf3d.propagation.shade import TRIED, Shade, bent_fields, cells_of, ways_over_edges
from rf3d.propagation.tallies import Uncollided
from rf3d.radio.antennas import Antenna, world_response
from rf3d.units import BoolArray, ComplexArray, FloatArray, IntArray

NEAR_VOXELS = 2.5
"""Voxels whose middle is nearer than so many edges along every axis are cut into parts."""
NEAR_PARTS, BURIED_PARTS = 4, 2
"""Parts along each edge of a voxel near the antenna, and of one whose middle is inside a solid."""
NEAR_EDGES = 2.6
"""Cubes whose middles are nearer than so many edges along every axis get their exact mean of 1/r²."""
_NODE, _WEIGHT = np.polynomial.legendre.leggauss(24)
_LEAST_TILE, _MOST_TILE = 16_384, 32_768
"""Voxels that are worked out at a time: more cost less, but a small grid is to keep all cores busy."""


def uncollided(
    setting: Setting,
    walls: Walls,
    *,
    emission: Emission,
    grid: Grid,
    receiving: Antenna | None,
    shade: Shade | None,
    jobs: Jobs,
) -> Uncollided:
    """Mean over each voxel of what arrives without a reflection.

    |E|²·(λ/4πr)² per watt at the antenna is what a unit-gain probe accepting |Eθ|² + |Eφ|² receives. Points inside
    solids that are not opaque count nothing: there is no place for a receiver.

    Parameters
    ----------
    receiving : Antenna or None
        Upright, for the column of the receiving antenna.
    shade : Shade or None
        Edges that bend waves; None leaves them out.

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory).
    """
    hulls = make_hulls(_see_through_solids(setting))
    opaque = setting.opaque[setting.facets.part[setting.facets.triangle_facet]]
    bent = shade is not None and bool((shade.table >= 0).any())

    def tile(voxels: IntArray) -> Uncollided:
        centres = grid.centres_m(voxels)
        near = (np.abs(centres - emission.source_m) < NEAR_VOXELS * grid.voxel_m).all(axis=1)
        buried = inside_any(hulls, centres) & ~near
        whole = np.flatnonzero(~(near | buried))
        straight = _field_at(setting, walls, emission, centres[whole], opaque=opaque, receiving=receiving)
        power, own = np.zeros(len(voxels)), np.zeros(len(voxels))
        power[whole], own[whole] = _powers(straight, centres[whole] - emission.source_m, grid.voxel_m)
        for cut, per_edge in ((np.flatnonzero(near), NEAR_PARTS), (np.flatnonzero(buried), BURIED_PARTS)):
            if len(cut) == 0:
                continue
            points = (centres[cut, None] + grid.voxel_m * _parts(per_edge)[None]).reshape(-1, 3)
            parts = np.zeros((2, len(points)))
            free = np.flatnonzero(~inside_any(hulls, points))
            arriving = _field_at(setting, walls, emission, points[free], opaque=opaque, receiving=receiving)
            parts[:, free] = _powers(arriving, points[free] - emission.source_m, grid.voxel_m / per_edge)
            power[cut], own[cut] = parts.reshape(2, len(cut), per_edge**3).mean(axis=2)
        way = emission.source_m - centres
        arrival = (power / np.maximum(np.sqrt(np.einsum("ni,ni->n", way, way)), 1e-9))[:, None] * way
        found = Uncollided(power, np.zeros(len(voxels)), np.zeros(len(voxels)), arrival, own)
        if shade is not None and bent:
            _add_edges(
                setting, walls, grid=grid, voxels=voxels[whole], centres_m=centres[whole], whole=whole,
                straight=straight, receiving=receiving, shade=shade, to=found,
            )  # fmt: skip
        return found

    tiles = grid.tiles(min(max(grid.count // 8, _LEAST_TILE), _MOST_TILE))
    power, delay, square, own = (np.zeros(grid.count) for _ in range(4))
    total = Uncollided(power, delay, square, np.zeros((grid.count, 3)), own)
    for voxels, found in zip(
        tiles, ordered(tile, tiles, jobs=jobs, stage="direct field", total=len(tiles)), strict=True
    ):  # fmt: skip
        for name in ("power", "delay_ns", "delay_square_ns2", "arrival", "own"):
            getattr(total, name)[voxels] = getattr(found, name)
    return total


def _add_edges(
    setting: Setting,
    walls: Walls,
    *,
    grid: Grid,
    voxels: IntArray,
    centres_m: FloatArray,
    whole: IntArray,
    straight: _Straight,
    receiving: Antenna | None,
    shade: Shade,
    to: Uncollided,
) -> None:
    """Add in place what edges bend: with its phase where the detour is short, as power deep in the shade.

    Parameters
    ----------
    voxels, centres_m : (W,) int64, (W, 3) float64
        Those of a tile, which cuts no block, that are looked at, with what arrives ``straight`` at their middles.
    whole : (W,) int64
        Their places in the tile.
    """
    cell = cells_of(shade, grid, voxels)
    wavelength = np.full(len(whole), shade.wavelength_m)
    grazing = ways_over_edges(shade, centres_m, cell, limit_m=wavelength, count=1)[0][:, 0] >= 0
    apart, deep = np.flatnonzero(grazing), np.flatnonzero(~grazing & straight.dim)
    # Deep in the shade one voxel speaks for its neighbours, two along each edge.
    block = np.ravel_multi_index(
        tuple(axis // BLOCK for axis in np.unravel_index(voxels[deep], grid.shape)),
        tuple(-(-n // BLOCK) for n in grid.shape),
    )
    _, speaker, of_block = np.unique(block, return_index=True, return_inverse=True)
    asked = np.concatenate([apart, deep[speaker]])
    if len(asked) == 0:
        return
    # In the light only edges that the wave grazes.
    limit = np.where(straight.dim[asked], np.inf, shade.wavelength_m)
    edge, place, detour = ways_over_edges(shade, centres_m[asked], cell[asked], limit_m=limit, count=TRIED)
    bent = bent_fields(
        setting, walls, shade, centres_m[asked], edge=edge, place_m=place, detour_m=detour,
        receiving=receiving,
    )  # fmt: skip
    field, heard = straight.field[asked], straight.heard[asked]
    change = power_of(field + bent.field) - power_of(field) + bent.power
    own = np.abs(heard + bent.amplitude) ** 2 - np.abs(heard) ** 2 + bent.own
    share = np.divide(change, bent.weight, out=np.zeros(len(asked)), where=bent.weight > 0.0)
    source = np.concatenate([np.arange(len(apart)), len(apart) + of_block])
    target = whole[np.concatenate([apart, deep])]
    to.power[target] = np.maximum(to.power[target] + change[source], 0.0)
    to.own[target] = np.maximum(to.own[target] + own[source], 0.0)
    to.delay_ns[target] = (np.maximum(share, 0.0) * bent.delay_ns)[source]
    to.delay_square_ns2[target] = (np.maximum(share, 0.0) * bent.delay_square_ns2)[source]
    to.arrival[target] += (share[:, None] * bent.arrival)[source]


def mean_inverse_square(offset_m: FloatArray, edge_m: float) -> FloatArray:
    """Mean of 1/r² (N,), 1/m², over axis-parallel cubes of edge ``edge_m`` whose middles lie at ``offset_m`` (N, 3).

    Far from the antenna (1 + h²/12s²)/s² with s the distance of the middle; nearer than ``NEAR_EDGES`` the integral
    itself, which is finite even with the antenna inside: since ∇·(r̂/r) = 1/r², it is the sum over the faces of
    d·∬dA/r², d being the signed distance of the face.

    Source: Gauss's theorem and Taylor's series, checked against quadrature in the tests.
    """
    offset = np.asarray(offset_m, dtype=np.float64)
    square = np.einsum("ni,ni->n", offset, offset)
    near = np.flatnonzero(square < 3.0 * (NEAR_EDGES * edge_m) ** 2)
    near = near[(np.abs(offset[near]) < NEAR_EDGES * edge_m).all(axis=1)]
    square[near] = 1.0
    mean = (1.0 + edge_m**2 / (12.0 * square)) / square
    if len(near) == 0:
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
        total += 0.25 * angle * (np.log1p((one**2 / d2)[:, None] / np.cos(phi) ** 2) * _WEIGHT).sum(axis=1)
    return sign * total


class _Straight(NamedTuple):
    """Straight field at N points, as a probe (N, 3) and the receiving antenna (N,) hear it; which are dim (N,)."""

    field: ComplexArray
    heard: ComplexArray
    dim: BoolArray


def _powers(straight: _Straight, span_m: FloatArray, edge_m: float) -> tuple[FloatArray, FloatArray]:
    """Power per watt at a probe and at the receiving antenna (N,) of points that stand for cubes."""
    spread = mean_inverse_square(span_m, edge_m) * np.maximum(np.einsum("ni,ni->n", span_m, span_m), 1e-18)
    return power_of(straight.field) * spread, np.abs(straight.heard) ** 2 * spread


def _field_at(
    setting: Setting,
    walls: Walls,
    emission: Emission,
    points_m: FloatArray,
    *,
    opaque: BoolArray,
    receiving: Antenna | None,
) -> _Straight:
    """Straight field at points (N, 3), past triangles (M,) that are ``opaque`` or not."""
    count = len(points_m)
    starts = np.broadcast_to(emission.source_m, points_m.shape).copy()
    met = setting.tracer.crossings(starts, points_m, opaque=opaque)
    straight = _Straight(
        np.zeros((count, 3), dtype=np.complex128), np.zeros(count, dtype=np.complex128), np.ones(count, dtype=bool)
    )  # fmt: skip
    clear = np.flatnonzero(~met.blocked)
    ways, distance = lines(emission.source_m, points_m[clear])
    nowhere = np.full(len(clear), -1, dtype=np.int32)
    listed = np.flatnonzero(~met.blocked[met.segment])
    first = np.concatenate([[0], np.cumsum(np.diff(met.first)[clear])]).astype(np.int64)
    _, row_first, kind, facet, part, depth, _ = walls_passed(
        setting.planes, setting.bodies, starts[clear], points_m[clear], nowhere, nowhere, first,
        setting.facets.triangle_facet[met.triangle[listed]], met.distance_m[listed],
    )  # fmt: skip
    field = world_response(emission.antenna, emission.axes, ways)
    sent = power_of(field)
    power = through_all(
        walls, setting.planes, setting.bodies, Passages(row_first, kind, facet, part, depth, distance, nowhere),
        ways, field,
    )  # fmt: skip
    spread_out(field, distance, walls.wavenumber[0])
    straight.field[clear] = field
    straight.dim[clear] = power < sent * 10.0 ** (-HEAVY_DB / 10.0)
    if receiving is not None:
        straight.heard[clear] = np.einsum("ni,ni->n", field, world_response(receiving, np.eye(3), -ways))
    return straight


def _see_through_solids(setting: Setting) -> list[FloatArray]:
    """Triangles (M, 3, 3) of every solid that is not opaque."""
    members: dict[str, list[int]] = {}
    for part, surface in enumerate(setting.surfaces):
        if surface.body == "solid" and not setting.opaque[part]:
            members.setdefault(setting.scene.objects[part], []).append(part)
    triangles = setting.scene.corners_m
    return [triangles[np.isin(setting.scene.triangle_part, parts)] for parts in members.values()]


def _parts(per_edge: int) -> FloatArray:
    """Middles (per_edge³, 3) of the parts of a unit cube about the origin."""
    steps = (np.arange(per_edge) + 0.5) / per_edge - 0.5
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
