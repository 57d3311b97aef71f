"""How fast rf3d is here: raw rays, the received-power volume, exact paths, and what threads bring.

Usage: python scripts/bench.py [--plan PLAN] [--rays N] [--repeats N] [--json FILE]

Rates are the best of several repeats, since other work on a machine only ever slows them down.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from rf3d.assessment.run import ready
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.grid import make_grid
from rf3d.propagation.paths import Setting, find_paths
from rf3d.propagation.volume import TransmitterVolume, trace_volume

PLAN = Path(__file__).parents[1] / "meshes_demo" / "playhouse.toml"
BATCH, ROUNDS = 16_384, 20


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Shortest time of several."""
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def raw_rays_per_s(setting: Setting, threads: int, repeats: int) -> float:
    """First hits a second over all threads: rays from random places in the venue in random directions."""
    generator = np.random.default_rng(1)
    low, high = setting.scene.bounds_m
    origins = generator.uniform(low, high, (BATCH, 3))
    ways = generator.normal(size=(BATCH, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]

    def rounds(_: int) -> None:
        for _ in range(ROUNDS):
            setting.tracer.nearest(origins, ways)

    with ThreadPoolExecutor(threads) as pool:
        return threads * ROUNDS * BATCH / seconds(lambda: list(pool.map(rounds, range(threads))), repeats)


def main() -> None:
    """Measure, print, and write as JSON when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plan", type=Path, default=PLAN)
    parser.add_argument("--rays", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", type=Path, default=None)
    options = parser.parse_args()

    plan = load_plan(options.plan)
    begin = time.perf_counter()
    scene = load_scene(plan)
    setting = ready(plan, scene)
    loading = time.perf_counter() - begin
    grid = make_grid(scene, plan.study.voxel_m)
    transmitter, cores = plan.transmitters[0], os.cpu_count() or 1

    def volume(rays: int, workers: int) -> TransmitterVolume:
        return trace_volume(
            setting, transmitter, grid=grid, max_reflections=plan.study.max_reflections, rays=rays,
            seed=plan.study.seed, jobs=Jobs(workers=workers),
        )  # fmt: skip

    def paths(workers: int) -> int:
        answer, _ = find_paths(
            setting, scene.to_local(transmitter.position_m[None]),
            scene.to_local(np.array([r.position_m for r in plan.receivers])),
            linked=np.ones((1, len(plan.receivers)), dtype=bool), max_reflections=plan.study.max_reflections,
            rays=options.rays, seed=plan.study.seed, jobs=Jobs(workers=workers),
        )  # fmt: skip
        return answer.count

    first = seconds(lambda: volume(6_400, 1), 1)
    few = volume(options.rays, 1)  # the same work for every number of workers
    path_count = paths(1)
    one, all_cores = (seconds(lambda w=w: volume(options.rays, w), options.repeats) for w in (1, cores))
    raw_one, raw_all = (raw_rays_per_s(setting, threads, options.repeats) for threads in (1, cores))
    paths_one = seconds(lambda: paths(1), options.repeats)
    results = {
        "machine": platform.processor() or platform.machine(), "cores": cores, "plan": options.plan.name,
        "triangles": len(scene.triangles), "voxels": grid.count, "rays": few.rays,
        "max_reflections": few.max_reflections, "load_s": loading, "first_call_s": first,
        "raw_rays_per_s": raw_one, "raw_thread_speed_up": raw_all / raw_one,
        "volume_s": one, "volume_s_all_cores": all_cores, "volume_segments": few.segments,
        "volume_segments_per_s": few.segments / one, "volume_over_raw": few.segments / one / raw_one,
        "volume_thread_speed_up": one / all_cores, "volume_ledger_imbalance": few.ledger.imbalance,
        "volume_median_std_error_db": float(np.nanmedian(few.std_error_db)),
        "paths": path_count, "paths_s": paths_one, "paths_per_s": path_count / paths_one,
    }  # fmt: skip
    for name, value in results.items():
        print(f"{name:28} {value:,.4g}" if isinstance(value, float) else f"{name:28} {value}")
    if options.json is not None:
        options.json.write_text(json.dumps(results, indent=1) + "\n")


if __name__ == "__main__":
    main()
