"""Read a venue from a mesh file: GLB, glTF, OBJ, STL, PLY, OFF, DAE.

Every triangle keeps the name of its object and of its mesh material, transforms are
applied, the result is in metres with z up. Nothing is merged, welded or left out but
triangles without area, which are counted. glTF says its unit and axis; the other formats
do not, so they have to be told.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np

from rf3d.errors import InputError, MissingPartError
from rf3d.units import FloatArray
from rf3d.venue.readers.obj import Mesh, read_obj
from rf3d.venue.scene import Scene, make_scene

UNITS_M = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}
"""Metres in one unit; the international foot and inch, exact since 1959."""
UP_AXES = ("y", "z")
SELF_DESCRIBED = ("glb", "gltf")
"""Formats that carry their unit and axis: metres, y up (Khronos Group, glTF 2.0 specification, 3.4)."""
FORMATS = (*SELF_DESCRIBED, "obj", "stl", "ply", "off", "dae")
FARTHEST_M = 1e8
"""Coordinates beyond are no place on earth but a wrong unit; map grids stay below 1e7."""
LOOKS_ONLY = ("KHR_materials_", "KHR_texture_", "EXT_texture_", "KHR_lights_", "KHR_xmp", "KHR_animation")
"""Beginnings of glTF extensions that leave the triangles as they are."""


def read_mesh(path: str | Path, *, units: str | None = None, up: str | None = None) -> Scene:
    """Read a mesh file into a Scene: metres, z up, named parts.

    Parameters
    ----------
    path : path
        GLB, glTF, OBJ, STL, PLY, OFF or DAE, told apart by the ending of the name.
    units : {"m", "cm", "mm", "ft", "in"} or None
        Unit of the coordinates; needed by every format but GLB and glTF.
    up : {"y", "z"} or None
        Axis that points up; likewise. A y-up file maps (x, y, z) to (x, −z, y).

    Returns
    -------
    Scene
        Parts in order of object and mesh material as found; "" where a triangle has no mesh material.

    Raises
    ------
    InputError
        No such file, not a mesh, nothing in it but points, coordinates that are not numbers, or unit or axis not told.
    MissingPartError
        DAE without the package that reads it.
    """
    path = Path(path)
    ending = path.suffix.lower().lstrip(".")
    if ending not in FORMATS:
        raise InputError(
            f'the mesh "{path.name}" ends in "{path.suffix}"',
            f"meshes that can be read are {', '.join(name.upper() for name in FORMATS)}",
            "export the venue in one of them, GLB for choice",
        )
    if not path.is_file():
        raise InputError(
            f'there is no mesh file "{path}"', "mesh must name a file, relative to the plan", "correct the path"
        )
    scale_m, up_axis = _told(path.name, ending, units, up)
    vertices, triangles, part, names = read_obj(path) if ending == "obj" else _read_with_trimesh(path, ending)
    if len(triangles) == 0:
        holds = "points or lines but no triangle" if len(vertices) else "no geometry"
        raise InputError(
            f'the mesh "{path.name}" holds {holds}',
            "a venue needs at least one surface",
            "export the venue as triangles",
        )
    metres = vertices * scale_m
    farthest = float(np.nanmax(np.abs(metres), initial=0.0, where=np.isfinite(metres)))
    if farthest > FARTHEST_M:
        raise InputError(
            f'the mesh "{path.name}" reaches {farthest:.3g} m from its origin',
            f"coordinates must stay within {FARTHEST_M:g} m",
            "correct the units, or repair the mesh and export it again",
        )
    if up_axis == "y":
        metres = np.stack([metres[:, 0], -metres[:, 2], metres[:, 1]], axis=1)
    return make_scene(metres, triangles, part, names)


def _told(name: str, ending: str, units: str | None, up: str | None) -> tuple[float, str]:
    """Metres per unit and the axis that points up."""
    if ending in SELF_DESCRIBED:
        for key, given, carried in (("units", units, "m"), ("up", up, "y")):
            if given not in (None, carried):
                raise InputError(
                    f'{key} of "{name}" is "{given}"',
                    "a GLB or glTF file is in metres with y up, by its standard",
                    f"leave {key} out, or export the mesh again at its true size",
                )
        return 1.0, "y"
    for key, given, known in (("units", units, tuple(UNITS_M)), ("up", up, UP_AXES)):
        choices = ", ".join(known[:-1]) + " or " + known[-1]
        if given is None:
            raise InputError(
                f'{key} of "{name}" is not given, and {ending.upper()} files do not carry it',
                f"{key} must be {choices}",
                f'add {key} = "…" to [venue] in the plan, or --{key} to the command',
            )
        if given not in known:
            raise InputError(f'{key} of "{name}" is "{given}"', f"it must be {choices}", f"correct {key} in [venue]")
    assert units is not None
    assert up is not None
    return UNITS_M[units], up


def _read_with_trimesh(path: Path, ending: str) -> Mesh:
    """Triangles of a file in its own units and axes, every instance with its transform."""
    import trimesh

    unnamed = _check_gltf(path) if ending in SELF_DESCRIBED else frozenset()
    try:
        # Numbers that are not finite are reported by make_scene, not by a warning of a cast.
        with np.errstate(all="ignore"):
            loaded = trimesh.load_scene(path, process=False)
    except ImportError as error:
        raise MissingPartError(
            f'reading {ending.upper()} files ("{path.name}") needs the package pycollada; '
            "install it with: pip install pycollada; or export the venue as GLB"
        ) from error
    except Exception as error:  # whatever a broken file makes the reader say
        raise InputError(
            f'the mesh "{path.name}" cannot be read: {_reason(error)}',
            f"it must be a whole {ending.upper()} file",
            "export it again, or in another format, GLB for choice",
        ) from error

    vertices, triangles, triangle_part = (
        [np.zeros((0, 3))],
        [np.zeros((0, 3), dtype=np.int64)],
        [np.zeros(0, dtype=int)],
    )
    parts: dict[tuple[str, str], int] = {}
    offset = 0
    for name, material, points, faces in sorted(_pieces(loaded, path, unnamed), key=lambda piece: piece[:2]):
        vertices.append(points)
        triangles.append(faces + offset)
        part = parts.setdefault((name, material), len(parts)) if len(faces) else 0
        triangle_part.append(np.full(len(faces), part))
        offset += len(points)
    return (
        np.concatenate(vertices),
        np.concatenate(triangles).astype(np.int32),
        np.concatenate(triangle_part).astype(np.int32),
        tuple(parts),
    )


def _pieces(loaded: Any, path: Path, unnamed: frozenset[str]) -> list[tuple[str, str, FloatArray, Any]]:
    """Object name, mesh material, points and faces of everything in a trimesh scene."""
    pieces = []
    for node in loaded.graph.nodes_geometry:
        transform, key = loaded.graph[node]
        geometry = loaded.geometry[key]
        points = np.asarray(geometry.vertices, dtype=np.float64).reshape(-1, geometry.vertices.shape[-1])
        if points.shape[1] != 3:
            continue
        faces = np.asarray(getattr(geometry, "faces", np.zeros((0, 3))), dtype=np.int64).reshape(-1, 3)
        name = node
        if geometry.metadata.get("from_gltf_primitive"):
            # The pieces of one glTF mesh hang below the node that carries its name.
            name = loaded.graph.transforms.parents[node]
        if name in unnamed or name == "world":
            name = key
        name = path.stem if name == path.name else name
        material = getattr(getattr(geometry.visual, "material", None), "name", None) if len(faces) else None
        with np.errstate(all="ignore"):
            pieces.append((str(name), str(material or ""), points @ transform[:3, :3].T + transform[:3, 3], faces))
    return pieces


def _reason(error: Exception) -> str:
    if isinstance(error, json.JSONDecodeError | UnicodeDecodeError | struct.error):
        return "its header is cut off or damaged"
    text = " ".join(str(error).split()) or type(error).__name__
    if isinstance(error, FileNotFoundError | KeyError):
        text = f"{text} is missing"
    return text if len(text) <= 120 else text[:117] + "…"


def _check_gltf(path: Path) -> frozenset[str]:
    """Refuse glTF whose triangles would be misread; give the stand-in names of nodes that have none."""
    try:
        data = path.read_bytes()
        if path.suffix.lower() == ".glb":
            magic, version, _, length = struct.unpack("<4sIII", data[:16])
            if magic != b"glTF" or version != 2:
                raise ValueError("its first bytes are not those of a GLB file, version 2")
            data = data[20 : 20 + length]
        header = json.loads(data)
        needed = [name for name in header.get("extensionsRequired", []) if not name.startswith(LOOKS_ONLY)]
        nodes, meshes = header.get("nodes", []), header.get("meshes", [])
        fans = [mesh.get("name", "") for mesh in meshes if any(p.get("mode") == 6 for p in mesh["primitives"])]
    except (ValueError, KeyError, TypeError, AttributeError, struct.error) as error:
        raise InputError(
            f'the mesh "{path.name}" cannot be read: {_reason(error)}',
            "it must be a whole GLB or glTF 2.0 file",
            "export it again",
        ) from error
    if needed or fans:
        what = f"the extension {needed[0]}" if needed else f'a triangle fan (mesh "{fans[0]}")'
        raise InputError(
            f'the mesh "{path.name}" needs {what}',
            "plain triangles, uncompressed, can be read",
            "export it again without compression",
        )
    return frozenset(str(i) for i, node in enumerate(nodes) if "name" not in node)
