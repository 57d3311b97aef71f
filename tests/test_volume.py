"""The received-power volume: against closed form, against exact paths, and in its own books.

Monte Carlo comparisons use a fixed seed and Student-t limits in standard errors; where several values are
compared, the limit is set so that all of them together fail by chance once in ``1 / FAMILY`` seeds.
"""

from __future__ import annotations

import dataclasses
import time

import numpy as np
import pytest
import pyvista
from scipy import stats

from rf3d.errors import CancelledError, InputError
from rf3d.jobs import Jobs
from rf3d.propagation.direct import mean_inverse_square
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import make_grid
from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, walls_passed
from rf3d.propagation.kernels.inside import inside_any, make_hulls
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.kernels.passage import Entered, exits, make_boxes
from rf3d.propagation.kernels.tally import (
    NS_PER_M,
)
from rf3d.propagation.paths import Setting, find_paths, prepare
from rf3d.propagation.rays import find_exits, passages_through
from rf3d.propagation.volume import TransmitterVolume, trace_volume
from rf3d.radio.antennas import aim_axes, make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import dbm_to_watts
from rf3d.venue.facets import find_facets
from rf3d.venue.surfaces import enclosing_solids, inside_closed
from rf3d.views.export import VOLUME_ARRAYS, write_vti
from tests import twins
from tests.scenes import Piece, block, plain, quad, room, scene_of, surface

RADIO = Radio("probe", 2.45e9, 2.45e9, 1e6, 1e6, -90.0)
WAVELENGTH = twins.C / 2.45e9
UPRIGHT = np.eye(3)
FAMILY = 1e-4
"""Chance that a comparison of several values fails although the solver is right."""
ROOM = np.array([8.0, 6.0, 4.0])
BRICK = plain("brickwork", 4.0, 0.05)
LINING = plain("lining", 2.5, 0.02)


def transmitter_at(position, *, antenna=None, axes=UPRIGHT, power_dbm=0.0, cable_loss_db=0.0) -> Transmitter:
    """A transmitter with an isotropic antenna unless told otherwise."""
    chosen = antenna or make_antenna("probe", pattern="isotropic")
    return Transmitter("tx", np.array(position, float), chosen, axes, power_dbm, cable_loss_db, RADIO)


def setting_of(pieces, surfaces) -> Setting:
    """A scene of pieces made ready at the probe's frequency."""
    scene = scene_of(pieces)
    return prepare(scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, np.array([2.45e9])))


def volume_of(pieces, surfaces, transmitter, *, order, rays=64_000, voxel=0.5, seed=1, workers=0, **more):
    """Trace a scene of pieces, without edges and lobes unless told otherwise."""
    setting = setting_of(pieces, surfaces)
    return trace_volume(
        setting, transmitter, grid=make_grid(setting.scene, voxel), max_reflections=order, rays=rays, seed=seed,
        jobs=Jobs(workers=workers), **{"edges": False, "lobes": False, **more},
    )  # fmt: skip


def corner_plates(size) -> list[Piece]:
    """Two small plates in opposite corners: they span a box and stand in nobody's way."""
    a, b, c = size
    return [
        quad("low", (0, 0, 0), (0.01, 0, 0), (0.01, 0.01, 0), (0, 0.01, 0)),
        quad("high", (a, b, c), (a - 0.01, b, c), (a - 0.01, b - 0.01, c), (a, b - 0.01, c)),
    ]


def family_limit(count: int, freedom: float) -> float:
    """Two-sided Student-t limit for the largest of ``count`` values, Bonferroni."""
    return float(stats.t.ppf(1.0 - FAMILY / (2 * count), freedom))


# --- the direct field -------------------------------------------------------------------------------------------


def test_mean_inverse_square_is_the_integral_over_a_cube():
    """Near ones against ways through the cube, ∫dV/r² = ∮ℓ dΩ, over many directions; far ones point by point."""
    z, weight = np.polynomial.legendre.leggauss(500)
    azimuth = (np.arange(1000) + 0.5) * 2 * np.pi / 1000
    ring = np.sqrt(1 - z**2)[:, None]
    way = np.stack(np.broadcast_arrays(ring * np.cos(azimuth), ring * np.sin(azimuth), z[:, None]), axis=-1)
    edge = 0.7
    offsets = edge * np.array([(0, 0, 0), (0.1, -0.3, 0.45), (0.5, 0.2, 0.1), (0.5, 0.5, 0.5), (0.9, 0.0, -0.4)])
    for offset in offsets:
        one, other = (offset - 0.5 * edge) / way, (offset + 0.5 * edge) / way
        enter, leave = np.minimum(one, other).max(axis=-1), np.maximum(one, other).min(axis=-1)
        length = np.maximum(leave - np.maximum(enter, 0.0), 0.0)
        expected = (length.mean(axis=1) * weight).sum() * 2 * np.pi / edge**3
        assert mean_inverse_square(offset[None], edge)[0] == pytest.approx(expected, rel=1e-3)
    steps = (np.arange(60) + 0.5) / 60 - 0.5
    cube = edge * np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    for offset in edge * np.array([(2.0, 1.0, 0.0), (2.65, 0.0, 0.0), (3.0, 3.0, -3.0), (20.0, 0.0, 9.0)]):
        expected = (1.0 / ((cube + offset) ** 2).sum(axis=1)).mean()
        assert mean_inverse_square(offset[None], edge)[0] == pytest.approx(expected, rel=1e-3)


def test_free_space_is_friis_in_the_voxel_mean():
    """Every voxel, the antenna's own included, against its mean of 1/r² by brute force."""
    size, source = (4.0, 3.0, 2.5), np.array([1.13, 1.62, 0.91])
    surfaces = (surface("low", "metal", thickness_m=0.002), surface("high", "metal", thickness_m=0.002))
    answer = volume_of(corner_plates(size), surfaces, transmitter_at(source, power_dbm=7.0, cable_loss_db=2.0), order=0)
    steps = (np.arange(30) + 0.5) / 30 * 0.5
    points = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    expected = np.empty(answer.grid.shape)
    own = tuple(np.floor(source / 0.5).astype(int))
    for index in np.ndindex(*answer.grid.shape):
        expected[index] = (1.0 / ((points + 0.5 * np.array(index) - source) ** 2).sum(axis=-1)).mean()
    # In the antenna's own voxel 1/r² is singular: ∫dV/r² is the mean way to the voxel's faces, times 4π.
    way = np.random.default_rng(5).normal(size=(2_000_000, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    low = np.array(own) * 0.5 - source
    expected[own] = 4 * np.pi * np.where(way > 0, (low + 0.5) / way, low / way).min(axis=1).mean() / 0.5**3
    ratio = answer.mean_power_w / (dbm_to_watts(5.0) * (WAVELENGTH / (4 * np.pi)) ** 2 * expected)
    far = np.linalg.norm((np.indices(answer.grid.shape).T.swapaxes(0, 2) + 0.5) * 0.5 - source, axis=-1) > 1.0
    assert np.abs(ratio[far] - 1).max() < 1e-3
    assert np.abs(ratio - 1).max() < 5e-3
    assert np.isnan(answer.direct_ratio_db).all()


def test_a_wall_passes_what_the_exact_slab_does():
    """Behind a sheet each voxel has free space times |T|², TE and TM in the shares of the θ-polarised wave."""
    size, source = (6.0, 4.0, 3.0), np.array([1.25, 2.25, 1.25])
    wall = quad("wall", (3, 0, 0), (3, 4, 0), (3, 4, 3), (3, 0, 3))
    pieces = [*corner_plates(size), wall]
    plates = (surface("low", "metal", thickness_m=0.002), surface("high", "metal", thickness_m=0.002))
    walled = volume_of(pieces, (*plates, surface("wall", BRICK, thickness_m=0.11)), transmitter_at(source), order=0)
    open_air = volume_of(
        pieces, (*plates, surface("wall", plain("air", 1.0, 0.0), thickness_m=0.11)), transmitter_at(source), order=0
    )
    eps = 4.0 - 0.05j / (2 * np.pi * 2.45e9 * 8.8541878188e-12)
    checked = 0
    for number in range(0, walled.grid.count, 17):
        centre = walled.grid.centres_m(np.array([number]))[0] + walled.grid.origin_m
        if centre[0] < 3.0:
            continue
        k = (centre - source) / np.linalg.norm(centre - source)
        field = np.array([k[2] * k[0], k[2] * k[1], k[2] ** 2 - 1]) / np.hypot(k[0], k[1])
        te = np.cross(k, [1.0, 0, 0])
        te /= np.linalg.norm(te)
        _, _, t_te, t_tm = twins.slab(eps, 0.11, 2.45e9, abs(k[0]))
        expected = abs(t_te * (field @ te)) ** 2 + abs(t_tm * (field @ np.cross(te, k))) ** 2
        got = walled.direct_power_w.flat[number] / open_air.direct_power_w.flat[number]
        assert got == pytest.approx(expected, rel=1e-9)
        checked += 1
    assert checked >= 10


# --- everything after a reflection -------------------------------------------------------------------------------


def image_power(size, source, points, *, order, eps):
    """Power per watt at a unit-gain probe by number of reflections, (order + 1, P), and length × power twins.

    Images of the points (P, 3) by their cell; each ray is marched from wall to wall of half-spaces.
    """
    power = np.zeros((order + 1, len(points)))
    moments = np.zeros((2, len(points)))
    straight = np.linalg.norm(points - source, axis=1)
    span = range(-order, order + 1)
    for cell in ((i, j, k) for i in span for j in span for k in span if abs(i) + abs(j) + abs(k) <= order):
        odd = np.array(cell) % 2 == 1
        image = np.array(cell) * size + np.where(odd, size - points, points)
        length = np.linalg.norm(image - source, axis=1)
        k = (image - source) / length[:, None]
        field = np.stack([k[:, 2] * k[:, 0], k[:, 2] * k[:, 1], k[:, 2] ** 2 - 1], axis=1) / np.hypot(k[:, 0], k[:, 1])[
            :, None
        ].astype(complex)
        at = np.tile(source, (len(points), 1))
        for _ in range(sum(map(abs, cell))):
            reach = np.where(k > 0, (size - at) / k, -at / k)
            axis = reach.argmin(axis=1)
            at = at + reach.min(axis=1)[:, None] * k
            for row in range(len(points)):
                normal = np.eye(3)[axis[row]]
                r_te, r_tm = twins.fresnel(eps, abs(k[row] @ normal))
                field[row], k[row] = twins.bounce(field[row], k[row], normal, r_te, r_tm)
        here = (np.abs(field) ** 2).sum(axis=1) * (WAVELENGTH / (4 * np.pi * length)) ** 2
        power[sum(map(abs, cell))] += here
        moments += here * np.stack([length - straight, (length - straight) ** 2]) * [[NS_PER_M], [NS_PER_M**2]]
    return power, moments / power.sum(axis=0)


def stratified_points(answer: TransmitterVolume, numbers, per_edge: int, generator=None) -> np.ndarray:
    """World points (voxels, per_edge³, 3) in the cells of each voxel, in the middle or anywhere in them."""
    cell = np.stack(np.meshgrid(*[np.arange(per_edge)] * 3, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = 0.5 if generator is None else generator.random((len(numbers), len(cell), 3))
    low = answer.grid.centres_m(np.array(numbers)) - 0.5 * answer.grid.voxel_m + answer.grid.origin_m
    return low[:, None] + (cell + inside) / per_edge * answer.grid.voxel_m


def test_a_closed_box_is_its_image_sources_order_by_order():
    """Lossy half-space walls, three orders, ten voxels: 30 values and their delay spreads."""
    source = np.array([2.3, 1.7, 1.4])
    surfaces = tuple(surface(name, BRICK, half_space=True) for name, _, _ in room(ROOM))
    answer = volume_of(room(ROOM), surfaces, transmitter_at(source), order=3, rays=400_000, by_order=True)
    numbers = np.random.default_rng(2).choice(answer.grid.count, 10, replace=False)
    points = stratified_points(answer, numbers, 3)
    eps = 4.0 - 0.05j / (2 * np.pi * 2.45e9 * 8.8541878188e-12)
    power, moments = image_power(ROOM, source, points.reshape(-1, 3), order=3, eps=eps)
    expected = 1e-3 * power.reshape(4, 10, -1).mean(axis=2)
    got = answer.order_power_w.reshape(4, -1)[:, numbers]
    error = answer.order_std_error_w.reshape(4, -1)[:, numbers]
    assert (error[1:] < 0.03 * got[1:]).all()
    score = (got[1:] - expected[1:]) / error[1:]
    assert np.abs(score).max() < family_limit(score.size, answer.batches - 1)
    np.testing.assert_allclose(answer.mean_power_w, answer.order_power_w.sum(axis=0), rtol=1e-6)
    # Delay moments of the pooled paths; the power of each order is good to 1 %, so the spread is to 2 %.
    weight = power.sum(axis=0).reshape(10, -1)
    first, second = ((m.reshape(10, -1) * weight).sum(axis=1) / weight.sum(axis=1) for m in (moments[0], moments[1]))
    spread = answer.rms_delay_spread_ns.reshape(-1)[numbers]
    np.testing.assert_allclose(spread, np.sqrt(second - first**2), rtol=0.02)


def furnished() -> tuple[list[Piece], tuple, Transmitter]:
    """A room of sheets with a block on its floor, a block leaning on that one, a prism and a screen."""
    prism = (
        "prism",
        np.array([[5, 4, 0], [6.2, 4, 0], [5.4, 5.1, 0], [5, 4, 2.6], [6.2, 4, 2.6], [5.4, 5.1, 2.6]], dtype=float),
        np.array([[0, 1, 2], [3, 5, 4], [0, 1, 4], [0, 4, 3], [1, 2, 5], [1, 5, 4], [2, 0, 3], [2, 3, 5]]),
    )
    pieces = [
        *room(ROOM),
        block("chest", (3.0, 1.0, 0.0), (4.0, 2.5, 1.9)),
        block("chest_end", (3.0, 2.5, 0.0), (4.0, 3.3, 1.9)),
        prism,
        quad("screen", (5.6, 0.6, 0.4), (5.6, 3.1, 0.4), (5.6, 3.1, 3.2), (5.6, 0.6, 3.2)),
    ]
    walls = tuple(surface(name, BRICK, thickness_m=0.12) for name, _, _ in room(ROOM))
    inside = (
        surface("chest", LINING, body="solid"),
        surface("chest_end", LINING, body="solid"),
        surface("prism", LINING, body="solid"),
        surface("screen", LINING, thickness_m=0.03),
    )
    antenna = make_antenna("panel", pattern="panel", gain_dbi=6.0, beamwidth_deg=(80.0, 80.0), xpd_db=15.0)
    axes = aim_axes(boresight=np.array([1.0, 0.25, -0.2]), roll_rad=0.5)
    return pieces, (*walls, *inside), transmitter_at((1.2, 2.2, 2.4), antenna=antenna, axes=axes)


def test_a_furnished_room_is_its_exact_paths_order_by_order():
    """Slabs, touching solids, oblique bodies and a sheet, a rolled panel antenna; eight voxels, orders 0, 1 and 2.

    Both sides are means over the voxel: rays cross it everywhere, the paths end at 216 stratified points of it.
    The aperture factor of small facets belongs to paths alone and is switched off by taking their outlines away.
    """
    pieces, surfaces, transmitter = furnished()
    scene = scene_of(pieces)
    facets = find_facets(scene)
    answer = trace_volume(
        setting_of(pieces, surfaces), transmitter, grid=make_grid(scene, 0.5), max_reflections=2, rays=1_280_000,
        seed=3, jobs=Jobs(), by_order=True, edges=False,
    )  # fmt: skip
    places = [(2.25, 4.25, 1.25), (2.25, 0.75, 0.25), (4.75, 2.25, 1.25), (4.75, 0.75, 2.75),
              (6.75, 1.75, 1.75), (7.25, 4.75, 0.75), (6.75, 5.25, 3.25), (4.25, 4.75, 2.25)]  # fmt: skip
    numbers = [answer.grid.number_at(scene.to_local(np.array(p))) for p in places]
    points = stratified_points(answer, numbers, 6, np.random.default_rng(4))
    centres = answer.grid.centres_m(np.array(numbers)) + answer.grid.origin_m
    points = np.concatenate([points, centres[:, None]], axis=1)
    probe = make_antenna("probe", pattern="isotropic")
    receivers = tuple(Receiver(str(i), p, probe, UPRIGHT, 0.0, RADIO) for i, p in enumerate(points.reshape(-1, 3)))
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([2.45e9])))
    paths, _ = find_paths(
        setting, scene.to_local(transmitter.position_m[None]), scene.to_local(points.reshape(-1, 3)),
        linked=np.ones((1, len(receivers)), dtype=bool), max_reflections=2, rays=0, seed=1, jobs=Jobs(),
    )  # fmt: skip
    assert paths.exhaustive_order == 2
    mirrors = dataclasses.replace(facets, edge_start=0 * facets.edge_start, expanse_start=0 * facets.expanse_start)
    carried = fields(
        paths, mirrors, surfaces=surfaces, transmitters=(transmitter,), receivers=receivers,
        frequencies_hz=np.array([2.45e9]),
    )  # fmt: skip
    power = 1e-3 * (np.abs(carried.arriving[:, 0]) ** 2).sum(axis=1)
    at_point = np.zeros((3, points.shape[0] * points.shape[1]))
    np.add.at(at_point, (paths.reflections, paths.receiver), power)
    at_point = at_point.reshape(3, len(numbers), -1)
    # The direct field is taken at the middle of the voxel; 1/r² is averaged over it, which is h²/12r² more.
    distance = np.linalg.norm(centres - transmitter.position_m, axis=1)
    direct = at_point[0, :, -1] * (1 + 0.5**2 / (12 * distance**2))
    np.testing.assert_allclose(answer.direct_power_w.reshape(-1)[numbers], direct, rtol=1e-9)
    at_point = at_point[1:, :, :-1]
    expected = at_point.mean(axis=2)
    # Independent draws in the cells of a voxel: the spread over points is an upper bound of their error.
    error = np.hypot(
        answer.order_std_error_w.reshape(3, -1)[1:, numbers],
        at_point.std(axis=2, ddof=1) / np.sqrt(at_point.shape[2]),
    )
    got = answer.order_power_w.reshape(3, -1)[1:, numbers]
    score = (got - expected) / error
    assert (error < 0.05 * expected).all()
    assert np.abs(score).max() < family_limit(score.size, answer.batches - 1)


def stacked() -> tuple[list[Piece], tuple]:
    """Solids of one and of two materials that touch, stand on each other and overlap, with sheets on and in them."""
    pieces, surfaces = [], []

    def add(piece, material, **more):
        pieces.append(piece)
        surfaces.append(surface(piece[0], material, **more))

    for piece in room(ROOM):
        add(piece, BRICK, thickness_m=0.12)
    add(block("chest", (3, 1, 0), (4, 2.5, 1.9)), LINING, body="solid")
    add(block("beside", (3.5, 2.5, 0), (4.5, 3.3, 1.5)), LINING, body="solid")
    add(block("on_top", (3, 1, 1.9), (3.8, 2, 2.4)), BRICK, body="solid")
    add(block("pier", (5, 4, 0), (6, 5, 2)), LINING, body="solid")
    add(block("pier_foot", (5.5, 4.5, 0), (6.5, 5.5, 1.5)), LINING, body="solid")
    add(block("beam", (6.2, 1, 1), (6.8, 2, 2)), LINING, body="solid")
    add(block("beam_end", (6.5, 1.2, 1.2), (7.0, 1.8, 1.8)), BRICK, body="solid")
    add(block("case", (1, 4, 0), (1.8, 5, 0.9)), LINING, body="solid")
    add(block("cloud", (1, 2, 2), (2.2, 2.8, 2.06)), LINING, body="solid")
    name, corners, triangles = block("seats", (1.2, 0.3, 0.4), (2.6, 1.5, 1.0))
    add((name, corners + np.outer(corners[:, 0], [0, 0, 0.3]), triangles), LINING, body="solid")
    add(quad("rake", (1.1, 0.2, 0.7), (2.7, 0.2, 1.18), (2.7, 1.6, 1.18), (1.1, 1.6, 0.7)), BRICK, thickness_m=0.02)
    add(quad("on_chest", (3, 1, 0.2), (3, 2.5, 0.2), (3, 2.5, 1.7), (3, 1, 1.7)), BRICK, thickness_m=0.02)
    add(quad("in_chest", (3.3, 0.5, 0.5), (3.3, 4.5, 0.5), (3.3, 4.5, 1.2), (3.3, 0.5, 1.2)), BRICK, thickness_m=0.02)
    return pieces, tuple(surfaces)


def test_a_ray_enters_what_a_long_segment_passes():
    """The walls from entry to the open air are the first of those that ``walls_passed`` finds to the room's far side.

    Once a body that touched another through a slanting way was left half-way: the end of a way in and the start of
    the next lie at one distance, and only the chord tells them apart. Seats on a rake are a box although what they
    stand on reaches as high as they do.
    """
    pieces, surfaces = stacked()
    scene = scene_of(pieces)
    facets = find_facets(scene)
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([2.45e9])))
    generator = np.random.default_rng(6)
    starts = scene.to_local(generator.uniform([0.1, 0.1, 0.1], ROOM - 0.1, (12_000, 3)))
    free = np.array([name is None for name in enclosing_solids(scene, starts, surfaces)])
    ways = generator.normal(size=(12_000, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    triangle = setting.tracer.nearest(starts, ways)
    facet = facets.triangle_facet[triangle]
    chosen = free & (triangle >= 0) & setting.bodies.solid[facet]
    starts, ways, facet = starts[chosen], ways[chosen], facet[chosen]
    normal = setting.planes.normal[setting.bodies.plane[facet]]
    along = np.einsum("ri,ri->r", normal, ways)
    reach = (facets.offset_m[facets.plane[facet]] - np.einsum("ri,ri->r", normal, starts)) / along
    points = starts + reach[:, None] * ways
    boxes = make_boxes(scene.corners_m, setting.planes, setting.bodies, setting.opaque)
    names = list(dict.fromkeys(scene.objects))
    assert [names[o] for o in np.flatnonzero(np.diff(boxes.start))] == ["beside", "on_top", "case", "cloud", "seats"]
    out = exits(setting.planes, setting.bodies, boxes, points, ways, facet)
    entered = Entered(np.arange(len(points)), points, ways, normal * np.sign(along)[:, None], facet, out)
    find_exits(setting, entered)
    got = passages_through(setting, entered)
    met = setting.tracer.crossings(starts, starts + 12.0 * ways, opaque=setting.opaque[scene.triangle_part])
    first = np.searchsorted(met.segment, np.arange(len(starts) + 1)).astype(np.int64)
    nowhere = np.full(len(starts), -1, dtype=np.int32)
    _, row, kind, _, part, depth, distance = walls_passed(
        setting.planes, setting.bodies, starts, starts + 12.0 * ways, nowhere, nowhere, first,
        facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    several = 0
    for ray in range(len(starts)):
        mine, count = slice(got.first[ray], got.first[ray + 1]), got.first[ray + 1] - got.first[ray]
        theirs, rest = slice(row[ray], row[ray] + count), slice(row[ray] + count, row[ray + 1])
        np.testing.assert_array_equal(got.kind[mine], kind[theirs])
        np.testing.assert_array_equal(got.part[mine], part[theirs])
        np.testing.assert_allclose(got.depth_m[mine], depth[theirs], atol=1e-9)
        assert count > 0
        assert (distance[rest] > reach[ray] + got.reach_m[ray] - 1e-9).all()
        assert (kind[theirs] == OBLIQUE_FACE).sum() % 2 == 0  # what is entered is left
        several += count > 2
    assert len(starts) > 1000
    assert several > 50


def test_points_inside_solids_are_found():
    """Against the plain parity count of ``venue.surfaces``, for blocks that touch and overlap and for a prism."""
    pieces = [piece for piece in (*furnished()[0], *stacked()[0]) if len(piece[2]) >= 8]
    bodies = [points[faces] for _, points, faces in pieces]
    points = np.random.default_rng(7).uniform([2.5, 0.5, -0.5], [7.5, 6.0, 3.0], (4000, 3))
    points[::10] = np.round(points[::10] * 4) / 4  # on a grid that shares planes with the blocks
    points[::10] += 1e-6
    expected = np.any([inside_closed(body, points) for body in bodies], axis=0)
    assert 400 < expected.sum() < 3000
    np.testing.assert_array_equal(inside_any(make_hulls(bodies), points), expected)
    assert not inside_any(make_hulls([]), points).any()


# --- books, repeatability, refusals --------------------------------------------------------------------------------


def test_the_ledger_closes_with_every_account_used():
    """Emitted + roulette gain = absorbed + escaped + roulette loss + cut, to 1e-12 of what was emitted."""
    pieces, surfaces, transmitter = furnished()
    ledger = volume_of(pieces[1:], surfaces[1:], transmitter, order=3).ledger
    assert min(ledger.absorbed, ledger.escaped, ledger.roulette_gain, ledger.roulette_loss, ledger.cut) > 0.0
    assert abs(ledger.imbalance) < 1e-12


def test_a_lossless_closed_box_keeps_all_power():
    """Nothing is absorbed by glass-like walls that rays only leave by escaping or by the limit of reflections."""
    clear = plain("clear", 3.0, 0.0)
    surfaces = tuple(surface(name, clear, thickness_m=0.1) for name, _, _ in room(ROOM))
    ledger = volume_of(room(ROOM), surfaces, transmitter_at((2, 2, 2)), order=3).ledger
    assert abs(ledger.absorbed) < 1e-12
    assert ledger.escaped + ledger.cut == pytest.approx(ledger.emitted, rel=1e-4)


def test_twice_the_power_is_three_decibels_more():
    pieces, surfaces, transmitter = furnished()
    once = volume_of(pieces, surfaces, transmitter, order=1)
    twice = volume_of(pieces, surfaces, dataclasses.replace(transmitter, power_dbm=10 * np.log10(2)), order=1)
    for name in ("mean_power_dbm", "direct_power_dbm"):
        np.testing.assert_allclose(getattr(twice, name), getattr(once, name) + 10 * np.log10(2), rtol=0, atol=1e-9)
    np.testing.assert_allclose(twice.rms_delay_spread_ns, once.rms_delay_spread_ns, atol=1e-6)
    np.testing.assert_allclose(twice.std_error_db, once.std_error_db, rtol=1e-9)


def test_the_same_bytes_for_any_number_of_workers():
    pieces, surfaces, transmitter = furnished()
    answers = [volume_of(pieces, surfaces, transmitter, order=2, workers=w, by_order=True) for w in (1, 2, 4)]
    arrays = ("mean_power_w", "std_error_w", "direct_power_w", "rms_delay_spread_ns", "rms_delay_spread_std_error_ns",
              "order_power_w", "order_std_error_w")  # fmt: skip
    for other in answers[1:]:
        assert all(getattr(other, name).tobytes() == getattr(answers[0], name).tobytes() for name in arrays)
        assert other.ledger == answers[0].ledger
    changed = volume_of(pieces, surfaces, transmitter, order=2, seed=2)
    assert changed.mean_power_w.tobytes() != answers[0].mean_power_w.tobytes()


def test_moving_the_world_moves_nothing_else():
    """Ten kilometres away the same voxels get the same power: all work is done in local coordinates."""
    pieces, surfaces, transmitter = furnished()
    away = np.array([8192.0, -4096.0, 512.0])  # sums of these with the room's coordinates are exact in float64
    here = volume_of(pieces, surfaces, transmitter, order=2)
    there = volume_of(
        [(name, points + away, faces) for name, points, faces in pieces], surfaces,
        dataclasses.replace(transmitter, position_m=transmitter.position_m + away), order=2,
    )  # fmt: skip
    np.testing.assert_allclose(there.grid.world_low_m - here.grid.world_low_m, away)
    # A ray that grazes an edge may fall on its other side, which is small against the error of the mean.
    moved = np.abs(there.mean_power_w - here.mean_power_w) / here.std_error_w
    assert np.nanmax(moved) < 1.0
    assert np.nanmedian(moved) < 1e-6
    np.testing.assert_allclose(there.direct_power_w, here.direct_power_w, rtol=1e-6)


def test_nothing_is_direct_inside_a_solid():
    pieces, surfaces, transmitter = furnished()
    answer = volume_of(pieces, surfaces, transmitter, order=1)
    inside = answer.grid.number_at(np.array([3.75, 1.75, 0.75]) - answer.grid.origin_m)
    assert np.isnan(answer.mean_power_dbm.flat[inside])
    assert np.isnan(answer.std_error_db.flat[inside])


def test_a_grid_that_does_not_fit_is_refused_at_once():
    hall = scene_of([quad("floor", (0, 0, 0), (100, 0, 0), (100, 100, 20), (0, 100, 20))])
    begin = time.perf_counter()
    with pytest.raises(InputError, match=r"200,000,000,000 voxels.*GiB.*voxel_m [0-9.]+ would fit") as refusal:
        make_grid(hall, 0.01, limit_bytes=8e9)
    cured = float(refusal.value.cure.split()[1])
    assert make_grid(hall, cured, limit_bytes=8e9).count > 1e7
    with pytest.raises(InputError, match="would fit"):
        make_grid(hall, 0.01)
    assert time.perf_counter() - begin < 0.5
    for wrong in (0.0, -1.0, np.nan, np.inf):
        with pytest.raises(InputError, match="positive"):
            make_grid(hall, wrong)


@pytest.mark.parametrize(("wrong", "words"), [({"rays": 63}, "at least 64"), ({"order": -1}, "negative")])
def test_nonsense_is_refused(wrong, words):
    pieces, surfaces, transmitter = furnished()
    with pytest.raises(InputError, match=words):
        volume_of(pieces, surfaces, transmitter, **{"order": 1, **wrong})


def test_a_cancelled_run_gives_no_answer():
    pieces, surfaces, transmitter = furnished()
    scene = scene_of(pieces)
    jobs = Jobs(workers=1)
    jobs.cancel.set()
    with pytest.raises(CancelledError):
        trace_volume(
            setting_of(pieces, surfaces), transmitter, grid=make_grid(scene, 0.5), max_reflections=1, rays=6400,
            seed=1, jobs=jobs,
        )  # fmt: skip


def test_the_file_read_back_has_the_same_arrays_in_the_same_place(tmp_path):
    pieces, surfaces, transmitter = furnished()
    away = np.array([100.0, 20.0, 3.0])
    moved = [(name, points + away, faces) for name, points, faces in pieces]
    first = volume_of(
        moved, surfaces, dataclasses.replace(transmitter, position_m=transmitter.position_m + away), order=1
    )
    second = dataclasses.replace(first, transmitter="rail 2", mean_power_w=2 * first.mean_power_w)
    target = tmp_path / "stage.vti"
    target.write_text("old")
    write_vti(target, [first, second])
    image = pyvista.read(target)
    assert [p.name for p in tmp_path.iterdir()] == ["stage.vti"]
    np.testing.assert_allclose(image.origin, away)
    np.testing.assert_allclose(image.spacing, 0.5)
    assert set(image.cell_data.keys()) == {f"{name}@{t}" for name in VOLUME_ARRAYS for t in ("tx", "rail 2")}
    place = away + np.array([6.75, 1.75, 1.75])
    cell = image.find_containing_cell(place)
    expected = first.mean_power_dbm.flat[first.grid.number_at(place - first.grid.origin_m)]
    assert image.cell_data["mean_power_dbm@tx"][cell] == pytest.approx(expected, abs=1e-4)
    assert image.cell_data["mean_power_dbm@rail 2"][cell] == pytest.approx(expected + 10 * np.log10(2), abs=1e-4)
    np.testing.assert_array_equal(image.field_data["rays"], [first.rays] * 2)
    for wrong in (tmp_path / "stage.vtk", tmp_path / "nowhere" / "stage.vti"):
        with pytest.raises(InputError):
            write_vti(wrong, [first])
