"""The aperture factor of small facets against Fresnel integrals and against direct integration of physical optics."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import fresnel

from rf3d.propagation.kernels.edges import aperture_factors


def aperture_factor(outline, is_open, point, normal, k_in, scale):
    """The factor at one frequency: with k = π and spread = scale² the scale is what was asked."""
    return aperture_factors(outline, is_open, point, normal, k_in, scale**2, np.array([np.pi]))[0]


UP = np.array([0.0, 0.0, 1.0])


def outline(x0: float, x1: float, y0: float, y1: float) -> np.ndarray:
    corners = np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0]], dtype=float)
    return np.stack([corners, np.roll(corners, -1, axis=0)], axis=1)


def fresnel_window(low: float, high: float) -> complex:
    """Share of ∫exp(−jπx²/2)dx over [low, high] of the whole line, 1 − j."""
    s, c = fresnel([low, high])
    return ((c[1] - c[0]) - 1j * (s[1] - s[0])) / (1 - 1j)


@pytest.mark.parametrize(
    ("box", "tilt_deg"),
    [((-0.07, 0.08, -5.0, 4.0), 0.0), ((-0.3, 0.4, -0.2, 0.1), 40.0), ((-1e-4, 0.4, -0.9, 0.9), 70.0)],
)
def test_rectangle_equals_product_of_fresnel_integrals(box, tilt_deg):
    """The outline integral is the area integral, which for a rectangle is a product of two Fresnel integrals."""
    scale, tilt = 1.3, np.radians(tilt_deg)
    k = np.array([np.sin(tilt), 0.0, -np.cos(tilt)])
    shape = outline(*box)
    got = aperture_factor(shape, np.ones(4, dtype=bool), np.zeros(3), UP, k, scale)
    x = scale * np.cos(tilt) * np.array(box[:2])
    y = scale * np.array(box[2:])
    assert got == pytest.approx(fresnel_window(*x) * fresnel_window(*y), abs=1e-9)


def test_member_of_design_example():
    """A 0.15 m member at 20 + 20 m and 2.45 GHz reflects about 17 dB less than a mirror."""
    wavelength = 299_792_458.0 / 2.45e9
    scale = np.sqrt(2 / wavelength * (1 / 20 + 1 / 20))
    got = aperture_factor(
        outline(-0.075, 0.075, -8, 8), np.ones(4, dtype=bool), np.zeros(3), UP, np.array([0.0, 0.0, -1.0]), scale
    )
    assert 20 * np.log10(abs(got)) == pytest.approx(-17.0, abs=0.5)


def test_plate_against_direct_integration():
    """A 0.4 × 0.3 m plate at 12 + 9 m: the exact spherical phases summed over the plate, over those of a mirror."""
    wavelength, d1, d2 = 0.1224, 12.0, 9.0
    tilt = np.radians(35)
    source = d1 * np.array([-np.sin(tilt), 0, np.cos(tilt)])
    target = d2 * np.array([np.sin(tilt), 0, np.cos(tilt)])
    x, y = np.meshgrid(np.linspace(-0.2, 0.2, 801), np.linspace(-0.15, 0.15, 601), indexing="ij")
    spot = np.stack([x, y, np.zeros_like(x)], axis=-1)
    a, b = np.linalg.norm(spot - source, axis=-1), np.linalg.norm(spot - target, axis=-1)
    kernel = np.exp(-2j * np.pi / wavelength * (a + b - d1 - d2)) / (a * b)
    weights = np.ones_like(x)
    for axis in (0, 1):
        ends = [slice(None)] * 2
        for end in (0, -1):
            ends[axis] = end
            weights[tuple(ends)] *= 0.5
    area = (0.4 / 800) * (0.3 / 600)
    # Kirchhoff: u = (j cosθ/λ)∬ …; the mirror gives 1/(d1 + d2).
    plate = 1j * np.cos(tilt) / wavelength * (kernel * weights).sum() * area * (d1 + d2)
    scale = np.sqrt(2 / wavelength * (1 / d1 + 1 / d2))
    way = np.array([np.sin(tilt), 0, -np.cos(tilt)])
    got = aperture_factor(outline(-0.2, 0.2, -0.15, 0.15), np.ones(4, dtype=bool), np.zeros(3), UP, way, scale)
    assert abs(got - plate) < 0.01 * abs(plate)


def test_large_facet_is_a_mirror_and_closed_edges_do_not_count():
    k = np.array([0.0, 0.0, -1.0])
    big = outline(-5, 5, -5, 5)
    assert aperture_factor(big, np.ones(4, dtype=bool), np.zeros(3), UP, k, 1.0) == 1.0
    small = outline(-0.1, 0.1, -0.1, 0.1)
    assert aperture_factor(small, np.zeros(4, dtype=bool), np.zeros(3), UP, k, 1.0) == 1.0
    # A strip on one side of a closed edge: half of a strip twice as wide as seen in the corner mirror.
    half = aperture_factor(outline(0, 0.1, -50, 50), np.array([True, True, True, False]), np.zeros(3), UP, k, 1.0)
    whole = aperture_factor(outline(-0.1, 0.1, -50, 50), np.ones(4, dtype=bool), np.zeros(3), UP, k, 1.0)
    assert abs(half) > abs(whole)


def test_factor_over_a_band_is_that_of_each_frequency():
    """The parabola over 79 channels at 2.4 GHz stays within 1e-4 of each channel's own factor."""
    shape, is_open = outline(-0.2, 0.3, -0.15, 0.4), np.ones(4, dtype=bool)
    way = np.array([np.sin(0.6), 0, -np.cos(0.6)])
    band = 2 * np.pi / 299_792_458.0 * np.linspace(2402e6, 2480e6, 79)
    whole = aperture_factors(shape, is_open, np.zeros(3), UP, way, 0.15, band)
    single = [aperture_factors(shape, is_open, np.zeros(3), UP, way, 0.15, band[f : f + 1])[0] for f in range(79)]
    assert np.abs(whole - single).max() < 1e-4
