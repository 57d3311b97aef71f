"""Same seed, same bytes, for any number of workers; another seed changes what is sampled and nothing else."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

import rf3d
from rf3d.assessment.links import links_as_json
from rf3d.assessment.run import Solution, ready, solve
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.grid import make_grid
from rf3d.propagation.volume import TransmitterVolume, trace_volume

SECOND_RECEIVER = """\
[[receiver]]
name = "behind the cupboard"
position_m = [3.5, 5.8, 1.0]
upright = true
antenna = "dipole"
radio = "hopper"

[study]"""
EXACT = (
    "mean_power_dbm", "centre_power_dbm", "channel_power_dbm", "rice_k_db", "rms_delay_spread_ns",
    "coherence_bandwidth_hz", "paths",
)  # fmt: skip
SAMPLED = ("fade_margin_db",)


@pytest.fixture
def plan(room_plan):
    """A small furnished room with two receivers, one of them in the shadow of the cupboard."""
    text = room_plan.read_text(encoding="utf-8")
    room_plan.write_text(text.replace("[study]", SECOND_RECEIVER), encoding="utf-8")
    return load_plan(room_plan)


def links_bytes(solution: Solution) -> bytes:
    """Links and findings as the JSON file has them; every digit of every float."""
    said = [finding.as_json() for finding in solution.findings]
    return json.dumps([links_as_json(solution.setting, solution.links), said], allow_nan=False).encode()


def volume(plan, *, seed: int, workers: int) -> TransmitterVolume:
    scene = load_scene(plan)
    setting = ready(plan, scene)
    return trace_volume(
        setting, plan.transmitters[0], grid=make_grid(scene, 0.5), max_reflections=2,
        rays=4000, seed=seed, jobs=Jobs(workers=workers), by_order=True,
    )  # fmt: skip


def volume_bytes(answer: TransmitterVolume) -> dict[str, bytes]:
    found = {field.name: getattr(answer, field.name) for field in fields(answer) if field.name != "grid"}
    return {name: np.asarray(value).tobytes() for name, value in found.items() if name != "ledger"} | {
        "ledger": repr(answer.ledger).encode()
    }


@pytest.mark.parametrize("tree_limit", [1_000_000, 5], ids=["all images", "traced candidates"])
def test_links_are_the_same_bytes_for_any_number_of_workers(plan, monkeypatch, tree_limit):
    """With the whole tree of images, and with candidates from rays, which is where threads share the work."""
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", tree_limit)
    answers = [links_bytes(solve(plan, load_scene(plan), jobs=Jobs(workers=workers))) for workers in (1, 2, 4)]
    assert answers[0] == answers[1] == answers[2]


def test_another_seed_moves_only_the_sampled_numbers_of_a_link(plan):
    """Every image is tried here, so paths and their sums owe nothing to chance; the fading is sampled."""
    scene = load_scene(plan)
    first, second = (solve(plan, scene, jobs=Jobs(workers=2), seed=seed) for seed in (1, 2))
    assert (first.seed, second.seed) == (1, 2)
    rows = [links_as_json(s.setting, s.links) for s in (first, second)]
    for a, b in zip(*rows, strict=True):
        assert [a[key] for key in EXACT] == [b[key] for key in EXACT]
        assert all(a[key] != b[key] for key in SAMPLED)
    # The plan's own seed is the one used where none is given.
    assert links_bytes(solve(plan, scene, jobs=Jobs(workers=2))) == links_bytes(first)


def test_the_volume_is_the_same_bytes_for_any_number_of_workers(plan):
    answers = [volume_bytes(volume(plan, seed=1, workers=workers)) for workers in (1, 2, 4)]
    assert answers[0] == answers[1] == answers[2]


def test_another_seed_moves_only_the_sampled_numbers_of_the_volume(plan):
    first, second = (volume_bytes(volume(plan, seed=seed, workers=2)) for seed in (1, 3))
    same = {name for name in first if first[name] == second[name]}
    assert same == {
        "transmitter", "rays", "max_reflections", "batches", "direct_power_w", "detail", "stopped"
    }  # fmt: skip


def test_compiled_kernels_are_kept_by_the_content_of_all_their_sources(tmp_path):
    """A kernel holds the code of those it calls, and numba looks only at the file it is written in."""
    package = tmp_path / "rf3d"
    shutil.copytree(Path(rf3d.__file__).parent, package, ignore=shutil.ignore_patterns("__pycache__", "*.nb?"))
    script = (
        "from pathlib import Path; from rf3d.propagation.kernels.search import step;"
        "print(Path(step._cache.cache_path).parent.name)"
    )

    def folder() -> str:
        environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
        environment.pop("NUMBA_CACHE_DIR", None)
        answer = subprocess.run(
            [sys.executable, "-c", script], env=environment, cwd=tmp_path, capture_output=True, text=True, check=True
        )
        return answer.stdout.strip()

    before = folder()
    assert folder() == before != ""
    with (package / "propagation" / "kernels" / "images.py").open("a") as source:
        source.write("# another word\n")
    assert folder() != before
