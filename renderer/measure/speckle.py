"""Statistics of speckle, with their uncertainty.

Neighbouring samples are not independent, and each statistic has its own correlation length. The
uncertainty of a statistic is therefore taken from its influence function (what one sample adds to
it): its spread, over the root of the number of *its* independent cells (Hampel 1974, The influence
curve and its role in robust estimation, from memory).

Measure on lines, not on pixels: scan conversion smooths. The level should be even within the
region, or its slope counts as spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError

Array = npt.NDArray[np.floating]
# An exact zero has no level; it is counted as -300 dB.
SMALLEST_AMPLITUDE = 1e-15


@dataclass(frozen=True)
class Measured:
    """A value with its standard uncertainty."""

    value: float
    uncertainty: float


@dataclass(frozen=True)
class SpeckleStatistics:
    """First-order statistics of a speckle region.

    ``snr`` is mean over standard deviation of the envelope (Rayleigh: 1.913), ``log_sd_db`` the
    standard deviation of its level (5.57 dB), ``moment`` is <I^2>/<I>^2 of the intensity (2).
    ``mean_db`` is the level of the mean intensity, ``n_cells`` the number of its independent cells.
    """

    mean_db: Measured
    snr: Measured
    log_sd_db: Measured
    moment: Measured
    n_cells: float


def speckle_statistics(amplitude: Array) -> SpeckleStatistics:
    """Statistics of the envelope over a rectangular region, (N, M), axes as sampled.

    Raises
    ------
    SettingError
        If the region holds fewer than two independent cells.
    """
    amplitude = np.asarray(amplitude, np.float64)
    intensity = amplitude**2
    n_cells = independent_cells(intensity)
    if not n_cells >= 2.0:
        raise SettingError(f"the region holds {n_cells:.1f} independent cells; statistics need at least 2")
    level = 20.0 * np.log10(np.maximum(amplitude, SMALLEST_AMPLITUDE))
    mean, mu, sd, log_sd = intensity.mean(), amplitude.mean(), amplitude.std(), level.std()
    moment = (intensity**2).mean() / mean**2
    deviation, log_deviation = (amplitude - mu) / sd, level - level.mean()
    return SpeckleStatistics(
        mean_db=_measured(10.0 * np.log10(mean), 10.0 / np.log(10.0) * intensity / mean),
        snr=_measured(mu / sd, deviation - 0.5 * mu / sd * deviation**2),
        log_sd_db=_measured(log_sd, log_deviation**2 / (2.0 * log_sd)),
        moment=_measured(moment, (intensity / mean) ** 2 - 2.0 * moment * intensity / mean),
        n_cells=n_cells,
    )


def _measured(value: float, influence: Array) -> Measured:
    """A statistic and its uncertainty, from the field of its influence function."""
    return Measured(float(value), float(influence.std() / np.sqrt(independent_cells(influence))))


def autocovariance(field: Array, axis: int) -> Array:
    """Autocovariance of a real field along an axis, averaged over the other, 1 at lag 0.

    Lags 0 to half the length. The mean over the whole field is taken off; each lag is divided by
    the number of its pairs.
    """
    rows = np.moveaxis(np.asarray(field, np.float64), axis, -1)
    rows = rows - rows.mean()
    n = rows.shape[-1]
    spectrum = np.fft.rfft(rows, 2 * n, axis=-1)
    sums = np.fft.irfft(np.abs(spectrum) ** 2, axis=-1)[..., : n // 2 + 1]
    mean = sums.reshape(-1, sums.shape[-1]).mean(axis=0) / (n - np.arange(n // 2 + 1))
    return np.asarray(mean / mean[0])


def correlation_width(field: Array, axis: int) -> float:
    """Full width at half height of the autocovariance along an axis, in samples."""
    curve = autocovariance(field, axis)
    below = np.flatnonzero(curve < 0.5)
    if below.size == 0:
        raise SettingError("the field stays correlated over half of its length")
    k = int(below[0])
    return float(2.0 * (k - 1 + (curve[k - 1] - 0.5) / (curve[k - 1] - curve[k])))


def cell_samples(field: Array, axis: int) -> float:
    """Length of a correlation cell along an axis, in samples.

    The sum over all lags of the autocovariance, up to its first zero (beyond, it is noise of the
    estimate). Of the intensity, for the usual speckle cell.
    """
    curve = autocovariance(field, axis)
    negative = np.flatnonzero(curve <= 0.0)
    end = int(negative[0]) if negative.size else len(curve)
    return float(1.0 + 2.0 * curve[1:end].sum())


def independent_cells(field: Array) -> float:
    """Number of independent cells in a rectangular region: samples over the cell of both axes.

    Takes the correlation as a product of its two axes, as for a separable point response.
    """
    return float(field.size / np.prod([cell_samples(field, axis) for axis in range(field.ndim)]))
