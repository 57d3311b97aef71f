"""Power that rough surfaces scatter from a transmitter to a receiver, surface by surface.

One integral over everything both ends see, by sample points that lie closer where either
end is near; each leg passes walls like any path. Scattered waves have random phases, so
powers add and nothing here depends on the channel. One scattering, and no mirror before or
after it: what bounces and scatters is in the volume, not in the links.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rf3d.propagation.assembly import Setting, depth_behind
from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.kernels.branch import through_all
from rf3d.propagation.kernels.crossings import STANDING, walls_passed
from rf3d.propagation.kernels.interfaces import Walls, make_walls
from rf3d.propagation.kernels.passage import Passages
from rf3d.propagation.kernels.scatter import hemispherical, scattered
from rf3d.propagation.kernels.walk import acting
from rf3d.radio.antennas import world_response
from rf3d.radio.radios import Receiver, Transmitter
from rf3d.units import BoolArray, FloatArray, IntArray
from rf3d.venue.facets import COPLANAR_M

NEAR = 0.5
"""Longest side of a sample's triangle over its distance from the nearer end."""
NEAREST_M = 0.1
"""Ends nearer to a surface than this do not make its triangles any smaller."""
WHOLE_SCENE = 1200
"""Triangles that all rough surfaces together are cut into at least, however far the ends are."""
CROWDED = 4.0
"""Of triangles drawn smaller than needed, so many are kept where one would do."""
_MOST_CUTS = 40


class Diffuse(NamedTuple):
    """What K objects scatter from one transmitter to one receiver, strongest first.

    Attributes
    ----------
    surfaces : tuple of K str
        Object names.
    power : (K,) float64
        Received over sent, both antennas included.
    length_m : (K,) float64
        Mean length of the way, weighted by power.
    length_variance_m2 : (K,) float64
        Its variance, in the same manner.
    """

    surfaces: tuple[str, ...]
    power: FloatArray
    length_m: FloatArray
    length_variance_m2: FloatArray


class _Cells(NamedTuple):
    """N sample points: where (N, 3), facet (N,), unit normal towards the ends (N, 3), area each stands for (N,)."""

    point: FloatArray
    facet: IntArray
    normal: FloatArray
    area: FloatArray


class _Leg(NamedTuple):
    """From one end to N points: unit vectors (N, 3), and the walls passed."""

    way: FloatArray
    passages: Passages


class _Seen(NamedTuple):
    """N points that both ends see; geometry only.

    Part (N,), thickness behind (N,), normal (N, 3), length of both legs (N,), area over both legs squared (N,).
    """

    part: IntArray
    depth: FloatArray
    normal: FloatArray
    length: FloatArray
    spread: FloatArray
    legs: tuple[_Leg, _Leg]


NO_DIFFUSE = Diffuse((), np.zeros(0), np.zeros(0), np.zeros(0))
"""Of smooth surfaces."""


def diffuse_power(
    setting: Setting,
    transmitter: Transmitter,
    receiver: Receiver,
    *,
    spacing: float = 1.0,
    cache: PathCache | None = None,
) -> Diffuse:
    """Integrate what every rough surface scatters, at the centre frequency of the transmitter's radio.

    P_rx/P_tx = (λ/4π)² ∫ Σ_pq |E_p|² f_pq |h_q|² cosθi cosθo / (r₁² r₂²) dA, with E and h what either antenna sends
    to the point through the walls in between, and f the lobe of ``kernels.scatter``. Swapping the ends changes
    nothing, nor do other radios.

    Parameters
    ----------
    spacing : float
        Scales the distance between sample points.
    cache : PathCache or None
        Keeps what both ends see, which owes nothing to power, aim, antenna, band or permittivity.

    Source: the radar equation of a rough surface, Ulaby, Moore & Fung, Microwave Remote Sensing II, 1982 (from
    memory), its cross-section per area being 4π f cosθi cosθo.
    """
    rough = np.array([surface.material.scattering > 0.0 for surface in setting.surfaces])
    if not rough.any():
        return NO_DIFFUSE
    radios: tuple[Transmitter | Receiver, ...] = (transmitter, receiver)
    one, other = (setting.scene.to_local(radio.position_m) for radio in radios)
    seen = kept(
        cache, ("diffuse", setting.digest, rough.tobytes(), one.tobytes(), other.tobytes(), spacing),
        lambda: _seen_by_both(setting, rough, one, other, spacing=spacing),
    )  # fmt: skip
    if len(seen.spread) == 0:
        return NO_DIFFUSE
    walls = make_walls(setting.surfaces, np.array([transmitter.radio.centre_hz]))
    fields = []
    for leg, radio in zip(seen.legs, radios, strict=True):
        field = world_response(radio.antenna, radio.axes, leg.way).astype(np.complex128)
        through_all(walls, setting.planes, setting.bodies, leg.passages, leg.way, field)
        fields.append(field)
    lobe = scattered(
        walls, seen.part, seen.depth, _hemispherical(walls, seen.part, seen.depth), seen.normal,
        seen.legs[0].way, fields[0], seen.legs[1].way, fields[1],
    )  # fmt: skip
    return _by_object(setting, seen.part, lobe * seen.spread / (4.0 * walls.wavenumber[0] ** 2), seen.length)


def _seen_by_both(
    setting: Setting, rough: BoolArray, one_m: FloatArray, other_m: FloatArray, *, spacing: float
) -> _Seen:
    """Sample points on rough parts (parts,) that both ends see, with the walls that either leg passes."""
    cells = _cells(setting, rough, one_m, other_m, spacing=spacing)
    length, spread = np.zeros(len(cells.area)), cells.area
    legs: list[_Leg] = []
    for end in (one_m, other_m):
        span = cells.point - end
        distance = np.linalg.norm(span, axis=1)
        leg, clear = _leg(setting, end, cells, span / distance[:, None])
        legs = [_Leg(old.way[clear], _chosen_passages(old.passages, clear)) for old in (*legs, leg)]
        cells = _chosen(cells, clear)
        length, spread = length[clear] + distance[clear], spread[clear] / distance[clear] ** 2
    part = setting.facets.part[cells.facet]
    depth = depth_behind(setting, cells.point, -cells.normal, cells.facet)
    return _Seen(part, depth, cells.normal, length, spread, (legs[0], legs[1]))


def _by_object(setting: Setting, part: IntArray, power: FloatArray, length: FloatArray) -> Diffuse:
    """Sums over the sample points of each object."""
    names, number = np.unique(np.array(setting.scene.objects)[part], return_inverse=True)
    sums = np.bincount(number, power).astype(np.float64, copy=False)
    mean = np.bincount(number, power * length) / np.maximum(sums, 1e-300)
    variance = np.bincount(number, power * (length - mean[number]) ** 2) / np.maximum(sums, 1e-300)
    order = np.argsort(-sums, kind="stable")
    order = order[sums[order] > 0.0]
    return Diffuse(tuple(str(name) for name in names[order]), sums[order], mean[order], variance[order])


def _cells(setting: Setting, rough: BoolArray, one_m: FloatArray, other_m: FloatArray, *, spacing: float) -> _Cells:
    """Sample points on the rough facets that have both ends on one side: middles of triangles cut small enough."""
    facets = setting.facets
    triangle = np.flatnonzero(rough[facets.part[facets.triangle_facet]])
    facet = facets.triangle_facet[triangle]
    normal, offset = facets.normal[facets.plane[facet]], facets.offset_m[facets.plane[facet]]
    height, other_height = normal @ one_m - offset, normal @ other_m - offset
    corners = setting.scene.corners_m[triangle]
    total = _areas(corners).sum()
    # An end within the plane itself sees nothing of it.
    lit = (height * other_height > 0.0) & (np.minimum(np.abs(height), np.abs(other_height)) > COPLANAR_M)
    corners, facet, normal = corners[lit], facet[lit], np.sign(height[lit])[:, None] * normal[lit]
    # A right-angled triangle of two equal sides has a quarter of the square of its longest as its area.
    longest = spacing * np.sqrt(4.0 * total / WHOLE_SCENE)
    done: list[tuple[FloatArray, IntArray, FloatArray, FloatArray]] = []
    for _ in range(_MOST_CUTS):
        middle = corners.mean(axis=1)
        near = np.minimum(np.linalg.norm(middle - one_m, axis=1), np.linalg.norm(middle - other_m, axis=1))
        wanted = np.minimum(longest, spacing * NEAR * np.maximum(near, NEAREST_M))
        sides = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
        cut = sides.max(axis=1) > wanted
        whole = np.flatnonzero(~cut)
        few, area = _thinned(_areas(corners[whole]), wanted[whole])
        whole = whole[few]
        done.append((middle[whole], facet[whole], normal[whole], area))
        if not cut.any():
            break
        corners, facet, normal = _halved(corners[cut], sides[cut]), np.tile(facet[cut], 2), np.tile(normal[cut], (2, 1))
    cells = _Cells(*(np.concatenate(column) for column in zip(*done, strict=True)))
    acts = acting(setting.planes, setting.bodies, cells.facet, cells.point)
    return _chosen(cells, acts)


def _chosen(cells: _Cells, chosen: BoolArray) -> _Cells:
    return _Cells(cells.point[chosen], cells.facet[chosen], cells.normal[chosen], cells.area[chosen])


def _areas(corners: FloatArray) -> FloatArray:
    """Areas (N,) of triangles (N, 3, 3)."""
    return 0.5 * np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)


def _halved(corners: FloatArray, sides: FloatArray) -> FloatArray:
    """Both halves (2N, 3, 3) of triangles (N, 3, 3), cut from the middle of the longest of their ``sides`` (N, 3)."""
    rows, first = np.arange(len(corners)), sides.argmax(axis=1)
    a, b, c = (corners[rows, (first + step) % 3] for step in range(3))
    middle = 0.5 * (a + b)
    return np.concatenate([np.stack([a, middle, c], axis=1), np.stack([middle, b, c], axis=1)])


def _thinned(area: FloatArray, wanted: FloatArray) -> tuple[IntArray, FloatArray]:
    """Which of N small triangles are kept, and the area that each then stands for.

    Where they are much smaller than the longest side ``wanted`` (N,), every so-manieth is kept, evenly in area: a
    curved wall of a million triangles costs no more than a flat one.
    """
    share = np.minimum(1.0, CROWDED * area / (0.25 * wanted**2))
    running = np.concatenate([[0.5], 0.5 + np.cumsum(np.where(share < 1.0, share, 0.0))])
    kept = np.flatnonzero((share == 1.0) | (np.diff(np.floor(running)) > 0.0))
    return kept, area[kept] / share[kept]


def _leg(setting: Setting, end: FloatArray, cells: _Cells, way: FloatArray) -> tuple[_Leg, BoolArray]:
    """Walls passed along straight ways (N, 3) from one end to N points, and which of them get there."""
    facets = setting.facets
    starts = np.broadcast_to(end, way.shape).copy()
    plane = facets.plane[cells.facet]
    met = setting.tracer.crossings(
        starts, cells.point, opaque=setting.opaque[facets.part[facets.triangle_facet]],
        label=facets.plane[facets.triangle_facet], pass_over=plane[:, None],
    )  # fmt: skip
    nowhere = np.full(len(way), -1, dtype=np.int32)
    inside, row_first, kind, facet, part, depth, _ = walls_passed(
        setting.planes, setting.bodies, starts, cells.point, nowhere, plane, met.first,
        facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    passages = Passages(row_first, kind, facet, part, depth, np.zeros(len(way)), nowhere)
    inside[np.repeat(np.arange(len(way)), np.diff(row_first))[kind == STANDING]] = True
    return _Leg(way, passages), ~(met.blocked | inside)


def _chosen_passages(passages: Passages, chosen: BoolArray) -> Passages:
    """The passages of chosen rays (N,), with their rows moved together."""
    count = np.diff(passages.first)
    rows = np.repeat(chosen, count)
    first = np.concatenate([[0], np.cumsum(count[chosen])]).astype(np.int64)
    return Passages(
        first, passages.kind[rows], passages.facet[rows], passages.part[rows], passages.depth_m[rows],
        passages.reach_m[chosen], passages.plane[chosen],
    )  # fmt: skip


def _hemispherical(walls: Walls, part: IntArray, depth: FloatArray) -> FloatArray:
    """``hemispherical`` of every point (N,), once for each surface and thickness."""
    pairs = np.stack([part, np.where(np.isnan(depth), -1.0, np.round(depth, 6))], axis=1)
    known, number = np.unique(pairs, axis=0, return_inverse=True)
    table = np.array([hemispherical(walls, 0, int(p), np.nan if d < 0.0 else d) for p, d in known])
    return table[number.reshape(-1)]
