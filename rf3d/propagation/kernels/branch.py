"""What becomes of a ray at a surface: it bounces, is scattered or passes, in proportion to the power each carries.

The chosen branch takes the power of all, so the choice itself adds no variance to what a
ray carries; what they leave over is absorbed. Weak rays end by roulette without bias.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from rf3d.propagation.kernels import INNER
from rf3d.propagation.kernels.crossings import OBLIQUE_FACE, Bodies
from rf3d.propagation.kernels.glints import Glints, glint
from rf3d.propagation.kernels.images import Planes
from rf3d.propagation.kernels.interfaces import LEAST_COS, Walls, body_face, half_bulk, half_space, transmission
from rf3d.propagation.kernels.passage import INVOLVED, Entered, Passages, simple_passages, spread
from rf3d.propagation.kernels.responses import Responses, look_up, work_out, work_out_reflection
from rf3d.propagation.kernels.scatter import scatter
from rf3d.propagation.kernels.walk import ABSORBED, CUT, GONE, PASSED_OVER, ROULETTE_GAIN, ROULETTE_LOSS, Rays, move
from rf3d.units import BoolArray, ComplexArray, FloatArray

SURVIVAL = 0.1
"""Lowest chance that roulette leaves a ray."""
LEAST_TURN = 1e-9
"""A lobe's direction that turns a ray by less has no facet that would send it there."""
LEVEL = 1e-20
"""sin² of an angle of incidence that is normal."""
NOT_YET = -1
"""Answer of ``depart`` when passages have to be looked into first."""


@njit(nogil=True, cache=True)
def depart(
    rays: Rays,
    count: int,
    chance: FloatArray,
    planes: Planes,
    bodies: Bodies,
    walls: Walls,
    responses: Responses,
    opaque: BoolArray,
    glints: Glints,
    entered: Entered,
    behind_m: FloatArray,
    clearance: float,
    most: int,
    weak: float,
    thrown: FloatArray,
    ledger: FloatArray,
) -> int:
    """``branch`` for rays whose passages are simple, in one call from outside; NOT_YET if those of any are not.

    Parameters are those of ``branch`` but for the rays that enter solids, every way out known.
    """
    state, both = simple_passages(planes, bodies, opaque, entered)
    for i in range(len(state)):
        if state[i] == INVOLVED:
            return NOT_YET
    passages = spread(both, entered.rows, count, behind_m)
    return branch(
        rays, count, chance, planes, bodies, walls, responses, opaque, glints, passages, behind_m, clearance, most,
        weak, thrown, ledger,
    )  # fmt: skip


@njit(nogil=True, cache=True, error_model="numpy")
def branch(
    rays: Rays,
    count: int,
    chance: FloatArray,
    planes: Planes,
    bodies: Bodies,
    walls: Walls,
    responses: Responses,
    opaque: BoolArray,
    glints: Glints,
    passages: Passages,
    behind_m: FloatArray,
    clearance: float,
    most: int,
    weak: float,
    thrown: FloatArray,
    ledger: FloatArray,
) -> int:
    """Reflect, scatter or pass every ray that stands at a facet, at the walls' first frequency.

    Parameters
    ----------
    chance : (count, 2) float64
        Random numbers: for the branch and for the roulette.
    responses : Responses
        Tables made of the walls.
    opaque : (parts,) bool
    glints : Glints
        Facets that send what they mirror into a lobe.
    passages : Passages
        Ways through solids; rays at sheets have no rows.
    behind_m : (count,) float64
        Thickness behind a bounce on a solid; inf for a half-space.
    most : int
        Reflections after which a ray may only pass on.
    weak : float
        Weight below which roulette is played.
    thrown : (objects,) float64
        Power that each object reflects, mirrored and scattered. Changed in place.
    ledger : (5,) float64
        Changed in place.

    Returns
    -------
    count : int
        Rays left, moved to the front in their old order.
    """
    # Named here once: taking arrays out of a tuple ray by ray costs more than the arithmetic.
    origin, direction, field = rays.origin, rays.direction, rays.field
    weight, length, order, last_plane, facet_now = rays.weight, rays.length, rays.order, rays.plane, rays.facet
    normal, facet_part, facet_plane, solid = planes.normal, bodies.part, bodies.plane, bodies.solid
    culprit, cell, facet_object = rays.culprit, rays.cell, bodies.object
    first, reach_m, exit_plane = passages.first, passages.reach_m, passages.plane
    depth_m, row_part = passages.depth_m, passages.part
    row, values, scattering, half = responses.row, responses.values, walls.scattering, walls.half_space
    layer_start, permittivity, thickness_m = walls.layer_start, walls.permittivity, walls.thickness_m
    sides, waves, integral, begin = glints.sides, glints.waves, glints.integral, glints.begin
    te, k, turned, answer = np.empty(3), np.empty(3), np.empty(3), np.empty(8)
    passed = np.empty(3, dtype=np.complex128)
    kept = 0
    for i in range(count):
        facet = facet_now[i]
        if facet == GONE:
            continue
        if facet == PASSED_OVER:
            if kept < i:
                move(rays, i, kept)
            kept += 1
            continue
        part, plane = facet_part[facet], facet_plane[facet]
        kx, ky, kz = direction[i, 0], direction[i, 1], direction[i, 2]
        nx, ny, nz = normal[plane, 0], normal[plane, 1], normal[plane, 2]
        ex, ey, ez = field[i, 0], field[i, 1], field[i, 2]
        along = kx * nx + ky * ny + kz * nz
        cos_i = min(1.0, abs(along))
        table = row[part]
        rows, whole = 0, not opaque[part]
        if solid[facet]:
            rows = first[i + 1] - first[i]
            # Whether the ray passes the very slab that the bounce sees.
            whole = rows == 1 and abs(depth_m[first[i]] - behind_m[i]) < 1e-9 and row_part[first[i]] == part
        if table >= 0:
            look_up(values, table, cos_i, answer)
        elif half[part] or (np.isinf(behind_m[i]) and np.isnan(thickness_m[layer_start[part]])):
            r_te, r_tm = half_space(permittivity[0, layer_start[part]], max(cos_i, LEAST_COS))
            answer[0], answer[1], answer[2], answer[3] = r_te.real, r_te.imag, r_tm.real, r_tm.imag
            answer[4] = answer[5] = answer[6] = answer[7] = 0.0
        elif whole:
            work_out(walls, part, cos_i, behind_m[i], answer)
        else:
            work_out_reflection(walls, part, cos_i, behind_m[i], answer)
        r_te, r_tm = complex(answer[0], answer[1]), complex(answer[2], answer[3])
        t_te, t_tm = complex(answer[4], answer[5]), complex(answer[6], answer[7])
        # The part of the field along s = k × n is TE, the rest TM; at normal incidence both fare alike.
        sx, sy, sz = ky * nz - kz * ny, kz * nx - kx * nz, kx * ny - ky * nx
        square = sx * sx + sy * sy + sz * sz
        a_te = (ex * sx + ey * sy + ez * sz) * (1.0 / square if square > LEVEL else 0.0)
        share = square * _square(a_te)
        mirrored, on = share * _square(r_te) + (1.0 - share) * _square(r_tm), 0.0
        rough = scattering[part] * scattering[part]
        back, diffuse = (1.0 - rough) * mirrored, rough * mirrored
        if rows > 0 and not whole:
            k[0], k[1], k[2] = kx, ky, kz
            passed[0], passed[1], passed[2] = ex, ey, ez
            through(walls, planes, bodies, passages, i, k, passed)
            on = _power(passed)
        if whole:
            on = share * _square(t_te) + (1.0 - share) * _square(t_tm)
        ledger[ABSORBED] += weight[i] * (1.0 - back - on - diffuse)
        if order[i] >= most:
            ledger[CUT] += weight[i] * (back + diffuse)
            back = diffuse = 0.0
        total = back + on + diffuse
        carried = weight[i] * total
        if carried <= 0.0:
            continue
        survival = 1.0
        if carried < weak:
            survival = max(carried / weak, SURVIVAL)
            if chance[i, 1] >= survival:
                ledger[ROULETTE_LOSS] += carried
                continue
            ledger[ROULETTE_GAIN] += carried / survival - carried
            carried /= survival
        bounces = chance[i, 0] * total < back + diffuse
        ahead = clearance if along > 0.0 else -clearance
        reach = 0.0
        if bounces:
            ahead = -ahead
        elif solid[facet]:
            reach, plane = reach_m[i], exit_plane[i]
            nx, ny, nz = normal[plane, 0], normal[plane, 1], normal[plane, 2]
            ahead = clearance if kx * nx + ky * ny + kz * nz > 0.0 else -clearance
        # Rays move to the front; the row of this one, or one before it that is free, takes what becomes of it.
        origin[kept, 0] = origin[i, 0] + reach * kx + ahead * nx
        origin[kept, 1] = origin[i, 1] + reach * ky + ahead * ny
        origin[kept, 2] = origin[i, 2] + reach * kz + ahead * nz
        length[kept] = length[i] + reach
        weight[kept], last_plane[kept] = carried, plane
        order[kept], culprit[kept], cell[kept] = order[i], culprit[i], cell[i]
        if not bounces:
            if whole:
                # T_TM E + (T_TE − T_TM) E_TE, the field being across k.
                scale = 1.0 / np.sqrt(on)
                c_all, c_te = t_tm * scale, (t_te - t_tm) * a_te * scale
                field[kept, 0] = c_all * ex + c_te * sx
                field[kept, 1] = c_all * ey + c_te * sy
                field[kept, 2] = c_all * ez + c_te * sz
            else:
                scale = 1.0 / np.sqrt(on)
                for a in range(3):
                    field[kept, a] = passed[a] * scale
            direction[kept, 0], direction[kept, 1], direction[kept, 2] = kx, ky, kz
            kept += 1
            continue
        order[kept] += 1
        culprit[kept] = facet_object[facet]
        thrown[culprit[kept]] += carried
        if chance[i, 0] * total < back:
            # The TM part turns into its mirror image times −R_TM, the TE part keeps its axis.
            scale = 1.0 / np.sqrt(mirrored)
            small = waves[facet, 0] > 0.0
            if small:
                # Both random numbers are even over what has led here.
                k[0], k[1], k[2] = kx, ky, kz
                turned[0], turned[1], turned[2] = nx, ny, nz
                first_chance, second_chance = chance[i, 0] * total / back, chance[i, 1] / survival
                glint(sides, waves, integral, begin, facet, turned, first_chance, second_chance, k)
                mx, my, mz = k[0] - kx, k[1] - ky, k[2] - kz
                size = np.sqrt(mx * mx + my * my + mz * mz)
                if size > LEAST_TURN:
                    nx, ny, nz = mx / size, my / size, mz / size
                along = kx * nx + ky * ny + kz * nz
                sx, sy, sz = ky * nz - kz * ny, kz * nx - kx * nz, kx * ny - ky * nx
                square = sx * sx + sy * sy + sz * sz
                a_te = (ex * sx + ey * sy + ez * sz) * (1.0 / square if square > LEVEL else 0.0)
                share = square * _square(a_te)
                scale = 1.0 / np.sqrt(max(share * _square(r_te) + (1.0 - share) * _square(r_tm), LEVEL))
            c_all, c_te = -r_tm * scale, (r_te + r_tm) * a_te * scale
            c_n = -2.0 * c_all * (ex * nx + ey * ny + ez * nz)
            field[kept, 0] = c_all * ex + c_te * sx + c_n * nx
            field[kept, 1] = c_all * ey + c_te * sy + c_n * ny
            field[kept, 2] = c_all * ez + c_te * sz + c_n * nz
            direction[kept, 0] = kx - 2.0 * along * nx
            direction[kept, 1] = ky - 2.0 * along * ny
            direction[kept, 2] = kz - 2.0 * along * nz
        else:
            side = -1.0 if along > 0.0 else 1.0
            k[0], k[1], k[2] = side * nx, side * ny, side * nz
            scatter(
                walls, values, table, part, behind_m[i], k, chance[i, 0], chance[i, 1], kept, direction, field, te,
                answer,
            )  # fmt: skip
        kept += 1
    return kept


@njit(**INNER)
def through(
    walls: Walls,
    planes: Planes,
    bodies: Bodies,
    passages: Passages,
    i: int,
    k: FloatArray,
    field: ComplexArray,
) -> None:
    """Carry a field (3,) in place through everything that ray i passes; in order."""
    ex, ey, ez = field[0], field[1], field[2]
    bulk, bulk_part, bulk_m = 1.0 + 0.0j, -1, 0.0
    for row in range(passages.first[i], passages.first[i + 1]):
        plane, part, depth_m = bodies.plane[passages.facet[row]], passages.part[row], passages.depth_m[row]
        nx, ny, nz = planes.normal[plane, 0], planes.normal[plane, 1], planes.normal[plane, 2]
        cos_i = min(1.0, abs(k[0] * nx + k[1] * ny + k[2] * nz))
        if passages.kind[row] == OBLIQUE_FACE:
            if part != bulk_part or depth_m != bulk_m:  # the way out repeats the chord of its way in
                bulk, bulk_part, bulk_m = half_bulk(walls, 0, part, depth_m), part, depth_m
            t_te, t_tm = body_face(walls, 0, part, cos_i)
            t_te, t_tm = t_te * bulk, t_tm * bulk
        else:
            t_te, t_tm = transmission(walls, 0, part, cos_i, depth_m)
        # T_TM E + (T_TE − T_TM) E_TE, the field being across k, and TE along s = k × n.
        sx, sy, sz = k[1] * nz - k[2] * ny, k[2] * nx - k[0] * nz, k[0] * ny - k[1] * nx
        square = sx * sx + sy * sy + sz * sz
        c_te = (t_te - t_tm) * (ex * sx + ey * sy + ez * sz) * (1.0 / square if square > LEVEL else 0.0)
        ex, ey, ez = t_tm * ex + c_te * sx, t_tm * ey + c_te * sy, t_tm * ez + c_te * sz
    field[0], field[1], field[2] = ex, ey, ez


@njit(**INNER)
def _square(a: complex) -> float:
    return a.real * a.real + a.imag * a.imag


@njit(**INNER)
def _power(field: ComplexArray) -> float:
    total = 0.0
    for a in range(3):
        total += field[a].real * field[a].real + field[a].imag * field[a].imag
    return total


@njit(nogil=True, cache=True)
def through_all(
    walls: Walls,
    planes: Planes,
    bodies: Bodies,
    passages: Passages,
    ways: FloatArray,
    field: ComplexArray,
) -> FloatArray:
    """Power |E|² (N,) of N fields (N, 3) carried through everything they pass; no rows, nothing in the way."""
    power = np.empty(len(ways))
    for i in range(len(ways)):
        if passages.first[i] < passages.first[i + 1]:
            through(walls, planes, bodies, passages, i, ways[i], field[i])
        power[i] = _power(field[i])
    return power


@njit(nogil=True, cache=True)
def power_of(field: ComplexArray) -> FloatArray:
    """|E|² (N,) of fields (N, 3)."""
    power = np.empty(len(field))
    for i in range(len(field)):
        power[i] = _power(field[i])
    return power
