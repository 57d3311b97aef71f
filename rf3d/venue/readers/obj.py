"""Read Wavefront OBJ text: which triangles, of which object, with which mesh material.

The general reader loses what a venue needs: material names go with a missing .mtl, object
and material are glued into one name, relative indices count from the end of the file, and
polygons that are not convex become fans that stick out of the wall.
Source: Wavefront Technologies, Object Files (.obj), Advanced Visualizer Manual, appendix B1.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from rf3d.errors import InputError
from rf3d.units import FloatArray, IntArray

Mesh = tuple[FloatArray, IntArray, IntArray, tuple[tuple[str, str], ...]]
"""Vertices (V, 3), triangles (M, 3), part of each triangle (M,), and (object, mesh material) of each part."""


def read_obj(path: Path) -> Mesh:
    """Triangles of an OBJ file in the file's own units and axes.

    The object is the ``o`` name; in a file without any, the ``g`` name; else the file's name. The mesh
    material is the ``usemtl`` name, whether or not the .mtl is there. Points and lines are left out.

    Raises
    ------
    InputError
        A line that is not OBJ, with its number.
    """
    lines = _text(path).splitlines()
    has_objects = any(line.startswith("o ") for line in lines)
    points: list[tuple[float, float, float]] = []
    faces: list[tuple[int, int, int]] = []
    face_part: list[int] = []
    parts: dict[tuple[str, str], int] = {}
    name, material = path.stem, ""
    at = (0, "")
    try:
        for at in _joined(lines):
            key, _, rest = at[1].strip().partition(" ")
            if key == "v":
                x, y, z = rest.split()[:3]
                points.append((float(x), float(y), float(z)))
            elif key == "f":
                corners = [_index(word, len(points)) for word in rest.split()]
                part = parts.setdefault((name, material), len(parts))
                for triangle in _triangles(corners, points):
                    faces.append(triangle)
                    face_part.append(part)
            elif key == "usemtl":
                material = rest.strip()
            elif key == "o" or (key == "g" and not has_objects):
                name = rest.strip() or path.stem
    except (ValueError, IndexError) as error:
        raise InputError(
            f"line {at[0]} of {path.name} is {_short(at[1])}",
            str(error) if isinstance(error, _FaceError) else 'a vertex is "v x y z", a face "f" and vertex numbers',
            "export the mesh again, as triangles",
        ) from error
    return (
        np.array(points, dtype=np.float64).reshape(-1, 3),
        np.array(faces, dtype=np.int32).reshape(-1, 3),
        np.array(face_part, dtype=np.int32),
        tuple(parts),
    )


CROSSED = "the outline of a face must not cross itself"


class _FaceError(ValueError):
    """What is wrong with a face, in words for the user."""


def _text(path: Path) -> str:
    data = path.read_bytes()
    if b"\0" in data[:4096]:
        raise InputError(
            f"{path.name} is not text", "an OBJ file is", "export the mesh again, or name it by its format"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _joined(lines: list[str]) -> list[tuple[int, str]]:
    """Numbered lines, those that end in a backslash joined with the next."""
    joined: list[tuple[int, str]] = []
    start, held = 0, ""
    for number, line in enumerate(lines, start=1):
        start = start or number
        if line.endswith("\\"):
            held += line[:-1] + " "
            continue
        joined.append((start, held + line))
        start, held = 0, ""
    return [*joined, (start, held)] if held else joined


def _short(line: str) -> str:
    text = line.strip()
    return f'"{text}"' if len(text) <= 60 else f'"{text[:57]}…"'


def _index(word: str, count: int) -> int:
    """Vertex index of a face's word: counted from 1, or backwards from the last vertex read so far."""
    number = int(word.partition("/")[0])
    index = number - 1 if number > 0 else count + number
    if number == 0 or not 0 <= index < count:
        raise _FaceError(f"only vertices 1 to {count} stand before it")
    return index


def _triangles(corners: list[int], points: list[tuple[float, float, float]]) -> list[tuple[int, int, int]]:
    """A polygon as triangles; one of two corners becomes a triangle without area, to be counted as dropped."""
    if len(corners) < 3:
        return [(corners[0], corners[-1], corners[-1])]
    if len(corners) == 3:
        return [(corners[0], corners[1], corners[2])]
    outline = np.array([points[c] for c in corners])
    if not np.isfinite(outline).all():
        return [(corners[0], corners[i], corners[i + 1]) for i in range(1, len(corners) - 1)]
    return [(corners[a], corners[b], corners[c]) for a, b, c in ear_clip(outline)]


def ear_clip(outline_m: FloatArray) -> list[tuple[int, int, int]]:
    """Triangles (indices) that fill a flat polygon (K, 3), convex or not.

    Source: two-ears theorem, G. H. Meisters, Amer. Math. Monthly 82, 648 (1975); from memory.
    """
    # Newell's normal; its largest component names the plane to flatten into.
    following = np.roll(outline_m, -1, axis=0)
    normal = np.cross(outline_m - outline_m[0], following - outline_m[0]).sum(axis=0)
    extent = np.ptp(outline_m, axis=0)
    # An outline that crosses itself may enclose no net area: its flattest direction serves as well.
    axis = int(np.argmax(np.abs(normal)) if np.abs(normal).max() > 1e-12 * extent.max() ** 2 else np.argmin(extent))
    flat = np.delete(outline_m, axis, axis=1)
    if (normal[axis] < 0) != (axis == 1):
        flat = flat[:, ::-1]
    rounding = 1e-12 * float(extent.max()) ** 2
    left = list(range(len(flat)))
    found: list[tuple[int, int, int]] = []
    while len(left) > 3:
        turns = [_doubled_area(flat, left, k) for k in range(len(left))]
        ears = [k for k in range(len(left)) if turns[k] > 0 and _is_ear(flat, left, k)]
        if ears:
            ear = max(ears, key=lambda k: turns[k])
        else:
            # Only corners that do not turn may be cut off flat: kept to the last, they hold neighbours together.
            ear = int(np.argmin(np.abs(turns)))
            if abs(turns[ear]) > rounding:
                raise _FaceError(CROSSED)
        found.append((left[ear - 1], left[ear], left[(ear + 1) % len(left)]))
        del left[ear]
    if _doubled_area(flat, left, 1) < -rounding:
        raise _FaceError(CROSSED)
    return [*found, (left[0], left[1], left[2])]


def _doubled_area(flat: FloatArray, left: list[int], k: int) -> float:
    a, b, c = flat[left[k - 1]], flat[left[k]], flat[left[(k + 1) % len(left)]]
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _is_ear(flat: FloatArray, left: list[int], k: int) -> bool:
    """Whether no other corner lies in the triangle at corner k; corners that coincide with its own do not count."""
    a, b, c = flat[left[k - 1]], flat[left[k]], flat[left[(k + 1) % len(left)]]
    corners = np.array([a, b, c])
    others = flat[[i for j, i in enumerate(left) if j not in ((k - 1) % len(left), k, (k + 1) % len(left))]]
    others = others[(np.abs(others[:, None] - corners).max(axis=2) > 0).all(axis=1)]
    inside = np.ones(len(others), dtype=bool)
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        inside &= way[0] * (others[:, 1] - start[1]) - way[1] * (others[:, 0] - start[0]) >= 0
    return not inside.any()
