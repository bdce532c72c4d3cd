"""The references themselves against closed forms, before anything is held to them."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from renderer.measure.position import profile_peak
from renderer.measure.widths import width_at
from tests.twins import (
    ArrayTwin,
    LineTwin,
    band_spacing_mm,
    bayonet_step_mm,
    between_depth_mm,
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
    slit_field,
)

HALF_DB = 20.0 * np.log10(2.0)
DEG = np.pi / 180.0
SPEED = 1.54


def db(amplitude):
    """Level of a complex amplitude re its largest, dB."""
    a = np.abs(amplitude)
    return 20.0 * np.log10(np.maximum(a / a.max(), 1e-12))


def across(x, z):
    """Points along x at one depth, (P, 3)."""
    return np.stack([x, 0.0 * x, 0.0 * x + z], axis=1)


# ---- element sum -------------------------------------------------------------------------------
# Closed forms of focused apertures: Goodman, Fourier Optics, and Kino, Acoustic Waves (both from
# memory); they hold for small angles, so the arrays here look with F/5 or weaker, where sin and
# tan of the half angle differ by 0.5 %.

FINE = ArrayTwin(n_elements=256, pitch_mm=0.1)
F5 = LineTwin(0.0, 60.0, 5.0, 5.0, receive_window="none", receive_focus_mm=60.0)
WAVE = SPEED / 5.0  # 0.308 mm at 5 MHz


@pytest.mark.parametrize(
    ("apodisation", "one_way_width", "first_null", "peak_lobe_db"),
    [("none", 1.207, 1.0, -13.26), ("hamming", 1.816, 2.0, -42.68), ("hann", 2.001, 2.0, -31.47)],
)
def test_focus_of_a_line_aperture(apodisation, one_way_width, first_null, peak_lobe_db):
    """Half-amplitude width, first null and highest side lobe of three apodisations (Harris 1978).

    The table of Harris gives -13, -43 and -32 dB; digits here follow from the transforms.
    """
    line = LineTwin(0.0, 60.0, 5.0, 5.0)
    # On an arc about the middle of the aperture, where the closed form lives.
    sine = np.linspace(-0.8, 0.8, 1601) * 5.0 * WAVE / 5.0 / 2.0
    u = 12.0 / WAVE * sine  # sine over lambda / D
    points = np.stack([60.0 * sine, 0.0 * sine, 60.0 * np.sqrt(1.0 - sine**2)], axis=1)
    level = db(one_way(FINE, line, 5.0, 60.0, points, 5.0, SPEED, shape=apodisation))
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
    array = ArrayTwin(1, 0.3, n_sub=40, obliquity=False)
    t = np.array([0.0, 30.0, 43.19]) * DEG
    points = 3000.0 * np.stack([np.sin(t), 0 * t, np.cos(t)], axis=1)
    line = LineTwin(0.0, 3000.0, 1.0, 1.0)
    got = np.abs(one_way(array, line, 1.0, 3000.0, points, 7.5, SPEED))
    assert got / got[0] == pytest.approx(np.abs(np.sinc(0.3 * np.sin(t) / (SPEED / 7.5))), abs=2e-3)
    soft = np.abs(one_way(ArrayTwin(1, 0.3, n_sub=40), line, 1.0, 3000.0, points, 7.5, SPEED))
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


def test_echo_of_a_convex_array_pair_by_pair():
    """Every sender and every listener on its own, as delayed Gaussian pulses, without frequencies.

    Places on the arc, the aim and the paths are written out anew: 48 elements of 0.47 mm on a
    radius of 60 mm, a line 4 mm aside steered by 0.1 rad, in a medium of 1500 m/s, points off focus.
    """
    radius, face, steer, focus, f_send, f_hear, c = 60.0, 4.0, 0.1, 70.0, 4.0, 2.5, 1.50
    arc = (np.arange(48) - 23.5) * 0.47
    x, z = radius * np.sin(arc / radius), radius * np.cos(arc / radius) - radius
    ox, oz, turn = (
        radius * np.sin(face / radius),
        radius * np.cos(face / radius) - radius,
        face / radius + steer,
    )
    along = np.array([30.0, 60.0, 90.0])
    points = np.stack([ox + along * np.sin(turn) + 0.5, 0.0 * along, oz + along * np.cos(turn)], axis=1)
    sd_mhz = 3.5 * 0.6 / 2.3548
    array = ArrayTwin(48, 0.47, radius_mm=radius, n_sub=1, obliquity=False)
    line = LineTwin(face, focus, f_send, f_hear, steer_rad=steer)
    for px, _, pz in points:
        path = np.hypot(px - x, pz - z)

        def late_us(aim, path=path):
            fx, fz = ox + aim * np.sin(turn), oz + aim * np.cos(turn)
            return path / c - (np.hypot(fx - x, fz - z) - aim) / SPEED

        due = np.hypot(px - ox, pz - oz) / c * SPEED
        u = (arc - face) / (due / (2.0 * f_hear))
        send = (np.abs(arc - face) <= focus / (2.0 * f_send)) / np.sqrt(path)
        hear = np.where(np.abs(u) <= 1.0, 0.54 + 0.46 * np.cos(np.pi * u), 0.0) / np.sqrt(path)
        tau = (late_us(focus)[:, None] + late_us(due)[None, :]).ravel()
        weight = (send[:, None] * hear[None, :]).ravel()
        t = 2.0 * due / SPEED + np.linspace(-0.6, 0.6, 31)
        pulse = np.exp(-0.5 * (2.0 * np.pi * sd_mhz * (t[:, None] - tau)) ** 2)
        expected = pulse @ (weight * np.exp(-2j * np.pi * 3.5 * tau))
        got = element_sum_echo(
            array, line, np.array([[px, 0.0, pz]]), 3.5, 0.6, t, speed=c, n_frequencies=61
        )[0]
        # The spectrum ends at 3.5 standard deviations: erfc(3.5 / sqrt 2) = 4.7e-4 of each pair's pulse.
        assert np.abs(got - expected).max() < 5e-4 * weight.sum()
        assert np.abs(expected).max() > 0.02 * weight.sum()  # the point is in the beam


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


def test_windows_of_either_way():
    """Even on transmit and Hamming on receive: the product of their two transforms at the focus.

    Hamming (0.54, 0.46) transforms to 0.54 sinc(u) + 0.23 (sinc(u - 1) + sinc(u + 1)). The width
    lies between the 0.886 of two even apertures and the 1.27 of two Hamming ones.
    """

    def product(u):
        return np.sinc(u) * (0.54 * np.sinc(u) + 0.23 * (np.sinc(u - 1.0) + np.sinc(u + 1.0))) / 0.54

    half = brentq(lambda u: product(u) - 0.5, 0.0, 1.0)
    side = np.linspace(1.05, 2.0, 1901)  # beyond the null at lambda F
    u = np.linspace(-2.0, 2.0, 801)
    sine = u * WAVE / 12.0
    points = np.stack([60.0 * sine, 0.0 * u, 60.0 * np.sqrt(1.0 - sine**2)], axis=1)
    line = LineTwin(0.0, 60.0, 5.0, 5.0, receive_focus_mm=60.0)
    level = db(element_sum_beam(FINE, line, points, 5.0))
    # Cosines at the edge of F/5 are 0.5 % under 1, weighted against the sides.
    assert width_at(u, level, HALF_DB).width == pytest.approx(2.0 * half, rel=0.006)
    assert level[np.abs(u) > 1.05].max() == pytest.approx(20.0 * np.log10(abs(product(side)).max()), abs=0.3)
    assert 0.886 < 2.0 * half < 1.27


def test_apertures_have_their_limits():
    """The width of the focus tells the aperture: by F-number, by channels, by the end of the array."""
    x = np.linspace(-2.5, 2.5, 401)

    def width(array, **limits):
        line = LineTwin(0.0, 60.0, 5.0, 5.0, receive_window="none", receive_focus_mm=60.0, **limits)
        return width_at(x, db(element_sum_beam(array, line, across(x, 60.0), 5.0)), HALF_DB).width

    eight_mm = 0.8859 * WAVE * 60.0 / 8.0
    # 0.1 mm elements are whole or absent: 0.05 mm of 4 at each side.
    assert width(FINE, channel_half_mm=4.0) == pytest.approx(eight_mm, rel=0.015)
    assert width(ArrayTwin(80, 0.1)) == pytest.approx(eight_mm, rel=0.015)
    assert width(FINE, least_half_mm=10.0) == pytest.approx(0.8859 * WAVE * 3.0, rel=0.015)


def test_receive_focus_follows_the_echo():
    """With dynamic focus, off the transmit focus, receive alone is as sharp as its F-number allows."""
    x, z = np.linspace(-2.5, 2.5, 401), 30.0
    line = LineTwin(0.0, 60.0, 1000.0, 4.0, receive_window="none", least_half_mm=0.05)
    level = db(element_sum_beam(FINE, line, across(x, z), 5.0))
    # Transmit is one patch pair of 0.1 mm: a wide lobe, 1 % down at 0.75 mm. One way: 1.2067 lambda F.
    assert width_at(x, level, HALF_DB).width == pytest.approx(1.2067 * WAVE * 4.0, rel=0.015)


@pytest.mark.parametrize(
    ("pitch", "mhz", "n_sub"), [(0.1, 5.0, 2), (0.3, 7.5, 6), (0.077, 5.0, 1), (0.3, 14.0, 11)]
)
def test_patches_stay_within_a_quarter_wave(pitch, mhz, n_sub):
    """As few patches as keep each within lambda / 4, evenly over the pitch."""
    face = ArrayTwin(3, pitch).face(SPEED / mhz)
    assert len(face) == 3 * n_sub
    assert np.diff(face) == pytest.approx(pitch / n_sub)
    assert pitch / n_sub <= SPEED / mhz / 4.0 * (1.0 + 1e-9)
    assert face.mean() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("z", [20.0, 40.0, 70.0])
def test_elevation_separates_as_fresnel_says(z):
    """The sum over the whole face is the sum over line elements times the Fresnel integral of the slit.

    Compared as complex numbers, so that phase and absolute level count as well.
    """
    whole = ArrayTwin(96, 0.3, height_mm=5.0, lens_focus_mm=40.0, n_elevation=80, obliquity=False)
    rows = ArrayTwin(96, 0.3, obliquity=False)
    line = LineTwin(0.0, 40.0, 4.0, 4.0)
    x, y = (a.ravel() for a in np.meshgrid([0.0, 0.4, 1.0], [0.0, 0.6, 1.5]))
    points = np.stack([x, y, 0 * x + z], axis=1)
    got = element_sum_beam(whole, line, points, 5.0)
    in_plane = element_sum_beam(rows, line, points * [1.0, 0.0, 1.0], 5.0)
    parted = in_plane * slit_field(5.0, 40.0, points, 5.0) ** 2
    # At 20 mm elements 2.5 mm aside are 0.8 % farther off than z, of phases up to 2.5 rad, both ways,
    # weighed down by what reaches the edge: 1 % found there, less farther down.
    assert np.abs(got - parted).max() < 0.015 * np.abs(got).max()


def test_dynamic_focus_believes_the_assumed_speed():
    """An echo from 60 mm of fat arrives when 63.72 mm are due, and is heard with that focus and width."""
    follows, fixed = (
        LineTwin(0.0, 60.0, 4.0, 2.5, receive_focus_mm=focus) for focus in (None, 60.0 * 1.54 / 1.45)
    )
    point = np.array([[0.0, 0.0, 60.0]])
    got, expected = (element_sum_beam(FINE, line, point, 5.0, speed=1.45) for line in (follows, fixed))
    assert got == pytest.approx(expected, rel=1e-12)


def test_attenuation_lowers_and_reddens_the_echo():
    """A Gaussian band loses x f0 - x^2 s^2 / 2 nepers, x = 2 a d, and sinks by x s^2 (Gaussian integral).

    5 MHz, 60 %, 0.5 dB/(cm MHz), 5 cm deep: 0.934 MHz down, and 22.66 dB instead of 25.
    """
    line = LineTwin(0.0, 50.0, 10.0, 10.0, receive_window="none")
    point, sd = np.array([[0.0, 0.0, 50.0]]), 5.0 * 0.6 / np.sqrt(8.0 * np.log(2.0))
    x = 2.0 * 0.5 * 5.0 * np.log(10.0) / 20.0
    t = 2.0 * 50.0 / SPEED + np.linspace(-1.0, 1.0, 401)
    free, lossy = (element_sum_echo(FINE, line, point, 5.0, 0.6, t, alpha_db_cm_mhz=a)[0] for a in (0.0, 0.5))
    expected_db = (-x * 5.0 + 0.5 * (x * sd) ** 2) * 20.0 / np.log(10.0)
    assert expected_db == pytest.approx(-22.66, abs=0.01)
    # Edge elements are 0.12 % farther off than the middle: 0.03 dB of 25, averaged over the face.
    assert 20.0 * np.log10(np.abs(lossy).max() / np.abs(free).max()) == pytest.approx(expected_db, abs=0.03)
    slope = np.gradient(np.unwrap(np.angle(lossy)), t)[200] / (2.0 * np.pi)
    assert x * sd**2 == pytest.approx(0.934, abs=1e-3)
    assert slope == pytest.approx(-x * sd**2, rel=0.01)
    profile = element_sum_profile(FINE, line, point, 5.0, 0.6, alpha_db_cm_mhz=0.5)
    assert profile[0] == pytest.approx(np.abs(lossy).max(), rel=2e-3)  # 41 times over a pulse


def test_profile_treats_points_one_by_one():
    """Many points at once, at several depths, give what each gives alone."""
    points = np.array([[0.0, 0.0, 30.0], [1.0, 0.0, 60.0], [-2.0, 0.5, 45.0]])
    line = LineTwin(0.0, 40.0, 4.0, 2.5)
    together = element_sum_profile(FINE, line, points, 5.0, 0.6, speed=1.48)
    alone = [element_sum_profile(FINE, line, p[None], 5.0, 0.6, speed=1.48)[0] for p in points]
    assert together == pytest.approx(alone, rel=1e-9)


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
    """The surface itself is order 0; k is shown at (k + 1) d, lower by R and the face each time.

    Between two surfaces each further round adds their distance: half of down, k rounds, up.
    """
    assert [between_depth_mm(20.0, 23.0, k) for k in range(3)] == [23.0, 26.0, 29.0]
    assert between_depth_mm(20.0, 23.0, 4) == (23.0 + 4 * 2 * 3.0 + 23.0) / 2
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
