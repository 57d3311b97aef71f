"""Venues drawn by others, under plans of our own: every path found must obey geometry, counted by brute force."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from rf3d.assessment.links import Link, links_as_json
from rf3d.assessment.run import Solution, solve
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.kernels.crossings import DIFFRACTION, LOBE, REFLECTION, TRANSMISSION
from rf3d.radio.antennas import world_response
from rf3d.units import VACUUM_PERMITTIVITY_F_M, to_db
from tests import twins

Point = tuple[float, float, float]
PLAN = """\
schema = 1
title = "A venue of others"

[venue]
mesh = {mesh}
{told}

{surfaces}

[radio.hopper]
first_channel_hz = 2402e6
last_channel_hz = 2480e6
channel_spacing_hz = 2e6
bandwidth_hz = 2e6
sensitivity_dbm = -90

[antenna.panel]
pattern = "panel"
gain_dbi = 9.0
beamwidth_deg = [60, 60]
polarisation = "vertical"
xpd_db = 20
efficiency = 0.9

{equipment}

[study]
max_reflections = {order}
voxel_m = 0.5
rays = 6400
seed = 1
"""
CENTRE_HZ = 2441e6
Z_UP = {"units": "m", "up": "z"}


def solved(
    folder: Path,
    mesh: Path,
    *,
    told: dict[str, str],
    surfaces: Sequence[str],
    transmitters: Sequence[tuple[Point, Point | None]],
    receivers: Sequence[Point],
    order: int = 2,
) -> Solution:
    """Solve a plan in ``folder``; transmitters with something to aim at are panels, all others upright dipoles."""
    equipment = []
    for number, (position, aim) in enumerate(transmitters):
        antenna = 'upright = true\nantenna = "dipole"' if aim is None else f'aim_at_m = {list(aim)}\nantenna = "panel"'
        equipment.append(
            f'[[transmitter]]\nname = "tx {number}"\nposition_m = {list(position)}\n{antenna}\n'
            'power_dbm = 18\ncable_loss_db = 1\nradio = "hopper"'
        )
    for number, position in enumerate(receivers):
        equipment.append(
            f'[[receiver]]\nname = "rx {number}"\nposition_m = {list(position)}\n'
            'upright = true\nantenna = "dipole"\nradio = "hopper"'
        )
    path = folder / "plan.toml"
    path.write_text(
        PLAN.format(
            mesh=json.dumps(str(mesh)), told="\n".join(f'{key} = "{value}"' for key, value in told.items()),
            surfaces="\n".join(f"[[surface]]\n{row}" for row in surfaces), equipment="\n".join(equipment), order=order,
        ),
        encoding="utf-8",
    )  # fmt: skip
    plan = load_plan(path)
    return solve(plan, load_scene(plan), jobs=Jobs(workers=2))


def surely_blocked(corners: np.ndarray, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Whether each leg (S, 3) to (S, 3) passes clearly inside one of the triangles (M, 3, 3), by Möller–Trumbore.

    Clearly: more than 2 mm from its ends, since faces within 1 mm count as one, and off the rim of the triangle. A leg
    from one edge of a thick wall to the other runs along its face: both ends lie within 1 µm of that plane, and where
    the formula makes them cross is rounding.
    """
    a, e1, e2 = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    answer = np.zeros(len(starts), dtype=bool)
    for i, (start, end) in enumerate(zip(starts, ends, strict=True)):
        way = end - start
        length = np.linalg.norm(way)
        if length < 4e-3:
            continue
        p = np.cross(way, e2)
        det = np.einsum("mi,mi->m", e1, p)
        with np.errstate(divide="ignore", invalid="ignore"):
            s = start - a
            q = np.cross(s, e1)
            u, v = np.einsum("mi,mi->m", s, p) / det, q @ way / det
            along = length * np.einsum("mi,mi->m", q, e2) / det
            inside = (u > 1e-6) & (v > 1e-6) & (u + v < 1 - 1e-6)
            normal = np.cross(e1, e2)
            heights = np.stack([np.einsum("mi,mi->m", end - a, normal) for end in (start, start + way)])
            inside &= (np.abs(heights) > 1e-6 * np.linalg.norm(normal, axis=1)).any(axis=0)
            answer[i] = (inside & (along > 2e-3) & (along < length - 2e-3)).any()
    return answer


def assert_paths_obey_geometry(solution: Solution) -> int:
    """Mirror law off all but small facets, Keller's cone, lengths, free sight and Friis; how many paths."""
    setting = solution.setting
    scene, facets, edges = setting.scene, setting.facets, setting.edges
    opaque = scene.corners_m[setting.opaque[scene.triangle_part]]
    ends = {radio.name: radio for radio in (*solution.plan.transmitters, *solution.plan.receivers)}
    looked_at = 0
    for link in solution.links:
        tx, rx = ends[link.transmitter], ends[link.receiver]
        source, target = scene.to_local(tx.position_m), scene.to_local(rx.position_m)
        starts, stops = [], []
        for p in range(link.paths.count):
            rows = np.arange(link.paths.start[p], link.paths.start[p + 1])
            turns = rows[np.isin(link.paths.kind[rows], (REFLECTION, LOBE, DIFFRACTION))]
            corner = np.vstack([source, link.paths.point_m[turns], target])
            span = np.diff(corner, axis=0)
            length = np.linalg.norm(span, axis=1)
            assert length.sum() == pytest.approx(link.paths.length_m[p], abs=1e-9)
            way = span / length[:, None]
            for i, row in enumerate(turns):
                before, after = way[i], way[i + 1]
                if min(length[i : i + 2]) < 1e-3:
                    continue  # two bounces in one corner
                if link.paths.kind[row] != DIFFRACTION:
                    facet = link.paths.facet[row]
                    normal = facets.normal[facets.plane[facet]]
                    if link.paths.kind[row] == REFLECTION:
                        assert np.allclose(after, before - 2 * (before @ normal) * normal, rtol=0, atol=2e-5)
                    else:
                        assert (before @ normal) * (after @ normal) < 0.0
                    # On its facet's plane to the flatness that makes triangles one facet.
                    own = scene.corners_m[facets.triangle_facet == facet].reshape(-1, 3)
                    assert np.abs((own - link.paths.point_m[row]) @ normal).max() < 2e-3
                    assert (link.paths.point_m[row] > own.min(axis=0) - 1e-3).all()
                    assert (link.paths.point_m[row] < own.max(axis=0) + 1e-3).all()
                else:
                    axis = edges.axis[link.paths.edge[row]]
                    assert before @ axis == pytest.approx(after @ axis, abs=1e-6)
            starts.append(corner[:-1])
            stops.append(corner[1:])
            if len(rows) == 0:
                gain = world_response(tx.antenna, tx.axes, way) @ world_response(rx.antenna, rx.axes, -way)[0]
                friis = np.abs(gain[0]) * twins.C / CENTRE_HZ / (4 * np.pi * length[0])
                sent = tx.power_dbm - tx.cable_loss_db - rx.cable_loss_db
                assert link.path_power_dbm[p] == pytest.approx(sent + 2 * to_db(friis), abs=1e-6)
            looked_at += 1
        if starts:
            assert not surely_blocked(opaque, np.concatenate(starts), np.concatenate(stops)).any()
    return looked_at


def assert_answers_are_numbers(solution: Solution) -> None:
    """JSON without NaN; a link has power exactly when it has a path, and never more than all waves in step."""
    json.dumps(links_as_json(solution.setting, solution.links), allow_nan=False)
    json.dumps([finding.as_json() for finding in solution.findings], allow_nan=False)
    assert len(solution.links) == len(solution.plan.transmitters) * len(solution.plan.receivers)
    for link in solution.links:
        assert np.isfinite(link.mean_power_dbm) == bool(link.paths.count)
        assert 0.0 <= link.chance <= 1.0
        if link.paths.count:
            in_step = 20 * np.log10((10 ** (link.path_power_dbm / 20)).sum())
            assert link.centre_power_dbm <= in_step + 1e-9
            # Nearer than 1 m nobody stands here: 17 dBm, 9 dBi and 2.2 dBi over 40 dB, and not all echoes in step.
            assert link.mean_power_dbm < 17 + 9 + 2.2 - 40.2 + 6


def kinds(link: Link) -> set[int]:
    return set(link.paths.kind.tolist())


def straight_way(link: Link) -> list[int]:
    """Kinds of interaction on the path that does not turn."""
    paths = link.paths
    for p in range(paths.count):
        own = paths.kind[paths.start[p] : paths.start[p + 1]].tolist()
        if not {REFLECTION, LOBE, DIFFRACTION} & set(own):
            return own
    raise AssertionError("no straight way")


def test_box_room_equals_the_closed_form(shared, tmp_path):
    """7 × 12 × 3 m, all walls a half-space of concrete: lengths and powers of all paths of up to three reflections."""
    receivers = [(3.3, 6.1, 1.2), (6.2, 1.1, 1.0), (2.0, 10.4, 1.5), (5.1, 7.3, 0.8)]
    transmitters = [((1.0, 2.0, 2.2), None), ((6.1, 11.2, 2.0), None)]
    solution = solved(
        tmp_path, shared / "venues" / "box_room" / "rect.obj", told=Z_UP, order=3,
        surfaces=['object = "*"\nmaterial = "concrete"\nhalf_space = true'],
        transmitters=transmitters, receivers=receivers,
    )  # fmt: skip
    # ITU-R P.2040-3 Table 3: concrete 5.24, 0.0462 f^0.7822.
    eps = 5.24 - 1j * 0.0462 * 2.441**0.7822 / (2 * np.pi * CENTRE_HZ * VACUUM_PERMITTIVITY_F_M)
    size = np.array([7.0, 12.0, 3.0])
    for link in solution.links:
        tx = np.array(transmitters[int(link.transmitter[-1])][0])
        rx = np.array(receivers[int(link.receiver[-1])])
        expected = twins.box_paths(size, tx, rx, 3, eps, CENTRE_HZ)
        assert link.paths.count == len(expected) == 63
        # Every bounce leaves a share S² of its power to scattering, S = 0.1 for concrete in the catalogue.
        expected = [(bounces, length, amplitude * 0.99 ** (bounces / 2)) for bounces, length, amplitude in expected]
        # The file gives corners to six digits; paths of equal length are told apart by their power.
        got = np.stack([link.paths.length_m, link.path_power_dbm], axis=1)
        want = np.array([(length, 17 + 20 * np.log10(abs(amplitude))) for _, length, amplitude in expected])
        got, want = (rows[np.lexsort((rows[:, 1], np.round(rows[:, 0], 3)))] for rows in (got, want))
        assert np.allclose(got, want, rtol=0, atol=(2e-5, 1e-3))
    assert assert_paths_obey_geometry(solution) == 8 * 63
    assert_answers_are_numbers(solution)


def test_semicircle_hall_is_as_symmetric_as_it_is_drawn(shared, tmp_path):
    """Both halves of the hall are mirror images: from the middle line left and right receivers hear the same.

    Where walls are butted at a corner with vertices of their own, rounding decided whether a line through the edge met
    the other wall: the edge on one side bent waves and its mirror image did not.
    """
    solution = solved(
        tmp_path, shared / "venues" / "semicircle_stage" / "semi.obj", told=Z_UP,
        surfaces=[
            'object = "stage*"\nmaterial = "wood"\nthickness_m = 0.02',
            'object = "floor*"\nmaterial = "concrete"\nhalf_space = true',
            'object = "*"\nmaterial = "plasterboard"\nthickness_m = 0.025',
        ],
        transmitters=[((0.5, 0.0, 2.4), (-10.0, 0.0, 1.5)), ((-5.0, 0.0, 3.1), None)],
        receivers=[(-9.6, 4.5, 1.4), (-9.6, -4.5, 1.4), (-3.1, 2.2, 1.2), (-3.1, -2.2, 1.2)],
    )  # fmt: skip
    assert assert_paths_obey_geometry(solution) > 300
    assert_answers_are_numbers(solution)
    by_name = {(link.transmitter, link.receiver): link for link in solution.links}
    for t in range(2):
        for left, right in ((0, 1), (2, 3)):
            a, b = by_name[f"tx {t}", f"rx {left}"], by_name[f"tx {t}", f"rx {right}"]
            assert a.paths.count == b.paths.count
            assert np.allclose(np.sort(a.paths.length_m), np.sort(b.paths.length_m), rtol=0, atol=1e-4)
            assert a.mean_power_dbm == pytest.approx(b.mean_power_dbm, abs=0.01)
            assert a.verdict == b.verdict == "workable"  # no better while nobody says what else is on the air


def test_one_hall_in_two_files_gives_one_answer(shared, tmp_path):
    """Exported with z up and with y up, the hall is the same: one wall is drawn with one triangle in place of three.

    Nothing is missing where those triangles are, so nothing is masked. Corners differ by up to 0.02 mm, which is
    1e-3 rad of phase: mean powers agree to 1e-4 dB, channels to 0.02 dB.
    """
    folder = shared / "venues" / "assembly_hall"
    answers = [
        solved(
            tmp_path, folder / f"assembly_hall_{up}up.obj", told={"units": "m", "up": up},
            surfaces=[
                'object = "*"\nmesh_material = "Stage"\nmaterial = "wood"\nthickness_m = 0.02',
                'object = "*"\nmesh_material = "Ceil*"\nmaterial = "plasterboard"\nthickness_m = 0.013',
                'object = "*"\nmaterial = "concrete"\nhalf_space = true',
            ],
            transmitters=[((37.2, 37.0, 5.2), (37.2, 5.0, 2.0)), ((5.1, 20.3, 4.5), None)],
            receivers=[(37.1, 4.0, 2.3), (30.3, 7.2, 1.9), (45.0, 25.3, 1.2), (60.2, 12.1, 1.4)],
        )
        for up in "zy"
    ]  # fmt: skip
    z_up, y_up = answers
    assert len(z_up.setting.scene.triangles) - len(y_up.setting.scene.triangles) == 2
    assert z_up.setting.facets.count == y_up.setting.facets.count
    for a, b in zip(z_up.links, y_up.links, strict=True):
        assert a.paths.count == b.paths.count > 40
        assert np.allclose(np.sort(a.paths.length_m), np.sort(b.paths.length_m), rtol=0, atol=5e-5)
        assert a.mean_power_dbm == pytest.approx(b.mean_power_dbm, abs=1e-4)
        assert np.allclose(a.channel_power_dbm, b.channel_power_dbm, rtol=0, atol=0.02)
        assert a.verdict == b.verdict
    assert assert_paths_obey_geometry(z_up) == assert_paths_obey_geometry(y_up)
    assert_answers_are_numbers(z_up)


def test_lab_room_in_millimetres(shared, tmp_path):
    """One nameless object in millimetres: read as 5.2 m across, its oblique walls mirror like any other."""
    solution = solved(
        tmp_path, shared / "venues" / "lab_room_mm" / "lab_room_mm.stl", told={"units": "mm", "up": "z"}, order=3,
        surfaces=['object = "*"\nmaterial = "brick"\nhalf_space = true'],
        transmitters=[((-0.5, 0.5, 2.2), None), ((-4.3, 2.3, 2.0), (-2.0, 2.0, 1.2))],
        receivers=[(-2.3, 3.1, 1.2), (-1.5, 5.3, 1.6), (-3.9, 1.2, 0.8), (-0.7, 3.0, 1.7)],
    )  # fmt: skip
    assert solution.setting.scene.size_m.tolist() == pytest.approx([5.2, 6.047, 2.5], abs=1e-3)
    assert not [f for f in solution.findings if f.code in ("venue-size", "radio-outside")]
    assert assert_paths_obey_geometry(solution) > 400
    assert_answers_are_numbers(solution)
    assert all(link.mean_power_dbm > -45 for link in solution.links)


def test_warehouse_of_steel_racks(shared, tmp_path):
    """54 objects, 15 000 triangles, some of them doubled or without area; glTF tells its own axes and unit."""
    solution = solved(
        tmp_path, shared / "venues" / "warehouse" / "warehouse.glb", told={},
        surfaces=[
            'mesh_material = "Material #946570"\nmaterial = "metal"\nthickness_m = 0.003',
            'object = "ShelfF*"\nmaterial = "metal"\nthickness_m = 0.003',
            'object = "Roof*"\nmaterial = "metal"\nthickness_m = 0.001',
            'object = "Pallet*"\nmaterial = "metal"\nthickness_m = 0.003',
            'object = "Ground*"\nmaterial = "concrete"\nhalf_space = true',
            'object = "Wall*"\nmaterial = "brick"\nthickness_m = 0.2',
            'object = "*"\nmaterial = "wood"\nthickness_m = 0.02',
        ],
        transmitters=[((6.5, -9.0, 7.5), (-2.0, 0.0, 1.0)), ((-1.0, 9.5, 6.0), None)],
        receivers=[(0.5, -5.0, 1.2), (2.2, -2.1, 1.3)],
    )  # fmt: skip
    scene = solution.setting.scene
    assert scene.size_m.tolist() == pytest.approx([14.0, 20.9, 10.2], abs=0.06)
    assert (len(set(scene.objects)), scene.dropped_triangles) == (54, 6)
    assert assert_paths_obey_geometry(solution) > 100
    assert_answers_are_numbers(solution)
    named = {scene.objects[part] for link in solution.links for part in link.paths.part}
    assert any(name.startswith("Roof") for name in named)
    assert any(name.startswith("Shelf") for name in named)
    assert all(-60 < link.mean_power_dbm < -25 for link in solution.links)


def test_a_tunnel_lets_the_straight_way_through(shared, tmp_path):
    """A tunnel of 5 × 2 m runs along x through a block of walls; out of its axis floor and wall stand in the way."""
    solution = solved(
        tmp_path, shared / "venues" / "edge_cases" / "wallhole.obj", told=Z_UP,
        surfaces=['object = "*"\nmaterial = "concrete"\nthickness_m = 0.2'],
        transmitters=[((5.0, 2.5, -5.0), None), ((1.0, 8.8, -2.0), (9.0, 1.0, -5.0))],
        receivers=[(12.0, 2.6, -4.9), (14.0, 8.0, -8.3), (2.0, 2.1, -8.5), (8.0, 7.9, -1.2)],
    )  # fmt: skip
    by_name = {(link.transmitter, link.receiver): link for link in solution.links}
    assert straight_way(by_name["tx 0", "rx 0"]) == []
    assert straight_way(by_name["tx 0", "rx 1"]) == [TRANSMISSION, TRANSMISSION]
    assert assert_paths_obey_geometry(solution) > 100
    assert_answers_are_numbers(solution)


@pytest.mark.parametrize(
    ("file", "surface", "third", "lost"),
    [
        ("soup.stl", 'material = "wood"\nthickness_m = 0.02', (0.6, 0.7, 0.85), set()),
        ("negative_indices.obj", 'material = "metal"\nthickness_m = 0.02', (0.6, 0.7, 0.85), {"rx 2"}),
        ("two_objects.obj", 'material = "wood"', (0.6, 0.7, 1.5), set()),
        ("nancolor.obj", 'material = "wood"', (0.6, 0.7, 1.5), set()),
    ],
)
def test_odd_files_have_answers(shared, tmp_path, file, surface, third, lost):
    """Triangles without order, counted backwards, touching, or of no colour; a receiver inside a steel box is lost."""
    solution = solved(
        tmp_path, shared / "venues" / "edge_cases" / file, told=Z_UP, surfaces=[f'object = "*"\n{surface}'],
        transmitters=[((0.1, 0.2, 3.0), None), ((0.1, 2.9, 0.3), (0.0, 0.0, 0.0))],
        receivers=[(2.0, 2.1, 2.0), (-2.2, 1.0, -0.4), third, (1.4, -2.5, -1.9)],
    )  # fmt: skip
    assert_paths_obey_geometry(solution)
    assert_answers_are_numbers(solution)
    assert {link.receiver for link in solution.links if link.verdict == "lost"} == lost
    assert {f.where for f in solution.findings if f.severity == "fail"} == lost
