# SPDX-License-Identifier: GPL-3.0-or-later
"""Numbers between Blender, which holds 32-bit floats, and plan files, which hold what a person typed."""

import math
import struct


def single(value):
    """A number as a 32-bit float holds it."""
    return struct.unpack("<f", struct.pack("<f", value))[0]


def typed(value):
    """The shortest number that a 32-bit float holds as ``value``: 9.7, not 9.699999809."""
    for digits in range(1, 10):
        short = float(f"{value:.{digits}g}")
        if single(short) == single(value):
            return short
    return float(value)


def recall(value, remembered):
    """What stood in the plan file, while the 32-bit float still holds it; else the number itself, as typed."""
    if isinstance(remembered, int | float) and not isinstance(remembered, bool) and single(remembered) == single(value):
        return remembered
    return typed(value)


def scaled(value, factor, remembered=None):
    """A number shown in another unit, back in the plan's: 868.3 MHz times 1e6 is 868300000.0 Hz, to the digit."""
    if isinstance(remembered, int | float) and single(remembered / factor) == single(value):
        return remembered
    # Fifteen digits: the product of two short numbers without the rounding of the last bit.
    return float(f"{typed(value) * factor:.15g}")


def angles(x, z):
    """Azimuth, elevation and roll in degrees of an antenna whose boresight is x and whose up is z (any length).

    Azimuth from +x, counter-clockwise from above; roll clockwise seen from behind; aimed straight up or down, +y of
    the venue is the antenna's up: the conventions of the plan file.
    """
    x = _unit(x)
    z = _unit([a - _dot(z, x) * b for a, b in zip(z, x)])
    level = math.hypot(x[0], x[1])
    if level < 1e-6:
        x = [0.0, 0.0, math.copysign(1.0, x[2])]
        azimuth, up = 0.0, [0.0, 1.0, 0.0]
    else:
        azimuth, up = math.atan2(x[1], x[0]), [0.0, 0.0, 1.0]
    y0 = _unit(_cross(up, x))
    z0 = _cross(x, y0)
    roll = math.atan2(-_dot(z, y0), _dot(z, z0))
    elevation = math.atan2(x[2], math.hypot(x[0], x[1]))
    return tuple(round(math.degrees(value), 7) + 0.0 for value in (azimuth, elevation, roll))


def axes(boresight, roll_deg=0.0):
    """Axes x, y, z of an antenna aimed along a vector; the inverse of `angles`."""
    x = _unit(boresight)
    up = [0.0, 0.0, 1.0] if math.hypot(x[0], x[1]) > 1e-9 else [0.0, 1.0, 0.0]
    y = _unit(_cross(up, x))
    z = _cross(x, y)
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    return x, [c * a + s * b for a, b in zip(y, z)], [c * b - s * a for a, b in zip(y, z)]


def direction(azimuth_deg, elevation_deg):
    """Unit vector of an azimuth and an elevation in degrees."""
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    return [math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)]


def _unit(v):
    length = math.sqrt(_dot(v, v))
    if length == 0.0:
        raise ValueError("an axis of the object has no length: its scale, or that of a parent, is 0")
    return [value / length for value in v]


def _dot(a, b):
    return sum(p * q for p, q in zip(a, b))


def _cross(a, b):
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
