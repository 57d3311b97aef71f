"""What a volume counts in every voxel, and what means and standard errors follow from it.

A batch of rays leaves a tally; sums over batches hold every column, its square, and the
products that the errors of ratios need. Errors of ratios follow from them to first order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rf3d.propagation.kernels.tally import ARRIVAL, BASE, PRODUCTS, delay_spreads
from rf3d.units import FloatArray, IntArray


@dataclass(frozen=True)
class Layout:
    """Columns of a tally: power and two moments of delay; arrival and the receiving antenna; orders or culprits.

    Parameters
    ----------
    own : bool
        A column of the receiving antenna.
    arrival : bool
        Three of the direction of arrival; not without the receiving antenna's.
    orders : int
        Numbers of reflections to list, 1 to ``orders``.
    culprits : tuple of int
        Objects to list: those that reflected last. Not together with orders.
    """

    own: bool = False
    arrival: bool = False
    orders: int = 0
    culprits: tuple[int, ...] = ()

    @property
    def first_listed(self) -> int:
        """Column of the first order or culprit."""
        return BASE + (ARRIVAL if self.arrival else 0) + (1 if self.own else 0)

    @property
    def columns(self) -> int:
        """Number of columns."""
        return self.first_listed + self.orders + len(self.culprits)

    @property
    def sums(self) -> int:
        """Number of running sums (``kernels.tally.fold``)."""
        return 2 * self.columns + PRODUCTS * (2 if self.arrival else 1)

    def listed(self, order: IntArray, culprit: IntArray) -> IntArray:
        """Column in which each ray (N,) is listed, −1 for none."""
        if self.orders:
            return np.where(order > 0, self.first_listed - 1 + order, -1).astype(np.int32)
        column = np.full(len(order), -1, dtype=np.int32)
        for slot, wanted in enumerate(self.culprits):
            column[culprit == wanted] = self.first_listed + slot
        return column


@dataclass(frozen=True, eq=False)
class Uncollided:
    """What arrives without a reflection, exactly, in each of V voxels, per watt at the antenna.

    Attributes
    ----------
    power : (V,) float64
        At a unit-gain probe: straight, through walls, and bent round an edge.
    delay_ns, delay_square_ns2 : (V,) float64
        Power times excess delay over the straight way, and times its square.
    arrival : (V, 3) float64
        Power times the unit vector to where it comes from.
    own : (V,) float64
        At the receiving antenna; zeros without one.
    """

    power: FloatArray
    delay_ns: FloatArray
    delay_square_ns2: FloatArray
    arrival: FloatArray
    own: FloatArray


class Moments:
    """Means per voxel and the variances of those means, from sums over B batches.

    Parameters
    ----------
    layout : Layout
    sums : (V, layout.sums) float64
    batches : int
    scale : float
        From metres of weighted track to watts.
    """

    def __init__(self, layout: Layout, sums: FloatArray, *, batches: int, scale: float) -> None:
        self._layout, self._sums, self._batches, self._scale = layout, sums, batches, scale

    def mean(self, column: int) -> FloatArray:
        """Mean of a column, (V,)."""
        return self._scale * self._sums[:, column] / max(self._batches, 1)

    def variance(self, column: int) -> FloatArray:
        """Variance of the mean of a column (V,)."""
        return np.maximum(self._covariance(column, column, self._layout.columns + column), 0.0)

    def arrival_covariance(self) -> FloatArray:
        """Covariance (V, 3, 3) of the means of the columns of arrival."""
        covariance = np.empty((len(self._sums), 3, 3))
        products = 2 * self._layout.columns + PRODUCTS
        for a in range(3):
            covariance[:, a, a] = self.variance(BASE + a)
            for b in range(a):
                covariance[:, a, b] = self._covariance(BASE + a, BASE + b, products + a + b - 1)
                covariance[:, b, a] = covariance[:, a, b]
        return covariance

    def _covariance(self, one: int, other: int, product: int) -> FloatArray:
        """Covariance (V,) of the means of two columns, from the sum of their product."""
        if self._batches < 2:
            return np.zeros(len(self._sums))
        total = self._sums[:, product] - self._sums[:, one] * self._sums[:, other] / self._batches
        return self._scale**2 * total / (self._batches * (self._batches - 1))

    def error(self, column: int) -> FloatArray:
        """Standard error of the mean of a column (V,); NaN where no ray came by, 0 without rays."""
        if self._batches == 0:
            return np.zeros(len(self._sums))
        return np.where(self._sums[:, 0] > 0.0, np.sqrt(self.variance(column)), np.nan)

    def delay_spread(self, watts: float, *direct: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As the function below; ``direct`` are power, power × delay and power × delay² (V,)."""
        return delay_spreads(self._sums, self._layout.columns, self._batches, self._scale, watts, *direct)


def delay_spread(moments: Moments, uncollided: Uncollided, watts: float) -> tuple[FloatArray, FloatArray]:
    """Power-weighted rms delay spread (V,) in ns and its standard error, to first order; NaN where nothing arrives.

    With P, D, S the sums of power, power × delay and power × delay², the variance is S/P − (D/P)² and its gradient
    (2D²/P³ − S/P², −2D/P², 1/P). Source: propagation of errors, as in JCGM 100:2008, 5.2.
    """
    return moments.delay_spread(watts, uncollided.power, uncollided.delay_ns, uncollided.delay_square_ns2)


def arrival(moments: Moments, uncollided: Uncollided, watts: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Main direction of arrival (3, V), its concentration (V,) and its standard error in degrees (V,).

    The direction is that of the power-weighted mean of the unit vectors to where the waves come from; its length is
    the concentration, 1 where all comes from one side and 0 where it comes from everywhere. The error is that of the
    mean across its direction, to first order.

    Source: propagation of errors, as in JCGM 100:2008, 5.2.
    """
    power = watts * uncollided.power + moments.mean(0)
    vector = watts * uncollided.arrival + np.stack([moments.mean(BASE + a) for a in range(3)], axis=1)
    length = np.linalg.norm(vector, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        way = vector / length[:, None]
        covariance = moments.arrival_covariance()
        across = np.einsum("vaa->v", covariance) - np.einsum("va,vab,vb->v", way, covariance, way)
        error = np.degrees(np.sqrt(np.maximum(across, 0.0)) / length)
        return way.T, length / power, error
