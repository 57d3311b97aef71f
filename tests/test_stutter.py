"""Gaps between good updates: exact small cases, a simulation of the same model, limits, and words for a chance."""

from __future__ import annotations

import doctest
from itertools import product

import numpy as np
import pytest

from rf3d.assessment import stutter as stuttering
from rf3d.assessment.stutter import BLOCK_S, FREEZE_S, SHOW_S, freeze_text, run_chance, stutter


def log_of(lost: list[float]) -> np.ndarray:
    """Logarithms of chances, −inf of 0."""
    with np.errstate(divide="ignore"):
        return np.log(np.array(lost))


def longest_run(outcome: tuple[bool, ...]) -> int:
    """Most losses in a row; True is a loss."""
    longest = current = 0
    for lost in outcome:
        current = current + 1 if lost else 0
        longest = max(longest, current)
    return longest


# --- exact, by going through all outcomes --------------------------------------------------------------------------


def test_a_run_of_three_in_ten_fair_tosses():
    """520 of the 1024 outcomes have one, counted here."""
    count = sum(longest_run(outcome) >= 3 for outcome in product((False, True), repeat=10))
    assert count == 520
    assert run_chance(log_of([0.5]), run=3, updates=10, blocks=1) == pytest.approx(count / 1024, rel=1e-14)
    # The same tosses cut into two blocks of one and the same spot: borders do not matter.
    assert run_chance(log_of([0.5]), run=3, updates=5, blocks=2) == pytest.approx(count / 1024, rel=1e-14)


@pytest.mark.parametrize("lost", [[0.3], [0.9, 0.2], [1.0, 0.4, 0.0], [0.999, 0.5]])
@pytest.mark.parametrize(("run", "updates", "blocks"), [(1, 2, 3), (2, 3, 3), (3, 5, 2), (2, 10, 1), (4, 7, 1)])
def test_chance_and_number_of_runs_over_all_outcomes(lost, run, updates, blocks):
    """Every sequence of outcomes with its chance, spots drawn anew for each block."""
    chance = number = 0.0
    for spots in product(lost, repeat=blocks):
        q = np.repeat(spots, updates)
        for outcome in product((False, True), repeat=updates * blocks):
            weight = np.prod(np.where(outcome, q, 1.0 - q)) / len(lost) ** blocks
            current, reached = 0, 0
            for one in outcome:
                current = current + 1 if one else 0
                reached += current == run
            chance += weight * (reached > 0)
            number += weight * reached
    log_lost = log_of(lost)
    assert run_chance(log_lost, run=run, updates=updates, blocks=blocks) == pytest.approx(chance, abs=1e-13)
    got = stuttering._runs_expected(stuttering._gaps(log_lost, updates), run, blocks)
    assert got == pytest.approx(number, rel=1e-12)


# --- the same model, drawn -----------------------------------------------------------------------------------------


def simulate(packet_success: np.ndarray, *, packets_s: float, repeats: int, blocks: int, shows: int, seed: int):
    """Updates of ``shows`` shows, (shows, blocks · updates of a block, repeats): which packets got through."""
    generator = np.random.default_rng(seed)
    updates = round(BLOCK_S * packets_s / repeats)
    spot = generator.integers(len(packet_success), size=(shows, blocks))
    p = np.repeat(packet_success[spot], updates, axis=1)[:, :, None]
    return generator.random((shows, blocks * updates, repeats), dtype=np.float32) < p


@pytest.mark.parametrize(
    ("packet_success", "packets_s", "repeats"),
    [
        (np.array([0.5]), 40.0, 1),
        (np.array([0.9, 0.8, 0.75, 0.3]), 40.0, 2),
        (np.array([1.0, 1.0, 1.0, 0.95, 0.6, 0.03]), 44.0, 1),
        (np.array([0.95] * 9 + [0.0]), 30.0, 3),
    ],
)
def test_against_shows_that_are_drawn(monkeypatch, packet_success, packets_s, repeats):
    """Shows of two minutes; chance, number, delay and gaps within 4 standard errors (a false alarm in 16 000)."""
    blocks, shows = 12, 1500
    monkeypatch.setattr(stuttering, "SHOW_S", blocks * BLOCK_S)
    told = stutter(packet_success, packets_s=packets_s, repeats=repeats)
    packets = simulate(packet_success, packets_s=packets_s, repeats=repeats, blocks=blocks, shows=shows, seed=4)
    good = packets.any(axis=2)
    interval_s = repeats / packets_s
    # Number of updates from the last good one; the first starts from a good one.
    place = np.arange(1, good.shape[1] + 1)
    since = place - np.maximum.accumulate(np.where(good, place, 0), axis=1)
    least = int(np.floor(FREEZE_S / interval_s + 1e-9))
    freezes = (since == least).sum(axis=1)
    frozen = np.mean(freezes > 0)
    assert told.freeze_chance == pytest.approx(frozen, abs=4 * np.sqrt(max(frozen * (1 - frozen), 1e-3) / shows))
    assert told.freezes_expected == pytest.approx(freezes.mean(), abs=4 * np.sqrt(max(freezes.var(), 1e-3) / shows))
    # Gaps that end within the show; how far the share of long ones scatters is measured over shows.
    gap = (np.concatenate([np.zeros((shows, 1), int), since[:, :-1]], axis=1) + 1) * good
    k = round(told.gap_s_999 / interval_s)
    for limit, most in ((k, True), (k - 1, False)):
        share = (gap > limit).sum(axis=1) - 0.001 * good.sum(axis=1)
        error = 4 * share.std() / np.sqrt(shows)
        assert share.mean() < error if most else share.mean() > -error
    # A change in each of the first nine blocks; what follows is long enough.
    flat = packets.reshape(shows, -1)
    sent = np.arange(flat.shape[1])
    following = np.minimum.accumulate(np.where(flat, sent, 10**9)[:, ::-1], axis=1)[:, ::-1]
    starts = sent[: 9 * flat.shape[1] // blocks : repeats]
    tried = following[:, starts] - starts + 1
    assert tried.max() < 10**8
    waits = 0.5 * interval_s + tried.mean(axis=1) / packets_s
    assert told.mean_delay_s == pytest.approx(waits.mean(), abs=4 * waits.std() / np.sqrt(shows) + 1e-12)


# --- limits and order ----------------------------------------------------------------------------------------------


def test_nothing_lost_and_nothing_received():
    """A perfect link waits half an update and takes one packet; a dead one freezes once, for good."""
    perfect = stutter(np.ones(3), packets_s=40.0, repeats=2)
    assert perfect.updates_s == 20.0
    assert perfect.mean_delay_s == pytest.approx(0.025 + 0.025)
    assert (perfect.freeze_chance, perfect.freezes_expected, perfect.spots_dead) == (0.0, 0.0, 0.0)
    assert perfect.gap_s_999 == pytest.approx(0.05)
    dead = stutter(np.zeros(3), packets_s=40.0, repeats=2)
    assert (dead.mean_delay_s, dead.gap_s_999) == (np.inf, np.inf)
    assert (dead.freeze_chance, dead.freezes_expected, dead.spots_dead) == (1.0, 1.0, 1.0)
    half = stutter(np.array([1.0, 0.0]), packets_s=40.0, repeats=2)
    assert half.spots_dead == 0.5
    assert half.freeze_chance == pytest.approx(1.0, abs=1e-12)
    # 719 borders, each from the living to the dead spot with one chance in four, and the start.
    assert half.freezes_expected == pytest.approx(719 / 4 + 0.5, rel=1e-12)
    # Half the changes wait for half a block and one block more on the average.
    assert half.mean_delay_s == pytest.approx(0.025 + 0.5 * 0.025 + 0.5 * (5.025 + 10.0 + 0.025), rel=1e-12)


@pytest.mark.parametrize("lost", [1e-300, 1e-12, 1e-3, 0.999, 1.0 - 1e-12, 1.0])
@pytest.mark.parametrize("packets_s", [0.05, 3.0, 44.0, 1600.0])
def test_extremes_give_numbers(lost, packets_s):
    """Nearly everything or nearly nothing lost, from a packet every 20 s to a fast hopper; warnings are errors."""
    told = stutter(np.array([1.0 - lost]), packets_s=packets_s, repeats=1)
    assert 0.0 <= told.freeze_chance <= 1.0
    assert told.freezes_expected >= told.freeze_chance
    assert told.gap_s_999 >= 1.0 / packets_s
    assert told.mean_delay_s >= 1.5 / packets_s
    tiny = stutter(np.array([lost if lost < 1e-2 else 1e-200]), packets_s=packets_s, repeats=1)
    assert tiny.freeze_chance == pytest.approx(1.0, abs=0.2)
    assert not np.isnan(tiny.mean_delay_s)


def test_updates_rarer_than_a_freeze_always_freeze():
    """Three a second: every gap is a freeze, 21 600 in a show and the one it starts with."""
    slow = stutter(np.ones(2), packets_s=3.0, repeats=1)
    assert slow.freeze_chance == 1.0
    assert slow.freezes_expected == pytest.approx(1.0 + 3.0 * SHOW_S)
    # Just at the limit a gap without a loss is no freeze: it must exceed 0.25 s.
    assert stutter(np.ones(2), packets_s=1.0 / FREEZE_S, repeats=1).freeze_chance == 0.0


def test_rare_freezes_follow_the_limit_for_rare_runs():
    """Feller's limit for rare runs: the chance is 1 − exp(−number), where p q^m (n − m) + q^m is the number."""
    q, run, n = 0.25, 11, 44 * 7200
    number = (1 - q) * q**run * (n - run) + q**run
    told = stutter(np.array([1.0 - q]), packets_s=44.0, repeats=1)
    assert told.freezes_expected == pytest.approx(number, rel=1e-9)
    assert told.freeze_chance == pytest.approx(-np.expm1(-number), rel=1e-4)
    # Among the gaps q^k are longer than k updates: 0.25^5 = 0.00098 is the first below 0.001.
    assert told.gap_s_999 == pytest.approx(5 / 44)
    assert told.mean_delay_s == pytest.approx((0.5 + 4 / 3) / 44, rel=1e-9)


def test_better_packets_and_more_repeats_at_the_same_updates_freeze_less():
    spots = np.linspace(0.2, 0.6, 9)
    better = [stutter(np.minimum(1.0, spots + shift), packets_s=44.0, repeats=1) for shift in np.linspace(0, 0.7, 8)]
    more = [stutter(spots, packets_s=22.0 * repeats, repeats=repeats) for repeats in range(1, 9)]
    for told in (better, more):
        for name in ("mean_delay_s", "freeze_chance", "freezes_expected", "gap_s_999"):
            values = np.array([getattr(one, name) for one in told])
            assert (np.diff(values) <= 1e-12).all(), name
            assert values[-1] < values[0], name


def test_an_even_mixture_is_no_better_than_its_parts_allow():
    """Losses that come together make runs: the same mean success in two kinds of spot freezes more than in one."""
    same = stutter(np.array([0.6]), packets_s=44.0, repeats=1)
    apart = stutter(np.array([0.9, 0.3]), packets_s=44.0, repeats=1)
    assert apart.freezes_expected > 10 * same.freezes_expected
    assert apart.gap_s_999 > same.gap_s_999


# --- words ---------------------------------------------------------------------------------------------------------


def test_words_are_never_better_than_the_chance():
    said = {
        0.0: "under 1 in 1000", 0.00099: "under 1 in 1000", 0.001: "under 1 in 100", 0.0099: "under 1 in 100",
        0.0101: "about 1 in 90", 0.026: "about 1 in 30", 0.125: "about 1 in 8", 0.13: "about 1 in 7",
        0.34: "about 1 in 2", 0.55: "about 1 in 2", 0.7: "more likely than not", 0.96: "almost certain",
        1.0: "almost certain",
    }  # fmt: skip
    assert {chance: freeze_text(chance) for chance in said} == said
    for chance in np.geomspace(1e-4, 0.6, 500):
        words = freeze_text(chance)
        limit = 1.0 / int(words.split(" in ")[1])
        assert chance < limit if words.startswith("under") else chance <= limit or limit == 0.5


def test_the_examples_run():
    done = doctest.testmod(stuttering)
    assert done.attempted > 0
    assert done.failed == 0
