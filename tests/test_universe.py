"""Universes: frames a second of the wire's timing, bits of slot data, share of the air."""

from __future__ import annotations

import pytest

from rf3d.radio.universe import air_time_share, most_frames_s, slot_data_bit_s


def test_frames_a_second_of_the_wire():
    """A full frame is 92 + 12 + 513 · 44 = 22 676 µs; short ones come no closer than 1204 µs.

    Source: ANSI E1.11-2008 (R2018); break, mark and break-to-break times from memory.
    """
    assert 1e6 / most_frames_s(512) == pytest.approx(22_676.0, rel=1e-12)
    assert most_frames_s(512) == pytest.approx(44.10, abs=0.005)
    # 24 slots make 1204 µs to the microsecond: up to there the limit holds, from there on the slots count.
    assert most_frames_s(1) == most_frames_s(24) == pytest.approx(830.6, abs=0.05)
    assert 1e6 / most_frames_s(25) == pytest.approx(1248.0, rel=1e-12)


def test_bits_of_a_full_universe():
    """512 slots × 8 bit × 44 frames a second = 180 kbit/s of slot data, derived from ANSI E1.11."""
    full = slot_data_bit_s(1, 512, frames_s=44.0)
    assert full == 180_224.0
    assert slot_data_bit_s(4, 128, frames_s=44.0) == full


def test_share_of_the_air():
    full = slot_data_bit_s(1, 512, frames_s=44.0)
    assert air_time_share(full, repeats=1, data_rate_bit_s=1e6) == pytest.approx(0.180224)
    assert air_time_share(full, repeats=3, data_rate_bit_s=1e6) == pytest.approx(3 * 0.180224)
    # A narrow channel of 100 kbit/s does not carry it.
    assert air_time_share(full, repeats=1, data_rate_bit_s=100e3) > 1.0
