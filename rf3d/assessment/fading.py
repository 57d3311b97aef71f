"""How far the power falls near a receiver: spots, displaced surfaces, channels, a second antenna, the Rice law.

The fading is sampled from a link's own paths: each is a plane wave over a wavelength-sized
neighbourhood. Spots are drawn once (``draw_neighbourhood``) and turned into powers for as many
sets of amplitudes as are asked about (``power_samples``), which compares like with like. The
Rice law is the cross-check, and the law of what has no paths of its own.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.special import chndtr, chndtrix

from rf3d.propagation.kernels.crossings import LOBE, REFLECTION
from rf3d.propagation.paths import PathSet, Setting
from rf3d.units import ComplexArray, FloatArray, read_only, to_db, wavelength_m

NEIGHBOURHOOD_SAMPLES = 512
SECOND_ANTENNA_M = (0.10, 0.20)
"""Least and most distance of a second antenna from the first."""
DEPTH_SHARES = (0.01, 0.001)
"""Shares of spots and channels whose depth is told."""
_K_DB = np.linspace(-30.0, 40.0, 281)
_K_STEP = 2
_DEPTHS_DB = np.linspace(-15.0, 60.0, 1501)


@dataclass(frozen=True, eq=False)
class Neighbourhood:
    """S spots near a receiver and how each turns the phases of P paths.

    Attributes
    ----------
    turn : (S, P) complex128
        Factors of magnitude 1: the shift from the receiver to the spot, and displaced surfaces. The first spot is the
        receiver's own.
    arrival : (P, 3) float64
        Unit vectors from the receiver towards the incoming waves.
    centre_wavelength_m : float
    generator : numpy Generator
        Where the random numbers stand after the draw; whoever draws on copies it.
    """

    turn: ComplexArray
    arrival: FloatArray
    centre_wavelength_m: float
    generator: np.random.Generator


def draw_neighbourhood(
    setting: Setting,
    paths: PathSet,
    *,
    receiver_m: FloatArray,
    centre_hz: float,
    incidence_cos: FloatArray,
    position_tolerance_m: float,
    generator: np.random.Generator,
) -> Neighbourhood:
    """Spots near a receiver, and what each does to the phases of its P paths with I interactions.

    Every path is a plane wave near the receiver: a shift Δr turns its phase by k·Δr. Spots fill a ball of one
    wavelength's radius on the free side of walls. With each spot every surface is displaced along its normal by
    ``position_tolerance_m`` times a normal deviate, which lengthens a bounce by 2·cosθ·δ.

    Parameters
    ----------
    receiver_m : (3,) float64, local
    centre_hz : float
        All channels turn like this one.
    incidence_cos : (I,) float64
    position_tolerance_m : float
        Standard deviation of every surface's position along its normal.
    generator : numpy Generator

    Valid for: a receiver much further from what it sees than a wavelength, and channels within a few per cent.
    """
    wavelength = wavelength_m(centre_hz)
    way = generator.normal(size=(NEIGHBOURHOOD_SAMPLES, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    reach = wavelength * np.cbrt(generator.random(NEIGHBOURHOOD_SAMPLES))
    walled = setting.tracer.blocked(np.broadcast_to(receiver_m, way.shape), way, reach)
    # The receiver's own spot is always one of them, so that a boxed-in receiver still has an answer.
    shift = np.concatenate([np.zeros((1, 3)), (way * reach[:, None])[~walled]])
    k = 2 * np.pi / wavelength
    phase = k * (shift @ paths.arrival.T)
    bounce = np.flatnonzero((paths.kind == REFLECTION) | (paths.kind == LOBE))
    if len(bounce) and position_tolerance_m > 0:
        plane = setting.facets.plane[paths.facet[bounce]]
        # In the order of their first facets: two planes nearly alike change places with the last digits of the mesh.
        first = setting.facets.plane_facets[setting.facets.plane_start[plane]]
        planes, column = np.unique(first, return_inverse=True)
        lengthening = np.zeros((len(planes), paths.count))
        np.add.at(lengthening, (column, paths.path_of_interaction[bounce]), 2.0 * incidence_cos[bounce])
        displaced = position_tolerance_m * generator.normal(size=(len(shift), len(planes)))
        phase -= k * (displaced @ lengthening)
    return Neighbourhood(read_only(np.exp(1j * phase)), paths.arrival, wavelength, deepcopy(generator))


def power_samples(near: Neighbourhood, amplitude: ComplexArray, *, diffuse_power: float = 0.0) -> FloatArray:
    """Received power ratio at S spots near the receiver on F channels, (S, F).

    What is scattered is very many weak waves: a complex normal deviate of its power at every spot and channel. The
    deviates are the same for every call on one neighbourhood.

    Parameters
    ----------
    amplitude : (P, F) complex128
    diffuse_power : float
        Power ratio of all that is scattered.
    """
    field = near.turn @ amplitude
    if diffuse_power > 0.0:
        field += np.sqrt(0.5 * diffuse_power) * _deviates(deepcopy(near.generator), field.shape)
    return np.abs(field) ** 2


def percentile_depths_db(samples: FloatArray, mean: float) -> tuple[float, float]:
    """How far the 1 % and the 0.1 % point of the power ratios ``samples`` (S, F) lie below ``mean``, dB.

    inf where the point is no power at all; NaN where the mean is none.
    """
    if mean <= 0.0:
        return np.nan, np.nan
    one, tenth = to_db(mean) - to_db(np.percentile(samples, 100.0 * np.array(DEPTH_SHARES)))
    return float(one), float(tenth)


def faded_channels(samples: FloatArray, needed: FloatArray | float) -> tuple[int, int]:
    """How many of F channels are below the power ratio ``needed`` at one time: 10 % and 90 % points over S spots.

    Examples
    --------
    >>> faded_channels(np.array([[1.0, 3.0, 3.0], [1.0, 1.0, 3.0]]), 2.0)
    (1, 2)
    """
    faded = (samples < needed).sum(axis=1)
    low, high = np.quantile(faded, (0.1, 0.9), method="inverted_cdf")
    return int(low), int(high)


def second_antenna_gain_db(
    near: Neighbourhood, amplitude: ComplexArray, *, generator: np.random.Generator, diffuse_power: float = 0.0
) -> float:
    """What choosing the stronger of two antennas, spot by spot and channel by channel, adds at the 1 % point, dB.

    The second is like the first and stands ``SECOND_ANTENNA_M`` beside it, in a horizontal direction and at a distance
    drawn for each spot. Paths arrive there as the same plane waves; of what is scattered it gets a deviate correlated
    with the first antenna's by sin(kd)/kd. 0 where nothing arrives.

    Parameters
    ----------
    amplitude : (P, F) complex128
        Of the first antenna.
    generator : numpy Generator
        Of the second antenna's places.

    Valid for: antennas that do not shade or load each other, no wall between them, scattered waves from all around.

    Source: correlation in an isotropic field of waves, Cook et al., J. Acoust. Soc. Am. 27 (1955) 1072 (from memory).
    """
    spots = len(near.turn)
    azimuth = generator.uniform(0.0, 2.0 * np.pi, spots)
    distance = generator.uniform(*SECOND_ANTENNA_M, spots)
    k = 2.0 * np.pi / near.centre_wavelength_m
    beside = distance[:, None] * np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1)
    first = near.turn @ amplitude
    second = (near.turn * np.exp(1j * k * (beside @ near.arrival[:, :2].T))) @ amplitude
    if diffuse_power > 0.0:
        alike = np.sinc(k * distance / np.pi)[:, None]
        scale = np.sqrt(0.5 * diffuse_power)
        common = _deviates(deepcopy(near.generator), first.shape)
        first += scale * common
        second += scale * (alike * common + np.sqrt(1.0 - alike**2) * _deviates(generator, first.shape))
    alone = np.abs(first) ** 2
    before, after = np.percentile(alone, 1.0), np.percentile(np.maximum(alone, np.abs(second) ** 2), 1.0)
    return float(to_db(after / before)) if before > 0.0 else 0.0


def fade_depth_db(rice_k_db: FloatArray, chance: float) -> FloatArray:
    """How far below its mean the power of a Rice law falls on the ``1 − chance`` worst spots, dB.

    With factor K the power over its mean, times 2(1 + K), is non-central χ² of two degrees of freedom and
    non-centrality 2K. Below K of −30 dB the law is Rayleigh's, above 40 dB there is next to no fading: the ends count.

    Valid for: one steady wave and many weak ones; steps of the table cost less than 0.01 dB.

    Source: Rice, Bell Syst. Tech. J. 24 (1945) 46, as the distribution of Abramowitz & Stegun 26.4.25 (from memory).
    """
    return np.interp(rice_k_db, _K_DB, _depths(chance))


def holding_share(depth_db: FloatArray, rice_k_db: FloatArray) -> FloatArray:
    """Share of spots where the power of a Rice law lies no more than ``depth_db`` below its mean, any common shape.

    The inverse of ``fade_depth_db``, from a table of both: good to 0.02 where there is next to no fading, to 0.002
    elsewhere, and above 0.99 to a tenth of what is missing from 1.

    Source: as of ``fade_depth_db``.
    """
    table = _misses()
    row = np.clip((rice_k_db - _K_DB[0]) / (_K_DB[_K_STEP] - _K_DB[0]), 0.0, len(table) - 1.0)
    column = np.clip((depth_db - _DEPTHS_DB[0]) / (_DEPTHS_DB[1] - _DEPTHS_DB[0]), 0.0, len(_DEPTHS_DB) - 1.0)
    where = np.stack(np.broadcast_arrays(row, column))
    share = 1.0 - np.exp(map_coordinates(table, where, order=1, mode="nearest"))
    return np.where(np.asarray(depth_db) < _DEPTHS_DB[0], 0.0, share)


def rice_depths_db(rice_k_db: float | None) -> tuple[float, float]:
    """Depths as of ``percentile_depths_db`` from the Rice law alone; None stands for one wave, which does not fade."""
    if rice_k_db is None:
        return 0.0, 0.0
    one, tenth = (float(fade_depth_db(np.array(rice_k_db), 1.0 - share)) for share in DEPTH_SHARES)
    return one, tenth


def _deviates(generator: np.random.Generator, shape: tuple[int, ...]) -> ComplexArray:
    """Complex normal deviates whose real and imaginary part have variance 1 each."""
    real, imaginary = generator.normal(size=(2, *shape))
    return real + 1j * imaginary


@cache
def _misses() -> FloatArray:
    """Natural logarithm of 1 − ``holding_share`` at every ``_K_STEP``-th of ``_K_DB`` and at ``_DEPTHS_DB``."""
    k = 10.0 ** (_K_DB[::_K_STEP, None] / 10.0)
    return np.log(np.maximum(chndtr(2.0 * (1.0 + k) * 10.0 ** (-_DEPTHS_DB / 10.0), 2, 2.0 * k), 1e-15))


@cache
def _depths(chance: float) -> FloatArray:
    """``fade_depth_db`` at the factors ``_K_DB``."""
    k = 10.0 ** (_K_DB / 10.0)
    quantile = chndtrix(1.0 - chance, 2, 2.0 * k) / (2.0 * (1.0 + k))
    return read_only(-to_db(quantile))
