"""One batch of rays, from the antenna until every ray is spent: the unit of Monte Carlo work.

A batch is a pure function of the scene, the parameters, its number and the seed. It answers
with a tally over voxels and a ledger that says where the emitted power went.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rf3d.propagation.kernels.branch import NOT_YET, branch, depart
from rf3d.propagation.kernels.crossings import walls_passed
from rf3d.propagation.kernels.glints import Glints, make_glints, no_glints
from rf3d.propagation.kernels.interfaces import Walls
from rf3d.propagation.kernels.passage import (
    INVOLVED,
    UNKNOWN,
    Boxes,
    Entered,
    Passages,
    arrive,
    cut_off,
    make_boxes,
    simple_passages,
    spread,
)
from rf3d.propagation.kernels.responses import Responses, make_responses
from rf3d.propagation.kernels.tally import DX, DZ, OWN, SEGMENT_COLUMNS, Box, add_worth, sample_segments, tally_segments
from rf3d.propagation.kernels.walk import Rays
from rf3d.propagation.launch import BLOCK_OF_CELL, BLOCKS, LaunchTable, launch
from rf3d.propagation.paths import Setting
from rf3d.propagation.tallies import Layout
from rf3d.radio.antennas import Antenna, world_response
from rf3d.units import ComplexArray, FloatArray, IntArray

MOST_EVENTS = 64
"""Surfaces a ray may meet; what it still carries then is booked as cut."""
WEAK_SHARE = 1e-3
"""Roulette is played below this share of the mean weight at launch."""
WHOLE_BYTES, BRICK_BYTES = 2**21, 2**22
"""Tallies up to the first are done as a whole; larger ones in bricks of up to the second, 2^k voxels to an edge."""
LATE_EVENTS, FEW = 12, 0.02
"""After so many surfaces, or when no more than that part of the rays is left, the share doubles at every surface: a few
weak rays do not hold up a batch. Where walls take little, rays are many for long, and late ones matter."""


@dataclass(frozen=True, eq=False)
class Emission:
    """What sends a batch: local position (3,), antenna, its axes (3, 3) and its launch table."""

    source_m: FloatArray
    antenna: Antenna
    axes: FloatArray
    table: LaunchTable


@dataclass(frozen=True, eq=False)
class Batch:
    """Outcome of one batch, per watt at the antenna.

    Attributes
    ----------
    tally : (voxels, 3 or more) float32
        As ``kernels.tally.tally_segments`` writes it.
    ledger : (5,) float64
        Accounts ABSORBED, ESCAPED, ROULETTE_GAIN, ROULETTE_LOSS, CUT.
    emitted : float
        Sum of the launch weights.
    segments : int
        Stretches from surface to surface.
    thrown : (objects,) float64
        Power that each object reflected.
    """

    tally: np.ndarray
    ledger: FloatArray
    emitted: float
    segments: int
    thrown: FloatArray


class Matter(NamedTuple):
    """What rays meet: walls at one frequency, tables of what they do, solids with a way through in closed form, and
    facets so small that they reflect into lobes."""

    walls: Walls
    responses: Responses
    boxes: Boxes
    glints: Glints


def make_matter(setting: Setting, walls: Walls, *, lobes: bool) -> Matter:
    """Make walls and solids ready for rays; an opaque wall of one layer is a half-space to every digit.

    With ``lobes`` small facets reflect into lobes; else all are mirrors.
    """
    plain = setting.opaque & (np.diff(walls.layer_start) == 1)
    walls = walls._replace(half_space=walls.half_space | plain)
    boxes = make_boxes(setting.scene.corners_m, setting.planes, setting.bodies, setting.opaque)
    wavelength, facets = float(2.0 * np.pi / walls.wavenumber[0]), setting.facets
    glints = make_glints(facets, wavelength=wavelength, extent_m=setting.scene.extent_m) if lobes else no_glints(facets)
    return Matter(walls, make_responses(walls), boxes, glints)


def run_batch(
    setting: Setting,
    matter: Matter,
    *,
    emission: Emission,
    box: Box,
    rays: int,
    max_reflections: int,
    layout: Layout,
    tally: np.ndarray,
    receiving: Antenna | None = None,
    points: int = 0,
    generator: np.random.Generator,
) -> Batch:
    """Send ``rays`` rays and follow them over up to ``max_reflections`` reflections.

    Parameters
    ----------
    layout : Layout
        Columns of the tally.
    tally : (voxels, columns) float32
        Zeros; what the batch leaves is written there.
    receiving : Antenna or None
        Upright receiving antenna for the columns of detail.
    points : int
        Places along a segment at which it is counted; 0 for every voxel it crosses.
    """
    walked = _follow(
        setting, matter, emission=emission, rays=rays, max_reflections=max_reflections, receiving=receiving,
        detail=layout.own, listed=lambda state, count: layout.listed(state.order[:count], state.culprit[:count]),
        generator=generator,
    )  # fmt: skip
    if points > 0:
        chance = generator.random(len(walked.segments))
        sample_segments(box, walked.segments, emission.source_m, chance, points, layout.arrival, tally)
    else:
        tally_segments(box, walked.segments, emission.source_m, _brick(box, layout.columns), layout.arrival, tally)
    return Batch(tally, walked.ledger, walked.emitted, walked.stretches, walked.thrown)


def run_trial(
    setting: Setting,
    matter: Matter,
    *,
    emission: Emission,
    box: Box,
    rays: int,
    max_reflections: int,
    worth: FloatArray,
    generator: np.random.Generator,
) -> FloatArray:
    """Send rays to learn from which blocks of the launch table they matter.

    Parameters
    ----------
    worth : (voxels,) float64
        What the square of a ray's track in each voxel counts.

    Returns
    -------
    block_square : (BLOCKS,) float64
        Sum of what counts, by the block that rays were sent from.
    """
    walked = _follow(
        setting, matter, emission=emission, rays=rays, max_reflections=max_reflections, receiving=None, detail=False,
        listed=lambda state, count: BLOCK_OF_CELL[state.cell[:count]], generator=generator,
    )  # fmt: skip
    block_square = np.zeros(BLOCKS)
    add_worth(box, walked.segments, worth, block_square)
    return block_square


class _Walked(NamedTuple):
    """Rays followed to their end: segments (N, SEGMENT_COLUMNS) of those reflected, and what ``Batch`` says of them."""

    segments: FloatArray
    ledger: FloatArray
    emitted: float
    stretches: int
    thrown: FloatArray


def _follow(
    setting: Setting,
    matter: Matter,
    *,
    emission: Emission,
    rays: int,
    max_reflections: int,
    receiving: Antenna | None,
    detail: bool,
    listed: Callable[[Rays, int], IntArray],
    generator: np.random.Generator,
) -> _Walked:
    """Send rays and follow them; ``listed`` gives the column that each of the first rays of a state is listed in."""
    direction, field, weight, cell = launch(
        emission.table, emission.antenna, emission.axes, rays=rays, generator=generator
    )  # fmt: skip
    ledger = np.zeros(5)
    emitted = float(weight.sum())
    weak = WEAK_SHARE * emitted / rays
    state = Rays(
        np.tile(emission.source_m, (rays, 1)), direction, field, weight, np.zeros(rays),
        np.zeros(rays, dtype=np.int32), np.full(rays, -1, dtype=np.int32), np.zeros(rays, dtype=np.int32),
        np.full(rays, -1, dtype=np.int32), cell,
    )  # fmt: skip
    clearance = setting.tracer.clearance_m
    triangle_facet = setting.facets.triangle_facet
    thrown = np.zeros(int(setting.bodies.object.max(initial=-1)) + 1)
    count, stretches, written, doubled = rays, 0, 0, 0
    segments = np.empty((4 * rays, SEGMENT_COLUMNS))
    carried = np.empty((4 * rays if detail else 0, 3), dtype=np.complex128)
    for event in range(MOST_EVENTS):
        stretches += count
        if written + count > len(segments):
            segments = np.concatenate([segments, np.empty_like(segments)])
            carried = np.concatenate([carried, np.empty_like(carried)])
        triangle = setting.tracer.nearest(state.origin[:count], state.direction[:count])
        behind = np.empty(count)
        written, entered = arrive(
            state, count, triangle, triangle_facet, setting.planes, setting.bodies, matter.boxes, setting.opaque,
            clearance, listed(state, count), segments, carried, written, behind, ledger,
        )  # fmt: skip
        find_exits(setting, entered)
        doubled += event > LATE_EVENTS or count < FEW * rays
        rest = (clearance, max_reflections, weak * 2.0**doubled, thrown, ledger)
        of_walls = (setting.planes, setting.bodies, matter.walls, matter.responses, setting.opaque, matter.glints)
        chance = generator.random((count, 2))
        left = depart(state, count, chance, *of_walls, entered, behind, *rest)
        if left == NOT_YET:
            passages = spread(passages_through(setting, entered), entered.rows, count, behind)
            left = branch(state, count, chance, *of_walls, passages, behind, *rest)
        count = left
        if count == 0:
            break
    ledger[4] += state.weight[:count].sum()
    if detail:
        segments[:written, OWN] = _own_gain(receiving, segments[:written, DX : DZ + 1], carried[:written])
    return _Walked(segments[:written], ledger, emitted, stretches, thrown)


def _brick(box: Box, columns: int) -> int:
    """Voxels along the edge of bricks whose tally fits a processor's cache; 0 for a grid that need not be cut."""
    if 4 * columns * box.nx * box.ny * box.nz <= WHOLE_BYTES:
        return 0
    return int(2 ** np.floor(np.log2((BRICK_BYTES / (4 * columns)) ** (1.0 / 3.0))))


def _own_gain(receiving: Antenna | None, ways: FloatArray, field: ComplexArray) -> FloatArray:
    """|E·h|² (N,) of unit fields (N, 3) that come along ``ways`` (N, 3), at an upright antenna; zeros without one."""
    if receiving is None:
        return np.zeros(len(ways))
    return np.asarray(np.abs(np.einsum("ni,ni->n", field, world_response(receiving, np.eye(3), -ways))) ** 2)


def find_exits(setting: Setting, entered: Entered) -> None:
    """Ask the tracer, in place, by which facets rays leave solids that are no boxes."""
    asked = np.flatnonzero(entered.out == UNKNOWN)
    if len(asked):
        begin = entered.points[asked] + setting.tracer.clearance_m * entered.inward[asked]
        triangle = setting.tracer.nearest(begin, entered.ways[asked])
        entered.out[asked] = np.where(triangle < 0, -1, setting.facets.triangle_facet[triangle])


def passages_through(setting: Setting, entered: Entered) -> Passages:
    """What rays pass that enter solids and whose ways out are known; touching bodies included."""
    state, simple = simple_passages(setting.planes, setting.bodies, setting.opaque, entered)
    hard = np.flatnonzero(state == INVOLVED)
    if len(hard) == 0:
        return simple
    return _merge(simple, _involved(setting, entered.points[hard], entered.ways[hard]), hard)


def _involved(setting: Setting, points_m: FloatArray, ways: FloatArray) -> Passages:
    """Passages through bodies that touch or overlap: every wall along a long segment, cut off in the open."""
    facets = setting.facets
    lead = 4.0 * setting.tracer.clearance_m
    starts = points_m - lead * ways
    ends = points_m + setting.scene.extent_m * ways
    met = setting.tracer.crossings(starts, ends, opaque=setting.opaque[facets.part[facets.triangle_facet]])
    met_facet = facets.triangle_facet[met.triangle]
    nowhere = np.full(len(ways), -1, dtype=np.int32)
    _, row_first, kind, facet, part, depth, distance = walls_passed(
        setting.planes, setting.bodies, starts, ends, nowhere, nowhere, met.first, met_facet, met.distance_m
    )
    return cut_off(
        setting.planes, setting.bodies, ways, lead, met.first, met_facet, met.distance_m,
        row_first, kind, facet, part, depth, distance,
    )  # fmt: skip


def _merge(simple: Passages, involved: Passages, hard: IntArray) -> Passages:
    """The passages of all rays, those of rays ``hard`` taken from ``involved``."""
    count = len(simple.reach_m)
    reach, plane = simple.reach_m.copy(), simple.plane.copy()
    reach[hard], plane[hard] = involved.reach_m, involved.plane
    ray = np.concatenate([np.repeat(np.arange(count), np.diff(simple.first)), np.repeat(hard, np.diff(involved.first))])
    order = np.argsort(ray, kind="stable")
    first = np.searchsorted(ray[order], np.arange(count + 1)).astype(np.int64)

    def joined(name: str) -> np.ndarray:
        return np.concatenate([getattr(simple, name), getattr(involved, name)])[order]

    return Passages(first, joined("kind"), joined("facet"), joined("part"), joined("depth_m"), reach, plane)
