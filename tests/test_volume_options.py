"""What can be asked of a volume: a region, a precision, backwards from a receiver, and more about every voxel."""

from __future__ import annotations

import itertools
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from rf3d.assessment.run import ready
from rf3d.assessment.volumes import reached_error_db
from rf3d.errors import CancelledError, InputError
from rf3d.jobs import Jobs
from rf3d.plan import load_plan, load_scene
from rf3d.propagation import volume as engine
from rf3d.propagation.direct import mean_inverse_square
from rf3d.propagation.fields import fields
from rf3d.propagation.grid import bytes_in_use, bytes_per_voxel, make_grid
from rf3d.propagation.paths import find_paths
from rf3d.propagation.precision import Until
from rf3d.propagation.shade import KEPT
from rf3d.propagation.volume import from_receiver, trace_volume
from rf3d.radio.antennas import UPRIGHT, make_antenna, response
from rf3d.radio.radios import CONNECTOR_DB, Receiver
from rf3d.views.export import share_of, write_vti
from rf3d.volume_answers import volume_request
from tests.scenes import plain, quad, room, surface
from tests.test_volume import (
    BRICK,
    LINING,
    RADIO,
    ROOM,
    WAVELENGTH,
    corner_plates,
    furnished,
    setting_of,
    transmitter_at,
)

DEMO = Path(__file__).resolve().parent.parent / "meshes_demo"
ARRAYS = ("mean_power_w", "std_error_w", "direct_power_w", "rms_delay_spread_ns")
FURNISHED = furnished()
NOTHING_ASKED = {
    "transmitter": None, "receiver": None, "zone": None, "detail": False, "antenna": None, "until": None,
    "time_limit": None, "memory": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def setting():
    """The furnished room, made ready once."""
    return setting_of(FURNISHED[0], FURNISHED[1])


def trace(setting, *, grid=None, transmitter=FURNISHED[2], **more):
    """A short volume of the furnished room, edges and all, unless told otherwise."""
    chosen = make_grid(setting.scene, 0.5) if grid is None else grid
    told = {"max_reflections": 2, "rays": 20_000, "seed": 1, "jobs": Jobs(workers=1), **more}
    return trace_volume(setting, transmitter, grid=chosen, **told)


# --- a region ------------------------------------------------------------------------------------------------------


def test_a_region_is_that_part_of_the_whole_volume(setting):
    """To the last bit its direct field, edges included; its rays, which enter it half-way, but for float32 sums."""
    whole = trace(setting)
    for low, high in (((3.2, 1.1, 0.2), (6.9, 4.9, 2.4)), ((0.0, 2.6, 1.1), (1.4, 3.0, 4.0))):
        grid = make_grid(setting.scene, 0.5, region_m=np.array([low, high]))
        assert (grid.world_low_m <= low).all()
        assert (grid.world_low_m > np.array(low) - 1.0 - 1e-9).all()
        assert (np.array(grid.shape) * 0.5 + grid.world_low_m >= np.array(high) - 1e-9).all()
        part = trace(setting, grid=grid)
        index = tuple(slice(a, a + n) for a, n in zip(grid.first, grid.shape, strict=True))
        assert part.ledger == whole.ledger
        np.testing.assert_array_equal(part.direct_power_w, whole.direct_power_w[index])
        for name in ARRAYS:
            np.testing.assert_allclose(getattr(part, name), getattr(whole, name)[index], rtol=1e-5, equal_nan=True)


# --- until a precision -------------------------------------------------------------------------------------------


def same(one, other) -> bool:
    return all(getattr(one, name).tobytes() == getattr(other, name).tobytes() for name in ARRAYS)


def test_until_reaches_its_precision_with_the_same_bytes_for_any_number_of_workers(setting, monkeypatch):
    """Rounds are made small; 95 % of the voxels asked for have the error asked for, and a round less had not."""
    monkeypatch.setattr(engine, "ROUND_RAYS", 128)
    grid = make_grid(setting.scene, 0.5)
    within = np.zeros(grid.shape, dtype=bool)
    within[4:12, 2:10, 0:6] = True
    until = Until(0.9, within=within.reshape(-1))
    answers = [trace(setting, until=until, jobs=Jobs(workers=workers)) for workers in (1, 2, 4)]
    first = answers[0]
    assert all(same(first, other) and other.rays == first.rays for other in answers[1:])
    assert first.stopped == ""
    assert first.batches > engine.FEWEST_BATCHES
    counted = within & (first.mean_power_w > 0.0)
    assert (np.nan_to_num(first.std_error_db[counted]) <= 0.9).mean() >= 0.95
    assert reached_error_db(first, until.within) <= 0.9 + 1e-9
    monkeypatch.setattr(engine, "MOST_ROUNDS", first.batches // engine.FEWEST_BATCHES - 1)
    before = trace(setting, until=until)
    assert before.stopped == "ray limit"
    assert (np.nan_to_num(before.std_error_db[within & (before.mean_power_w > 0.0)]) <= 0.9).mean() < 0.95


def test_interrupted_it_keeps_what_is_done(setting, monkeypatch):
    """The same bytes as a run that was told to stop there; before the first round there is nothing to keep."""
    monkeypatch.setattr(engine, "ROUND_RAYS", 128)

    def stop_after(rounds: int) -> Jobs:
        def progress(stage: str, done: int, total: int) -> None:
            if stage.startswith("rays") and done >= rounds:
                jobs.cancel.set()

        jobs = Jobs(workers=2, progress=progress)
        return jobs

    stopped = trace(setting, until=Until(1e-3), jobs=stop_after(2))
    assert (stopped.stopped, stopped.batches) == ("interrupted", 2 * engine.FEWEST_BATCHES)
    assert np.isfinite(stopped.std_error_db[stopped.mean_power_w > stopped.direct_power_w]).all()
    monkeypatch.setattr(engine, "MOST_ROUNDS", 2)
    assert same(stopped, trace(setting, until=Until(1e-3)))
    hurried = trace(setting, until=Until(1e-3, time_limit_s=0.0))
    assert (hurried.stopped, hurried.batches) == ("time limit", engine.FEWEST_BATCHES)
    with pytest.raises(CancelledError):
        trace(setting, jobs=stop_after(0))
    at_once = Jobs()
    at_once.cancel.set()
    with pytest.raises(CancelledError):
        trace(setting, until=Until(1e-3), jobs=at_once)


def test_a_time_limit_ends_a_round_that_is_under_way(setting, monkeypatch):
    """By a clock that ticks once a look; it was looked at after whole rounds alone, of 10 s each in an arena."""
    monkeypatch.setattr(engine, "ROUND_RAYS", 128)
    ticks = itertools.count()
    monkeypatch.setattr(engine.time, "monotonic", lambda: float(next(ticks)))
    limit = engine.FEWEST_BATCHES + 10
    answer = trace(setting, until=Until(1e-3, time_limit_s=float(limit)))
    assert answer.stopped == "time limit"
    assert answer.batches == pytest.approx(limit, abs=5)


def test_where_time_is_short_the_first_batches_are_small(setting):
    """The batches that make an error at all are sent in any case: once a second's limit took ten in an arena."""
    hurried = trace(setting, until=Until(1e-3, time_limit_s=0.0))
    assert (hurried.stopped, hurried.rays) == ("time limit", engine.FEWEST_BATCHES * engine.HURRIED_RAYS)
    at_leisure = trace(setting, until=Until(1e9, time_limit_s=1e9))
    assert (at_leisure.stopped, at_leisure.rays) == ("", engine.FEWEST_BATCHES * engine.ROUND_RAYS)


# --- backwards -----------------------------------------------------------------------------------------------------


def test_backwards_from_a_receiver_is_forwards_to_it():
    """Reciprocity: a dipole hears a panel in two places as the panel, heard from the dipole in one pass, would.

    Means over a voxel at one end and at the other differ by some 1e-4 at this distance and size of voxel.
    """
    setting = setting_of(room(ROOM), tuple(surface(name, BRICK, thickness_m=0.12) for name, _, _ in room(ROOM)))
    panel = make_antenna("panel", pattern="panel", gain_dbi=6.0, beamwidth_deg=(80.0, 80.0), xpd_db=15.0)
    dipole = make_antenna("dipole", pattern="dipole")
    ear = Receiver("ear", np.array([6.375, 4.125, 2.125]), dipole, UPRIGHT, 1.5, RADIO)
    places = np.array([[1.125, 2.125, 1.375], [2.375, 4.875, 2.625]])

    def own(transmitter, receiving, spot):
        point = spot - setting.scene.origin_m
        grid = make_grid(setting.scene, 0.25, region_m=np.stack([spot - 0.1, spot + 0.1]))
        answer = trace_volume(
            setting, transmitter, grid=grid, max_reflections=3, rays=400_000, seed=4, jobs=Jobs(), detail=True,
            receiving=receiving,
        )  # fmt: skip
        here = grid.number_at(point)
        return answer, answer.detail.own_power_w.flat[here], answer.detail.own_std_error_w.flat[here], here

    limit = stats.t.ppf(1.0 - 1e-4 / (2 * len(places)), 63)
    for place in places:
        sender = transmitter_at(place, antenna=panel, cable_loss_db=1.5)
        _, there, there_error, _ = own(sender, dipole, ear.position_m)
        answer, back, back_error, here = own(from_receiver(ear), panel, place)
        assert max(there_error / there, back_error / back) < 0.05
        assert abs(there - back) < limit * np.hypot(there_error, back_error) + 1e-3 * there
        # Without reflections: the dipole's gain, the way, the cable.
        way = place - ear.position_m
        far = np.linalg.norm(way)
        gain = (np.abs(response(dipole, (way / far)[None])) ** 2).sum()
        expected = 10 * np.log10(gain * (WAVELENGTH / (4 * np.pi * far)) ** 2) - 1.5
        assert answer.direct_power_dbm.flat[here] == pytest.approx(expected, abs=0.01)


# --- more about every voxel ----------------------------------------------------------------------------------------


def test_connectors_take_what_they_take_in_the_links(setting):
    plain = trace(setting)
    fed = trace(setting, transmitter=replace(FURNISHED[2], connectors=3))
    np.testing.assert_allclose(fed.mean_power_dbm, plain.mean_power_dbm - 3 * CONNECTOR_DB, atol=1e-9)


def test_in_free_space_waves_arrive_from_the_transmitter():
    surfaces = (surface("low", "metal", thickness_m=0.002), surface("high", "metal", thickness_m=0.002))
    source = np.array([1.13, 1.62, 0.91])
    setting = setting_of(corner_plates((4.0, 3.0, 2.5)), surfaces)
    answer = trace(setting, transmitter=transmitter_at(source), max_reflections=0, detail=True, edges=False)
    centres = answer.grid.centres_m(np.arange(answer.grid.count)) + answer.grid.origin_m
    expected = (source - centres) / np.linalg.norm(source - centres, axis=1)[:, None]
    np.testing.assert_allclose(answer.detail.arrival.reshape(3, -1).T, expected, atol=1e-9)
    np.testing.assert_allclose(answer.detail.arrival_concentration, 1.0, rtol=1e-9)
    np.testing.assert_array_equal(answer.detail.arrival_std_error_deg, 0.0)


def test_the_mirror_is_named_and_no_share_counts_twice():
    """A metal wall and a plastic one: with what comes straight their shares make up all the power."""
    pieces = [
        *corner_plates((8.0, 6.0, 4.0)),
        quad("mirror", (0.1, 6, 0.2), (7.9, 6, 0.2), (7.9, 6, 3.9), (0.1, 6, 3.9)),
        quad("plastic", (0.1, 0, 0.2), (7.9, 0, 0.2), (7.9, 0, 3.9), (0.1, 0, 3.9)),
    ]
    surfaces = (
        surface("low", "metal", thickness_m=0.002), surface("high", "metal", thickness_m=0.002),
        surface("mirror", "metal", thickness_m=0.002), surface("plastic", LINING, thickness_m=0.01),
    )  # fmt: skip
    setting = setting_of(pieces, surfaces)
    dipole = make_antenna("dipole", pattern="dipole")
    answer = trace(
        setting, transmitter=transmitter_at((2.2, 3.1, 1.9)), detail=True, receiving=dipole, rays=100_000, edges=False
    )
    detail = answer.detail
    assert detail.surfaces[:2] == ("mirror", "plastic")
    heard = answer.mean_power_w > 0
    share = detail.surface_power_w[:, heard] / answer.mean_power_w[heard]
    direct = answer.direct_power_w[heard] / answer.mean_power_w[heard]
    np.testing.assert_allclose(share.sum(axis=0) + direct, 1.0, rtol=1e-5)
    # Beside the mirror its image is as strong as the antenna itself, and both look the same way from afar.
    beside = answer.grid.number_at(np.array([6.75, 5.75, 1.75]) - answer.grid.origin_m)
    assert detail.surface_power_w[0].flat[beside] / answer.mean_power_w.flat[beside] == pytest.approx(0.5, abs=0.1)
    toward = detail.arrival.reshape(3, -1)[:, beside]
    assert toward[0] < -0.8
    # An upright dipole gains 2.15 dB on level waves, all of which are θ-polarised here.
    level = answer.grid.number_at(np.array([6.75, 3.25, 1.75]) - answer.grid.origin_m)
    ratio = detail.own_direct_power_w.flat[level] / answer.direct_power_w.flat[level]
    assert 10 * np.log10(ratio) == pytest.approx(2.15, abs=0.05)
    with pytest.raises(ValueError, match="read-only"):
        detail.arrival[0] = 0.0


def test_over_a_region_those_are_named_that_matter_there():
    """In front of a small plate it is the plate, over the venue the large wall that reflects far more.

    Once those that reflect most anywhere were listed for a zone too, with a share of nothing.
    """
    pieces = [
        *corner_plates((8.0, 6.0, 4.0)),
        quad("wall", (0.1, 6, 0.2), (7.9, 6, 0.2), (7.9, 6, 3.9), (0.1, 6, 3.9)),
        quad("plate", (1.4, 0, 1.1), (3.0, 0, 1.1), (3.0, 0, 2.7), (1.4, 0, 2.7)),
    ]
    surfaces = tuple(surface(name, "metal", thickness_m=0.002) for name in ("low", "high", "wall", "plate"))
    setting = setting_of(pieces, surfaces)
    near = make_grid(setting.scene, 0.5, region_m=np.array([[2.0, 0.6, 1.6], [2.4, 1.2, 2.2]]))
    for grid, most in ((make_grid(setting.scene, 0.5), "wall"), (near, "plate")):
        answer = trace(
            setting, grid=grid, transmitter=transmitter_at((2.2, 3.1, 1.9)), detail=True, blamed=1, edges=False
        )
        assert answer.detail.surfaces == (most,)


def test_standard_errors_are_those_of_the_spread_over_seeds():
    """A perfect mirror and its image: z-scores over 40 seeds and 256 voxels, and errors of what has no closed form.

    Mean 0 ± 0.1 and deviation 1 ± 0.1. Metal would lose 0.04 %, which so many rays see.
    """
    size, source = (9.0, 9.0, 3.0), np.array([4.6, 4.4, 1.3])
    floor = quad("floor", (0, 0, 0), (9, 0, 0), (9, 9, 0), (0, 9, 0))
    mirror = plain("mirror", 1.0, 1e13)
    surfaces = tuple(surface(name, mirror, thickness_m=0.002) for name in ("low", "high", "floor"))
    setting = setting_of([*corner_plates(size), floor], surfaces)
    grid = make_grid(setting.scene, 0.75, region_m=np.array([[2.9, 2.9, 0.7], [6.1, 6.1, 2.9]]))
    numbers = np.arange(grid.count)
    offsets = grid.centres_m(numbers) + grid.origin_m - source * [1, 1, -1]
    expected = 1e-3 * (WAVELENGTH / (4 * np.pi)) ** 2 * mean_inverse_square(offsets, 0.75)
    power, spread, own, shares, arrivals = [], [], [], [], []
    dipole = make_antenna("dipole", pattern="dipole")
    for seed in range(40):
        answer = trace(
            setting, grid=grid, transmitter=transmitter_at(source), max_reflections=1, rays=64_000, seed=seed,
            jobs=Jobs(), detail=True, receiving=dipole, edges=False,
        )  # fmt: skip
        rest = (answer.mean_power_w - answer.direct_power_w).reshape(-1)[numbers]
        power.append((rest - expected) / answer.std_error_w.reshape(-1)[numbers])
        spread.append(
            [a.reshape(-1)[numbers] for a in (answer.rms_delay_spread_ns, answer.rms_delay_spread_std_error_ns)]
        )
        own.append([a.reshape(-1)[numbers] for a in (answer.detail.own_power_w, answer.detail.own_std_error_w)])
        shares.append([a.reshape(-1)[numbers] for a in share_of(answer, "floor")])
        arrivals.append([*answer.detail.arrival.reshape(3, -1), answer.detail.arrival_std_error_deg.reshape(-1)])
    assert abs(np.mean(power)) < 0.1
    assert abs(np.std(power) - 1.0) < 0.1
    ways, said_deg = np.array(arrivals)[:, :3], np.array(arrivals)[:, 3]
    away = ways - ways.mean(axis=0)
    found_deg = np.degrees(np.sqrt((away**2).sum(axis=1).mean() * 40 / 39))
    # The axes of a lone wave rise and fall together: taken as independent, the error would be twice as large.
    assert found_deg / np.sqrt((said_deg**2).mean()) == pytest.approx(1.0, abs=0.1)
    for values in (np.array(spread), np.array(own), np.array(shares)):
        found, said = values[:, 0], values[:, 1]
        assert np.sqrt(found.var(axis=0, ddof=1).mean() / (said**2).mean()) == pytest.approx(1.0, abs=0.1)


def test_judging_needs_the_receiving_antenna_alone(setting):
    """Its columns are the same without those of arrival."""
    dipole = make_antenna("dipole", pattern="dipole")
    whole = trace(setting, detail=True, receiving=dipole, edges=False)
    alone = trace(setting, detail=True, arrivals=False, blamed=0, receiving=dipole, edges=False)
    assert same(whole, alone)
    for name in ("own_power_w", "own_std_error_w", "own_direct_power_w"):
        assert getattr(alone.detail, name).tobytes() == getattr(whole.detail, name).tobytes()
    assert (alone.detail.arrival, alone.detail.arrival_concentration, alone.detail.surfaces) == (None, None, ())


# --- in the shade of an edge ---------------------------------------------------------------------------------------


def test_behind_a_metal_screen_arrives_what_exact_paths_bring():
    """Middles of voxels where nothing but a bend reaches: the shortest paths of ``find_paths``, as many as count.

    The edge that is left out, the fourth of this screen, would add half a decibel at most.
    """
    screen = quad("screen", (4.0, 0.05, 0.02), (4.0, 7.9, 0.02), (4.0, 7.9, 2.4), (4.0, 0.05, 2.4))
    surfaces = tuple(surface(name, "metal", thickness_m=0.002) for name in ("low", "high", "screen"))
    setting = setting_of([*corner_plates((9.0, 8.0, 4.0)), screen], surfaces)
    sender = transmitter_at((1.3, 3.9, 1.6))
    grid = make_grid(setting.scene, 0.25)
    answer = trace(setting, grid=grid, transmitter=sender, max_reflections=0)
    dark = trace(setting, grid=grid, transmitter=sender, max_reflections=0, edges=False)
    # Deep in the shade the low voxel of a block speaks for it.
    index = np.stack(np.unravel_index(np.arange(grid.count), grid.shape), axis=1)
    centres = grid.centres_m(np.arange(grid.count)) + grid.origin_m
    deep = (index % 2 == 0).all(axis=1) & (centres[:, 0] > 4.6) & (centres[:, 0] < 8.0)
    deep &= (np.abs(centres[:, 1] - 3.9) < 1.2) & (centres[:, 2] > 0.3) & (centres[:, 2] < 1.6)
    numbers = np.flatnonzero(deep)[::2]
    assert len(numbers) > 15
    assert (dark.direct_power_w.reshape(-1)[numbers] == 0.0).all()
    points = grid.centres_m(numbers)
    paths, _ = find_paths(
        setting, setting.scene.to_local(sender.position_m[None]), points, linked=np.ones((1, len(points)), dtype=bool),
        max_reflections=0, rays=0, seed=1, jobs=Jobs(), edges_at_hz=2.45e9,
    )  # fmt: skip
    arriving = fields(
        paths, setting.facets, surfaces=surfaces, transmitters=(sender,), receivers=(),
        frequencies_hz=np.array([2.45e9]), wedges=setting.wedges,
    ).arriving[:, 0]  # fmt: skip
    strength = 1e-3 * (np.abs(arriving) ** 2).sum(axis=1)
    order = np.lexsort((paths.length_m, paths.receiver))
    rank = np.arange(paths.count) - np.searchsorted(paths.receiver[order], paths.receiver[order])
    shortest = order[rank < KEPT]
    expected = np.bincount(paths.receiver[shortest], strength[shortest], minlength=len(points))
    every = np.bincount(paths.receiver, strength, minlength=len(points))
    found = answer.direct_power_w.reshape(-1)[numbers]
    assert (expected > 0.0).all()
    np.testing.assert_allclose(found, expected, rtol=1e-6)
    assert (every > found).any()
    assert (10 * np.log10(every / found) < 0.6).all()


def test_the_shade_of_the_balcony_is_not_black():
    """Under the balcony of the demo playhouse: edges lift what hardly anything straight reaches, and leave no gaps.

    Once the film in its lath and plaster made them not a number.
    """
    plan = load_plan(DEMO / "playhouse.toml")
    setting = ready(plan, load_scene(plan))
    zone = next(z for z in plan.zones if z.name == "stalls under the balcony")
    grid = make_grid(setting.scene, 0.5, region_m=zone.box_m)
    sender = plan.transmitters[0]
    lit, dark = (trace(setting, grid=grid, transmitter=sender, max_reflections=0, edges=e) for e in (True, False))
    assert np.isfinite(lit.direct_power_w).all()

    def heard(volume):
        return float(np.mean(volume.direct_power_w > 1e-10))

    assert heard(dark) < 0.35
    assert heard(lit) > heard(dark) + 0.1


# --- memory and options --------------------------------------------------------------------------------------------


def test_every_volume_that_is_held_counts(setting):
    """Several results need more memory than one, and detail more than none; the cure fits."""
    assert bytes_per_voxel(threads=2, columns=3, volumes=3) > bytes_per_voxel(threads=2, columns=3)
    limit = 200_000 * bytes_per_voxel(threads=2, columns=13)
    make_grid(setting.scene, 0.1, threads=2, columns=13, limit_bytes=limit)
    with pytest.raises(InputError, match=r"voxel_m [0-9.]+ would fit") as refused:
        make_grid(setting.scene, 0.1, threads=2, columns=13, volumes=4, limit_bytes=limit)
    fits = float(refused.value.cure.split()[1])
    assert make_grid(setting.scene, fits, threads=2, columns=13, volumes=4, limit_bytes=limit).voxel_m == fits


@pytest.mark.parametrize(("detail", "workers", "volumes"), [(False, 1, 3), (True, 2, 1), (True, 2, 2)])
def test_the_memory_that_is_asked_for_is_enough_and_used(setting, tmp_path, detail, workers, volumes):
    """What NumPy takes at the peak, from tracing to the file: at most what is reckoned, and not much less.

    Once the tallies of all batches were still there while results were put together, and 8 GiB went over 8 GiB.
    """
    grid = make_grid(setting.scene, 0.1)
    columns = 13 if detail else 3
    kept = []
    tracemalloc.start()
    try:
        for number in range(volumes):
            sender = replace(FURNISHED[2], name=f"sender {number}")
            kept.append(trace(setting, grid=grid, transmitter=sender, rays=640, jobs=Jobs(workers=workers),
                              detail=detail, edges=False))  # fmt: skip
        write_vti(tmp_path / "v.vti", kept)
        peak = tracemalloc.get_traced_memory()[1] / grid.count
    finally:
        tracemalloc.stop()
    reckoned = bytes_per_voxel(threads=workers, columns=columns, volumes=volumes)
    assert 0.6 * reckoned < peak < reckoned


def test_what_the_program_itself_takes_counts(setting):
    """Under a limit that is all used there is no voxel size that fits."""
    assert 5e7 < bytes_in_use() < 1e11
    with pytest.raises(InputError, match=r"0.746 GiB may be used, 0.75 GiB of which the program itself takes"):
        make_grid(setting.scene, 0.1, limit_bytes=8e8 + 1e6, in_use_bytes=8e8)
    with pytest.raises(InputError, match=r"too little for any voxels.*; allow 0.8 GiB or more"):
        make_grid(setting.scene, 0.1, limit_bytes=7e8, in_use_bytes=8e8)


@pytest.mark.parametrize(
    ("option", "text", "value"),
    [
        ("until", "0.5dB", 0.5), ("until", " .25 DB", 0.25), ("until", "1", 1.0), ("time_limit", "90", 90.0),
        ("time_limit", "2 min", 120.0), ("memory", "4GiB", 2**32), ("memory", "500 MB", 5e8),
    ],
)  # fmt: skip
def test_amounts_are_read_with_their_unit(option, text, value):
    asked = volume_request(**{**NOTHING_ASKED, "until": "1dB", option: text})
    names = {"until": "until_db", "time_limit": "time_limit_s", "memory": "memory_bytes"}
    assert getattr(asked, names[option]) == value


@pytest.mark.parametrize(
    ("told", "says"),
    [
        ({"until": "0"}, "positive number of decibels"),
        ({"until": "0.5W"}, "positive number of decibels"),
        ({"until": "nan"}, "positive number of decibels"),
        ({"until": "1", "time_limit": "-3"}, "positive number of seconds"),
        ({"time_limit": "60"}, "add --until"),
        ({"memory": "lots"}, "positive number of bytes"),
        ({"memory": "4"}, "positive number of bytes"),
        ({"receiver": "lamp", "transmitter": "on the wall"}, "leave one of them out"),
        ({"receiver": "lamp", "antenna": "dipole"}, "leave one of them out"),
    ],
)
def test_amounts_that_cannot_be_are_refused(told, says):
    with pytest.raises(InputError, match=says):
        volume_request(**{**NOTHING_ASKED, **told})
