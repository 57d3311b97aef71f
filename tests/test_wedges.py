"""The uniform theory of diffraction against exact solutions: half-plane, wedge, transition function."""

from __future__ import annotations

import csv
import itertools

import numpy as np
import pytest
from scipy.special import erfc, hankel2

from rf3d.propagation.kernels.interfaces import coefficients, make_walls
from rf3d.propagation.kernels.wedges import diffract, fresnel_tail, transition
from rf3d.units import SPEED_OF_LIGHT_M_S
from tests.scenes import plain, surface

FREQUENCY = SPEED_OF_LIGHT_M_S / (2 * np.pi)
"""k = 1 per metre, so that lengths are kρ."""
EDGE, ALONG, NORMAL = np.array([0.0, 0, 1]), np.array([1.0, 0, 0]), np.array([0.0, 1, 0])
CONDUCTOR = plain("conductor", 1.0, 1e30)


def walls(material, **options):
    return make_walls((surface("face", material, **options),), np.array([FREQUENCY]))


def diffracted(n, phi, phi_in, length, soft, *, faces, opaque=True, depth=np.inf):
    """Diffraction coefficient of one polarisation, square to the edge, in the sense of u_d/u_i·√ρ."""
    k_in = -np.array([np.cos(phi_in), np.sin(phi_in), 0.0])
    k_out = np.array([np.cos(phi), np.sin(phi), 0.0])
    # Soft: E along the edge. Hard: H along the edge, E = H × k.
    field = (EDGE if soft else np.cross(EDGE, k_in)).astype(complex)
    diffract(
        faces, 0, field, k_in, k_out, EDGE, ALONG, NORMAL, n, 0, 0, depth, depth, opaque, False, 1.0, 1.0, length
    )  # fmt: skip
    return field @ (EDGE if soft else np.cross(EDGE, k_out))


def around_wedge(n, rho, phi, phi_in, soft, source):
    """u/u₀ of plane (source inf) or line waves around a conducting wedge: geometrical optics plus diffraction."""
    observer = rho * np.exp(1j * phi)

    def wave(angle):
        if np.isinf(source):
            return np.exp(1j * rho * np.cos(phi - angle))
        return hankel2(0, abs(observer - source * np.exp(1j * angle)))

    length = rho if np.isinf(source) else rho * source / (rho + source)
    at_edge = 1.0 if np.isinf(source) else hankel2(0, source)
    coefficient = diffracted(n, phi, phi_in, length, soft, faces=walls(CONDUCTOR, half_space=True))
    total = at_edge * coefficient * np.exp(-1j * rho) / np.sqrt(rho)
    sign = -1 if soft else 1
    if abs(phi - phi_in) < np.pi:
        total += wave(phi_in)
    if phi + phi_in < np.pi:
        total += sign * wave(-phi_in)
    if phi + phi_in > (2 * n - 1) * np.pi:
        total += sign * wave(2 * n * np.pi - phi_in)
    return total / wave(phi_in), length


@pytest.mark.parametrize("a", [0.0, 0.0625, 0.3, 1.2, 1.59, 1.61, 3.0, 7.93, 7.99, 8.01, 20.0])
def test_fresnel_tail_is_the_error_function(a):
    expected = 0.5 * np.sqrt(np.pi) * np.exp(-0.25j * np.pi) * erfc(a * np.exp(0.25j * np.pi))
    assert abs(fresnel_tail(a) - expected) < 1e-12 * abs(expected)


def test_transition_function_limits():
    """(√(πx) − 2x·exp(jπ/4))·exp(j(π/4 + x)) near 0, 1 + j/2x far away: Kouyoumjian & Pathak, from memory."""
    x = 1e-6
    near = (np.sqrt(np.pi * x) - 2 * x * np.exp(0.25j * np.pi)) * np.exp(1j * (0.25 * np.pi + x))
    assert transition(x) == pytest.approx(near, rel=1e-5)
    assert transition(1e3) == pytest.approx(1 + 0.5j / 1e3, abs=2e-6)


@pytest.mark.parametrize("table", ["halfplane_reference.csv", "wedge_reference.csv"])
def test_conducting_wedges_against_exact_solutions(shared, table):
    """|Δ(u/u₀)| ≤ 0.04/kL in every row: plane and line sources, soft and hard, on both sides of every boundary."""
    rows = list(csv.DictReader((shared / "checks" / table).read_text().splitlines()))
    assert len(rows) > 900
    for row in rows:
        n = float(row.get("n", 2))
        phi_in, phi = np.radians(float(row["phi0_deg"])), np.radians(float(row["phi_deg"]))
        for side in (-1e-9, 1e-9):  # the boundary angles themselves, from either side
            at = min(max(phi + side, 1e-9), n * np.pi - 1e-9)
            got, length = around_wedge(
                n, float(row["k_rho_rx"]), at, phi_in, row["pol"] == "soft", float(row["k_rho_src"])
            )
            exact = float(row["re"]) + 1j * float(row["im"])
            assert abs(got - exact) <= 0.04 / length, (row, got)


@pytest.mark.parametrize("n", [1.5, 1.75, 2.0])
@pytest.mark.parametrize("soft", [True, False])
def test_see_through_edge_joins_at_every_boundary(n, soft):
    """Thin board and block corner: no jump over 0.1 dB where direct or reflected waves begin or end."""
    material = plain("board", 2.7, 0.02)
    faces = walls(material, thickness_m=0.5)
    phi_in, rho, source = np.radians(50.0), 60.0, 80.0
    length = rho * source / (rho + source)

    def total(phi):
        observer, grazing = rho * np.exp(1j * phi), phi_in
        value = diffracted(n, phi, phi_in, length, soft, faces=faces, opaque=False, depth=np.nan)
        value = value * np.exp(-1j * (rho + source)) / np.sqrt(rho * source)

        def wave(angle):
            distance = abs(observer - source * np.exp(1j * angle))
            return np.exp(-1j * distance) / np.sqrt(distance)

        r_te, r_tm, t_te, t_tm = coefficients(faces, 0, 0, np.sin(grazing), np.nan)
        if phi + phi_in < np.pi:
            value += (r_te if soft else r_tm) * wave(-phi_in)
        if phi < np.pi + phi_in:
            return value + wave(phi_in)
        passed = t_te if soft else t_tm
        if n < 2.0:
            leaving = coefficients(faces, 0, 0, np.sin(n * np.pi - phi), np.nan)
            passed *= leaving[2] if soft else leaving[3]
        return value + passed * wave(phi_in)

    for boundary in (np.pi - phi_in, np.pi + phi_in):
        before, after = total(boundary - 1e-5), total(boundary + 1e-5)
        assert abs(20 * np.log10(abs(before / after))) < 0.1
        assert abs(before - after) < 0.01 * abs(before)


@pytest.mark.parametrize("soft", [True, False])
def test_edge_of_a_weak_sheet_sends_what_its_volume_scatters(soft):
    """A sheet that hardly scatters: every part of it sends e·e′·(ε − 1)k²d·G, and the half-plane its end's share.

    ∫exp(jkx(cosφ + cosφ′))dx from 0 on gives j/k(cosφ + cosφ′). Source and observer on one side and on two.

    Source: first Born approximation; G = −(j/4)·H₀⁽²⁾(kρ), Abramowitz & Stegun, 9.2.4 (from memory).
    """
    thickness, contrast = 0.01, 0.03
    faces = walls(plain("film", 1.0 + contrast, 0.0), thickness_m=thickness)
    phi_in = np.radians(70.0)
    for phi in np.radians([20.0, 60.0, 85.0, 140.0, 200.0, 220.0, 300.0]):
        got = diffracted(2.0, phi, phi_in, 1e9, soft, faces=faces, opaque=False, depth=np.nan)
        want = 0.25 * contrast * thickness * np.sqrt(2 / np.pi) * np.exp(0.25j * np.pi) / (np.cos(phi) + np.cos(phi_in))
        if not soft:
            want *= -np.cos(phi - phi_in)
        assert abs(got - want) < (0.02 if soft else 0.07) * abs(want)


def test_diffraction_is_reciprocal():
    """Lossy wedge and sheet, oblique incidence, both polarisations: swapping source and observer changes nothing."""
    faces = walls(plain("brick", 3.9, 0.05), thickness_m=0.4)
    beta = np.radians(62.0)

    def unit(phi, towards):
        flat = np.sin(beta) * np.array([np.cos(phi), np.sin(phi), 0.0])
        return np.array([0.0, 0.0, np.cos(beta)]) + (-flat if towards else flat)

    rng = np.random.default_rng(4)
    e, h = rng.normal(size=3), rng.normal(size=3)
    for n, opaque, degrees in itertools.product(
        (1.6, 2.0), (True, False), ((35.0, 240.0), (35.0, 200.0), (20.0, 80.0))
    ):
        phi_a, phi_b = np.radians(degrees)
        forward_in, forward_out = unit(phi_a, True), unit(phi_b, False)
        options = (EDGE, ALONG, NORMAL, n, 0, 0, np.nan, np.nan, opaque, False, 1.0, 1.0, 7.0)
        field = (e - (e @ forward_in) * forward_in).astype(complex)
        probe = (h - (h @ forward_out) * forward_out).astype(complex)
        there, back = field.copy(), probe.copy()
        diffract(faces, 0, there, forward_in, forward_out, *options)
        diffract(faces, 0, back, -forward_out, -forward_in, *options)
        assert there @ probe == pytest.approx(back @ field, rel=1e-9)


def test_nothing_jumps_where_one_passes_the_plane_of_a_see_through_sheet():
    """Observer or source a hair to either side of the sheet's own plane, beyond its edge."""
    faces = walls(plain("brick", 3.9, 0.05), thickness_m=0.4)
    for other, soft in itertools.product(np.radians([35.0, 100.0, 250.0, 340.0]), (True, False)):
        for ends in (lambda a, b: (a, b), lambda a, b: (b, a)):
            before, after = (
                diffracted(2.0, *ends(other, np.pi + step), 7.0, soft, faces=faces, opaque=False, depth=np.nan)
                for step in (-1e-6, 1e-6)
            )
            assert abs(after - before) < 1e-4 * max(abs(before), 0.1)
