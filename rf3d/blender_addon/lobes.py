# SPDX-License-Identifier: GPL-3.0-or-later
"""The shape of an antenna's gain, for drawing: rf3d's patterns in plain Python.

What is drawn here guides the eye; what is computed comes from rf3d. A test holds the two together.
"""

import math
from functools import lru_cache

FLOOR_DB = (-35.0, -10.0)
RANGE_DB = 25.0
"""A lobe shows the gain from its peak down to this much below it."""


@lru_cache(maxsize=64)
def _wire(pattern, gain_dbi, efficiency):
    """Half length times wavenumber and aperture in wavelengths of an upright wire that has the gain."""
    if pattern == "short_dipole":
        return 0.0, 0.0
    if pattern == "dipole":
        return 0.5 * math.pi, 0.0
    wanted = 10 ** (gain_dbi / 10) / efficiency
    if wanted <= 1.5:
        return 0.0, 0.0
    if wanted <= _wire_directivity(0.5 * math.pi, 0.0):
        return _bisect(lambda a: _wire_directivity(a, 0.0) - wanted, 1e-6, 0.5 * math.pi), 0.0
    return 0.5 * math.pi, _bisect(lambda n: _wire_directivity(0.5 * math.pi, n) - wanted, 0.0, wanted + 2.0)


def _wire_power(cosine, half_length, aperture):
    ring2 = 1.0 - cosine * cosine
    if ring2 <= 0.0:
        return 0.0
    if half_length == 0.0:
        element = math.sqrt(ring2)
    else:
        product = math.sin(0.5 * half_length * (1 + cosine)) * math.sin(0.5 * half_length * (1 - cosine))
        element = product / math.sqrt(ring2) / math.sin(0.5 * half_length) ** 2
    u = math.pi * aperture * cosine
    return (element * (math.sin(u) / u if u else 1.0)) ** 2


def _wire_directivity(half_length, aperture):
    count = 400
    total = sum(_wire_power((k + 0.5) / count, half_length, aperture) for k in range(count)) / count
    return 1.0 / total


@lru_cache(maxsize=64)
def _lobe(gain_dbi, wide_deg, high_deg, efficiency):
    """Floor and steepness in azimuth and elevation of a panel or Yagi."""
    tangent2 = [math.tan(math.radians(width) / 4) ** 2 for width in (wide_deg, high_deg)]
    wanted = efficiency / 10 ** (gain_dbi / 10)

    def steepness(floor):
        return [math.log((1 - floor) / (0.5 - floor)) / t for t in tangent2]

    def mean(floor):
        total, turns, steps = 0.0, 12, 120
        k1, k2 = steepness(floor)
        for turn in range(turns):
            c2 = math.cos(math.pi * turn / turns) ** 2
            kappa = k1 * c2 + k2 * (1 - c2)
            # ½∫exp(−κ tan²(ϑ/2)) d cosϑ, with w = exp(−κ tan²) as the variable so that narrow lobes keep their digits.
            for step in range(steps):
                v = -math.log((step + 0.5) / steps) / kappa
                total += 1.0 / (kappa * (1 + v) ** 2) / steps
        return (1 - floor) * total / turns + floor

    low, high = (10 ** (edge / 10) for edge in FLOOR_DB)
    if wanted <= mean(low):
        floor = low
    elif wanted >= mean(high):
        floor = high
    else:
        floor = _bisect(lambda f: mean(f) - wanted, low, high)
    return (floor, *steepness(floor))


def _bisect(function, low, high):
    for _ in range(30):
        middle = 0.5 * (low + high)
        if (function(middle) < 0) == (function(low) < 0):
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def relative_db(pattern, gain_dbi, beamwidth_deg, efficiency, way):
    """Gain in a direction (unit vector in antenna axes) against the peak, dB; −inf where none is."""
    if pattern == "isotropic":
        return 0.0
    if pattern in ("panel", "yagi"):
        floor, azimuth, elevation = _lobe(gain_dbi, beamwidth_deg[0], beamwidth_deg[1], efficiency)
        ahead2 = (1 + way[0]) ** 2
        shape = 0.0
        if ahead2 > 1e-12:
            shape = math.exp(-(azimuth * way[1] ** 2 + elevation * way[2] ** 2) / ahead2)
        power = (1 - floor) * shape + floor
    else:
        power = _wire_power(max(-1.0, min(1.0, way[2])), *_wire(pattern, gain_dbi, efficiency))
    return 10 * math.log10(power) if power > 0 else -math.inf


@lru_cache(maxsize=64)
def surface(pattern, gain_dbi, beamwidth_deg, efficiency, rings=18, spokes=24):
    """Points and lines of a lobe whose radius is linear in dB: 1 at the peak, 0 at ``RANGE_DB`` below it.

    Returns
    -------
    points : list of (x, y, z)
    triangles : list of (i, j, k)
    lines : list of (i, j)
    """
    along_x = pattern in ("panel", "yagi")
    points, triangles, lines = [], [], []
    for ring in range(rings + 1):
        polar = math.pi * ring / rings
        for spoke in range(spokes):
            turn = 2 * math.pi * spoke / spokes
            a, b, c = math.cos(polar), math.sin(polar) * math.cos(turn), math.sin(polar) * math.sin(turn)
            way = (a, b, c) if along_x else (b, c, a)
            level = relative_db(pattern, gain_dbi, beamwidth_deg, efficiency, way)
            radius = max(0.0, 1.0 + level / RANGE_DB) if level > -math.inf else 0.0
            points.append(tuple(radius * part for part in way))
            here, beside = ring * spokes + spoke, ring * spokes + (spoke + 1) % spokes
            if ring < rings:
                triangles += [(here, beside, here + spokes), (beside, beside + spokes, here + spokes)]
                if spoke % 4 == 0:
                    lines.append((here, here + spokes))
            if ring % 3 == 0:
                lines.append((here, beside))
    return points, triangles, lines
