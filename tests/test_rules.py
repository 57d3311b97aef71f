"""What regions let radios send: limits against print, and what a plan is told of them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from rf3d.assessment.check import rule_findings
from rf3d.plan import load_plan
from rf3d.radio.radios import Radio
from rf3d.radio.rules import broken_rule, known_rules
from rf3d.venue.materials import BASES
from tests.test_cures import DEMO


def hopper(low_mhz: float, channels: int, *, spacing_mhz: float = 1.0, bandwidth_mhz: float = 1.0) -> Radio:
    low = low_mhz * 1e6
    spacing = spacing_mhz * 1e6
    return Radio("hopper", low, low + (channels - 1) * spacing, spacing, bandwidth_mhz * 1e6, -90.0)


@pytest.mark.parametrize(
    ("region", "radio", "gain_dbi", "most_dbm"),
    [
        # 47 CFR 15.247 (b)(1): 1 W for 75 channels and more at 2.4 GHz; (b)(4): decibel for decibel above 6 dBi.
        ("US", hopper(2402, 79, bandwidth_mhz=0.4), 6.0, 30.0),
        ("US", hopper(2402, 79, bandwidth_mhz=0.4), 9.0, 27.0),
        ("US", hopper(2402, 79, bandwidth_mhz=0.4), 2.0, 30.0),
        # (b)(1): 0.125 W for fewer; (b)(2): 0.25 W for 25 to 49 channels at 902 to 928 MHz, so 30 dBm EIRP with 6 dBi.
        ("US", hopper(2402, 40, bandwidth_mhz=0.4), 6.0, 10.0 * math.log10(125.0)),
        ("US", hopper(902.75, 30, spacing_mhz=0.5, bandwidth_mhz=0.4), 6.0, 24.0),
        ("US", hopper(902.75, 50, spacing_mhz=0.5, bandwidth_mhz=0.2), 6.0, 30.0),
        # 15.249: 50 mV/m at 3 m, so (E·d)²/30 = 0.75 mW, whatever the modulation.
        ("US", hopper(2402, 10, bandwidth_mhz=0.4), 0.0, 10.0 * math.log10(0.75)),
        # EN 300 328: 100 mW EIRP; and 10 mW in a megahertz where nothing hops.
        ("EU", hopper(2402, 79), 2.0, 18.0),
        ("EU", hopper(2450, 1, bandwidth_mhz=2.0), 0.0, 10.0 + 10.0 * math.log10(2.0)),
        # ERC 70-03: 5 mW ERP, that is over a half-wave dipole of 2.15 dBi, without a limit in time.
        ("EU", hopper(869.85, 1, bandwidth_mhz=0.1), 0.0, 10.0 * math.log10(5.0) + 2.15),
    ],
)
def test_limits_are_those_of_the_texts(region, radio, gain_dbi, most_dbm):
    """Source: the texts named in each row of the catalogue; products of their numbers by hand."""
    assert broken_rule(region, radio, power_dbm=most_dbm - 0.1, gain_dbi=gain_dbi) is None
    _, given, limit = broken_rule(region, radio, power_dbm=most_dbm + 0.1, gain_dbi=gain_dbi)
    assert given == pytest.approx(most_dbm + 0.1)
    assert limit == pytest.approx(most_dbm, abs=0.01)


@pytest.mark.parametrize(
    ("region", "radio", "word"),
    [
        ("EU", hopper(902.75, 50, spacing_mhz=0.5, bandwidth_mhz=0.25), "in no band held here"),
        ("US", hopper(868.3, 1, bandwidth_mhz=0.1), "in no band held here"),
        ("US", hopper(2402, 83), "in no band held here"),  # its last channel reaches above 2483.5 MHz
        ("EU", hopper(868.3, 1, bandwidth_mhz=0.2), "1 % of the time only"),
        ("DE", hopper(869.5, 1, bandwidth_mhz=0.2), "10 % of the time only"),
    ],
)
def test_bands_that_are_shut_or_open_for_moments_only(region, radio, word):
    words, _, limit = broken_rule(region, radio, power_dbm=0.0, gain_dbi=2.15)
    assert word in words
    assert limit == -math.inf


def test_nothing_is_said_of_regions_that_nothing_is_held_of():
    assert broken_rule("ZZ", hopper(100, 1), power_dbm=60.0, gain_dbi=0.0) is None
    assert broken_rule(None, hopper(100, 1), power_dbm=60.0, gain_dbi=0.0) is None


def test_every_row_has_a_basis_a_source_and_a_limit():
    for rules in known_rules().values():
        assert rules.dated
        for row in rules.rows:
            assert row.basis in BASES
            assert row.source
            assert row.low_hz < row.high_hz
            assert np.isfinite(min(row.power_dbm, row.eirp_dbm))


def test_a_plan_is_told_what_its_region_does_not_let_it_do():
    """The demo plan keeps to its region's rules, breaks those of another, and without a region hears of none held."""
    plan = load_plan(DEMO / "playhouse.toml")
    assert rule_findings(plan) == []
    over = {said.where: said for said in rule_findings(replace(plan, region="EU"))}
    assert over
    for said in over.values():
        assert said.code == "outside-rules"
        assert said.severity == "caution"
        assert "European Union" in said.message
        assert "the responsible person decides" in said.message
    for region, words in ((None, "names no region"), ("ZZ", 'of "ZZ"')):
        (said,) = rule_findings(replace(plan, region=region))
        assert (said.code, said.severity) == ("rules-not-held", "info")
        assert words in said.message


def test_a_receiver_that_answers_is_held_against_the_rules_too():
    plan = load_plan(DEMO / "playhouse.toml")
    loud = replace(plan.receivers[0], answer_power_dbm=33.0)
    (said,) = rule_findings(replace(plan, receivers=(loud, *plan.receivers[1:])))
    assert said.where == loud.name
    assert said.value == 33.0
