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
from rf3d.propagation.diffraction import edge_paths, heavy_parts, usable_edges
from rf3d.propagation.kernels.images import lit_planes, specular_points
from rf3d.propagation.kernels.search import step
from rf3d.propagation.pathset import PathSet, join
from rf3d.propagation.tracer import MOST_CROSSINGS
from rf3d.units import BoolArray, FloatArray, IntArray

__all__ = ["Candidates", "PathSet", "Setting", "find_paths", "find_sequences", "prepare", "refine"]

TREE_LIMIT = 40_000_000
"""Sequences of planes up to which the whole tree of images is tried; most of them are ruled out by their beams."""
RAY_BATCHES = 64
_CHUNK = 50_000
_ROOM = 8192
_LOOKS = 1_000_000
"""Beams and planes compared in one task."""


def exhaustive_order(plane_count: int, max_reflections: int) -> int:
    """Highest number of reflections whose whole tree of images stays within ``TREE_LIMIT`` sequences."""
    total, level = 0, plane_count
    for order in range(1, max_reflections + 1):
        total += level
        if total > TREE_LIMIT:
            return order - 1
        level *= max(plane_count - 1, 0)
    return max_reflections


def find_sequences(
    setting: Setting, source_m: FloatArray, *, max_reflections: int, rays: int, seed: int, jobs: Jobs
) -> tuple[IntArray, IntArray]:
    """Candidate sequences of planes from one source (3,), local.

    Order by order the whole tree while it is small, less what no beam reaches (``lit_planes``); beyond that every
    sequence met by one of ``rays`` rays sent out evenly in all directions, passing or bouncing at random.

    Returns
    -------
    sequences : (N, D) int32
        Padded with −1; the first row is the direct path. D is ``max_reflections``, at least 1.
    found_by : (N,) int32
        Rays that met each sequence; 0 for those of the whole tree.
    """
    depth = max(max_reflections, 1)
    complete = exhaustive_order(setting.facets.plane_count, max_reflections)
    parts: list[IntArray] = [np.full((1, depth), -1, dtype=np.int32)]
    level = np.zeros((0, 0), dtype=np.int32)
    rows = max(1, _LOOKS // setting.facets.plane_count)

    def grow(short: IntArray) -> IntArray:
        row, plane = np.nonzero(lit_planes(setting.planes, source_m, short))
        return np.concatenate([short[row], plane[:, None].astype(np.int32)], axis=1)

    for order in range(1, complete + 1):
        if order == 1:
            level = np.arange(setting.facets.plane_count, dtype=np.int32)[:, None]
        else:
            shorter = [level[i : i + rows] for i in range(0, len(level), rows)]
            longer = ordered(grow, shorter, jobs=jobs)
            level = np.concatenate([np.zeros((0, order), dtype=np.int32), *longer])
        parts.append(np.pad(level, ((0, 0), (0, depth - order)), constant_values=-1))
    found_by = np.zeros(sum(len(part) for part in parts), dtype=np.int32)
    if complete < max_reflections:

        def batch(index: int) -> tuple[IntArray, IntArray]:
            return _traced_sequences(
                setting, source_m, max_reflections=max_reflections, longer_than=complete,
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
    longer_than: int,
    rays: int,
    generator: np.random.Generator,
) -> tuple[IntArray, IntArray]:
    """Distinct sequences of more than ``longer_than`` reflections met by rays from a source, and by how many rays."""
    facets = setting.facets
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
        kept.append(sequence[bounced & (depth > longer_than)])
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
        Frequency at which ways over edges are ranked.
    edges_with_reflection : bool
    """

    key: tuple[object, ...]
    sequences: IntArray
    found_by: IntArray
    edges: IntArray
    edges_at_hz: float
    edges_with_reflection: bool


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
        Add the paths over one edge, with up to one reflection before or after it, that matter at this frequency.
    cache : PathCache or None
        Where to look first, and to keep what is found.

    Returns
    -------
    paths : PathSet
    candidates : list of Candidates
        Of each transmitter, for asking again about a receiver that moved a little (``refine``).
    """
    pieces: list[PathSet] = []
    exhaustive = exhaustive_order(setting.facets.plane_count, max_reflections)
    candidates: list[Candidates] = []
    none = np.zeros(0, dtype=np.int32)
    edges = none if edges_at_hz is None else kept(cache, ("edges", setting.digest), lambda: usable_edges(setting))
    for t, source in enumerate(transmitters_m):
        mine = np.flatnonzero(linked[t])
        key = (setting.digest, source.tobytes(), max_reflections, rays, seed, exhaustive)
        if len(mine):
            look = partial(
                find_sequences, setting, source, max_reflections=max_reflections, rays=rays, seed=seed, jobs=jobs
            )
            sequences, found_by = kept(cache, ("sequences", *key), look)
        else:
            sequences, found_by = np.full((1, max(max_reflections, 1)), -1, dtype=np.int32), np.zeros(1, dtype=np.int32)
        candidates.append(Candidates(key, sequences, found_by, edges, edges_at_hz or 0.0, max_reflections > 0))
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
    return join(pieces, exhaustive), candidates


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
        cache, ("bent", *key, candidates.edges_at_hz, heavy),
        lambda: edge_paths(
            setting, source, receivers, usable=candidates.edges, frequency_hz=candidates.edges_at_hz,
            reflections=candidates.edges_with_reflection, jobs=jobs, labels=labels,
        ),
    )  # fmt: skip
    return join([found, bent], 0)


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
    begins = range(0, len(rows), _CHUNK)
    answers = list(ordered(chunk, [rows[i : i + _CHUNK] for i in begins], jobs=jobs))
    receiver = np.concatenate([a[0] for a in answers])
    points = np.concatenate([a[1] for a in answers])
    facet = np.concatenate([a[2] for a in answers])
    which = np.concatenate([i + a[3] for i, a in zip(begins, answers, strict=True)])
    order = np.argsort(receiver, kind="stable")
    return assemble(
        setting, source, receivers, receiver=receiver[order], points=points[order], facet=facet[order],
        edge=np.full_like(facet, -1), labels=labels, found_by=candidates.found_by[which[order]],
    )  # fmt: skip
