# SPDX-License-Identifier: GPL-3.0-or-later
"""GLB files with the standard library alone: what is written for rf3d, and what rf3d writes."""

import json
import struct
from array import array

FLOAT, UINT, BYTE = 5126, 5125, 5121


class Writer:
    """Collects shapes and nodes, then writes them; coordinates stay as Blender holds them, nodes turn them to y up."""

    def __init__(self):
        self.body = bytearray()
        self.views = []
        self.accessors = []
        self.materials = {}
        self.meshes = []
        self.nodes = []

    def add_accessor(self, data, kind, component, **more):
        """Append numbers; gives the accessor's index."""
        raw = data.tobytes()
        width = {"VEC3": 3, "SCALAR": 1}[kind]
        self.views.append({"buffer": 0, "byteOffset": len(self.body), "byteLength": len(raw)})
        self.body += raw
        self.accessors.append(
            {"bufferView": len(self.views) - 1, "componentType": component, "count": len(data) // width, "type": kind,
             **more}
        )  # fmt: skip
        return len(self.accessors) - 1

    def add_shape(self, points, triangles_by_material):
        """Primitives of one shape.

        Parameters
        ----------
        points : array of float, three a vertex
        triangles_by_material : dict of material name to array of vertex numbers, three a triangle
        """
        axes = [points[k::3] for k in range(3)]
        position = self.add_accessor(points, "VEC3", FLOAT, min=[min(a) for a in axes], max=[max(a) for a in axes])
        primitives = []
        for name, indices in triangles_by_material.items():
            data = {"attributes": {"POSITION": position}, "mode": 4}
            data["indices"] = self.add_accessor(indices, "SCALAR", UINT)
            if name:
                data["material"] = self.materials.setdefault(name, len(self.materials))
            primitives.append(data)
        return primitives

    def add_node(self, name, primitives, matrix_rows, scale_m):
        """A node that stands where a Blender matrix puts it.

        The matrix may shear, as a turned child of a parent scaled unevenly does: it is written whole, not as
        translation, rotation and scale.
        """
        x, y, z = ([scale_m * value for value in row] for row in matrix_rows[:3])
        rows = (x, z, [-value for value in y], [0.0, 0.0, 0.0, 1.0])
        self.meshes.append({"name": name, "primitives": primitives})
        matrix = [rows[r][c] + 0.0 for c in range(4) for r in range(4)]
        self.nodes.append({"name": name, "mesh": len(self.meshes) - 1, "matrix": matrix})

    def save(self, path):
        """Write the file."""
        header = {
            "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": list(range(len(self.nodes)))}],
            "nodes": self.nodes, "meshes": self.meshes, "accessors": self.accessors, "bufferViews": self.views,
            "buffers": [{"byteLength": len(self.body)}],
        }  # fmt: skip
        if self.materials:
            header["materials"] = [{"name": name, "doubleSided": True} for name in self.materials]
        text = json.dumps(header, ensure_ascii=False).encode()
        text += b" " * (-len(text) % 4)
        body = bytes(self.body) + b"\0" * (-len(self.body) % 4)
        with open(path, "wb") as file:
            file.write(struct.pack("<4sII", b"glTF", 2, 28 + len(text) + len(body)))
            file.write(struct.pack("<I4s", len(text), b"JSON") + text)
            file.write(struct.pack("<I4s", len(body), b"BIN\0") + body)


class Reader:
    """A GLB file as rf3d writes it: nodes with a place, pieces with arrays, data in extras."""

    def __init__(self, path):
        with open(path, "rb") as file:
            data = file.read()
        if data[:4] != b"glTF":
            raise ValueError(f"{path} is not a GLB file")
        size = struct.unpack_from("<I", data, 12)[0]
        self.header = json.loads(data[20 : 20 + size])
        self._body = memoryview(data)[28 + size :]
        self.extras = self.header["scenes"][0].get("extras", {})

    def nodes(self):
        """(name, place with z up, extras, primitives) of every node."""
        for node in self.header.get("nodes", []):
            x, y, z = node.get("translation", (0.0, 0.0, 0.0))
            mesh = self.header["meshes"][node["mesh"]] if "mesh" in node else {"primitives": []}
            yield node["name"], (x, -z, y), node.get("extras", {}), mesh["primitives"]

    def material(self, primitive):
        """(name, linear colour with opacity) of a primitive, or None."""
        if "material" not in primitive:
            return None
        material = self.header["materials"][primitive["material"]]
        return material["name"], material["pbrMetallicRoughness"]["baseColorFactor"]

    def numbers(self, index):
        """The numbers of an accessor as a flat array."""
        accessor = self.header["accessors"][index]
        view = self.header["bufferViews"][accessor["bufferView"]]
        # 32-bit signed stands for the unsigned indices: Blender takes the first without conversion.
        kept = array({FLOAT: "f", UINT: "i", BYTE: "B"}[accessor["componentType"]])
        start = view.get("byteOffset", 0)
        kept.frombytes(self._body[start : start + view["byteLength"]])
        return kept
