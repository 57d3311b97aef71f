"""Exact paths: which ways lead from each transmitter to each receiver.

Candidate sequences of planes come from the whole tree of mirror images while it is small
enough, otherwise from traced rays; each candidate is then refined exactly in float64,
checked for blockage and given the walls it passes. The result is geometry only.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import numpy as np

from rf3d.jobs import Jobs, batch_generator, ordered
from rf3d.propagation.assembly import Setting, assemble, prepare
from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.diffraction import edge_paths, facet_widths, heavy_parts, usable_edges
from rf3d.propagation.grazing import on_the_side_seen
from rf3d.propagation.kernels.images import lit_planes, specular_points
from rf3d.propagation.kernels.search import step
from rf3d.propagation.lobes import lobe_paths
from rf3d.propagation.pathset import PathSet, join
from rf3d.propagation.tracer import MOST_CROSSINGS
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.facets import Facets

__all__ = ["Candidates", "PathSet", "Setting", "find_paths", "find_sequences", "prepare", "refine"]

TREE_LIMIT = 10_000_000
"""Sequences of planes up to which a tree of images is tried; most of them are ruled out by their beams."""
NARROW_M = 0.5
"""Planes whose facets are all narrower are narrow: what two of them pass on is little (``kernels.edges``)."""
RAY_BATCHES = 64
EDGES_AT_HZ = 1e9
"""Ways over edges are ranked at this frequency in every band: low, since bends are strong there."""
_CHUNK = 50_000
_PAIRS = 250_000
"""Sequences, and sequences times receivers, that are looked at in one task."""
_ROOM = 8192
_LOOKS = 1_000_000
"""Beams and planes compared in one task."""


class Tree(NamedTuple):
    """Which images are tried one by one.

    Attributes
    ----------
    order : int
        Number of reflections up to which they are.
    narrow : (planes,) bool
        Planes of which a sequence may hold one at most; all False where the tree is whole.
    """

    order: int
    narrow: BoolArray

    @property
    def exhaustive_order(self) -> int:
        """Number of reflections up to which every path is certain to be there."""
        return min(self.order, 1) if self.narrow.any() else self.order


def plan_tree(facets: Facets, max_reflections: int) -> Tree:
    """The deepest tree within ``TREE_LIMIT``: whole, unless one with few narrow planes goes deeper."""
    narrow = np.ones(facets.plane_count, dtype=bool)
    slack = 1e-6  # a facet of exactly that width is not narrow, however its coordinates were rounded
    narrow[facets.plane[facet_widths(facets) >= NARROW_M - slack]] = False
    slim = int(narrow.sum())

    def deepest(wide: int, slim: int) -> int:
        return max(o for o in range(max_reflections + 1) if _tree_size(wide, slim, o) <= TREE_LIMIT)

    whole, partly = deepest(facets.plane_count, 0), deepest(facets.plane_count - slim, slim)
    return Tree(partly, narrow) if partly > whole else Tree(whole, np.zeros_like(narrow))


def _tree_size(wide: int, narrow: int, order: int) -> int:
    """Sequences of up to ``order`` planes with at most one narrow one, neighbours that are alike counted too."""
    return sum(wide**n + n * narrow * wide ** (n - 1) for n in range(1, order + 1))


def find_sequences(
    setting: Setting, source_m: FloatArray, *, max_reflections: int, rays: int, seed: int, jobs: Jobs
) -> tuple[IntArray, IntArray]:
    """Candidate sequences of planes from one source (3,), local.

    Order by order the tree while it is small (``plan_tree``), less what no beam reaches (``lit_planes``); beyond that
    every sequence met by one of ``rays`` rays sent out evenly in all directions, passing or bouncing at random.

    Returns
    -------
    sequences : (N, D) int32
        Padded with −1; the first row is the direct path. D is ``max_reflections``, at least 1.
    found_by : (N,) int32
        Rays that met each sequence; 0 for those of the whole tree.
    """
    depth = max(max_reflections, 1)
    tree = plan_tree(setting.facets, max_reflections)
    slim = np.append(tree.narrow, False)  # the last answers for −1
    parts: list[IntArray] = [np.full((1, depth), -1, dtype=np.int32)]
    level = np.zeros((0, 0), dtype=np.int32)
    rows = max(1, _LOOKS // setting.facets.plane_count)

    everything = np.arange(setting.facets.plane_count, dtype=np.int32)

    def grow(short: IntArray) -> IntArray:
        longer = []
        for some, targets in (
            (~slim[short].any(axis=1), everything),
            (slim[short].any(axis=1), everything[~slim[:-1]]),
        ):
            row, target = np.nonzero(lit_planes(setting.planes, source_m, short[some], targets))
            longer.append(np.concatenate([short[some][row], targets[target][:, None]], axis=1))
        return np.concatenate(longer)

    for order in range(1, tree.order + 1):
        if order == 1:
            level = everything[:, None]
        else:
            shorter = [level[i : i + rows] for i in range(0, len(level), rows)]
            longer = ordered(grow, shorter, jobs=jobs)
            level = np.concatenate([np.zeros((0, order), dtype=np.int32), *longer])
        parts.append(np.pad(level, ((0, 0), (0, depth - order)), constant_values=-1))
    found_by = np.zeros(sum(len(part) for part in parts), dtype=np.int32)
    if tree.exhaustive_order < max_reflections:

        def batch(index: int) -> tuple[IntArray, IntArray]:
            return _traced_sequences(
                setting, source_m, max_reflections=max_reflections, tree=tree,
                rays=max(1, rays // RAY_BATCHES), generator=batch_generator(seed, 1, index),
            )  # fmt: skip

        found = list(ordered(batch, range(RAY_BATCHES), jobs=jobs, stage="candidate paths", total=RAY_BATCHES))
        traced, times = _unique_rows(np.concatenate([f[0] for f in found]), np.concatenate([f[1] for f in found]))
        parts.append(traced)
        found_by = np.concatenate([found_by, times])
    return np.concatenate(parts), found_by


def _traced_sequences(
    setting: Setting,
    source_m: FloatArray,
    *,
    max_reflections: int,
    tree: Tree,
    rays: int,
    generator: np.random.Generator,
) -> tuple[IntArray, IntArray]:
    """Distinct sequences that are not in the tree, met by rays from a source, and by how many rays."""
    facets = setting.facets
    slim = np.append(tree.narrow, False)  # the last answers for −1
    z = 1.0 - 2.0 * (np.arange(rays) + generator.random(rays)) / rays
    angle = 2 * np.pi * generator.random(rays)
    ring = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    way = np.stack([ring * np.cos(angle), ring * np.sin(angle), z], axis=1)
    origin = np.broadcast_to(source_m, way.shape).copy()
    sequence = np.full((rays, max_reflections), -1, dtype=np.int32)
    depth = np.zeros(rays, dtype=np.int32)
    inside = np.full(rays, -1, dtype=np.int32)
    kept = []
    for _ in range(MOST_CROSSINGS):
        triangle = setting.tracer.nearest(origin, way)
        going, bounced = step(
            setting.planes, setting.bodies, facets.triangle_facet, setting.opaque, triangle,
            generator.random(len(way)), setting.tracer.clearance_m, max_reflections,
            origin, way, sequence, depth, inside,
        )  # fmt: skip
        outside = (depth > tree.order) | (slim[sequence].sum(axis=1) > 1)
        kept.append(sequence[bounced & outside])
        origin, way, sequence, depth, inside = origin[going], way[going], sequence[going], depth[going], inside[going]
        if len(origin) == 0:
            break
    rows = np.concatenate(kept)
    return _unique_rows(rows, np.ones(len(rows), dtype=np.int32))


def _unique_rows(rows: IntArray, times: IntArray) -> tuple[IntArray, IntArray]:
    """Distinct rows and the sums of their ``times``; sorted as bytes, which is quick and the same everywhere."""
    if len(rows) == 0:
        return rows, times
    packed = np.ascontiguousarray(rows).view(np.dtype((np.void, rows.dtype.itemsize * rows.shape[1])))
    distinct, index = np.unique(packed.reshape(-1), return_inverse=True)
    total = np.bincount(index.reshape(-1), weights=times, minlength=len(distinct)).astype(np.int32)
    return distinct.view(np.int32).reshape(-1, rows.shape[1]), total


class Candidates(NamedTuple):
    """What one transmitter's paths are looked for among.

    Attributes
    ----------
    key : tuple
        What the sequences were found from, for a cache: equal keys, equal sequences.
    sequences : (N, D) int32
        Planes in order of reflection, padded with −1 (``find_sequences``).
    found_by : (N,) int32
        Rays that met each sequence; 0 for those of the whole tree.
    edges : (K,) int32
        Edges that may bend a path.
    edges_at_hz : float
        Frequency at which ways over edges and off small facets are ranked.
    edge_reflections : int
        Most reflections together with an edge.
    """

    key: tuple[object, ...]
    sequences: IntArray
    found_by: IntArray
    edges: IntArray
    edges_at_hz: float
    edge_reflections: int


def find_paths(
    setting: Setting,
    transmitters_m: FloatArray,
    receivers_m: FloatArray,
    *,
    linked: BoolArray,
    max_reflections: int,
    rays: int,
    seed: int,
    jobs: Jobs,
    edges_at_hz: float | None = None,
    edge_reflections: int = 2,
    cache: PathCache | None = None,
) -> tuple[PathSet, list[Candidates]]:
    """All paths between T transmitters and R receivers, local coordinates.

    Parameters
    ----------
    transmitters_m : (T, 3) float64, receivers_m : (R, 3) float64
    linked : (T, R) bool
        Pairs to be joined.
    max_reflections : int
    rays : int
        Rays per transmitter that look for candidates where the tree of images is too large.
    edges_at_hz : float or None
        Add the paths over one edge or two, and off small facets beside their mirror direction, that matter at this
        frequency.
    edge_reflections : int
        Most reflections together with one edge, 0 to 2 and at most ``max_reflections``; with 0 there are no paths off
        small facets either.
    cache : PathCache or None
        Where to look first, and to keep what is found.

    Returns
    -------
    paths : PathSet
    candidates : list of Candidates
        Of each transmitter, for asking again about a receiver that moved a little (``refine``).
    """
    pieces: list[PathSet] = []
    tree = plan_tree(setting.facets, max_reflections)
    candidates: list[Candidates] = []
    none = np.zeros(0, dtype=np.int32)
    edges = none if edges_at_hz is None else kept(cache, ("edges", setting.digest), lambda: usable_edges(setting))
    for t, source in enumerate(transmitters_m):
        mine = np.flatnonzero(linked[t])
        key = (setting.digest, source.tobytes(), max_reflections, rays, seed, tree.order, tree.exhaustive_order)
        if len(mine):
            look = partial(
                find_sequences, setting, source, max_reflections=max_reflections, rays=rays, seed=seed, jobs=jobs
            )
            sequences, found_by = kept(cache, ("sequences", *key), look)
        else:
            sequences, found_by = np.full((1, max(max_reflections, 1)), -1, dtype=np.int32), np.zeros(1, dtype=np.int32)
        candidates.append(
            Candidates(
                key,
                sequences,
                found_by,
                edges,
                edges_at_hz or 0.0,
                min(edge_reflections, max_reflections),
            )
        )
        if len(mine):
            pieces.append(
                refine(
                    setting,
                    source,
                    receivers_m[mine],
                    candidates=candidates[t],
                    jobs=jobs,
                    labels=(t, mine),
                    cache=cache,
                )
            )
    return join(pieces, tree.exhaustive_order), candidates


def refine(
    setting: Setting,
    source_m: FloatArray,
    receivers_m: FloatArray,
    *,
    candidates: Candidates,
    jobs: Jobs,
    labels: tuple[int, IntArray],
    cache: PathCache | None = None,
) -> PathSet:
    """Exact paths among candidates, from one source (3,) to receivers (R, 3), local.

    ``labels`` are the transmitter's number and the receivers' numbers (R,) to write into the result.
    """
    receivers = np.ascontiguousarray(receivers_m, dtype=np.float64)
    source = np.ascontiguousarray(source_m, dtype=np.float64)
    key = (candidates.key, source.tobytes(), receivers.tobytes(), labels[0], np.asarray(labels[1]).tobytes())
    found = kept(
        cache, ("mirrored", *key),
        lambda: _mirrored(setting, source, receivers, candidates=candidates, jobs=jobs, labels=labels),
    )  # fmt: skip
    if len(candidates.edges) == 0:
        return found
    heavy = heavy_parts(setting, candidates.edges_at_hz).tobytes()
    bent = kept(
        cache, ("bent", *key, candidates.edges_at_hz, candidates.edge_reflections, heavy),
        lambda: edge_paths(
            setting, source, receivers, usable=candidates.edges, frequency_hz=candidates.edges_at_hz,
            reflections=candidates.edge_reflections, jobs=jobs, labels=labels,
        ),
    )  # fmt: skip
    seen = on_the_side_seen(setting, found, bent)
    if candidates.edge_reflections == 0:
        return join([found, seen], 0)
    lobes = kept(
        cache, ("lobes", *key, candidates.edges_at_hz, heavy),
        lambda: lobe_paths(
            setting, source, receivers, frequency_hz=candidates.edges_at_hz, jobs=jobs, labels=labels
        ),
    )  # fmt: skip
    return join([found, seen, lobes], 0)


def _mirrored(
    setting: Setting,
    source: FloatArray,
    receivers: FloatArray,
    *,
    candidates: Candidates,
    jobs: Jobs,
    labels: tuple[int, IntArray],
) -> PathSet:
    """Paths without an edge; see ``refine``."""

    def chunk(rows: IntArray) -> tuple[IntArray, FloatArray, IntArray, IntArray]:
        parts: list[tuple[IntArray, FloatArray, IntArray, IntArray]] = []
        after = 0
        while after < len(rows):
            found, after, which, receiver, points, facet = specular_points(
                setting.planes, source, receivers, rows, after, _ROOM + len(receivers)
            )
            parts.append((receiver[:found], points[:found], facet[:found], which[:found]))
        receiver, points, facet, which = (np.concatenate(part) for part in zip(*parts, strict=True))
        return receiver, points, facet, which

    rows = candidates.sequences
    step = min(_CHUNK, max(1, _PAIRS // len(receivers)))
    begins = range(0, len(rows), step)
    answers = list(ordered(chunk, [rows[i : i + step] for i in begins], jobs=jobs))
    receiver, points, facet = (np.concatenate([a[part] for a in answers]) for part in range(3))
    which = np.concatenate([i + a[3] for i, a in zip(begins, answers, strict=True)])
    order = np.argsort(receiver, kind="stable")
    return assemble(
        setting, source, receivers, receiver=receiver[order], points=points[order], facet=facet[order],
        edge=np.full_like(facet, -1), labels=labels, found_by=candidates.found_by[which[order]],
    )  # fmt: skip
