"""Statistics of grey in patches of tissue, the same for pictures made here and for pictures of machines.

Lengths are mm. Patches of both are brought to one pixel size first, since most of the values depend on it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

Array = np.ndarray

LOCAL_MM = 0.8  # sigma of the Gaussian between grain and larger structure; about two grains


@dataclass(frozen=True)
class Statistics:
    """What is measured in one patch. Shares and ratios have no unit, percentiles are grey values."""

    mean_grey: float
    grey_percentiles: tuple[float, float, float]  # 1, 50, 99
    local_contrast: float  # sd over mean of what is finer than LOCAL_MM
    skewness: float  # of the same
    lateral_mm: float  # full width of the autocorrelation at half its height
    axial_mm: float
    blocks_1_mm: float  # sd over mean of means of blocks
    blocks_4_mm: float
    coarse_lateral: float  # share of the lateral spectrum of waves longer than 5 mm
    coarse_axial: float


def resampled(picture: Array, pixel_mm: float, wanted_mm: float) -> Array:
    """A picture (H, W) at another pixel size; smoothed first where it gets coarser."""
    ratio = wanted_mm / pixel_mm
    smooth = gaussian_filter(picture.astype(float), 0.5 * np.sqrt(max(ratio**2 - 1, 0.0)))
    return zoom(smooth, 1 / ratio, order=1, grid_mode=True, mode="nearest")


def statistics(patch: Array, pixel_mm: float) -> Statistics:
    """Statistics of a patch of grey (H, W), at least 3 mm high and wide."""
    grey = patch.astype(float)
    coarse = gaussian_filter(grey, LOCAL_MM / pixel_mm)
    fine = grey - coarse
    one, half, most = np.percentile(grey, (1, 50, 99))
    return Statistics(
        mean_grey=float(grey.mean()),
        grey_percentiles=(float(one), float(half), float(most)),
        local_contrast=float(fine.std() / grey.mean()),
        skewness=float((fine**3).mean() / (fine**2).mean() ** 1.5),
        lateral_mm=correlation_mm(fine, 1, pixel_mm),
        axial_mm=correlation_mm(fine, 0, pixel_mm),
        blocks_1_mm=block_spread(grey, 1.0, pixel_mm),
        blocks_4_mm=block_spread(grey, 4.0, pixel_mm),
        coarse_lateral=coarse_share(grey, 1, pixel_mm),
        coarse_axial=coarse_share(grey, 0, pixel_mm),
    )


def correlation_mm(field: Array, axis: int, pixel_mm: float) -> float:
    """Full width at half height of the autocorrelation along an axis; NaN if it does not fall that far."""
    rows = np.moveaxis(field - field.mean(), axis, -1)
    n = rows.shape[-1]
    power = (np.abs(np.fft.rfft(rows, 2 * n, axis=-1)) ** 2).sum(axis=0)
    pairs = n - np.arange(n)
    shape = np.fft.irfft(power)[:n] / pairs
    shape = shape / shape[0]
    below = np.flatnonzero(shape < 0.5)
    if not below.size:
        return float("nan")
    k = int(below[0])
    crossing = k - 1 + (shape[k - 1] - 0.5) / (shape[k - 1] - shape[k])
    return float(2 * crossing * pixel_mm)


def block_spread(grey: Array, block_mm: float, pixel_mm: float) -> float:
    """Standard deviation of the means of square blocks over their mean; NaN with fewer than six blocks."""
    side = max(1, round(block_mm / pixel_mm))
    h, w = (n // side for n in grey.shape)
    if h * w < 6:
        return float("nan")
    means = grey[: h * side, : w * side].reshape(h, side, w, side).mean(axis=(1, 3))
    return float(means.std(ddof=1) / means.mean())


def coarse_share(grey: Array, axis: int, pixel_mm: float, longer_than_mm: float = 5.0) -> float:
    """Share of the power along an axis, the mean left out, that lies in waves longer than some mm.

    NaN where the patch is shorter than twice that.
    """
    rows = np.moveaxis(grey - grey.mean(), axis, -1)
    n = rows.shape[-1]
    if n * pixel_mm < 2 * longer_than_mm:
        return float("nan")
    power = (np.abs(np.fft.rfft(rows * np.hanning(n), axis=-1)) ** 2).sum(axis=0)
    cycles_per_mm = np.fft.rfftfreq(n, pixel_mm)
    return float(power[(cycles_per_mm > 0) & (cycles_per_mm < 1 / longer_than_mm)].sum() / power[1:].sum())
