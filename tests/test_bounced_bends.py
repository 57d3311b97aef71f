"""Ways over one edge with two reflections, against images and edges put together by hand."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.kernels.crossings import DIFFRACTION, REFLECTION
from rf3d.propagation.paths import find_paths, prepare
from rf3d.venue.facets import find_facets
from tests.scenes import quad, room, scene_of, surface

SIZE_M = np.array([9.0, 6.0, 4.0])
SCREEN_X_M, TOP_M = 4.5, 1.8
SCREEN = (0, SCREEN_X_M)
SOURCE_M, RECEIVER_M = np.array([2.1, 2.7, 1.1]), np.array([7.3, 3.9, 0.9])
HZ = 915e6


def found(source_m, receiver_m, *, reflections=2):
    """Bent ways of a room with a metal screen from wall to wall: lengths, kinds of turns and their places."""
    pieces = room(SIZE_M)
    surfaces = [surface(name, "concrete", thickness_m=0.2) for name, _, _ in pieces]
    _, b, _ = SIZE_M
    x, top = SCREEN_X_M, TOP_M
    pieces.append(quad("screen", (x, 0, 0), (x, b, 0), (x, b, top), (x, 0, top)))
    surfaces.append(surface("screen", "metal", thickness_m=0.001))
    scene, surfaces = scene_of(pieces), tuple(surfaces)
    opaque = np.ones(len(surfaces), dtype=bool)
    setting = prepare(scene, find_facets(scene), surfaces, opaque=opaque)
    paths, _ = find_paths(
        setting, scene.to_local(source_m[None]), scene.to_local(receiver_m[None]), linked=np.ones((1, 1), dtype=bool),
        max_reflections=reflections, rays=64, seed=1, jobs=Jobs(workers=1), edges_at_hz=HZ,
    )  # fmt: skip
    ways = {}
    for p in range(paths.count):
        mine = slice(paths.start[p], paths.start[p + 1])
        kinds = tuple(paths.kind[mine].tolist())
        if kinds.count(DIFFRACTION) == 1 and kinds.count(REFLECTION) == 2:
            ways[round(float(paths.length_m[p]), 7)] = (kinds, paths.point_m[mine], paths.leaving[mine])
    return ways, paths


def by_hand():
    """Lengths of all ways source, two walls and the screen's top edge in any order, receiver, that nothing stops.

    The screen is a wall too.
    """
    walls = [(axis, place) for axis in range(3) for place in (0.0, SIZE_M[axis])] + [SCREEN]
    lengths = set()
    for before in range(3):
        for chosen in product(walls, repeat=2):
            first, last = list(chosen[:before]), list(chosen[before:])
            image_a, image_b = SOURCE_M.copy(), RECEIVER_M.copy()
            for axis, place in first:
                image_a[axis] = 2 * place - image_a[axis]
            for axis, place in reversed(last):
                image_b[axis] = 2 * place - image_b[axis]
            away_a, away_b = (np.hypot(i[0] - SCREEN_X_M, i[2] - TOP_M) for i in (image_a, image_b))
            y = image_a[1] + (image_b[1] - image_a[1]) * away_a / (away_a + away_b)
            edge = np.array([SCREEN_X_M, y, TOP_M])
            back, forth = walked(SOURCE_M, first, edge), walked(RECEIVER_M, last[::-1], edge)
            if 0 < y < SIZE_M[1] and back is not None and forth is not None:
                corners = np.array([SOURCE_M, *back, edge, *forth[::-1], RECEIVER_M])
                lengths.add(round(float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum()), 7))
    return lengths


def walked(end, walls, edge):
    """Bounces from an end over walls to the edge; None where one is off its wall, or the screen is in the way."""
    images = [end]
    for axis, place in walls:
        image = images[-1].copy()
        image[axis] = 2 * place - image[axis]
        images.append(image)
    at, bounces = edge, []
    for (axis, place), image in zip(reversed(walls), reversed(images[1:]), strict=True):
        if (at[axis] - place) * (image[axis] - place) >= 0:
            return None
        at = at + (place - at[axis]) / (image[axis] - at[axis]) * (image - at)
        if (at < -1e-9).any() or (at > SIZE_M + 1e-9).any() or ((axis, place) == SCREEN and at[2] > TOP_M):
            return None
        bounces.append(at)
    corners = [edge, *bounces, end]
    for a, b in pairwise(corners[1:]):
        if (a[0] - SCREEN_X_M) * (b[0] - SCREEN_X_M) < 0:
            share = (SCREEN_X_M - a[0]) / (b[0] - a[0])
            if a[2] + share * (b[2] - a[2]) < TOP_M:
                return None
    return bounces[::-1]


def test_every_way_by_hand_is_found_and_no_other():
    """Before, after and on either side of the edge; the edge in the plane of no wall."""
    ways, _ = found(SOURCE_M, RECEIVER_M)
    expected = by_hand()
    assert len(expected) > 30
    assert {kinds for kinds, _, _ in ways.values()} == {
        (REFLECTION, REFLECTION, DIFFRACTION), (REFLECTION, DIFFRACTION, REFLECTION),
        (DIFFRACTION, REFLECTION, REFLECTION),
    }  # fmt: skip
    assert sorted(ways) == pytest.approx(sorted(expected), abs=2e-6)


def test_ways_bounce_like_mirrors_and_bend_on_a_cone():
    """At a bounce only the part along the normal turns; at the edge the part along the edge stays."""
    ways, _ = found(SOURCE_M, RECEIVER_M)
    for kinds, point, leaving in ways.values():
        corners = np.concatenate([SOURCE_M[None] - _middle(), point, RECEIVER_M[None] - _middle()])
        way = np.diff(corners, axis=0)
        way /= np.linalg.norm(way, axis=1)[:, None]
        np.testing.assert_allclose(way[1:], leaving, atol=1e-9)
        for i, kind in enumerate(kinds):
            if kind == REFLECTION:
                assert (np.abs(way[i + 1] + way[i]) < 1e-9).sum() == 1
                assert (np.abs(way[i + 1] - way[i]) < 1e-9).sum() == 2
            else:
                assert way[i, 1] == pytest.approx(way[i + 1, 1], abs=1e-9)


def test_ways_back_are_the_ways_there():
    """Source and receiver change places: the same lengths."""
    there, back = found(SOURCE_M, RECEIVER_M)[0], found(RECEIVER_M, SOURCE_M)[0]
    assert sorted(there) == pytest.approx(sorted(back), abs=2e-7)


def test_no_more_reflections_than_asked_for():
    """With at most one reflection there is none with two."""
    ways, paths = found(SOURCE_M, RECEIVER_M, reflections=1)
    assert not ways
    assert paths.count > 0


def _middle():
    """World minus local coordinates."""
    scene = scene_of(room(SIZE_M))
    return -scene.to_local(np.zeros((1, 3)))[0]
