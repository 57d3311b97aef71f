"""Rough surfaces: the lobe's two promises, the integral over what both ends see, and what links make of it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from rf3d.assessment.fading import draw_neighbourhood, power_samples
from rf3d.assessment.links import evaluate, links_as_json, rice_k_db, rms_delay_spread_s
from rf3d.assessment.run import solve
from rf3d.jobs import Jobs, batch_generator
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.diffuse import CROWDED, NO_DIFFUSE, Diffuse, diffuse_power
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import make_grid
from rf3d.propagation.kernels.interfaces import make_walls, opaque_parts
from rf3d.propagation.kernels.responses import make_responses
from rf3d.propagation.kernels.scatter import hemispherical, scatter, scattered
from rf3d.propagation.paths import find_paths, prepare
from rf3d.propagation.volume import trace_volume
from rf3d.radio.antennas import aim_axes, make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from rf3d.units import SPEED_OF_LIGHT_M_S, to_db
from rf3d.venue.facets import find_facets
from rf3d.venue.materials import catalogue
from rf3d.venue.surfaces import Surface
from tests import twins
from tests.scenes import Piece, block, plain, quad, room, scene_of, surface

FREQUENCY = 2.45e9
WAVELENGTH = twins.C / FREQUENCY
RADIO = Radio("probe", FREQUENCY, FREQUENCY, 1e6, 1e6, -90.0)
UPRIGHT = np.eye(3)
EPS, SIGMA, S = 4.0, 0.05, 0.6
LOSSY = EPS - 1j * SIGMA / (2 * np.pi * FREQUENCY * 8.8541878188e-12)
BOARD = 2.7 - 0.4j
NODE, WEIGHT = np.polynomial.legendre.leggauss(200)
COSINE, SHARE = 0.5 + 0.5 * NODE, 0.5 * WEIGHT
"""Gauss's rule over cosθ from 0 to 1."""


def rough(strength: float = S):
    """A lossy dielectric with a rough face."""
    return replace(plain("render", EPS, SIGMA), scattering=strength)


def setting_of(pieces: list[Piece], surfaces: tuple[Surface, ...]):
    scene = scene_of(pieces)
    return prepare(scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, np.array([FREQUENCY])))


def ends(tx, rx, *, patterns=("short_dipole", "short_dipole"), axes=(UPRIGHT, UPRIGHT)):
    """A transmitter and a receiver of 0 dBm without cables."""
    made = [make_antenna(name, pattern=pattern) for name, pattern in zip("ab", patterns, strict=True)]
    return (
        Transmitter("tx", np.array(tx, float), made[0], axes[0], 0.0, 0.0, RADIO),
        Receiver("rx", np.array(rx, float), made[1], axes[1], 0.0, RADIO),
    )


def reflectances(kind: str, cosine: np.ndarray) -> np.ndarray:
    """|R_TE|² and |R_TM|², (2, N), of the two walls that the lobe is tried on."""
    both = twins.fresnel(LOSSY, cosine) if kind == "half-space" else twins.slab(LOSSY, 0.11, FREQUENCY, cosine)[:2]
    return np.abs(np.array(both)) ** 2


def walls_of(kind: str, strength: float = S):
    options = {"half_space": True} if kind == "half-space" else {"thickness_m": 0.11}
    return make_walls((surface("wall", rough(strength), **options),), np.array([FREQUENCY]))


# --- the lobe ----------------------------------------------------------------------------------------------------


def waves(cosine: np.ndarray, azimuth: np.ndarray, wanted: str):
    """Directions (N, 3) down onto a level face and unit TE or TM fields across them."""
    sine = np.sqrt(1 - cosine**2)
    way = np.stack([sine * np.cos(azimuth), sine * np.sin(azimuth), -cosine], axis=1)
    te = np.stack([np.sin(azimuth), -np.cos(azimuth), np.zeros_like(azimuth)], axis=1)
    return way, (te if wanted == "TE" else np.cross(te, way)).astype(complex)


def lobe_of_kernel(walls, one, other):
    """f_pq cosθi cosθo between waves of either end."""
    count = len(one[0])
    part, depth = np.zeros(count, dtype=np.int32), np.full(count, np.nan)
    table = np.full(count, hemispherical(walls, 0, 0, np.nan))
    normal = np.tile([0.0, 0.0, 1.0], (count, 1))
    return scattered(walls, part, depth, table, normal, one[0], one[1], other[0], other[1])


@pytest.mark.parametrize("kind", ["half-space", "slab"])
def test_the_lobe_is_reciprocal_and_keeps_energy(kind):
    """Swapping the ends changes nothing; over the hemisphere and both polarisations it gives S²|R|²."""
    walls = walls_of(kind)
    azimuth = (np.arange(16) + 0.5) * 2 * np.pi / 16
    cos_out, around = np.repeat(COSINE, 16), np.tile(azimuth, len(COSINE))
    solid_angle = np.repeat(SHARE, 16) * 2 * np.pi / 16
    for cos_in in (0.05, 0.4, 0.77, 1.0):
        at = np.full(len(cos_out), cos_in)
        for p, coming in enumerate(("TE", "TM")):
            one = waves(at, np.full(len(at), 0.3), coming)
            total = 0.0
            for leaving in ("TE", "TM"):
                other = waves(cos_out, around, leaving)
                value = lobe_of_kernel(walls, one, other)
                np.testing.assert_allclose(lobe_of_kernel(walls, other, one), value, rtol=1e-13)
                total += (value * solid_angle).sum() / cos_in
            assert total == pytest.approx(S**2 * reflectances(kind, np.array([cos_in]))[p, 0], rel=1e-6)


@pytest.mark.parametrize("kind", ["half-space", "slab"])
def test_rays_are_scattered_by_the_lobe(kind):
    """Twenty cells of equal cosθ in each polarisation, and eight of azimuth: χ² at 1 in 10 000."""
    walls, draws, cells = walls_of(kind), 60_000, 20
    responses = make_responses(walls)
    generator = batch_generator(3, 9)
    chance = generator.random((draws, 2))
    way, field = np.zeros((draws, 3)), np.zeros((draws, 3), dtype=complex)
    normal = np.array([0.6, 0.0, -0.8])
    for i in range(draws):
        scatter(walls, responses.values, 0, 0, np.nan, normal, *chance[i], i, way, field, np.empty(3), np.empty(8))
    np.testing.assert_allclose(np.linalg.norm(way, axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(field, axis=1), 1.0, atol=1e-12)
    assert np.abs((way * field).sum(axis=1)).max() < 1e-12
    cosine, along = way @ normal, np.abs(field @ normal)
    is_te = along < 1e-12
    np.testing.assert_allclose(along[~is_te], np.sqrt(1 - cosine[~is_te] ** 2), atol=1e-12)
    edges = np.linspace(0.0, 1.0, cells + 1)
    fine = (edges[:-1, None] + COSINE[None] / cells).reshape(-1)
    density = (reflectances(kind, fine) * fine).reshape(2, cells, -1) @ SHARE
    expected = draws * density / density.sum()
    seen = np.stack([np.histogram(cosine[te], edges)[0] for te in (is_te, ~is_te)])
    assert stats.chisquare(seen.ravel(), expected.ravel()).pvalue > 1e-4
    azimuth = np.arctan2(way @ [0.0, 1.0, 0.0], way @ [0.8, 0.0, 0.6])
    assert stats.chisquare(np.histogram(azimuth, 8, (-np.pi, np.pi))[0]).pvalue > 1e-4


# --- the integral ------------------------------------------------------------------------------------------------


def short_dipole(way: np.ndarray) -> np.ndarray:
    """Field vectors (N, 3) of an upright short dipole; squared length 1.5 sin²θ."""
    return np.sqrt(1.5) * (way[:, 2:] * way - np.array([0.0, 0.0, 1.0]))


def floor_integral(tx, rx, half, *, steps=600, wall_x=None):
    """Power ratio and mean length over a level rough half-space at z = 0, from −half to half; midpoints.

    ``wall_x``: an upright slab stands there, which some legs pass.
    """
    line = (np.arange(steps) + 0.5) / steps * 2 * half - half
    x, y = np.meshgrid(line, line, indexing="ij")
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    total = 2.0 * (SHARE * COSINE * reflectances("half-space", COSINE)).sum()
    value, length = np.full(len(points), (2 * half / steps) ** 2 * S**2 / (np.pi * total)), np.zeros(len(points))
    for end in (tx, rx):
        distance = np.linalg.norm(points - end, axis=1)
        way = (points - end) / distance[:, None]
        field = short_dipole(way).astype(complex)
        if wall_x is not None:
            te, tm = across(way, np.array([1.0, 0.0, 0.0]))
            t_te, t_tm = twins.slab(BOARD, 0.05, FREQUENCY, np.abs(way[:, 0]))[2:]
            a_te, a_tm = t_te * (field * te).sum(axis=1), t_tm * (field * tm).sum(axis=1)
            through = (points[:, 0] < wall_x) != (end[0] < wall_x)
            field = np.where(through[:, None], a_te[:, None] * te + a_tm[:, None] * tm, field)
        te, _ = across(way, np.array([0.0, 0.0, 1.0]))
        power_te = np.abs((field * te).sum(axis=1)) ** 2
        rho_te, rho_tm = reflectances("half-space", -way[:, 2])
        power_tm = (np.abs(field) ** 2).sum(axis=1) - power_te
        value *= -way[:, 2] / distance**2 * (rho_te * power_te + rho_tm * power_tm)
        length += distance
    power = value.sum()
    return power * (WAVELENGTH / (4 * np.pi)) ** 2, (value * length).sum() / power


def across(way, normal):
    """TE and TM axes (N, 3) of directions at a face; at normal incidence TE is nothing."""
    te = np.cross(way, normal)
    te /= np.maximum(np.linalg.norm(te, axis=1), 1e-12)[:, None]
    return te, np.cross(te, way)


def floor(half: float) -> Piece:
    return quad("floor", (-half, -half, 0), (half, -half, 0), (half, half, 0), (-half, half, 0))


@pytest.mark.parametrize(
    ("tx", "rx"),
    [((-3.0, 1.0, 2.0), (4.0, -2.0, 3.0)), ((0.2, 0.1, 0.5), (1.5, 0.0, 0.3)), ((0, 0, 40.0), (30, 5, 30))],
)
def test_a_rough_floor_against_plain_quadrature(tx, rx):
    """Power to 2 %, length to 1 %: near ends, far ends, and ends close to the floor."""
    setting = setting_of([floor(8.0)], (surface("floor", rough(), half_space=True),))
    answer = diffuse_power(setting, *ends(tx, rx))
    power, length = floor_integral(np.array(tx, float), np.array(rx, float), 8.0)
    assert answer.surfaces == ("floor",)
    assert answer.power[0] == pytest.approx(power, rel=0.02)
    assert answer.length_m[0] == pytest.approx(length, rel=0.01)


def test_legs_pass_walls():
    """A slab that one leg passes, or the other: TE and TM of it turned into those of the floor."""
    tx, rx = np.array([-3.0, 1.0, 2.0]), np.array([4.0, -2.0, 3.0])
    sigma = -BOARD.imag * 2 * np.pi * FREQUENCY * 8.8541878188e-12
    pieces = [floor(8.0), quad("partition", (2, -60, 0.0), (2, 60, 0.0), (2, 60, 60), (2, -60, 60))]
    board = plain("board", BOARD.real, sigma)
    surfaces = (surface("floor", rough(), half_space=True), surface("partition", board, thickness_m=0.05))
    answer = diffuse_power(setting_of(pieces, surfaces), *ends(tx, rx))
    power, _ = floor_integral(tx, rx, 8.0, wall_x=2.0)
    bare, _ = floor_integral(tx, rx, 8.0)
    assert abs(to_db(power / bare)) > 1.0
    assert answer.power[0] == pytest.approx(power, rel=0.02)


def furnished():
    """A rough room with a rough solid and a smooth screen in it."""
    pieces = [*room((8.0, 6.0, 4.0)), block("chest", (3, 1, 0), (4, 2.5, 1.9)), quad(
        "screen", (5, 2, 0), (5, 5, 0), (5, 5, 2.5), (5, 2, 2.5))]  # fmt: skip
    surfaces = (
        *(surface(p[0], rough(0.3), thickness_m=0.11) for p in pieces[:6]), surface("chest", rough(0.5), body="solid"),
        surface("screen", plain("board", 2.5, 0.02), thickness_m=0.02),
    )  # fmt: skip
    return pieces, surfaces


def panel(boresight):
    made = make_antenna("p", pattern="panel", gain_dbi=8.0, beamwidth_deg=(65.0, 65.0))
    return made, aim_axes(boresight=np.array(boresight) / np.linalg.norm(boresight))


def test_swapping_the_ends_changes_nothing():
    """Behind walls and with different antennas: surface by surface to 1e-9."""
    setting = setting_of(*furnished())
    (antenna, axes), dipole = panel((1.0, 0.3, -0.2)), make_antenna("d", pattern="dipole")
    one, other = np.array([0.7, 1.2, 3.1]), np.array([6.6, 4.0, 2.8])
    forth = diffuse_power(
        setting,
        Transmitter("a", one, antenna, axes, 0.0, 0.0, RADIO),
        Receiver("b", other, dipole, UPRIGHT, 0.0, RADIO),
    )
    back = diffuse_power(
        setting,
        Transmitter("b", other, dipole, UPRIGHT, 0.0, 0.0, RADIO),
        Receiver("a", one, antenna, axes, 0.0, RADIO),
    )
    assert forth.surfaces == back.surfaces
    assert "chest" in forth.surfaces
    assert "screen" not in forth.surfaces
    np.testing.assert_allclose(back.power, forth.power, rtol=1e-9)
    np.testing.assert_allclose(back.length_m, forth.length_m, rtol=1e-9)


def test_closer_sample_points_change_little():
    """Half the spacing moves the sum by less than 0.15 dB, a quarter by no more; the same answer each time."""
    setting = setting_of(*furnished())
    for tx, rx in (((0.7, 1.2, 3.1), (6.6, 4.0, 0.8)), ((3.5, 1.7, 2.2), (4.6, 3.5, 0.3)), ((1, 1, 1), (2, 5.9, 3.5))):
        radios = ends(tx, rx, patterns=("dipole", "dipole"))
        sums = [diffuse_power(setting, *radios, spacing=spacing).power.sum() for spacing in (1.0, 0.5, 0.25)]
        assert abs(to_db(sums[0] / sums[2])) < 0.15
        assert abs(to_db(sums[1] / sums[2])) < 0.15
        assert diffuse_power(setting, *radios).power.sum() == sums[0]


def test_drawing_does_not_matter():
    """A floor of thousands of triangles, or drawn twice, scatters what one of two triangles does."""
    radios = ends((-3.0, 1.0, 2.0), (4.0, -2.0, 3.0))
    bare = diffuse_power(setting_of([floor(8.0)], (surface("floor", rough(), half_space=True),)), *radios)
    line = np.linspace(-8.0, 8.0, 121)
    points = np.stack([*(g.ravel() for g in np.meshgrid(line, line, indexing="ij")), np.zeros(121**2)], axis=1)
    corner = (np.arange(120)[:, None] * 121 + np.arange(120)[None]).ravel()
    triangles = np.concatenate([corner[:, None] + [0, 121, 122], corner[:, None] + [0, 122, 1]])
    assert len(triangles) > 5 * CROWDED * 1200
    fine = diffuse_power(
        setting_of([("floor", points, triangles)], (surface("floor", rough(), half_space=True),)), *radios
    )
    assert fine.power[0] == pytest.approx(bare.power[0], rel=0.01)
    name, points, triangles = floor(8.0)
    twice = [(name, points, triangles), ("again", points, triangles[:, ::-1])]
    both = diffuse_power(setting_of(twice, tuple(surface(p[0], rough(), half_space=True) for p in twice)), *radios)
    assert both.power.sum() == pytest.approx(bare.power[0], rel=1e-6)


def test_an_end_in_the_plane_or_behind_sees_nothing():
    setting = setting_of([floor(8.0)], (surface("floor", rough(), half_space=True),))
    for other in ((9.0, 0.0, 0.0), (1.0, 0.0, -1.0)):
        assert diffuse_power(setting, *ends((0.0, 0.0, 2.0), other)) is NO_DIFFUSE


# --- links and volume --------------------------------------------------------------------------------------------


def bounce_of(strength):
    """The mirror image of a rough floor: amplitude."""
    surfaces = (surface("floor", rough(strength), half_space=True),)
    setting = setting_of([floor(40.0)], surfaces)
    tx, rx = ends((0.0, 0.0, 6.0), (20.0, 0.0, 1.5))
    paths, _ = find_paths(
        setting, setting.scene.to_local(tx.position_m[None]), setting.scene.to_local(rx.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=1, rays=64, seed=1, jobs=Jobs(workers=1),
        edges_at_hz=FREQUENCY,
    )  # fmt: skip
    answer = fields(
        paths, setting.facets, surfaces=surfaces, transmitters=(tx,), receivers=(rx,),
        frequencies_hz=np.array([FREQUENCY]), wedges=setting.wedges,
    )  # fmt: skip
    link = evaluate(
        setting, paths, transmitter=tx, receiver=rx, diffuse=diffuse_power(setting, tx, rx), seed=1,
        position_tolerance_m=0.0,
    )  # fmt: skip
    return paths.reflections, answer.amplitude[:, 0], link


def test_the_mirror_image_loses_what_is_scattered():
    """√(1 − S²) of the amplitude of a bounce, nothing of the straight path; none at all without S."""
    reflections, smooth, plain_link = bounce_of(0.0)
    _, dull, link = bounce_of(S)
    bent = np.sqrt(1 - S**2)
    mirror = np.flatnonzero(reflections == 1)
    np.testing.assert_allclose(np.abs(dull[mirror[0]] / smooth[mirror[0]]), bent, rtol=1e-12)
    assert dull[0] == smooth[0]
    assert plain_link.diffuse is NO_DIFFUSE
    assert plain_link.diffuse_share == 0.0
    assert 0.0 < link.diffuse_share < 1.0
    total = 10 ** (0.1 * link.diffuse_power_dbm[0]) / 10 ** (0.1 * link.mean_power_dbm)
    assert link.diffuse_share == pytest.approx(total, rel=1e-12)


def test_links_and_volume_agree_on_one_rough_wall():
    """First-order power, mirrored and scattered, in voxels before one wall: Student-t at 1 in 10 000 for all of them.

    Three short dipoles at right angles accept 1.5 |E|² together, so their mean powers over 1.5 are the probe's.
    """
    speck = quad("speck", (6, 5.99, 0), (6, 6, 0), (6, 6, 0.01), (6, 5.99, 0.01))  # spans the grid
    pieces = [quad("wall", (0, 0, 0), (0, 6, 0), (0, 6, 5), (0, 0, 5)), speck]
    surfaces = (
        surface("wall", rough(0.8), thickness_m=0.11),
        surface("speck", plain("air", 1.0, 0.0), thickness_m=0.01),
    )
    scene = scene_of(pieces)
    facets, grid = find_facets(scene), make_grid(scene, 1.0)
    tx, rx = ends((2.3, 1.7, 1.4), (1, 1, 1))
    setting = prepare(scene, facets, surfaces, opaque=opaque_parts(surfaces, np.array([FREQUENCY])))
    answer = trace_volume(setting, tx, grid=grid, max_reflections=1, rays=1_000_000, seed=4, jobs=Jobs(), by_order=True)
    assert abs(answer.ledger.imbalance) < 1e-9
    away = np.flatnonzero((grid.centres_m(np.arange(grid.count)) + grid.origin_m)[:, 0] > 1.0)
    numbers = np.random.default_rng(5).choice(away, 6, replace=False)
    steps = np.stack(np.meshgrid(*[(-1, 0, 1)] * 3, indexing="ij"), axis=-1).reshape(-1, 3) / 3.0
    spots = ((grid.centres_m(numbers) + grid.origin_m)[:, None] + steps).reshape(-1, 3)
    paths, _ = find_paths(
        setting, scene.to_local(tx.position_m[None]), scene.to_local(spots),
        linked=np.ones((1, len(spots)), dtype=bool), max_reflections=1, rays=64, seed=1, jobs=Jobs(workers=1),
    )  # fmt: skip
    arriving = fields(
        paths, facets, surfaces=surfaces, transmitters=(tx,), receivers=(rx,), frequencies_hz=np.array([FREQUENCY])
    ).arriving
    bounced = paths.reflections == 1
    mirrored = np.bincount(paths.receiver[bounced], (np.abs(arriving[bounced]) ** 2).sum(axis=(1, 2)), len(spots))
    crossed = (UPRIGHT, UPRIGHT[[2, 0, 1]], UPRIGHT[[1, 2, 0]])
    scattered_there = [
        sum(diffuse_power(setting, tx, replace(rx, position_m=spot, axes=axes)).power.sum() for axes in crossed) / 1.5
        for spot in spots
    ]
    mirrored, scattered_there = (1e-3 * np.reshape(x, (6, 27)).mean(axis=1) for x in (mirrored, scattered_there))
    got = answer.order_power_w[1].reshape(-1)[numbers]
    error = answer.order_std_error_w[1].reshape(-1)[numbers]
    assert (error < 0.05 * got).all()
    assert (scattered_there > 5 * error).all()
    score = (got - mirrored - scattered_there) / error
    assert np.abs(score).max() < stats.t.ppf(1 - 1e-4 / (2 * len(score)), answer.batches - 1)


def test_rough_rooms_lose_no_power():
    """The ledger of a furnished rough room closes, with the scattered rays in it."""
    pieces, surfaces = furnished()
    scene = scene_of(pieces)
    tx, _ = ends((0.7, 1.2, 3.1), (1, 1, 1))
    setting = prepare(
        scene, find_facets(scene), surfaces, opaque=opaque_parts(surfaces, np.array([FREQUENCY]))
    )  # fmt: skip
    answer = trace_volume(setting, tx, grid=make_grid(scene, 1.0), max_reflections=4, rays=6_400, seed=1, jobs=Jobs())
    assert abs(answer.ledger.imbalance) < 1e-9


def test_scattered_power_counts_in_delay_and_rice_factor():
    """Hand-made numbers: one path, two surfaces."""
    diffuse = Diffuse(("a", "b"), np.array([0.3, 0.2]), np.array([13.0, 18.0]), np.array([4.0, 1.0]))
    power, length = np.array([1.0]), np.array([10.0])
    pooled = np.concatenate([[10.0] * 2, [11.0, 15.0], [17.0, 19.0]])
    weights = np.array([0.5, 0.5, 0.15, 0.15, 0.1, 0.1])
    mean = (pooled * weights).sum() / 1.5
    expected = np.sqrt((weights * (pooled - mean) ** 2).sum() / 1.5) / SPEED_OF_LIGHT_M_S
    assert rms_delay_spread_s(length, power, diffuse=diffuse) == pytest.approx(expected, rel=1e-12)
    ratio = 1.0 / 1.5
    assert rice_k_db(power, diffuse_power=0.5) == pytest.approx(to_db(ratio / (1 - ratio)), abs=1e-12)
    assert rice_k_db(np.zeros(0), diffuse_power=0.0) is None


def test_scattering_alone_fades_like_rayleigh():
    """Behind a screen that nothing passes: power is exponentially distributed about its mean; Kolmogorov–Smirnov."""
    pieces = [floor(8.0), quad("screen", (0, -1, -1), (0, 1, -1), (0, 1, 4), (0, -1, 4))]
    surfaces = (surface("floor", rough(), half_space=True), surface("screen", "metal", thickness_m=0.01))
    setting = setting_of(pieces, surfaces)
    tx, rx = ends((-3.0, 0.1, 2.0), (3.0, 0.0, 2.6))
    paths, _ = find_paths(
        setting, setting.scene.to_local(tx.position_m[None]), setting.scene.to_local(rx.position_m[None]),
        linked=np.ones((1, 1), dtype=bool), max_reflections=1, rays=64, seed=1, jobs=Jobs(workers=1),
    )  # fmt: skip
    assert paths.count == 0
    diffuse = diffuse_power(setting, tx, rx)
    link = evaluate(setting, paths, transmitter=tx, receiver=rx, diffuse=diffuse, seed=1, position_tolerance_m=0.0)
    assert link.mean_power_dbm == pytest.approx(to_db(diffuse.power.sum()), abs=1e-9)
    assert link.diffuse_share == pytest.approx(1.0)
    assert link.rice_k_db is None
    near = draw_neighbourhood(
        setting, paths, receiver_m=setting.scene.to_local(rx.position_m), centre_hz=FREQUENCY,
        incidence_cos=np.zeros(0), position_tolerance_m=0.0, generator=batch_generator(1, 2),
    )  # fmt: skip
    samples = power_samples(near, np.zeros((0, 4), dtype=complex), diffuse_power=2.0)
    assert samples.size > 1000
    assert stats.kstest(samples.ravel() / 2.0, "expon").pvalue > 1e-3


def test_the_json_lists_every_rough_surface(room_plan):
    """Concrete floor and plaster walls scatter, the wooden cupboard does not; their powers are in the mean."""
    plan = load_plan(room_plan)
    solution = solve(plan, load_scene(plan), jobs=Jobs(workers=1))
    (link,) = links_as_json(solution.setting, solution.links)
    assert json.loads(json.dumps(link, allow_nan=False)) == link
    names = [row["surface"] for row in link["diffuse"]]
    assert set(names) == {"wall_x0", "wall_x1", "wall_y0", "wall_y1", "wall_z0", "wall_z1"}
    powers = [row["power_dbm"] for row in link["diffuse"]]
    assert powers == sorted(powers, reverse=True)
    below = link["mean_power_dbm"] - to_db((10 ** (0.1 * np.array(powers))).sum())
    assert 10.0 < below < 40.0


def test_every_strength_has_its_basis():
    """No scattering in the catalogue is published: where there is any, its row says that it is assumed."""
    strong = {name: row for name, row in catalogue().items() if row.scattering > 0.0}
    assert {"concrete", "brick"} <= set(strong)
    for name, row in strong.items():
        assert "assumed" in row.source, name
        assert row.basis == "A" or "scattering" in row.source, name
        assert row.scattering <= 0.3, name
