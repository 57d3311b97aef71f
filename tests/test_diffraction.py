"""Paths over edges through the whole engine: exact half-plane values, continuity, reciprocity, what is no edge."""

from __future__ import annotations

import numpy as np
import pytest

from rf3d.jobs import Jobs
from rf3d.propagation.diffraction import usable_edges
from rf3d.propagation.fields import fields
from rf3d.propagation.kernels.crossings import DIFFRACTION
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import find_paths, prepare
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import SPEED_OF_LIGHT_M_S
from rf3d.venue.edges import find_edges
from rf3d.venue.facets import find_facets
from tests.scenes import block, plain, quad, room, scene_of, surface
from tests.test_invariants import RX, TX, antennas, assert_same, furnished, moved, rotation, split

FREQUENCY = 915e6


def trace(pieces, surfaces, tx, rx, *, order=0, ends=None, turn=None, shift=(0.0, 0.0, 0.0), frequency=FREQUENCY):
    """PathSet and Fields of one link, edges included."""
    scene = scene_of(pieces)
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([frequency])))
    radio = Radio("probe", frequency, frequency, 1e6, 1e6, -90.0)
    isotropic = (make_antenna("i", pattern="isotropic"), np.eye(3))
    (a, a_axes), (b, b_axes) = ends or (isotropic, isotropic)
    turn = np.eye(3) if turn is None else turn
    place = [turn @ np.asarray(p, float) + np.asarray(shift) for p in (tx, rx)]
    transmitter = Transmitter("t", place[0], a, a_axes @ turn.T, 0.0, 0.0, radio)
    receiver = Receiver("r", place[1], b, b_axes @ turn.T, 0.0, radio)
    paths, _ = find_paths(
        setting, scene.to_local(place[0][None]), scene.to_local(place[1][None]), linked=np.ones((1, 1), dtype=bool),
        max_reflections=order, rays=1000, seed=1, jobs=Jobs(), edges_at_hz=frequency,
    )  # fmt: skip
    answer = fields(
        paths, facets, surfaces=surfaces, transmitters=(transmitter,), receivers=(receiver,),
        frequencies_hz=np.array([frequency]), wedges=setting.wedges,
    )  # fmt: skip
    return paths, answer


def half_plane(material=None):
    """A plane that fills y = 0, x > 0 as far as it matters, its edge along z."""
    pieces = [quad("half", (0, 0, -60), (60, 0, -60), (60, 0, 60), (0, 0, 60))]
    return pieces, (surface("half", material or plain("conductor", 1.0, 1e14), thickness_m=0.01),)


def polar(radius, phi_deg, z=0.0):
    return (radius * np.cos(np.radians(phi_deg)), radius * np.sin(np.radians(phi_deg)), z)


@pytest.mark.parametrize(("phi_deg", "expected_db"), [(280.0, -12.9412), (300.0, -22.7153)])
def test_point_source_behind_half_plane(phi_deg, expected_db):
    """CHECKS section 2: 915 MHz, source at 10 m, receiver at 4 m, φ₀ = 90°, E along the edge, computed exactly."""
    tx, rx = polar(10, 90), polar(4, phi_deg)
    paths, answer = trace(*half_plane(), tx, rx)
    assert paths.kind.tolist() == [DIFFRACTION]
    k = 2 * np.pi * FREQUENCY / SPEED_OF_LIGHT_M_S
    free = 1.0 / (2 * k * np.linalg.norm(np.subtract(tx, rx)))
    # The reference is good to 6e-4 of the incident field for the uniform theory.
    assert 20 * np.log10(abs(answer.arriving[:, 0, 2].sum()) / free) == pytest.approx(expected_db, abs=0.03)


@pytest.mark.parametrize("kind", ["conductor", "board"])
def test_no_jump_across_shadow_and_reflection_boundaries(kind):
    """Walking round the edge at an oblique height: no jump over 0.1 dB in the coherent field, all components."""
    material = None if kind == "conductor" else plain("board", 2.7, 0.02)
    pieces, surfaces = half_plane(material)
    tx = polar(6, 70)
    for boundary in (110.0, 250.0):
        sums = []
        for step in (-0.002, 0.002):  # a tenth of a millimetre either side, well above float32
            _, answer = trace(pieces, surfaces, tx, polar(5, boundary + step, 3.0), order=1)
            sums.append(answer.arriving[:, 0].sum(axis=0))
        assert np.linalg.norm(sums[1] - sums[0]) < 10 ** (0.1 / 20) * np.linalg.norm(sums[0]) - np.linalg.norm(sums[0])


@pytest.mark.parametrize("kind", ["conductor", "board"])
@pytest.mark.parametrize(("tx", "far"), [((-10.0, 0.3, 1.2), 14.0), ((-7.3, 0.3, 0.9), 14.0), ((-3.1, 0.2, -2.7), 9.4)])
def test_no_jump_at_the_very_boundary(tx, far, kind):
    """Antennas in line with the top of a screen, to micrometres and exactly.

    The tracer took the straight way for blocked up to 2 µm above the line, where the bent wave was already that of
    the lit side: half the wave was missing.
    """
    pieces = [quad("screen", (0, -20, -3), (0, 20, -3), (0, 20, 1.2), (0, -20, 1.2))]
    material = plain("conductor", 1.0, 1e14) if kind == "conductor" else plain("board", 2.7, 0.02)
    line = tx[2] + (1.2 - tx[2]) * (far - tx[0]) / -tx[0]
    sums = []
    for step in (-2e-5, -5e-6, -1e-6, -1e-8, 0.0, 1e-8, 1e-6, 2e-6, 5e-6, 2e-5):
        paths, answer = trace(pieces, (surface("screen", material, thickness_m=0.02),), tx, (far, -0.4, line + step))
        over = np.bincount(paths.path_of_interaction, paths.point_m[:, 2] < 1.0, minlength=paths.count) == 0
        sums.append(answer.arriving[over, 0].sum(axis=0))
    for field in sums[1:]:
        assert np.linalg.norm(field - sums[0]) < 2e-3 * np.linalg.norm(sums[0])


def test_swapping_turning_and_cutting_change_nothing():
    """The furnished room with all its edges: reciprocity, any rotation, finer triangles."""
    pieces, surfaces = furnished()
    ends = antennas()

    def answer(*arguments, **options):
        paths, result = trace(*arguments, order=1, frequency=2.45e9, **options)
        order = np.argsort(paths.length_m, kind="stable")
        return np.sort(paths.length_m), result.amplitude[order, 0]

    want = answer(pieces, surfaces, TX, RX, ends=ends)
    assert_same(answer(pieces, surfaces, RX, TX, ends=ends[::-1]), want, 1e-8)
    turn, shift = rotation(0.7, 0.2, -0.4), np.array([50.0, -20.0, 3.0])
    assert_same(answer(moved(pieces, turn, shift), surfaces, TX, RX, ends=ends, turn=turn, shift=shift), want)
    paths, _ = trace(pieces, surfaces, TX, RX, order=1, frequency=2.45e9, ends=ends)
    assert (paths.kind == DIFFRACTION).sum() > 20
    assert_same(answer(split(pieces), surfaces, TX, RX, ends=ends), want)


def test_seams_corners_of_rooms_and_butted_walls_are_no_edges():
    """A room seen from inside has none, a block has twelve, a flat standing on a floor loses its foot."""
    inside = find_edges(find_facets(scene_of(split(room((4, 3, 2.5))))))
    assert inside.n == pytest.approx(1.5)
    assert inside.count == 12  # from outside only, however the walls are cut
    pieces = [
        quad("floor", (-5, -5, 0), (5, -5, 0), (5, 5, 0), (-5, 5, 0)),
        quad("flat", (-1, 0, 0), (1, 0, 0), (1, 0, 2), (-1, 0, 2)),
        block("plinth", (2, 2, 0.5), (3, 3, 1.5)),
    ]
    surfaces = (
        surface("floor", "concrete", half_space=True), surface("flat", "wood", thickness_m=0.02),
        surface("plinth", "wood", body="solid"),
    )  # fmt: skip
    scene = scene_of(pieces)
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=np.array([True, False, False]))
    usable = usable_edges(setting)
    part = facets.part[setting.edges.facet_0[usable]]
    assert np.bincount(part).tolist() == [4, 3, 12]
    round_column = [
        quad(f"side{i}", *[(np.cos(a), np.sin(a), z) for a, z in ((i, 0), (i + s, 0), (i + s, 3), (i, 3))])
        for s in [2 * np.pi / 24] for i in np.arange(24) * s
    ]  # fmt: skip
    bends = find_edges(find_facets(scene_of(round_column)))
    assert not ((np.abs(bends.axis[:, 2]) > 0.5) & (bends.n < 1.9)).any()


def hut(shift, *, shared):
    """Three walls and a roof about an open hut, corners butted; unless ``shared``, every wall cut elsewhere."""
    x, y, z = np.array([(-1.0, 1.0), (-0.8, 0.8), (0.0, 2.0)]) + shift
    walls = {
        "left": [(x[0], y[0], z[0]), (x[0], y[1], z[0]), (x[0], y[1], z[1]), (x[0], y[0], z[1])],
        "back": [(x[0], y[1], z[0]), (x[1], y[1], z[0]), (x[1], y[1], z[1]), (x[0], y[1], z[1])],
        "right": [(x[1], y[0], z[0]), (x[1], y[1], z[0]), (x[1], y[1], z[1]), (x[1], y[0], z[1])],
        "roof": [(x[0], y[0], z[1]), (x[1], y[0], z[1]), (x[1], y[1], z[1]), (x[0], y[1], z[1])],
    }
    pieces = []
    for i, (name, corners) in enumerate(walls.items()):
        if shared:
            pieces.append(quad(name, *corners))
            continue
        a, b, c, d = (np.array(corner) for corner in corners)
        share = 0.3 + 0.11 * i  # two halves, and every piece a third of a millimetre off
        low, high = a + share * (d - a), b + share * (c - b)
        name_points = np.array([a, b, low, high, c, d]) + 1e-3 * (i - 1.5) * np.array([0.3, 0.2, -0.1])
        pieces.append((name, name_points, np.array([[0, 1, 3], [0, 3, 2], [2, 3, 4], [2, 4, 5]])))
    return pieces, tuple(surface(name, "metal", thickness_m=0.002) for name in walls)


def test_butted_sheets_bend_waves_like_joined_ones():
    """Walls that meet without shared vertices, cut at other heights, a little off: the same edges and nearly fields."""
    pieces, surfaces = hut(0.0, shared=True)
    butted, _ = hut(0.0, shared=False)
    edges = [find_edges(find_facets(scene_of(p))) for p in (pieces, butted)]
    for n in (1.5, 2.0):
        lengths = [np.linalg.norm(np.diff(e.ends_m[np.isclose(e.n, n, atol=2e-3)], axis=1), axis=2) for e in edges]
        assert np.sort(lengths[1].ravel()) == pytest.approx(np.sort(lengths[0].ravel()), abs=5e-3)
    tx, rx = (-4.0, -1.0, 1.2), (1.0, 4.0, 1.0)
    want, got = (trace(p, surfaces, tx, rx)[1].arriving[:, 0].sum(axis=0) for p in (pieces, butted))
    assert np.linalg.norm(want) > 0.0
    assert np.linalg.norm(got - want) < 0.05 * np.linalg.norm(want)


def test_boards_that_abut_in_one_plane_are_no_edge():
    """Two boards of a wall, one cut into two: only the outline is left."""
    pieces = [
        quad("one", (0, 0, 0), (2, 0, 0), (2, 0, 3), (0, 0, 3)),
        quad("low", (2, 0, 0), (4, 0, 0), (4, 0, 1), (2, 0, 1)),
        quad("high", (2, 0, 1), (4, 0, 1), (4, 0, 3), (2, 0, 3)),
    ]
    edges = find_edges(find_facets(scene_of(pieces)))
    assert edges.n == pytest.approx(2.0)
    assert np.linalg.norm(np.diff(edges.ends_m, axis=1), axis=2).sum() == pytest.approx(14.0)


def column(sides, radius=0.5, height=3.0):
    """A closed round column of flat facets."""
    turn = 2 * np.pi * np.arange(sides) / sides
    ring = np.stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(sides)], axis=1)
    points = np.concatenate([ring, ring + np.array([0.0, 0.0, height]), [[0.0, 0.0, 0.0], [0.0, 0.0, height]]])
    i, j = np.arange(sides), np.roll(np.arange(sides), -1)
    low, high = np.full(sides, 2 * sides), np.full(sides, 2 * sides + 1)
    faces = [(i, j, j + sides), (i, j + sides, i + sides), (j, i, low), (i + sides, j + sides, high)]
    return "column", points, np.concatenate([np.stack(face, axis=1) for face in faces])


def test_round_column_of_many_facets_does_not_flood():
    """16, 64 and 256 sides: no edges up its side, a handful of ways over its rims, and the same field beside it."""
    floor = quad("floor", (-6, -6, -0.5), (6, -6, -0.5), (6, 6, -0.5), (-6, 6, -0.5))
    surfaces = (
        surface("column", plain("plaster", 3.0, 0.05), body="solid"),
        surface("floor", "concrete", half_space=True),
    )
    counts, levels = [], []
    for sides in (16, 64, 256):
        paths, answer = trace([column(sides), floor], surfaces, (-4.0, 0.1, 2.0), (3.0, 1.6, 1.0), order=1)
        bent = np.unique(paths.path_of_interaction[paths.kind == DIFFRACTION])
        counts.append(len(bent))
        levels.append(20 * np.log10(np.linalg.norm(answer.arriving[:, 0].sum(axis=0))))
    assert max(counts) <= 16
    assert max(levels) - min(levels) < 1.0
