"""Patterns in the open standard of the National Spectrum Management Association for antenna data.

One record a line, ``NAME:,value[,value]``; text after ``!`` is comment. Gains in dBi or dBd, patterns absolute or
relative to the mid-band gain. Angles from −180 to 180 degrees, 0 the boresight: azimuth counter-clockwise seen from
above, elevation up.

Source: NSMA Recommendation WG16.99.050, Standard Format for Digitized Antenna Patterns, 20 May 1999.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.errors import Finding
from rf3d.radio.readers.samples import bad_file
from rf3d.units import FloatArray

DBD_DB = 2.15
"""Gain of a half-wave dipole, as the standard rounds it."""
_POLARISATIONS = {"V": "vertical", "H": "horizontal", "R": "rhcp", "L": "lhcp"}
_AZIMUTH, _ELEVATION = ("AZ", "H"), ("EL", "V")


@dataclass(frozen=True, eq=False)
class NsmaCut:
    """One cut: frequency, geometry word, polarisation words sent and received, angles (S,) and gains (S,)."""

    frequency_hz: float
    geometry: str
    polarisation: tuple[str, str]
    angle_deg: FloatArray
    gain_dbi: FloatArray

    @property
    def co_polar(self) -> bool:
        """Whether the antenna was measured with a wave of its own polarisation."""
        return self.polarisation[0] == self.polarisation[1]

    @property
    def word(self) -> str:
        """The plan's word for the polarisation; the file's own where there is none, as for slant."""
        return _POLARISATIONS.get(self.polarisation[0][:1], self.polarisation[0])

    @property
    def is_azimuth(self) -> bool:
        """Whether it goes round the horizon."""
        return self.geometry in _AZIMUTH

    @property
    def is_elevation(self) -> bool:
        """Whether it goes over the top."""
        return self.geometry in _ELEVATION


@dataclass(frozen=True, eq=False)
class NsmaFile:
    """Cuts, what the file is stated for, its largest dimension in metres, and what reading it gave cause to say."""

    cuts: list[NsmaCut]
    valid_hz: tuple[float, float] | None
    size_m: float | None
    findings: tuple[Finding, ...]


def is_nsma(text: str) -> bool:
    """Whether a text is in this form."""
    return any(line.strip().upper().startswith(("REVNUM:", "NUMCUT:", "PATFRE:")) for line in text.splitlines())


def is_older_nsma(text: str) -> bool:
    """Whether a text looks like the older WG16.89.003: header lines without tags, then a polarisation and a count."""
    lines = [line.strip() for line in text.splitlines()[:16]]
    for line in lines[8:]:
        words = line.replace(",", " ").split()
        if len(words) == 2 and words[0].isalpha() and len(words[0]) <= 4 and words[1].isdigit():
            return True
    return False


def read_nsma(text: str, *, file: str, antenna: str) -> NsmaFile:
    """Read every cut.

    Raises
    ------
    InputError
        A record that is missing or not as it must be.
    """
    return _Reader(text, file, antenna).read()


class _Reader:
    """The records of one file and how far they are read."""

    def __init__(self, text: str, file: str, antenna: str) -> None:
        self.file, self.antenna = file, antenna
        self.lines = [(number, line.split("!")[0].strip()) for number, line in enumerate(text.splitlines(), 1)]
        self.lines = [(number, line) for number, line in self.lines if line]
        self.head: dict[str, tuple[int, list[str]]] = {}
        self.findings: list[Finding] = []

    def read(self) -> NsmaFile:
        cuts: list[NsmaCut] = []
        at = 0
        while at < len(self.lines):
            number, line = self.lines[at]
            at += 1
            tag, colon, rest = line.partition(":")
            if not colon:
                raise bad_file(self.file, f'line {number}, "{line[:40]}", is no record', "a record is NAME:,value")
            tag = tag.strip().upper()
            self.head[tag] = (number, [value.strip() for value in rest.lstrip(",").split(",")])
            if tag == "ENDFIL":
                break
            if tag == "NUPOIN":
                # FSTLST stands between the number of points and the points.
                if at < len(self.lines) and self.lines[at][1].upper().startswith("FSTLST"):
                    at += 1
                rows, at = self._points(at)
                cuts.append(self._cut(number, rows))
        if not cuts:
            raise bad_file(self.file, "no pattern", "each cut has PATCUT, POLARI and NUPOIN, then its points")
        if self._text("PATTYP").upper().startswith("ENV"):
            message = (
                f'"{self.file}" states an envelope, which no sample exceeds, not a typical pattern: '
                "side and back radiation are computed too strong."
            )
            self.findings.append(Finding("antenna-envelope", "caution", self.antenna, message))
        low, high = self._number("LOWFRQ"), self._number("HGHFRQ")
        valid = (low * 1e6, high * 1e6) if low is not None and high is not None and 0.0 < low <= high else None
        sides = [side for side in (self._number(tag) for tag in ("ANTLEN", "ANTWID", "ANTDEP")) if side is not None]
        size = float(np.sqrt(sum(side**2 for side in sides))) if sides and min(sides) >= 0.0 else 0.0
        return NsmaFile(cuts, valid, size if size > 0.0 else None, tuple(self.findings))

    def _points(self, at: int) -> tuple[list[tuple[float, float]], int]:
        """Points from a line on, up to the next record."""
        rows = []
        while at < len(self.lines) and ":" not in self.lines[at][1]:
            number, line = self.lines[at]
            words = [word.strip() for word in line.rstrip(", ").split(",")]
            try:
                values = [float(word) for word in words]
            except ValueError:
                values = []
            if len(values) not in (2, 3) or not np.isfinite(values).all():
                raise bad_file(self.file, f'line {number}, "{line[:40]}", is no point', "a point is angle,gain[,phase]")
            if not -360.0 <= values[0] <= 360.0:
                raise bad_file(self.file, f"the angle {values[0]:g} on line {number}", "angles are from -180 to 180")
            rows.append((values[0], values[1]))
            at += 1
        return rows, at

    def _cut(self, number: int, rows: list[tuple[float, float]]) -> NsmaCut:
        frequency = self._number("PATFRE")
        if frequency is None or frequency <= 0.0:
            raise bad_file(self.file, f"no PATFRE in MHz before line {number}", "each pattern states its frequency")
        geometry, polarisation = self._text("PATCUT").upper(), self._text("POLARI").upper()
        if not geometry or not polarisation:
            raise bad_file(self.file, f"no PATCUT or POLARI before line {number}", "each cut states both")
        sent, _, received = polarisation.partition("/")
        if not rows:
            raise bad_file(self.file, f"a cut without points on line {number}", "NUPOIN is followed by the points")
        stated = self._number("NUPOIN")
        if stated is not None and stated != len(rows):
            message = (
                f'in "{self.file}" the cut {geometry} {polarisation} is said to have {stated:g} points and has '
                f"{len(rows)}: read as it stands; look whether a line is lost."
            )
            found, limit = float(len(rows)), float(stated)
            self.findings.append(Finding("antenna-point-count", "caution", self.antenna, message, found, limit))
        angle, gain = np.array(rows).T
        return NsmaCut(
            frequency * 1e6, geometry, (sent.strip(), (received or sent).strip()), angle, gain + self._offset_db()
        )

    def _offset_db(self) -> float:
        """What turns the file's pattern values into dBi."""
        words = [word.strip() for word in self._text("GUNITS").upper().split("/")]
        allowed = "it is the unit of the gain and of the pattern: DBI or DBD, then DBI, DBD or DBR"
        if len(words) != 2 or words[0] not in ("DBI", "DBD") or words[1] not in ("DBI", "DBD", "DBR"):
            raise bad_file(self.file, f'GUNITS is "{self._text("GUNITS")}"', allowed)
        if words[1] != "DBR":
            return DBD_DB if words[1] == "DBD" else 0.0
        gain = self._number("MDGAIN")
        if gain is None:
            raise bad_file(self.file, "no MDGAIN", "a pattern in DBR is relative to the mid-band gain")
        return gain + (DBD_DB if words[0] == "DBD" else 0.0)

    def _text(self, tag: str) -> str:
        return self.head[tag][1][0] if tag in self.head else ""

    def _number(self, tag: str) -> float | None:
        text = self._text(tag)
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not np.isfinite(value):
            raise bad_file(self.file, f'{tag} on line {self.head[tag][0]} is "{text}"', "it must be a number")
        return value
