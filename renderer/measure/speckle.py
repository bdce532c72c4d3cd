"""Statistics of speckle, with their uncertainty from the number of independent cells.

Measure on lines, not on pixels: scan conversion smooths. The level should be even within the
region, or its slope counts as spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError

Array = npt.NDArray[np.floating]

# Standard deviations over many independent fields of n cells, from trials with Rayleigh
# amplitudes: SNR 1.34 / sqrt(n); log spread 1.04 / sqrt(n) of its value.
SNR_SCATTER = 1.34
LOG_SD_SCATTER = 1.04
# <I^2>/<I>^2 of n exponential intensities: the delta method gives variance (20 + 16 - 32) / n = 4/n.
MOMENT_SCATTER = 2.0


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
    ``mean_db`` is the level of the mean intensity. Uncertainties hold for full development.
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
    root = np.sqrt(n_cells)
    log_sd = float(np.std(20.0 * np.log10(np.maximum(amplitude, 1e-15))))
    mean = float(intensity.mean())
    return SpeckleStatistics(
        mean_db=Measured(10.0 * float(np.log10(mean)), 10.0 / float(np.log(10.0) * root)),
        snr=Measured(float(amplitude.mean() / amplitude.std()), SNR_SCATTER / root),
        log_sd_db=Measured(log_sd, LOG_SD_SCATTER * log_sd / root),
        moment=Measured(float((intensity**2).mean()) / mean**2, MOMENT_SCATTER / root),
        n_cells=n_cells,
    )


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


def cell_samples(intensity: Array, axis: int) -> float:
    """Length of a correlation cell along an axis, in samples: the sum over all lags of the
    intensity's autocovariance, up to its first zero (beyond, it is noise of the estimate).
    """
    curve = autocovariance(intensity, axis)
    negative = np.flatnonzero(curve <= 0.0)
    end = int(negative[0]) if negative.size else len(curve)
    return float(1.0 + 2.0 * curve[1:end].sum())


def independent_cells(intensity: Array) -> float:
    """Number of independent cells in a rectangular region: samples over the cell of both axes.

    Takes the correlation as a product of its two axes, as for a separable point response.
    """
    return float(intensity.size / np.prod([cell_samples(intensity, axis) for axis in range(intensity.ndim)]))
