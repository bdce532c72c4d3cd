"""Electronic noise of the receiver: one draw per seed, frame, view and line."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from renderer.receive import kernels

# The Gaussian filter is cut where it has fallen by this many standard deviations (0.03 %).
FILTER_REACH = 4.0


def band_sigma_samples(frequency_mhz: float, bandwidth: float, sample_step_us: float) -> float:
    """Standard deviation of the receive filter's impulse response, in samples.

    For a Gaussian band whose full width at -6 dB (amplitude) is ``bandwidth`` times
    ``frequency_mhz``: the spectrum's standard deviation is that width over 2 sqrt(2 ln 2), and
    that of its impulse response is 1 / (2 pi) over it (Fourier transform of a Gaussian).
    """
    sd_mhz = frequency_mhz * bandwidth / (2.0 * np.sqrt(2.0 * np.log(2.0)))
    return float(1.0 / (2.0 * np.pi * sd_mhz * sample_step_us))


def noise_filter(sigma_samples: float) -> npt.NDArray[np.float32]:
    """Taps of the Gaussian receive filter, of unit energy, so that white noise keeps its power."""
    if sigma_samples <= 0.0:
        return np.ones(1, np.float32)
    half = max(1, int(np.ceil(FILTER_REACH * sigma_samples)))
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma_samples) ** 2)
    unit_energy: npt.NDArray[np.float32] = (taps / np.sqrt(np.sum(taps**2))).astype(np.float32)
    return unit_energy


def line_keys(key: int, frame: int, n_views: int, n_lines: int) -> npt.NDArray[np.uint32]:
    """Two 32-bit keys for every line of a frame.

    They depend on ``key`` (the seed's key for this purpose), the frame's number, the view and
    the line, and on nothing else: neither the number of lines or workers nor the echoes that a
    counterfactual leaves out change the draw of a line.

    Returns
    -------
    (V, L, 2) uint32
    """
    base = np.random.SeedSequence(key, spawn_key=(frame,)).generate_state(1, np.uint64)[0]
    view = np.arange(n_views, dtype=np.uint64)[:, None]
    line = np.arange(n_lines, dtype=np.uint64)[None, :]
    word = base + (view << np.uint64(32)) * np.uint64(3) + line
    # SplitMix64 finaliser (Steele, Lea and Flood 2014, constants from memory): spreads
    # neighbouring lines over all 64 bits.
    word = (word + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    word = (word ^ (word >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    word = (word ^ (word >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    word ^= word >> np.uint64(31)
    pair = np.stack([word & np.uint64(0xFFFFFFFF), word >> np.uint64(32)], axis=-1)
    return np.ascontiguousarray(pair.astype(np.uint32))


def electronic_noise(
    key: int, frame: int, shape: tuple[int, int, int], sigma_samples: float
) -> npt.NDArray[np.complex64]:
    """Complex noise of unit mean power within the receive band.

    Parameters
    ----------
    key, frame
        The seed's key for electronic noise, and the frame's number in its series.
    shape
        (V, L, T): views, lines, samples.
    sigma_samples
        Standard deviation of the receive filter's impulse response; 0 for white noise.

    Returns
    -------
    (V, L, T) complex64
        Circular and Gaussian; independent between lines, views and frames.
    """
    noise = np.empty(shape, np.complex64)
    kernels.draw_noise(line_keys(key, frame, shape[0], shape[1]), noise_filter(sigma_samples), noise)
    return noise
