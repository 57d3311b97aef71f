"""Bodies and housings: bounds, course over angle and frequency, and a cylinder of muscle solved exactly."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from rf3d.radio.bodies import (
    HEADINGS,
    HOUSINGS,
    housing_loss_db,
    person_in_line_db,
    worn_loss_db,
)
from rf3d.venue.materials import BASES

AWAY_DB = {(915e6, False): 10.0, (915e6, True): 20.0, (2450e6, False): 15.0, (2450e6, True): 25.0}
"""Pack on the far side of its wearer; common practice, no source."""


@pytest.mark.parametrize(("case", "away_db"), AWAY_DB.items())
def test_a_worn_pack_from_facing_to_facing_away(case, away_db):
    frequency_hz, worst = case
    angle = np.radians(np.linspace(-180.0, 180.0, 3601))
    loss = worn_loss_db(angle, frequency_hz, worst=worst)
    assert worn_loss_db(0.0, frequency_hz, worst=worst) == 0.0
    assert worn_loss_db(np.pi, frequency_hz, worst=worst) == pytest.approx(away_db, abs=1e-12)
    assert worn_loss_db(np.pi / 2, frequency_hz, worst=worst) == pytest.approx(0.5 * away_db, abs=1e-12)
    np.testing.assert_allclose(loss, loss[::-1], atol=1e-12)
    assert (np.diff(loss[1800:]) > 0.0).all()
    # Without a step, its slope included: a tenth of a degree changes the loss by no more than away/2 · its radians.
    assert np.abs(np.diff(loss)).max() <= 0.5 * away_db * np.radians(0.1) + 1e-12
    assert np.abs(np.diff(loss, 2)).max() <= 0.5 * away_db * np.radians(0.1) ** 2 + 1e-12


def test_between_and_beyond_the_stated_frequencies():
    """Halfway in the logarithm, at √(915 · 2450) MHz, halfway in dB; held beyond both ends."""
    middle = np.sqrt(915e6 * 2450e6)
    frequency_hz = np.array([400e6, 915e6, middle, 2450e6, 5800e6])
    np.testing.assert_allclose(
        worn_loss_db(np.pi, frequency_hz, worst=False), [10.0, 10.0, 12.5, 15.0, 15.0], atol=1e-12
    )
    np.testing.assert_allclose(person_in_line_db(frequency_hz, worst=False), [4.0, 4.0, 5.0, 6.0, 6.0], atol=1e-12)
    np.testing.assert_allclose(person_in_line_db(frequency_hz, worst=True), [8.0, 8.0, 10.0, 12.0, 12.0], atol=1e-12)
    loss = worn_loss_db(np.zeros((3, 1)), frequency_hz, worst=True)
    assert loss.shape == (3, 5)


def test_eight_headings_go_round_evenly():
    """The mean over them is the mean over all angles of a raised cosine: half of what facing away costs."""
    assert HEADINGS.shape == (8,)
    np.testing.assert_allclose(np.diff(HEADINGS), np.pi / 4)
    for turn in (0.0, 0.3):
        assert worn_loss_db(HEADINGS + turn, 2450e6, worst=False).mean() == pytest.approx(7.5, abs=1e-12)
    with pytest.raises(ValueError, match="read-only"):
        HEADINGS[0] = 1.0


def test_housings_follow_from_the_gain_inside_them():
    """−2 to −6 dBi against a dipole's 2.15 dBi is 4 to 8 dB; a prop takes 10 to 30 dB more."""
    lantern = HOUSINGS["metal lantern"]
    assert (lantern.typical_db, lantern.worst_db) == (round(2.15 + 2.0), round(2.15 + 6.0))
    assert housing_loss_db("metal lantern") == lantern.typical_db
    assert housing_loss_db("metal prop") == lantern.typical_db + 10.0
    assert housing_loss_db("metal prop", worst=True) == lantern.worst_db + 30.0
    for housing in HOUSINGS.values():
        assert housing.typical_db < housing.worst_db
        assert BASES[housing.basis] in housing.source


def test_a_person_in_the_line_brackets_a_cylinder_of_muscle(shared):
    """A wave along the axis of a cylinder 0.3 m thick, 1 m behind it: between the typical and the worst value."""
    with (shared / "checks" / "body_cylinder_reference.csv").open(encoding="utf-8") as file:
        rows = [
            row for row in csv.DictReader(file)
            if row["material"] == "muscle" and row["pol"] == "TM"
            and (float(row["radius_m"]), float(row["dist_from_axis_m"])) == (0.15, 1.0)
        ]  # fmt: skip
    exact = {float(row["f_GHz"]): -float(row["total_over_incident_dB"]) for row in rows}
    for frequency_ghz, printed_db in ((0.915, 6.53), (2.45, 8.58)):
        assert exact[frequency_ghz] == pytest.approx(printed_db, abs=0.01)
        frequency_hz = 1e9 * frequency_ghz
        assert person_in_line_db(frequency_hz, worst=False) < printed_db < person_in_line_db(frequency_hz, worst=True)
