"""The ring of the probe's own pulse at its face: in contact a short tail, against air a row of bands.

After the pulse the elements ring for a few cycles, and its tail lies over the first echoes. Where no tissue
takes up the sound, what the lens and the layers on it hold runs to and fro between them and air, and shows as
bands that fade over several millimetres. Their period and decay are those of one picture of a convex probe in
air (period 2.4 mm, 2 to 3 dB/mm at 3.5 MHz), taken to go with the wavelength: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.probe.plan import ScanPlan

Array = np.ndarray

CONTACT_WAVES = 1.7  # e-fold of the tail in contact, wavelengths of shown depth
AIR_WAVES = 8.0  # the same against air
BAND_WAVES = 5.5  # period of the bands
LINE_SHARE = 0.5  # of the ripple that is each line's own; the rest is common to all
BAND_FLOOR = 0.35  # amplitude between two bands
OWN_LEVEL_DB = 2.0  # SD of the level from line to line


def ripple(rng: np.random.Generator, n: int, sigma_samples: float) -> Array:
    """Smooth complex noise of unit mean power, (n,): what a ring looks like through the receive band."""
    half = int(math.ceil(4 * sigma_samples)) + 1
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma_samples) ** 2)
    taps /= np.sqrt((taps**2).sum())
    white = (rng.standard_normal(n + 2 * half) + 1j * rng.standard_normal(n + 2 * half)) / math.sqrt(2)
    return np.asarray(np.convolve(white, taps, "valid"))


def main_bang_lines(
    plan: ScanPlan, depth_mm: Array, *, level_db: float, wavelength_mm: float, sigma_samples: float,
    strength: Array, bare: Array, extra_db: Array, rng: np.random.Generator,
) -> Array:  # fmt: skip
    """The ring on every line, (L, T) complex, 1 = full scale, before any gain for depth.

    Parameters
    ----------
    depth_mm : (T,) shown depth
    level_db : level at the face, re full scale
    strength : (L,) strength of the elements at the foot of each line, sending and hearing (squared)
    bare : (L,) share of the foot of each line that faces air, 0..1
    extra_db : (L,) level of a loose lens's ring re a sound one
    """
    n_lines, n = plan.n_lines, len(depth_mm)
    common = ripple(rng, n, sigma_samples)
    own_db = OWN_LEVEL_DB * rng.standard_normal(n_lines)
    bands = BAND_FLOOR + (1 - BAND_FLOOR) * np.exp(
        4.0 * (np.cos(2 * math.pi * depth_mm / (BAND_WAVES * wavelength_mm)) - 1.0)
    )
    contact = np.exp(-depth_mm / (CONTACT_WAVES * wavelength_mm))
    air = np.exp(-depth_mm / (AIR_WAVES * wavelength_mm)) * bands
    out = np.empty((n_lines, n), np.complex64)
    for line in range(n_lines):
        loose = 10 ** (extra_db[line] / 20) - 1.0
        envelope = (1 - bare[line]) * contact + (bare[line] + loose) * air
        own = ripple(rng, n, sigma_samples)
        mixed = math.sqrt(1 - LINE_SHARE**2) * common + LINE_SHARE * own
        out[line] = 10 ** ((level_db + own_db[line]) / 20) * strength[line] * envelope * mixed
    return out
