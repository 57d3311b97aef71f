"""What was traced once is not traced again, and the answer is that of a fresh run, bit for bit."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from rf3d.assessment.links import links_as_json
from rf3d.assessment.run import solve
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation.cache import PathCache, bytes_of
from rf3d.propagation.tracer import Tracer

SAME_GEOMETRY = {
    "power": ("power_dbm = 18", "power_dbm = 12"),
    "aim": ("aim_at_m = [6.0, 3.0, 1.0]", "aim_at_m = [4.0, 5.0, 2.0]"),
    "antenna": ('antenna = "dipole"', 'antenna = "panel"'),
    "band": ("channel_spacing_hz = 1e6", "channel_spacing_hz = 2e6"),
    "distant band": (
        "first_channel_hz = 2402e6\nlast_channel_hz = 2480e6",
        "first_channel_hz = 902e6\nlast_channel_hz = 928e6",
    ),
    "thickness": ("thickness_m = 0.1", "thickness_m = 0.13"),
    "permittivity": ("permittivity = 2.7", "permittivity = 3.1"),
    "scattering": ("scattering = 0.1", "scattering = 0.2"),
}
OTHER_GEOMETRY = {
    "receiver": ("position_m = [6.0, 3.5, 1.0]", "position_m = [6.0, 3.6, 1.0]"),
    "transmitter": ("position_m = [0.5, 3.0, 2.5]", "position_m = [0.5, 3.1, 2.5]"),
    "reflections": ("max_reflections = 2", "max_reflections = 3"),
    "seed": ("seed = 1", "seed = 2"),
    "rays": ("rays = 1000", "rays = 2000"),
    "opaque": ('material = "plaster"\nthickness_m = 0.1', 'material = "metal"\nthickness_m = 0.01'),
}


@pytest.fixture
def calls(monkeypatch):
    """Questions put to the tracer by path finding, by name; the tree of images is kept small so that rays are sent."""
    monkeypatch.setattr("rf3d.propagation.paths.TREE_LIMIT", 50)
    monkeypatch.setattr("rf3d.assessment.changes.MOVES_M", ())  # a cure that is new is traced, and rightly
    # The same holds for the ground below the strongest way, which may be another one.
    monkeypatch.setattr("rf3d.assessment.people._where_one_stands", lambda *_: None)
    count = {"nearest": 0, "crossings": 0}
    lock = threading.Lock()

    def counted(name):
        plain = getattr(Tracer, name)

        def question(*arguments, **named):
            with lock:
                count[name] += 1
            return plain(*arguments, **named)

        monkeypatch.setattr(Tracer, name, question)

    counted("nearest")
    counted("crossings")
    return count


def answer(path, cache: PathCache | None) -> str:
    """Links and findings with every digit."""
    plan = load_plan(path)
    solution = solve(plan, load_scene(plan), jobs=Jobs(workers=2), cache=cache)
    said = [finding.as_json() for finding in solution.findings]
    return json.dumps([links_as_json(solution.setting, solution.links), said, solution.exhaustive_order])


def change(path, pair: tuple[str, str]) -> None:
    text = path.read_text(encoding="utf-8")
    assert pair[0] in text
    path.write_text(text.replace(*pair), encoding="utf-8")


@pytest.mark.parametrize("name", SAME_GEOMETRY)
def test_another_power_aim_band_or_material_traces_nothing(room_plan, calls, name):
    cache = PathCache()
    before = answer(room_plan, cache)
    assert min(calls.values()) > 0
    change(room_plan, SAME_GEOMETRY[name])
    calls.update(nearest=0, crossings=0)
    again = answer(room_plan, cache)
    assert calls == {"nearest": 0, "crossings": 0}
    assert again != before
    assert again == answer(room_plan, None)


@pytest.mark.parametrize("name", OTHER_GEOMETRY)
def test_what_decides_the_paths_is_part_of_the_key(room_plan, calls, name):
    cache = PathCache()
    answer(room_plan, cache)
    change(room_plan, OTHER_GEOMETRY[name])
    calls.update(nearest=0, crossings=0)
    again = answer(room_plan, cache)
    assert calls["crossings"] > 0
    assert (calls["nearest"] > 0) == (name != "receiver")  # rays start from transmitters only
    assert again == answer(room_plan, None)


def test_cures_tried_before_are_not_traced_again(room_plan, calls, monkeypatch):
    """A lost lamp has its moves tried; the second time they come from the cache."""
    monkeypatch.setattr("rf3d.assessment.changes.MOVES_M", (0.5,))
    change(room_plan, ("sensitivity_dbm = -90", "sensitivity_dbm = -30"))
    cache = PathCache()
    first = answer(room_plan, cache)
    calls.update(nearest=0, crossings=0)
    assert answer(room_plan, cache) == first
    assert calls == {"nearest": 0, "crossings": 0}


def test_the_longest_unused_is_given_up_first():
    cache = PathCache(most_bytes=100)
    found = []

    def find(name: str, size: int):
        def look() -> np.ndarray:
            found.append(name)
            return np.zeros(size, dtype=np.uint8)

        return cache.get(name, look)

    for name in ("a", "b", "a", "c", "a", "b"):
        find(name, 40)
    assert found == ["a", "b", "c", "b"]  # "a" was asked for in between, so "b" went
    assert cache.bytes_held == 80
    for _ in range(2):
        find("large", 101)
    assert found[-2:] == ["large", "large"]
    assert cache.bytes_held == 80
    assert bytes_of((np.zeros(3), [np.zeros(2, np.int8)], "word")) == 26


def test_threads_share_a_cache():
    """Many threads, few keys: everybody gets the right answer and the books balance."""
    cache = PathCache(most_bytes=10 * 80)

    def ask(i: int) -> bool:
        key = i % 20
        return bool((cache.get(key, lambda: np.full(10, float(key))) == key).all())

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(ask, range(4000)))
    assert cache.bytes_held == 10 * 80
