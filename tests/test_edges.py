"""What the edges of a facet send: Fresnel integrals, direct integration of physical optics, closed edges, bands."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.special import fresnel

from rf3d.propagation.kernels.lobes import facet_factors, lobe_share
from rf3d.propagation.kernels.outlines import (
    Outlines,
    least_rise,
    make_outlines,
    own_outline,
    share_for,
    shortest_way,
    whole_outline,
)
from rf3d.units import SPEED_OF_LIGHT_M_S
from rf3d.venue import outlines as outlines_found
from rf3d.venue.facets import find_facets
from scripts.bench_volume import subdivided
from tests.scenes import block, quad, scene_of

UP = np.array([0.0, 0.0, 1.0])
OPEN = np.zeros(4)
WAVENUMBER = 2 * np.pi * 2.45e9 / SPEED_OF_LIGHT_M_S


def outline(x0: float, x1: float, y0: float, y1: float) -> np.ndarray:
    corners = np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0]], dtype=float)
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)


def at(distance: float, tilt_deg: float, turn_deg: float = 0.0) -> np.ndarray:
    """A point so far from the origin, tilted from the z axis."""
    tilt, turn = np.radians(tilt_deg), np.radians(turn_deg)
    return distance * np.array([np.sin(tilt) * np.cos(turn), np.sin(tilt) * np.sin(turn), np.cos(tilt)])


def alone(shape: np.ndarray, rise: np.ndarray = OPEN) -> Outlines:
    """One facet in the plane z = 0 with these edges, open or as closed on its upper side as ``rise`` says."""
    sides, start = np.stack([rise, rise], axis=1), np.array([0, len(shape)], dtype=np.int32)
    least = least_rise(start, sides)
    return Outlines(UP[None].copy(), start, shape, sides, np.zeros(1, np.int32), start, shape, sides, least, least)


def reflected(shape: np.ndarray, a: np.ndarray, b: np.ndarray, *, rise=OPEN, wavenumber=WAVENUMBER) -> complex:
    """Field that a perfect facet sends from a to b, a mirror's being exp(−jkL)/L; and whether it mirrors."""
    point = np.empty(3)
    mirror = shortest_way(shape, UP, a, b, np.empty(3), point)
    length = np.linalg.norm(point - a) + np.linalg.norm(point - b)
    outlines, points, factor = alone(shape, rise), np.empty((2, 3)), np.ones(1, dtype=complex)
    way, band = (a, b, point, mirror), np.array([wavenumber])
    small = lobe_share(outlines, 0, *way, wavenumber, True, 1.0, points)
    if small > 0.0:
        facet_factors(outlines, 0, 1, *way, band, True, small, points, np.empty((2, 1)), factor)
    return factor[0] * np.exp(-1j * wavenumber * length) / length


def integrated(box: tuple[float, float, float, float], a: np.ndarray, b: np.ndarray) -> complex:
    """(jk/2π)∬cos(θ)·exp(−jk(r₁ + r₂))/(r₁r₂) dS by Gauss's rule, θ half the angle between the legs turned back."""
    sides = [np.polynomial.legendre.leggauss(40 + int(8 * (high - low) * WAVENUMBER / 6)) for low, high in
             (box[:2], box[2:])]  # fmt: skip
    (u, wu), (v, wv) = sides
    x, y = 0.5 * (box[0] + box[1] + (box[1] - box[0]) * u), 0.5 * (box[2] + box[3] + (box[3] - box[2]) * v)
    spot = np.stack([*np.meshgrid(x, y, indexing="ij"), np.zeros((len(x), len(y)))], axis=-1)
    weight = 0.25 * (box[1] - box[0]) * (box[3] - box[2]) * np.outer(wu, wv)
    one, two = spot - a, b - spot
    r1, r2 = np.linalg.norm(one, axis=-1), np.linalg.norm(two, axis=-1)
    half = np.sqrt(0.5 * (1.0 - np.einsum("xyi,xyi->xy", one, two) / (r1 * r2)))
    return 1j * WAVENUMBER / (2 * np.pi) * (weight * half * np.exp(-1j * WAVENUMBER * (r1 + r2)) / (r1 * r2)).sum()


def fresnel_window(low: float, high: float) -> complex:
    """Share of ∫exp(−jπx²/2)dx over [low, high] of the whole line, 1 − j."""
    s, c = fresnel([low, high])
    return ((c[1] - c[0]) - 1j * (s[1] - s[0])) / (1 - 1j)


@pytest.mark.parametrize(
    ("box", "tilt_deg"),
    [((-0.07, 0.08, -5.0, 4.0), 0.0), ((-0.3, 0.4, -0.2, 0.1), 40.0), ((-1e-4, 0.4, -0.9, 0.9), 70.0)],
)
def test_rectangle_equals_product_of_fresnel_integrals(box, tilt_deg):
    """From afar, where lengths are of second order, the share of the mirror is a product of two Fresnel integrals."""
    distance = 2000.0
    scale = np.sqrt(WAVENUMBER / np.pi * 2 / distance)
    enlarged = np.array(box) * 1.3 / scale
    got = reflected(outline(*enlarged), at(distance, -tilt_deg), at(distance, tilt_deg))
    x = 1.3 * np.cos(np.radians(tilt_deg)) * np.array(box[:2])
    y = 1.3 * np.array(box[2:])
    mirror = np.exp(-2j * WAVENUMBER * distance) / (2 * distance)
    assert got / mirror == pytest.approx(fresnel_window(*x) * fresnel_window(*y), abs=1e-3)


def test_member_of_design_example():
    """A 0.15 m member at 20 + 20 m and 2.45 GHz reflects about 17 dB less than a mirror."""
    got = reflected(outline(-0.075, 0.075, -8, 8), at(20, 0), at(20, 0))
    assert 20 * np.log10(abs(got) * 40) == pytest.approx(-17.0, abs=0.5)


@pytest.mark.parametrize("box", [(-0.075, 0.075, -4, 4), (-0.075, 0.075, -1, 1), (-0.2, 0.2, -0.15, 0.15)])
@pytest.mark.parametrize(("before", "after"), [(20.0, 20.0), (7.0, 20.0), (3.0, 6.0)])
def test_strip_and_plate_against_direct_integration(box, before, after):
    """Members and a plate, near and far, mirror point on them and beside: within 0.02 dB and 0.3°.

    The same along the member and across it, down to lobes 50 dB below the mirror.
    """
    for tilts in ((0, 0, 0), (30, -30, 0), (30, -20, 0), (30, 0, 0), (30, 50, 0), (60, -20, 0), (30, -10, 60),
                  (40, -25, 90), (40, -25, 80), (10, -60, 90)):  # fmt: skip
        a, b = at(before, tilts[0], tilts[2]), at(after, tilts[1], tilts[2])
        got, want = reflected(outline(*box), a, b), integrated(box, a, b)
        assert abs(20 * np.log10(abs(got / want))) < 0.02, tilts
        assert abs(np.degrees(np.angle(got / want))) < 0.3, tilts


def test_nothing_jumps_where_the_mirror_point_leaves_the_facet():
    """A hair to either side of the outline, on its line, and past a corner: the same field to 1e-5."""
    box = (-0.075, 0.075, -1.0, 1.0)
    for edge_x, edge_y in ((0.075, 0.3), (0.02, 1.0), (0.075, 1.0)):
        fields = []
        for step in (-1e-7, 0.0, 1e-7):
            shift = np.array([edge_x + step, edge_y + step, 0.0])
            fields.append(reflected(outline(*box), at(8, -35) + shift, at(8, 35) + shift))
        assert np.ptp(np.abs(fields)) < 1e-5 * abs(fields[1])
        assert abs(fields[1]) == pytest.approx(abs(integrated(box, *(at(8, t) + shift for t in (-35, 35)))), rel=2e-3)


def test_swapping_the_ends_changes_nothing():
    shape = outline(-0.1, 0.05, -0.7, 2.0)
    a, b = np.array([3.0, -1.0, 4.0]), np.array([-1.0, 6.0, 9.0])
    assert reflected(shape, b, a) == pytest.approx(reflected(shape, a, b), rel=1e-12)


def test_large_facets_are_mirrors_and_the_change_is_gradual():
    """1 beyond twice the first Fresnel zone; in between the share falls without a step."""
    a, b = at(10, -30), at(10, 30)
    assert reflected(outline(-9, 9, -9, 9), a, b) * 20 * np.exp(20j * WAVENUMBER) == pytest.approx(1.0, abs=1e-12)
    widths = np.linspace(0.5, 6.0, 1101)
    strips = [outline(-0.5 * w, 0.5 * w, -9, 9) for w in widths]
    share = np.array([share_for(strip, strip, UP, a, b, WAVENUMBER, np.empty((2, 3))) for strip in strips])
    assert share[0] == 1.0
    assert share[-1] == 0.0
    assert 0.0 <= -np.diff(share).min() <= -np.diff(share).min() < 0.01
    assert (np.diff(share) <= 1e-12).all()


def test_closed_edges_do_not_count_unless_what_closes_them_is_slight():
    """Half of a strip in a corner with a high wall is half of a strip twice as wide; a fillet is no wall."""
    a, b = at(10, 0), at(10, 0)
    shape = outline(0, 0.1, -50, 50)
    whole = abs(reflected(outline(-0.1, 0.1, -50, 50), a, b))
    assert abs(reflected(shape, a, b)) == pytest.approx(0.5 * whole, rel=0.05)
    walled = abs(reflected(shape, a, b, rise=np.array([0.0, 0.0, 0.0, 3.0])))
    assert walled > whole
    assert abs(reflected(shape, a, b, rise=np.array([0.0, 0.0, 0.0, 0.05]))) == abs(reflected(shape, a, b))
    mirror = reflected(shape, a, b, rise=np.full(4, np.inf))
    assert abs(mirror) * 20 == pytest.approx(1.0, abs=1e-12)


def test_a_wall_in_one_piece_meets_a_floor_in_three():
    """A border that another's corners only touch is closed like one that shares them, to 0.1 mm; a gap leaves it open.

    Long walls gave other reflections when a file drew their foot in one piece, and lobes from edges that are none.
    """

    def rises(cuts: tuple[float, ...], gap: float) -> tuple[np.ndarray, int]:
        wall = quad("wall", (0, 0, 0), (9, 0, 0), (9, 0, 4), (0, 0, 4))
        at = (0.0, *cuts, 9.0)
        floors = [
            quad(f"floor_{i}", (a, gap, 0), (b, gap, 0), (b, 5, 0), (a, 5, 0))
            for i, (a, b) in enumerate(itertools.pairwise(at))
        ]
        facets = find_facets(scene_of([wall, *floors]))
        rows = np.arange(facets.edge_start[0], facets.edge_start[1])
        foot = rows[np.abs(facets.edges_m[rows, :, 2] - facets.bounds_m[0, 0, 2]).max(axis=1) < 1e-6]
        length = np.linalg.norm(np.diff(facets.edges_m[foot], axis=1), axis=2)
        assert length.sum() == pytest.approx(9.0)
        return facets.edge_rise_m[foot].max(axis=1), len(foot)

    for gap in (0.0, 2e-5):
        whole, _ = rises((), gap)
        assert whole == pytest.approx([5.0])
        several, pieces = rises((2.5, 6.0), gap)
        assert pieces == 3
        assert several == pytest.approx(3 * [5.0])
    apart, _ = rises((2.5, 6.0), 0.01)
    assert not apart.any()


def test_a_panel_counts_as_the_wall_it_is_part_of_and_a_bar_as_itself():
    """Tiles of a large wall are no small facets, bars of a lattice whose faces are flush stay narrow."""
    a, b = at(10, -20), at(10, 20)
    scene = scene_of(
        [quad(f"tile_{i}_{j}", (i, j, 0), (i + 1, j, 0), (i + 1, j + 1, 0), (i, j + 1, 0)) for i in range(-4, 4)
         for j in range(-4, 4)]
        + [quad("chord", (20, 0, 0), (28, 0, 0), (28, 0.1, 0), (20, 0.1, 0)),
           quad("chord_2", (20, 1.1, 0), (28, 1.1, 0), (28, 1.2, 0), (20, 1.2, 0))]
        + [quad(f"web_{x}", (x, 0.1, 0), (x + 0.1, 0.1, 0), (x + 0.1, 1.1, 0), (x, 1.1, 0)) for x in (21, 23, 25)]
    )  # fmt: skip
    outlines = make_outlines(find_facets(scene))
    assert len(np.unique(outlines.expanse)) == 2
    for facet, place, small in ((36, (0.4, 0.4, 0), 0.0), (64, (24.3, 0.05, 0), 1.0), (67, (23.05, 0.6, 0), 1.0)):
        shift = scene.to_local(np.array(place, dtype=float))
        shapes = own_outline(outlines, facet), whole_outline(outlines, facet)
        share = share_for(*shapes, outlines.normal[facet], a + shift, b + shift, WAVENUMBER, np.empty((2, 3)))
        assert share == small


def test_a_mesh_cut_fine_has_the_outlines_of_the_coarse_one(monkeypatch):
    """As much border at each height of what closes it, where a wall and a cupboard stand inside a floor without corners
    there; the same whether places are looked for by nearness or on every triangle, and in small portions.

    Once every border was held against every triangle of its neighbours: a million triangles filled the memory.
    """
    floor = quad("floor", (0, 0, 0), (9, 0, 0), (9, 7, 0), (0, 7, 0))
    wall = quad("wall", (1.1, 2.3, 0), (6.2, 4.9, 0), (6.2, 4.9, 2.5), (1.1, 2.3, 2.5))
    pieces = [
        floor,
        wall,
        block("cupboard", (7.0, 1.0, 0.0), (8.3, 2.1, 1.7)),
        quad("shelf", (3, 6, 1), (5, 6, 1), (5, 6.5, 1), (3, 6.5, 1)),
    ]

    def border_by_rise(facets) -> dict[tuple[float, ...], float]:
        length = np.linalg.norm(np.diff(facets.edges_m, axis=1)[:, 0], axis=1)
        rises, which = np.unique(np.round(facets.edge_rise_m, 9), axis=0, return_inverse=True)
        return dict(zip(map(tuple, rises), np.bincount(which.reshape(-1), length), strict=True))

    scene = scene_of(pieces)
    coarse = border_by_rise(find_facets(scene))
    assert len(coarse) > 4
    for _ in range(4):
        scene = subdivided(scene)
    found = []
    for tests, chunk in ((outlines_found.TESTED_ONE_BY_ONE, outlines_found.CHUNK), (0, 1_000), (10**9, 10**9)):
        monkeypatch.setattr(outlines_found, "TESTED_ONE_BY_ONE", tests)
        monkeypatch.setattr(outlines_found, "CHUNK", chunk)
        found.append(find_facets(scene))
        assert border_by_rise(found[-1]) == pytest.approx(coarse, rel=1e-9)
    assert all((f.edge_rise_m == found[0].edge_rise_m).all() for f in found)
