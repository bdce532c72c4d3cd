"""The receive chain: noise, gain, detection, filters and the grey map, in their order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import renderer.jit
from renderer.receive.chain import (
    NoiseDraw,
    add_noise,
    axial_taps,
    envelope,
    lines_to_amplitude,
    lines_to_level,
    to_db,
)
from renderer.receive.gain import gain_curve_db, lateral_gain_db, slider_curve_db
from renderer.receive.grey import (
    EDGE_HALO_DB,
    displayed_floor_db,
    enhance_edges,
    grey_level,
    persist,
    picture_grey,
)
from renderer.receive.noise import band_sigma_samples, electronic_noise, line_keys, noise_filter
from renderer.receive.settings import ReceiveSettings

PLAIN = ReceiveSettings()
WHITE = NoiseDraw(key=12345, frame=0, sigma_samples=0.0)
NO_GAIN = np.zeros(400)
SILENT = np.zeros((1, 64, 400), np.complex64)

# Rayleigh statistics: Goodman, Speckle Phenomena in Optics (2007), ch. 3, from memory; each number
# follows from the exponential law of the intensity.
RAYLEIGH_LOG_SD_DB = 10.0 / np.log(10.0) * np.pi / np.sqrt(6.0)  # 5.5700
RAYLEIGH_LOG_MEAN_DB = -10.0 / np.log(10.0) * np.euler_gamma  # -2.507 re the mean intensity


# ---- noise -------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma_samples", [0.0, 0.7, 1.5, 4.0])
def test_noise_has_unit_power_and_is_rayleigh(sigma_samples):
    """Mean power 1 and <I^2>/<I>^2 = 2, as for a circular Gaussian, whatever the filter."""
    noise = electronic_noise(7, 0, (1, 256, 2000), sigma_samples)
    power = np.abs(noise) ** 2
    # Correlation sum of a Gaussian filter's power, sum of exp(-k^2 / (2 sigma^2)).
    n_cells = power.size / max(1.0, np.sqrt(2.0 * np.pi) * sigma_samples)

    assert abs(power.mean() - 1.0) < 4.0 / np.sqrt(n_cells)
    # 2/sqrt(n) is the standard error of the ratio (delta method for exponential intensities).
    assert abs((power**2).mean() / power.mean() ** 2 - 2.0) < 4.0 * 2.0 / np.sqrt(n_cells)
    assert abs((noise**2).mean()) < 4.0 * np.sqrt(2.0 / n_cells)  # circular: no preferred phase


def test_noise_tail_is_exponential():
    """1 in 100 samples lies 20 dB below the mean intensity, 1 in 1000 lies 30 dB below."""
    power = np.abs(electronic_noise(3, 0, (1, 256, 2000), 0.0)) ** 2
    for drop_db in (10.0, 20.0, 30.0):
        expected = 1.0 - np.exp(-(10.0 ** (-drop_db / 10.0)))
        error = np.sqrt(expected / power.size)
        assert abs((power < 10.0 ** (-drop_db / 10.0)).mean() - expected) < 4.0 * error


def test_noise_level_is_the_setting():
    """With nothing received and no gain, the mean intensity of the lines is ``noise_db``."""
    received = add_noise(SILENT, replace(PLAIN, noise_db=-80.0), WHITE)
    level_db = 10.0 * np.log10(np.mean(np.abs(received) ** 2))
    assert abs(level_db + 80.0) < 4.0 * 4.343 / np.sqrt(SILENT.size)  # 4.343 dB / sqrt(n)


def test_noise_filter_sets_the_correlation():
    """A Gaussian filter of standard deviation s leaves the correlation exp(-k^2 / (4 s^2))."""
    sigma = 2.0
    noise = electronic_noise(1, 0, (1, 256, 2000), sigma)
    for lag in (1, 2, 4):
        measured = np.mean(noise[..., lag:] * noise[..., :-lag].conj())
        assert abs(measured - np.exp(-(lag**2) / (4.0 * sigma**2))) < 4.0 / np.sqrt(noise.size / 5.0)


def test_noise_is_independent_between_lines_views_and_frames():
    """Correlations between any two draws stay within the error of a mean of n products."""
    here = electronic_noise(1, 0, (2, 64, 2000), 0.0)
    later = electronic_noise(1, 1, (2, 64, 2000), 0.0)
    other_seed = electronic_noise(2, 0, (2, 64, 2000), 0.0)
    pairs = [
        (here[:, 1:], here[:, :-1]),
        (here[0], here[1]),
        (here[..., 1:], here[..., :-1]),
        (here, later),
        (here, other_seed),
    ]
    for a, b in pairs:
        assert abs(np.mean(a * b.conj())) < 4.0 / np.sqrt(a.size)


def test_noise_of_a_line_depends_on_nothing_else(monkeypatch):
    """Neither the number of lines nor the number of threads changes the draw of a line."""
    few = electronic_noise(9, 4, (1, 10, 500), 1.2)
    many = electronic_noise(9, 4, (3, 192, 500), 1.2)
    monkeypatch.setattr(renderer.jit, "THREADS", 1)
    alone = electronic_noise(9, 4, (3, 192, 500), 1.2)

    assert np.array_equal(few[0], many[0, :10])
    assert np.array_equal(alone, many)


def test_no_two_lines_share_a_key():
    """Keys of 4 views of 512 lines in 8 frames are all different."""
    keys = np.concatenate([line_keys(5, frame, 4, 512).reshape(-1, 2) for frame in range(8)])
    assert len(np.unique(keys, axis=0)) == len(keys)


def test_noise_is_the_same_when_echoes_are_left_out():
    """What a counterfactual removes does not touch the noise."""
    rng = np.random.default_rng(0)
    echoes = (rng.standard_normal((1, 8, 400)) * 1e-3).astype(np.complex64)
    settings = replace(PLAIN, noise_db=-60.0)
    difference = add_noise(echoes, settings, WHITE) - echoes - add_noise(echoes * 0, settings, WHITE)
    assert np.abs(difference).max() < 1e-8  # float32 at 5e-3


def test_receive_band_of_a_gaussian_pulse():
    """Full widths in time and frequency multiply to 4 ln 2 / pi = 0.8825 (Gaussian transform)."""
    step_us = 0.02
    sigma = band_sigma_samples(5.0, 0.6, step_us)
    width_us = np.sqrt(8.0 * np.log(2.0)) * sigma * step_us
    assert width_us * 5.0 * 0.6 == pytest.approx(4.0 * np.log(2.0) / np.pi, rel=1e-12)
    taps = noise_filter(sigma)
    assert np.sum(taps.astype(float) ** 2) == pytest.approx(1.0, rel=1e-6)


# ---- gain --------------------------------------------------------------------------------------


def test_slope_is_there_and_back():
    """0.5 dB/(cm MHz) at 5 MHz asks for 5 dB per centimetre of depth (2 alpha f)."""
    curve = gain_curve_db(np.array([0.0, 10.0, 60.0]), PLAIN, frequency_mhz=5.0, full_depth_mm=60.0)
    assert curve == pytest.approx([0.0, 5.0, 30.0], abs=1e-12)


@pytest.mark.parametrize("row", range(8))
def test_slider_raises_its_own_depth(row):
    """Slider i counts in full at (i + 1/2)/8 of the depth, half a step away by half, else not."""
    sliders = tuple(7.0 if i == row else 0.0 for i in range(8))
    settings = replace(PLAIN, tgc_db=sliders, tgc_slope_db_cm_mhz=0.0)
    depth_mm = (np.arange(8) + 0.5) / 8.0 * 80.0
    curve = gain_curve_db(depth_mm, settings, frequency_mhz=5.0, full_depth_mm=80.0)
    assert curve == pytest.approx(sliders, abs=1e-9)
    between = gain_curve_db(depth_mm[:-1] + 5.0, settings, frequency_mhz=5.0, full_depth_mm=80.0)
    expected = [3.5 if i in (row - 1, row) else 0.0 for i in range(7)]
    assert between == pytest.approx(expected, abs=1e-9)


def test_sliders_are_flat_beyond_the_ends():
    """Above the first slider and below the last the gain stays theirs."""
    curve = slider_curve_db(np.array([0.0, 1.0 / 16, 15.0 / 16, 1.0, 1.2]), (3.0, *([0.0] * 6), -4.0))
    assert curve == pytest.approx([3.0, 3.0, -4.0, -4.0, -4.0])


def test_lateral_sliders_run_over_the_lines():
    """The eight lateral sliders sit at (i + 1/2)/8 of the picture's width."""
    sliders = tuple(float(i) for i in range(8))
    gain = lateral_gain_db(80, replace(PLAIN, lateral_gain_db=sliders))
    assert gain[:5] == pytest.approx(0.0)
    assert gain[-5:] == pytest.approx(7.0)
    assert np.interp(34.5, np.arange(80), gain) == pytest.approx(3.0)


def test_flat_field_is_a_switch():
    """The maker's curve is added with the switch on, and left out with it off."""
    depth_mm, field_db = np.array([10.0, 20.0]), np.array([4.0, -2.0])
    on, off = (
        gain_curve_db(
            depth_mm,
            replace(PLAIN, flat_field=state),
            frequency_mhz=3.0,
            full_depth_mm=40.0,
            flat_field_db=field_db,
        )
        for state in (True, False)
    )
    assert on - off == pytest.approx(field_db)


@pytest.mark.parametrize(
    ("change", "echo_db", "noise_db"),
    [({"output_db": -9.0}, -9.0, 0.0), ({"gain_db": 7.0}, 7.0, 7.0), ({"noise_db": -70.0}, 0.0, 30.0)],
)
def test_output_moves_echoes_and_gain_moves_both(change, echo_db, noise_db):
    """Order of the chain: output before the noise, gain after it."""
    echo = SILENT.copy()
    echo[:, :32] = 1e-2
    before = replace(PLAIN, noise_db=-100.0)

    def levels(settings):
        gain = gain_curve_db(NO_GAIN, settings, frequency_mhz=5.0, full_depth_mm=1.0)
        level = lines_to_level(echo, gain, settings, WHITE)
        return level[0, :32].mean(), level[0, 32:].mean()

    (echo_0, noise_0), (echo_1, noise_1) = levels(before), levels(replace(before, **change))
    # Noise 60 dB (30 dB in the last case) below the echo shifts its mean level by under 0.01 dB.
    assert echo_1 - echo_0 == pytest.approx(echo_db, abs=0.01)
    # The very same draw, so exact but for float32 (1e-7 relative, 0.001 dB with a margin).
    assert noise_1 - noise_0 == pytest.approx(noise_db, abs=1e-3)


def test_fused_chain_is_the_chain():
    """The one-pass kernel gives what its stages give one after the other in double precision."""
    rng = np.random.default_rng(5)
    iq = (rng.standard_normal((2, 12, 300, 2)) @ np.array([1e-3, 1e-3j])).astype(np.complex64)
    settings = replace(PLAIN, noise_db=-58.0, output_db=-3.0, lateral_gain_db=tuple(range(8)))
    draw = NoiseDraw(key=99, frame=3, sigma_samples=1.3)
    gain_db = np.stack([np.linspace(0.0, 40.0, 300), np.linspace(5.0, 30.0, 300)])
    uneven_db = np.linspace(-1.0, 1.0, 12)

    got = lines_to_amplitude(iq, gain_db, settings, draw, line_gain_db=uneven_db)[..., ::2]
    across_db = lateral_gain_db(12, settings) + uneven_db
    total_db = gain_db[:, None, :] + across_db[None, :, None]
    expected = np.abs(add_noise(iq, settings, draw).astype(complex)) * 10.0 ** (total_db / 20.0)

    np.testing.assert_allclose(got, expected, rtol=2e-5, atol=1e-7 * expected.max())


def test_envelope_of_speckle_is_rayleigh():
    """SNR 1.9131, log spread 5.570 dB, mean level -2.507 dB re the mean intensity."""
    amplitude = envelope(electronic_noise(11, 0, (1, 256, 2000), 0.0))
    level_db = to_db(amplitude)
    n = amplitude.size
    assert abs(amplitude.mean() / amplitude.std() - 1.91306) < 4.0 * 1.34 / np.sqrt(n)
    assert abs(level_db.std() - RAYLEIGH_LOG_SD_DB) < 4.0 * 1.04 * RAYLEIGH_LOG_SD_DB / np.sqrt(n)
    mean_db = level_db.mean() - 10.0 * np.log10(np.mean(amplitude.astype(float) ** 2))
    assert abs(mean_db - RAYLEIGH_LOG_MEAN_DB) < 4.0 * RAYLEIGH_LOG_SD_DB / np.sqrt(n)


def test_decibels_of_edge_values():
    """Full scale is 0 dB, a tenth is -20 dB, zero is finite, NaN stays NaN."""
    level = to_db(np.array([1.0, 0.1, 0.0, np.nan], np.float32))
    assert level[:3] == pytest.approx([0.0, -20.0, -300.0], abs=1e-4)
    assert np.isnan(level[3])


def test_axial_smoothing_is_a_box_for_coarse_pixels_only():
    """Unit sum, symmetric, one tap up to two samples a pixel; two taps a sample beyond."""
    for pixel_samples in (1.5, 2.0, 2.1, 3.0, 4.0, 7.3):
        taps = axial_taps(pixel_samples)
        assert taps.sum() == pytest.approx(1.0, rel=1e-6)
        assert taps == pytest.approx(taps[::-1])
        assert (len(taps) == 1) == (pixel_samples < 2.5)
    assert axial_taps(4.0) == pytest.approx([1 / 8, 1 / 4, 1 / 4, 1 / 4, 1 / 8])  # a box of 4 taps


@pytest.mark.parametrize(("sunk", "error"), [(0.0, 0.003), (0.06, 0.003), (0.13, 0.006), (0.18, 0.016)])
def test_detection_between_samples(sunk, error):
    """Halfway between samples the envelope is that of the band-limited line.

    The line is a Gaussian of 3.2 samples at half height, as a pulse of 60 % band at 2.2 samples a
    cycle (width in time times band is 0.8825), moved down by up to 0.18 of the sample rate
    (15 cm of 0.5 dB/(cm MHz) at 3.5 MHz, 60 %: Gaussian downshift 2 a d s^2 = 1.4 MHz of 7.7 MHz).
    Errors are shares of the peak, from a trial of the taps at ten places between samples.
    """
    t = np.arange(200.0)
    fine = np.arange(0.0, 199.5, 0.5)

    def line(time):
        return np.exp(-4.0 * np.log(2.0) * ((time - 100.3) / 3.2) ** 2 - 2j * np.pi * sunk * time)

    settings = replace(PLAIN, noise_db=-300.0)
    got = lines_to_amplitude(line(t)[None, None].astype(np.complex64), np.zeros(200), settings, WHITE)
    assert got.shape == (1, 1, 399)
    assert np.abs(got[0, 0] - np.abs(line(fine))).max() < error


# ---- grey --------------------------------------------------------------------------------------


@pytest.mark.parametrize("grey_map", ["soft", "linear"])
def test_ends_of_the_grey_map(grey_map):
    """Full scale is white, the end of the dynamic range and all below is black, NaN is black."""
    level = np.array([[5.0, 0.0, -64.0, -90.0, np.nan, -63.999]], np.float32)
    grey = grey_level(level, replace(PLAIN, grey_map=grey_map))
    assert grey.tolist() == [[255, 255, 0, 0, 0, 0]]


def test_linear_map_steps():
    """60 dB over 255 steps: 0.235 dB a grey level."""
    level = np.linspace(-60.0, 0.0, 256, dtype=np.float32)[None, :]
    grey = grey_level(level, replace(PLAIN, grey_map="linear", dynamic_range_db=60.0))
    assert np.array_equal(grey[0], np.arange(256))


def test_reference_tissue_is_grey_50():
    """Speckle of mean intensity -38 dB shows at a mean grey of 50 on the soft map at 64 dB."""
    speckle = np.abs(electronic_noise(2, 0, (1, 200, 2000), 0.0)[0]) * 10.0 ** (-38.0 / 20.0)
    grey = grey_level(to_db(speckle), PLAIN)
    # Spread 19 grey levels over 4e5 samples: an error of 0.03; the map is rounded to 0.5.
    assert grey.mean() == pytest.approx(50.0, abs=0.5)


@pytest.mark.parametrize("dynamic_range_db", [45.0, 64.0, 90.0])
def test_soft_map_rises_everywhere_and_is_convex(dynamic_range_db):
    """Never darker for a higher level; never above the straight map."""
    level = np.linspace(-100.0, 3.0, 2000, dtype=np.float32)[None, :]
    settings = replace(PLAIN, dynamic_range_db=dynamic_range_db)
    soft = grey_level(level, settings).astype(int)
    straight = grey_level(level, replace(settings, grey_map="linear")).astype(int)
    assert (np.diff(soft[0]) >= 0).all()
    assert (soft <= straight).all()


def test_reject_blackens_only_below():
    """Reject moves no grey level above it."""
    level = np.linspace(-64.0, 0.0, 500, dtype=np.float32)[None, :]
    plain, rejected = grey_level(level, PLAIN), grey_level(level, replace(PLAIN, reject_db=-40.0))
    assert (rejected[level < -40.0] == 0).all()
    assert np.array_equal(rejected[level >= -40.0], plain[level >= -40.0])
    assert displayed_floor_db(replace(PLAIN, reject_db=-40.0)) == -40.0
    assert displayed_floor_db(PLAIN) == -64.0


def test_edge_enhancement():
    """Nothing on flat ground; a step is steepened with a bounded halo; NaN does not spread."""
    step = np.full((60, 60), -50.0, np.float32)
    step[:, 30:] = -20.0
    step[:5] = np.nan
    sharp = enhance_edges(step, 1.0, floor_db=-64.0)
    assert np.array_equal(np.isnan(sharp), np.isnan(step))
    assert sharp[30, 10] == pytest.approx(-50.0, abs=1e-3)
    assert sharp[30, 30] - sharp[30, 29] > 30.0
    assert np.nanmax(np.abs(sharp - step)) <= EDGE_HALO_DB + 1e-4
    assert sharp[5, 10] == pytest.approx(-50.0, abs=1e-3)  # beside the NaN rows
    assert enhance_edges(step, 0.0, floor_db=-64.0) is step


def test_persistence_forgets_geometrically():
    """After n equal frames a weight w leaves w^n of the old picture; new ground is not mixed."""
    old, new = np.full((2, 2), -10.0, np.float32), np.full((2, 2), -40.0, np.float32)
    old[0, 0], new[1, 1] = np.nan, np.nan
    shown = old
    for _ in range(3):
        shown = persist(shown, new, 0.6)
    assert shown[0, 1] == pytest.approx(-40.0 + 30.0 * 0.6**3, abs=1e-4)
    assert shown[0, 0] == -40.0
    assert np.isnan(shown[1, 1])


def test_persistence_calms_noise():
    """The variance of independent frames falls to (1 - w)/(1 + w) (first-order recursion)."""
    rng = np.random.default_rng(8)
    settings = replace(PLAIN, persistence=0.5)
    shown = None
    for _ in range(12):
        frame = rng.normal(-38.0, 5.57, (200, 200)).astype(np.float32)
        _, shown = picture_grey(frame, settings, shown)
    expected = 5.57**2 * 0.5 / 1.5
    # Relative error of a variance of 4e4 values is 0.7 %; 0.5^24 of the first frame is left.
    assert np.var(shown) == pytest.approx(expected, rel=0.03)
