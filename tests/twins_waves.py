"""Slow, plain references for sound in uneven media: one-way waves in a map, and an exact cylinder.

Nothing here is shared with the renderer. Two dimensions (x, z), one frequency at a time, time as
exp(+i omega t): a wave that goes down carries exp(-i kz z).
"""

from __future__ import annotations

import numpy as np
from scipy import special

# ---- waves in a map of speeds ------------------------------------------------------------------


def aperture_field(x_mm, frequency_mhz, speed, *, half_mm, focus_mm, centre_mm=0.0, shape=None):
    """Pressure on z = 0 of a focused aperture, (X,) complex.

    ``shape`` gives the weight at relative places -1..1 (None: even); the focus lies straight below
    the centre and is delayed for ``speed``.
    """
    u = (x_mm - centre_mm) / half_mm
    weight = np.where(np.abs(u) <= 1.0, 1.0 if shape is None else shape(u), 0.0)
    ahead = np.hypot(focus_mm, x_mm - centre_mm) - focus_mm
    return weight * np.exp(2j * np.pi * frequency_mhz / speed * ahead)


def propagate(field, step_x_mm, step_z_mm, speed_map, frequency_mhz, *, edge_mm=0.0):
    """One-way waves down a map of speeds, (Z + 1, X) complex, the first row being ``field``.

    ``speed_map`` (Z, X) holds few different speeds, mm/µs, for each step down. Each step goes down
    exactly (angular spectrum) at every speed that occurs in its row, and each place keeps the
    result of its own speed (phase shift plus interpolation; Gazdag and Sguazzero 1984, from
    memory). Within an even region of any speed there is no angle error. Not modelled: reflection,
    the change of amplitude at an interface, loss. Evanescent waves are dropped. ``edge_mm`` tapers
    both sides, or what leaves on the left comes back on the right.
    """
    n = len(field)
    kx = 2.0 * np.pi * np.fft.fftfreq(n, step_x_mm)
    taper = np.ones(n)
    if edge_mm > 0.0:
        m = int(edge_mm / step_x_mm)
        ramp = np.exp(-(((m - np.arange(m)) / m * 0.6) ** 2) * step_z_mm / 0.5)
        taper[:m], taper[-m:] = ramp, ramp[::-1]
    rows = [np.asarray(field, complex)]
    for row in speed_map:
        spectrum = np.fft.fft(rows[-1])
        below = np.zeros(n, complex)
        for speed in np.unique(row):
            kz = np.sqrt((2.0 * np.pi * frequency_mhz / speed) ** 2 - kx**2 + 0j)
            shift = np.where(kz.imag == 0.0, np.exp(-1j * kz.real * step_z_mm), 0.0)
            below = np.where(row == speed, np.fft.ifft(spectrum * shift), below)
        rows.append(below * taper)
    return np.array(rows)


def waves_past(field, step_x_mm, step_z_mm, speed, frequency_mhz, depth_mm, x_mm, at_mm, radius_mm):
    """One-way waves at a depth behind a cylinder that lets nothing through, (X,) complex; ``field`` on z = 0.

    The angular spectrum from step to step; what meets the cylinder is taken out there.
    """
    kx = 2.0 * np.pi * np.fft.fftfreq(len(field), step_x_mm)
    kz = np.sqrt((2.0 * np.pi * frequency_mhz / speed) ** 2 - kx**2 + 0j)
    shift = np.where(kz.imag == 0.0, np.exp(-1j * kz.real * step_z_mm), 0.0)
    for k in range(round(depth_mm / step_z_mm)):
        field = np.fft.ifft(np.fft.fft(field) * shift)
        off = (k + 1) * step_z_mm - at_mm
        if abs(off) < radius_mm:
            field = np.where(np.abs(x_mm) < np.sqrt(radius_mm**2 - off**2), 0.0, field)
    return field


def band_power(start_of, step_x_mm, step_z_mm, speed_map, frequencies_mhz, weights, *, edge_mm=0.0):
    """Power of a field of several frequencies, (Z + 1, X): the mean over time of a short pulse squared.

    ``start_of`` gives the field on z = 0 at a frequency; ``weights`` are the power of each.
    """
    parts = (
        w * np.abs(propagate(start_of(f), step_x_mm, step_z_mm, speed_map, f, edge_mm=edge_mm)) ** 2
        for f, w in zip(frequencies_mhz, weights, strict=True)
    )
    return sum(parts)


def map_of(speed_at, x_mm, z_mm):
    """Speed map (Z, X) from a function of arrays (x, z); z at the middle of each step."""
    return np.asarray(speed_at(*np.meshgrid(x_mm, z_mm)), float)


# ---- a fluid cylinder, exactly -----------------------------------------------------------------


def cylinder_field(
    source_mm, points_mm, radius_mm, frequency_mhz, speed_outside, speed_inside, *, density_ratio=1.0
):
    """Pressure of a line source beside a fluid cylinder about the origin, (P,) complex: exact.

    Partial waves about the cylinder (Morse and Ingard, Theoretical Acoustics, ch. 8, from memory):
    pressure and normal velocity are continuous at the radius. ``density_ratio`` is inside over
    outside. Without a cylinder the result is H0(2)(k r), the outgoing wave for exp(+i omega t).
    Points lie inside or outside; the source lies outside.
    """
    k, q = (2.0 * np.pi * frequency_mhz / c for c in (speed_outside, speed_inside))
    points = np.atleast_2d(points_mm).astype(float)
    r, theta = np.hypot(*points.T), np.arctan2(points[:, 1], points[:, 0])
    rs, theta_s = np.hypot(*source_mm), np.arctan2(source_mm[1], source_mm[0])
    orders = np.arange(int(max(k, q) * radius_mm + 12.0 * (max(k, q) * radius_mm) ** (1 / 3)) + 20)
    reflect, enter = _cylinder_waves(orders, k * radius_mm, q * radius_mm, q / (k * density_ratio))
    source = special.hankel2(orders, k * rs) * np.where(orders == 0, 1.0, 2.0)
    angle = np.cos(orders[None] * (theta - theta_s)[:, None])
    outside = r > radius_mm
    field = np.zeros(len(points), complex)
    direct = special.hankel2(0, k * np.hypot(*(points - np.asarray(source_mm)).T))
    scattered = special.hankel2(orders[None], k * r[outside, None]) * reflect * source
    field[outside] = direct[outside] + np.sum(scattered * angle[outside], axis=1)
    inner = special.jv(orders[None], q * r[~outside, None]) * enter * source
    field[~outside] = np.sum(inner * angle[~outside], axis=1)
    return field


def _cylinder_waves(orders, ka, qa, ratio):
    """Amplitudes of the scattered and the inner partial waves re the incoming ones.

    ``ratio`` is (q / rho_inside) / (k / rho_outside): velocity per slope inside over outside.
    """
    j, dj = special.jv(orders, ka), special.jvp(orders, ka)
    h, dh = special.hankel2(orders, ka), special.h2vp(orders, ka)
    i, di = special.jv(orders, qa), special.jvp(orders, qa)
    below = dh * i - ratio * di * h
    return (ratio * di * j - dj * i) / below, (dh * j - dj * h) / below
