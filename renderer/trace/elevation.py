"""The beam across the picture plane: one-way fields of the elevation lens.

One-way field at distance s and height y of a slit of height h with a fixed lens at F, relative to
the phase of sqrt(s^2 + y^2) and in the units of the 2-D Kirchhoff integral:

    E(s, y) = (lambda s)^(-1/2) * integral over the slit of exp(-i k [q^2 (1/s - 1/F) / 2 - q y / s]) dq.

Fresnel approximation: it fails within about one slit height of the face.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import fresnel

from renderer.jit import kernel, row_kernel
from renderer.trace.bands import BAND_STEP, INNER, OUTER

Array = np.ndarray
N_HEIGHTS = 96
GAUSS_NODES = np.polynomial.legendre.leggauss(48)
STRIP_STEPS = 4  # of a strip's sum between two heights of the table


@dataclass(frozen=True)
class ElevationTable:
    """One-way field on even steps of log distance and of relative height |y| / reach, (Z, N) complex64."""

    field: Array  # (Z, N) complex64, at the pulse centre
    two_way: Array  # (Z, N) complex64, mean of the squared field over the band
    speckle: Array  # (Z, N) complex64, its rms over the band, with the phase that it has when the pulse comes
    log_start: float
    log_step: float
    reach_mm: Array  # (Z,) height at which the table ends
    early_mm: Array  # (Z, N) one way: how much less than sqrt(s^2 + y^2) the pulse has run when it comes
    settled: (
        Array  # (Z, N) complex64, ``two_way`` without the phase of that lead, which turns fast near the face
    )

    def row_of(self, s_mm: Array) -> Array:
        """Fractional row of a distance."""
        rows = (np.log(np.maximum(s_mm, 1e-3)) - self.log_start) / self.log_step
        return np.clip(rows, 0, len(self.reach_mm) - 1.001)

    def reach_at(self, s_mm: Array) -> Array:
        """Half thickness of the slice that is looked at, mm."""
        row = self.row_of(s_mm)
        i = row.astype(int)
        w = row - i
        return (1 - w) * self.reach_mm[i] + w * self.reach_mm[i + 1]


def slit_field(
    s_mm: Array | float,
    y_mm: Array,
    frequency_mhz: float,
    speed_mm_per_us: float,
    height_mm: float,
    lens_focus_mm: float,
) -> Array:
    """One-way field of the slit, complex; shapes of ``s_mm`` and ``y_mm`` are broadcast."""
    wavelength = speed_mm_per_us / frequency_mhz
    k = 2 * np.pi / wavelength
    s, y = np.broadcast_arrays(np.asarray(s_mm, float), np.asarray(y_mm, float))
    bend, lean = 1 / s - 1 / lens_focus_mm, y / s
    # Close to the focus the Fresnel integrals cancel; a short sum does there
    flat = np.abs(bend) * k * height_mm**2 / 8 < 0.5
    nodes, weights = GAUSS_NODES
    q = 0.5 * height_mm * nodes
    phase = 0.5 * q**2 * bend[flat][:, None] - q * lean[flat][:, None]
    total = np.empty(s.shape, complex)
    total[flat] = (np.exp(-1j * k * phase) * weights).sum(-1) * 0.5 * height_mm
    total[~flat] = fresnel_sum(k, bend[~flat], lean[~flat], 0.5 * height_mm)
    return np.asarray(total / np.sqrt(wavelength * s))


def fresnel_sum(k: float, bend: Array, lean: Array, half: float) -> Array:
    """Integral of exp(-i k (bend q^2 / 2 - lean q)) over q from -half to half, (N,) complex, for bend not 0.

    Closed by the Fresnel integrals C and S (Abramowitz and Stegun 1964, 7.3; from memory).
    """
    middle, rate = lean / bend, np.sqrt(k * np.abs(bend) / np.pi)
    s_low, c_low = fresnel((-half - middle) * rate)
    s_high, c_high = fresnel((half - middle) * rate)
    value = (c_high - c_low) - 1j * np.sign(bend) * (s_high - s_low)
    return np.asarray(value / rate * np.exp(0.5j * k * lean**2 / bend))


def pulse_lead_mm(
    s_mm: float,
    y_mm: Array,
    frequency_mhz: float,
    speed_mm_per_us: float,
    height_mm: float,
    lens_focus_mm: float,
) -> Array:
    """How much less than sqrt(s^2 + y^2) a pulse has run when it comes to a height, mm one way, (N,).

    Group delay of the slit's field: the slope of its phase over frequency. Near the face the slit sends a plane
    pulse, which comes everywhere at once; far off it comes as from a point. Kept between the two.
    """
    step = 0.002 * frequency_mhz
    low, high = (
        slit_field(s_mm, y_mm, f, speed_mm_per_us, height_mm, lens_focus_mm)
        for f in (frequency_mhz - step, frequency_mhz + step)
    )
    lead = speed_mm_per_us * np.angle(high * low.conj()) / (2 * np.pi * 2 * step)
    return np.clip(lead, 0.0, np.hypot(s_mm, y_mm) - s_mm)


def band_rms(
    s_mm: float,
    y_mm: Array,
    centre_mhz: float,
    sigma_mhz: float,
    speed_mm_per_us: float,
    height_mm: float,
    lens_focus_mm: float,
) -> Array:
    """Root of the two-way energy that a pulse brings to each height, (N,).

    Off the axis a pulse is late, drawn out, or comes as two, from the edges of the slit, so that its mean over the
    band at one time is less than what it brings. Of many scatterers energies add up, at whatever time each comes
    (Parseval): the mean of |E^2|^2 over the band's power, which is narrower than its amplitude by the root of two.
    """
    step = min(BAND_STEP * sigma_mhz, 0.3 * centre_mhz) / math.sqrt(2.0)
    energy = np.zeros(len(y_mm))
    for k, weight in ((-3, OUTER), (-1, INNER), (1, INNER), (3, OUTER)):
        f = centre_mhz + k * step
        e = slit_field(s_mm, y_mm, f, speed_mm_per_us, height_mm, lens_focus_mm)
        energy += weight * (centre_mhz / f) ** 2 * np.abs(e) ** 4
    return np.sqrt(energy)


@lru_cache(maxsize=8)
def elevation_table(
    frequency_mhz: float,
    sigma_mhz: float,
    loss_slope_np_per_mm_mhz: float,
    speed_mm_per_us: float,
    height_mm: float,
    lens_focus_mm: float,
    far_mm: float,
) -> ElevationTable:
    """The elevation beam of a probe out to ``far_mm``; the band drifts down as in the background."""
    n_rows = 72
    s = np.geomspace(0.5, max(far_mm, 10.0), n_rows)
    wavelength = speed_mm_per_us / frequency_mhz
    reach = 0.55 * height_mm * np.abs(1 - s / lens_focus_mm) + 1.6 * wavelength * s / height_mm
    reach = np.minimum(reach, 0.55 * height_mm + 1.6 * wavelength * s / height_mm + 0.02 * s)
    y = np.linspace(0, 1, N_HEIGHTS)[None, :] * reach[:, None]
    field = np.empty((n_rows, N_HEIGHTS), complex)
    two_way = np.zeros((n_rows, N_HEIGHTS), complex)
    field_mhz = np.empty(n_rows)
    for i in range(n_rows):
        centre = frequency_mhz - 2 * loss_slope_np_per_mm_mhz * s[i] * sigma_mhz**2
        centre = max(centre, 0.35 * frequency_mhz)
        step = min(BAND_STEP * sigma_mhz, 0.3 * centre)
        field_mhz[i] = centre
        field[i] = slit_field(s[i], y[i], centre, speed_mm_per_us, height_mm, lens_focus_mm)
        for k, weight in ((-3, OUTER), (-1, INNER), (1, INNER), (3, OUTER)):
            f = centre + k * step
            e = slit_field(s[i], y[i], f, speed_mm_per_us, height_mm, lens_focus_mm)
            two_way[i] += weight * centre / f * e**2  # as for every point, see ``point_mean``
    early = np.empty((n_rows, N_HEIGHTS))
    speckle = np.empty((n_rows, N_HEIGHTS), complex)
    for i in range(n_rows):
        early[i] = pulse_lead_mm(s[i], y[i], field_mhz[i], speed_mm_per_us, height_mm, lens_focus_mm)
        turn = 2 * np.angle(field[i]) - 4 * np.pi * field_mhz[i] / speed_mm_per_us * early[i]
        size = band_rms(s[i], y[i], field_mhz[i], sigma_mhz, speed_mm_per_us, height_mm, lens_focus_mm)
        speckle[i] = size * np.exp(1j * turn)
    taper = np.sin(0.5 * np.pi * np.minimum(1, (1 - np.linspace(0, 1, N_HEIGHTS)) / 0.15))
    return ElevationTable(
        field=(field * taper).astype(np.complex64),
        two_way=(two_way * taper).astype(np.complex64),
        speckle=(speckle * taper).astype(np.complex64),
        log_start=float(np.log(s[0])),
        log_step=float(np.log(s[1] / s[0])),
        reach_mm=reach,
        early_mm=early,
        settled=(two_way * taper * np.exp(-4j * np.pi / wavelength * early)).astype(np.complex64),
    )


@kernel
def place_at(log_start, log_step, reach, n, s, y):
    """Place in a table (Z, n) at a distance and height: row, column and fractions of both; column -1 beyond its reach."""
    row = (np.log(max(s, 1e-3)) - log_start) / log_step
    row = min(max(row, 0.0), reach.shape[0] - 1.001)
    i = int(row)
    w = row - i
    limit = (1 - w) * reach[i] + w * reach[i + 1]
    column = abs(y) / limit * (n - 1)
    if column >= n - 1:
        return i, -1, w, 0.0
    j = int(column)
    return i, j, w, column - j


@kernel
def elevation_at(table, log_start, log_step, reach, s, y):
    """Bilinear value of an elevation table (Z, N) at a distance and height; 0 beyond its reach."""
    i, j, w, v = place_at(log_start, log_step, reach, table.shape[1], s, y)
    if j < 0:
        return np.complex64(0)
    low = (1 - v) * table[i, j] + v * table[i, j + 1]
    high = (1 - v) * table[i + 1, j] + v * table[i + 1, j + 1]
    return np.complex64((1 - w) * low + w * high)


@kernel
def early_at(early, log_start, log_step, reach, s, y):
    """The same for the lead of the pulse (Z, N), mm; 0 beyond its reach."""
    i, j, w, v = place_at(log_start, log_step, reach, early.shape[1], s, y)
    if j < 0:
        return 0.0
    low = (1 - v) * early[i, j] + v * early[i, j + 1]
    high = (1 - v) * early[i + 1, j] + v * early[i + 1, j + 1]
    return (1 - w) * low + w * high


@row_kernel("s")
def strip_sums(start, stop, table, row, reach, s, slope, bend, k, out):
    """``strip_factor`` for every strip, by a sum over finer steps of the table's heights, into out (Q,)."""
    n = table.shape[1]
    fine = STRIP_STEPS * (n - 1)
    for q in range(start, stop):
        i = int(row[q])
        w = row[q] - i
        step = reach[q] / fine
        # Phases of the curved strip and of its lean, carried from step to step
        square = -k * (1.0 / s[q] + bend[q]) * step * step
        turn, twist = cmath.exp(1j * square), cmath.exp(2j * square)
        phase = 1.0 + 0.0j
        lean, ahead = 1.0 + 0.0j, cmath.exp(2j * k * slope[q] * step)
        total = 0j
        for j in range(n - 1):
            low = (1 - w) * table[i, j] + w * table[i + 1, j]
            high = (1 - w) * table[i, j + 1] + w * table[i + 1, j + 1]
            for v in range(STRIP_STEPS):
                e = low + (high - low) * (v / STRIP_STEPS)
                weight = 1.0 if j + v == 0 else 2.0
                total += weight * e * phase * lean.real
                phase *= turn
                turn *= twist
                lean *= ahead
        out[q] = total * step


def strip_factor(
    table: ElevationTable, s_mm: Array, slope: Array, bend_per_mm: Array, frequency_mhz: float,
    speed_mm_per_us: float,
) -> Array:  # fmt: skip
    """Elevation integral of a surface strip: of E^2 over y, with the strip's depth varying along it.

    The strip lies at s + slope y + bend y^2 / 2. Returns (n,) complex, mm times the units of E^2.
    Two-way phase relative to the echo of the strip's point in the picture plane.
    """
    k = 2 * np.pi * frequency_mhz / speed_mm_per_us
    out = np.empty(len(s_mm), complex)
    strip_sums(
        table.two_way, table.row_of(s_mm), table.reach_at(s_mm), np.asarray(s_mm, float), np.asarray(slope, float),
        np.asarray(bend_per_mm, float), k, out,
    )  # fmt: skip
    return out
