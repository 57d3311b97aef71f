"""A set of paths as geometry: points, surfaces and kinds of interaction, nothing that depends on frequency."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from rf3d.propagation.kernels.crossings import LOBE, REFLECTION
from rf3d.units import FloatArray, IntArray


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
        REFLECTION, TRANSMISSION, OBLIQUE_FACE, DIFFRACTION or LOBE, a small facet's reflection off its mirror direction
        (propagation.kernels.crossings).
    facet, part : (I,) int32
        Of a diffraction, those of the edge's face 0.
    edge : (I,) int32
        Number among the setting's edges; −1 for all but diffraction.
    depth_m : (I,) float64
        Thickness the geometry gives: NaN for a sheet, inf for a body whose far face is not parallel.
    distance_m : (I,) float64
        Along the path from the transmitter.
    point_m : (I, 3) float64
        Local coordinates.
    leaving : (I, 3) float64
        Unit vector along which the path goes on.
    spreading_m : (P,) float64
        The field falls as 1/spreading: the length, or √(s′·s·(s′ + s)) times 1 m^−½ over an edge;
        over two edges see ``assembly.spreading_over_two``, times 1 m^−1.
    found_by : (P,) int32
        Rays that met this path's sequence of planes; 0 where it owes nothing to chance.
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
    edge: IntArray
    depth_m: FloatArray
    distance_m: FloatArray
    point_m: FloatArray
    leaving: FloatArray
    spreading_m: FloatArray
    found_by: IntArray
    exhaustive_order: int

    @property
    def count(self) -> int:
        """Number of paths."""
        return len(self.length_m)

    @property
    def reflections(self) -> IntArray:
        """Number of reflections of each path, (P,)."""
        bounce = np.concatenate([[0], np.cumsum((self.kind == REFLECTION) | (self.kind == LOBE))])
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
            edge=self.edge[rows], distance_m=self.distance_m[rows], point_m=self.point_m[rows],
            leaving=self.leaving[rows], spreading_m=self.spreading_m[chosen], found_by=self.found_by[chosen],
            exhaustive_order=self.exhaustive_order,
        )  # fmt: skip


def join(pieces: list[PathSet], complete: int) -> PathSet:
    """One PathSet of several, in order."""
    if len(pieces) == 1:
        return replace(pieces[0], exhaustive_order=complete)
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
        edge=stack("edge", np.int32),
        depth_m=stack("depth_m", np.float64),
        distance_m=stack("distance_m", np.float64),
        point_m=stack("point_m", np.float64, (3,)),
        leaving=stack("leaving", np.float64, (3,)),
        spreading_m=stack("spreading_m", np.float64),
        found_by=stack("found_by", np.int32),
        exhaustive_order=complete,
    )
