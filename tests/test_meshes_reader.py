"""Meshes as the world exports them: names, units, axes, transforms, and the traps of each format."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh

from rf3d.errors import InputError, MissingPartError
from rf3d.venue.readers.meshes import UNITS_M, read_mesh
from rf3d.venue.readers.obj import ear_clip, read_obj
from rf3d.venue.scene import Scene
from tests.conftest import write_obj
from tests.scenes import block, room


def areas_m2(scene: Scene) -> np.ndarray:
    a, b, c = np.moveaxis(scene.corners_m, 1, 0)
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1)


def world_triangles(scene: Scene) -> np.ndarray:
    """Triangles in world coordinates, sorted, rounded to a micrometre: equal for equal geometry in any order."""
    corners = np.round(scene.to_world(scene.corners_m), 6) + 0.0
    ordered = np.array([sorted(map(tuple, triangle)) for triangle in corners.tolist()]).reshape(-1, 9)
    return ordered[np.lexsort(ordered.T)]


def volume_m3(scene: Scene) -> float:
    corners = scene.corners_m
    return abs(float(np.einsum("mi,mi->m", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum())) / 6.0


VENUES = [
    # file, told, size in metres, triangles, parts: from the description of the files
    ("box_room/rect.obj", {"units": "m", "up": "z"}, (7.0, 12.0, 3.0), 12, 6),
    ("semicircle_stage/semi.obj", {"units": "m", "up": "z"}, (12.5, 16.6, 3.65), 182, 13),
    ("assembly_hall/assembly_hall_zup.obj", {"units": "m", "up": "z"}, (74.5, 38.4, 7.1), 680, 6),
    ("assembly_hall/assembly_hall_yup.obj", {"units": "m", "up": "y"}, (74.5, 38.4, 7.1), 678, 7),
    ("lab_room_mm/lab_room_mm.stl", {"units": "mm", "up": "z"}, (5.2, 6.047, 2.5), 24, 1),
    ("warehouse/warehouse.glb", {}, (14.0, 20.9, 10.2), 14997, 54),
]


@pytest.mark.parametrize(("file", "told", "size_m", "triangles", "parts"), VENUES, ids=lambda v: str(v)[:30])
def test_venues_of_others(shared, file, told, size_m, triangles, parts):
    scene = read_mesh(shared / "venues" / file, **told)
    np.testing.assert_allclose(scene.size_m, size_m, atol=0.06)
    assert (len(scene.triangles), len(scene.parts)) == (triangles, parts)


def test_both_axes_of_one_hall_agree(shared):
    """The hall was exported with z up and with y up; the second lacks two triangles but encloses the same air."""
    folder = shared / "venues" / "assembly_hall"
    z_up = read_mesh(folder / "assembly_hall_zup.obj", units="m", up="z")
    y_up = read_mesh(folder / "assembly_hall_yup.obj", units="m", up="y")
    np.testing.assert_allclose(y_up.to_world(y_up.bounds_m), z_up.to_world(z_up.bounds_m), atol=1e-3)
    # Volumes about the local origins, which coincide; the published figure is for the closed file.
    assert volume_m3(z_up) == pytest.approx(14238.5, abs=0.1)
    first = {tuple(row) for row in np.round(world_triangles(z_up), 3)}
    second = {tuple(row) for row in np.round(world_triangles(y_up), 3)}
    assert len(second - first) <= 0.02 * len(first)


def test_names_of_objects_and_materials_survive(shared):
    scene = read_mesh(shared / "venues" / "box_room" / "rect.obj", units="m", up="z")
    assert scene.parts == tuple((f"Cube.00{i}_Cube.00{i + 1}", f"Material.00{i}") for i in range(1, 7))
    nodes = trimesh.load_scene(shared / "venues" / "warehouse" / "warehouse.glb", process=False).graph.nodes_geometry
    warehouse = read_mesh(shared / "venues" / "warehouse" / "warehouse.glb")
    assert sorted(warehouse.objects) == sorted(nodes)


def test_material_names_outlive_the_material_file(shared, tmp_path):
    """The names stand in the OBJ file itself; the .mtl beside it holds only colours."""
    text = (shared / "venues" / "semicircle_stage" / "semi.obj").read_bytes()
    (tmp_path / "semi.obj").write_bytes(text)
    alone = read_mesh(tmp_path / "semi.obj", units="m", up="z")
    whole = read_mesh(shared / "venues" / "semicircle_stage" / "semi.obj", units="m", up="z")
    assert alone.parts == whole.parts
    assert ("stage_Cube.001", "stage") in alone.parts
    assert alone.digest == whole.digest


@pytest.mark.parametrize("file", ["box_room/rect.obj", "semicircle_stage/semi.obj", "edge_cases/two_objects.obj"])
def test_obj_triangles_are_those_of_another_reader(shared, file):
    path = shared / "venues" / file
    other = trimesh.load_scene(path, process=False, split_objects=True).to_geometry()
    vertices, triangles, _, _ = read_obj(path)
    ours, theirs = vertices[triangles], other.vertices[other.faces]
    np.testing.assert_allclose(
        np.sort(ours.reshape(len(ours), 9), axis=0), np.sort(theirs.reshape(len(theirs), 9), axis=0), atol=1e-12
    )


# ---------------------------------------------------------------------------------------------- edge cases
@pytest.mark.parametrize(
    ("file", "triangles"),
    [("nancolor.obj", 12), ("negative_indices.obj", 12), ("soup.stl", 100), ("two_objects.obj", 16)],
)
def test_odd_files_that_hold_a_scene(shared, file, triangles):
    """Colours that are NaN, indices counted backwards, faces that share nothing: all are geometry."""
    scene = read_mesh(shared / "venues" / "edge_cases" / file, units="m", up="z")
    assert len(scene.triangles) == triangles
    assert scene.dropped_triangles == 0
    assert np.isfinite(scene.vertices_m).all()


def test_wall_with_a_hole_keeps_its_hole(shared):
    """Its faces are polygons, some not convex; split into fans they cover 40 m² of the hole.

    The area of a flat polygon is half the length of Σ pᵢ × pᵢ₊₁, whatever its shape.
    """
    path = shared / "venues" / "edge_cases" / "wallhole.obj"
    text = path.read_text().replace("\\\n", " ").splitlines()
    points = np.array([line.split()[1:4] for line in text if line.startswith("v ")], dtype=float)
    total = 0.0
    for line in text:
        if line.startswith("f "):
            outline = points[[int(word.split("/")[0]) - 1 for word in line.split()[1:]]]
            total += 0.5 * np.linalg.norm(np.cross(outline, np.roll(outline, -1, axis=0)).sum(axis=0))
    scene = read_mesh(path, units="m", up="z")
    assert areas_m2(scene).sum() == pytest.approx(total, rel=1e-12)
    fans = trimesh.load_scene(path, process=False).to_geometry()
    assert fans.area == pytest.approx(total + 40.0, abs=1e-6)


@pytest.mark.parametrize(
    ("file", "says"),
    [
        ("empty.obj", "holds no geometry"),
        ("empty.stl", "holds no geometry"),
        ("empty_nodes.glb", "holds no geometry"),
        ("points_ascii.ply", "points or lines but no triangle"),
    ],
)
def test_files_without_a_surface_are_refused(shared, file, says):
    told = {} if file.endswith("glb") else {"units": "m", "up": "z"}
    with pytest.raises(InputError, match=says):
        read_mesh(shared / "venues" / "edge_cases" / file, **told)


# ---------------------------------------------------------------------------------------------- polygons
@pytest.mark.parametrize("start", range(10))
@pytest.mark.parametrize("reverse", [False, True])
def test_polygons_of_any_shape_are_filled_exactly(start, reverse):
    """A comb with a corner on a straight side: triangles must not leave it, and their areas must add to its own."""
    outline = np.array([(0, 0), (2, 0), (4, 0), (4, 3), (3, 3), (3, 1), (1, 1), (1, 3), (0.5, 3), (0, 3)], dtype=float)
    outline = np.roll(outline, start, axis=0)
    outline = outline[::-1] if reverse else outline
    turned = np.column_stack([outline[:, 0], np.full(10, 7.0), outline[:, 1]])
    triangles = np.array(ear_clip(turned))
    assert len(triangles) == 8
    corners = outline[triangles]
    (ax, ay), (bx, by) = (corners[:, 1] - corners[:, 0]).T, (corners[:, 2] - corners[:, 0]).T
    doubled = ax * by - ay * bx
    assert (doubled > 0).all() or (doubled < 0).all()
    assert abs(doubled.sum()) / 2 == pytest.approx(4 * 3 - 2 * 2, rel=1e-12)


def test_relative_indices_count_from_where_they_stand(tmp_path):
    """−1 is the last vertex read so far, not the last of the file; the general reader takes the second object twice."""
    (tmp_path / "two.obj").write_text(
        "o a\nv 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\no b\nv 0 0 5\nv 1 0 5\nv 0 1 5\nf -3 -2 -1\n"
    )
    scene = read_mesh(tmp_path / "two.obj", units="m", up="z")
    assert sorted(scene.to_world(scene.corners_m)[:, :, 2].mean(axis=1)) == [0.0, 5.0]
    assert scene.objects == ("a", "b")


def test_group_names_serve_where_there_are_no_objects(tmp_path):
    face = "v 0 0 {0}\nv 1 0 {0}\nv 0 1 {0}\nf -3 -2 -1\n"
    (tmp_path / "g.obj").write_text("g left wall\n" + face.format(0) + "g right wall\n" + face.format(1))
    assert read_mesh(tmp_path / "g.obj", units="m", up="z").objects == ("left wall", "right wall")
    (tmp_path / "og.obj").write_text("o house\ng left\n" + face.format(0) + "g right\n" + face.format(1))
    assert read_mesh(tmp_path / "og.obj", units="m", up="z").objects == ("house",)


def test_faces_without_area_are_counted_not_lost(tmp_path):
    (tmp_path / "d.obj").write_text("v 0 0 0\nv 1 0 0\nv 0 1 0\nv 2 0 0\nf 1 2 3\nf 1 2 4\nf 1 2\nf 3 3 1\n")
    scene = read_mesh(tmp_path / "d.obj", units="m", up="z")
    assert (len(scene.triangles), scene.dropped_triangles) == (1, 3)


# ---------------------------------------------------------------------------------------------- units and axes
@pytest.mark.parametrize("units", list(UNITS_M))
@pytest.mark.parametrize("ending", ["obj", "stl", "ply", "off"])
def test_units_scale_and_axes_turn(tmp_path, ending, units):
    """A box of 2 × 3 × 4 with y up: (x, y, z) goes to (x, −z, y)."""
    box = trimesh.Trimesh(*block("box", (1, 2, 3), (3, 5, 7))[1:], process=False)
    box.export(tmp_path / f"box.{ending}")
    scene = read_mesh(tmp_path / f"box.{ending}", units=units, up="y")
    scale = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254}[units]
    bounds = scene.to_world(scene.bounds_m) / scale
    np.testing.assert_allclose(bounds, [(1, -7, 2), (3, -3, 5)], rtol=1e-6)
    assert len(scene.triangles) == 12
    assert scene.dropped_triangles == 0


def test_a_turn_is_a_turn_and_no_mirror(tmp_path):
    """The mesh must keep its handedness: the signed volume keeps its sign."""
    path = write_obj(tmp_path / "box.obj", [block("box", (0, 0, 0), (1, 2, 3))])
    signed = []
    for up in ("z", "y"):
        corners = read_mesh(path, units="m", up=up).corners_m
        signed.append(float(np.einsum("mi,mi->m", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])).sum()))
    assert signed[0] == pytest.approx(signed[1], rel=1e-9)
    assert abs(signed[0]) == pytest.approx(36.0, rel=1e-9)


def glb(path: Path, nodes: list[dict], meshes: list[dict], *, extra: dict | None = None) -> Path:
    """A GLB file with one triangle (0,0,0) (1,0,0) (0,1,0) as accessor 0."""
    data = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0]], dtype="<f4").tobytes()
    children = {child for node in nodes for child in node.get("children", [])}
    header = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [i for i in range(len(nodes)) if i not in children]}],
        "nodes": nodes,
        "meshes": meshes,
        "materials": [{"name": "Velour"}, {"name": "Steel"}],
        "buffers": [{"byteLength": len(data)}],
        "bufferViews": [{"buffer": 0, "byteLength": len(data)}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3"}],
        **(extra or {}),
    }
    text = json.dumps(header).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<II", len(text), 0x4E4F534A) + text + struct.pack("<II", len(data), 0x004E4942) + data
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks)
    return path


TRIANGLE = {"attributes": {"POSITION": 0}}


def test_glb_applies_every_transform_above_an_object(tmp_path):
    """Parent moved by 10 along x, child scaled by 2 and used twice: instances are objects of their own."""
    path = glb(
        tmp_path / "t.glb",
        [
            {"name": "stage", "translation": [10, 0, 0], "children": [1, 2]},
            {"name": "flat left", "mesh": 0, "scale": [2, 2, 2]},
            {"name": "flat right", "mesh": 0, "translation": [0, 0, 5]},
        ],
        [{"name": "flat", "primitives": [{**TRIANGLE, "material": 0}]}],
    )
    scene = read_mesh(path)
    assert scene.parts == (("flat left", "Velour"), ("flat right", "Velour"))
    corners = {
        name: scene.to_world(scene.corners_m[scene.triangle_part == i])[0].tolist()
        for i, (name, _) in enumerate(scene.parts)
    }
    assert corners["flat left"] == [[10, 0, 0], [12, 0, 0], [10, 0, 2]]
    assert corners["flat right"] == [[10, -5, 0], [11, -5, 0], [10, -5, 1]]


def test_pieces_of_one_glb_object_keep_its_name(tmp_path):
    """A mesh with two materials is two primitives; both belong to the object, with a material each."""
    meshes = [{"name": "door", "primitives": [{**TRIANGLE, "material": 0}, {**TRIANGLE, "material": 1}, TRIANGLE]}]
    path = glb(tmp_path / "d.glb", [{"name": "scene dock door", "mesh": 0}], meshes)
    assert read_mesh(path).parts == (
        ("scene dock door", ""),
        ("scene dock door", "Steel"),
        ("scene dock door", "Velour"),
    )


def test_nodes_without_a_name_go_by_their_mesh(tmp_path):
    path = glb(tmp_path / "n.glb", [{"mesh": 0}], [{"name": "booth glass", "primitives": [TRIANGLE]}])
    assert read_mesh(path).objects == ("booth glass",)


@pytest.mark.parametrize(
    ("primitive", "extra", "says"),
    [
        (TRIANGLE, {"extensionsRequired": ["KHR_draco_mesh_compression"]}, "KHR_draco_mesh_compression"),
        (TRIANGLE, {"extensionsRequired": ["KHR_mesh_quantization"]}, "KHR_mesh_quantization"),
        ({**TRIANGLE, "mode": 6}, {}, "triangle fan"),
    ],
)
def test_glb_that_would_be_misread_is_refused(tmp_path, primitive, extra, says):
    path = glb(tmp_path / "x.glb", [{"name": "a", "mesh": 0}], [{"primitives": [primitive]}], extra=extra)
    with pytest.raises(InputError, match=says):
        read_mesh(path)


def test_looks_do_not_keep_a_glb_out(tmp_path):
    extra = {"extensionsRequired": ["KHR_materials_unlit"]}
    path = glb(tmp_path / "x.glb", [{"name": "a", "mesh": 0}], [{"primitives": [TRIANGLE]}], extra=extra)
    assert len(read_mesh(path).triangles) == 1


def test_solids_of_a_text_stl_are_objects(tmp_path):
    facet = "facet normal 0 0 1\nouter loop\nvertex 0 0 {0}\nvertex 1 0 {0}\nvertex 0 1 {0}\nendloop\nendfacet\n"
    (tmp_path / "two.stl").write_text(
        f"solid front wall\n{facet.format(0)}endsolid front wall\nsolid roof\n{facet.format(3)}endsolid roof\n"
    )
    assert read_mesh(tmp_path / "two.stl", units="m", up="z").objects == ("front wall", "roof")


def test_the_same_file_gives_the_same_digest(tmp_path):
    path = write_obj(tmp_path / "room.obj", room((8, 6, 4)))
    first, second = (read_mesh(path, units="m", up="z") for _ in range(2))
    assert first.digest == second.digest
    assert read_mesh(path, units="ft", up="z").digest != first.digest


# ---------------------------------------------------------------------------------------------- refusals
@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({}, 'units of "room.obj" is not given.*m, cm, mm, ft or in'),
        ({"units": "m"}, 'up of "room.obj" is not given.*y or z'),
        ({"units": "yd", "up": "z"}, 'units of "room.obj" is "yd".*m, cm, mm, ft or in'),
        ({"units": "m", "up": "x"}, 'up of "room.obj" is "x".*y or z'),
    ],
)
def test_unit_and_axis_must_be_told(tmp_path, told, says):
    path = write_obj(tmp_path / "room.obj", room((8, 6, 4)))
    with pytest.raises(InputError, match=says):
        read_mesh(path, **told)


@pytest.mark.parametrize(("key", "value"), [("units", "mm"), ("up", "z")])
def test_a_glb_is_in_metres_with_y_up(tmp_path, key, value):
    path = glb(tmp_path / "x.glb", [{"name": "a", "mesh": 0}], [{"primitives": [TRIANGLE]}])
    with pytest.raises(InputError, match=f"{key} of .* metres with y up"):
        read_mesh(path, **{key: value})


def test_dae_needs_a_package_that_is_named(tmp_path):
    if pytest.importorskip("importlib.util").find_spec("collada") is not None:
        pytest.skip("pycollada is installed here")
    (tmp_path / "x.dae").write_text("<COLLADA/>")
    with pytest.raises(MissingPartError, match="pip install pycollada"):
        read_mesh(tmp_path / "x.dae", units="m", up="z")


TRIANGLE_OBJ = "v {} 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\n"


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("gone.glb", None, "there is no mesh file"),
        ("plan.png", b"", 'ends in ".png".*GLB'),
        ("nan.obj", TRIANGLE_OBJ.format("nan").encode(), "NaN or infinite"),
        ("inf.obj", TRIANGLE_OBJ.format("1e999").encode(), "NaN or infinite"),
        ("far.obj", TRIANGLE_OBJ.format("1e200").encode(), "within 1e\\+08 m"),
        ("line.obj", b"v 0 0 0\nv 1 0 0\nv 2 0 0\nf 1 2 3\n", "none of them has an area"),
        ("index.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", 'line 4 of index.obj is "f 1 2 9".*1 to 3'),
        ("zero.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 0 1 2\n", "line 4 of zero.obj"),
        ("word.obj", b"v 0 0 zero\n", 'line 1 of word.obj is "v 0 0 zero"'),
        ("bow.obj", b"v 0 0 0\nv 1 1 0\nv 1 0 0\nv 0 1 0\nf 1 2 3 4\n", "line 5.*cross itself"),
        ("binary.obj", bytes(range(256)), "is not text"),
        ("short.glb", b"glTF", "cut off or damaged"),
        ("text.glb", b"this is not a glb file at all", "cannot be read"),
        ("list.gltf", b"[]", "cannot be read"),
        ("text.ply", b"hello", "cannot be read"),
        ("text.off", b"hello", "cannot be read"),
        ("nan.off", b"OFF\n3 1 0\nnan 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", "NaN or infinite"),
        ("noise.stl", bytes(range(256)) * 3, "holds no geometry|cannot be read"),
    ],
)
def test_what_cannot_be_a_venue_is_refused_in_one_sentence(tmp_path, name, content, says):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    told = {} if name.endswith(("glb", "gltf")) else {"units": "m", "up": "z"}
    with pytest.raises(InputError, match=says) as refused:
        read_mesh(tmp_path / name, **told)
    assert "\n" not in str(refused.value)
