"""What a region lets radios send without a licence of one's own, as far as it is held here.

Nothing here says that a plan is lawful. Rules change, and equipment, place and use may ask for
more; what is found is a flag, and the responsible person decides by the text in force.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from rf3d.radio.radios import Radio
from rf3d.units import to_db

DECIDES = "the responsible person decides by the text in force"
SLACK_DB = 0.05
"""Powers are written to a tenth of a decibel."""


@dataclass(frozen=True)
class Row:
    """One line of a region's rules.

    Attributes
    ----------
    low_hz, high_hz : float
        Every channel lies between them, with its bandwidth.
    source : str
    basis : str
        A letter of ``venue.materials.BASES``.
    fewest_channels : int
        To hop over.
    least_bandwidth_hz, most_bandwidth_hz : float
        Of a channel.
    power_dbm, gain_dbi : float
        At the radio's connector, and the antenna gain from which each decibel more costs one of power.
    eirp_dbm, eirp_dbm_mhz : float
        All that may leave the antenna, and what may in each megahertz.
    duty : float
        Share of time it may send.
    """

    low_hz: float
    high_hz: float
    source: str
    basis: str
    fewest_channels: int = 1
    least_bandwidth_hz: float = 0.0
    most_bandwidth_hz: float = math.inf
    power_dbm: float = math.inf
    gain_dbi: float = math.inf
    eirp_dbm: float = math.inf
    eirp_dbm_mhz: float = math.inf
    duty: float = 1.0

    def admits(self, radio: Radio) -> bool:
        """Whether a radio's channels are those this row is about."""
        half = 0.5 * radio.bandwidth_hz
        return (
            radio.first_channel_hz - half >= self.low_hz
            and radio.last_channel_hz + half <= self.high_hz
            and len(radio.channels_hz) >= self.fewest_channels
            and self.least_bandwidth_hz <= radio.bandwidth_hz <= self.most_bandwidth_hz
        )

    def most_dbm(self, radio: Radio, gain_dbi: float) -> float:
        """Most power at the radio's connector before an antenna of ``gain_dbi``, what cable takes already off."""
        density = self.eirp_dbm_mhz + max(float(to_db(radio.bandwidth_hz / 1e6)), 0.0)
        radiated = min(self.eirp_dbm, density, self.power_dbm + self.gain_dbi)
        return min(self.power_dbm, radiated - gain_dbi)


@dataclass(frozen=True)
class Rules:
    """What is held of a region: its name, the texts and their date, and the rows."""

    title: str
    dated: str
    rows: tuple[Row, ...]

    def best(self, radio: Radio, gain_dbi: float, *, all_the_time: bool) -> Row | None:
        """The row that lets a radio send most; None where none is about its channels.

        Parameters
        ----------
        gain_dbi : float
            Of its antenna, less what the cable takes.
        all_the_time : bool
            Leave out rows that let it send for a share of time only.
        """
        mine = [row for row in self.rows if row.admits(radio) and (row.duty >= 1.0 or not all_the_time)]
        return max(mine, key=lambda row: (row.most_dbm(radio, gain_dbi), row.duty)) if mine else None


@cache
def known_rules() -> Mapping[str, Rules]:
    """Rules of every country that some are held for, by its two letters.

    Examples
    --------
    >>> known_rules()["US"].dated
    '47 CFR 15.247 and 15.249, text of 2021'
    """
    text = (files("rf3d.radio") / "catalogue" / "rules.toml").read_text(encoding="utf-8")
    found: dict[str, Rules] = {}
    for table in tomllib.loads(text).values():
        rules = Rules(table["title"], table["dated"], tuple(Row(**row) for row in table["row"]))
        found |= dict.fromkeys(table["countries"], rules)
    return MappingProxyType(found)


def broken_rule(
    region: str | None, radio: Radio, *, power_dbm: float, gain_dbi: float
) -> tuple[str, float, float] | None:
    """What a sender does that the rules held of a region do not let it do; None where nothing is found or held.

    A stream of control data is on the air all the time, so a row that lets send for a share of time does not help it.

    Parameters
    ----------
    region : str or None
        Two letters, as a plan gives them.
    power_dbm : float
        At the radio's connector.
    gain_dbi : float
        Of its antenna at the peak, less what cable and connectors take.

    Returns
    -------
    (words, power_dbm, most_dbm) or None
        ``most_dbm`` is −inf where no power is let through.
    """
    rules = known_rules().get(region or "")
    if rules is None:
        return None
    band = f"{radio.first_channel_hz / 1e6:g} to {radio.last_channel_hz / 1e6:g} MHz"
    steady = rules.best(radio, gain_dbi, all_the_time=True)
    if steady is None:
        partly = rules.best(radio, gain_dbi, all_the_time=False)
        if partly is None:
            return f"its channels, {band}, are in no band held here", power_dbm, -math.inf
        words = f"its channels, {band}, may be used for {100 * partly.duty:g} % of the time only ({partly.source})"
        return words, power_dbm, -math.inf
    most = steady.most_dbm(radio, gain_dbi)
    if power_dbm <= most + SLACK_DB:
        return None
    words = (
        f"{power_dbm:g} dBm and {gain_dbi:.1f} dBi less cable make {power_dbm + gain_dbi:.1f} dBm EIRP; with this "
        f"antenna {most:.1f} dBm are let through ({steady.source})"
    )
    return words, power_dbm, most
