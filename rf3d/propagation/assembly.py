"""From candidate points to paths: is the way clear, which walls does it pass, what lies behind each bounce.

Candidates come from mirror images and from edges; here they meet the scene. A candidate is
a list of points, each on a facet where the path bounces or on an edge where it bends.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import numpy as np

from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.kernels.crossings import TRANSMISSION, Bodies, make_bodies, walls_passed
from rf3d.propagation.kernels.images import Planes, make_planes
from rf3d.propagation.kernels.legs import Legs, lay_legs, may_meet, write_ways
from rf3d.propagation.kernels.panels import Panels, make_panels
from rf3d.propagation.kernels.wedges import Wedges, no_wedges
from rf3d.propagation.pathset import PathSet
from rf3d.propagation.standing import Walls, join_at_bounces
from rf3d.propagation.tracer import Tracer, tracer_for
from rf3d.units import BoolArray, FloatArray, IntArray, read_only
from rf3d.venue.edges import Edges, find_edges
from rf3d.venue.facets import Facets
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Surface

_INSET_M = 5e-3
"""How far in from an edge the thickness of its faces is looked up."""

_FEW_PLANES = 16
"""So many planes are looked at one by one in the time a ray takes."""


class Setting(NamedTuple):
    """A scene made ready for path finding; see ``prepare``.

    ``digest`` stands for everything but ``surfaces`` and ``most_wall_loss_db``: settings that share it have the same
    paths.
    """

    scene: Scene
    facets: Facets
    surfaces: tuple[Surface, ...]
    tracer: Tracer
    planes: Planes
    bodies: Bodies
    opaque: BoolArray
    edges: Edges
    wedges: Wedges
    panels: Panels
    digest: str
    most_wall_loss_db: float


def prepare(
    scene: Scene,
    facets: Facets,
    surfaces: tuple[Surface, ...],
    *,
    opaque: BoolArray,
    most_wall_loss_db: float = np.inf,
    cache: PathCache | None = None,
) -> Setting:
    """Gather what path finding needs.

    Parameters
    ----------
    opaque : (parts,) bool
        Parts that let nothing through (``kernels.interfaces.opaque_parts``).
    most_wall_loss_db : float
        Links leave out paths whose walls take more than this altogether; the paths themselves are found.
    """
    bodies = make_bodies(scene, facets, surfaces)
    digest = hashlib.sha256(scene.digest.encode())
    for array in (*bodies, opaque):
        digest.update(np.ascontiguousarray(array).tobytes())
    name = digest.hexdigest()

    def find() -> Setting:
        setting = Setting(
            scene, facets, surfaces, tracer_for(scene), make_planes(scene, facets), bodies, opaque, find_edges(facets),
            no_wedges(), make_panels(facets), name, most_wall_loss_db,
        )  # fmt: skip
        return setting._replace(wedges=_wedges(setting))

    setting = kept(cache, ("setting", name), find)
    return setting._replace(surfaces=surfaces, most_wall_loss_db=most_wall_loss_db)


def _wedges(setting: Setting) -> Wedges:
    """What stands on either side of every edge, and how thick it is a little way in from the edge."""
    facets, bodies, edges = setting.facets, setting.bodies, setting.edges
    middle = edges.ends_m.mean(axis=1)
    last = np.cos(edges.n * np.pi)[:, None] * edges.along + np.sin(edges.n * np.pi)[:, None] * edges.normal
    depth_0 = depth_behind(setting, middle + _INSET_M * edges.along, -edges.normal, edges.facet_0)
    # Face n is seen from the free sector too: its outward normal is its own direction turned back by a quarter.
    inward_n = np.cross(edges.axis, last)
    depth_n = depth_behind(setting, middle + _INSET_M * last, inward_n, edges.facet_n)
    part_0, part_n = facets.part[edges.facet_0], facets.part[edges.facet_n]
    return Wedges(
        edges.axis, edges.along, edges.normal, edges.n, edges.facet_0, edges.facet_n, read_only(part_0),
        read_only(part_n), read_only(depth_0), read_only(depth_n),
        read_only(setting.opaque[part_0] | setting.opaque[part_n]), read_only(bodies.solid[edges.facet_0]),
    )  # fmt: skip


def assemble(
    setting: Setting,
    source_m: FloatArray,
    receivers_m: FloatArray,
    *,
    receiver: IntArray,
    points: FloatArray,
    facet: IntArray,
    edge: IntArray,
    labels: tuple[int, IntArray],
    found_by: IntArray | None = None,
    lobe: BoolArray | None = None,
) -> PathSet:
    """Drop blocked candidates and write out the interactions of the rest, in order along each path.

    Parameters
    ----------
    source_m : (3,) float64, receivers_m : (R, 3) float64
    receiver : (C,) int32
        Receiver of each candidate.
    points : (C, D, 3) float64
        Where it bounces or bends, in order; rows beyond its own number are ignored.
    facet, edge : (C, D) int32
        Facet it bounces off or edge it bends at, −1 in the other array and beyond its own number.
    labels : (transmitter's number, receivers' numbers (R,))
        To write into the result.
    found_by : (C,) int32 or None
        Rays that met each candidate; None for candidates that owe nothing to chance.
    lobe : (C, D) bool or None
        Bounces beside the mirror direction, off facets too small to be mirrors.
    """
    facets, bodies, edges = setting.facets, setting.bodies, setting.edges
    facet, edge = (np.require(turns, np.int32, ["C", "W"]) for turns in (facet, edge))
    legs = lay_legs(
        np.array(source_m), np.array(receivers_m), np.require(receiver, np.int32, ["C", "W"]),
        np.require(points, np.float64, ["C", "W"]), facet, edge, facets.plane,
        np.stack([facets.plane[edges.facet_0], facets.plane[edges.facet_n]], axis=1), setting.tracer.clearance_m,
    )  # fmt: skip
    met = setting.tracer.crossings(
        legs.starts, legs.ends, opaque=setting.opaque[facets.part[facets.triangle_facet]],
        label=facets.plane[facets.triangle_facet], pass_over=legs.planes,
        chosen=may_meet(setting.planes, legs) if facets.plane_count <= _FEW_PLANES else None,
    )  # fmt: skip
    inside, wall_first, kind, wall_facet, part, wall_depth, wall_distance = walls_passed(
        setting.planes, bodies, legs.starts, legs.ends, np.ascontiguousarray(legs.planes[:, 0]),
        np.ascontiguousarray(legs.planes[:, 2]), met.first, facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    wall_leg = np.repeat(np.arange(len(legs.path)), np.diff(wall_first))
    passed, facet, bad = join_at_bounces(
        setting.planes, bodies, Walls(wall_leg, kind, wall_facet, part, wall_depth), path=legs.path, turn=legs.turn,
        facet=facet, points=points,
    )  # fmt: skip
    bad[legs.path[met.blocked | inside]] = True
    kept, length, departure, arrival, start, kind, facet, part, edge, depth, distance, point, leaving = write_ways(
        legs, bad, facet, edge, edges.facet_0, np.zeros((0, 0), dtype=bool) if lobe is None else lobe, facets.part,
        _behind(setting, legs, facet, bad=bad, points=points), wall_first, passed.kind, wall_facet, passed.part,
        passed.depth_m, wall_distance,
    )  # fmt: skip
    return PathSet(
        transmitter=np.full(len(kept), labels[0], dtype=np.int32),
        receiver=np.asarray(labels[1], dtype=np.int32)[receiver[kept]],
        length_m=length,
        departure=departure,
        arrival=arrival,
        start=start,
        kind=kind,
        facet=facet,
        part=part,
        edge=edge,
        depth_m=depth,
        distance_m=distance,
        point_m=point,
        leaving=leaving,
        spreading_m=_spreading(edges, length, start, edge=edge, distance=distance, point=point),
        found_by=np.zeros(len(kept), dtype=np.int32) if found_by is None else found_by[kept],
        exhaustive_order=0,
    )


def _behind(setting: Setting, legs: Legs, facet: IntArray, *, bad: BoolArray, points: FloatArray) -> FloatArray:
    """Thickness behind every bounce (C, D) of paths that are not ``bad`` (C,), see ``depth_behind``."""
    solid = setting.bodies.solid
    behind = np.where(solid, np.inf, np.nan)[facet]  # of −1 nobody asks
    deep = solid & ~setting.opaque[setting.facets.part]
    if deep.any():
        path, turn = np.nonzero((facet >= 0) & deep[facet] & ~bad[:, None])
        leg = legs.first[path] + turn
        behind[path, turn] = depth_behind(
            setting, points[path, turn], legs.ends[leg] - legs.starts[leg], facet[path, turn]
        )
    return behind


def _spreading(
    edges: Edges, length: FloatArray, start: IntArray, *, edge: IntArray, distance: FloatArray, point: FloatArray
) -> FloatArray:
    """What fields fall by along paths (P,), see ``PathSet.spreading_m``, from their interactions."""
    spreading = length.copy()
    row = np.flatnonzero(edge >= 0)
    path = np.searchsorted(start, row, side="right") - 1
    over, first, bends = np.unique(path, return_index=True, return_counts=True)
    for number in (1, 2):
        mine, one = over[bends == number], row[first[bends == number]]
        # A path bent twice turns at its edges alone, with walls between them at most.
        two = row[first[bends == number] + number - 1]
        before, gap, after = distance[one], distance[two] - distance[one], length[mine] - distance[two]
        if number == 1:
            spreading[mine] = np.sqrt(before * after * length[mine])
        else:
            spreading[mine] = spreading_over_two(
                before, gap, after, middle=point[two] - point[one], first=edges.axis[edge[one]],
                second=edges.axis[edge[two]],
            )  # fmt: skip
    return spreading


def spreading_over_two(
    before: FloatArray,
    gap: FloatArray,
    after: FloatArray,
    *,
    middle: FloatArray,
    first: FloatArray,
    second: FloatArray,
) -> FloatArray:
    """√(s₀·s₂·(s₁·(s₀ + s₁ + s₂) + s₀·s₂·sin²ψ)) of waves from a point over two straight edges, (N,), m².

    Between the edges the wave front has the radii s₁ and s₀ + s₁; the second edge sees that of the plane which holds
    it and the ray, by Euler's theorem, and makes itself the other. The result is the same in both directions.

    Parameters
    ----------
    before, gap, after : (N,) float64
        Lengths s₀, s₁, s₂ of the three legs, metres.
    middle, first, second : (N, 3) float64
        Directions of the middle leg and of the edges; ψ is the angle between the edges seen along the leg.

    Source: Kouyoumjian & Pathak, Proc. IEEE 62 (1974) 1448, caustic distance at a straight edge (from memory).
    """
    one, two = np.cross(first, middle), np.cross(second, middle)
    turn = np.einsum("ni,ni->n", np.cross(one, two), middle)
    size = np.einsum("ni,ni->n", one, one) * np.einsum("ni,ni->n", two, two) * np.einsum("ni,ni->n", middle, middle)
    sin2 = turn**2 / np.maximum(size, 1e-300)
    return np.sqrt(before * after * (gap * (before + gap + after) + before * after * sin2))


def depth_behind(setting: Setting, points: FloatArray, into: FloatArray, facet: IntArray) -> FloatArray:
    """Thickness of the body behind each bounce: NaN on a sheet, inf where the far face is not parallel.

    Points (N, 3) lie on facets (N,), ``into`` (N, 3) leads through them. Measured along the normal, so that a path
    and its reverse see the same wall.
    """
    facets, bodies = setting.facets, setting.bodies
    depth = np.full(len(facet), np.nan)
    solid = np.flatnonzero(bodies.solid[facet])
    depth[solid] = np.inf
    solid = solid[~setting.opaque[facets.part[facet[solid]]]]
    if len(solid) == 0:
        return depth
    normal = facets.normal[facets.plane[facet[solid]]]
    inward = normal * np.sign(np.einsum("bi,bi->b", normal, into[solid]))[:, None]
    lead = 4.0 * setting.tracer.clearance_m
    starts = points[solid] - lead * inward
    ends = points[solid] + setting.scene.extent_m * inward
    met = setting.tracer.crossings(starts, ends, opaque=setting.opaque[facets.part[facets.triangle_facet]])
    nowhere = np.full(len(solid), -1, dtype=np.int32)
    _, first_out, kind, _, _, thickness, distance = walls_passed(
        setting.planes, bodies, starts, ends, nowhere, nowhere, met.first,
        facets.triangle_facet[met.triangle], met.distance_m,
    )  # fmt: skip
    here = (kind == TRANSMISSION) & (np.abs(distance - lead) < 0.5 * lead) & ~np.isnan(thickness)
    depth[np.repeat(solid, np.diff(first_out))[here]] = thickness[here]
    return depth
