"""From geometry to fields: what each path carries, per frequency.

A PathSet knows no frequency, material or antenna; this file adds them. Asking for another
band, aim, power or material costs milliseconds and no new tracing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.propagation.kernels.interfaces import make_walls
from rf3d.propagation.kernels.transport import carry
from rf3d.propagation.kernels.wedges import Wedges, no_wedges
from rf3d.propagation.pathset import PathSet
from rf3d.radio.antennas import world_response
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import ComplexArray, FloatArray, read_only
from rf3d.venue.facets import Facets
from rf3d.venue.surfaces import Surface


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


def fields(
    paths: PathSet,
    facets: Facets,
    *,
    surfaces: tuple[Surface, ...],
    transmitters: tuple[Transmitter, ...],
    receivers: tuple[Receiver, ...],
    frequencies_hz: FloatArray,
    wedges: Wedges | None = None,
) -> Fields:
    """Evaluate paths at frequencies (F,) in hertz; ``wedges`` (a Setting's) are needed where paths bend at edges.

    Each path gives λ/(4πL) · (E·h) · exp(−jkL): spreading over the whole length since facets are planar, over
    √(s′·s·(s′ + s)) where it bends at an edge; E the field
    that the transmitting antenna sends, carried through every interaction; h the receiving antenna's own field pattern
    towards the arriving wave, without conjugation (reciprocity).

    Source: Friis, Proc. IRE 34 (1946) 254 (from memory); ITU-R P.2040-3 for the interactions.
    """
    frequencies = np.atleast_1d(np.asarray(frequencies_hz, dtype=np.float64))
    walls = make_walls(surfaces, frequencies)
    if wedges is None:
        if (paths.edge >= 0).any():
            raise ValueError("paths over edges need the setting's wedges")
        wedges = no_wedges()
    emitted = np.zeros((paths.count, 3), dtype=np.complex128)
    accepted = np.zeros((paths.count, 3), dtype=np.complex128)
    for t, transmitter in enumerate(transmitters):
        mine = np.flatnonzero(paths.transmitter == t)
        emitted[mine] = world_response(transmitter.antenna, transmitter.axes, paths.departure[mine])
    for r, receiver in enumerate(receivers):
        mine = np.flatnonzero(paths.receiver == r)
        accepted[mine] = world_response(receiver.antenna, receiver.axes, paths.arrival[mine])
    carried, cosine = carry(
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
        np.ascontiguousarray(facets.normal[facets.plane]),
        facets.edge_start,
        facets.edges_m,
        facets.edge_open,
    )
    k = walls.wavenumber
    spreading = np.exp(-1j * k[None, :] * paths.length_m[:, None]) / (2.0 * k[None, :] * paths.spreading_m[:, None])
    arriving = carried * spreading[:, :, None]
    amplitude = np.einsum("pfi,pi->pf", arriving, accepted)
    return Fields(read_only(frequencies), read_only(arriving), read_only(amplitude), read_only(cosine))
