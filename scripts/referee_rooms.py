"""Rooms with upright walls, the same for rf3d and for the room-acoustics library pyroomacoustics.

Its image-source model finds the visible mirror images of a source in a room of any outline by other means than ours,
which makes it a referee of geometry, and something to be timed against.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from rf3d.propagation.paths import Setting, prepare
from rf3d.venue.facets import find_facets
from rf3d.venue.materials import catalogue
from rf3d.venue.scene import make_scene
from rf3d.venue.surfaces import Surface


class UprightRoom(NamedTuple):
    """An outline (N, 2), counter-clockwise from above, from the floor at 0 to a height; a source and M receivers."""

    outline_m: np.ndarray
    height_m: float
    source_m: np.ndarray
    receivers_m: np.ndarray


def l_shaped(receivers: int, *, seed: int) -> UprightRoom:
    """A room that is not convex. Coordinates are binary fractions, so that mirroring them rounds nothing away."""
    outline = np.array([[0, 0], [9, 0], [9, 4.5], [5.25, 4.5], [5.25, 8], [0, 8]])
    return UprightRoom(outline, 3.5, np.array([6.8125, 1.6875, 1.4375]), _spots(outline, 3.5, receivers, seed=seed))


def star_shaped(points: int, receivers: int, *, seed: int) -> UprightRoom:
    """A star with two walls to each point, 12 m to its points and 9 m to the corners between them."""
    turn = np.pi * np.arange(2 * points) / points
    radius = np.where(np.arange(2 * points) % 2 == 0, 12.0, 9.0)
    outline = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    return UprightRoom(outline, 5.0, np.array([2.9, -3.7, 1.9]), _spots(outline, 5.0, receivers, seed=seed))


def _spots(outline: np.ndarray, height: float, count: int, *, seed: int) -> np.ndarray:
    """Places at random inside a room, on a grid of 2^-10 m and a little off its walls."""
    generator = np.random.default_rng(seed)
    low, high = outline.min(axis=0), outline.max(axis=0)
    found: list[np.ndarray] = []
    while len(found) < count:
        spot = np.round(1024 * generator.uniform([*low, 0.1], [*high, height - 0.1])) / 1024
        if all(_inside(outline, spot[:2] + 0.05 * way) for way in np.array([(1, 0), (-1, 0), (0, 1), (0, -1)])):
            found.append(spot)
    return np.array(found)


def _inside(outline: np.ndarray, spot: np.ndarray) -> bool:
    """Whether a spot (2,) is inside an outline: parity of the sides to its right."""
    a, b = outline, np.roll(outline, -1, axis=0)
    across = (a[:, 1] > spot[1]) != (b[:, 1] > spot[1])
    at = a[across, 0] + (spot[1] - a[across, 1]) / (b[across, 1] - a[across, 1]) * (b[across, 0] - a[across, 0])
    return int((at > spot[0]).sum()) % 2 == 1


def setting_of(room: UprightRoom) -> Setting:
    """The room for rf3d, half-spaces of concrete all round; floor and ceiling are cut into ears."""
    count = len(room.outline_m)
    foot = np.concatenate([room.outline_m, np.zeros((count, 1))], axis=1)
    vertices = np.concatenate([foot, foot + np.array([0.0, 0.0, room.height_m])])
    here = np.arange(count)
    after = (here + 1) % count
    walls = np.stack(
        [np.stack([here, after, after + count], axis=1), np.stack([here, after + count, here + count], axis=1)], axis=1
    ).reshape(-1, 3)
    floor = _ears(room.outline_m)
    triangles = np.concatenate([walls, floor, floor + count])
    part = np.concatenate([np.repeat(here, 2), np.full(len(floor), count), np.full(len(floor), count + 1)])
    names = (*(f"wall_{i}" for i in here), "floor", "ceiling")
    scene = make_scene(vertices, triangles, part, tuple((name, "") for name in names))
    concrete = catalogue()["concrete"]
    surfaces = tuple(Surface(name, "", concrete, None, True, "sheet", "one layer") for name in names)
    return prepare(scene, find_facets(scene), surfaces, opaque=np.ones(len(names), dtype=bool))


def _ears(outline: np.ndarray) -> np.ndarray:
    """Triangles (N − 2, 3) of a simple outline, one convex corner that holds no other cut off after another."""
    left = list(range(len(outline)))
    triangles = []
    while len(left) > 3:
        for i in range(len(left)):
            ear = [left[i - 1], left[i], left[(i + 1) % len(left)]]
            a, b, c = outline[ear]
            others = outline[[v for v in left if v not in ear]]
            sides = np.array([_turn(p, q, others.T) for p, q in ((a, b), (b, c), (c, a))])
            if _turn(a, b, c) > 0 and not (sides >= 0).all(axis=0).any():
                triangles.append(ear)
                del left[i]
                break
    return np.array([*triangles, left])


def _turn(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> Any:
    """Twice the area of a triangle, positive counter-clockwise; ``c`` is (2,) or (2, N)."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def referee_room(room: UprightRoom, *, order: int) -> Any:
    """The same room for pyroomacoustics, its images not yet looked for; ImportError where it is not installed."""
    import pyroomacoustics

    peer = pyroomacoustics.Room.from_corners(
        room.outline_m.T, fs=16000, max_order=order, materials=pyroomacoustics.Material(0.1), air_absorption=False
    )
    peer.extrude(room.height_m, materials=pyroomacoustics.Material(0.1))
    peer.add_source(room.source_m)
    peer.add_microphone_array(room.receivers_m.T)
    return peer


def referee_paths(peer: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Receiver, number of reflections and length of every visible image path of a room whose images were found."""
    source = peer.sources[0]
    receiver, image = np.nonzero(peer.visibility[0])
    spots = peer.mic_array.R.T[receiver]
    return receiver, source.orders[image], np.linalg.norm(source.images.T[image] - spots, axis=1)
