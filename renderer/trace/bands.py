"""The machine's settings as one vector, the pulse's band under loss, and deposits on the time grid."""

from __future__ import annotations

import math

from renderer.jit import kernel

# Places in the settings vector of the machine
(
    S_F0, S_SIGMA, S_ASSUMED, S_TX_F, S_RX_F, S_CHANNEL_HALF, S_FACE_HALF, S_RADIUS, S_PITCH, S_HEIGHT,
    S_LENS, S_APODISATION, S_REFRACT, S_ELEVATION, S_FLOOR, S_SAMPLE, S_LEAST_HALF, S_GHOSTS,
) = range(18)  # fmt: skip
N_SETTINGS = 18

TUBE_WIDTHS = 2.2  # half width of the tube, in wavelengths times F-number
ROOT3 = math.sqrt(3.0)
LOWEST_BAND = 0.35  # the centre frequency never drifts below this part of the nominal one


@kernel
def band(f0, sigma, loss_slope_two_way):
    """Centre frequency after loss, and three frequencies with weights 2/3, 1/6, 1/6 that stand for the band."""
    centre = max(f0 - loss_slope_two_way * sigma * sigma, LOWEST_BAND * f0)
    spread = min(ROOT3 * sigma, 0.9 * centre)
    return centre, centre - spread, centre + spread


@kernel
def band_rise(loss_slope, sigma, f0):
    """Nepers by which a Gaussian band loses less than its centre: x1^2 s^2 / 2.

    Once the centre has drifted to the lowest frequency that is followed, only the loss there counts:
    the closed form would make up sound at negative frequencies.
    """
    most = (1 - LOWEST_BAND) * f0
    if loss_slope * sigma * sigma <= most:
        return 0.5 * (loss_slope * sigma) ** 2
    return loss_slope * most - 0.5 * (most / sigma) ** 2


@kernel
def band_level(loss, loss_slope, sigma, f0):
    """Amplitude of a Gaussian band after a two-way loss: exp(-x0 + x1^2 s^2 / 2)."""
    return math.exp(band_rise(loss_slope, sigma, f0) - loss)


@kernel
def deposit(row, time_us, sample_us, re, im):
    """Add a complex value to a row (2 * n reals) at a time, shared between two samples."""
    m = time_us / sample_us
    i = int(m)
    if i < 0 or 2 * i + 3 >= row.shape[0]:
        return
    w = m - i
    row[2 * i] += (1 - w) * re
    row[2 * i + 1] += (1 - w) * im
    row[2 * i + 2] += w * re
    row[2 * i + 3] += w * im
