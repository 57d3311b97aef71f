"""Which radio material, thickness and sheet-or-solid decision every part of a scene gets from a plan."""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase

from rf3d.errors import InputError
from rf3d.plan import Plan
from rf3d.plan_places import Place
from rf3d.plan_tables import SurfaceRow
from rf3d.venue.materials import Material
from rf3d.venue.scene import Scene
from rf3d.venue.surfaces import Body, Surface, decide_bodies


def match_surfaces(plan: Plan, scene: Scene) -> list[int | None]:
    """Index of the [[surface]] row that counts for every part of the scene, None where none matches."""

    def fits(pattern: str | None, name: str) -> bool:
        return pattern is None or pattern == name or fnmatchcase(name, pattern)

    return [
        next((i for i, row in enumerate(plan.surfaces) if fits(row.object, o) and fits(row.mesh_material, m)), None)
        for o, m in scene.parts
    ]


def assign_surfaces(plan: Plan, scene: Scene) -> tuple[tuple[Surface, ...], list[str]]:
    """Radio material, thickness and sheet-or-solid decision of every part of the scene.

    Returns
    -------
    surfaces : tuple of Surface
        In part order, without the unassigned ones; complete only where the second is empty.
    unassigned : list of str
        Parts that no [[surface]] row matches, by name.

    Raises
    ------
    InputError
        Sheets without thickness, a half-space that is a solid, a solid that is not closed.
    """
    surfaces: list[Surface] = []
    unassigned: list[str] = []
    lacking: dict[int, list[str]] = {}
    matched = match_surfaces(plan, scene)
    decided = decide_bodies(scene)
    for (name, mesh_material), index, decision in zip(scene.parts, matched, decided, strict=True):
        label = part_label(scene, name, mesh_material)
        if index is None:
            unassigned.append(label)
            continue
        row = plan.surfaces[index]
        material = plan.materials[row.material]
        place = Place(plan.path.name, "surface", index, row.object or row.mesh_material or "")
        body, reason = _body(row, place, label, material, decision)
        if body == "sheet" and not row.half_space and row.thickness_m is None and material.thickness_m is None:
            lacking.setdefault(index, []).append(label)
        thickness = row.thickness_m if body == "sheet" else None
        surfaces.append(Surface(name, mesh_material, material, thickness, row.half_space, body, reason))
    if lacking:
        names = [label for labels in lacking.values() for label in labels]
        rows = ", ".join(str(index + 1) for index in lacking)
        raise InputError(
            f"thickness_m is missing on {listed(names)}",
            "a sheet needs the thickness of the wall it stands for, or half_space = true where nothing comes back",
            f"add thickness_m in {plan.path.name}, [[surface]] {rows}",
        )
    return tuple(surfaces), unassigned


def part_label(scene: Scene, name: str, mesh_material: str) -> str:
    """A part as a person names it: the object, and its mesh material where the object has several."""
    several = scene.objects.count(name) > 1
    return f"{name} ({mesh_material or 'no mesh material'})" if several else name


def listed(names: Sequence[str], most: int = 12) -> str:
    """Names in quotes, the first few and how many more."""
    more = len(names) - most
    return ", ".join(f'"{name}"' for name in names[:most]) + (f" and {more} more" if more > 0 else "")


def _body(
    row: SurfaceRow, place: Place, label: str, material: Material, decision: tuple[Body, str]
) -> tuple[Body, str]:
    body, reason = decision
    if row.body == "solid" and reason == "open surface":
        raise place.refuse(
            f'body of "{label}" is "solid", but its surface is open',
            "a solid must be closed all round",
            'write body = "sheet" with its thickness_m, or close the object in the mesh,',
        )
    if row.body != "auto":
        body, reason = row.body, "as the plan says"
    if body == "solid" and (material.thin or material.open_fraction > 0.0):
        kind = "a film or a grid" if material.thin else "a wall with openings"
        raise place.refuse(
            f'"{label}" is a solid ({reason}), but "{material.name}" is {kind}',
            "that is a single layer of triangles",
            'draw it so, or write body = "sheet" if each of its faces is one,',
        )
    if body == "solid" and row.half_space:
        raise place.refuse(
            f'half_space is true on "{label}", which is a solid ({reason})',
            "the geometry gives the thickness of a solid",
            'delete half_space, or write body = "sheet",',
        )
    if body == "solid" and row.thickness_m is not None:
        reason += "; thickness_m not used"
    if body == "solid" and material.thickness_m is not None:
        reason += f"; its layers, {1e3 * material.thickness_m:.4g} mm in all, count once from face to face"
    return body, reason
