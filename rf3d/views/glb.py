"""Write shapes with names and data as a GLB file: triangles, lines and places, coloured, for modelling programs.

glTF 2.0 (Khronos Group): metres, y up; ``write_glb`` turns coordinates from z up. Data about a node go into its
``extras``, numbers at its points into attributes whose names begin with an underscore.
"""

from __future__ import annotations

import json
import os
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from rf3d import __version__
from rf3d.errors import InputError
from rf3d.units import FloatArray, IntArray

_FLOAT, _UINT, _BYTE = 5126, 5125, 5121
_MODES = {"triangles": 4, "line": 3}
_TARGETS = {"points": 34962, "indices": 34963}


@dataclass(frozen=True, eq=False)
class Piece:
    """Triangles or one polyline of one colour or with a colour at every point.

    Attributes
    ----------
    points_m : (N, 3) float
        Relative to the node's place, z up.
    triangles : (M, 3) int or None
        None makes the points a polyline.
    material : str
        Name of the material; "" for none. Pieces of one name share the colour of the first.
    colour : tuple of 4 float
        Red, green, blue, opacity, 0 to 1, linear.
    colours : (N, 3) float or None
        At every point, linear, 0 to 1.
    values : mapping of name to (N,) float
        Attributes; their names are written in capitals after an underscore.
    """

    points_m: FloatArray
    triangles: IntArray | None
    material: str = ""
    colour: tuple[float, float, float, float] = (0.8, 0.8, 0.8, 1.0)
    colours: FloatArray | None = None
    values: Mapping[str, FloatArray] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Node:
    """A named thing in space: its place in metres, z up, what it is made of, and data about it."""

    name: str
    place_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    pieces: Sequence[Piece] = ()
    extras: Mapping[str, Any] = field(default_factory=dict)


def write_glb(path: Path, nodes: Sequence[Node], *, extras: Mapping[str, Any], option: str) -> None:
    """Write nodes to a GLB file; a stopped run leaves an older file whole.

    Parameters
    ----------
    extras : mapping
        Data about the whole, written to the scene.
    option : str
        How the file was asked for, for the message.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    header, body = _content(nodes, extras)
    text = json.dumps(header, ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    body += b"\0" * (-len(body) % 4)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("wb") as file:
            file.write(struct.pack("<4sII", b"glTF", 2, 28 + len(text) + len(body)))
            file.write(struct.pack("<I4s", len(text), b"JSON") + text)
            file.write(struct.pack("<I4s", len(body), b"BIN\0") + body)
        os.replace(beside, path)
    except OSError as error:
        raise InputError(
            f'{option} names "{path}", which cannot be written ({error.strerror})',
            "it must be a file that may be written",
            "name another file",
        ) from error
    finally:
        beside.unlink(missing_ok=True)


def _content(nodes: Sequence[Node], extras: Mapping[str, Any]) -> tuple[dict[str, Any], bytearray]:
    """The JSON and the binary part of the file."""
    body = bytearray()
    views: list[dict[str, Any]] = []
    accessors: list[dict[str, Any]] = []
    materials: dict[str, dict[str, Any]] = {}
    meshes: list[dict[str, Any]] = []
    written: list[dict[str, Any]] = []

    def accessor(array: np.ndarray, kind: str, component: int, target: str, **more: Any) -> int:
        views.append(
            {"buffer": 0, "byteOffset": len(body), "byteLength": array.nbytes, "target": _TARGETS[target]}
        )  # fmt: skip
        body.extend(array.tobytes())
        accessors.append(
            {"bufferView": len(views) - 1, "componentType": component, "count": len(array), "type": kind, **more}
        )  # fmt: skip
        return len(accessors) - 1

    def primitive(piece: Piece) -> dict[str, Any]:
        points = np.asarray(_y_up(piece.points_m), dtype="<f4")
        attributes = {
            "POSITION": accessor(
                points, "VEC3", _FLOAT, "points", min=points.min(axis=0).tolist(), max=points.max(axis=0).tolist()
            )
        }
        if piece.colours is not None:
            bytes_ = np.full((len(points), 4), 255, dtype=np.uint8)
            bytes_[:, :3] = np.round(255 * np.clip(piece.colours, 0, 1))
            attributes["COLOR_0"] = accessor(bytes_, "VEC4", _BYTE, "points", normalized=True)
        for name, values in piece.values.items():
            attributes[f"_{name.upper()}"] = accessor(np.asarray(values, dtype="<f4"), "SCALAR", _FLOAT, "points")
        data: dict[str, Any] = {"attributes": attributes, "mode": _MODES["line"]}
        if piece.triangles is not None:
            indices = np.asarray(piece.triangles, dtype="<u4").ravel()
            data |= {"mode": _MODES["triangles"], "indices": accessor(indices, "SCALAR", _UINT, "indices")}
        if piece.material:
            materials.setdefault(piece.material, _material(piece))
            data["material"] = list(materials).index(piece.material)
        return data

    for node in nodes:
        entry: dict[str, Any] = {"name": node.name, "translation": _y_up(np.array(node.place_m)).tolist()}
        if node.pieces:
            meshes.append({"name": node.name, "primitives": [primitive(piece) for piece in node.pieces]})
            entry["mesh"] = len(meshes) - 1
        if node.extras:
            entry["extras"] = dict(node.extras)
        written.append(entry)
    scene = {"nodes": list(range(len(written))), "extras": dict(extras)}
    lists = {
        "nodes": written, "meshes": meshes, "materials": list(materials.values()), "accessors": accessors,
        "bufferViews": views, "buffers": [{"byteLength": len(body)}] if body else [],
    }  # fmt: skip
    header = {"asset": {"version": "2.0", "generator": f"rf3d {__version__}"}, "scene": 0, "scenes": [scene]}
    return {**header, **{name: value for name, value in lists.items() if value}}, body


def _material(piece: Piece) -> dict[str, Any]:
    """Matt, two-sided, of the piece's colour."""
    data: dict[str, Any] = {
        "name": piece.material,
        "doubleSided": True,
        "pbrMetallicRoughness": {"baseColorFactor": list(piece.colour), "metallicFactor": 0.0, "roughnessFactor": 1.0},
    }
    if piece.colour[3] < 1.0:
        data["alphaMode"] = "BLEND"
    return data


def _y_up(points_m: FloatArray) -> FloatArray:
    """Points (..., 3) from z up to y up: (x, y, z) becomes (x, z, −y)."""
    points = np.asarray(points_m, dtype=np.float64)
    return np.stack([points[..., 0], points[..., 2], -points[..., 1]], axis=-1) + 0.0  # no −0
