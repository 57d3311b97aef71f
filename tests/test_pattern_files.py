"""Antenna files: every sample comes back, what lies between is smooth, and a file that contradicts itself is told."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from rf3d.cli import main
from rf3d.errors import InputError
from rf3d.plan import load_plan
from rf3d.propagation.launch import launch, launch_table
from rf3d.radio.antennas import UPRIGHT, file_antenna, gain, make_antenna, mean_gain, response, world_response
from rf3d.radio.figures import agreement, figures, largest_dimension_m, polarisation_text, size_basis
from rf3d.radio.pattern_files import read_pattern
from rf3d.radio.patterns import Cuts, curve, curve_gain, field_grid, gain_grid, sampled_field, sampled_gain
from rf3d.radio.readers.samples import two_cuts
from rf3d.units import direction, to_db
from tests.twins import DIPOLE_DIRECTIVITY

PANEL = make_antenna(
    "p", pattern="panel", gain_dbi=9.0, beamwidth_deg=(60, 60), polarisation="vertical", xpd_db=20, efficiency=0.9
)
CROSSED = Path(__file__).parent / "data" / "nec2c_crossed_dipoles.txt"
"""Output of nec2c 1.3 (open source): two half-wave dipoles along y and z, the second a quarter period behind."""


def grid_deg(step: float, phi_step: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    """θ and φ of a full grid, φ within θ."""
    theta, phi = np.arange(0.0, 180.0 + step / 2, step), np.arange(0.0, 360.0, phi_step or step)
    return np.repeat(theta, len(phi)), np.tile(phi, len(theta))


def towards(theta_deg, phi_deg) -> np.ndarray:
    return direction(np.radians(phi_deg), np.radians(90.0 - np.asarray(theta_deg)))


def write_table(path: Path, theta, phi, gain_dbi, field=None) -> Path:
    names = "theta_deg,phi_deg,gain_dbi" + ("" if field is None else ",e_theta_re,e_theta_im,e_phi_re,e_phi_im")
    columns = [theta, phi, gain_dbi]
    if field is not None:
        columns += [field[:, 0].real, field[:, 0].imag, field[:, 1].real, field[:, 1].imag]
    lines = [",".join(repr(float(value)) for value in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([names, *lines]) + "\n", encoding="utf-8")
    return path


def lobe_cuts(step: float = 2.0, tilt_deg: float = 0.0):
    """Azimuth and elevation cut of a lobe of 70° × 20° that looks down by a tilt, in dB from the peak."""
    angle = np.arange(-180.0, 180.0, step)
    turned = (angle + tilt_deg + 180.0) % 360.0 - 180.0
    return angle, -np.minimum(12 * (angle / 70) ** 2, 25.0), -np.minimum(12 * (turned / 20) ** 2, 25.0)


# ------------------------------------------------------------------------------------------------- between samples
def test_gain_grid_gives_back_its_samples_and_makes_up_no_lobe():
    """At every node to 1e-12, on both sides of 360°, one value at a pole; between nodes never outside their range."""
    theta, phi = grid_deg(15.0)
    values = 10 ** np.random.default_rng(3).uniform(-3, 1, (13, 24))
    values[[0, -1]] = values[[0, -1], :1]
    values[4, 5] = 0.0
    grid = gain_grid(values)
    assert sampled_gain(grid, towards(theta, phi)) == pytest.approx(values.ravel(), rel=1e-12, abs=1e-12)
    assert sampled_gain(grid, towards(theta, phi - 360.0)) == pytest.approx(values.ravel(), rel=1e-9, abs=1e-9)
    near_pole = sampled_gain(grid, towards(np.full(50, 1e-6), np.linspace(0, 360, 50)))
    assert near_pole == pytest.approx(np.full(50, values[0, 0]), rel=1e-4)
    for row in range(13):
        along = np.linspace(0, 360, 2401)
        found = sampled_gain(grid, towards(np.full(along.size, 15.0 * row), along))
        left, right = values[row, (along // 15).astype(int) % 24], values[row, (along // 15 + 1).astype(int) % 24]
        assert (found >= np.minimum(left, right) * (1 - 1e-9) - 1e-12).all()
        assert (found <= np.maximum(left, right) * (1 + 1e-9)).all()


def test_grid_has_no_seam_and_no_kink():
    """Over the poles, over 360° and over every node the slope does not jump."""
    theta, phi = grid_deg(10.0)
    smooth = gain(PANEL, towards(theta, phi)).reshape(19, 36)
    grid = gain_grid(smooth)
    turn = np.linspace(0, 2 * np.pi, 72_001)
    over_the_poles = np.stack([np.sin(turn) * 0.8, np.sin(turn) * 0.6, np.cos(turn)], axis=1)
    for circle in (over_the_poles, direction(turn, 0.3), direction(turn, np.full(turn.size, 1.5))):
        values = sampled_gain(grid, circle)
        # A jump of the slope s would be a second difference of s·step; a smooth lobe's is of order step².
        assert np.abs(np.diff(values, 2)).max() < 40 * values.max() * turn[1] ** 2


def test_field_grid_gives_back_its_samples_and_a_tilted_dipole_between_them():
    """Nodes to 1e-12; a dipole leaning 40° sampled every 5° to 0.01 dB of its peak, phase included, poles too."""
    lean = np.array([np.sin(0.7), 0.0, np.cos(0.7)])

    def exact(k):
        cosine = k @ lean
        length = np.sqrt(np.maximum(1 - cosine**2, 1e-30))
        shape = np.cos(0.5 * np.pi * cosine) / length
        return np.sqrt(DIPOLE_DIRECTIVITY) * (shape / length)[:, None] * (lean - cosine[:, None] * k) * np.exp(0.4j)

    theta, phi = grid_deg(5.0)
    k, t, p = towards(theta, phi), np.radians(theta), np.radians(phi)
    theta_hat = np.stack([np.cos(t) * np.cos(p), np.cos(t) * np.sin(p), -np.sin(t)], axis=1)
    phi_hat = np.stack([-np.sin(p), np.cos(p), 0 * p], axis=1)
    field = exact(k)
    grid = field_grid((field * theta_hat).sum(axis=1).reshape(37, 72), (field * phi_hat).sum(axis=1).reshape(37, 72))
    assert np.allclose(sampled_field(grid, k), field, atol=1e-12)
    rng = np.random.default_rng(1)
    ways = rng.normal(size=(4000, 3))
    ways[:3] = [[0, 0, 1], [0, 0, -1], [1e-9, 0, 1]]
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    wrong = np.abs(sampled_field(grid, ways) - exact(ways)).max()
    assert 20 * np.log10(1 + wrong / np.sqrt(DIPOLE_DIRECTIVITY)) < 0.01
    assert np.abs((sampled_field(grid, ways) * ways).sum(axis=1)).max() < 1e-12


def test_curve_goes_through_its_samples_at_any_spacing():
    """Uneven steps, the wrap and a null; never outside the samples on either side."""
    angle = np.radians([-180, -140, -115, -90, -60, -52, -10, 0, 15, 44, 90, 120, 171])
    values = np.array([0.1, 0.2, 0.05, 0.3, 1, 0, 4, 5, 4.5, 2, 0.2, 0.1, 0.15])
    of = curve(angle, values)
    assert curve_gain(of, angle) == pytest.approx(values, abs=1e-12)
    assert curve_gain(of, angle + 2 * np.pi) == pytest.approx(values, abs=1e-9)
    fine = curve_gain(of, np.linspace(-np.pi, np.pi, 5000))
    assert fine.min() >= 0
    assert fine.max() <= 5 * (1 + 1e-12)


@pytest.mark.parametrize("tilt_deg", [0.0, 6.0])
def test_two_cuts_are_exact_on_the_cuts(tilt_deg):
    """Level azimuth cut, and one taken at the elevation of a tilted beam's peak; every sample to 1e-9 dB."""
    angle, azimuth, elevation = lobe_cuts(tilt_deg=tilt_deg)
    cuts, (finding,) = two_cuts(angle, azimuth + 15, angle, elevation + 15, file="x", antenna="a")
    assert finding.code == "antenna-cuts-interpolated"
    assert cuts.azimuth_elevation_rad == pytest.approx(np.radians(-tilt_deg))
    upright = direction(0.0, np.radians(angle))
    assert to_db(sampled_gain(cuts, upright)) == pytest.approx(elevation + 15, abs=1e-9)
    front = np.abs(angle) < 90
    cone = direction(np.radians(angle[front]), np.full(front.sum(), np.radians(-tilt_deg)))
    assert to_db(sampled_gain(cuts, cone)) == pytest.approx(azimuth[front] + 15, abs=1e-9)
    near_top = sampled_gain(cuts, direction(np.linspace(0, 6, 20), np.full(20, np.pi / 2 - 1e-9)))
    assert near_top == pytest.approx(np.full(20, near_top[0]), rel=1e-6)


def test_two_cuts_of_a_dipole_and_of_a_panel():
    """A dipole comes back whole; a panel of 60 × 60° within 1.5 dB wherever it is less than 10 dB below its peak."""
    angle = np.arange(-180.0, 180.0, 1.0)
    k = np.random.default_rng(2).normal(size=(3000, 3))
    k /= np.linalg.norm(k, axis=1)[:, None]
    for antenna, within, limit_db in ((make_antenna("d", pattern="dipole"), 10.0, 0.01), (PANEL, 10.0, 1.5)):
        level, upright = (gain(antenna, direction(*w)) for w in ((np.radians(angle), 0.0), (0.0, np.radians(angle))))
        cuts, _ = two_cuts(angle, to_db(level), angle, to_db(np.maximum(upright, 1e-9)), file="x", antenna="a")
        exact = to_db(gain(antenna, k))
        strong = exact > exact.max() - within
        assert np.abs(to_db(sampled_gain(cuts, k)) - exact)[strong].max() < limit_db


# ------------------------------------------------------------------------------------------------------- tables
def test_table_of_gains_is_the_antenna_it_was_taken_from(tmp_path):
    """A panel every 2°: gain to 0.01 dB, polarisation and cross-polar part as the plan states them."""
    theta, phi = grid_deg(2.0)
    path = write_table(tmp_path / "panel.csv", theta, phi, to_db(gain(PANEL, towards(theta, phi))))
    pattern = read_pattern(path, antenna="a", frequency_hz=2.45e9)
    antenna = file_antenna("a", pattern, polarisation="vertical", xpd_db=20.0)
    k = np.random.default_rng(5).normal(size=(2000, 3))
    k /= np.linalg.norm(k, axis=1)[:, None]
    assert to_db(gain(antenna, k)) == pytest.approx(to_db(gain(PANEL, k)), abs=0.01)
    assert pattern.about_boresight
    assert np.abs(world_response(antenna, UPRIGHT, k) - world_response(PANEL, UPRIGHT, k)).max() < 0.005
    assert np.abs(response(antenna, k) - response(PANEL, k)).max() < 0.005
    assert antenna.efficiency == pytest.approx(0.9, abs=1e-4)
    sheet = figures(antenna)
    assert sheet.beamwidth_deg == pytest.approx((60, 60), abs=0.1)
    assert agreement(antenna) == []
    assert size_basis(antenna) == "estimated"
    assert largest_dimension_m(antenna, 2.45e9) == pytest.approx(largest_dimension_m(PANEL, 2.45e9), rel=0.01)


def test_table_of_fields_gives_the_polarisation(tmp_path):
    """Complex parts to any one scale; a right-hand antenna is told to be one; the plan may not say otherwise."""
    round_panel = make_antenna("r", pattern="panel", gain_dbi=9.0, beamwidth_deg=(60, 60), polarisation="rhcp")
    theta, phi = grid_deg(5.0)
    k = towards(theta, phi)
    field = response(round_panel, k)
    on_axis = (theta == 0) | (theta == 180)
    # On the axis the file's θ̂ points along its own φ, and `response` takes φ = 0.
    turn = np.radians(phi[on_axis])
    vector = world_response(round_panel, UPRIGHT, k[on_axis])
    sign = np.where(theta[on_axis] == 0, 1.0, -1.0)
    field[on_axis, 0] = sign * (vector[:, 0] * np.cos(turn) + vector[:, 1] * np.sin(turn))
    field[on_axis, 1] = vector[:, 1] * np.cos(turn) - vector[:, 0] * np.sin(turn)
    gain_dbi = to_db((np.abs(field) ** 2).sum(axis=1))
    path = write_table(tmp_path / "round.csv", theta, phi, gain_dbi, field * 7.0)
    pattern = read_pattern(path, antenna="a", frequency_hz=2.45e9)
    antenna = file_antenna("a", pattern)
    sheet = figures(antenna)
    assert sheet.hand == "right"
    assert sheet.axial_ratio_db == pytest.approx(0, abs=1e-6)
    assert polarisation_text(antenna) == "right-hand, axial ratio 0 dB, from the file"
    ways = np.random.default_rng(5).normal(size=(500, 3))
    ways[:, 0] = np.abs(ways[:, 0])
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    assert np.abs(world_response(antenna, UPRIGHT, ways) - world_response(round_panel, UPRIGHT, ways)).max() < 0.02
    turned = response(antenna, ways)
    assert (np.abs(turned) ** 2).sum(axis=1) == pytest.approx(gain(antenna, ways), rel=1e-9)
    for key, value in (("polarisation", "lhcp"), ("xpd_db", 20.0)):
        with pytest.raises(InputError, match="delete " + key):
            file_antenna("a", pattern, **{key: value})


def test_table_of_two_cuts(tmp_path):
    """Only the horizon and the upright circle through the boresight: read as cuts, exact on both, with a caution."""
    step = np.arange(0.0, 360.0, 5.0)
    theta = np.concatenate([np.full(72, 90.0), np.arange(0, 90, 5.0), np.arange(95, 181, 5.0), np.arange(5, 90, 5.0)])
    theta = np.concatenate([theta, np.arange(95, 180, 5.0)])
    phi = np.concatenate([step, np.zeros(18 + 18), np.full(17 + 17, 180.0)])
    path = write_table(tmp_path / "cuts.csv", theta, phi, to_db(gain(PANEL, towards(theta, phi))))
    pattern = read_pattern(path, antenna="a", frequency_hz=2.45e9)
    assert isinstance(pattern.shape, Cuts)
    assert [f.code for f in pattern.findings] == ["antenna-cuts-interpolated"]
    assert to_db(sampled_gain(pattern.shape, towards(theta, phi))) == pytest.approx(
        to_db(gain(PANEL, towards(theta, phi))), abs=1e-6
    )


def test_element_of_the_standard_channel_model_is_found_lossy(tmp_path):
    """TR 38.901 Table 7.3-1: 8 dBi at the peak, but its shape has 9.826 dBi, so 1.826 dB go missing."""
    theta, phi = grid_deg(1.0)
    turn = (phi + 180.0) % 360.0 - 180.0
    upright, level = -np.minimum(12 * ((theta - 90) / 65) ** 2, 30), -np.minimum(12 * (turn / 65) ** 2, 30)
    values = 8.0 - np.minimum(-(upright + level), 30.0)
    # The formula has several values at a pole, one for each φ; a file of it is told so.
    pattern = read_pattern(write_table(tmp_path / "e.csv", theta, phi, values), antenna="a", frequency_hz=2e9)
    antenna = file_antenna("a", pattern, polarisation="vertical", xpd_db=20.0)
    assert float(to_db(mean_gain(antenna))) == pytest.approx(-1.826, abs=0.01)
    for t, p, want in ((90, 0, 8), (90, 65, -4), (122, 32, 8 - 12 * (32 / 65) ** 2 * 2), (90, 180, -22)):
        assert float(to_db(gain(antenna, towards(t, p)[None]))[0]) == pytest.approx(want, abs=1e-9)
    assert not [f for f in agreement(antenna) if f.code == "antenna-gain-disagrees"]
    stated = file_antenna("a", pattern, polarisation="vertical", xpd_db=20.0, efficiency=1.0)
    (finding,) = [f for f in agreement(stated) if f.code == "antenna-gain-disagrees"]
    assert finding.value == pytest.approx(8.0)
    assert finding.limit == pytest.approx(9.826, abs=0.01)
    assert "1.8 dB less" in finding.message


def test_file_that_radiates_more_than_it_is_fed_is_told(tmp_path):
    """A panel stated 3 dB too high; and one that looks up is told to look aside."""
    theta, phi = grid_deg(5.0)
    values = to_db(gain(PANEL, towards(theta, phi)))
    pattern = read_pattern(write_table(tmp_path / "a.csv", theta, phi, values + 3), antenna="a", frequency_hz=2e9)
    antenna = file_antenna("a", pattern, polarisation="vertical", xpd_db=20.0)
    (finding,) = agreement(antenna)
    assert finding.code == "antenna-gain-disagrees"
    assert "2.5 dB more" in finding.message
    up = to_db(gain(PANEL, towards(theta, phi) @ np.array([[0.0, 0, 1], [0, 1, 0], [-1, 0, 0]]).T))
    pattern = read_pattern(write_table(tmp_path / "b.csv", theta, phi, up), antenna="a", frequency_hz=2e9)
    aside = file_antenna("a", pattern, polarisation="vertical", xpd_db=20.0)
    assert [f.code for f in agreement(aside)] == ["antenna-looks-aside"]
    assert abs(figures(aside).peak_deg[1]) == 90


# --------------------------------------------------------------------------------------------------------- NEC-2
def nec_text(step=5.0, frequency_mhz=2450.0, heading="POWER GAINS", phase=12.0) -> str:
    """Output for an exact half-wave dipole along z, in the layout of the code's table."""
    lines = ["", f"  FREQUENCY : {frequency_mhz:.4E} MHz", "", "   ---------- RADIATION PATTERNS -----------", ""]
    lines += [f" ---- ANGLES -----     ----- {heading} -----       ---- POLARIZATION ----   ---- E(THETA) ----"]
    lines += ["  THETA      PHI       VERTC    HORIZ    TOTAL       AXIAL      TILT  SENSE   MAGNITUDE    PHASE"]
    lines += [" DEGREES   DEGREES        DB       DB       DB       RATIO   DEGREES            VOLTS/M   DEGREES"]
    phis, thetas = np.arange(0, 360, step), np.arange(0, 180 + step / 2, step)
    for phi in phis:
        for theta in thetas:
            t = np.radians(theta)
            if theta in (0, 180):
                lines += [f"{theta:8.2f} {phi:9.2f} -999.99 -999.99 -999.99 0.0 0.0        0.0E+00 0.00 0.0E+00 0.00"]
                continue
            shape = np.cos(0.5 * np.pi * np.cos(t)) / np.sin(t)
            db = 10 * np.log10(DIPOLE_DIRECTIVITY * shape**2)
            lines += [
                f"{theta:8.2f} {phi:9.2f} {db:8.4f} -999.99 {db:8.4f} 0.0 0.0 LINEAR {shape:.5E} {phase} 0.0E+00 0.00"
            ]
    return "\n".join([*lines, "", " TOTAL RUN TIME: 0 msec"]) + "\n"


def test_nec_dipole_follows_the_reference(tmp_path, shared):
    """2.15 dBi, the reference's gain over the angle from the axis to 0.01 dB, one polarisation, no loss."""
    path = tmp_path / "dipole.out"
    path.write_text(nec_text(), encoding="utf-8")
    pattern = read_pattern(path, antenna="d")
    assert pattern.frequency_hz == 2450e6
    antenna = file_antenna("d", pattern)
    sheet = figures(antenna)
    assert sheet.gain_dbi == pytest.approx(2.15, abs=0.005)
    assert sheet.beamwidth_deg == (None, pytest.approx(78.08, abs=0.1))
    assert sheet.efficiency == pytest.approx(1, abs=1e-3)
    assert agreement(antenna) == []
    assert polarisation_text(antenna) == "linear, from the file"
    with (shared / "checks" / "dipole_reference.csv").open() as file:
        for row in csv.DictReader(file):
            k = towards(float(row["theta_from_axis_deg"]), 33.0)[None]
            assert float(to_db(gain(antenna, k))[0]) == pytest.approx(float(row["gain_dBi"]), abs=0.01)


def test_real_output_of_a_solver_tells_the_same_hand_as_its_own_column():
    """Crossed dipoles in quadrature: left-hand ahead, right-hand behind, as the solver's SENSE column says; 0 dB loss.

    The hand is computed here from the phases, so this also checks the sense of `POLARISATIONS` against the solver's.
    """
    antenna = file_antenna("x", read_pattern(CROSSED, antenna="x"))
    senses = {"RIGHT": 0, "LEFT": 0}
    for line in CROSSED.read_text().splitlines():
        words = line.split()
        if len(words) != 12 or words[7] not in senses or float(words[5]) < 0.2:
            continue
        k = towards(float(words[0]), float(words[1]))[None]
        vector = world_response(antenna, UPRIGHT, k)[0]
        e = np.cross(k[0], [0.3, 0.5, 0.7])
        e /= np.linalg.norm(e)
        right = (vector @ e) * np.sqrt(0.5) + 1j * (vector @ np.cross(k[0], e)) * np.sqrt(0.5)
        left = (vector @ e) * np.sqrt(0.5) - 1j * (vector @ np.cross(k[0], e)) * np.sqrt(0.5)
        assert (abs(right) > abs(left)) == (words[7] == "RIGHT")
        senses[words[7]] += 1
        assert float(to_db(gain(antenna, k))[0]) == pytest.approx(float(words[4]), abs=1e-6)
    assert senses == {"RIGHT": 25, "LEFT": 25}
    assert mean_gain(antenna) == pytest.approx(1.0, abs=0.02)


def test_nec_output_with_several_frequencies_or_directive_gains(tmp_path):
    """The plan must say which; directive gains leave out the losses, with a caution."""
    path = tmp_path / "two.out"
    path.write_text(nec_text(30.0, 2400.0) + nec_text(30.0, 2480.0, "DIRECTIVE GAINS"), encoding="utf-8")
    with pytest.raises(InputError, match="2400, 2480 MHz; add frequency_hz"):
        read_pattern(path, antenna="d")
    with pytest.raises(InputError, match="change frequency_hz"):
        read_pattern(path, antenna="d", frequency_hz=2.44e9)
    assert read_pattern(path, antenna="d", frequency_hz=2.4e9).findings == ()
    (finding,) = read_pattern(path, antenna="d", frequency_hz=2.48e9).findings
    assert finding.code == "antenna-without-loss"


def test_phase_that_turns_between_samples_is_told(tmp_path):
    """A dipole a wavelength off the origin, sampled every 30°."""
    theta, phi = grid_deg(30.0)
    dipole = make_antenna("d", pattern="dipole")
    k = towards(theta, phi)
    field = response(dipole, k) * np.exp(2j * np.pi * k[:, :1])
    path = write_table(tmp_path / "off.csv", theta, phi, np.maximum(to_db(gain(dipole, k)), -999.0), field)
    assert "antenna-phase-steps" in [f.code for f in read_pattern(path, antenna="a", frequency_hz=2e9).findings]


# ------------------------------------------------------------------------------------------------ what is refused
GOOD = "\n".join(["theta_deg,phi_deg,gain_dbi", *(f"{t},{p},0" for t in range(0, 181, 30) for p in range(0, 360, 30))])


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("60,30,0\n", "", "no sample at theta 60, phi 30"),
        ("60,30,0\n", "60,30,0\n60,30,1\n", "on line 27 and on line 28"),
        ("60,30,0\n60,60,0\n", "60,60,0\n60,30,0\n", "phi 30 on line 28 is out of order"),
        ("60,30,0\n", "60,30,nan\n", 'gain_dbi on line 27 is "nan"'),
        ("60,30,0\n", "60,30,\n", 'gain_dbi on line 27 is ""'),
        ("60,30,0\n", "60,30\n", "2 values on line 27"),
        ("60,30,0\n", "60,30,612\n", "612 on line 27"),
        ("60,30,0\n", "200,30,0\n", "200 on line 27"),
        ("60,30,0\n", "60,400,0\n", "400 on line 27"),
        ("60,30,0\n", "60,31,0\n", "steps must be even"),
        ("gain_dbi", "gain_db", 'the column "gain_db"'),
        ("gain_dbi", "phi_deg", "a column that stands twice"),
        ("theta_deg,phi_deg", "theta_rad,phi_rad", 'the column "theta_rad"'),
        ("theta_deg,phi_deg,gain_dbi", "0,0,0", "no form that is known"),
        ("phi_deg,gain_dbi", "phi_deg", "no column gain_dbi"),
        (GOOD[27:], "", "a header without samples"),
        (GOOD, "\x00\x01", "bytes that are no text"),
        (GOOD, "", "no form that is known"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path, old, new, says):
    assert old in GOOD
    path = tmp_path / "bad.csv"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as refusal:
        read_pattern(path, antenna="a", frequency_hz=2e9)
    assert says in str(refusal.value)
    assert '"bad.csv"' in str(refusal.value)


@pytest.mark.parametrize(
    ("theta", "phi", "says"),
    [
        (np.arange(0, 91, 10.0), np.arange(0, 360, 10.0), "theta goes from 0 to 90"),
        (np.arange(0, 181, 10.0), np.arange(0, 180, 10.0), "phi goes from 0 to 170"),
        (np.arange(0, 181, 10.0), np.arange(0, 360, 8.0), "0 and 180 degrees must both be among them"),
        (np.arange(0, 181, 10.0), np.arange(5, 360, 10.0), "0 and 180 degrees must both be among them"),
        (np.arange(0, 181, 45.0), np.arange(0, 360, 10.0), "theta goes in steps of 45"),
        (np.linspace(0, np.pi, 19), np.linspace(0, 2 * np.pi, 36, endpoint=False), "as in radians"),
    ],
)
def test_grids_that_cannot_be_used(tmp_path, theta, phi, says):
    path = write_table(
        tmp_path / "bad.csv", np.repeat(theta, len(phi)), np.tile(phi, len(theta)), np.zeros(len(theta) * len(phi))
    )
    with pytest.raises(InputError) as refusal:
        read_pattern(path, antenna="a", frequency_hz=2e9)
    assert says in str(refusal.value)


def test_fields_that_contradict_the_gain_are_refused(tmp_path):
    theta, phi = grid_deg(30.0)
    field = np.ones((len(theta), 2), dtype=complex)
    field[40] *= 2
    with pytest.raises(InputError, match=r"line 42 give a gain 6 dB from the one stated"):
        read_pattern(
            write_table(tmp_path / "x.csv", theta, phi, np.zeros(len(theta)), field), antenna="a", frequency_hz=2e9
        )


def test_full_turn_may_stand_twice_if_it_agrees(tmp_path):
    """φ = 360° beside 0° is the same direction: equal gains pass, others do not; either order of the angles is read."""
    theta, phi = np.meshgrid(np.arange(0, 181, 10.0), np.arange(0, 361, 10.0))
    values = np.cos(np.radians(theta)) * np.cos(np.radians(phi))
    pattern = read_pattern(
        write_table(tmp_path / "a.csv", theta.ravel(), phi.ravel(), values.ravel()), antenna="a", frequency_hz=2e9
    )
    found = to_db(sampled_gain(pattern.shape, towards(theta[:, 3], phi[:, 3])))
    assert found == pytest.approx(values[:, 3], abs=1e-9)
    values[-1, 5] += 1
    with pytest.raises(InputError, match="phi 0 and 360 are the same"):
        read_pattern(
            write_table(tmp_path / "a.csv", theta.ravel(), phi.ravel(), values.ravel()), antenna="a", frequency_hz=2e9
        )


# ------------------------------------------------------------------------------------------------------ in a plan
FILE_PLAN = 'pattern = "panel.csv"\nfrequency_hz = 2450e6\npolarisation = "vertical"\nxpd_db = 20\nefficiency = 0.9'


def plan_with_file(room_plan: Path, step: float = 2.0) -> Path:
    theta, phi = grid_deg(step)
    write_table(room_plan.parent / "panel.csv", theta, phi, to_db(gain(PANEL, towards(theta, phi))))
    text = room_plan.read_text()
    start, end = text.index('pattern = "panel"'), text.index("\n\n[[transmitter]]")
    path = room_plan.parent / "file.toml"
    path.write_text(text[:start] + FILE_PLAN + text[end:])
    return path


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_a_plan_with_a_file_gives_the_links_of_the_antenna_it_was_taken_from(room_plan):
    """Mean power of the whole link, walls and all, to 0.02 dB."""
    power = []
    for plan in (room_plan, plan_with_file(room_plan)):
        out = plan.with_suffix(".json")
        assert run("links", plan, "--json", out).exit_code == 0
        power.append(json.loads(out.read_text())["links"][0]["mean_power_dbm"])
    assert power[0] == pytest.approx(power[1], abs=0.02)


def test_check_lists_antennas_and_where_they_come_from(room_plan):
    """Gain, widths, polarisation and basis; the digest follows the antenna file."""
    plan = plan_with_file(room_plan, 5.0)
    out = plan.with_suffix(".json")
    result = run("check", plan, "--json", out)
    assert result.exit_code == 0, result.output
    assert "panel.csv" in result.stdout
    panel, dipole = json.loads(out.read_text())["antennas"]
    assert (panel["name"], panel["pattern"], panel["basis"]) == ("panel", "panel.csv", "a table")
    assert panel["gain_dbi"] == pytest.approx(9.0, abs=0.01)
    assert panel["beamwidth_deg"] == pytest.approx([60, 60], abs=0.2)
    assert panel["polarisation"] == "vertical"
    assert dipole["beamwidth_deg"] == [None, pytest.approx(78.08, abs=0.1)]
    before = load_plan(plan)
    assert load_plan(plan).digest == before.digest
    table = plan.parent / "panel.csv"
    table.write_text(table.read_text() + "# said again\n")
    assert load_plan(plan).digest != before.digest
    assert load_plan(plan).transmitters[0].antenna != before.transmitters[0].antenna


def test_an_antenna_of_a_file_is_equal_and_hashable_by_its_bytes(room_plan):
    plan = plan_with_file(room_plan, 10.0)
    one, other = (load_plan(plan).transmitters[0].antenna for _ in range(2))
    assert one == other
    assert hash(one) == hash(other)


def test_a_file_of_another_band_is_told(room_plan):
    plan = plan_with_file(room_plan, 10.0)
    plan.write_text(plan.read_text().replace("frequency_hz = 2450e6", "frequency_hz = 5500e6"))
    result = run("check", plan)
    assert result.exit_code == 0
    words = " ".join(result.stdout.split())
    assert "used at 2402 MHz" in words
    assert "5500 MHz" in words


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("frequency_hz = 2450e6\n", "", ["frequency_hz of antenna", "does not state", "add frequency_hz in file.toml"]),
        ("xpd_db = 20\n", "", ["there is no xpd_db", "gains only"]),
        ('polarisation = "vertical"\n', "", ["there is no polarisation", "add polarisation"]),
        ("xpd_db = 20\n", "xpd_db = 20\ngain_dbi = 9\n", ["gain_dbi", "the file gives it", "delete gain_dbi"]),
        ("xpd_db = 20\n", "xpd_db = 20\nbeamwidth_deg = [60, 60]\n", ["beamwidth_deg", "the file gives it"]),
        ('"panel.csv"', '"room.obj"', ["room.obj", "no form that is known", "[antenna.panel]"]),
    ],
)
def test_plans_with_a_file_that_cannot_be(room_plan, old, new, parts):
    """One message, exit 2, nothing written."""
    plan = plan_with_file(room_plan, 30.0)
    text = plan.read_text()
    assert old in text
    plan.write_text(text.replace(old, new, 1))
    before = sorted(plan.parent.iterdir())
    result = run("check", plan, "--json", plan.parent / "out.json")
    assert result.exit_code == 2
    assert result.stdout == ""
    lines = [line for line in result.stderr.splitlines() if not line.startswith("reading ")]
    assert len(lines) == 1
    for part in parts:
        assert part in lines[0]
    assert sorted(plan.parent.iterdir()) == before


def test_rays_are_launched_after_a_file(room_plan):
    """Weights add to the efficiency, and the table is that of the antenna the file was taken from."""
    antenna = load_plan(plan_with_file(room_plan)).transmitters[0].antenna
    table = launch_table(antenna)
    assert table.chance == pytest.approx(launch_table(PANEL).chance, rel=0.02)
    _, field, weight, _ = launch(table, antenna, UPRIGHT, rays=20_000, generator=np.random.default_rng(1))
    assert weight.sum() == pytest.approx(0.9, rel=2e-3)
    assert np.linalg.norm(field, axis=1) == pytest.approx(np.ones(20_000))


def test_null_of_a_solver_is_no_power_at_all(tmp_path):
    """−999.99 dB on a ring of samples: nothing there, and the rest as it was."""
    theta, phi = grid_deg(30.0)
    path = write_table(tmp_path / "a.csv", theta, phi, np.where(theta == 60, -999.99, 3.0))
    shape = read_pattern(path, antenna="a", frequency_hz=2e9).shape
    found = sampled_gain(shape, towards([60.0, 60.0, 30.0], [45.0, 30.0, 45.0]))
    assert found == pytest.approx([0, 0, 10**0.3], abs=1e-12)
