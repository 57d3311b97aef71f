"""From candidate points to paths: is the way clear, which walls does it pass, what lies behind each bounce.

Candidates come from mirror images and from edges; here they meet the scene. A candidate is
a list of points, each on a facet where the path bounces or on an edge where it bends.
"""

from __future__ import annotations

import hashlib
from typing import NamedTuple

import numpy as np

from rf3d.propagation.cache import PathCache, kept
from rf3d.propagation.kernels.crossings import (
    DIFFRACTION,
    LOBE,
    REFLECTION,
    TRANSMISSION,
    Bodies,
    make_bodies,
    walls_passed,
)
from rf3d.propagation.kernels.images import Planes, make_planes
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
    nowhere = np.zeros(edges.count, dtype=bool)
    depth_0 = depth_behind(setting, middle + _INSET_M * edges.along, -edges.normal, edges.facet_0, nowhere)
    # Face n is seen from the free sector too: its outward normal is its own direction turned back by a quarter.
    inward_n = np.cross(edges.axis, last)
    depth_n = depth_behind(setting, middle + _INSET_M * last, inward_n, edges.facet_n, nowhere)
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
    count, depth = facet.shape
    turns = ((facet >= 0) | (edge >= 0)).sum(axis=1)
    # Corners of every path: transmitter, turns, receiver; legs are the stretches between them.
    corner = np.empty((count, depth + 2, 3))
    corner[:, 0] = source_m
    corner[:, 1:-1] = points
    corner[np.arange(count), turns + 1] = receivers_m[receiver]
    # Planes that a corner lies on: one at a bounce, both faces' at an edge.
    plane = np.full((count, depth + 2, 2), -1, dtype=np.int32)
    bounced, bent = facet >= 0, edge >= 0
    plane[:, 1:-1] = np.where(bounced, facets.plane[facet], -1)[:, :, None]
    plane[:, 1:-1][bent] = np.stack(
        [facets.plane[edges.facet_0[edge[bent]]], facets.plane[edges.facet_n[edge[bent]]]], axis=1
    )
    path, leg = np.nonzero(np.arange(depth + 1)[None, :] <= turns[:, None])
    here = path * (depth + 2) + leg
    starts, ends = corner.reshape(-1, 3)[here], corner.reshape(-1, 3)[here + 1]
    span = ends - starts
    length = np.sqrt(np.einsum("li,li->l", span, span))
    # Two bounces in a corner: each point touches both walls.
    short = np.flatnonzero((length < setting.tracer.clearance_m) & (leg > 0) & (leg < turns[path]))
    c, t = path[short], leg[short] - 1
    c, t = (index[bounced[c, t] & bounced[c, t + 1]] for index in (c, t))
    plane[c, t + 1, 1], plane[c, t + 2, 1] = plane[c, t + 2, 0], plane[c, t + 1, 0]
    leg_planes = np.concatenate([plane.reshape(-1, 2)[here], plane.reshape(-1, 2)[here + 1]], axis=1)
    met = setting.tracer.crossings(
        starts, ends, opaque=setting.opaque[facets.part[facets.triangle_facet]],
        label=facets.plane[facets.triangle_facet], pass_over=leg_planes,
    )  # fmt: skip
    met_facet = facets.triangle_facet[met.triangle]
    inside, first_out, kind, wall_facet, part, wall_depth, distance = walls_passed(
        setting.planes, bodies, starts, ends, np.ascontiguousarray(leg_planes[:, 0]),
        np.ascontiguousarray(leg_planes[:, 2]), met.first, met_facet, met.distance_m,
    )  # fmt: skip
    wall_leg = np.repeat(np.arange(len(path)), np.diff(first_out))
    passed, facet, bad = join_at_bounces(
        setting.planes, bodies, Walls(wall_leg, kind, wall_facet, part, wall_depth), path=path, turn=leg, facet=facet,
        points=points,
    )  # fmt: skip
    bad[path[met.blocked | inside]] = True

    travelled = np.zeros((count, depth + 2))
    travelled[path, leg + 1] = length
    travelled = np.cumsum(travelled, axis=1)
    way = span / np.maximum(length, 1e-300)[:, None]
    turn_path, turn = np.nonzero(bounced | bent)
    before = np.searchsorted(path, turn_path) + turn  # leg that leads to each turn; the next one leads away
    turn_edge = edge[turn_path, turn]
    turn_facet = np.where(turn_edge >= 0, edges.facet_0[turn_edge], facet[turn_path, turn])
    turn_point = corner[turn_path, turn + 1]
    behind = depth_behind(
        setting, turn_point, way[before], turn_facet, bad[turn_path] | (turn_edge >= 0)
    )  # fmt: skip
    turn_kind = np.where(turn_edge >= 0, DIFFRACTION, REFLECTION).astype(np.int32)
    if lobe is not None:
        turn_kind[lobe[turn_path, turn]] = LOBE
    rows = {
        "path": np.concatenate([path[wall_leg], turn_path]),
        "distance": np.concatenate(
            [travelled[path[wall_leg], leg[wall_leg]] + distance, travelled[turn_path, turn + 1]]
        ),
        "kind": np.concatenate([passed.kind, turn_kind]),
        "facet": np.concatenate([wall_facet, turn_facet]),
        "part": np.concatenate([passed.part, facets.part[turn_facet]]),
        "edge": np.concatenate([np.full(len(wall_leg), -1), turn_edge]),
        "depth": np.concatenate([passed.depth_m, behind]),
        "point": np.concatenate([starts[wall_leg] + distance[:, None] * way[wall_leg], turn_point]),
        "leaving": np.concatenate([way[wall_leg], way[before + 1]]),
    }
    keep = np.flatnonzero(~bad)
    renumber = np.full(count, -1)
    renumber[keep] = np.arange(len(keep))
    mine = np.flatnonzero(~bad[rows["path"]])
    if len(wall_leg):  # turns alone are in order already
        mine = mine[np.lexsort((rows["distance"][mine], rows["path"][mine]))]
    start = np.searchsorted(renumber[rows["path"][mine]], np.arange(len(keep) + 1)).astype(np.int32)
    last = np.searchsorted(path, keep, side="right") - 1
    total = travelled[keep, turns[keep] + 1]
    spreading = total.copy()
    bends = bent[keep].sum(axis=1)
    at = np.argmax(bent[keep], axis=1)
    for number in (1, 2):
        over = np.flatnonzero(bends == number)
        row, turned = keep[over], at[over]
        # A path bent twice turns at its edges alone.
        gap = travelled[row, turned + number] - travelled[row, turned + 1]
        before, after = travelled[row, turned + 1], total[over] - travelled[row, turned + number]
        if number == 1:
            spreading[over] = np.sqrt(before * after * total[over])
        else:
            middle = corner[row, turned + 2] - corner[row, turned + 1]
            spreading[over] = spreading_over_two(
                before, gap, after, middle=middle, first=edges.axis[edge[row, turned]],
                second=edges.axis[edge[row, turned + 1]],
            )  # fmt: skip
    return PathSet(
        transmitter=np.full(len(keep), labels[0], dtype=np.int32),
        receiver=np.asarray(labels[1], dtype=np.int32)[receiver[keep]],
        length_m=total,
        departure=way[np.searchsorted(path, keep)],
        arrival=-way[last],
        start=start,
        kind=rows["kind"][mine].astype(np.int32),
        facet=rows["facet"][mine].astype(np.int32),
        part=rows["part"][mine].astype(np.int32),
        edge=rows["edge"][mine].astype(np.int32),
        depth_m=rows["depth"][mine],
        distance_m=rows["distance"][mine],
        point_m=rows["point"][mine],
        leaving=rows["leaving"][mine],
        spreading_m=spreading,
        found_by=np.zeros(len(keep), dtype=np.int32) if found_by is None else found_by[keep],
        exhaustive_order=0,
    )


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


def depth_behind(
    setting: Setting, points: FloatArray, into: FloatArray, facet: IntArray, skip: BoolArray
) -> FloatArray:
    """Thickness of the body behind each bounce: NaN on a sheet, inf where the far face is not parallel.

    Points (N, 3) lie on facets (N,), ``into`` (N, 3) leads through them; rows of ``skip`` are not looked at.
    Measured along the normal, so that a path and its reverse see the same wall.
    """
    facets, bodies = setting.facets, setting.bodies
    depth = np.full(len(facet), np.nan)
    solid = np.flatnonzero(bodies.solid[facet] & ~skip)
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
    for i, b in enumerate(solid):
        for row in range(first_out[i], first_out[i + 1]):
            if kind[row] == TRANSMISSION and abs(distance[row] - lead) < 0.5 * lead and not np.isnan(thickness[row]):
                depth[b] = thickness[row]
    return depth
