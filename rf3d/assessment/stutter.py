"""Will it ever visibly freeze: how far apart good updates come, from the chance that one packet gets through.

The model. Each update is sent ``repeats`` times, on successive packets; it is lost if all its copies are. Packets hop
to channels drawn independently, so at one spot each gets through with the same chance and independently of the others
(independent hops). The fading stands still for ``BLOCK_S`` and is then drawn anew from the spots of the neighbourhood
(block fading). Within this model the numbers are exact: runs of lost updates follow the recursion of recurrent events,
across the borders of blocks too.

Source: Feller, An Introduction to Probability Theory and Its Applications I, 3rd ed., XIII.7, runs (from memory).
Valid for: hops that differ from packet to packet (a sequence that takes every channel once before it repeats does a
little better), other radios' bursts no longer than a packet (longer ones make longer runs: worse), and people and
scenery that move about once in ``BLOCK_S`` (assumed; slower is fewer draws and longer gaps, faster the reverse).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.units import FloatArray

FREEZE_S = 0.25
"""A gap between good updates longer than this is seen as a freeze; common practice, no source."""
SHOW_S = 7200.0
"""A show, two hours."""
BLOCK_S = 10.0
"""How long the fading stands still; assumed."""
STUTTER_MODEL = (
    f"hops independent of each other, fading that stands still for {BLOCK_S:.0f} s (assumed) and is then drawn anew "
    f"from the spots within a wavelength; a freeze is a gap of more than {FREEZE_S:g} s between good updates; a show "
    f"takes {SHOW_S / 3600:.0f} hours"
)
WITHIN = 0.999
"""Share of the gaps that ``Stutter.gap_s_999`` holds."""
_CHUNK = 64


@dataclass(frozen=True)
class Stutter:
    """How updates arrive at one receiver.

    Attributes
    ----------
    updates_s : float
        Updates a second that are sent.
    mean_delay_s : float
        From a change at a random moment to the end of the first packet that brings it: the wait for the next update,
        and every packet until one gets through. inf where no spot gets anything.
    freeze_chance : float
        Chance of one visible freeze or more in a show.
    freezes_expected : float
        Their mean number in a show.
    gap_s_999 : float
        Length that 99.9 % of the gaps between good updates do not exceed, in whole updates; inf where no spot gets
        anything or it is longer than the show.
    spots_dead : float
        Share of the spots where nothing gets through.
    """

    updates_s: float
    mean_delay_s: float
    freeze_chance: float
    freezes_expected: float
    gap_s_999: float
    spots_dead: float


def stutter(packet_success: FloatArray, *, packets_s: float, repeats: int) -> Stutter:
    """Gaps between good updates at a receiver.

    Gaps are counted in whole updates, T = repeats / packets_s: after m lost updates in a row a gap is (m + 1)·T long,
    and it is a freeze if that exceeds ``FREEZE_S``. Every gap is one where T alone does.

    Parameters
    ----------
    packet_success : (S,) float64
        Chance that one packet gets through at each spot of the neighbourhood: the mean over channels and over moments
        of interference; 0 to 1, at least one spot.
    packets_s : float
        Packets a second, copies included; positive.
    repeats : int
        Times each update is sent, 1 or more.
    """
    interval_s = repeats / packets_s
    run = int(FREEZE_S / interval_s + 1e-9)
    updates = max(1, round(BLOCK_S / interval_s))
    blocks = max(1, round(SHOW_S / BLOCK_S))
    with np.errstate(divide="ignore"):
        log_lost = repeats * np.log1p(-np.asarray(packet_success, dtype=np.float64))
    gaps = _gaps(log_lost, updates)
    expected = _runs_expected(gaps, run, blocks)
    tried = _packets_until_good(packet_success, log_lost, updates=updates, repeats=repeats)
    return Stutter(
        updates_s=1.0 / interval_s,
        mean_delay_s=0.5 * interval_s + tried / packets_s,
        # A chance is no more than the mean number; the difference of nearly equal numbers it comes from may be.
        freeze_chance=min(expected, run_chance(log_lost, run=run, updates=updates, blocks=blocks)),
        freezes_expected=expected,
        gap_s_999=interval_s * _longest_usual_gap(gaps, blocks * updates),
        spots_dead=float(np.mean(np.asarray(packet_success) <= 0.0)),
    )


def freeze_text(chance: float) -> str:
    """A chance of freezing in words, never rounded down.

    Examples
    --------
    >>> freeze_text(0.004), freeze_text(0.13), freeze_text(0.98)
    ('under 1 in 100', 'about 1 in 7', 'almost certain')
    """
    if chance < 0.001:
        return "under 1 in 1000"
    if chance < 0.01:
        return "under 1 in 100"
    if chance > 0.95:
        return "almost certain"
    if chance > 0.6:
        return "more likely than not"
    one_in = int(1.0 / chance)
    return f"about 1 in {max(2, one_in if one_in < 20 else one_in - one_in % 10)}"


def run_chance(log_lost: FloatArray, *, run: int, updates: int, blocks: int) -> float:
    """Chance of ``run`` lost updates in a row, or more, somewhere in ``blocks`` blocks of ``updates`` updates.

    Each block draws one of the S spots; a run may cross the border of two blocks. The state is the number of updates
    lost in a row, 0 at the start. A block that starts in state a and first succeeds after k more losses goes on like
    one that starts afresh with u(t), the chance that update t is good and no run has been; it ends in state j with
    q^k · p · u(updates − 1 − k − j) · q^j. That depends on k + j alone, so that a block is a matrix of differences of
    one cumulative sum, averaged over the spots, and a show its power.

    u(t) = u(t − 1) − p q^m u(t − 1 − m) from u(0) = 1, u(1) = p: the recurrence whose generating function has the
    denominator 1 − s + p q^m s^(m + 1). Feller's root formula is its slowest term; here it is summed whole.

    Parameters
    ----------
    log_lost : (S,) float64
        Natural logarithm of the chance q = 1 − p that one update is lost; −inf where none is.
    run : int
        0 gives certainty.
    updates : int
        At least 2 · run − 1.

    Source: Feller, as in the module's text.
    """
    if run == 0:
        return 1.0
    # weight[i]: mean over spots of p q^i u(updates − 1 − i), for i = k + j up to 2 run − 2.
    weight = np.zeros(2 * run - 1)
    for first in range(0, len(log_lost), _CHUNK):
        some = log_lost[first : first + _CHUNK]
        fresh = _fresh(some, run, updates)[::-1][: 2 * run - 1]
        weight += (-np.expm1(some) * _powers(some, 2 * run - 2) * fresh).sum(axis=1)
    sums = np.concatenate([[0.0], np.cumsum(weight / len(log_lost))])
    start, end = np.arange(run)[:, None], np.arange(run)
    block = sums[run - start + end] - sums[end]
    state = np.zeros(run)
    state[0] = 1.0
    for _ in range(blocks):
        state = state @ block
    return float(np.clip(1.0 - state.sum(), 0.0, 1.0))


def _powers(log_lost: FloatArray, most: int) -> FloatArray:
    """Powers q^0 to q^most of the chance q to lose an update, (most + 1, S)."""
    return np.concatenate([np.ones((1, len(log_lost))), np.exp(np.arange(1, most + 1)[:, None] * log_lost)])


def _fresh(log_lost: FloatArray, run: int, updates: int) -> FloatArray:
    """Chance u(t), (updates, S), that update t is good and no ``run`` lost ones came before; u(0) = 1 starts afresh.

    A step refers to ``run`` + 1 updates before, so that as many follow from one cumulative sum.
    """
    good = -np.expm1(log_lost)
    step = good * np.exp(run * log_lost)
    u = np.zeros((updates, len(log_lost)))
    u[0] = 1.0
    u[1 : run + 1] = good
    for t in range(run + 1, updates, run + 1):
        last = min(t + run + 1, updates)
        u[t:last] = u[t - 1] - step * np.cumsum(u[t - 1 - run : last - 1 - run], axis=0)
    return u


@dataclass(frozen=True, eq=False)
class _Gaps:
    """Means over the spots: ``lost`` of q^j, ``good_then_lost`` of p q^j, j from 0 to the updates of a block."""

    lost: FloatArray
    good_then_lost: FloatArray

    @property
    def updates(self) -> int:
        return len(self.lost) - 1


def _gaps(log_lost: FloatArray, updates: int) -> _Gaps:
    lost, good_then_lost = np.zeros(updates + 1), np.zeros(updates + 1)
    ordered = np.sort(log_lost)
    for first in range(0, len(ordered), _CHUNK):
        some = ordered[first : first + _CHUNK]
        # Powers below e^−700 are nothing to a float.
        most = updates if updates * some[-1] > -700.0 else int(-700.0 / some[-1])
        powers = _powers(some, most)
        lost[: most + 1] += powers.sum(axis=1)
        good_then_lost[: most + 1] += powers @ -np.expm1(some)
    return _Gaps(lost / len(log_lost), good_then_lost / len(log_lost))


def _runs_expected(gaps: _Gaps, run: int, blocks: int) -> float:
    """Mean number of times that ``run`` updates are lost after a good one, or after the start, in ``blocks`` blocks.

    A good update and its run lie in one block, or the run goes over into the next; ``run`` is shorter than a block.
    """
    inside = blocks * (gaps.updates - run) * gaps.good_then_lost[run]
    across = (blocks - 1) * (gaps.good_then_lost[:run] * gaps.lost[run:0:-1]).sum()
    return float(gaps.lost[run] + inside + across)


def _longest_usual_gap(gaps: _Gaps, most: int) -> float:
    """Least number of updates k so that a share ``WITHIN`` of the gaps is no longer; inf beyond ``most``."""
    each = gaps.updates * gaps.good_then_lost[0]

    def longer(k: int) -> float:
        """Mean number, for the good updates of one block, of gaps longer than k updates: k lost ones follow."""
        j = np.arange(min(k, gaps.updates))
        whole, rest = np.divmod(k - j, gaps.updates)
        across = (gaps.good_then_lost[j] * gaps.lost[-1] ** whole * gaps.lost[rest]).sum()
        inside = (gaps.updates - k) * gaps.good_then_lost[k] if k < gaps.updates else 0.0
        return float(inside + across)

    if each == 0.0 or longer(most) > (1.0 - WITHIN) * each:
        return np.inf
    low, high = 0, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if longer(middle) > (1.0 - WITHIN) * each else (low, middle)
    return float(high)


def _packets_until_good(packet_success: FloatArray, log_lost: FloatArray, *, updates: int, repeats: int) -> float:
    """Mean number of packets, from the start of a random update, up to and with the first that gets through.

    What remains of a block is tried at its spot, (1 − q^R)/p packets of R; then block by block anew.
    """
    p = np.asarray(packet_success, dtype=np.float64)
    through = -np.expm1(updates * log_lost)
    # Mean over the updates i of a block, 1 to n from its end, of 1 − u^i; by its first term where that is exact.
    near = updates * -log_lost < 1e-6
    safe = np.where(near, -1.0, log_lost)
    mean_lost = np.exp(safe) * np.expm1(updates * safe) / (updates * np.expm1(safe))
    reached = np.where(near, -0.5 * (updates + 1) * log_lost, 1.0 - mean_lost)
    if not through.any():
        return np.inf
    alive, divisor = p > 0.0, np.where(p > 0.0, p, 1.0)
    here = np.where(alive, reached / divisor, 0.5 * repeats * (updates + 1))
    whole = np.where(alive, through / divisor, float(repeats * updates))
    return float(here.mean() + (1.0 - reached).mean() * whole.mean() / through.mean())
