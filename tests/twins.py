"""Plain numpy twins of the compiled physics, written from the published formulas and not from the kernels."""

from __future__ import annotations

import numpy as np
from scipy.special import sici

C = 299_792_458.0
DIPOLE_DIRECTIVITY = 4.0 / (np.euler_gamma + np.log(2 * np.pi) - sici(2 * np.pi)[1])
"""4/Cin(2π) = 1.640922…, to all digits; Balanis, Antenna Theory, half-wave dipole (from memory)."""


def fresnel(eps: complex, cos_i: float) -> tuple[complex, complex]:
    """r_TE, r_TM of ITU-R P.2040-3 for ε′ − jε″."""
    s = np.sqrt(complex(eps) - (1 - cos_i**2))
    return (cos_i - s) / (cos_i + s), (eps * cos_i - s) / (eps * cos_i + s)


def slab(eps: complex, thickness: float, frequency: float, cos_i: float) -> tuple[complex, complex, complex, complex]:
    """R_TE, R_TM, T_TE, T_TM of ITU-R P.2040-3, face to face."""
    q = 2 * np.pi * thickness * frequency / C * np.sqrt(complex(eps) - (1 - cos_i**2))
    once, twice = np.exp(-1j * q), np.exp(-2j * q)
    reflected, passed = [], []
    for r in fresnel(eps, cos_i):
        reflected.append(r * (1 - twice) / (1 - r * r * twice))
        passed.append((1 - r * r) * once / (1 - r * r * twice))
    return reflected[0], reflected[1], passed[0], passed[1]


def dipole_field(direction: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Field vector of a half-wave dipole along ``axis``, squared length = gain; along θ̂ about the axis."""
    k = direction / np.linalg.norm(direction)
    cos_t = k @ axis
    sin_t = np.sqrt(1 - cos_t**2)
    theta_hat = (cos_t * k - axis) / sin_t
    return np.sqrt(DIPOLE_DIRECTIVITY) * np.cos(np.pi / 2 * cos_t) / sin_t * theta_hat.astype(complex)


def bounce(
    field: np.ndarray, k: np.ndarray, n: np.ndarray, r_te: complex, r_tm: complex
) -> tuple[np.ndarray, np.ndarray]:
    """Reflected field and direction as a dyadic: TE part along k × n, TM part turned with the wave."""
    k_out = k - 2 * (k @ n) * n
    te = np.cross(k, n)
    if np.linalg.norm(te) < 1e-12:
        te = np.cross(n, [1.0, 0, 0] if abs(n[0]) < 0.9 else [0, 1.0, 0])
    te = te / np.linalg.norm(te)
    out = r_te * (field @ te) * te + r_tm * (field @ np.cross(te, k)) * np.cross(te, k_out)
    return out, k_out


def box_paths(
    size: np.ndarray, tx: np.ndarray, rx: np.ndarray, order: int, eps: complex, frequency: float
) -> list[tuple[int, float, complex]]:
    """(reflections, length, amplitude) of every path in a box of half-space walls, between vertical dipoles.

    Images are enumerated by their cell; each ray is then marched from wall to wall.
    """
    up = np.array([0.0, 0.0, 1.0])
    wavelength = C / frequency
    answers = []
    span = range(-order, order + 1)
    for cell in ((i, j, k) for i in span for j in span for k in span if abs(i) + abs(j) + abs(k) <= order):
        # Unfold the room towards the receiver's image: cell n holds it mirrored when n is odd.
        image = np.array([n * a + (x if n % 2 == 0 else a - x) for n, a, x in zip(cell, size, rx, strict=True)])
        length = np.linalg.norm(image - tx)
        k = (image - tx) / length
        field = dipole_field(k, up)
        at, left = tx.copy(), length
        for _ in range(sum(map(abs, cell))):
            with np.errstate(divide="ignore", invalid="ignore"):
                reach = np.where(k > 0, (size - at) / k, np.where(k < 0, -at / k, np.inf))
            axis = int(np.argmin(reach))
            at, left = at + reach[axis] * k, left - reach[axis]
            normal = np.eye(3)[axis]
            field, k = bounce(field, k, normal, *fresnel(eps, abs(k @ normal)))
        assert np.allclose(at + left * k, rx, atol=1e-9)
        amplitude = wavelength / (4 * np.pi * length) * (field @ dipole_field(-k, up))
        answers.append((sum(map(abs, cell)), length, amplitude * np.exp(-2j * np.pi * length / wavelength)))
    return answers
