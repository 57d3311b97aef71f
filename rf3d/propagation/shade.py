"""What edges bend into the shade, and what they do to the straight wave that grazes them, voxel by voxel.

Where the way over an edge is hardly longer than the straight one, both add with their
phases; deep in the shade the powers of the strongest edges add, worked out once for a few
voxels together. Large edges that the antenna sees are tried; nothing here has been reflected.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.jobs import Jobs, ordered
from rf3d.propagation.assembly import Setting, assemble
from rf3d.propagation.diffraction import heavy_triangles, lit_edges
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import Grid
from rf3d.propagation.kernels.bends import Bends, make_bends
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.propagation.kernels.shade import least_detours
from rf3d.radio.antennas import Antenna, world_response
from rf3d.radio.radios import Transmitter
from rf3d.units import SPEED_OF_LIGHT_M_S, BoolArray, ComplexArray, FloatArray, IntArray

CELL = 4
"""Voxels along each edge of the cells for which candidate edges are listed."""
CELLS_TOGETHER = 1_024
"""Cells that are worked out at a time."""
LISTED, TRIED, KEPT = 16, 6, 3
"""Edges listed for a cell; tried for a voxel; and of those in view, the ones deep in the shade that count."""


@dataclass(frozen=True, eq=False)
class Shade:
    """Edges that may bend waves from one transmitter, listed for cells of a grid.

    Attributes
    ----------
    transmitter : Transmitter
    source_m : (3,) float64
        Local.
    frequency_hz : float
    bends : Bends
    cells : (3,) int64
        Number of cells along each axis.
    table : (cells, LISTED) int32
    middle_m : (cells, 3) float64, at_middle_m : (cells, LISTED) float64
        Middles of the cells, and how far the edges listed detour the way there.
    heavy : (M,) bool
        Triangles that hide an edge from view.
    """

    transmitter: Transmitter
    source_m: FloatArray
    frequency_hz: float
    bends: Bends
    cells: IntArray
    table: IntArray
    middle_m: FloatArray
    at_middle_m: FloatArray
    heavy: BoolArray

    @property
    def wavelength_m(self) -> float:
        """Wavelength, metres."""
        return SPEED_OF_LIGHT_M_S / self.frequency_hz


@dataclass(frozen=True, eq=False)
class Bent:
    """What arrives over edges at N points, per watt at the antenna.

    Attributes
    ----------
    field : (N, 3) complex128, amplitude : (N,) complex128
        Sums with phase of the ways that detour less than a wavelength: at a probe, and at the receiving antenna.
    power, own : (N,) float64
        Powers of the others: at a probe, and at the receiving antenna.
    delay_ns, delay_square_ns2 : (N,) float64, arrival : (N, 3) float64
        Of all ways, each weighted with its power.
    weight : (N,) float64
        The sum of those weights.
    """

    field: ComplexArray
    amplitude: ComplexArray
    power: FloatArray
    own: FloatArray
    delay_ns: FloatArray
    delay_square_ns2: FloatArray
    arrival: FloatArray
    weight: FloatArray


def make_shade(setting: Setting, transmitter: Transmitter, grid: Grid, *, frequency_hz: float, jobs: Jobs) -> Shade:
    """List for every cell of voxels the edges that detour the way to it least."""
    source = setting.scene.to_local(transmitter.position_m)
    bends = make_bends(setting.edges, setting.facets)
    lit = lit_edges(setting, source, frequency_hz=frequency_hz)
    # Cells are those of the whole venue, so that a region has the same candidates as the venue around it.
    start = np.array(grid.first) // CELL
    cells = -(-(np.array(grid.first) + np.array(grid.shape)) // CELL) - start
    corner = np.stack(np.unravel_index(np.arange(int(cells.prod())), tuple(cells)), axis=1) + start
    middle = grid.venue_low_m + (corner + 0.5) * CELL * grid.voxel_m
    reach_m = 0.5 * np.sqrt(3.0) * CELL * grid.voxel_m

    def listed(these: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
        return least_detours(
            bends, source, these, np.zeros(len(these), dtype=np.int64), lit[None, :], np.zeros((1, 3)),
            np.full((1, len(lit)), -np.inf), np.full(len(these), np.inf), reach_m, LISTED,
        )  # fmt: skip

    pieces = list(ordered(listed, np.array_split(middle, -(-len(middle) // CELLS_TOGETHER)), jobs=jobs))
    table, at_middle = (np.concatenate([piece[column] for piece in pieces]) for column in (0, 2))
    heavy = heavy_triangles(setting, frequency_hz)
    return Shade(transmitter, source, frequency_hz, bends, cells, table, middle, at_middle, heavy)


def cells_of(shade: Shade, grid: Grid, voxels: IntArray) -> IntArray:
    """Cells (N,) that voxels (N,) lie in."""
    index = grid.venue_index(voxels) // CELL - np.array(grid.first) // CELL
    return np.ravel_multi_index(tuple(index.T), tuple(shade.cells))


def ways_over_edges(
    shade: Shade, points_m: FloatArray, cell: IntArray, *, limit_m: FloatArray, count: int
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Edges (N, count), points on them (N, count, 3) and detours (N, count) from the antenna to points (N, 3) in cells.

    Only edges that detour less than ``limit_m`` (N,).
    """
    return least_detours(
        shade.bends, shade.source_m, points_m, cell, shade.table, shade.middle_m, shade.at_middle_m,
        limit_m, 0.0, count,
    )  # fmt: skip


def bent_fields(
    setting: Setting,
    walls: Walls,
    shade: Shade,
    points_m: FloatArray,
    *,
    edge: IntArray,
    place_m: FloatArray,
    detour_m: FloatArray,
    receiving: Antenna | None,
) -> Bent:
    """Add up what arrives at points (N, 3) over the edges that ``ways_over_edges`` named and that are in view.

    Source: the coefficients are those of ``kernels.wedges``; see there.
    """
    count, tried = edge.shape
    way = np.flatnonzero(edge >= 0)
    place_m = place_m.reshape(-1, 3)
    points = points_m[way // tried]
    hidden = setting.tracer.hidden(
        points, _short_of(place_m[way], points, setting.tracer.clearance_m), opaque=shade.heavy
    )  # fmt: skip
    way = way[~hidden]
    row = way // tried
    near = detour_m.reshape(-1)[way] < shade.wavelength_m
    kept = near | (np.arange(len(row)) - np.searchsorted(row, np.arange(count))[row] < KEPT)
    row, way = row[kept], way[kept]
    paths = assemble(
        setting, shade.source_m, points_m, receiver=row.astype(np.int32), points=place_m[way][:, None],
        facet=np.full((len(row), 1), -1, dtype=np.int32), edge=edge.reshape(-1)[way][:, None],
        labels=(0, np.arange(count, dtype=np.int32)),
    )  # fmt: skip
    arriving = fields(
        paths, setting.facets, surfaces=setting.surfaces, transmitters=(shade.transmitter,), receivers=(),
        frequencies_hz=np.array([shade.frequency_hz]), wedges=setting.wedges, walls=walls,
    ).arriving[:, 0]  # fmt: skip
    at = paths.receiver.astype(np.int64)
    away = points_m[at] - shade.source_m
    excess_m = np.maximum(paths.length_m - np.sqrt(np.einsum("pi,pi->p", away, away)), 0.0)
    delay = excess_m / SPEED_OF_LIGHT_M_S * 1e9
    power = np.einsum("pi,pi->p", arriving, arriving.conj()).real
    received = np.zeros(paths.count, dtype=np.complex128)
    if receiving is not None and paths.count:
        received = np.einsum("pi,pi->p", arriving, world_response(receiving, np.eye(3), paths.arrival))
    together = excess_m < shade.wavelength_m

    def added(values: FloatArray) -> FloatArray:
        return np.bincount(at, values, count).astype(np.float64, copy=False)

    def in_phase(values: ComplexArray) -> ComplexArray:
        return added(np.where(together, values.real, 0.0)) + 1j * added(np.where(together, values.imag, 0.0))

    return Bent(
        np.stack([in_phase(arriving[:, a]) for a in range(3)], axis=1), in_phase(received),
        added(np.where(together, 0.0, power)), added(np.where(together, 0.0, np.abs(received) ** 2)),
        added(power * delay), added(power * delay**2),
        np.stack([added(power * paths.arrival[:, a]) for a in range(3)], axis=1), added(power),
    )  # fmt: skip


def _short_of(places_m: FloatArray, points_m: FloatArray, clearance_m: float) -> FloatArray:
    """Places (N, 3) drawn back a little towards points (N, 3), so that an edge's own faces do not hide it."""
    way = points_m - places_m
    way *= (20.0 * clearance_m / np.maximum(np.sqrt(np.einsum("ni,ni->n", way, way)), 1e-9))[:, None]
    return places_m + way
