"""Speckle of known statistics, made without the renderer."""

from __future__ import annotations

import numpy as np


def gaussian_speckle(rng, shape, fwhm_samples, fineness=8):
    """Fully developed complex speckle of unit expected power with a Gaussian point response.

    ``fwhm_samples`` is the amplitude full width of the response at half height along each axis;
    the first axis is drawn ``fineness`` times finer and then sampled, as lines sample a beam.
    """
    n_lines, n_samples = shape
    fine = rng.standard_normal((n_lines * fineness, n_samples, 2)) @ np.array([1.0, 1j])
    power = 2.0
    spectrum = np.fft.fft2(fine)
    for axis, (width, step) in enumerate(zip(fwhm_samples, (1.0 / fineness, 1.0), strict=True)):
        frequency = np.fft.fftfreq(fine.shape[axis], step)
        sd = width / np.sqrt(8.0 * np.log(2.0))
        response = np.exp(-2.0 * (np.pi * frequency * sd) ** 2)
        power *= np.mean(response**2)
        spectrum *= response[:, None] if axis == 0 else response[None, :]
    field = np.fft.ifft2(spectrum) / np.sqrt(power)
    return field[::fineness].astype(np.complex64)
