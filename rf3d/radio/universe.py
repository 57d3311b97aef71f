"""What a universe asks of the air: frames a second, bits a second, and the share of a radio's data rate they take.

A universe is up to 512 slots of one byte, sent over and over as frames: a break, a mark, a
start code and the slots. The wire's timing bounds the frames a second; radios carry the
slots alone, so the load on the air counts their bits and nothing of the wire's framing.
"""

from __future__ import annotations

MOST_SLOTS = 512
BREAK_S = 92e-6
MARK_AFTER_BREAK_S = 12e-6
SLOT_S = 44e-6
"""Eleven bits of 4 µs: start, eight data, two stop."""
BREAK_TO_BREAK_S = 1204e-6
"""Least time from one break to the next."""
SLOT_BITS = 8


def most_frames_s(slots: int) -> float:
    """Most frames a second a wire can carry: 1 / max(1204 µs, 92 µs + 12 µs + 44 µs · (slots + 1)).

    Parameters
    ----------
    slots : int
        Of one frame without its start code, 0 to ``MOST_SLOTS``.

    Source: ANSI E1.11-2008 (R2018): 250 kbit/s, slots of 11 bits, at most 512 after the start code; the least break,
    mark and break-to-break time of a transmitter are from memory.

    Examples
    --------
    >>> round(most_frames_s(512), 2)
    44.1
    """
    return 1.0 / max(BREAK_TO_BREAK_S, BREAK_S + MARK_AFTER_BREAK_S + SLOT_S * (slots + 1))


def slot_data_bit_s(universes: int, slots: int, *, frames_s: float) -> float:
    """Bits a second of slot data: universes · slots · 8 · frames_s, without a start code or a radio's own framing.

    Examples
    --------
    >>> slot_data_bit_s(1, 512, frames_s=44.0)
    180224.0
    """
    return universes * slots * SLOT_BITS * frames_s


def air_time_share(slot_data_bit_s: float, *, repeats: int, data_rate_bit_s: float) -> float:
    """Share of a radio's data rate that slot data takes when each update is sent ``repeats`` times; above 1: no fit.

    A lower bound: a radio's preambles, addresses, checks and gaps come on top, and data rates are often stated without
    them.

    Parameters
    ----------
    slot_data_bit_s : float
        As from ``slot_data_bit_s``.
    repeats : int
        Times each update is sent, 1 or more.
    data_rate_bit_s : float
        Of the radio.

    Examples
    --------
    >>> round(air_time_share(180224.0, repeats=2, data_rate_bit_s=1e6), 2)
    0.36
    """
    return slot_data_bit_s * repeats / data_rate_bit_s
