"""How fast rf3d is here: raw rays, the received-power volume, exact paths, and what threads bring.

Usage: python -m scripts.bench [--plan PLAN] [--rays N] [--repeats N] [--json FILE]

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
from typing import Any

import numpy as np

from rf3d.assessment.run import ready, solve
from rf3d.jobs import Jobs
from rf3d.plan import Plan, load_plan, load_scene
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import make_grid
from rf3d.propagation.paths import EDGES_AT_HZ, Setting, find_paths
from rf3d.propagation.volume import TransmitterVolume, trace_volume
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from scripts.referee_rooms import UprightRoom, l_shaped, referee_paths, referee_room, setting_of, star_shaped

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


def against_referee(room: UprightRoom, *, order: int, repeats: int) -> dict[str, float]:
    """Exact paths a second on one thread, fields included, and the referee's images a second in the same room.

    Ours are timed with fields at one frequency, which is what the referee's one band of absorption comes to, and with
    fields on 79 channels. The referee's time is that of its image-source model alone, without room responses. Empty
    where it is not installed.
    """
    try:
        peer_paths = len(referee_paths(looked_for(referee_room(room, order=order)))[0])
    except ImportError:
        return {}
    peers = [referee_room(room, order=order) for _ in range(repeats)]
    peer_s = seconds(lambda: looked_for(peers.pop()), repeats)
    setting, radio = setting_of(room), Radio("probe", 2402e6, 2480e6, 1e6, 1e6, -90.0)
    antenna, axes = make_antenna("probe", pattern="dipole"), np.eye(3)
    tx = (Transmitter("tx", room.source_m, antenna, axes, 0.0, 0.0, radio),)
    rx = tuple(Receiver(f"rx {i}", spot, antenna, axes, 0.0, radio) for i, spot in enumerate(room.receivers_m))

    def own(frequencies_hz: np.ndarray) -> int:
        answer, _ = find_paths(
            setting, setting.scene.to_local(room.source_m[None]), setting.scene.to_local(room.receivers_m),
            linked=np.ones((1, len(rx)), dtype=bool), max_reflections=order, rays=0, seed=1, jobs=Jobs(workers=1),
        )  # fmt: skip
        fields(
            answer, setting.facets, surfaces=setting.surfaces, transmitters=tx, receivers=rx,
            frequencies_hz=frequencies_hz,
        )  # fmt: skip
        return answer.count

    if own(radio.channels_hz[:1]) != peer_paths:
        raise AssertionError("the two do not find the same paths")
    one, all_channels = (seconds(lambda f=f: own(f), repeats) for f in (radio.channels_hz[:1], radio.channels_hz))
    return {
        "paths_per_s": peer_paths / one, "paths_79_channels_per_s": peer_paths / all_channels,
        "peer_paths_per_s": peer_paths / peer_s, "over_peer": peer_s / one,
    }  # fmt: skip


def looked_for(peer: Any) -> Any:
    """The referee's room, its images found."""
    peer.image_source_model()
    return peer


def grid_paths_s(plan: Plan, setting: Setting, repeats: int) -> tuple[float, int]:
    """Seconds, and paths, for 20 receivers on a grid over the stage, 3 transmitters, order 4 and edges, all cores."""
    x, y = np.meshgrid(np.linspace(-5.2, 5.2, 5), np.linspace(1.1, 8.3, 4))
    spots = np.stack([x.ravel(), y.ravel(), np.full(x.size, 1.45)], axis=1)
    sources = np.array([transmitter.position_m for transmitter in plan.transmitters[:3]])
    found = []

    def work() -> None:
        answer, _ = find_paths(
            setting, setting.scene.to_local(sources), setting.scene.to_local(spots),
            linked=np.ones((len(sources), len(spots)), dtype=bool), max_reflections=4, rays=plan.study.rays,
            seed=plan.study.seed, jobs=Jobs(), edges_at_hz=EDGES_AT_HZ,
        )  # fmt: skip
        found.append(answer.count)

    return seconds(work, repeats), found[0]


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
    results["grid_paths_s"], results["grid_paths"] = grid_paths_s(plan, setting, options.repeats)
    arena = load_plan(PLAN.with_name("arena.toml"))
    arena_scene = load_scene(arena)
    answers = []
    results["arena_plan_s"] = seconds(lambda: answers.append(solve(arena, arena_scene, jobs=Jobs())), 1)
    results["arena_least_completeness"] = min(link.completeness for link in answers[0].links)
    for room_name, room, order in (
        ("l_room", l_shaped(200, seed=3), 4), ("star_room", star_shaped(150, 20, seed=3), 2),
    ):  # fmt: skip
        own = against_referee(room, order=order, repeats=options.repeats)
        results |= {f"{room_name}_{name}": value for name, value in own.items()}
    for name, value in results.items():
        print(f"{name:28} {value:,.4g}" if isinstance(value, float) else f"{name:28} {value}")
    if options.json is not None:
        options.json.write_text(json.dumps(results, indent=1) + "\n")


if __name__ == "__main__":
    main()
