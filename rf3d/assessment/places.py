"""How a place in the venue is said to a crew: by name, height and stage directions."""

from __future__ import annotations

import numpy as np

from rf3d.units import FloatArray

NEAR_M = 0.75
"""Offsets smaller than this are not worth a word."""


def spoken(name: str) -> str:
    """A mesh object's name as words."""
    return " ".join(name.replace("_", " ").replace(".", " ").split())


def directions(house_azimuth_rad: float | None) -> dict[str, FloatArray]:
    """Unit vectors (3,) of the horizontal directions a crew would name, and up and down.

    With the direction of the house known they are the performer's: facing the house, stage left is to the
    left hand; downstage is towards the house. Otherwise they are the axes of the venue.
    """
    up = np.array([0.0, 0.0, 1.0])
    if house_azimuth_rad is None:
        ways = {"+x": (1.0, 0.0), "−x": (-1.0, 0.0), "+y": (0.0, 1.0), "−y": (0.0, -1.0)}
        return {name: np.array([x, y, 0.0]) for name, (x, y) in ways.items()} | {"up": up, "down": -up}
    house = np.array([np.cos(house_azimuth_rad), np.sin(house_azimuth_rad), 0.0])
    left = np.cross(up, house)
    return {
        "stage left": left, "stage right": -left, "downstage": house, "upstage": -house, "up": up, "down": -up,
    }  # fmt: skip


def whereabouts(offset_m: FloatArray, world_z_m: float, house_azimuth_rad: float | None, *, of_it: bool = False) -> str:
    """A place by its offset (3,) from a receiver and its height over the venue's zero.

    "4 m to stage left and 2 m upstage, 3 m up"; with ``of_it``, where the receiver is "it": "... upstage of it, 3 m up"
    and "right above it, 3 m up".
    """
    words = []
    for name, way in directions(house_azimuth_rad).items():
        along = float(offset_m @ way)
        if name not in ("up", "down") and along > NEAR_M:
            words.append((along, f"{along:.0f} m {towards(name)}"))
    words.sort(reverse=True)
    if words:
        from_it = (" from it" if house_azimuth_rad is None else " of it") if of_it else ""
        place = " and ".join(text for _, text in words[:2]) + from_it
    elif abs(offset_m[2]) > NEAR_M:
        place = ("right above" if offset_m[2] > 0.0 else "right below") + (" it" if of_it else "")
    else:
        place = "right at it" if of_it else "right there"
    return f"{place}, {height(world_z_m)}"


def towards(name: str) -> str:
    """The name of a direction after "move it 0.5 m": "to stage left", "upstage", "along +x"."""
    if name.startswith("stage"):
        return f"to {name}"
    return f"along {name}" if name[-1] in "xy" else name


def height(world_z_m: float) -> str:
    """A height over the venue's zero as words."""
    if world_z_m >= 0.5:
        return f"{world_z_m:.0f} m up"
    return "at floor level" if world_z_m > -0.5 else f"{-world_z_m:.0f} m below stage level"
