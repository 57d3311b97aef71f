"""From geometry to fields: what each path carries, per frequency.

A PathSet knows no frequency, material or antenna; this file adds them. Asking for another
band, aim, power or material costs milliseconds and no new tracing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.chebyshev import chebvander

from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, TRANSMISSION
from rf3d.propagation.kernels.interfaces import Walls, make_walls, passed_power
from rf3d.propagation.kernels.outlines import make_outlines
from rf3d.propagation.kernels.transport import carry, interpolate, travel
from rf3d.propagation.kernels.wedges import Wedges, no_wedges
from rf3d.propagation.pathset import PathSet
from rf3d.radio.antennas import world_response
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import SPEED_OF_LIGHT_M_S, ComplexArray, FloatArray, read_only, to_db
from rf3d.venue.facets import Facets
from rf3d.venue.surfaces import Surface

_NODES = 12
"""Frequencies that stand for a band."""
_MANY = 2 * (_NODES + 2)
"""Frequencies from which on interpolation pays."""
_INTERPOLATED = 1e-5
"""Error of interpolation over a band that is let pass, over the strongest path's field at the same receiver."""


@dataclass(frozen=True, eq=False)
class Fields:
    """Fields at the receivers of P paths at F frequencies.

    Attributes
    ----------
    frequencies_hz : (F,) float64
    arriving : (P, F, 3) complex128
        Field vector such that a probe accepting |Eθ|² + |Eφ|² receives |arriving|² per watt sent.
    amplitude : (P, F) complex128
        √(P_rx/P_tx) with the phase of the path, the receiver's own antenna included.
    incidence_cos : (I,) float64
        Cosine of the angle of incidence at each interaction of the PathSet.
    """

    frequencies_hz: FloatArray
    arriving: ComplexArray
    amplitude: ComplexArray
    incidence_cos: FloatArray


def losses_db(
    paths: PathSet,
    facets: Facets,
    *,
    surfaces: tuple[Surface, ...],
    transmitter: Transmitter,
    frequency_hz: float,
    wedges: Wedges,
) -> FloatArray:
    """What every interaction of one path costs, (I,) dB, polarisation and the lobe of small facets included.

    The field is carried to just behind each interaction in turn; a loss is the drop of its length from one to the
    next. At an edge the spreading that only a bent path has is part of the loss: √(L/(s′·s)) per √m of coefficient.
    """
    count = len(paths.kind)
    level = np.empty(count + 1)
    bends = np.concatenate([[0], np.cumsum(paths.edge >= 0)])
    to_edge = paths.distance_m[np.argmax(paths.edge >= 0)] if count else 0.0
    once = np.sqrt(np.abs(to_edge * (paths.length_m - to_edge) * paths.length_m))
    for step in range(count + 1):
        cut = replace(
            paths, start=np.array([0, step], dtype=np.int32), kind=paths.kind[:step], facet=paths.facet[:step],
            part=paths.part[:step], edge=paths.edge[:step], depth_m=paths.depth_m[:step],
            distance_m=paths.distance_m[:step], point_m=paths.point_m[:step], leaving=paths.leaving[:step],
            spreading_m=paths.length_m if bends[step] == 0 else once if bends[step] == 1 else paths.spreading_m,
        )  # fmt: skip
        arriving = _arriving(
            cut, facets, surfaces=surfaces, transmitters=(transmitter,), frequencies=np.array([frequency_hz]),
            wedges=wedges,
        )[0]  # fmt: skip
        level[step] = 20.0 * np.log10(max(float(np.linalg.norm(arriving[0, 0])), 1e-300))
    return level[:-1] - level[1:]


def fields(
    paths: PathSet,
    facets: Facets,
    *,
    surfaces: tuple[Surface, ...],
    transmitters: tuple[Transmitter, ...],
    receivers: tuple[Receiver, ...],
    frequencies_hz: FloatArray,
    wedges: Wedges | None = None,
    walls: Walls | None = None,
) -> Fields:
    """Evaluate paths at frequencies (F,) in hertz; ``wedges`` (a Setting's) are needed where paths bend at edges.

    ``walls`` are those of the surfaces at the frequencies, for who has them already and asks often.

    Each path gives λ/(4πL) · (E·h) · exp(−jkL): spreading over the whole length since facets are planar, over
    √(s′·s·(s′ + s)) where it bends at an edge, ``assembly.spreading_over_two`` where at two; E the field
    that the transmitting antenna sends, carried through every interaction; h the receiving antenna's own field pattern
    towards the arriving wave, without conjugation (reciprocity).

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory); ITU-R P.2040-3 for the interactions.
    """
    frequencies = np.atleast_1d(np.asarray(frequencies_hz, dtype=np.float64))
    arriving, cosine = _arriving(
        paths, facets, surfaces=surfaces, transmitters=transmitters, frequencies=frequencies, wedges=wedges, walls=walls
    )
    amplitude = received(arriving, paths, receivers=receivers)
    return Fields(read_only(frequencies), read_only(arriving), read_only(amplitude), read_only(cosine))


def received(arriving: ComplexArray, paths: PathSet, *, receivers: tuple[Receiver, ...]) -> ComplexArray:
    """What receivers' antennas make of field vectors (P, F, 3) that arrive: amplitudes (P, F) as in ``Fields``."""
    accepted = np.zeros((paths.count, 3), dtype=np.complex128)
    alike: dict[tuple[int, bytes], list[int]] = {}
    for r, receiver in enumerate(receivers):
        alike.setdefault((id(receiver.antenna), receiver.axes.tobytes()), []).append(r)
    for same in alike.values():
        mine = np.flatnonzero(np.isin(paths.receiver, same))
        accepted[mine] = world_response(receivers[same[0]].antenna, receivers[same[0]].axes, paths.arrival[mine])
    return np.asarray(np.einsum("pfi,pi->pf", arriving, accepted))


def wall_losses_db(
    paths: PathSet, *, surfaces: tuple[Surface, ...], frequency_hz: float, incidence_cos: FloatArray
) -> FloatArray:
    """What the walls that each path passes take altogether, (P,) dB; the mean power of TE and TM at each wall.

    Parameters
    ----------
    incidence_cos : (I,) float64
        As in ``Fields``.
    """
    row = np.flatnonzero((paths.kind == TRANSMISSION) | (paths.kind == OBLIQUE_FACE))
    walls = make_walls(surfaces, np.array([frequency_hz]))
    passed = passed_power(
        walls, 0, paths.part[row], incidence_cos[row], paths.depth_m[row], paths.kind[row] == OBLIQUE_FACE
    )
    loss = -to_db(np.maximum(passed, 1e-300))
    return np.bincount(paths.path_of_interaction[row], loss, minlength=paths.count).astype(np.float64)


def _arriving(
    paths: PathSet,
    facets: Facets,
    *,
    surfaces: tuple[Surface, ...],
    transmitters: tuple[Transmitter, ...],
    frequencies: FloatArray,
    wedges: Wedges | None,
    walls: Walls | None = None,
) -> tuple[ComplexArray, FloatArray]:
    """Field vectors (P, F, 3) at the ends of paths and cosines of incidence (I,)."""
    if wedges is None:
        if (paths.edge >= 0).any():
            raise ValueError("paths over edges need the setting's wedges")
        wedges = no_wedges()
    emitted = np.zeros((paths.count, 3), dtype=np.complex128)
    for t, transmitter in enumerate(transmitters):
        mine = np.flatnonzero(paths.transmitter == t)
        emitted[mine] = world_response(transmitter.antenna, transmitter.axes, paths.departure[mine])
    if walls is None and len(frequencies) > _MANY:
        carried, cosine = _over_band(
            paths, facets, surfaces=surfaces, emitted=emitted, at_hz=frequencies, wedges=wedges
        )
    else:
        walls = make_walls(surfaces, frequencies) if walls is None else walls
        carried, cosine = _carried(paths, facets, walls=walls, emitted=emitted, wedges=wedges)
    k = 2.0 * np.pi * frequencies / SPEED_OF_LIGHT_M_S
    travel(carried, k, paths.length_m, paths.spreading_m)
    return carried, cosine


def _over_band(
    paths: PathSet,
    facets: Facets,
    *,
    surfaces: tuple[Surface, ...],
    emitted: ComplexArray,
    at_hz: FloatArray,
    wedges: Wedges,
) -> tuple[ComplexArray, FloatArray]:
    """As ``_carried`` at many frequencies (F,): by Chebyshev interpolation over the band where that is good enough.

    Without the phase of its length, what a path carries changes slowly. Where the interpolation misses the two ends of
    the band by more than ``_INTERPOLATED``, the path is carried at every frequency. For smooth fields the error is
    greatest at the ends; of waves that turn fast it was up to three times that within the band (demo venues).
    """
    low, high = float(at_hz.min()), float(at_hz.max())
    place = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    at = np.concatenate([0.5 * (low + high) + 0.5 * (high - low) * place, [low, high]])
    carried, cosine = _carried(paths, facets, walls=make_walls(surfaces, at), emitted=emitted, wedges=wedges)
    nodes, ends = np.ascontiguousarray(carried[:, :_NODES]), carried[:, _NODES:]

    def through_nodes(x: FloatArray) -> ComplexArray:
        rows = np.linalg.solve(chebvander(place, _NODES - 1).T, chebvander(x, _NODES - 1).T)
        return interpolate(np.ascontiguousarray(rows), nodes)

    miss = np.abs(through_nodes(np.array([-1.0, 1.0])) - ends).max(axis=(1, 2))
    answer = through_nodes((2.0 * at_hz - low - high) / (high - low))
    strength = np.abs(carried).max(axis=(1, 2)) / paths.spreading_m
    strongest = np.zeros(paths.receiver.max(initial=-1) + 1)
    np.maximum.at(strongest, paths.receiver, strength)
    far = np.flatnonzero(miss / paths.spreading_m > _INTERPOLATED * strongest[paths.receiver])
    if len(far):
        answer[far], _ = _carried(
            paths.take(far), facets, walls=make_walls(surfaces, at_hz), emitted=emitted[far], wedges=wedges
        )
    return answer, cosine


def _carried(
    paths: PathSet, facets: Facets, *, walls: Walls, emitted: ComplexArray, wedges: Wedges
) -> tuple[ComplexArray, FloatArray]:
    """Field vectors (P, F, 3) at the ends of paths without spreading and phase, and cosines of incidence (I,)."""
    return carry(
        walls,
        emitted,
        paths.departure,
        paths.length_m,
        paths.start,
        paths.kind,
        paths.part,
        paths.depth_m,
        paths.distance_m,
        paths.point_m,
        np.ascontiguousarray(facets.normal[facets.plane[paths.facet]]),
        paths.facet,
        paths.edge,
        paths.leaving,
        wedges,
        make_outlines(facets),
    )
