"""What ``scripts.bench`` measures of the received-power volume: speed, threads, growth, precision for time.

Ratios are taken in one run, in turns, each from the best of several, since other work on a machine only slows down.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from rf3d.assessment.coverage import zone_voxels
from rf3d.assessment.run import ready
from rf3d.jobs import Jobs
from rf3d.plan import Plan, load_plan, load_scene
from rf3d.plan_surfaces import assign_surfaces
from rf3d.propagation.grid import Grid, make_grid
from rf3d.propagation.kernels.interfaces import opaque_parts
from rf3d.propagation.paths import Setting, prepare
from rf3d.propagation.precision import Until
from rf3d.propagation.volume import TransmitterVolume, trace_volume
from rf3d.radio.radios import Transmitter
from rf3d.venue.facets import find_facets
from rf3d.venue.scene import Scene, make_scene
from rf3d.venue.zones import Zone

DEMOS = Path(__file__).parents[1] / "meshes_demo"
BATCH, ROUNDS = 16_384, 20
VOXEL_M = 0.5


@dataclass(frozen=True, eq=False)
class Hall:
    """A venue made ready, with one transmitter and the voxels it is measured on."""

    mesh: str
    setting: Setting
    transmitter: Transmitter
    grid: Grid
    max_reflections: int
    zones: tuple[Zone, ...] = ()

    def volume(self, rays: int, workers: int, *, reflections: int | None = None, **more: Any) -> TransmitterVolume:
        """Trace it."""
        return trace_volume(
            self.setting, self.transmitter, grid=self.grid, rays=rays, seed=1, jobs=Jobs(workers=workers),
            max_reflections=self.max_reflections if reflections is None else reflections, **more,
        )  # fmt: skip


def hall_of(plan_path: Path) -> Hall:
    """The first transmitter of a plan in its venue, on voxels of ``VOXEL_M``; everything compiled and warm."""
    plan = load_plan(plan_path)
    scene = load_scene(plan)
    hall = Hall(
        plan.mesh_path.name, ready(plan, scene), plan.transmitters[0], make_grid(scene, VOXEL_M),
        plan.study.max_reflections, plan.zones,
    )  # fmt: skip
    hall.volume(6_400, 1)
    return hall


def in_turns(
    works: dict[str, Callable[[], object]], repeats: int, *, clock: Callable[[], float] = time.perf_counter
) -> dict[str, float]:
    """Shortest time of each of several works, done one after the other and again."""
    best = dict.fromkeys(works, np.inf)
    for _ in range(repeats):
        for name, work in works.items():
            begin = clock()
            work()
            best[name] = min(best[name], clock() - begin)
    return best


def raw_rays(setting: Setting, threads: int) -> int:
    """First hits over all threads, from random places in the venue in random directions; answers how many."""
    generator = np.random.default_rng(1)
    low, high = setting.scene.bounds_m
    origins = generator.uniform(low, high, (BATCH, 3))
    ways = generator.normal(size=(BATCH, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]

    def rounds(_: int) -> None:
        for _ in range(ROUNDS):
            setting.tracer.nearest(origins, ways)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(rounds, range(threads)))
    return threads * ROUNDS * BATCH


def speed(hall: Hall, *, rays: int, cores: int, repeats: int) -> dict[str, float]:
    """Rates on one thread and what all cores bring: end to end, of the rays alone, and of first hits.

    End to end is all of ``trace_volume``, direct field and edges included.
    """
    answers: list[TransmitterVolume] = []
    best = in_turns(
        {
            "raw": lambda: raw_rays(hall.setting, 1),
            "raw_all": lambda: raw_rays(hall.setting, cores),
            "direct": lambda: hall.volume(rays, 1, reflections=0),
            "direct_all": lambda: hall.volume(rays, cores, reflections=0),
            "whole": lambda: answers.append(hall.volume(rays, 1)),
            "whole_all": lambda: hall.volume(rays, cores),
        },
        repeats,
    )
    segments, raw = answers[0].segments, ROUNDS * BATCH / best["raw"]
    return {
        "embree_rays_per_s": raw, "embree_threads_speedup": cores * best["raw"] / best["raw_all"],
        "volume_rays": answers[0].rays, "volume_s": best["whole"], "volume_all_cores_s": best["whole_all"],
        "direct_s": best["direct"], "direct_threads_speedup": best["direct"] / best["direct_all"],
        "volume_segments_per_s": segments / best["whole"], "volume_over_embree": segments / best["whole"] / raw,
        "rays_alone_over_embree": segments / (best["whole"] - best["direct"]) / raw,
        "threads_speedup": best["whole"] / best["whole_all"],
        "rays_alone_threads_speedup": (best["whole"] - best["direct"]) / (best["whole_all"] - best["direct_all"]),
        "volume_median_std_error_db": float(np.nanmedian(answers[0].std_error_db)),
        "volume_ledger_imbalance": answers[0].ledger.imbalance,
    }  # fmt: skip


def rays_alone(hall: Hall, *, rays: int, repeats: int, **more: Any) -> tuple[TransmitterVolume, dict[str, float]]:
    """A volume without edges on one thread, and the seconds of its rays and of its direct field."""
    answers: list[TransmitterVolume] = []
    best = in_turns(
        {
            "direct": lambda: hall.volume(rays, 1, reflections=0, edges=False, **more),
            "whole": lambda: answers.append(hall.volume(rays, 1, edges=False, **more)),
        },
        repeats,
    )
    spent = {"rays": rays, "rays_s": best["whole"] - best["direct"], "direct_s": best["direct"]}
    return answers[0], spent


def growth(hall: Hall, *, rays: int, repeats: int, edges: bool) -> dict[str, float]:
    """Processor seconds of one thread: of all of a volume, edges included where there are any, and of its rays."""
    best = in_turns(
        {
            "direct": lambda: hall.volume(rays, 1, reflections=0, edges=edges),
            "whole": lambda: hall.volume(rays, 1, edges=edges),
        },
        repeats,
        clock=time.process_time,
    )
    return {"rays": rays, "whole_s": best["whole"], "rays_s": best["whole"] - best["direct"]}


def against_voxels(hall: Hall, *, rays: int, repeats: int) -> list[dict[str, float]]:
    """Seconds for one number of rays over more and more voxels, and against the cube root of their number."""
    size_m = float(np.prod(hall.setting.scene.size_m)) ** (1.0 / 3.0)
    rows: list[dict[str, float]] = []
    for wanted in (10_000, 100_000, 1_000_000):
        there = replace(hall, grid=make_grid(hall.setting.scene, size_m / wanted ** (1.0 / 3.0)))
        row = {"voxels": there.grid.count, **growth(there, rays=rays, repeats=repeats, edges=True)}
        first = rows[0] if rows else row
        root = (row["voxels"] / first["voxels"]) ** (1.0 / 3.0)
        row |= {f"{name}_over_root": row[f"{name}_s"] / first[f"{name}_s"] / root for name in ("whole", "rays")}
        rows.append(row)
    return rows


def against_triangles(plan_path: Path, *, rays: int, repeats: int) -> list[dict[str, float]]:
    """Seconds for one number of rays in the largest objects of a venue, their triangles cut into four again and again.

    The surfaces stay where they are, so the rays do too: only the number of triangles grows. ``ready_s`` is what the
    venue takes to be made ready, facets, sheets and solids, and the tracer.
    """
    plan = load_plan(plan_path)
    scene = _largest_objects(load_scene(plan), 1_000)
    _bare_hall(plan, scene)
    rows: list[dict[str, float]] = []
    for cuts in (0, 2, 2, 1):
        for _ in range(cuts):
            scene = subdivided(scene)
        begin = time.process_time()
        hall = _bare_hall(plan, scene)
        row = {"triangles": len(scene.triangles), "ready_s": time.process_time() - begin}
        row |= growth(hall, rays=rays, repeats=repeats, edges=False)
        rows.append(row | {"whole_over_first": row["whole_s"] / (rows[0] if rows else row)["whole_s"]})
    return rows


def until(hall: Hall, *, error_db: float, share: float, of_zones: bool, cores: int, repeats: int) -> dict[str, Any]:
    """Seconds, and rays, until a share of the voxels, or of those in the zones, reaches a standard error, all cores."""
    within = None
    if of_zones:
        within = np.zeros(hall.grid.count, dtype=bool)
        for zone in hall.zones:
            within[zone_voxels(hall.grid, zone)] = True
    answers: list[TransmitterVolume] = []
    asked = Until(error_db, share=share, within=within)
    spent_s = in_turns({"until": lambda: answers.append(hall.volume(64, cores, until=asked))}, repeats)["until"]
    return {
        "error_db": error_db, "share": share, "of_zones": of_zones, "seconds": spent_s, "rays": answers[0].rays,
        "stopped": answers[0].stopped,
    }  # fmt: skip


def merit(hall: Hall, *, rays: int, repeats: int) -> list[dict[str, float]]:
    """1/(error² · seconds) of the exact walk (0 points) and of samples along segments; rays alone, one thread.

    The error is the median standard error in dB; ``over_embree`` is the rate of segments over that of first hits.
    """
    rows = []
    raw = ROUNDS * BATCH / in_turns({"raw": lambda: raw_rays(hall.setting, 1)}, repeats)["raw"]
    for points in (0, 1, 2, 4, 8):
        answer, spent = rays_alone(hall, rays=rays, repeats=repeats, points=points)
        error = float(np.nanmedian(answer.std_error_db))
        rows.append(
            {"points": points, "median_std_error_db": error, "rays_s": spent["rays_s"],
             "over_embree": answer.segments / spent["rays_s"] / raw, "merit": 1.0 / (error**2 * spent["rays_s"])}
        )  # fmt: skip
    return rows


def _bare_hall(plan: Plan, scene: Scene) -> Hall:
    """A hall without edges, warm."""
    transmitter = plan.transmitters[0]
    surfaces = assign_surfaces(plan, scene)[0]
    opaque = opaque_parts(surfaces, np.array([transmitter.radio.centre_hz]))
    setting = prepare(scene, find_facets(scene), surfaces, opaque=opaque)
    hall = Hall(plan.mesh_path.name, setting, transmitter, make_grid(scene, VOXEL_M), plan.study.max_reflections)
    hall.volume(6_400, 1, edges=False)
    return hall


def _largest_objects(scene: Scene, triangles: int) -> Scene:
    """The parts with the largest triangles on average, whole, up to a number of triangles."""
    a, b, c = (scene.corners_m[:, i] for i in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    count = np.bincount(scene.triangle_part)
    order = np.argsort(-np.bincount(scene.triangle_part, weights=area) / np.maximum(count, 1), kind="stable")
    kept = np.isin(scene.triangle_part, order[np.cumsum(count[order]) <= triangles])
    return make_scene(
        scene.to_world(scene.vertices_m), scene.triangles[kept], scene.triangle_part[kept], scene.parts
    )  # fmt: skip


def subdivided(scene: Scene) -> Scene:
    """Every triangle cut into four."""
    a, b, c = (scene.to_world(scene.corners_m[:, i]) for i in range(3))
    ab, bc, ca = 0.5 * (a + b), 0.5 * (b + c), 0.5 * (c + a)
    four = [np.stack(corners, axis=1) for corners in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    corners = np.stack(four, axis=1).reshape(-1, 3)
    return make_scene(corners, np.arange(len(corners)).reshape(-1, 3), np.repeat(scene.triangle_part, 4), scene.parts)
