"""What the faces at an edge do to a wave: coefficients of reflection and passage in coordinates of the edge.

The uniform theory multiplies each of its terms by what that face or body really does (kernels.wedges). Angles are
symmetric in source and observer, so that a path and its reverse agree.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.interfaces import Walls, coefficients, half_space, specular, transmission
from rf3d.units import ComplexArray

_LEAST_MIRROR_RAD = 5e-3
"""At its very shadow boundary a wave would see every face at grazing, where even metal turns r_TM over to −1."""


@njit(**INNER)
def _face_matrix(
    c_te: complex,
    c_tm: complex,
    sin_psi: float,
    cos_psi: float,
    sin_b: float,
    cos_b: float,
    bounced: bool,
    out: ComplexArray,
) -> None:
    """What a face does to the (β₀, φ) components of a wave at grazing angle ψ, as a 2 × 2 matrix.

    Face normal z, edge along x, face towards +y. TE and TM belong to the plane of incidence, β₀ and φ to the
    edge; they agree only when the wave is square to the edge.
    """
    # k = (x, y, z) comes in and goes on, or bounces to (x, y, −z). φ is −x̂ × k coming in and x̂ × k going out, TE is
    # k × ẑ, and β = φ × k, TM = TE × k: one turn by an angle leads from (TE, TM) to (φ, β) on either side.
    x, y, z = cos_b, -sin_b * cos_psi, -sin_b * sin_psi
    size = np.sqrt((x * x + y * y) * (y * y + z * z))
    if size > 1e-12:
        cosine, sine = -x * z / size, -y / size
    else:
        # Straight down on the face, or straight along the edge.
        cosine, sine = (0.0, -1.0) if abs(x) < 0.5 else (1.0, 0.0)
    cosine_out = cosine if bounced else -cosine
    out[0, 0] = c_tm * cosine * cosine_out - c_te * sine * sine
    out[1, 0] = -c_te * sine * cosine_out - c_tm * cosine * sine
    out[0, 1] = c_tm * sine * cosine_out + c_te * cosine * sine
    out[1, 1] = c_te * cosine * cosine_out - c_tm * sine * sine


@njit(**INNER)
def term_matrices(
    walls: Walls,
    f: int,
    phi: float,
    phi_in: float,
    beta: float,
    n: float,
    part_0: int,
    part_n: int,
    depth_0: float,
    depth_n: float,
    opaque: bool,
    solid: bool,
    mirror_0: float,
    mirror_n: float,
    out: ComplexArray,
) -> None:
    """What the two direct terms, face n's and face 0's are multiplied by: (3, 2, 2) on (β₀, φ); see ``diffract``.

    They are the first three of ``out`` (6, 2, 2); the others are room to work in.
    """
    through, first, second = out[3], out[4], out[5]
    # Where the source would stand over each face if the observer saw it mirrored there.
    # In the shadow, past the boundary where it grazes, the angle counts on the face's other side.
    psi_0 = abs(0.5 * (np.pi + phi_in - phi))
    psi_0 = min(psi_0, 2.0 * np.pi - psi_0)
    psi_0 = min(max(psi_0, _LEAST_MIRROR_RAD), np.pi - _LEAST_MIRROR_RAD)
    sin_b, cos_b, sin_0, cos_0 = np.sin(beta), np.cos(beta), np.sin(psi_0), np.cos(psi_0)
    cos_i = sin_b * sin_0
    r_te, r_tm, t_te, t_tm = coefficients(walls, f, part_n, cos_i, depth_n)
    # Face n as seen from its own side: ψ and β are π less what they are at face 0.
    _face_matrix(r_te, r_tm, sin_0, -cos_0, sin_b, -cos_b, True, out[1])
    # Depths of one part are alike where both are stated (NaN) or without end: neither difference is above 0.
    if part_0 != part_n or abs(depth_0 - depth_n) > 0.0:
        r_te, r_tm, t_te, t_tm = coefficients(walls, f, part_0, cos_i, depth_0)
    _face_matrix(r_te, r_tm, sin_0, cos_0, sin_b, cos_b, True, out[2])
    for i in range(2):
        for j in range(2):
            through[i, j] = 0.0
    beyond = (phi - np.pi) * (phi_in - np.pi) < 0.0
    if not opaque:
        # The wave passes face 0 inwards when the source is on its side, outwards otherwise.
        inwards = phi_in < phi
        way = 1.0 if inwards else -1.0
        low, high = min(phi, phi_in), max(phi, phi_in)
        if n > 1.999:
            sin_g, cos_g = sin_0, cos_0
            if beyond:
                grazing = _above(0.5 * (low + high - np.pi))
                sin_g, cos_g = np.sin(grazing), np.cos(grazing)
                t_te, t_tm = transmission(walls, f, part_0, sin_b * sin_g, depth_0)
            _face_matrix(t_te, t_tm, way * sin_g, way * cos_g, sin_b, cos_b, False, through)
            if not beyond:
                # The same whichever end is the source: between what either would have crossing the sheet's plane.
                gap, gap_in = abs(phi - np.pi), abs(phi_in - np.pi)
                lean = (gap_in - gap) / max(gap_in + gap, 1e-9)
                through[0, 1] *= lean
                through[1, 0] *= lean
        else:
            _through_face(walls, f, part_0, depth_0, solid, low, way, sin_b, cos_b, first)
            _through_face(walls, f, part_n, depth_n, solid, n * np.pi - high, -way, sin_b, -cos_b, second)
            if inwards:
                first, second = second, first
            # Each is −1 in the straight-through basis; their product must be −1 again.
            for i in range(2):
                for j in range(2):
                    through[i, j] = -(first[i, 0] * second[0, j] + first[i, 1] * second[1, j])
    for i in range(2):
        for j in range(2):
            out[0, i, j] = -through[i, j] - (1.0 if i == j else 0.0)
            out[1, i, j] *= mirror_n * specular(walls, part_n)
            out[2, i, j] *= mirror_0 * specular(walls, part_0)
    if n > 1.999 and not opaque:
        see_through(abs(phi - phi_in), beyond, r_te * specular(walls, part_0), through, first, out)


@njit(**INNER)
def see_through(
    bend: float, beyond: bool, r_te: complex, through: ComplexArray, kept: ComplexArray, out: ComplexArray
) -> None:
    """Make the terms of a sheet's edge, in place, those of one that hardly scatters as T nears 1.

    Such a sheet sends e·e′/(cosφ + cosφ′) times a constant, e and e′ being the polarisations: the integral over what
    the undisturbed wave leaves in it (first Born approximation). At the symmetric angles the face's term alone is that
    on the source's side, and the direct terms alone beyond for a field along the edge; with the other terms added as
    for metal a board that lets nearly all through would bend twice as much. In between the terms change over with T,
    and nothing jumps where source or observer passes the sheet's plane.

    Parameters
    ----------
    bend : float
        |φ − φ′|, radians; beyond π the straight way passes through the sheet.
    beyond : bool
        Whether the sheet's plane lies between source and observer.
    r_te : complex
        At the angle of the face's terms.
    through, kept : (2, 2) complex128
        −T, and room to work in.
    """
    if not beyond:
        for i in range(2):
            for j in range(2):
                out[0, i, j] += r_te * through[i, j]
        return
    # The wave across the edge counts on the face's other side once the straight way passes through.
    turned = min(max(0.5 + 0.5 * (bend - np.pi) / (2.0 * _LEAST_MIRROR_RAD), 0.0), 1.0)
    for term in range(1, 3):
        m = out[term]
        for i in range(2):
            for j in range(2):
                passed = through[i, 0] * m[0, j] + through[i, 1] * m[1, j]
                passed += m[i, 0] * through[0, j] + m[i, 1] * through[1, j]
                kept[i, j] = m[i, j] - r_te * through[i, j] + turned * (passed + 2.0 * r_te * through[i, j])
        for i in range(2):
            for j in range(2):
                m[i, j] = kept[i, j]


@njit(**INNER)
def _above(angle: float) -> float:
    """An angle over a face, kept off the face itself."""
    return min(max(angle, 1e-9), np.pi - 1e-9)


@njit(**INNER)
def _through_face(
    walls: Walls,
    f: int,
    part: int,
    depth: float,
    solid: bool,
    grazing: float,
    way: float,
    sin_b: float,
    cos_b: float,
    out: ComplexArray,
) -> None:
    """One face of a see-through wedge: a sheet passed, or one face of a body at its corner, where the chord is 0.

    ``way`` is 1 for a wave that comes from outside and −1 for one that goes out.
    """
    grazing = _above(grazing)
    sin_g, cos_g = np.sin(grazing), np.cos(grazing)
    cos_i = sin_b * sin_g
    if solid and np.isnan(walls.thickness_m[walls.layer_start[part]]):
        r_te, r_tm = half_space(walls.permittivity[f, walls.layer_start[part]], cos_i)
        t_te, t_tm = np.sqrt(1.0 - r_te * r_te), np.sqrt(1.0 - r_tm * r_tm)
    else:
        t_te, t_tm = transmission(walls, f, part, cos_i, depth)
    _face_matrix(t_te, t_tm, way * sin_g, way * cos_g, sin_b, cos_b, False, out)
