"""What other programs ask of rf3d besides answers: the words of a plan file, and a plan with its venue unpacked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from rf3d.terminal import Run

if TYPE_CHECKING:
    from rf3d.plan import Plan
    from rf3d.venue.scene import Scene


def print_vocabulary(run: Run) -> None:
    """Print the materials, radios and housings of the catalogue and the keys of every table."""
    words = vocabulary()
    run.table(
        "Materials",
        ("material", "what it is", "thickness", "basis"),
        [
            (m["name"], m["title"], "" if m["thickness_m"] is None else f"{1e3 * m['thickness_m']:.4g} mm", m["basis"])
            for m in words["materials"]
        ],
    )
    run.table(
        "Generic radios", ("radio", "channels", "source"),
        [
            (r["name"], f"{r['first_channel_hz'] / 1e6:g} to {r['last_channel_hz'] / 1e6:g} MHz", r["source"])
            for r in words["radios"]
        ],
    )  # fmt: skip
    run.table(
        "Housings", ("inside", "takes", "source"),
        [(h["name"], f"{h['typical_db']:g} to {h['worst_db']:g} dB", h["source"]) for h in words["housings"]],
    )  # fmt: skip
    for table, keys in words["tables"].items():
        run.table(table, ("key", "it holds"), [(name, key["text"]) for name, key in keys.items()])


def vocabulary() -> dict[str, Any]:
    """Materials, radios and housings of the catalogue, and every table of a plan file with its keys, as plain data."""
    from rf3d.plan_tables import table_keys
    from rf3d.radio.bodies import HOUSINGS
    from rf3d.radio.radios import generic_radios
    from rf3d.venue.materials import BASES, catalogue

    return {
        "materials": [
            {
                "name": m.name, "title": m.title, "basis": BASES[m.basis], "source": m.source,
                "thickness_m": m.thickness_m, "valid_hz": list(m.valid_hz),
            }
            for _, m in sorted(catalogue().items())
        ],
        "radios": [vars(radio) for radio in generic_radios().values()],
        "housings": [{"name": name, **vars(housing)} for name, housing in HOUSINGS.items()],
        "tables": table_keys(),
    }  # fmt: skip


def unpacked(plan: Plan, scene: Scene) -> dict[str, Any]:
    """The tables of a plan as they stand in its file, and which [[surface]] row counts for every part of its venue."""
    from rf3d.plan_files import read_tables
    from rf3d.plan_surfaces import match_surfaces

    tables, digest = read_tables(plan.path)
    return {
        "plan": plan.path,
        "plan_digest": digest,
        "scene_digest": scene.digest,
        "tables": tables.model_dump(by_alias=True, exclude_unset=True),
        "parts": [
            {"object": name, "mesh_material": material, "row": row}
            for (name, material), row in zip(scene.parts, match_surfaces(plan, scene), strict=True)
        ],
    }


def write_venue(path: Path, scene: Scene, *, option: str) -> None:
    """Write a venue as plain GLB, whatever format it came in: a node an object, a piece a mesh material.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    import numpy as np

    from rf3d.views.glb import Node, Piece, write_glb

    nodes = []
    parts = np.array(scene.objects, dtype=object)
    for name in dict.fromkeys(scene.objects):
        mine = np.flatnonzero(parts == name)
        world = scene.to_world(scene.corners_m[np.isin(scene.triangle_part, mine)].reshape(-1, 3))
        # Sixteenths of a metre are exact in any float: the node's place adds no rounding.
        place = np.round(16 * 0.5 * (world.min(axis=0) + world.max(axis=0))) / 16
        pieces = []
        for part in mine.tolist():
            used, index = np.unique(scene.triangles[scene.triangle_part == part], return_inverse=True)
            points = scene.to_world(scene.vertices_m[used]) - place
            pieces.append(Piece(points, index.reshape(-1, 3), scene.parts[part][1]))
        x, y, z = place.tolist()
        nodes.append(Node(name, (x, y, z), pieces))
    write_glb(path, nodes, extras={"scene_digest": scene.digest}, option=option)
