"""How the radios talk, and which of them stand where.

A ``Radio`` is the numbers of a data sheet: channels, bandwidth, sensitivity. A
``Transmitter`` or ``Receiver`` is a radio with an antenna at a place. Pairs that share a
radio are links.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.radio.antennas import Antenna
from rf3d.units import FloatArray, read_only

GRID_SLACK = 1e-6
"""Part of a channel step by which the last channel may miss the grid: rounding, not a half channel."""


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
    """

    name: str
    first_channel_hz: float
    last_channel_hz: float
    channel_spacing_hz: float
    bandwidth_hz: float
    sensitivity_dbm: float

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
    """

    name: str
    position_m: FloatArray
    antenna: Antenna
    axes: FloatArray
    power_dbm: float
    cable_loss_db: float
    radio: Radio

    def __post_init__(self) -> None:
        """Keep own, read-only copies of the arrays."""
        object.__setattr__(self, "position_m", read_only(np.array(self.position_m, dtype=np.float64)))
        object.__setattr__(self, "axes", read_only(np.array(self.axes, dtype=np.float64)))


@dataclass(frozen=True, eq=False)
class Receiver:
    """A radio that listens; parameters as of `Transmitter`."""

    name: str
    position_m: FloatArray
    antenna: Antenna
    axes: FloatArray
    cable_loss_db: float
    radio: Radio

    def __post_init__(self) -> None:
        """Keep own, read-only copies of the arrays."""
        object.__setattr__(self, "position_m", read_only(np.array(self.position_m, dtype=np.float64)))
        object.__setattr__(self, "axes", read_only(np.array(self.axes, dtype=np.float64)))
