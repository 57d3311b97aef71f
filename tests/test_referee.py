"""Geometry against a referee: the image-source model of a room-acoustics library, in rooms that are not convex."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.paths import find_paths
from scripts.referee_rooms import UprightRoom, l_shaped, referee_paths, referee_room, setting_of, star_shaped

pytest.importorskip("pyroomacoustics", reason="the referee pyroomacoustics is not installed", exc_type=ImportError)
GRID_M = 1.0 / 16
"""Images of a source on this grid, mirrored in walls on it, lie on it."""


def own_paths(room: UprightRoom, order: int):
    """Paths of rf3d as columns sorted by receiver, reflections and length."""
    setting = setting_of(room)
    paths, _ = find_paths(
        setting, setting.scene.to_local(room.source_m[None]), setting.scene.to_local(room.receivers_m),
        linked=np.ones((1, len(room.receivers_m)), dtype=bool), max_reflections=order, rays=0, seed=1,
        jobs=Jobs(workers=2),
    )  # fmt: skip
    assert paths.exhaustive_order == order
    return in_order(paths.receiver, paths.reflections, paths.length_m)


def in_order(receiver: np.ndarray, reflections: np.ndarray, length_m: np.ndarray):
    order = np.lexsort((length_m, reflections, receiver))
    return receiver[order], reflections[order], length_m[order]


@pytest.mark.parametrize("seed", [3, 4])
def test_every_visible_image_of_an_l_shaped_room_is_found_and_no_other(seed):
    """Order 4, 200 receivers: the same paths, their lengths to 1e-9 m.

    The referee works in single precision. The true images lie on a grid of 1/16 m, to which its own are rounded
    after a look that they are within 0.1 mm of it.
    """
    room = l_shaped(200, seed=seed)
    peer = referee_room(room, order=4)
    peer.image_source_model()
    images = peer.sources[0].images
    on_grid = np.round(images / GRID_M) * GRID_M
    assert np.abs(images - on_grid).max() < 1e-4
    peer.sources[0].images = on_grid
    theirs = in_order(*referee_paths(peer))
    ours = own_paths(room, 4)
    assert len(theirs[0]) > 20_000
    for mine, their in zip(ours[:2], theirs[:2], strict=True):
        assert np.array_equal(mine, their)
    assert np.allclose(ours[2], theirs[2], rtol=0, atol=1e-9)


def test_every_visible_image_of_a_star_of_300_walls_is_found_and_no_other():
    """Order 2, 20 receivers among 302 planes: the same paths, their lengths to the referee's single precision."""
    room = star_shaped(150, 20, seed=3)
    peer = referee_room(room, order=2)
    peer.image_source_model()
    theirs = in_order(*referee_paths(peer))
    ours = own_paths(room, 2)
    assert len(theirs[0]) > 80
    for mine, their in zip(ours[:2], theirs[:2], strict=True):
        assert np.array_equal(mine, their)
    assert np.allclose(ours[2], theirs[2], rtol=0, atol=2e-5)
