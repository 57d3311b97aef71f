"""How the radios talk, and which of them stand where.

A ``Radio`` is the numbers of a data sheet: channels, bandwidth, sensitivity. A
``Transmitter`` or ``Receiver`` is a radio with an antenna at a place. Pairs that share a
radio are links.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

import numpy as np

from rf3d.radio.antennas import Antenna
from rf3d.units import FloatArray, from_db, read_only, to_db

GRID_SLACK = 1e-6
"""Part of a channel step by which the last channel may miss the grid: rounding, not a half channel."""
CONNECTOR_DB = 0.2
"""What one connector takes; common practice, no source."""
THERMAL_NOISE_DBM_HZ = -173.975
"""k·T₀ at 290 K in dBm/Hz, k the Boltzmann constant of the SI."""


@dataclass(frozen=True)
class Radio:
    """What a radio uses of the spectrum and how little power it can hear.

    Parameters
    ----------
    name : str
    first_channel_hz, last_channel_hz : float
        Centre frequencies, both included.
    channel_spacing_hz : float
    bandwidth_hz : float
        Of one channel.
    sensitivity_dbm : float
        At the receiver's connector.
    noise_figure_db, carrier_to_interference_db, greatest_input_dbm, packets_s, data_rate_bit_s : float or None
        None where the plan does not tell: what depends on it is not computed, and said to be missing.
    repeats : int or None
        How often each update is sent.
    coding_gain_db : float or None
        What coding wins over ``sensitivity_dbm``.
    source : str
        Of a generic radio: where its numbers come from.
    """

    name: str
    first_channel_hz: float
    last_channel_hz: float
    channel_spacing_hz: float
    bandwidth_hz: float
    sensitivity_dbm: float
    noise_figure_db: float | None = None
    carrier_to_interference_db: float | None = None
    greatest_input_dbm: float | None = None
    packets_s: float | None = None
    repeats: int | None = None
    coding_gain_db: float | None = None
    data_rate_bit_s: float | None = None
    source: str = ""

    @property
    def channels_hz(self) -> FloatArray:
        """Centre frequencies (F,) of all channels, the last one included where it lies on the grid.

        Examples
        --------
        >>> Radio("hopper", 2402e6, 2480e6, 1e6, 1e6, -90.0).channels_hz.size
        79
        """
        steps = int(np.floor((self.last_channel_hz - self.first_channel_hz) / self.channel_spacing_hz + GRID_SLACK))
        return read_only(self.first_channel_hz + self.channel_spacing_hz * np.arange(steps + 1))

    @property
    def centre_hz(self) -> float:
        """Middle between the first and the last channel."""
        return 0.5 * (self.first_channel_hz + self.last_channel_hz)

    @property
    def threshold_dbm(self) -> float:
        """Least power at which it works, what coding wins included."""
        return self.sensitivity_dbm - (self.coding_gain_db or 0.0)

    @property
    def noise_dbm(self) -> float | None:
        """Thermal noise of one channel and the radio's own; None without a noise figure.

        Source: k·T₀·B·F, IEEE definition of noise figure (Friis, Proc. IRE 32 (1944) 419, from memory).

        Examples
        --------
        >>> round(Radio("r", 2402e6, 2480e6, 1e6, 1e6, -90.0, noise_figure_db=0.0).noise_dbm, 3)
        -113.975
        """
        if self.noise_figure_db is None:
            return None
        return THERMAL_NOISE_DBM_HZ + float(to_db(self.bandwidth_hz)) + self.noise_figure_db

    def overlap(self, low_hz: FloatArray, high_hz: FloatArray) -> FloatArray:
        """Share of the power of J bands, even over each, that falls into each channel, (J, F)."""
        half = 0.5 * self.bandwidth_hz
        top = np.minimum(high_hz[:, None], self.channels_hz + half)
        common = np.maximum(top - np.maximum(low_hz[:, None], self.channels_hz - half), 0.0)
        return np.asarray(common / (high_hz - low_hz)[:, None])

    def needed_w(
        self, disturbance_w: FloatArray, *, hand_db: float = 0.0, noise_rise: float | FloatArray = 1.0
    ) -> FloatArray:
        """Power in watts that a channel needs where others put ``disturbance_w`` (any shape) into it.

        The threshold, ``hand_db`` in hand, times what noise rises by; and over the others the carrier to interference
        that the radio needs. Both add: noise and others disturb together.
        """
        own = from_db(self.threshold_dbm - 30.0 + hand_db) * noise_rise
        over = 0.0 if self.carrier_to_interference_db is None else from_db(self.carrier_to_interference_db)
        return np.asarray(own + over * disturbance_w)


@cache
def generic_radios() -> Mapping[str, Radio]:
    """Radios of the catalogue by name: common numbers for plans that have no data sheet yet."""
    text = (files("rf3d.radio") / "catalogue" / "radios.toml").read_text(encoding="utf-8")
    found = {}
    for name, row in tomllib.loads(text).items():
        numbers = {key: value for key, value in row.items() if key not in ("title", "basis")}
        found[name] = Radio(name, **numbers)
    return MappingProxyType(found)


@dataclass(frozen=True)
class Load:
    """What a transmitter carries: universes, the slots in use of each, updates of all of them a second."""

    universes: int
    slots: int
    frames_s: float


@dataclass(frozen=True, eq=False)
class Transmitter:
    """A radio that sends.

    Parameters
    ----------
    name : str
    position_m : (3,) float64
        World coordinates of the antenna's phase centre.
    antenna : Antenna
    axes : (3, 3) float64
        Rows are the antenna's x (boresight), y and z (up) in venue axes.
    power_dbm : float
        At the radio's connector.
    cable_loss_db : float
        Between connector and antenna.
    radio : Radio
    connectors : int
        Of which each takes ``CONNECTOR_DB``.
    load : Load or None
        None where the plan does not tell.
    """

    name: str
    position_m: FloatArray
    antenna: Antenna
    axes: FloatArray
    power_dbm: float
    cable_loss_db: float
    radio: Radio
    connectors: int = 0
    load: Load | None = None

    def __post_init__(self) -> None:
        """Keep own, read-only copies of the arrays."""
        object.__setattr__(self, "position_m", read_only(np.array(self.position_m, dtype=np.float64)))
        object.__setattr__(self, "axes", read_only(np.array(self.axes, dtype=np.float64)))

    @property
    def feed_loss_db(self) -> float:
        """Cable and connectors."""
        return self.cable_loss_db + CONNECTOR_DB * self.connectors


@dataclass(frozen=True, eq=False)
class Receiver:
    """A radio that listens; parameters as of `Transmitter`, and besides

    Parameters
    ----------
    answer_power_dbm : float or None
        What it answers with; None where it only listens.
    worn : bool
        A pack on a body, the antenna's boresight pointing off the body.
    inside : str or None
        What houses the antenna, a name of ``bodies.HOUSINGS``.
    """

    name: str
    position_m: FloatArray
    antenna: Antenna
    axes: FloatArray
    cable_loss_db: float
    radio: Radio
    connectors: int = 0
    answer_power_dbm: float | None = None
    worn: bool = False
    inside: str | None = None

    def __post_init__(self) -> None:
        """Keep own, read-only copies of the arrays."""
        object.__setattr__(self, "position_m", read_only(np.array(self.position_m, dtype=np.float64)))
        object.__setattr__(self, "axes", read_only(np.array(self.axes, dtype=np.float64)))

    @property
    def feed_loss_db(self) -> float:
        """Cable and connectors."""
        return self.cable_loss_db + CONNECTOR_DB * self.connectors
