"""Measurements against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from renderer.errors import SettingError
from renderer.measure.contrast import cnr, contrast_db, generalised_cnr
from renderer.measure.position import picture_peak, profile_peak
from renderer.measure.speckle import (
    cell_samples,
    correlation_width,
    independent_cells,
    speckle_statistics,
)
from renderer.measure.widths import width_at
from tests.speckle_fields import gaussian_speckle

LN2 = np.log(2.0)


def gaussian_db(x, centre, fwhm):
    """Level of a Gaussian amplitude, dB."""
    return 20.0 / np.log(10.0) * -4.0 * LN2 * ((x - centre) / fwhm) ** 2


# ---- positions and widths ----------------------------------------------------------------------


@pytest.mark.parametrize("centre", [-0.31, 0.0, 0.125, 0.4999])
def test_peak_of_a_gaussian_is_exact(centre):
    """A Gaussian is a parabola in dB, so three samples give place and height exactly."""
    x = np.arange(-5.0, 6.0)
    peak = profile_peak(x, gaussian_db(x, centre, 3.0) - 12.0)
    assert peak.position == pytest.approx(centre, abs=1e-9)
    assert peak.level_db == pytest.approx(-12.0, abs=1e-9)


def test_peak_at_an_end_is_that_sample():
    """Without a neighbour on both sides nothing is refined; without a level nothing is found."""
    peak = profile_peak([0.0, 1.0, 2.0], [3.0, 2.0, 1.0])
    assert (peak.position, peak.level_db) == (0.0, 3.0)
    with pytest.raises(SettingError, match="no finite level"):
        profile_peak([0.0, 1.0], [np.nan, np.nan])


@pytest.mark.parametrize(("drop_db", "widening"), [(6.0206, 1.0), (20.0, np.sqrt(20.0 / 6.0206))])
@pytest.mark.parametrize("shift", [0.0, 0.3, 0.77])
def test_width_of_a_gaussian(drop_db, widening, shift):
    """The width at -x dB grows with the root of x; half amplitude is 6.0206 dB."""
    x = np.arange(-20.0, 21.0) * 0.1
    width = width_at(x, gaussian_db(x, shift * 0.1, 0.55), drop_db)
    assert width.width == pytest.approx(0.55 * widening, rel=1e-6)
    assert width.left == pytest.approx(shift * 0.1 - 0.275 * widening, abs=1e-6)
    # The chord errs by at most 1/8 of the second difference over the slope; that is the doubt.
    assert 0.0 <= width.uncertainty < 0.1


def test_width_of_the_focus_of_an_aperture():
    """Two-way focus of an unshaded line aperture: 0.8859 at -6 dB and 1.476 at -20 dB (x lambda F).

    The roots of sinc(u)^2 = 1/2 and 1/10 (Goodman, Fourier Optics, from memory; checked here by
    bisection).
    """
    u = np.linspace(-0.95, 0.95, 96)
    level = 20.0 * np.log10(np.sinc(u) ** 2)
    assert width_at(u, level, 20.0 * np.log10(2.0)).width == pytest.approx(0.8859, abs=2e-4)
    assert width_at(u, level, 20.0).width == pytest.approx(1.476, abs=1e-3)


def test_width_needs_both_sides():
    """A profile that does not fall, and a drop that is none."""
    x = np.arange(10.0)
    with pytest.raises(SettingError, match="does not fall"):
        width_at(x, -x, 6.0)
    with pytest.raises(SettingError, match="drop_db must be positive"):
        width_at(x, -x, 0.0)


def test_peak_of_a_picture():
    """A round Gaussian spot is found between pixels; a brighter one out of reach is not taken."""
    x, z = np.arange(-50, 51) * 0.1, np.arange(0, 101) * 0.1
    spot = np.maximum(
        gaussian_db(np.hypot(x[None] - 1.234, z[:, None] - 4.321), 0.0, 0.7) - 3.0,
        gaussian_db(np.hypot(x[None] + 3.0, z[:, None] - 8.0), 0.0, 0.7),
    )
    spot[0] = np.nan
    peak = picture_peak(spot, x, z, near_mm=(1.0, 4.0), within_mm=2.0)
    assert (peak.x_mm, peak.z_mm, peak.level_db) == pytest.approx((1.234, 4.321, -3.0), abs=1e-6)
    with pytest.raises(SettingError, match="nothing in view"):
        picture_peak(spot, x, z, near_mm=(90.0, 4.0), within_mm=2.0)


# ---- speckle -----------------------------------------------------------------------------------


@pytest.mark.parametrize("fwhm", [(2.0, 3.3), (4.0, 6.0)])
def test_cells_of_gaussian_speckle(fwhm):
    """A Gaussian response of width w (amplitude, half height) has intensity cells of 1.064 w.

    The intensity's correlation is |mu|^2 of the field's; for a Gaussian that integrates to
    sqrt(pi / (4 ln 2)) w = 1.0645 w.
    """
    field = gaussian_speckle(np.random.default_rng(0), (400, 400), fwhm)
    intensity = np.abs(field) ** 2
    n = intensity.size / np.prod(np.array(fwhm) * 1.0645)
    for axis, width in enumerate(fwhm):
        # The estimate sums some ten noisy lags, each with an error of 1/sqrt(n).
        assert cell_samples(intensity, axis) == pytest.approx(1.0645 * width, rel=20.0 / np.sqrt(n))
    assert independent_cells(intensity) == pytest.approx(n, rel=30.0 / np.sqrt(n))


def test_correlation_width_of_gaussian_speckle():
    """The intensity's autocovariance of a Gaussian response has the half-height width w.

    The field correlates as a Gaussian of sqrt(2) w, its squared magnitude of w.
    """
    field = gaussian_speckle(np.random.default_rng(1), (500, 400), (5.0, 7.0))
    intensity = np.abs(field) ** 2
    for axis, width in enumerate((5.0, 7.0)):
        assert correlation_width(intensity, axis) == pytest.approx(width, rel=0.06)
    with pytest.raises(SettingError, match="stays correlated"):
        correlation_width(np.linspace(0.0, 1.0, 4)[:, None] * np.ones((1, 50)), 1)


def test_statistics_of_full_speckle_scatter_as_they_claim():
    """Over 100 fields: 0 dB, 1.913, 5.570 dB and 2, and deviations as large as the uncertainties say.

    Burckhardt 1978 and Goodman 2007 (from memory) for the values.
    """
    rng = np.random.default_rng(2)
    found = [speckle_statistics(np.abs(gaussian_speckle(rng, (60, 90), (2.0, 3.3)))) for _ in range(100)]
    for name, expected in (("mean_db", 0.0), ("snr", 1.91306), ("log_sd_db", 5.5700), ("moment", 2.0)):
        z = np.array([(getattr(s, name).value - expected) / getattr(s, name).uncertainty for s in found])
        assert abs(z.mean()) < 4.0 / np.sqrt(100) + 0.2  # 0.2: the bias of 720 cells
        # 100 trials give a spread to 7 %; the cell length is itself known to 15 % here.
        assert 0.7 < z.std() < 1.4


def test_uncertainties_of_independent_rayleigh_samples():
    """Standard errors times root n: 4.343 dB, 1.359, 1.049 of the log spread, and 2 (delta method).

    From the moments of the Rayleigh law: skewness 0.6311, excess kurtosis 0.2451, and 2.4 for its
    logarithm; SNR^2 = pi / (4 - pi). A trial with many fields gives 1.34 for the SNR.
    """
    rng = np.random.default_rng(12)
    found = speckle_statistics(np.sqrt(rng.exponential(size=(500, 500))))
    snr = np.sqrt(np.pi / (4.0 - np.pi))
    expected = {
        "mean_db": 10.0 / np.log(10.0),
        "snr": np.sqrt(1.0 - snr * 0.6311 + 0.25 * snr**2 * (2.0 + 0.2451)),
        "log_sd_db": 5.5700 * np.sqrt(2.0 + 2.4) / 2.0,
        "moment": 2.0,
    }
    assert expected["snr"] == pytest.approx(1.34, rel=0.02)
    for name, error in expected.items():
        # The first lags of white noise are taken for correlation until one is negative: 2 % here.
        assert getattr(found, name).uncertainty * 500.0 == pytest.approx(error, rel=0.04)


def test_sparse_speckle_is_told_from_full():
    """Poisson scatterers of mean N a sample cell: <I^2>/<I>^2 = 2 + 1/N, for N = 1."""
    rng = np.random.default_rng(3)
    count = rng.poisson(1.0, (300, 300))
    sums = np.zeros((300, 300), complex)
    for k in range(count.max()):
        sums += np.where(count > k, np.exp(2j * np.pi * rng.random((300, 300))), 0.0)
    moment = speckle_statistics(np.abs(sums)).moment
    assert abs(moment.value - 3.0) < 4.0 * moment.uncertainty
    assert (moment.value - 2.0) / moment.uncertainty > 20.0


def test_statistics_need_cells():
    """A region smaller than two cells says so."""
    field = np.abs(gaussian_speckle(np.random.default_rng(4), (60, 60), (2.0, 3.3)))[:2, :2]
    with pytest.raises(SettingError, match="at least 2"):
        speckle_statistics(field * 0.0 + np.array([[1.0, 1.01], [1.02, 1.03]]))


# ---- contrast ----------------------------------------------------------------------------------


def rayleigh_pair(step_db, n=200_000, seed=5):
    """Two independent Rayleigh samples whose mean intensities differ by ``step_db``."""
    rng = np.random.default_rng(seed)
    dark, bright = (np.sqrt(rng.exponential(size=n)) for _ in range(2))
    return dark, bright * 10.0 ** (step_db / 20.0)


@pytest.mark.parametrize("step_db", [3.0, 6.0, 12.0])
def test_contrast_of_a_pair(step_db):
    """The level step comes back within its uncertainty."""
    dark, bright = rayleigh_pair(step_db)
    found = contrast_db(bright, dark, n_inside=bright.size, n_outside=dark.size)
    assert abs(found.value - step_db) < 4.0 * found.uncertainty
    assert found.uncertainty == pytest.approx(4.3429 * np.sqrt(2.0 / dark.size), rel=1e-4)


@pytest.mark.parametrize(("step_db", "expected"), [(3.0, 0.456), (6.0, 0.853), (12.0, 1.389), (20.0, 1.713)])
def test_cnr_of_envelopes(step_db, expected):
    """|m1 - m2| / sqrt(s1^2 + s2^2) of two Rayleigh amplitudes of given ratio."""
    dark, bright = rayleigh_pair(step_db)
    ratio = 10.0 ** (step_db / 20.0)
    exact = 1.91306 * (ratio - 1.0) / np.sqrt(ratio**2 + 1.0)
    assert exact == pytest.approx(expected, abs=6e-4)
    assert cnr(dark, bright) == pytest.approx(exact, abs=0.01)  # 200 000 values: error 0.003
    with pytest.raises(SettingError, match="constant"):
        cnr(np.ones(5), np.ones(5))


@pytest.mark.parametrize(("step_db", "expected"), [(3.0, 0.249), (6.0, 0.471), (10.0, 0.697), (20.0, 0.945)])
def test_generalised_cnr_closed_form(step_db, expected):
    """1 - overlap of two exponential laws of ratio r: r^(-1/(r-1)) - r^(-r/(r-1)).

    Definition: Rodriguez-Molares et al. 2020, IEEE UFFC 67:745; the closed form is elementary.
    """
    r = 10.0 ** (step_db / 10.0)
    exact = r ** (-1.0 / (r - 1.0)) - r ** (-r / (r - 1.0))
    assert exact == pytest.approx(expected, abs=6e-4)
    dark, bright = rayleigh_pair(step_db)
    found = generalised_cnr(dark, bright, n_inside=dark.size, n_outside=bright.size)
    # 64 bins: the crossing falls inside one, a loss under 1/64^2 and a noise gain under 0.003.
    assert found.value == pytest.approx(exact, abs=4.0 * found.uncertainty + 0.003)


def test_generalised_cnr_ignores_any_monotone_map():
    """Squares, decibels and a grey curve leave it exactly as it was; equal regions give near 0."""
    dark, bright = rayleigh_pair(6.0, n=5000)
    n = {"n_inside": 5000.0, "n_outside": 5000.0}
    plain = generalised_cnr(dark, bright, **n).value
    for curve in (np.square, np.log, lambda a: np.expm1(2.0 * a)):
        assert generalised_cnr(curve(dark), curve(bright), **n).value == plain
    assert generalised_cnr(dark, dark, **n).value == 0.0
