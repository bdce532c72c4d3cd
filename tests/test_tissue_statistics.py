"""The statistics of tissue that the study compares pictures by, on fields whose values are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests.tissue_statistics import block_spread, coarse_share, correlation_mm, resampled, statistics


def test_correlation_width_of_smoothed_noise():
    """White noise behind a Gaussian of sigma s has the autocorrelation exp(-x²/4s²): width 4 s sqrt(ln 2)."""
    noise = np.random.default_rng(1).normal(size=(600, 600))
    field = gaussian_filter(noise, (3.0, 6.0))

    for axis, sigma_px in ((0, 3.0), (1, 6.0)):
        expected = 4 * sigma_px * np.sqrt(np.log(2)) * 0.1
        # some 2000 cells at least, each with about its own error: 4 % is four standard deviations
        assert correlation_mm(field, axis, 0.1) == pytest.approx(expected, rel=0.04)


def test_spread_of_blocks_is_that_of_their_levels():
    """A draughtboard of 8 and 12 has a spread of a fifth, and none at twice its period."""
    board = np.kron(np.indices((16, 16)).sum(axis=0) % 2, np.ones((10, 10))) * 4 + 8

    assert block_spread(board, 1.0, 0.1) == pytest.approx(0.2, rel=0.01)  # 256 blocks, ddof 1
    assert block_spread(board, 4.0, 0.1) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("wave_mm", "share"), [(10.0, 1.0), (2.0, 0.0)])
def test_coarse_share_of_a_wave(wave_mm, share):
    """All of a long wave is coarse, nothing of a short one; the window leaks less than a thousandth."""
    x_mm = np.arange(400) * 0.1
    field = 50 + 10 * np.sin(2 * np.pi * x_mm / wave_mm) * np.ones((30, 1))

    assert coarse_share(field, 1, 0.1) == pytest.approx(share, abs=1e-3)


def test_statistics_of_even_noise():
    """Of Gaussian noise: its mean, its percentiles (the normal distribution), no skewness, sd over mean."""
    patch = np.random.default_rng(2).normal(50.0, 5.0, (300, 300))
    found = statistics(patch, 0.1)

    assert found.mean_grey == pytest.approx(50, abs=0.1)  # error of the mean is 0.017
    assert found.grey_percentiles == pytest.approx((50 - 11.63, 50, 50 + 11.63), abs=0.4)  # error some 0.06
    # the Gaussian of 8 px takes 1/(4 pi 64) of the power, and twice that again where it overlaps: under 1 %
    assert found.local_contrast == pytest.approx(0.1, rel=0.02)
    assert abs(found.skewness) < 0.04  # sqrt(6/N) is 0.008


def test_resampling_keeps_the_mean_and_the_size():
    """Twice the pixel is half the side; means stay."""
    picture = np.random.default_rng(3).uniform(0, 255, (120, 80))
    small = resampled(picture, 0.1, 0.2)

    assert small.shape == (60, 40)
    assert small.mean() == pytest.approx(picture.mean(), rel=0.01)
