"""Exact paths: which ways lead from each transmitter to each receiver.

Candidate sequences of planes come from the whole tree of mirror images while it is small
enough, otherwise from traced rays; each candidate is then refined exactly in float64,
checked for blockage and given the walls it passes. The result is geometry only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rf3d.jobs import Jobs, batch_generator, ordered
from rf3d.propagation.kernels.crossings import REFLECTION, TRANSMISSION, Bodies, make_bodies, walls_passed
from rf3d.propagation.kernels.images import Planes, make_planes, specular_points
from rf3d.propagation.tracer import Tracer, tracer_for
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Surface

TREE_LIMIT = 1_000_000
"""Sequences of planes up to which the whole tree of images is tried."""
RAY_BATCHES = 64
_CHUNK = 50_000
_MOST_EVENTS = 24


@dataclass(frozen=True, eq=False)
class PathSet:
    """P paths with I interactions; geometry only: no frequency, material or antenna.

    Attributes
    ----------
    transmitter, receiver : (P,) int32
    length_m : (P,) float64
    departure, arrival : (P, 3) float64
        Unit vectors out of the transmitter, and from the receiver towards the incoming wave.
    start : (P + 1,) int32
        Interactions of path p are entries ``start[p]:start[p + 1]`` of the arrays below, in order.
    kind : (I,) int32
        REFLECTION, TRANSMISSION or OBLIQUE_FACE (propagation.kernels.crossings).
    facet, part : (I,) int32
    depth_m : (I,) float64
        Thickness the geometry gives: NaN for a sheet, inf for a body whose far face is not parallel.
    distance_m : (I,) float64
        Along the path from the transmitter.
    point_m : (I, 3) float64
        Local coordinates.
    exhaustive_order : int
        Reflections up to which every path is certain to be there.
    """

    transmitter: IntArray
    receiver: IntArray
    length_m: FloatArray
    departure: FloatArray
    arrival: FloatArray
    start: IntArray
    kind: IntArray
    facet: IntArray
    part: IntArray
    depth_m: FloatArray
    distance_m: FloatArray
    point_m: FloatArray
    exhaustive_order: int

    @property
    def count(self) -> int:
        """Number of paths."""
        return len(self.length_m)

    @property
    def reflections(self) -> IntArray:
        """Number of reflections of each path, (P,)."""
        bounce = np.concatenate([[0], np.cumsum(self.kind == REFLECTION)])
        return (bounce[self.start[1:]] - bounce[self.start[:-1]]).astype(np.int32)

    @property
    def path_of_interaction(self) -> IntArray:
        """Path that each interaction belongs to, (I,)."""
        return np.repeat(np.arange(self.count), np.diff(self.start)).astype(np.int32)

    def take(self, chosen: IntArray) -> PathSet:
        """The paths with numbers ``chosen`` (K,), in that order."""
        lengths = np.diff(self.start)[chosen]
        start = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int32)
        rows = np.repeat(self.start[:-1][chosen] - start[:-1], lengths) + np.arange(start[-1])
        return PathSet(
            transmitter=self.transmitter[chosen], receiver=self.receiver[chosen], length_m=self.length_m[chosen],
            departure=self.departure[chosen], arrival=self.arrival[chosen], start=start, kind=self.kind[rows],
            facet=self.facet[rows], part=self.part[rows], depth_m=self.depth_m[rows],
            distance_m=self.distance_m[rows], point_m=self.point_m[rows], exhaustive_order=self.exhaustive_order,
        )  # fmt: skip


class Setting(NamedTuple):
    """A scene made ready for path finding; see ``prepare``."""

    scene: Scene
    facets: Facets
    surfaces: tuple[Surface, ...]
    tracer: Tracer
    planes: Planes
    bodies: Bodies
    opaque: BoolArray


def prepare(scene: Scene, facets: Facets, surfaces: tuple[Surface, ...], *, opaque: BoolArray) -> Setting:
    """Gather what path finding needs.

    Parameters
    ----------
    opaque : (parts,) bool
        Parts that let nothing through (``kernels.interfaces.opaque_parts``).
    """
    return Setting(
        scene,
        facets,
        surfaces,
        tracer_for(scene),
        make_planes(scene, facets),
        make_bodies(scene, facets, surfaces),
        opaque,
    )


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
) -> IntArray:
    """Candidate sequences of planes, (N, max_reflections) int32 padded with −1, from one source (3,), local.

    The first row is the direct path. Order by order the whole tree while it is small, beyond that every
    sequence met by one of ``rays`` rays sent out evenly in all directions, passing or bouncing at random.
    """
    depth = max(max_reflections, 1)
    complete = exhaustive_order(setting.facets.plane_count, max_reflections)
    parts: list[IntArray] = [np.full((1, depth), -1, dtype=np.int32)]
    level = np.zeros((1, 0), dtype=np.int32)
    planes = np.arange(setting.facets.plane_count, dtype=np.int32)
    for order in range(1, complete + 1):
        grown = np.concatenate([np.repeat(level, len(planes), axis=0), np.tile(planes, len(level))[:, None]], axis=1)
        level = grown[grown[:, -1] != grown[:, -2]] if order > 1 else grown
        parts.append(np.pad(level, ((0, 0), (0, depth - order)), constant_values=-1))
    if complete < max_reflections:

        def batch(index: int) -> IntArray:
            return _traced_sequences(
                setting, source_m, max_reflections=max_reflections, longer_than=complete,
                rays=max(1, rays // RAY_BATCHES), generator=batch_generator(seed, 1, index),
            )  # fmt: skip

        found = list(ordered(batch, range(RAY_BATCHES), jobs=jobs, stage="candidate paths", total=RAY_BATCHES))
        parts.append(_unique_rows(np.concatenate(found)))
    return np.concatenate(parts)


def _traced_sequences(
    setting: Setting,
    source_m: FloatArray,
    *,
    max_reflections: int,
    longer_than: int,
    rays: int,
    generator: np.random.Generator,
) -> IntArray:
    """Distinct sequences of more than ``longer_than`` reflections met by rays from a source."""
    facets, bodies = setting.facets, setting.bodies
    z = 1.0 - 2.0 * (np.arange(rays) + generator.random(rays)) / rays
    angle = 2 * np.pi * generator.random(rays)
    ring = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    way = np.stack([ring * np.cos(angle), ring * np.sin(angle), z], axis=1)
    origin = np.broadcast_to(source_m, way.shape).copy()
    sequence = np.full((rays, max_reflections), -1, dtype=np.int32)
    depth = np.zeros(rays, dtype=np.int32)
    inside = np.full(rays, -1, dtype=np.int32)
    clearance = setting.tracer.clearance_m
    kept = []
    for _ in range(_MOST_EVENTS):
        triangle = setting.tracer.nearest(origin, way)
        facet = facets.triangle_facet[triangle]
        plane = facets.plane[facet]
        normal = facets.normal[plane]
        along = np.einsum("ri,ri->r", normal, way)
        hit = (triangle >= 0) & (np.abs(along) > 1e-6)
        reach = (facets.offset_m[plane] - np.einsum("ri,ri->r", normal, origin)) / np.where(hit, along, 1.0)
        in_body = inside >= 0
        opaque = setting.opaque[facets.part[facet]]
        bounce = hit & ~in_body & (opaque | (generator.random(len(way)) < 0.5))
        going = hit & (bounce | ~opaque)
        leaving = hit & in_body & (inside == bodies.object[facet])
        entering = hit & ~bounce & ~in_body & bodies.solid[facet]
        inside[leaving] = -1
        inside[entering] = bodies.object[facet[entering]]
        sequence[bounce, depth[bounce]] = plane[bounce]
        depth[bounce] += 1
        kept.append(sequence[bounce & (depth > longer_than)])
        going &= depth < max_reflections
        side = np.where(bounce, -np.sign(along), np.sign(along))
        at = origin + reach[:, None] * way + (side * clearance)[:, None] * normal
        turned = np.where(bounce[:, None], way - 2 * along[:, None] * normal, way)
        origin, way, sequence, depth, inside = at[going], turned[going], sequence[going], depth[going], inside[going]
        if len(origin) == 0:
            break
    return _unique_rows(np.concatenate(kept))


def _unique_rows(rows: IntArray) -> IntArray:
    """Distinct rows; sorted as bytes, which is quick and the same everywhere."""
    if len(rows) == 0:
        return rows
    packed = np.ascontiguousarray(rows).view(np.dtype((np.void, rows.dtype.itemsize * rows.shape[1])))
    return np.unique(packed.reshape(-1)).view(np.int32).reshape(-1, rows.shape[1])


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
) -> tuple[PathSet, list[IntArray]]:
    """All paths between T transmitters and R receivers, local coordinates.

    Parameters
    ----------
    transmitters_m : (T, 3) float64, receivers_m : (R, 3) float64
    linked : (T, R) bool
        Pairs to be joined.
    max_reflections : int
    rays : int
        Rays per transmitter that look for candidates where the tree of images is too large.

    Returns
    -------
    paths : PathSet
    sequences : list of (N, D) int32
        Candidates of each transmitter, for asking again about a receiver that moved a little (``refine``).
    """
    pieces: list[PathSet] = []
    candidates: list[IntArray] = []
    for t, source in enumerate(transmitters_m):
        if not linked[t].any():
            candidates.append(np.full((1, max(max_reflections, 1)), -1, dtype=np.int32))
            continue
        sequences = find_sequences(setting, source, max_reflections=max_reflections, rays=rays, seed=seed, jobs=jobs)
        candidates.append(sequences)
        mine = np.flatnonzero(linked[t])
        pieces.append(refine(setting, source, receivers_m[mine], sequences=sequences, jobs=jobs, labels=(t, mine)))
    return join(pieces, exhaustive_order(setting.facets.plane_count, max_reflections)), candidates


def refine(
    setting: Setting,
    source_m: FloatArray,
    receivers_m: FloatArray,
    *,
    sequences: IntArray,
    jobs: Jobs,
    labels: tuple[int, IntArray],
) -> PathSet:
    """Exact paths of candidate sequences (N, D) from one source (3,) to receivers (R, 3).

    ``labels`` are the transmitter's number and the receivers' numbers (R,) to write into the result.
    """
    receivers = np.ascontiguousarray(receivers_m, dtype=np.float64)
    source = np.ascontiguousarray(source_m, dtype=np.float64)

    def chunk(rows: IntArray) -> tuple[IntArray, FloatArray, IntArray, IntArray]:
        most = 4096
        while True:
            found, which, receiver, points, facet = specular_points(setting.planes, source, receivers, rows, most)
            if found <= most:
                return receiver[:found], points[:found], facet[:found], which[:found]
            most = found

    chunks = [sequences[i : i + _CHUNK] for i in range(0, len(sequences), _CHUNK)]
    answers = list(ordered(chunk, chunks, jobs=jobs))
    receiver = np.concatenate([a[0] for a in answers])
    points = np.concatenate([a[1] for a in answers])
    facet = np.concatenate([a[2] for a in answers])
    order = np.argsort(receiver, kind="stable")
    return _assemble(
        setting, source, receivers, receiver=receiver[order], points=points[order], facet=facet[order], labels=labels
    )


def _assemble(
    setting: Setting,
    source: FloatArray,
    receivers: FloatArray,
    *,
    receiver: IntArray,
    points: FloatArray,
    facet: IntArray,
    labels: tuple[int, IntArray],
) -> PathSet:
    """Drop blocked candidates and write out the interactions of the rest, in order along each path."""
    facets, bodies = setting.facets, setting.bodies
    count, depth = facet.shape
    bounces = (facet >= 0).sum(axis=1)
    # Corners of every path: transmitter, bounces, receiver; legs are the stretches between them.
    corner = np.empty((count, depth + 2, 3))
    corner[:, 0] = source
    corner[:, 1:-1] = points
    corner[np.arange(count), bounces + 1] = receivers[receiver]
    plane = np.full((count, depth + 2), -1, dtype=np.int32)
    plane[:, 1:-1] = np.where(facet >= 0, facets.plane[facet], -1)
    path, leg = np.nonzero(np.arange(depth + 1)[None, :] <= bounces[:, None])
    starts, ends = corner[path, leg], corner[path, leg + 1]
    leg_planes = np.stack([plane[path, leg], plane[path, leg + 1]], axis=1)
    met = setting.tracer.crossings(
        starts, ends, opaque=setting.opaque[facets.part[facets.triangle_facet]],
        label=facets.plane[facets.triangle_facet], pass_over=leg_planes,
    )  # fmt: skip
    met_facet = facets.triangle_facet[met.triangle]
    length = np.linalg.norm(ends - starts, axis=1)
    first = np.searchsorted(met.segment, np.arange(len(path) + 1)).astype(np.int64)
    inside, first_out, kind, wall_facet, part, wall_depth, distance = walls_passed(
        setting.planes, bodies, starts, ends, leg_planes[:, 0], leg_planes[:, 1], first, met_facet, met.distance_m
    )
    bad = np.zeros(count, dtype=bool)
    bad[path[met.blocked | inside]] = True

    travelled = np.zeros((count, depth + 2))
    travelled[path, leg + 1] = length
    travelled = np.cumsum(travelled, axis=1)
    wall_leg = np.repeat(np.arange(len(path)), np.diff(first_out))
    way = (ends - starts) / np.maximum(length, 1e-300)[:, None]
    bounce_path, bounce = np.nonzero(facet >= 0)
    into = way[np.searchsorted(path, bounce_path) + bounce]
    bounce_facet = facet[bounce_path, bounce]
    bounce_point = corner[bounce_path, bounce + 1]
    behind = _depth_behind(setting, bounce_point, into, bounce_facet, bad[bounce_path])
    rows = {
        "path": np.concatenate([path[wall_leg], bounce_path]),
        "distance": np.concatenate(
            [travelled[path[wall_leg], leg[wall_leg]] + distance, travelled[bounce_path, bounce + 1]]
        ),
        "kind": np.concatenate([kind, np.full(len(bounce_path), REFLECTION, dtype=np.int32)]),
        "facet": np.concatenate([wall_facet, bounce_facet]),
        "part": np.concatenate([part, facets.part[bounce_facet]]),
        "depth": np.concatenate([wall_depth, behind]),
        "point": np.concatenate(
            [starts[wall_leg] + distance[:, None] * way[wall_leg], corner[bounce_path, bounce + 1]]
        ),
    }
    keep = np.flatnonzero(~bad)
    renumber = np.full(count, -1)
    renumber[keep] = np.arange(len(keep))
    mine = np.flatnonzero(~bad[rows["path"]])
    mine = mine[np.lexsort((rows["distance"][mine], rows["path"][mine]))]
    start = np.searchsorted(renumber[rows["path"][mine]], np.arange(len(keep) + 1)).astype(np.int32)
    last = np.searchsorted(path, keep, side="right") - 1
    return PathSet(
        transmitter=np.full(len(keep), labels[0], dtype=np.int32),
        receiver=np.asarray(labels[1], dtype=np.int32)[receiver[keep]],
        length_m=travelled[keep, bounces[keep] + 1],
        departure=way[np.searchsorted(path, keep)],
        arrival=-way[last],
        start=start,
        kind=rows["kind"][mine].astype(np.int32),
        facet=rows["facet"][mine].astype(np.int32),
        part=rows["part"][mine].astype(np.int32),
        depth_m=rows["depth"][mine],
        distance_m=rows["distance"][mine],
        point_m=rows["point"][mine],
        exhaustive_order=0,
    )


def _depth_behind(
    setting: Setting, points: FloatArray, into: FloatArray, facet: IntArray, skip: BoolArray
) -> FloatArray:
    """Thickness of the body behind each bounce: NaN on a sheet, inf where the far face is not parallel.

    Measured along the normal, so that a path and its reverse see the same wall.
    """
    facets, bodies = setting.facets, setting.bodies
    depth = np.full(len(facet), np.nan)
    solid = np.flatnonzero(bodies.solid[facet] & ~skip)
    depth[solid] = np.inf
    solid = solid[~setting.opaque[facets.part[facet[solid]]]]
    if len(solid) == 0:
        return depth
    normal = facets.normal[facets.plane[facet[solid]]]
    inward = normal * np.sign(np.einsum("bi,bi->b", normal, into[solid]))[:, None]
    lead = 4.0 * setting.tracer.clearance_m
    starts = points[solid] - lead * inward
    ends = points[solid] + setting.scene.extent_m * inward
    met = setting.tracer.crossings(starts, ends, opaque=setting.opaque[facets.part[facets.triangle_facet]])
    first = np.searchsorted(met.segment, np.arange(len(solid) + 1)).astype(np.int64)
    nowhere = np.full(len(solid), -1, dtype=np.int32)
    _, first_out, kind, _, _, thickness, distance = walls_passed(
        setting.planes, bodies, starts, ends, nowhere, nowhere, first,
        facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    for i, b in enumerate(solid):
        for row in range(first_out[i], first_out[i + 1]):
            if kind[row] == TRANSMISSION and abs(distance[row] - lead) < 0.5 * lead and not np.isnan(thickness[row]):
                depth[b] = thickness[row]
    return depth


def join(pieces: list[PathSet], complete: int) -> PathSet:
    """One PathSet of several, in order."""
    starts: list[IntArray] = [np.zeros(1, dtype=np.int32)]
    total = 0
    for piece in pieces:
        starts.append(piece.start[1:] + total)
        total += int(piece.start[-1])

    def stack(name: str, dtype: type, width: tuple[int, ...] = ()) -> np.ndarray:
        return np.concatenate([np.zeros((0, *width), dtype=dtype)] + [getattr(piece, name) for piece in pieces])

    return PathSet(
        transmitter=stack("transmitter", np.int32),
        receiver=stack("receiver", np.int32),
        length_m=stack("length_m", np.float64),
        departure=stack("departure", np.float64, (3,)),
        arrival=stack("arrival", np.float64, (3,)),
        start=np.concatenate(starts).astype(np.int32),
        kind=stack("kind", np.int32),
        facet=stack("facet", np.int32),
        part=stack("part", np.int32),
        depth_m=stack("depth_m", np.float64),
        distance_m=stack("distance_m", np.float64),
        point_m=stack("point_m", np.float64, (3,)),
        exhaustive_order=complete,
    )
