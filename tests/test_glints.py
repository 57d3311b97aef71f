"""Lobes of small facets in the volume: the pattern that rays follow, and the power that arrives beside the mirror."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit
from scipy import integrate

from rf3d.jobs import Jobs
from rf3d.propagation.grid import make_grid
from rf3d.propagation.kernels.glints import LAST, Glints, glint, make_glints
from rf3d.propagation.volume import trace_volume
from rf3d.radio.radios import Radio, Transmitter
from rf3d.units import wavelength_m
from tests.scenes import quad, room, surface
from tests.test_lobes import ALONG_Y, FREQUENCY, ISOTROPIC, at, physical_optics
from tests.test_volume import setting_of

WAVE_M = 0.1228
N = 40_000


@njit
def _many(glints, facet, k, normal, chance, out):
    for i in range(len(chance)):
        out[i] = k
        glint(
            glints.sides, glints.waves, glints.integral, glints.begin, facet, normal, chance[i, 0], chance[i, 1], out[i]
        )


def directions(glints: Glints, facet: int, k: np.ndarray, normal: np.ndarray, count: int = N) -> np.ndarray:
    """Directions (N, 3) that rays along ``k`` leave a facet in."""
    out = np.empty((count, 3))
    _many(glints, facet, k, normal, np.random.default_rng(3).random((count, 2)), out)
    return out


def plate(a_m: float, b_m: float):
    """A facet by itself and its lobe table, sides along x and y."""
    scene = [quad("plate", (0, 0, 1.0), (a_m, 0, 1.0), (a_m, b_m, 1.0), (0, b_m, 1.0)), *room((30.0, 20.0, 10.0))]
    setting = setting_of(scene, tuple(surface(piece[0], "metal", half_space=True) for piece in scene))
    facets = setting.facets
    (facet,) = np.flatnonzero(np.array(setting.scene.objects)[facets.part] == "plate")[:1]
    return make_glints(facets, wavelength=WAVE_M, extent_m=setting.scene.extent_m), int(facet), facets


def test_the_integral_is_that_of_the_pattern():
    glints, *_ = plate(0.3, 0.2)
    for step in (1, 10, 333, 1024):
        y = LAST * step / 1024
        exact = integrate.quad(lambda s: np.sinc(s) ** 2, 0.0, y, limit=400)[0]
        assert glints.integral[step] == pytest.approx(exact, abs=1e-6)


def test_narrow_facets_glint_and_wide_ones_mirror():
    glints, facet, facets = plate(6.0, 0.15)
    assert sorted(glints.waves[facet]) == pytest.approx([0.15 / WAVE_M, 6.0 / WAVE_M])
    assert np.abs(np.einsum("ij,j->i", glints.sides[facet], facets.normal[facets.plane[facet]])).max() < 1e-12
    walls = [q for q in range(facets.count) if q != facet and facets.area_m2[q] > 100.0]
    assert (glints.waves[walls] == 0.0).all()


@pytest.mark.parametrize("size_m", [(0.3, 0.2), (0.06, 0.5)])
def test_rays_follow_the_pattern_of_the_aperture(size_m):
    """Shares of ranges of direction cosines against the integral of the pattern, in standard errors."""
    glints, facet, facets = plate(*size_m)
    normal = np.ascontiguousarray(facets.normal[facets.plane[facet]])
    k = np.array([0.5, 0.2, 0.0])
    k[2] = -np.sqrt(1.0 - k @ k) * np.sign(normal[2])
    out = directions(glints, facet, k, normal)
    np.testing.assert_allclose(np.linalg.norm(out, axis=1), 1.0, atol=1e-9)
    assert (out @ normal * np.sign(k @ normal) <= 1e-12).all()
    sides, waves = glints.sides[facet], glints.waves[facet]
    first, second = (out - k) @ sides[0] * waves[0], (out - k) @ sides[1] * waves[1]
    low, high = (-1 - k @ sides[0]) * waves[0], (1 - k @ sides[0]) * waves[0]

    def share(a, b, lowest, highest):
        whole = integrate.quad(lambda s: np.sinc(s) ** 2, lowest, highest, limit=500)[0]
        a, b = max(a, lowest), min(b, highest)
        return 0.0 if a >= b else integrate.quad(lambda s: np.sinc(s) ** 2, a, b, limit=500)[0] / whole

    for a, b in ((-1, 0), (-0.5, 0.5), (1, 2), (-3, -1), (2, 50)):
        expected = share(a, b, low, high)
        found = np.mean((first >= a) & (first < b))
        assert abs(found - expected) < 4.5 * np.sqrt(max(expected * (1 - expected), 1e-6) / N) + 2e-4
    # The second side for rays near the mirror in the first, where its limits are all but the same.
    near = np.abs(first) < 0.2
    rim = np.sqrt(1 - (k @ sides[0]) ** 2)
    for a, b in ((-1, 0), (-0.5, 0.5), (1, 2)):
        expected = share(a, b, (-rim - k @ sides[1]) * waves[1], (rim - k @ sides[1]) * waves[1])
        found = np.mean((second[near] >= a) & (second[near] < b))
        assert abs(found - expected) < 4.5 * np.sqrt(expected * (1 - expected) / near.sum()) + 0.01


def test_a_small_plate_sends_into_the_volume_what_physical_optics_says():
    """A conducting plate of 0.4 by 0.3 m lit from 4 m: power about the mirror direction and far beside it.

    Mean of |E|² over the voxels of each region, the obliquity of physical optics taken out as in the tests of lobes.
    As a mirror the plate sends nothing at all beside, and twice as much ahead.
    """
    width, length = 0.4, 0.3
    plate = quad("plate", (-0.2, -0.15, 0), (0.2, -0.15, 0), (0.2, 0.15, 0), (-0.2, 0.15, 0))
    marks = [
        quad(f"mark {n}", (x, y, z), (x + 0.01, y, z), (x + 0.01, y + 0.01, z), (x, y + 0.01, z))
        for n, (x, y, z) in enumerate([(-8, -4, -0.5), (8, 4, 8)])
    ]
    pieces = [plate, *marks]
    setting = setting_of(pieces, tuple(surface(name, "metal", half_space=True) for name, *_ in pieces))
    radio = Radio("r", FREQUENCY, FREQUENCY, 1e6, 1e6, -90.0)
    source = at(4.0, -30.0)
    sender = Transmitter("t", source, ISOTROPIC, ALONG_Y, 30.0, 0.0, radio)
    grid = make_grid(setting.scene, 0.5)
    spots = grid.centres_m(np.arange(grid.count)) + grid.origin_m
    power = {}
    for lobes in (True, False):
        answer = trace_volume(
            setting, sender, grid=grid, max_reflections=1, rays=4_000_000, seed=2, jobs=Jobs(workers=2), by_order=True,
            edges=False, lobes=lobes,
        )  # fmt: skip
        power[lobes] = np.nan_to_num(answer.order_power_w[1]).reshape(-1)
    away = np.linalg.norm(spots, axis=1)
    tilt = np.degrees(np.arctan2(spots[:, 0], spots[:, 2]))
    level = (np.abs(spots[:, 1]) < 0.6) & (away > 4.0) & (away < 7.0)
    for low, high, within_db in ((26.0, 34.0, 0.7), (20.0, 40.0, 0.7), (0.0, 15.0, 1.5), (45.0, 60.0, 1.5)):
        mine = np.flatnonzero(level & (tilt > low) & (tilt < high))
        want = []
        for spot in spots[mine]:
            inner = spot + np.array([[x, y, z] for x in (-0.15, 0.15) for y in (-0.15, 0.15) for z in (-0.15, 0.15)])
            out = np.degrees(np.arctan2(spot[0], spot[2]))
            half = np.cos(np.radians(0.5 * (30.0 + out))) / np.cos(np.radians(30.0))
            fields = [half * physical_optics(width, length, source, b, ALONG_Y) for b in inner]
            want.append(np.mean([np.vdot(f, f).real for f in fields]))
        expected = (wavelength_m(FREQUENCY) / (4 * np.pi)) ** 2 * np.mean(want)
        over = 10 * np.log10(power[True][mine].mean() / expected)
        assert abs(over) < within_db, (low, high, over)
    beside = np.flatnonzero(level & (tilt > 45.0) & (tilt < 60.0))
    assert power[False][beside].max() == 0.0
