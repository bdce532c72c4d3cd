"""The references themselves against closed forms, before anything is held to them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from renderer.measure.position import profile_peak
from renderer.measure.widths import width_at
from tests.twins import (
    ArrayTwin,
    LineTwin,
    band_spacing_mm,
    bayonet_step_mm,
    critical_angle_rad,
    cylinder_deviation_rad,
    displayed_depth_mm,
    edge_shadow_mm,
    element_sum_beam,
    element_sum_echo,
    element_sum_profile,
    grating_angle_rad,
    lobe_copy_depth_mm,
    mirror_of_line,
    mirror_point,
    needle_angle_rad,
    one_way,
    prism_exit_rad,
    reverberation_amplitude,
    reverberation_depth_mm,
)
from tests.twins_waves import aperture_field, cylinder_field, map_of, propagate

HALF_DB = 20.0 * np.log10(2.0)
DEG = np.pi / 180.0
SPEED = 1.54


def db(amplitude):
    """Level of a complex amplitude re its largest, dB."""
    a = np.abs(amplitude)
    return 20.0 * np.log10(np.maximum(a / a.max(), 1e-12))


def across(x, z, y=0.0):
    """Points along x at one depth, (P, 3)."""
    return np.stack([x, 0.0 * x + y, 0.0 * x + z], axis=1)


# ---- element sum -------------------------------------------------------------------------------
# Closed forms of focused apertures: Goodman, Fourier Optics, and Kino, Acoustic Waves (both from
# memory); they hold for small angles, so the arrays here look with F/5 or weaker, where sin and
# tan of the half angle differ by 0.5 %.

FINE = ArrayTwin(n_elements=256, pitch_mm=0.1, n_sub=2)
F5 = LineTwin(0.0, 60.0, 5.0, 5.0, receive_focus_mm=60.0)
WAVE = SPEED / 5.0  # 0.308 mm at 5 MHz


@pytest.mark.parametrize(
    ("apodisation", "one_way_width", "first_null", "peak_lobe_db"),
    [("none", 1.207, 1.0, -13.26), ("hamming", 1.816, 2.0, -42.68), ("hann", 2.001, 2.0, -31.47)],
)
def test_focus_of_a_line_aperture(apodisation, one_way_width, first_null, peak_lobe_db):
    """Half-amplitude width, first null and highest side lobe of three apodisations (Harris 1978).

    The table of Harris gives -13, -43 and -32 dB; digits here follow from the transforms.
    """
    line = LineTwin(0.0, 60.0, 5.0, 5.0, apodisation=apodisation)
    # On an arc about the middle of the aperture, where the closed form lives.
    sine = np.linspace(-0.8, 0.8, 1601) * 5.0 * WAVE / 5.0 / 2.0
    u = 12.0 / WAVE * sine  # sine over lambda / D
    points = np.stack([60.0 * sine, 0.0 * sine, 60.0 * np.sqrt(1.0 - sine**2)], axis=1)
    level = db(one_way(FINE, line, 5.0, 60.0, points, 5.0, SPEED))
    assert width_at(u, level, HALF_DB).width == pytest.approx(one_way_width, rel=0.01)
    # The Hamming null is a shallow one: only the even aperture and Hann have true zeros there.
    if apodisation != "hamming":
        near = np.abs(np.abs(u) - first_null) < 0.1
        assert level[near].min() < -45.0
    side = np.abs(u) > first_null * 1.02
    assert level[side].max() == pytest.approx(peak_lobe_db, abs=0.35 if peak_lobe_db > -40 else 1.5)


@pytest.mark.parametrize(("drop_db", "width"), [(HALF_DB, 0.8859), (20.0, 1.476)])
def test_two_way_focus_width(drop_db, width):
    """0.8859 and 1.476 lambda F, same even aperture both ways (roots of sinc^2 = 1/2, 1/10)."""
    x = np.linspace(-2.5, 2.5, 401)
    level = db(element_sum_beam(FINE, F5, across(x, 60.0), 5.0))
    # F/5 is one half angle of 0.1: 0.5 % between sine and tangent, 0.3 % for whole elements.
    assert width_at(x, level, drop_db).width == pytest.approx(width * WAVE * 5.0, rel=0.01)


def test_two_way_first_side_lobe():
    """-26.52 dB at 1.4303 lambda F."""
    x = np.linspace(1.2, 1.7, 201) * WAVE * 5.0
    level = 20.0 * np.log10(np.abs(element_sum_beam(FINE, F5, across(x, 60.0), 5.0)))
    top = 20.0 * np.log10(np.abs(element_sum_beam(FINE, F5, across(np.zeros(1), 60.0), 5.0)))[0]
    lobe = profile_peak(x, level - top)
    assert lobe.position == pytest.approx(1.4303 * WAVE * 5.0, rel=0.01)
    assert lobe.level_db == pytest.approx(-26.52, abs=0.2)


def test_depth_of_field():
    """Two-way -6 dB range of 1/z is 6.94 lambda F^2 / z_f^2 for a line aperture (Fresnel integral)."""
    z = np.linspace(30.0, 200.0, 3401)
    points = np.stack([0 * z, 0 * z, z], axis=1)
    field = element_sum_beam(FINE, F5, points, 5.0) * z  # without the 1/sqrt(r) of either way
    found = width_at(-1.0 / z, db(field), HALF_DB)
    assert found.width == pytest.approx(6.94 * WAVE * 25.0 / 60.0**2, rel=0.02)


@pytest.mark.parametrize("steer_deg", [0.0, 10.0, -20.0])
def test_steered_line_peaks_on_the_line(steer_deg):
    """The beam lies where the line points, in a linear array and in a convex one."""
    for array in (FINE, ArrayTwin(128, 0.4, radius_mm=60.0)):
        line = LineTwin(3.0, 50.0, 4.0, 4.0, steer_rad=steer_deg * DEG)
        origin, normal = array.at(3.0)
        angle = np.arctan2(*normal) + steer_deg * DEG
        t = angle + np.linspace(-0.06, 0.06, 241)
        points = np.stack([origin[0] + 50.0 * np.sin(t), 0 * t, origin[1] + 50.0 * np.cos(t)], axis=1)
        level = db(element_sum_beam(array, line, points, 5.0))
        # A steered aperture is no longer symmetric about the line: within 0.1 of the beam width.
        assert profile_peak(t, level).position == pytest.approx(angle, abs=0.1 * WAVE / 12.5)


@pytest.mark.parametrize(
    ("pitch_mm", "mhz", "steer_deg", "expected_deg"),
    [(0.30, 7.5, 0.0, 43.19), (0.20, 10.0, 0.0, 50.35), (0.308, 5.0, 20.0, -41.15)],
)
def test_grating_lobe_angle(pitch_mm, mhz, steer_deg, expected_deg):
    """A second beam at sin t = sin t_steer + m lambda / p, in the formula and in the sum."""
    wave = SPEED / mhz
    order = 1 if expected_deg > 0 else -1
    angle = grating_angle_rad(pitch_mm, wave, steer_deg * DEG, order)
    assert angle / DEG == pytest.approx(expected_deg, abs=0.01)
    array = ArrayTwin(64, pitch_mm, n_sub=1)
    line = LineTwin(0.0, 4000.0, 1.0, 1.0, steer_rad=steer_deg * DEG)  # focused far off, all elements
    t = angle + np.linspace(-0.04, 0.04, 401)
    points = 4000.0 * np.stack([np.sin(t), 0 * t, np.cos(t)], axis=1)
    field = one_way(array, line, 1.0, 4000.0, points, mhz, SPEED)
    # Lobe width lambda / (64 p cos t): a hundredth of it.
    assert profile_peak(t, db(field)).position == pytest.approx(
        angle, abs=0.01 * wave / (64 * pitch_mm) / 0.6
    )


def test_dead_gap_and_directivity():
    """An element of width w falls as sinc(w sin t / lambda): the grating lobe is lowered by that."""
    array = ArrayTwin(1, 0.3, n_sub=40)
    t = np.array([0.0, 30.0, 43.19]) * DEG
    points = 3000.0 * np.stack([np.sin(t), 0 * t, np.cos(t)], axis=1)
    line = LineTwin(0.0, 3000.0, 1.0, 1.0)
    got = np.abs(one_way(array, line, 1.0, 3000.0, points, 7.5, SPEED))
    assert got / got[0] == pytest.approx(np.abs(np.sinc(0.3 * np.sin(t) / (SPEED / 7.5))), abs=2e-3)
    soft = np.abs(one_way(ArrayTwin(1, 0.3, n_sub=40, obliquity=True), line, 1.0, 3000.0, points, 7.5, SPEED))
    assert soft / soft[0] == pytest.approx(got / got[0] * np.cos(t), abs=2e-3)


@pytest.mark.parametrize(
    ("mhz", "focus", "height", "expected"), [(5.0, 40.0, 5.0, 2.18), (7.5, 20.0, 4.0, 0.91)]
)
def test_slice_thickness_at_the_lens_focus(mhz, focus, height, expected):
    """0.886 lambda F / H two-way at the focus of the elevation lens."""
    array = ArrayTwin(64, 0.2, height_mm=height, lens_focus_mm=focus, n_sub=1, n_elevation=60)
    line = LineTwin(0.0, focus, 4.0, 4.0)
    y = np.linspace(-3.0, 3.0, 121) * expected / 2.0
    level = db(element_sum_beam(array, line, np.stack([0 * y, y, 0 * y + focus], axis=1), mhz))
    # Lens F/8 and F/5; the table gives three digits.
    assert width_at(y, level, HALF_DB).width == pytest.approx(expected, rel=0.015)


def test_pulse_of_a_wire():
    """5 MHz, 60 %: the echo is 0.2265 mm long at -6 dB and 0.413 mm at -20 dB, at its own delay.

    Widths of Gaussians in time and frequency multiply to 4 ln 2 / pi; -20 dB is wider by the root
    of 20 / 6.02.
    """
    t = 2.0 * 60.0 / SPEED + np.linspace(-0.6, 0.6, 241)
    echo = element_sum_echo(FINE, F5, np.array([[0.0, 0.0, 60.0]]), 5.0, 0.6, t)[0]
    level = db(echo)
    # The sum weighs low frequencies a little less off focus; on focus nothing does.
    assert width_at(t * SPEED / 2, level, HALF_DB).width == pytest.approx(0.2265, rel=0.005)
    assert width_at(t * SPEED / 2, level, 20.0).width == pytest.approx(0.413, rel=0.005)
    assert profile_peak(t, level).position == pytest.approx(2.0 * 60.0 / SPEED, abs=1e-3)
    phase = np.angle(echo[120] * np.exp(2j * np.pi * 5.0 * 2.0 * 60.0 / SPEED))
    assert phase == pytest.approx(0.0, abs=0.02)


def test_broad_band_fills_the_nulls():
    """The null of one frequency at lambda F is a side lobe of a 60 % pulse; the width hardly changes."""
    x = np.linspace(-2.5, 2.5, 101)
    broad = 20.0 * np.log10(element_sum_profile(FINE, F5, across(x, 60.0), 5.0, 0.6))
    narrow = db(element_sum_beam(FINE, F5, across(x, 60.0), 5.0))
    broad -= broad.max()
    null = np.argmin(np.abs(x - WAVE * 5.0))
    assert narrow[null] < -45.0 < -35.0 < broad[null]
    ratio = width_at(x, broad, HALF_DB).width / width_at(x, narrow, HALF_DB).width
    assert 0.95 < ratio < 1.10


def test_wrong_speed_defocuses_and_moves_the_echo():
    """In fat (1450 m/s) an F/2.5 aperture is duller, and the echo comes late by c_assumed / c."""
    wide = LineTwin(0.0, 60.0, 2.5, 2.5)
    point = np.array([[0.0, 0.0, 60.0]])
    t = 2.0 * 60.0 / 1.45 + np.linspace(-0.6, 0.6, 241)
    slow = element_sum_echo(FINE, wide, point, 5.0, 0.6, t, speed=1.45)[0]
    shown = profile_peak(t, db(slow)).position * SPEED / 2
    # The focal error delays the mean of the aperture a little against its middle: under 0.1 mm.
    assert shown == pytest.approx(displayed_depth_mm([(60.0, 1.45)]), abs=0.1)
    true = element_sum_echo(FINE, wide, point, 5.0, 0.6, 2.0 * 60.0 / SPEED + t - t[120])[0]
    assert np.abs(slow).max() < 0.9 * np.abs(true).max()


# ---- waves in a map ----------------------------------------------------------------------------

X = (np.arange(2048) - 1023.5) * 0.05  # an aperture with edges on multiples of 0.05 holds whole samples


def test_free_focus_of_the_wave_twin():
    """An even aperture of F/5 focuses to 1.2067 lambda F at half amplitude (root of sinc = 1/2)."""
    start = aperture_field(X, 5.0, SPEED, half_mm=6.0, focus_mm=60.0)
    field = propagate(start, 0.05, 0.5, np.full((120, len(X)), SPEED), 5.0)
    near = np.abs(X) < 4.0
    assert width_at(X[near], db(field[-1, near]), HALF_DB).width == pytest.approx(
        1.2067 * WAVE * 5.0, rel=0.01
    )


def test_wave_twin_agrees_with_the_element_sum():
    """Same aperture, free field: profiles at three depths within 2 % of their peak.

    Line elements with the cosine of a soft baffle are what a pressure aperture radiates (first
    Rayleigh-Sommerfeld integral), but for 1/(ikr) terms of 1 % at 10 mm.
    """
    array = ArrayTwin(120, 0.1, n_sub=2, obliquity=True)
    line = LineTwin(0.0, 40.0, 40.0 / 12.0, 1.0)
    start = aperture_field(X, 5.0, SPEED, half_mm=6.0, focus_mm=40.0)
    field = propagate(start, 0.05, 0.5, np.full((120, len(X)), SPEED), 5.0)
    near = np.abs(X) < 8.0
    for z in (20.0, 40.0, 60.0):
        got = np.abs(field[int(z / 0.5), near])
        expected = np.abs(one_way(array, line, 40.0 / 12.0, 40.0, across(X[near], z), 5.0, SPEED))
        assert np.abs(got / got.max() - expected / expected.max()).max() < 0.02


def test_one_way_waves_keep_their_energy():
    """In an even medium no power is lost or made, step by step (Parseval; no evanescent part sent)."""
    start = np.exp(-((X / 3.0) ** 2)) * np.exp(2j * np.pi * 0.3 * X)
    field = propagate(start, 0.05, 0.1, np.full((300, len(X)), SPEED), 5.0)
    power = np.sum(np.abs(field) ** 2, axis=1)
    assert power == pytest.approx(power[0], rel=1e-9)


def test_waves_lose_or_gain_little_at_an_oblique_lens():
    """Across a lens of 9 % contrast the power changes by no more than that contrast allows.

    The twin leaves out reflection and the step of amplitude; pressure runs on unchanged, so over a
    tilted interface the power changes as the width of the tube does: here by a few percent.
    """

    def lens(x, z):
        return np.where((z > 10.0) & (z < 10.0 + 6.0 * np.exp(-((x / 12.0) ** 2))), 1.58, 1.45)

    z = (np.arange(500) + 0.5) * 0.05
    start = np.exp(-((X / 8.0) ** 2)).astype(complex)
    field = propagate(start, 0.05, 0.05, map_of(lens, X, z), 3.5)
    power = np.sum(np.abs(field) ** 2, axis=1)
    assert power[-1] == pytest.approx(power[0], rel=0.09)


@pytest.mark.parametrize(
    ("before", "inside", "tilt_deg"), [(1.45, 1.58, 20.0), (1.45, 1.58, 30.0), (1.48, 1.61, 15.0)]
)
def test_prism_bends_waves_as_snell_says(before, inside, tilt_deg):
    """A wide beam through a wedge with a level exit leaves at the angle of the ray formula."""
    tilt = tilt_deg * DEG

    def wedge(x, z):
        top = 6.0 + (x + 10.0) * np.tan(tilt)  # the face falls to the right: the thin edge is there
        return np.where((z > top) & (z < 20.0), inside, before)

    step = 0.05
    z = (np.arange(1400) + 0.5) * step
    start = np.exp(-((X / 3.5) ** 2)).astype(complex)
    field = propagate(start, 0.05, step, map_of(wedge, X, z), 5.0, edge_mm=8.0)
    power = np.abs(field) ** 2
    centre = (power @ X) / power.sum(axis=1)
    depth = np.arange(len(field)) * step
    far = depth > 25.0
    slope = np.polyfit(depth[far], centre[far], 1)[0]
    expected = prism_exit_rad(tilt, before, inside, before)
    # A faster wedge bends towards its thin edge, to the right. A straight line through the centroid
    # of a beam in an even medium has no diffraction error; the staircase of the face has steps of
    # a sixth of a wave, whose errors average out: 0.5 % of the angle.
    assert np.arctan(slope) == pytest.approx(expected, rel=0.005)


# ---- the exact cylinder ------------------------------------------------------------------------


def test_a_cylinder_of_the_same_fluid_is_not_there():
    """Inside and outside, the field is that of the source alone."""
    source = np.array([0.0, -25.0])
    points = np.array([[0.0, 3.0], [2.0, -4.0], [0.0, 20.0], [9.0, 2.0], [-3.0, 30.0]])
    field = cylinder_field(source, points, 6.0, 2.0, SPEED, SPEED)
    alone = special.hankel2(0, 2.0 * np.pi * 2.0 / SPEED * np.hypot(*(points - source).T))
    np.testing.assert_allclose(field, alone, rtol=1e-8)


def test_cylinder_is_continuous_and_reciprocal():
    """Pressure has no step at the radius; source and receiver may change places."""
    source, angle = np.array([3.0, -25.0]), np.linspace(0.0, 6.0, 13)
    rim = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    kind = {"radius_mm": 6.0, "frequency_mhz": 2.0, "speed_outside": 1.54, "speed_inside": 1.60}
    inside = cylinder_field(source, rim * (6.0 - 1e-7), **kind, density_ratio=1.1)
    outside = cylinder_field(source, rim * (6.0 + 1e-7), **kind, density_ratio=1.1)
    np.testing.assert_allclose(inside, outside, rtol=1e-4, atol=1e-5 * np.abs(outside).max())
    there = np.array([-4.0, 22.0])
    forth = cylinder_field(source, there[None], **kind, density_ratio=1.1)
    back = cylinder_field(there, source[None], **kind, density_ratio=1.1)
    np.testing.assert_allclose(forth, back, rtol=1e-9)


def test_small_cylinder_scatters_as_rayleigh_says():
    """ka = 0.05: monopole and dipole of compressibility and density (Morse and Ingard, from memory).

    Far scattered pressure over H0-like wave: (i pi / 4) (ka)^2 [(1 - kappa) ... ]: compared as the
    ratio of two angles, in which the common factor falls out.
    """
    k = 2.0 * np.pi * 0.1 / SPEED
    radius, speed_in, density = 0.05 / k, 1.2, 1.5
    far = 4000.0
    source = np.array([0.0, -far])
    angle = np.array([0.0, 60.0, 180.0]) * DEG  # from the direction of travel, +z
    points = far * np.stack([np.sin(angle), np.cos(angle)], axis=1)
    field = cylinder_field(source, points, radius, 0.1, SPEED, speed_in, density_ratio=density)
    alone = special.hankel2(0, k * np.hypot(*(points - source).T))
    compress = (SPEED / speed_in) ** 2 / density - 1.0
    dipole = 2.0 * (density - 1.0) / (density + 1.0)
    expected = compress + dipole * np.cos(angle)
    scattered = field - alone
    # Next terms are (ka)^2 ln(ka), some 1 %; the difference of large numbers loses four digits.
    assert np.abs(scattered) / np.abs(scattered[0]) == pytest.approx(np.abs(expected / expected[0]), rel=0.03)


def test_wave_twin_against_the_exact_cylinder():
    """Behind a faster cylinder the one-way twin follows the exact field.

    1540 against 1600 m/s, radius 5 mm, 3 MHz, wide beam from a distant source: 0.2 dB rms over
    what is brighter than -15 dB, 12 mm behind the middle. What the one-way twin leaves out is the
    0.02 amplitude reflected at normal incidence (0.16 dB) and more towards the rim.
    """
    source, depth = np.array([0.0, -300.0]), 12.0
    kind = {"radius_mm": 5.0, "frequency_mhz": 3.0, "speed_outside": 1.54, "speed_inside": 1.60}
    near = np.abs(X) < 12.0
    exact = cylinder_field(source, np.stack([X[near], 0 * X[near] + depth], axis=1), **kind)
    top = -8.0
    start = special.hankel2(0, 2.0 * np.pi * 3.0 / SPEED * np.hypot(X, top - source[1]))
    start = start * np.exp(-((X / 34.0) ** 8))
    z = top + (np.arange(400) + 0.5) * 0.05
    disc = map_of(lambda x, z: np.where(np.hypot(x, z) < 5.0, 1.60, 1.54), X, z)
    got = propagate(start, 0.05, 0.05, disc, 3.0, edge_mm=8.0)[-1, near]
    a, b = (20.0 * np.log10(np.abs(f)) for f in (got, exact))
    a, b = a - np.median(b), b - np.median(b)
    bright = b > -15.0
    assert np.sqrt(np.mean((a - b)[bright] ** 2)) < 0.2
    # The shadow is there in both: a dark line near the rim on each side.
    for side in (X[near] > 0, X[near] < 0):
        rim = side & (np.abs(np.abs(X[near]) - 5.0) < 1.5)
        assert b[rim].min() < -3.0
        assert a[rim].min() == pytest.approx(b[rim].min(), abs=0.5)


# ---- rules of geometry -------------------------------------------------------------------------
# Numbers computed from the closed forms with another program; each formula is textbook geometry.


def test_mirror_formulas():
    """Image in a plane; and a line that turns at it sees the target at the image's place."""
    assert mirror_point([5.0, 0.0, 30.0], [0.0, 0.0, 40.0], [0.0, 0.0, 1.0]) == pytest.approx(
        [5.0, 0.0, 50.0]
    )
    tilted = np.array([np.sin(0.3), 0.0, np.cos(0.3)])
    true, shown = mirror_of_line(np.zeros(3), [0.1, 0.0, 1.0], [0.0, 0.0, 40.0], tilted, 12.0)
    assert mirror_point(true, np.array([0.0, 0.0, 40.0]), tilted) == pytest.approx(shown)


def test_reverberation_formulas():
    """The surface itself is order 0; k is shown at (k + 1) d, lower by R and the face each time."""
    assert [reverberation_depth_mm(12.5, k) for k in range(4)] == [12.5, 25.0, 37.5, 50.0]
    assert reverberation_amplitude(0.93, 10.0 ** (-12.0 / 20.0), 2) == pytest.approx(
        (0.93 * 0.2512) ** 2, rel=1e-4
    )


@pytest.mark.parametrize(
    ("thickness", "speed", "expected"),
    [(1.0, 5.79, 0.266), (1.0, 6.24, 0.247), (1.0, 5.64, 0.273), (0.84, 1.4823, 0.873), (0.718, 5.79, 0.191)],
)
def test_band_spacing(thickness, speed, expected):
    """Steel, titanium, glass, a water-filled lumen, a 22 G solid rod."""
    assert band_spacing_mm(thickness, speed) == pytest.approx(expected, abs=6e-4)


@pytest.mark.parametrize(
    ("tilt_deg", "before", "inside", "exit_deg", "pair_mm"),
    [
        (30, 1.45, 1.58, 2.765, 9.66),
        (20, 1.45, 1.58, 1.726, 6.03),
        (40, 1.45, 1.58, 4.093, 14.31),
        (15, 1.48, 1.61, 1.244, 4.34),
    ],
)
def test_prism_formula(tilt_deg, before, inside, exit_deg, pair_mm):
    """Exit angle, and the distance of the two copies behind a symmetric pair, 100 mm on."""
    angle = prism_exit_rad(tilt_deg * DEG, before, inside, before)
    assert angle / DEG == pytest.approx(exit_deg, abs=6e-4)
    assert 200.0 * np.tan(angle) == pytest.approx(pair_mm, abs=6e-3)
    assert prism_exit_rad(tilt_deg * DEG, inside, before, inside) < 0.0  # slower: the other way


@pytest.mark.parametrize(
    ("outside", "inside", "critical_deg", "strip_mm"),
    [(1.54, 1.60, 74.26, 0.375), (1.54, 1.57, 78.78, 0.191), (1.45, 1.58, 66.60, 0.823)],
)
def test_edge_shadow_formulas(outside, inside, critical_deg, strip_mm):
    """Total reflection at the flank of a faster cylinder of 10 mm radius."""
    assert critical_angle_rad(outside, inside) / DEG == pytest.approx(critical_deg, abs=6e-3)
    assert edge_shadow_mm(10.0, outside, inside) == pytest.approx(strip_mm, abs=6e-4)
    assert edge_shadow_mm(10.0, inside, outside) == 0.0


def test_deviation_by_a_cylinder():
    """Rays at 0.9 R: spread by 10.16 deg in a faster cylinder, gathered by 8.57 in a slower one."""
    assert cylinder_deviation_rad(0.9, 1.54, 1.60) / DEG == pytest.approx(10.16, abs=6e-3)
    assert cylinder_deviation_rad(0.9, 1.54, 1.48) / DEG == pytest.approx(-8.57, abs=6e-3)


def test_copies_on_other_lines():
    """A strong point at 40 mm shows at 40.311 mm on a line 5 mm aside, at 41.231 at 10 mm."""
    assert lobe_copy_depth_mm(0.0, 40.0, np.array([5.0, 10.0])) == pytest.approx([40.311, 41.231], abs=6e-4)


def test_speed_formulas():
    """Displayed depths behind fat, muscle, tendon, water and silicone; bent and stepped needles."""
    cases = [
        (30.0, 1.45, 31.862),
        (30.0, 1.58, 29.241),
        (10.0, 1.75, 8.8),
        (50.0, 1.48, 52.027),
        (20.0, 1.0, 30.8),
    ]
    for thickness, speed, shown in cases:
        assert displayed_depth_mm([(thickness, speed)]) == pytest.approx(shown, abs=6e-4)
    for angle, speed, shown in (
        (45, 1.45, 46.724),
        (30, 1.45, 31.516),
        (60, 1.45, 61.471),
        (45, 1.58, 44.265),
    ):
        assert needle_angle_rad(angle * DEG, speed) / DEG == pytest.approx(shown, abs=6e-4)
    assert bayonet_step_mm(30.0, 1.54, 1.45) == pytest.approx(1.862, abs=6e-4)
    assert bayonet_step_mm(20.0, 1.58, 1.48) == pytest.approx(1.317, abs=6e-4)
