"""How fast rf3d is here: first hits, the received-power volume, exact paths, and what threads bring.

Usage: python -m scripts.bench [--only PART ...] [--rays N] [--repeats N] [--json FILE]

Every figure stands under its name and the mesh it was measured on. Rates are the best of several repeats, since other
work on a machine only ever slows them down; ratios are of works done in turns.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from rf3d.assessment.run import ready, solve
from rf3d.jobs import Jobs
from rf3d.plan import Plan, load_plan, load_scene
from rf3d.propagation.fields import fields
from rf3d.propagation.paths import EDGES_AT_HZ, Setting, find_paths
from rf3d.radio.antennas import make_antenna
from rf3d.radio.radios import Radio, Receiver, Transmitter
from scripts import bench_volume
from scripts.referee_rooms import UprightRoom, l_shaped, referee_paths, referee_room, setting_of, star_shaped

DEMOS = bench_volume.DEMOS
HALLS = ("playhouse", "arena")
PRECISION = {"playhouse": ((0.2, 0.5, False), (0.5, 0.95, True)), "arena": ((0.3, 0.5, False), (0.5, 0.95, True))}
"""Standard errors in dB, the shares of voxels that are to reach them, and whether only those in the zones count."""
RAYS = 1_000_000
PRECISE_RAYS = {"playhouse": 2_000_000, "arena": 2_600_000}
"""Rays that the median errors of ``PRECISION`` take, so that what is worked out once weighs as it does then."""
FEWER_REPEATS = 2
PARTS = ("volume", "merit", "growth", "precision", "paths")
Figures = dict[str, dict[str, Any]]


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Shortest time of several."""
    taken = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def in_turns(works: Sequence[Callable[[], object]], repeats: int) -> list[float]:
    """Least processor time of each of several works, done one after the other again and again."""
    taken = []
    for _ in range(repeats):
        row = []
        for work in works:
            begin = time.process_time()
            work()
            row.append(time.process_time() - begin)
        taken.append(row)
    return np.min(taken, axis=0).tolist()


def against_referee(room: UprightRoom, *, order: int, repeats: int) -> dict[str, float]:
    """Exact paths a second on one thread, fields included, and the referee's images a second in the same room.

    Both find the same paths, each looked at for what stands in its way: the referee as a table of which image which
    receiver sees, we as points, faces and lengths; each has its room made ready before. The referee's time is that of
    its image-source model alone, without room responses. Ours goes on to complex field vectors and amplitudes between
    antennas: at one frequency, which is what the referee's one band of absorption comes to, and on 79 channels.
    Processor time, in turns, the best of several. Empty where the referee is not installed.
    """
    try:
        peer_paths = len(referee_paths(looked_for(referee_room(room, order=order)))[0])
    except ImportError:
        return {}
    peers = [referee_room(room, order=order) for _ in range(repeats)]
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
    works = (lambda: looked_for(peers.pop()), lambda: own(radio.channels_hz[:1]), lambda: own(radio.channels_hz))
    peer_s, one, all_channels = in_turns(works, repeats)
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


def path_figures(repeats: int) -> Figures:
    """Exact paths: against the referee in drawn rooms, and in the demo venues as plans ask for them."""
    found: Figures = defaultdict(dict)
    for name, room, order in (
        ("L-shaped room", l_shaped(200, seed=3), 4), ("star of 300 walls", star_shaped(150, 20, seed=3), 2),
    ):  # fmt: skip
        for key, value in against_referee(room, order=order, repeats=repeats).items():
            found[key][name] = value
    plan = load_plan(DEMOS / "playhouse.toml")
    setting = ready(plan, load_scene(plan))
    spent, count = grid_paths_s(plan, setting, repeats)
    found["grid_paths_s"][plan.mesh_path.name], found["grid_paths"][plan.mesh_path.name] = spent, count
    arena = load_plan(DEMOS / "arena.toml")
    scene = load_scene(arena)
    answers: list[Any] = []
    found["plan_s"][arena.mesh_path.name] = seconds(lambda: answers.append(solve(arena, scene, jobs=Jobs())), 1)
    found["least_completeness"][arena.mesh_path.name] = min(link.completeness for link in answers[0].links)
    return found


def volume_figures(parts: list[str], *, rays: int | None, repeats: int, cores: int) -> Figures:
    """The received-power volume in the demo venues."""
    found: Figures = defaultdict(dict)
    for name in HALLS:
        hall = bench_volume.hall_of(DEMOS / f"{name}.toml")
        found["triangles"][hall.mesh], found["voxels"][hall.mesh] = len(hall.setting.scene.triangles), hall.grid.count
        if "volume" in parts:
            sent = rays or PRECISE_RAYS[name]
            for key, value in bench_volume.speed(hall, rays=sent, cores=cores, repeats=repeats).items():
                found[key][hall.mesh] = value
        if "merit" in parts:
            found["figure_of_merit"][hall.mesh] = bench_volume.merit(
                hall, rays=rays or PRECISE_RAYS[name], repeats=min(repeats, FEWER_REPEATS)
            )
        if "precision" in parts:
            found["precision"][hall.mesh] = [
                bench_volume.until(
                    hall, error_db=error_db, share=share, of_zones=of_zones, cores=cores, repeats=repeats
                )
                for error_db, share, of_zones in PRECISION[name]
            ]
        if "growth" in parts and name == "playhouse":
            found["against_voxels"][hall.mesh] = bench_volume.against_voxels(
                hall, rays=rays or RAYS, repeats=min(repeats, FEWER_REPEATS)
            )
        if "growth" in parts and name == "arena":
            found["against_triangles"][hall.mesh] = bench_volume.against_triangles(
                DEMOS / f"{name}.toml", rays=(rays or RAYS) // 4, repeats=min(repeats, FEWER_REPEATS)
            )
    return found


def main() -> None:
    """Measure, print, and write as JSON when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    parser.add_argument("--rays", type=int, default=None, help="else as many as the precision that is asked for takes")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--json", type=Path, default=None)
    options = parser.parse_args()

    cores = os.cpu_count() or 1
    results: dict[str, Any] = {
        "machine": platform.processor() or platform.machine(), "cores": cores, "load_before": os.getloadavg()[0],
    }  # fmt: skip
    if set(options.only) - {"paths"}:
        results |= volume_figures(options.only, rays=options.rays, repeats=options.repeats, cores=cores)
    if "paths" in options.only:
        results |= path_figures(options.repeats)
    for name, value in results.items():
        for place, figure in value.items() if isinstance(value, dict) else (("", value),):
            for row in figure if isinstance(figure, list) else (figure,):
                print(f"{name:30} {place:20} {_spoken(row)}")
    if options.json is not None:
        options.json.write_text(json.dumps(results, indent=1) + "\n")


def _spoken(figure: Any) -> str:
    if isinstance(figure, dict):
        return ", ".join(f"{name} {_spoken(value)}" for name, value in figure.items())
    return f"{figure:,.4g}" if isinstance(figure, float) else f"{figure}"


if __name__ == "__main__":
    main()
