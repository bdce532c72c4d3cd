"""The receive chain on arrays, from echoes to levels, in the order of a machine.

echoes x output + noise -> gain (overall, slope, sliders, flat field, lateral) -> envelope ->
dB. Filters, reject and grey map follow on the picture grid (``renderer.receive.grey``).
Gain scales echoes and noise alike; output scales echoes alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from renderer.receive import kernels
from renderer.receive.gain import lateral_gain_db
from renderer.receive.noise import electronic_noise, line_keys, noise_filter
from renderer.receive.settings import ReceiveSettings

# Pixels up to this many samples tall need no smoothing.
FINE_PIXEL_SAMPLES = 2.0


@dataclass(frozen=True)
class NoiseDraw:
    """What decides the noise of a frame: the seed's key, the frame, and the receive filter.

    ``sigma_samples`` is the standard deviation of the receive filter's impulse response.
    """

    key: int
    frame: int
    sigma_samples: float


def amplitude_of_db(db: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Amplitude factor of a level in dB."""
    return (10.0 ** (np.asarray(db, np.float64) / 20.0)).astype(np.float32)


def add_noise(
    iq: npt.NDArray[np.complex64], settings: ReceiveSettings, draw: NoiseDraw
) -> npt.NDArray[np.complex64]:
    """Received lines: echoes scaled by the output, and electronic noise on them.

    Parameters
    ----------
    iq : (V, L, T) complex64
        Echoes, in units of full scale.

    Returns
    -------
    (V, L, T) complex64
        The noise has the rms ``noise_db`` re full scale (of the complex value), whatever the
        output, and the same draw whatever the echoes.
    """
    views = iq.shape[0], iq.shape[1], iq.shape[2]
    noise = electronic_noise(draw.key, draw.frame, views, draw.sigma_samples)
    return iq * amplitude_of_db(settings.output_db) + noise * amplitude_of_db(settings.noise_db)


def envelope(iq: npt.NDArray[np.complex64]) -> npt.NDArray[np.float32]:
    """Magnitude of the received baseband lines, (..., T) float32, same unit, not negative."""
    return np.abs(iq).astype(np.float32, copy=False)


def to_db(amplitude: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Level of an amplitude in units of full scale, dB; exact zero reads -300 dB, NaN stays NaN."""
    flat = np.ascontiguousarray(amplitude, np.float32)
    level = np.empty(flat.shape, np.float32)
    kernels.amplitude_to_db(flat.reshape(-1), level.reshape(-1))
    return level


def axial_taps(pixel_samples: float) -> npt.NDArray[np.float32]:
    """Taps that smooth a detected line where pixels are too coarse for it, two taps a sample.

    Samples are taken to be as fine as the pulse needs (some three in its length), so pixels up to
    ``FINE_PIXEL_SAMPLES`` tall show it as it is: one tap. Taller pixels average over what they
    skip, by a box that tends to the pixel's height: a thin echo must not fall between two rows.
    """
    width = 2.0 * (pixel_samples - FINE_PIXEL_SAMPLES)
    if width <= 0.0:
        return np.ones(1, np.float32)
    half = max(0, int(np.ceil(0.5 * (width - 1.0))))
    taps = np.diff(np.clip(np.arange(-half, half + 2) - 0.5, -0.5 * width, 0.5 * width))
    unit_sum: npt.NDArray[np.float32] = (taps / taps.sum()).astype(np.float32)
    return unit_sum


def lines_to_amplitude(
    iq: npt.NDArray[np.complex64],
    gain_db: npt.NDArray[np.floating],
    settings: ReceiveSettings,
    draw: NoiseDraw,
    *,
    line_gain_db: npt.NDArray[np.floating] | None = None,
    pixel_samples: float = 1.0,
) -> npt.NDArray[np.float32]:
    """Detected lines after noise and all gain: the linear chain in one pass.

    Parameters
    ----------
    iq : (V, L, T) complex64
        Echoes, in units of full scale.
    gain_db : (T,) or (V, T)
        Gain along the line, from ``gain_curve_db``.
    line_gain_db : (L,) or (V, L), optional
        Gain of each line beside the lateral sliders: uneven lines of a worn probe.
    pixel_samples
        Height of a pixel in samples: for coarse pixels the lines are smoothed after detection.

    Returns
    -------
    (V, L, 2T - 1) float32, full scale = 1
        At the samples and halfway between them: the envelope has twice the band of the line.
    """
    n_views, n_lines, n_samples = iq.shape
    across = lateral_gain_db(n_lines, settings) + (0.0 if line_gain_db is None else line_gain_db)
    amplitude = np.empty((n_views, n_lines, 2 * n_samples - 1), np.float32)
    kernels.detect_lines(
        np.ascontiguousarray(iq, np.complex64),
        line_keys(draw.key, draw.frame, n_views, n_lines),
        noise_filter(draw.sigma_samples),
        np.float32(amplitude_of_db(settings.noise_db)),
        np.float32(amplitude_of_db(settings.output_db)),
        np.ascontiguousarray(np.broadcast_to(amplitude_of_db(across), (n_views, n_lines))),
        np.ascontiguousarray(np.broadcast_to(amplitude_of_db(gain_db), (n_views, n_samples))),
        axial_taps(pixel_samples),
        amplitude,
    )
    return amplitude


def lines_to_level(
    iq: npt.NDArray[np.complex64],
    gain_db: npt.NDArray[np.floating],
    settings: ReceiveSettings,
    draw: NoiseDraw,
) -> npt.NDArray[np.float32]:
    """Level of each line after noise and all gain, dB re full scale, (V, L, T) float32.

    Not clipped, not rejected, not mapped; parameters as for ``lines_to_amplitude``.
    """
    return to_db(lines_to_amplitude(iq, gain_db, settings, draw)[..., ::2])
