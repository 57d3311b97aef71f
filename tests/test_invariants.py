"""What must not change the answer, and what must change it by a known amount."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.fields import fields
from rf3d.propagation.kernels.interfaces import coefficients, make_walls, opaque_parts
from rf3d.propagation.paths import find_paths, prepare
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.venue.facets import find_facets
from rf3d.venue.materials import catalogue
from rf3d.venue.surfaces import decide_bodies
from tests.scenes import block, plain, quad, room, scene_of, surface

RADIO = Radio("probe", 2.45e9, 2.45e9, 1e6, 1e6, -90.0)
TX, RX = np.array([2.0, 3.0, 3.6]), np.array([9.0, 6.2, 1.5])
PLACE = np.array([100.0, -50.0, 7.0])


def furnished():
    """A lossy room with a block, a leaning panel and a metal strip."""
    size = (12.0, 9.0, 5.0)
    pieces = [
        *room(size),
        block("plinth", (4.0, 4.0, 0.02), (5.0, 6.0, 2.1)),
        quad("panel", (6.0, 1.0, 0.05), (7.5, 1.5, 0.05), (7.0, 1.8, 3.0), (5.5, 1.3, 3.0)),
        quad("strip", (3.0, 8.0, 4.0), (9.0, 8.0, 4.0), (9.0, 8.1, 4.1), (3.0, 8.1, 4.1)),
    ]
    walls = plain("walls", 5.24, 0.093)
    surfaces = (
        *(surface(name, walls, thickness_m=0.2) for name, _, _ in room(size)),
        surface("plinth", plain("timber", 2.0, 0.01), body="solid"),
        surface("panel", plain("board", 2.7, 0.02), thickness_m=0.013),
        surface("strip", "metal", thickness_m=0.002),
    )
    return pieces, surfaces


def antennas():
    """A tilted dipole and a rolled panel: nothing symmetrical to hide behind."""
    turn = rotation(0.3, 0.5, -0.2)
    return (
        (make_antenna("d", pattern="dipole"), turn),
        (
            make_antenna(
                "p", pattern="panel", gain_dbi=8.5, beamwidth_deg=(60.0, 60.0), polarisation="+45", xpd_db=20.0,
                efficiency=0.9,
            ),
            rotation(2.8, -0.2, 0.4),
        ),
    )  # fmt: skip


def rotation(*angles: float) -> np.ndarray:
    """Rotations about z, y and x in turn."""
    out = np.eye(3)
    for axis, angle in zip((2, 1, 0), angles, strict=True):
        c, s = np.cos(angle), np.sin(angle)
        one = np.eye(3)
        i, j = [k for k in range(3) if k != axis]
        one[i, i], one[i, j], one[j, i], one[j, j] = c, -s, s, c
        out = out @ one
    return out


def answer(pieces, surfaces, *, tx=TX, rx=RX, swapped=False, turn=None, power_dbm=0.0):
    """Sorted path lengths and the coherent amplitude of the furnished room's link."""
    turn = np.eye(3) if turn is None else turn
    scene = scene_of(pieces)
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([RADIO.centre_hz])))
    (a, a_axes), (b, b_axes) = antennas()
    places = [(tx, a, a_axes @ turn.T), (rx, b, b_axes @ turn.T)]
    if swapped:
        places.reverse()
    transmitter = Transmitter("t", places[0][0], places[0][1], places[0][2], power_dbm, 0.0, RADIO)
    receiver = Receiver("r", places[1][0], places[1][1], places[1][2], 0.0, RADIO)
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(receiver.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=2, rays=1000, seed=1, jobs=Jobs(),
    )  # fmt: skip
    result = fields(
        paths, facets, surfaces=surfaces, transmitters=(transmitter,), receivers=(receiver,),
        frequencies_hz=np.array([RADIO.centre_hz]),
    )  # fmt: skip
    return np.sort(paths.length_m), result.amplitude[np.argsort(paths.length_m, kind="stable"), 0]


def moved(pieces, turn, shift):
    return [(name, points @ turn.T + shift, faces) for name, points, faces in pieces]


def split(pieces):
    """Every triangle in four."""
    out = []
    for name, points, faces in pieces:
        corners = points[faces]
        mid = 0.5 * (corners + np.roll(corners, -1, axis=1))
        four = np.concatenate(
            [
                np.stack([corners[:, i], mid[:, i], mid[:, (i + 2) % 3]], axis=1) for i in range(3)
            ] + [mid]
        )  # fmt: skip
        out.append((name, four.reshape(-1, 3), np.arange(4 * len(faces) * 3).reshape(-1, 3)))
    return out


def assert_same(got, want, tolerance=1e-6):
    assert len(got[0]) == len(want[0])
    assert np.allclose(got[0], want[0], rtol=0, atol=1e-8)
    # Paths of equal length may swap places; the sum and the sorted powers tell.
    assert np.allclose(np.sort(np.abs(got[1])), np.sort(np.abs(want[1])), rtol=tolerance)
    assert abs(got[1].sum() - want[1].sum()) < tolerance * abs(want[1].sum())


def test_swapping_the_ends_changes_nothing():
    """Reciprocity with named antennas, solids, sheets and a small facet."""
    pieces, surfaces = furnished()
    want = answer(pieces, surfaces)
    assert len(want[0]) > 15
    assert_same(answer(pieces, surfaces, swapped=True), want, 1e-10)


@pytest.mark.parametrize("shift", [(0.0, 0.0, 0.0), (10_000.0, -10_000.0, 30.0)])
def test_turning_and_moving_the_venue_changes_nothing(shift):
    """Any rotation, and ten kilometres from the origin."""
    pieces, surfaces = furnished()
    want = answer(pieces, surfaces)
    turn, shift = rotation(0.7, 0.2, -0.4), np.array(shift)
    got = answer(moved(pieces, turn, shift), surfaces, tx=turn @ TX + shift, rx=turn @ RX + shift, turn=turn)
    assert_same(got, want)


def test_another_tessellation_changes_nothing():
    pieces, surfaces = furnished()
    assert_same(answer(split(pieces), surfaces), answer(pieces, surfaces))


def test_flipped_and_doubled_faces_change_nothing():
    """Every other face turned round, and every wall drawn twice."""
    pieces, surfaces = furnished()
    want = answer(pieces, surfaces)
    flipped = [
        (name, points, np.where((np.arange(len(f)) % 2 == 0)[:, None], f[:, ::-1], f)) for name, points, f in pieces
    ]
    assert_same(answer(flipped, surfaces), want)
    doubled = [(n, p, np.concatenate([f, f[:, ::-1]])) if n.startswith("wall") else (n, p, f) for n, p, f in pieces]
    assert_same(answer(doubled, surfaces), want)


def test_no_wall_gives_back_more_than_it_gets():
    """|R|² + |T|² ≤ 1 for every catalogue material, 0.1 to 6 GHz, all angles, TE and TM."""
    frequencies = np.array([0.1e9, 0.4e9, 0.915e9, 2.45e9, 5.8e9])
    for material in catalogue().values():
        walls = make_walls((surface(material.name, material, thickness_m=0.02),), frequencies)
        for f in range(len(frequencies)):
            for cos_i in np.cos(np.radians([0.0, 30.0, 60.0, 80.0, 89.0])):
                r_te, r_tm, t_te, t_tm = coefficients(walls, f, 0, cos_i, np.nan)
                assert abs(r_te) ** 2 + abs(t_te) ** 2 <= 1 + 1e-12
                assert abs(r_tm) ** 2 + abs(t_tm) ** 2 <= 1 + 1e-12


def test_bodies_are_decided_from_geometry():
    """A closed block is a solid; a closed room, an open sheet and a case with something in it are sheets."""
    pieces = [
        block("post", (1, 1, 0.1), (1.3, 1.3, 3)),
        block("hall", (-5, -5, 0), (5, 5, 4)),
        quad("flat", (2, 2, 0.1), (3, 2, 0.1), (3, 2, 2), (2, 2, 2)),
        block("case", (-2, -2, 0.1), (-1.4, -1.4, 1)),
        block("tool", (-1.9, -1.9, 0.3), (-1.6, -1.6, 0.6)),
    ]
    assert [body for body, _ in decide_bodies(scene_of(pieces))] == ["solid", "sheet", "sheet", "sheet", "solid"]
