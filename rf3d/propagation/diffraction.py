"""Paths over edges: round the balcony front, the proscenium, a flat, a door jamb, over a thick wall's two edges.

Edges that either end sees are tried, alone and with one reflection before or after; with two reflections off the
largest planes; so is every edge that one end sees with every edge that the other sees. What the uniform theory then
makes of them is for the fields.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from rf3d.jobs import Jobs, ordered
from rf3d.propagation.assembly import Setting, assemble
from rf3d.propagation.kernels.bends import Bends, bent_ways, make_bends, twice_bent_ways
from rf3d.propagation.kernels.bounces import bent_ways_between
from rf3d.propagation.kernels.images import lit_planes
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.pathset import PathSet, join
from rf3d.propagation.tracer import Tracer
from rf3d.units import SPEED_OF_LIGHT_M_S, BoolArray, FloatArray, IntArray, read_only
from rf3d.venue.edges import Edges
from rf3d.venue.facets import Facets

MOST_EDGE_PATHS = 80
"""Ways over an edge that are looked at for one link, the strongest by estimate."""
MOST_TWICE_BENT = 40
"""Ways over two edges that are kept for one link, the strongest by estimate that are free of heavy walls."""
MOST_DETOUR_M = 5.0
"""Over two edges, how much longer than the straight way a way may be.

A knife edge with that detour loses 31 dB at 1 GHz and a second one on its line 6 dB more. In an arena a pair of edges
in a thousand is left.
"""
_TRIED_TWICE_BENT = 4 * MOST_TWICE_BENT
LEAST_BELOW_FREE_DB = 45.0
"""Ways whose estimate lies further below free space are left out."""
LEAST_MIRRORED_TWICE_DB = 35.0
"""The same for ways with two reflections, each of which takes some decibels more."""
HEAVY_DB = 10.0
"""Walls that pass less hide an edge from view; drapes and glass do not."""
MAJOR_EDGE_M = 1.0
MAJOR_FACE_M = 0.3
MIRROR_M2 = 1.0
"""With a reflection only edges and planes at least so large are tried: slender members send little that far."""
MOST_MIRRORS = 16
"""With two reflections only so many planes are tried, the largest."""
MOST_MIRRORED_TWICE = 80
"""Ways over an edge with two reflections that are kept for one link, the strongest by estimate."""
_SLACK = 1e-6
"""An edge of exactly that length counts, however its coordinates were rounded."""
_ALIKE = 1e-3
"""Estimates nearer to each other than this share are equal."""
_HEAVY_SOLID_M = 0.1
_LOOK_AROUND = 4096
_SET_BACK_M = 2e-3
"""How far from an edge it is looked at, so that its own faces do not hide it."""
_SAMPLES = (1.0 / 6.0, 0.5, 5.0 / 6.0)
_ROUND_RAD = (0.4, 0.4 + 2 * np.pi / 3, 0.4 + 4 * np.pi / 3)
"""Corners of a triangle round an edge; no common angle between walls lies on one."""


def usable_edges(setting: Setting) -> IntArray:
    """Numbers of the edges that stand free: not buried in, nor butted against, another surface.

    A wall that stands on a floor without sharing its vertices ends there for the mesh, but not for a wave. An
    edge is left out when another plane passes within 2 mm of it at most of three places.
    """
    return _usable_edges(setting.edges, setting.facets, setting.tracer)


@lru_cache(maxsize=4)
def _usable_edges(edges: Edges, facets: Facets, tracer: Tracer) -> IntArray:
    """As above: all transmitters of a venue ask the same; what is asked about is immutable, so identity is enough."""
    number = np.repeat(np.arange(edges.count), len(_SAMPLES))
    point = _samples(edges, np.arange(edges.count))
    own = np.stack([facets.plane[edges.facet_0[number]], facets.plane[edges.facet_n[number]]], axis=1)
    touched = np.zeros(len(number), dtype=bool)
    nothing = np.zeros(len(facets.triangle_facet), dtype=bool)
    # A triangle round the edge: a face that ends at the edge crosses it, where a line through the edge may miss it.
    round_edge = [
        point + 2 * _SET_BACK_M * (np.cos(turn) * edges.along[number] + np.sin(turn) * edges.normal[number])
        for turn in _ROUND_RAD
    ]
    for start, end in zip(round_edge, round_edge[1:] + round_edge[:1], strict=True):
        met = tracer.crossings(start, end, opaque=nothing, label=facets.plane[facets.triangle_facet], pass_over=own)
        touched[met.segment] = True
    return read_only(np.flatnonzero(touched.reshape(-1, len(_SAMPLES)).sum(axis=1) < 2).astype(np.int32))


def major_edges(setting: Setting) -> BoolArray:
    """Edges (E,) long enough, of faces wide enough, to be tried together with a reflection."""
    edges, wide = setting.edges, _wide(setting)
    length = np.linalg.norm(edges.ends_m[:, 1] - edges.ends_m[:, 0], axis=1)
    return np.asarray((length >= MAJOR_EDGE_M - _SLACK) & wide[edges.facet_0] & wide[edges.facet_n])


def long_edges(setting: Setting) -> BoolArray:
    """Edges (E,) long enough, of at least one face wide enough, to be tried together with another edge."""
    edges, wide = setting.edges, _wide(setting)
    length = np.linalg.norm(edges.ends_m[:, 1] - edges.ends_m[:, 0], axis=1)
    return np.asarray((length >= MAJOR_EDGE_M - _SLACK) & (wide[edges.facet_0] | wide[edges.facet_n]))


def _wide(setting: Setting) -> BoolArray:
    return np.asarray(facet_widths(setting.facets) >= MAJOR_FACE_M - _SLACK)


@lru_cache(maxsize=4)
def facet_widths(facets: Facets) -> FloatArray:
    """Area over length of every facet, (Q,), metres; found once for facets, which do not change."""
    # Extent about the middle of the outline: the same however the venue is turned or its faces are cut.
    side = np.linalg.norm(facets.edges_m[:, 1] - facets.edges_m[:, 0], axis=1)
    owner = np.repeat(np.arange(facets.count), np.diff(facets.edge_start))
    total = np.maximum(np.bincount(owner, weights=side, minlength=facets.count), 1e-9)
    middle = np.stack(
        [np.bincount(owner, weights=side * facets.edges_m[:, :, i].mean(axis=1), minlength=facets.count) / total
         for i in range(3)], axis=1,
    )  # fmt: skip
    reach = np.zeros(facets.count)
    np.maximum.at(reach, owner, np.linalg.norm(facets.edges_m[:, 0] - middle[owner], axis=1))
    return read_only(facets.area_m2 / np.maximum(2.0 * reach, 1e-9))


def heavy_parts(setting: Setting, frequency_hz: float) -> BoolArray:
    """Parts of the scene that hide an edge from view."""
    return opaque_parts(setting.surfaces, np.array([frequency_hz]), loss_db=HEAVY_DB, solid_m=_HEAVY_SOLID_M)


def lit_edges(setting: Setting, source_m: FloatArray, *, frequency_hz: float) -> IntArray:
    """Numbers of the large, free edges (K,) that a source (3,) sees past everything that is not heavy."""
    usable = usable_edges(setting)
    usable = usable[major_edges(setting)[usable]]
    return usable[_in_view(setting, usable, np.asarray(source_m), heavy_triangles(setting, frequency_hz))]


def heavy_triangles(setting: Setting, frequency_hz: float) -> BoolArray:
    """Triangles (M,) of surfaces that pass so little that they hide what is behind."""
    return np.asarray(heavy_parts(setting, frequency_hz)[setting.facets.part[setting.facets.triangle_facet]])


def edge_paths(
    setting: Setting,
    source_m: FloatArray,
    receivers_m: FloatArray,
    *,
    usable: IntArray,
    frequency_hz: float,
    reflections: int,
    jobs: Jobs,
    labels: tuple[int, IntArray],
) -> PathSet:
    """Paths over one edge or two from a source (3,) to receivers (R, 3), local coordinates.

    Parameters
    ----------
    usable : (K,) int32
        Edges to try (``usable_edges``).
    frequency_hz : float
        At which candidates are ranked; the paths themselves know no frequency.
    reflections : int
        0 to 2: also those with up to so many reflections before or after one edge, for edges and planes that are large.
    labels : (transmitter's number, receivers' numbers (R,))
    """
    source = np.ascontiguousarray(source_m, dtype=np.float64)
    heavy = heavy_triangles(setting, frequency_hz)
    bends = make_bends(setting.edges, setting.facets)
    lit = usable[_in_view(setting, usable, source, heavy)]
    major, long = major_edges(setting), long_edges(setting)
    mirrors_source = _planes_in_view(setting, source, heavy)
    from_source = _images(setting, source, mirrors_source) if reflections > 1 else None
    major_usable = usable[major[usable]]

    def one(r: int) -> PathSet:
        receiver = np.ascontiguousarray(receivers_m[r], dtype=np.float64)
        seen = usable[_in_view(setting, usable, receiver, heavy)]
        trials = [(np.intersect1d(lit, seen), np.full(1, -1), False)]
        mirrors_receiver = _planes_in_view(setting, receiver, heavy) if reflections else mirrors_source
        if reflections:
            trials.append((seen[major[seen]], mirrors_source, False))
            trials.append((lit[major[lit]], mirrors_receiver, True))
        ways = [
            _ways(
                setting, bends, ends_m=(source, receiver), chosen=chosen, mirrors=mirrors, mirror_receiver=far,
                wavenumber=2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_S,
            )
            for chosen, mirrors, far in trials
        ]  # fmt: skip
        estimate, points, facet, edge = (np.concatenate(part) for part in zip(*ways, strict=True))
        best = np.argsort(-estimate, kind="stable")[:MOST_EDGE_PATHS]
        label = (labels[0], np.asarray(labels[1])[r : r + 1])
        once = assemble(
            setting, source, receiver[None], receiver=np.zeros(len(best), dtype=np.int32), points=points[best],
            facet=facet[best], edge=edge[best], labels=label,
        )  # fmt: skip
        pieces = [once]
        if from_source is not None:
            points, facet, edge = _ways_mirrored_twice(
                setting, bends, images=(from_source, _images(setting, receiver, mirrors_receiver)),
                chosen=(seen[major[seen]], lit[major[lit]], major_usable),
                wavenumber=2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_S,
            )  # fmt: skip
            pieces.append(
                assemble(
                    setting, source, receiver[None], receiver=np.zeros(len(edge), dtype=np.int32), points=points,
                    facet=facet, edge=edge, labels=label,
                )
            )  # fmt: skip
        points, edge = _ways_over_two(
            setting, bends, ends_m=(source, receiver), lit=lit[long[lit]], seen=seen[long[seen]],
            wavenumber=2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_S,
        )  # fmt: skip
        twice = assemble(
            setting, source, receiver[None], receiver=np.zeros(len(edge), dtype=np.int32), points=points,
            facet=np.full_like(edge, -1), edge=edge, labels=label,
        )  # fmt: skip
        return join([*pieces, twice.take(np.arange(min(twice.count, MOST_TWICE_BENT)))], 0)

    count = len(receivers_m)
    return join(list(ordered(one, range(count), jobs=jobs, stage="edges", total=count)), 0)


def _ways(
    setting: Setting,
    bends: Bends,
    *,
    ends_m: tuple[FloatArray, FloatArray],
    chosen: IntArray,
    mirrors: IntArray,
    mirror_receiver: bool,
    wavenumber: float,
) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Estimates (N,), points (N, 2, 3), facets and edges (N, 2) of the turns, in order along each way."""
    source, receiver = ends_m
    least = 10.0 ** (-LEAST_BELOW_FREE_DB / 20.0) / float(np.linalg.norm(receiver - source))
    most = 4096
    while True:
        found, edge, mirror, estimate, point, facet = bent_ways(
            setting.planes, bends, source, receiver, chosen.astype(np.int32), mirrors.astype(np.int32),
            mirror_receiver, wavenumber, least, most,
        )  # fmt: skip
        if found <= most:
            break
        most = found
    nothing = np.full(found, -1, dtype=np.int32)
    turn_edge = np.stack([edge[:found], nothing], axis=1)
    turn_facet = np.stack([nothing, facet[:found]], axis=1)
    points = point[:found]
    if not mirror_receiver:
        mirrored = mirror[:found] >= 0
        for array in (turn_edge, turn_facet, points):
            array[mirrored] = array[mirrored][:, ::-1]
    return estimate[:found], points, turn_facet, turn_edge


class _Images(NamedTuple):
    """Images of one end: itself, in one plane, in two; see ``bounces.bent_ways_between``."""

    at_m: FloatArray
    turns: IntArray


def _images(setting: Setting, end_m: FloatArray, seen: IntArray) -> tuple[_Images, _Images, _Images]:
    """Images of an end (3,) without, with one and with two reflections, first off a plane that it sees."""
    planes = setting.planes
    area = np.bincount(setting.facets.plane, weights=setting.facets.area_m2, minlength=setting.facets.plane_count)
    # Planes as large as the last one go along: the choice hangs on no order and no rounding.
    least = max(MIRROR_M2, np.sort(area)[-min(MOST_MIRRORS, len(area))] * (1.0 - _SLACK))
    large = np.flatnonzero(area >= least).astype(np.int32)
    first = np.intersect1d(seen, large).astype(np.int32)

    def mirrored(at_m: FloatArray, plane: IntArray) -> FloatArray:
        away = np.einsum("ni,ni->n", planes.normal[plane], at_m) - planes.offset_m[plane]
        return at_m - 2.0 * away[:, None] * planes.normal[plane]

    none = np.full(1, -1, dtype=np.int32)
    alone = np.broadcast_to(end_m, (1, 3))
    once = mirrored(np.broadcast_to(end_m, (len(first), 3)), first)
    i, j = np.nonzero(lit_planes(planes, np.ascontiguousarray(end_m), first[:, None], large))
    twice = mirrored(once[i], large[j])

    def laid_out(steps: list[FloatArray], turns: list[IntArray]) -> _Images:
        while len(steps) < 3:
            steps.append(steps[-1])
            turns.append(np.repeat(none, len(steps[-1])))
        return _Images(np.ascontiguousarray(np.stack(steps, axis=1)), np.ascontiguousarray(np.stack(turns, axis=1)))

    start = np.broadcast_to(end_m, (len(first), 3))
    return (
        laid_out([alone], []),
        laid_out([start, once], [first]),
        laid_out([start[i], once[i], twice], [first[i], large[j]]),
    )


def _ways_mirrored_twice(
    setting: Setting,
    bends: Bends,
    *,
    images: tuple[tuple[_Images, _Images, _Images], tuple[_Images, _Images, _Images]],
    chosen: tuple[IntArray, IntArray, IntArray],
    wavenumber: float,
) -> tuple[FloatArray, IntArray, IntArray]:
    """Points (N, 3, 3), facets and edges (N, 3) of ways over one edge with two reflections, the strongest first.

    Parameters
    ----------
    images : (of the source, of the receiver)
        Each without, with one and with two reflections.
    chosen : (edges tried with both before, with both after, with one on either side)
    """
    source, receiver = images
    straight = float(np.linalg.norm(source[0].at_m[0, 0] - receiver[0].at_m[0, 0]))
    least = 10.0 ** (-LEAST_MIRRORED_TWICE_DB / 20.0) / straight
    rows: list[tuple[FloatArray, FloatArray, IntArray, IntArray]] = []
    for before, edges in zip((2, 0, 1), chosen, strict=True):
        a, b = source[before], receiver[2 - before]
        most = 1024
        while True:
            found, edge, strong, point, facet = bent_ways_between(
                setting.planes, bends, a.at_m, a.turns, b.at_m, b.turns, edges.astype(np.int32), wavenumber, least, most
            )
            if found <= most:
                break
            most = found
        bend = np.full(found, -1, dtype=np.int32)
        # Columns: bounces from the source outwards, bounces from the receiver outwards, the edge.
        column = [*range(before), 4, *reversed(range(2, 4 - before))]
        edge_of = np.stack([edge[:found] if c == 4 else bend for c in column], axis=1)
        rows.append((strong[:found], point[:found][:, column], facet[:found][:, column], edge_of))
    strong, points, facets, edges_of = (np.concatenate(part) for part in zip(*rows, strict=True))
    best = np.argsort(-strong, kind="stable")
    # Ways as strong as the last one go along: symmetric places have symmetric ways.
    last = strong[best][min(MOST_MIRRORED_TWICE, len(best)) - 1] if len(best) else 0.0
    best = best[strong[best] >= last * (1.0 - _ALIKE)]
    return points[best], facets[best], edges_of[best]


def _ways_over_two(
    setting: Setting,
    bends: Bends,
    *,
    ends_m: tuple[FloatArray, FloatArray],
    lit: IntArray,
    seen: IntArray,
    wavenumber: float,
) -> tuple[FloatArray, IntArray]:
    """Points (N, 2, 3) and edges (N, 2) of ways over two edges, the strongest by estimate first."""
    source, receiver = ends_m
    straight = float(np.linalg.norm(receiver - source))
    least = 10.0 ** (-LEAST_BELOW_FREE_DB / 20.0) / straight
    longest = straight + MOST_DETOUR_M
    # A way over two edges is no shorter than the way over either.
    lit, seen = (some[_least_ways_m(bends, some, ends_m) <= longest].astype(np.int32) for some in (lit, seen))
    most = 4096
    while True:
        found, edge, estimate, points = twice_bent_ways(
            setting.planes, bends, source, receiver, lit, seen, wavenumber, least, longest, most
        )
        if found <= most:
            break
        most = found
    best = np.argsort(-estimate[:found], kind="stable")[:_TRIED_TWICE_BENT]
    return points[best], edge[best]


def _least_ways_m(bends: Bends, numbers: IntArray, ends_m: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Length of the shortest way between two points (3,) that touches each edge, (K,), metres."""
    start, axis = bends.start_m[numbers], bends.axis[numbers]
    height = [np.einsum("ki,ki->k", end - start, axis) for end in ends_m]
    away = [np.linalg.norm(end - start - h[:, None] * axis, axis=1) for end, h in zip(ends_m, height, strict=True)]
    # Unrolled about the edge the way is straight.
    place = height[0] + (height[1] - height[0]) * away[0] / np.maximum(away[0] + away[1], 1e-300)
    place = np.clip(place, 0.0, bends.length_m[numbers])
    return np.asarray(np.hypot(away[0], place - height[0]) + np.hypot(away[1], height[1] - place))


def _samples(edges: Edges, numbers: IntArray) -> FloatArray:
    """Three points of each edge, (3·N, 3)."""
    a, b = edges.ends_m[numbers, 0], edges.ends_m[numbers, 1]
    return np.stack([a + share * (b - a) for share in _SAMPLES], axis=1).reshape(-1, 3)


def _in_view(setting: Setting, numbers: IntArray, point_m: FloatArray, heavy: BoolArray) -> BoolArray:
    """Whether a point sees at least one of three places of each edge, past everything that is not heavy."""
    edges = setting.edges
    half = 0.5 * np.pi * edges.n[numbers][:, None]
    away = np.cos(half) * edges.along[numbers] + np.sin(half) * edges.normal[numbers]
    spots = _samples(edges, numbers).reshape(-1, len(_SAMPLES), 3) + _SET_BACK_M * away[:, None]
    hidden = np.arange(len(numbers))
    for i in range(len(_SAMPLES)):
        look = spots[hidden, i]
        hidden = hidden[setting.tracer.hidden(np.broadcast_to(point_m, look.shape), look, opaque=heavy)]
    seen = np.ones(len(numbers), dtype=bool)
    seen[hidden] = False
    return seen


def _planes_in_view(setting: Setting, point_m: FloatArray, heavy: BoolArray) -> IntArray:
    """Planes large enough to be mirrors that a point sees, up to and including the first heavy wall everywhere."""
    z = 1.0 - (2.0 * np.arange(_LOOK_AROUND) + 1.0) / _LOOK_AROUND
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(_LOOK_AROUND)  # the golden angle spreads points evenly
    ring = np.sqrt(1.0 - z * z)
    way = np.stack([ring * np.cos(turn), ring * np.sin(turn), z], axis=1)
    start = np.broadcast_to(point_m, way.shape)
    met = setting.tracer.crossings(start, start + setting.scene.extent_m * way, opaque=heavy)
    facets = setting.facets
    area = np.bincount(facets.plane, weights=facets.area_m2)
    seen = np.unique(facets.plane[facets.triangle_facet[met.triangle]])
    return seen[area[seen] >= MIRROR_M2]
