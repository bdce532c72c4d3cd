"""Scan conversion: the grid, the map, and what happens to speckle on the way."""

from __future__ import annotations

import numpy as np
import pytest

import renderer.jit
from renderer.errors import SettingError
from renderer.frame.convert import nearest_picture, picture_level, scan_map, soft_picture
from renderer.frame.grid import default_pixel_mm, locate, pad_grid, picture_grid
from renderer.receive.chain import NoiseDraw, lines_to_amplitude
from renderer.receive.settings import ReceiveSettings
from tests.speckle_fields import gaussian_speckle

SPEED = 1.54


def flat_lines(n=128, pitch=0.3, steer=0.0):
    """Parallel lines: (origin, direction), (L, 3) each."""
    x = (np.arange(n) - (n - 1) / 2) * pitch
    origin = np.stack([x, 0 * x, 0 * x], axis=1)
    return origin, np.tile([np.sin(steer), 0.0, np.cos(steer)], (n, 1))


def fan_lines(n=96, radius=60.0, half_angle=0.5, steer=0.0):
    """Lines of a convex face about the centre (0, -radius)."""
    angle = np.linspace(-half_angle, half_angle, n)
    origin = np.stack([radius * np.sin(angle), 0 * angle, radius * (np.cos(angle) - 1.0)], axis=1)
    return origin, np.stack([np.sin(angle + steer), 0 * angle, np.cos(angle + steer)], axis=1)


def times(depth_mm, step_mm):
    """Delays of samples every ``step_mm`` of assumed depth, µs."""
    return 2.0 * np.arange(int(depth_mm / step_mm) + 1) * step_mm / SPEED


# ---- grid --------------------------------------------------------------------------------------


@pytest.mark.parametrize("pixel_mm", [0.05, 0.1, 0.13, 0.7])
def test_pixels_are_square_and_ascend(pixel_mm):
    """Spacing is the pixel size in both directions."""
    grid = picture_grid(*fan_lines(), 80.0, pixel_mm)
    for axis in (grid.x_mm, grid.z_mm):
        assert np.diff(axis) == pytest.approx(pixel_mm, rel=1e-9)
    assert grid.in_view.shape == (len(grid.z_mm), len(grid.x_mm))


def test_flat_grid_covers_the_face_and_the_depth():
    """128 lines of 0.3 mm own 38.4 mm; 40 mm deep; all of it in view."""
    grid = picture_grid(*flat_lines(), 40.0, 0.1)
    assert grid.in_view.shape == (400, 384)
    assert grid.in_view.all()
    assert grid.z_mm[0] == pytest.approx(0.05)
    assert grid.x_mm[0] == pytest.approx(-19.15)


def test_fan_begins_above_the_middle_of_the_face():
    """The ends of a convex face lie at R (cos a - 1) < 0; the view is the exact ring sector."""
    n, radius, half = 96, 60.0, 0.5
    grid = picture_grid(*fan_lines(n, radius, half), 80.0, 0.25)
    gap = 2.0 * half / (n - 1)
    assert grid.z_mm[0] == pytest.approx(radius * (np.cos(half + gap / 2) - 1.0), abs=0.25)
    x, z = np.meshgrid(grid.x_mm, grid.z_mm)
    distance, angle = np.hypot(x, z + radius) - radius, np.arctan2(x, z + radius)
    sector = (distance >= 0.0) & (distance <= 80.0) & (np.abs(angle) <= half + gap / 2)
    # Chords between neighbouring origins cut 1e-3 mm off the arc: only pixels on the rim may differ.
    assert (sector != grid.in_view).sum() <= 3


def test_default_pixel_gives_near_700_rows():
    """Between 400 and 1100 rows for any depth, in round steps."""
    for depth_mm in (20.0, 40.0, 60.0, 100.0, 150.0, 240.0):
        assert 400 <= depth_mm / default_pixel_mm(depth_mm) <= 1100


def test_padding_moves_nothing():
    """A padded grid holds the picture at its old place and is out of view around it."""
    grid = picture_grid(*flat_lines(), 40.0, 0.2)
    wide = pad_grid(grid, 256, 256)
    rows, columns = np.nonzero(wide.in_view)
    assert wide.in_view.sum() == grid.in_view.sum()
    assert wide.x_mm[columns.min()] == pytest.approx(grid.x_mm[0])
    assert wide.z_mm[rows.min()] == pytest.approx(grid.z_mm[0])
    with pytest.raises(SettingError, match="does not fit"):
        pad_grid(grid, 10, 256)


def test_impossible_grids_are_refused():
    """One line, no pixel, uneven samples."""
    origin, direction = flat_lines()
    with pytest.raises(SettingError, match="at least 2 lines"):
        picture_grid(origin[:1], direction[:1], 40.0, 0.1)
    with pytest.raises(SettingError, match="pixel_mm must be positive"):
        picture_grid(origin, direction, 40.0, 0.0)
    grid = picture_grid(origin, direction, 40.0, 0.5)
    with pytest.raises(SettingError, match="evenly spaced"):
        scan_map(grid, origin, direction, np.array([0.0, 1.0, 3.0]), SPEED)


# ---- map ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lines", "line_error"),
    [
        (flat_lines(), 2e-5),
        (flat_lines(steer=0.3), 2e-5),
        (fan_lines(), 2e-4),
        (fan_lines(steer=0.2), 2e-3),
        (fan_lines(steer=-0.35), 2e-3),
    ],
)
def test_points_on_lines_are_found_again(lines, line_error):
    """A point placed between two lines, at a depth, comes back as that line and depth.

    Errors allowed: float32 for parallel lines; chord against arc for fans (gap 0.0105 rad, so
    gap^2/8 of a gap, more for steered fans whose lines have no common crossing at the centre).
    """
    origin, direction = lines
    rng = np.random.default_rng(1)
    for line, depth in zip(rng.uniform(0, len(origin) - 1, 60), rng.uniform(1.0, 120.0, 60), strict=True):
        i = min(int(line), len(origin) - 2)
        start = origin[i] + (line - i) * (origin[i + 1] - origin[i])
        way = direction[i] + (line - i) * (direction[i + 1] - direction[i])
        x, _, z = start + depth * way / np.linalg.norm(way)
        found = locate(np.array([x]), np.array([z]), origin, direction)
        assert found[0][0, 0] == pytest.approx(line, abs=line_error)
        assert found[1][0, 0] == pytest.approx(depth, abs=2e-3)


def test_points_behind_the_face_are_out():
    """Behind the face there is no sound, nor beside the outer lines."""
    line, depth = locate(np.array([0.0, 19.19, 19.21]), np.array([-0.5, 5.0]), *flat_lines())
    assert np.isnan(line[0]).all()
    assert np.isnan(depth[0]).all()
    assert np.isfinite(line[1]).tolist() == [True, True, False]


@pytest.mark.parametrize("lines", [flat_lines(), flat_lines(steer=0.2), fan_lines()])
def test_a_point_echo_is_shown_where_it_is(lines):
    """A Gaussian echo on line 40 at 30 mm has its centroid at that place, within 0.05 pixel."""
    origin, direction = lines
    time_us = times(60.0, 0.1)
    line, sample = np.arange(len(origin))[:, None], np.arange(len(time_us))[None, :]
    blob = np.exp(-0.5 * ((line - 40) / 1.5) ** 2 - 0.5 * ((sample - 300) / 4.0) ** 2)
    grid = picture_grid(origin, direction, 60.0, 0.15)
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    level = picture_level(blob[None].astype(np.float32), scan)
    power = np.where(np.isfinite(level), 10.0 ** (np.nan_to_num(level, nan=-300.0) / 20.0), 0.0)
    shown = (power.sum(0) @ grid.x_mm, power.sum(1) @ grid.z_mm) / power.sum()
    expected = (origin[40] + 30.0 * direction[40])[[0, 2]]
    # A blob on a fan is bent: its centroid rises by sigma^2 / 2r, some 0.005 mm.
    assert shown == pytest.approx(expected, abs=0.05 * 0.15 + 0.005)


def test_integers_are_never_mixed():
    """Labels take their nearest line and sample; a boundary gives no third label; 65535 survives."""
    origin, direction = fan_lines()
    time_us = times(60.0, 0.1)
    labels = np.full((len(origin), len(time_us)), 3, np.uint16)
    labels[50:, 200:] = 65535
    grid = picture_grid(origin, direction, 60.0, 0.11)
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    picture = nearest_picture(labels, scan, outside=9)
    assert picture.dtype == np.uint16
    assert set(np.unique(picture)) == {3, 9, 65535}
    seen = scan.in_view
    far = seen & (np.nan_to_num(scan.line[0]) >= 49.5) & (np.nan_to_num(scan.sample[0]) >= 199.5)
    assert np.array_equal(picture == 65535, far)
    assert (picture[~seen] == 9).all()


def test_soft_fields_are_linear_and_keep_their_holes():
    """A plane stays a plane; NaN stays where it was and does not eat its neighbours."""
    origin, direction = flat_lines()
    time_us = times(40.0, 0.1)
    depth = np.broadcast_to(np.arange(len(time_us)) * 0.1, (128, len(time_us))).astype(np.float32).copy()
    depth[60:70, 100:200] = np.nan
    grid = picture_grid(origin, direction, 40.0, 0.07)
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    picture = soft_picture(depth, scan)
    x, z = np.meshgrid(grid.x_mm, grid.z_mm)
    hole = (x > origin[59, 0] + 0.15) & (x < origin[69, 0] + 0.15) & (z > 9.95) & (z < 19.95)
    edge = (np.abs(z - 9.95) < 1e-3) | (np.abs(z - 19.95) < 1e-3)
    sure = scan.in_view & ~edge
    assert np.array_equal(np.isnan(picture)[sure], hole[sure])
    assert np.isnan(picture[~scan.in_view]).all()
    away = scan.in_view & ~hole & (np.abs(z - 9.95) > 0.1) & (np.abs(z - 19.95) > 0.1)
    np.testing.assert_allclose(picture[away], z[away], atol=1e-4)


@pytest.mark.parametrize("lines", [flat_lines(), fan_lines()])
def test_a_ramp_along_the_lines_stays_a_ramp(lines):
    """What is linear in depth and equal on all lines is found exactly at any depth."""
    time_us = times(60.0, 0.1)
    amplitude = np.tile(0.1 + 0.01 * np.arange(len(time_us), dtype=np.float32), (1, len(lines[0]), 1))
    grid = picture_grid(*lines, 59.0, 0.37)
    scan = scan_map(grid, *lines, time_us, SPEED)
    shown = 10.0 ** (picture_level(amplitude, scan) / 20.0)
    inner = scan.in_view & (np.nan_to_num(scan.sample[0]) > 0.0)
    expected = 0.1 + 0.01 * scan.sample[0]
    # Float32 at 600 samples: 3e-5 of a sample, 1e-7 of the level.
    np.testing.assert_allclose(shown[inner], expected[inner], rtol=1e-5)


@pytest.mark.parametrize("pixel_lines", [2.0, 3.0, 5.0])
def test_coarse_pixels_lose_no_line(pixel_lines):
    """Wherever a bright line falls among coarse pixels, what they show of it adds up to one line."""
    origin, direction = flat_lines(120, 0.2)
    time_us = times(20.0, 0.1)
    grid = picture_grid(origin, direction, 19.0, 0.2 * pixel_lines)
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    sums = []
    for line in range(50, 50 + int(pixel_lines)):
        amplitude = np.ones((1, 120, len(time_us)), np.float32)
        amplitude[0, line] = 2.0
        row = 10.0 ** (picture_level(amplitude, scan)[5] / 20.0)
        sums.append(np.sum(row - 1.0) * pixel_lines)
    # Triangles two pixels wide and the four taps both sum to 1 at any shift.
    assert np.array(sums) == pytest.approx(1.0, abs=1e-3)


# ---- speckle -----------------------------------------------------------------------------------


def converted(field, pitch=0.3, pixel_mm=0.06, step_mm=0.1):
    """Level picture of speckle on flat lines, and the fraction of a line gap of each column."""
    origin, direction = flat_lines(len(field), pitch)
    time_us = 2.0 * np.arange(field.shape[1]) * step_mm / SPEED
    depth = (field.shape[1] - 1) * step_mm
    grid = picture_grid(origin, direction, depth, pixel_mm)
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    quiet = ReceiveSettings(noise_db=-300.0)
    draw = NoiseDraw(key=0, frame=0, sigma_samples=0.0)
    gain_db = np.zeros(field.shape[1])
    amplitude = lines_to_amplitude(field[None], gain_db, quiet, draw, pixel_samples=scan.pixel_samples)
    level = picture_level(amplitude, scan)
    return level, (grid.x_mm - origin[0, 0]) / pitch % 1.0


def by_place_between_lines(level, place, n_bins=5):
    """Mean and spread of the level, dB, of the columns in each fifth of a line gap."""
    groups = np.minimum((place * n_bins).astype(int), n_bins - 1)
    columns = [level[:, groups == g] for g in range(n_bins)]
    return np.array([np.nanmean(c) for c in columns]), np.array([np.nanstd(c) for c in columns])


@pytest.mark.parametrize(
    ("fwhm_lines", "log_sd_db", "sd_ripple_db", "mean_ripple_db"),
    [(1.5, 4.47, 0.49, 0.22), (2.0, 4.69, 0.39, 0.16), (3.0, 4.95, 0.26, 0.09), (4.0, 5.14, 0.18, 0.06)],
)
def test_speckle_keeps_its_spread_and_shows_no_moire(fwhm_lines, log_sd_db, sd_ripple_db, mean_ripple_db):
    """Spread and ripple between lines are those of the Mitchell-Netravali taps on this field.

    Expected values come from a separate numerical trial of the taps on Gaussian speckle; the
    beam's width is counted in line gaps. A ripple of 0.4 dB is under two grey levels.
    """
    field = gaussian_speckle(np.random.default_rng(3), (500, 500), (fwhm_lines, 3.3))
    level, place = converted(field)
    mean_db, sd_db = by_place_between_lines(level, place)
    # 500 x 500 samples hold 500 * 500 / (3.5 * 1.06 * fwhm) cells or more: errors near 0.05 dB.
    error = 4.0 * 1.04 * 5.0 / np.sqrt(field.size / (3.5 * 1.06 * fwhm_lines))
    # Linear interpolation along the line takes 0.1 to 0.2 dB more.
    assert sd_db.mean() == pytest.approx(log_sd_db - 0.1, abs=0.1 + error)
    assert np.ptp(sd_db) < sd_ripple_db + error / 2
    assert np.ptp(mean_db) < mean_ripple_db + error / 2


def test_mean_amplitude_survives_whatever_the_correlation():
    """Independent lines (noise) keep their mean amplitude in the picture, between lines as on them."""
    noise = gaussian_speckle(np.random.default_rng(4), (500, 500), (0.1, 3.3))
    level, place = converted(noise)
    amplitude = 10.0 ** (level / 20.0)
    groups = np.minimum((place * 5).astype(int), 4)
    means = np.array([np.nanmean(amplitude[:, groups == g]) for g in range(5)])
    # Error of a mean over 500 * 500 / 3.5 cells: 0.523 / sqrt(n) = 0.2 %, four of these and 0.3 %
    # for the guard against negative lobes.
    assert means == pytest.approx(np.abs(noise).mean(), rel=0.011)


@pytest.mark.parametrize("pixel_mm", [0.25, 0.5, 1.0])
def test_coarse_pixels_keep_the_mean_amplitude(pixel_mm):
    """Pixels larger than samples and lines average them and do not fold them back."""
    field = gaussian_speckle(np.random.default_rng(5), (300, 600), (2.0, 3.3))
    level, _ = converted(field, pixel_mm=pixel_mm)
    inner = level[5:-5, 5:-5]
    n_cells = field.size / (3.5 * 2.1)
    error = 4.0 * 0.523 / np.sqrt(n_cells)  # spread over mean of a Rayleigh amplitude is 0.523
    assert np.nanmean(10.0 ** (inner / 20.0)) == pytest.approx(np.abs(field).mean(), rel=error)


@pytest.mark.parametrize("pixel_mm", [0.0613, 0.1007, 0.19])
def test_rows_show_no_bands(pixel_mm):
    """Where a row falls between two samples must not show: rows and samples would beat into bands."""
    field = gaussian_speckle(np.random.default_rng(8), (400, 600), (2.0, 3.3))
    level, _ = converted(field, pixel_mm=pixel_mm)
    place = (np.arange(level.shape[0]) + 0.5) * pixel_mm / 0.1 % 1.0
    mean_db, sd_db = by_place_between_lines(level.T, place)
    error = 4.0 * 1.04 * 5.0 / np.sqrt(field.size / (3.5 * 2.1))
    # Linear interpolation of an envelope of 6.6 values at half height: 0.05 dB of mean, 0.26 of
    # spread between a value and the middle (numerical trial on Gaussian speckle).
    assert np.ptp(mean_db) < 0.1 + error / 2
    assert np.ptp(sd_db) < 0.26 + error / 2


def test_lines_of_another_map_are_refused():
    """Lines whose number of samples or views is not that of the map would be shown at wrong depths."""
    origin, direction = flat_lines()
    grid = picture_grid(origin, direction, 39.0, 0.5)
    scan = scan_map(grid, origin, direction, times(40.0, 0.1), SPEED)
    for shape in ((1, 128, 300), (2, 128, 401), (1, 128, 500)):
        with pytest.raises(SettingError, match="do not belong to a map of 401 samples in 1 views"):
            picture_level(np.ones(shape, np.float32), scan)


@pytest.mark.parametrize("n_views", [2, 4])
def test_compounding_calms_speckle(n_views):
    """N independent views averaged as amplitudes: SNR 1.913 sqrt(N) (Burckhardt 1978)."""
    rng = np.random.default_rng(6)
    origin, direction = flat_lines(300)
    time_us = 2.0 * np.arange(400) * 0.1 / SPEED
    field = np.abs(np.stack([gaussian_speckle(rng, (300, 400), (3.0, 3.3)) for _ in range(n_views)]))
    grid = picture_grid(origin, direction, 39.0, 0.3)
    scan = scan_map(grid, np.stack([origin] * n_views), np.stack([direction] * n_views), time_us, SPEED)
    one = picture_level(field[:1], scan_map(grid, origin, direction, time_us, SPEED))
    all_views = picture_level(field, scan)
    snr = [np.nanmean(a) / np.nanstd(a) for a in (10.0 ** (one / 20.0), 10.0 ** (all_views / 20.0))]
    # 300 * 400 / (3.5 * 3.2) cells: an error of 1.34 / sqrt(n) = 0.013 on 1.9, 1 % of the ratio.
    assert snr[1] / snr[0] == pytest.approx(np.sqrt(n_views), rel=0.04)


def test_a_view_counts_only_where_it_reaches():
    """Two equal steered views average to themselves, in the corners that one alone reaches too."""
    base = flat_lines()
    views = [flat_lines(), flat_lines(steer=0.3)]
    time_us = times(45.0, 0.1)
    grid = picture_grid(*base, 40.0, 0.2)
    origin, direction = (np.stack([view[k] for view in views]) for k in (0, 1))
    scan = scan_map(grid, origin, direction, time_us, SPEED)
    level = picture_level(np.full((2, 128, len(time_us)), 0.1, np.float32), scan)
    assert np.isnan(scan.line[1]).any()
    assert level == pytest.approx(-20.0, abs=1e-4)


def test_threads_change_no_bit(monkeypatch):
    """One thread and all threads give the same picture."""
    field = gaussian_speckle(np.random.default_rng(7), (96, 600), (2.0, 3.3))
    origin, direction = fan_lines()
    grid = picture_grid(origin, direction, 59.0, 0.2)
    scan = scan_map(grid, origin, direction, times(59.9, 0.1), SPEED)
    amplitude = np.abs(field)[None]
    monkeypatch.setattr(renderer.jit, "THREADS", 3)
    together = picture_level(amplitude, scan)
    monkeypatch.setattr(renderer.jit, "THREADS", 1)
    alone = picture_level(amplitude, scan)
    assert np.array_equal(together, alone, equal_nan=True)


def test_taps_are_those_of_the_paper():
    """On a line the weights are 1/18, 8/9, 1/18; halfway -5/144 and 77/144 twice, all summing to 1.

    Mitchell and Netravali, Reconstruction filters in computer graphics (1988), B = C = 1/3: the
    cubic pieces are from memory, the weights follow from them.
    """
    origin, direction = flat_lines(21, 1.0)
    time_us = times(10.0, 0.1)
    impulse = np.full((1, 21, len(time_us)), 1.0, np.float32)
    impulse[0, 10] = 2.0
    grid = picture_grid(origin, direction, 9.0, 0.5)
    level = picture_level(impulse, scan_map(grid, origin, direction, time_us, SPEED))
    weights = dict(zip(np.round(grid.x_mm, 3), 10.0 ** (level[5] / 20.0) - 1.0, strict=True))

    def cubic(t):
        t = abs(t)
        if t < 1.0:
            return (7.0 * t**3 - 12.0 * t**2 + 16.0 / 3.0) / 6.0
        return (-7.0 / 3.0 * t**3 + 12.0 * t**2 - 20.0 * t + 32.0 / 3.0) / 6.0 if t < 2.0 else 0.0

    for x in (-1.75, -1.25, -0.75, -0.25, 0.25, 0.75, 1.25, 1.75):
        assert weights[x] == pytest.approx(cubic(x), abs=1e-5)
