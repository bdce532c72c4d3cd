"""What the receiver hears that is no echo: a source outside, and echoes that leak between neighbours."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Lines = npt.NDArray[np.complex64]


def interference_lines(
    time_us: npt.NDArray[np.floating], start_us: npt.NDArray[np.floating], *, frequency_mhz: float, level_db: float,
    burst_us: float | None, every_us: float | None, centre_mhz: float, sigma_mhz: float,
) -> Lines:  # fmt: skip
    """Received lines of a steady or pulsed source, (L, T) complex64, 1 = full scale, before gain.

    The source runs on by itself: where it stands in its period when a line begins is told by ``start_us`` (L,), so
    a period that is no multiple of the pulse interval drifts from line to line, and shows as slanted dashes. The
    receiver is a Gaussian band about ``centre_mhz``: a source beside it is fainter, and a burst has its edges.
    """
    sample_us = float(time_us[1] - time_us[0])
    off = frequency_mhz - centre_mhz
    clock = start_us[:, None] + time_us[None, :]
    wave = np.exp(2j * math.pi * (frequency_mhz * start_us[:, None] + off * time_us[None, :]))
    if burst_us is not None and every_us is not None:
        wave = wave * ((clock % every_us) < burst_us)
    n = len(time_us)
    room = n + int(6.0 / sigma_mhz / sample_us) + 1
    band = np.exp(-0.5 * (np.fft.fftfreq(room, sample_us) / sigma_mhz) ** 2)
    heard = np.fft.ifft(np.fft.fft(wave, room, axis=1) * band, axis=1)[:, :n]
    return np.asarray(10 ** (level_db / 20) * heard, np.complex64)


def crosstalk_lines(
    iq: Lines, gap_mm: float, sample_us: float, *, level_db: float, reach_mm: float, speed_mm_per_us: float,
    centre_mhz: float,
) -> Lines:  # fmt: skip
    """What leaks from each line into those beside it, (L, T) complex64, from the echoes of all lines (L, T).

    A wave runs along the array both ways, ``level_db`` down at the first neighbour and e-folding over
    ``reach_mm``: a strong echo stands at the tip of two slanted lines, later the farther off they are.
    """
    n_lines, n = iq.shape
    spectrum = np.fft.fft(iq, 2 * n, axis=1)
    frequency = centre_mhz + np.fft.fftfreq(2 * n, sample_us)
    step = math.exp(-gap_mm / reach_mm) * np.exp(-2j * math.pi * frequency * gap_mm / speed_mm_per_us)
    leaked = np.zeros_like(spectrum)
    for order in (range(n_lines), range(n_lines - 1, -1, -1)):
        wave = np.zeros(2 * n, complex)
        for line in order:
            leaked[line] += wave
            wave = (wave + spectrum[line]) * step
    first = 10 ** (level_db / 20) * math.exp(gap_mm / reach_mm)
    return np.asarray(first * np.fft.ifft(leaked, axis=1)[:, :n], np.complex64)
