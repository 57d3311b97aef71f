"""The venue as something to look into: faint faces, the walls in the way left out, thin edges, cuts at a height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyvista

from rf3d.propagation.paths import Setting
from rf3d.units import BoolArray, FloatArray
from rf3d.views.layout import Camera

SLENDER = 0.004
"""Facets narrower than this share of the venue's size are drawn without edges: a roof of trusses stays light."""
_IN_THE_WAY = 0.02
_LARGE = 0.25
"""Only parts larger than this share of the venue are left out: furniture that hides something is part of the story."""
_EDGE_ANGLE_DEG = 28.0


@dataclass(frozen=True, eq=False)
class Model:
    """What is drawn of a venue, local metres.

    Attributes
    ----------
    faces : PolyData
        Faces behind which nothing of interest lies hidden.
    edges, ghost_edges : PolyData
        Edges of those faces, and of the faces left out.
    hidden : (M,) bool
        Triangles left out because they stand in the way.
    """

    faces: pyvista.PolyData
    edges: pyvista.PolyData
    ghost_edges: pyvista.PolyData
    hidden: BoolArray


def make_model(
    setting: Setting, camera: Camera, *, interest_m: FloatArray, leave_out: BoolArray | None = None
) -> Model:
    """Prepare the venue for one view.

    Parameters
    ----------
    interest_m : (N, 3) float
        Local points that must be seen: the radios, or the paths of a link.
    leave_out : (M,) bool or None
        Triangles drawn otherwise.
    """
    hidden = in_the_way(setting, camera, interest_m)
    others = np.zeros(len(hidden), dtype=bool) if leave_out is None else leave_out
    broad = breadth_m(setting)[setting.facets.triangle_facet] >= SLENDER * setting.scene.extent_m
    return Model(
        faces=part_mesh(setting, ~hidden & ~others),
        edges=_edges(setting, ~hidden & broad),
        ghost_edges=_edges(setting, hidden & broad),
        hidden=hidden,
    )


def part_mesh(setting: Setting, chosen: BoolArray) -> pyvista.PolyData:
    """The chosen triangles (M,) as a mesh."""
    triangles = setting.scene.triangles[chosen]
    if not len(triangles):
        return pyvista.PolyData()
    faces = np.column_stack([np.full(len(triangles), 3), triangles]).ravel()
    return pyvista.PolyData(np.array(setting.scene.vertices_m), faces)


def breadth_m(setting: Setting) -> FloatArray:
    """Mean width of each facet: area over the diagonal of its box, (Q,), metres."""
    bounds = setting.facets.bounds_m
    return setting.facets.area_m2 / np.maximum(np.linalg.norm(bounds[:, 1] - bounds[:, 0], axis=1), 1e-9)


def in_the_way(setting: Setting, camera: Camera, interest_m: FloatArray) -> BoolArray:
    """Triangles (M,) of walls, roofs and ceilings that stand between the viewer and what is to be seen.

    A facet is left out when its part is large and blocks some of the sight lines to the points of interest and to
    a lattice of points among them, and the viewer is on its far side.
    """
    low, high = interest_m.min(axis=0), interest_m.max(axis=0)
    steps = np.stack(np.meshgrid(*[(np.arange(n) + 0.5) / n for n in (6, 6, 3)], indexing="ij"), axis=-1)
    targets = np.concatenate([interest_m, low + steps.reshape(-1, 3) * (high - low)])
    tracer, facets = setting.tracer, setting.facets
    met = tracer.crossings(
        targets, np.broadcast_to(camera.position_m, targets.shape).copy(),
        opaque=np.zeros(len(setting.scene.triangles), dtype=bool),
    )  # fmt: skip
    part = setting.scene.triangle_part[met.triangle]
    pairs = np.unique(np.stack([part, met.segment], axis=1), axis=0)
    share = np.bincount(pairs[:, 0], minlength=len(setting.scene.parts)) / len(targets)
    normal, offset = facets.normal[facets.plane], facets.offset_m[facets.plane]
    viewer = normal @ camera.position_m - offset
    inside = np.median(targets @ normal.T - offset, axis=0)
    low, high = np.full((2, len(share), 3), [[[np.inf]], [[-np.inf]]])
    np.minimum.at(low, facets.part, facets.bounds_m[:, 0])
    np.maximum.at(high, facets.part, facets.bounds_m[:, 1])
    wall = (np.linalg.norm(high - low, axis=1) >= _LARGE * setting.scene.extent_m) & (share >= _IN_THE_WAY)
    broad = breadth_m(setting) >= SLENDER * setting.scene.extent_m
    hidden = broad & wall[facets.part] & (viewer * inside < 0)
    return hidden[facets.triangle_facet]


def _edges(setting: Setting, chosen: BoolArray) -> pyvista.PolyData:
    mesh = part_mesh(setting, chosen)
    if not mesh.n_cells:
        return mesh
    return mesh.clean(tolerance=1e-5, absolute=True).extract_feature_edges(
        feature_angle=_EDGE_ANGLE_DEG, boundary_edges=True, feature_edges=True, manifold_edges=False
    )


def cut_lines(setting: Setting, height_m: float) -> pyvista.PolyData:
    """Where the venue's faces pass a height (local z), as lines; a floor right at that height is left out."""
    mesh = part_mesh(setting, np.ones(len(setting.scene.triangles), dtype=bool))
    return mesh.slice(normal="z", origin=(0.0, 0.0, height_m + 1e-4))
