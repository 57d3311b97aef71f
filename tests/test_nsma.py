"""Antenna files of the NSMA standard: units, senses of angles, several polarisations, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from rf3d.errors import InputError
from rf3d.radio.antennas import file_antenna, gain
from rf3d.radio.figures import band_agreement, figures, largest_dimension_m, size_basis
from rf3d.radio.pattern_files import read_pattern
from rf3d.units import direction, to_db
from tests.test_pattern_files import lobe_cuts


def write_nsma(path: Path, cuts, *, head="", units="DBI/DBR", frequency="2450", declared=None) -> Path:
    """A file of the standard; ``cuts`` is a list of geometry, polarisation, angles and values."""
    lines = ["REVNUM:,NSMA WG16.99.050", "REVDAT:,19990520", "ANTMAN:,nobody", "MODNUM:,none ! made for a test"]
    lines += [f"GUNITS:,{units}", *head.split(), "NOFREQ:,1", f"PATFRE:,{frequency}", f"NUMCUT:,{len(cuts)}"]
    for geometry, polarisation, angle, value in cuts:
        lines += [f"PATCUT:,{geometry}", f"POLARI:,{polarisation}", f"NUPOIN:,{declared or len(angle)}"]
        lines += [f"FSTLST:,{angle[0]:g},{angle[-1]:g}"]
        lines += [
            f"{a:g},{v:.6f},," if i % 2 else f"{a:g},{v:.6f}" for i, (a, v) in enumerate(zip(angle, value, strict=True))
        ]
    path.write_bytes(("\r\n".join([*lines, "ENDFIL:,EOF"]) + "\r\n").encode())
    return path


def test_nsma_units_gains_and_angle_senses(tmp_path):
    """Mid-band gain added to a relative pattern: −38.2 dBr at 16.8 dBi is −21.4 dBi; azimuth left, elevation up."""
    angle, azimuth, elevation = lobe_cuts(1.0, tilt_deg=4.0)
    azimuth = np.where(angle == 30, -9.0, azimuth)
    elevation = np.where(angle == 34, -38.2, elevation)
    head = "LOWFRQ:,2300 HGHFRQ:,2600 MDGAIN:,16.8 ANTLEN:,0.4 ANTWID:,0.3 PATTYP:,TYPICAL"
    cuts = [("EL", "V/V", angle, elevation), ("AZ", "V/V", angle, azimuth), ("AZ", "V/H", angle, azimuth - 20)]
    pattern = read_pattern(write_nsma(tmp_path / "a.adf", cuts, head=head), antenna="a")
    assert pattern.polarisation == "vertical"
    assert pattern.valid_hz == (2300e6, 2600e6)
    assert pattern.size_m == pytest.approx(0.5)
    antenna = file_antenna("a", pattern, xpd_db=20.0)
    at = np.array([[0, 34], [0, -4], [30, -4], [-30, -4]])
    found = to_db(gain(antenna, direction(*np.radians(at.T))))
    assert found == pytest.approx([-21.4, 16.8, 7.8, 16.8 - 12 * (30 / 70) ** 2], abs=1e-4)
    assert figures(antenna).peak_deg == (0, -4)
    assert size_basis(antenna) == "stated"
    assert largest_dimension_m(antenna, 1e9) == pytest.approx(0.5)
    assert band_agreement(antenna, 2402e6, 2480e6) == []
    (finding,) = band_agreement(antenna, 902e6, 928e6)
    assert "902 MHz" in finding.message
    assert "2300 to 2600 MHz" in finding.message


@pytest.mark.parametrize(
    ("units", "offset"), [("DBI/DBR", 16.8), ("DBD/DBR", 18.95), ("DBI/DBI", 0.0), ("DBI/DBD", 2.15), ("DBD/DBI", 0.0)]
)
def test_nsma_gain_units(tmp_path, units, offset):
    """DBD is 2.15 dB more than it says; only relative patterns take the gain of the header."""
    angle, azimuth, elevation = lobe_cuts()
    cuts = [("H", "H/H", angle, azimuth), ("V", "H/H", angle, elevation)]
    pattern = read_pattern(write_nsma(tmp_path / "a.adf", cuts, head="MDGAIN:,16.8", units=units), antenna="a")
    assert pattern.polarisation == "horizontal"
    assert float(to_db(pattern.shape.peak)) == pytest.approx(offset, abs=1e-9)


def test_nsma_with_a_point_missing_is_read_with_a_caution(tmp_path):
    """The standard's own sample states 180 points and holds 179; an envelope is told too."""
    angle, azimuth, elevation = lobe_cuts()
    cuts = [("AZ", "V/V", angle[1:], azimuth[1:]), ("EL", "V/V", angle, elevation)]
    path = write_nsma(tmp_path / "a.adf", cuts, head="MDGAIN:,12 PATTYP:,ENVELOPE", declared=180)
    findings = read_pattern(path, antenna="a").findings
    assert [f.code for f in findings] == ["antenna-point-count", "antenna-envelope", "antenna-cuts-interpolated"]
    assert (findings[0].value, findings[0].limit) == (179.0, 180.0)


def test_nsma_with_several_polarisations_or_frequencies(tmp_path):
    """The plan says which; a slant is one of two, and only the plan knows which."""
    angle, azimuth, elevation = lobe_cuts()
    both = [("AZ", p, angle, azimuth) for p in ("V/V", "H/H")] + [("EL", p, angle, elevation) for p in ("V/V", "H/H")]
    path = write_nsma(tmp_path / "a.adf", both, head="MDGAIN:,12")
    with pytest.raises(InputError, match="holds horizontal and vertical; add polarisation"):
        read_pattern(path, antenna="a")
    assert read_pattern(path, antenna="a", polarisation="horizontal").polarisation == "horizontal"
    with pytest.raises(InputError, match="change polarisation"):
        read_pattern(path, antenna="a", polarisation="rhcp")
    slant = [("AZ", "S/S", angle, azimuth), ("EL", "S/S", angle, elevation)]
    pattern = read_pattern(write_nsma(tmp_path / "s.adf", slant, head="MDGAIN:,12"), antenna="a", polarisation="+45")
    assert file_antenna("a", pattern, polarisation="+45", xpd_db=20.0).polarisation == "+45"
    with pytest.raises(InputError, match="there is no polarisation"):
        file_antenna("a", pattern, xpd_db=20.0)


_A, _AZ, _EL = lobe_cuts()
_PAIR = [("AZ", "V/V", _A, _AZ), ("EL", "V/V", _A, _EL)]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"head": ""}, "no MDGAIN"),
        ({"units": "DBI/LIN"}, 'GUNITS is "DBI/LIN"'),
        ({"units": "DBI"}, "DBI, DBD or DBR"),
        ({"frequency": ""}, "no PATFRE"),
        ({"frequency": "two"}, 'PATFRE on line 8 is "two"'),
        ({"cuts": [_PAIR[0]]}, "1 azimuth and 0 elevation cuts"),
        ({"cuts": [("45", "V/V", _A, _AZ)]}, "no principal cut"),
        ({"cuts": [("AZ", "V/V", _A[60:], _AZ[60:]), _PAIR[1]]}, "no sample for 122° after"),
        ({"cuts": [("AZ", "V/V", _A, _AZ - 7), _PAIR[1]]}, "do not meet"),
        ({"cuts": []}, "no pattern"),
    ],
)
def test_nsma_files_that_cannot_be_used(tmp_path, change, says):
    arguments = {"cuts": _PAIR, "head": "MDGAIN:,12", **change}
    path = write_nsma(tmp_path / "a.adf", arguments.pop("cuts"), **arguments)
    with pytest.raises(InputError) as refusal:
        read_pattern(path, antenna="a")
    assert says in str(refusal.value)
    assert "a.adf" in str(refusal.value)


def test_older_nsma_is_refused_by_name(tmp_path):
    """WG16.89.003: ten header lines without tags, then polarisation and count, then angle and gain."""
    path = tmp_path / "old.txt"
    path.write_text("\n".join(["header"] * 10 + ["HH   361"] + [f"{a} -3.0" for a in range(-180, 181)]))
    with pytest.raises(InputError, match=r"WG16\.89\.003.*WG16\.99\.050 is read"):
        read_pattern(path, antenna="a")
