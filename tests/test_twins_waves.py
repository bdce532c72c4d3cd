"""The wave references against closed forms, the element sum, and each other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from renderer.measure.widths import width_at
from tests.twins import ArrayTwin, LineTwin, one_way, prism_exit_rad
from tests.twins_waves import aperture_field, band_power, cylinder_field, map_of, propagate

HALF_DB = 20.0 * np.log10(2.0)
DEG = np.pi / 180.0
SPEED = 1.54
WAVE = SPEED / 5.0  # 0.308 mm at 5 MHz


def db(amplitude):
    """Level of a complex amplitude re its largest, dB."""
    a = np.abs(amplitude)
    return 20.0 * np.log10(np.maximum(a / a.max(), 1e-12))


def across(x, z):
    """Points along x at one depth, (P, 3)."""
    return np.stack([x, 0.0 * x, 0.0 * x + z], axis=1)


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
    array = ArrayTwin(120, 0.1)
    line = LineTwin(0.0, 40.0, 40.0 / 12.0, 1.0)
    start = aperture_field(X, 5.0, SPEED, half_mm=6.0, focus_mm=40.0)
    field = propagate(start, 0.05, 0.5, np.full((120, len(X)), SPEED), 5.0)
    near = np.abs(X) < 8.0
    for z in (20.0, 40.0, 60.0):
        got = np.abs(field[int(z / 0.5), near])
        expected = np.abs(one_way(array, line, 40.0 / 12.0, 40.0, across(X[near], z), 5.0, SPEED))
        assert np.abs(got / got.max() - expected / expected.max()).max() < 0.02


def test_band_of_the_wave_twin_agrees_with_the_element_sum():
    """Power over five frequencies of a 60 % pulse, on and off the focus, within 2 % of its peak."""
    frequencies = 5.0 + 1.274 * np.array([-1.6, -0.8, 0.0, 0.8, 1.6])
    weights = np.exp(-(((frequencies - 5.0) / 1.274) ** 2))
    line = LineTwin(0.0, 40.0, 40.0 / 12.0, 1.0)

    def start(f):
        return aperture_field(X, f, SPEED, half_mm=6.0, focus_mm=40.0)

    power = band_power(start, 0.05, 0.5, np.full((100, len(X)), SPEED), frequencies, weights)
    near = np.abs(X) < 6.0
    for z in (40.0, 50.0):
        # A pressure aperture radiates as cos times k: the sum over the face lacks the k of each tone.
        expected = sum(
            w
            * np.abs(one_way(ArrayTwin(120, 0.1), line, 40.0 / 12.0, 40.0, across(X[near], z), f, SPEED)) ** 2
            * f
            for f, w in zip(frequencies, weights, strict=True)
        )
        got = power[int(z / 0.5), near]
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

    The far pressure goes as (kappa' / kappa - 1) + 2 (rho' - rho) / (rho' + rho) cos(angle), angles
    from the direction of travel; compared as ratios, in which the common factor falls out.
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
