"""Paths off small facets that do not mirror: truss members, ribs, rails.

A facet narrower than its Fresnel zone sends a lobe about the mirror direction. Facets whose
mirror point lies on them are found as mirror images; this file finds those whose mirror
point lies beside them, link by link, the strongest of those that both ends see.
"""

from __future__ import annotations

import numpy as np

from rf3d.jobs import Jobs, ordered
from rf3d.propagation.assembly import Setting, assemble
from rf3d.propagation.diffraction import heavy_triangles
from rf3d.propagation.kernels.panels import lobe_ways
from rf3d.propagation.pathset import PathSet, join
from rf3d.units import SPEED_OF_LIGHT_M_S, FloatArray, IntArray

MOST_LOBES = 64
"""Lobes kept for one link, the strongest by estimate of those that both ends see."""
MOST_TRIED = 4 * MOST_LOBES
"""Lobes looked at for one link; most pieces of a truss stand behind others."""
LEAST_BELOW_FREE_DB = 45.0
"""Lobes whose estimate lies further below free space are left out."""


def lobe_paths(
    setting: Setting,
    source_m: FloatArray,
    receivers_m: FloatArray,
    *,
    frequency_hz: float,
    jobs: Jobs,
    labels: tuple[int, IntArray],
) -> PathSet:
    """Paths off one small facet beside its mirror direction, from a source (3,) to receivers (R, 3), local.

    Parameters
    ----------
    frequency_hz : float
        At which facets are small and lobes are ranked; the paths themselves know no frequency.
    labels : (transmitter's number, receivers' numbers (R,))
    """
    source = np.array(source_m, dtype=np.float64)
    facets = setting.facets
    heavy = heavy_triangles(setting, frequency_hz)
    label = facets.plane[facets.triangle_facet]
    wavenumber = 2 * np.pi * frequency_hz / SPEED_OF_LIGHT_M_S

    def one(r: int) -> PathSet:
        receiver = np.array(receivers_m[r], dtype=np.float64)
        least = 10.0 ** (-LEAST_BELOW_FREE_DB / 20.0) / max(float(np.linalg.norm(receiver - source)), 1e-9)
        found, facet, estimate, point = lobe_ways(setting.planes, setting.panels, source, receiver, wavenumber, least)
        best = np.argsort(-estimate[:found], kind="stable")[:MOST_TRIED]
        own = facets.plane[facet[best]][:, None]
        hidden = np.zeros(len(best), dtype=bool)
        for place in (source, receiver):
            met = setting.tracer.crossings(
                point[best], np.broadcast_to(place, (len(best), 3)), opaque=heavy, label=label, pass_over=own
            )
            hidden |= met.blocked
        best = best[~hidden][:MOST_LOBES]
        turns = facet[best][:, None]
        return assemble(
            setting, source, receiver[None], receiver=np.zeros(len(best), dtype=np.int32),
            points=point[best][:, None], facet=turns, edge=np.full_like(turns, -1),
            labels=(labels[0], np.asarray(labels[1])[r : r + 1]), lobe=np.ones_like(turns, dtype=bool),
        )  # fmt: skip

    count = len(receivers_m)
    return join(list(ordered(one, range(count), jobs=jobs, stage="small facets", total=count)), 0)
