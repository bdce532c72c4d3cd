"""The machine's settings as one vector, the pulse's band under loss, and deposits on the time grid."""

from __future__ import annotations

import cmath
import math

from renderer.jit import kernel
from renderer.tissue.materials import LOWEST_BAND

# Places in the settings vector of the machine
(
    S_F0, S_SIGMA, S_ASSUMED, S_TX_F, S_RX_F, S_CHANNEL_HALF, S_FACE_HALF, S_RADIUS, S_PITCH, S_HEIGHT,
    S_LENS, S_APODISATION, S_REFRACT, S_FLOOR, S_SAMPLE, S_LEAST_HALF, S_GHOSTS, S_HARMONIC,
    S_ELEMENTS,
) = range(19)  # fmt: skip
# Behind them, for a probe with faults or under an uneven wall: running sum of the strengths of its elements, one more
# than there are; and behind that the delay of each by the wall, us
N_SETTINGS = 19

TUBE_WIDTHS = 2.2  # half width of the tube, in wavelengths times F-number


# Four frequencies stand for the band: the centre -3, -1, +1, +3 times BAND_STEP sigma, even so that one
# exponential steps through them. The weights keep sum and variance of the Gaussian; with this step the mean of
# exp(i phase) stays within 0.05 of the band's own up to a phase of 2 rad per sigma (three Gauss-Hermite nodes: 0.22).
BAND_STEP = 0.7
OUTER = (1.0 / BAND_STEP**2 - 1.0) / 16.0
INNER = 0.5 - OUTER


@kernel
def band(f0, sigma, loss_slope_two_way):
    """Centre frequency after loss, and half the distance between the four frequencies that stand for the band."""
    centre = max(f0 - loss_slope_two_way * sigma * sigma, LOWEST_BAND * f0)
    return centre, min(BAND_STEP * sigma, 0.3 * centre)


@kernel
def band_mean(v1, v2, v3, v4):
    """Mean over the band of a value at its four frequencies."""
    return OUTER * (v1 + v4) + INNER * (v2 + v3)


@kernel
def point_mean(v1, v2, v3, v4, centre, step):
    """The same for a point or a wire: it answers lambda T R with the wavelength of each frequency."""
    return centre * band_mean(
        v1 / (centre - 3 * step), v2 / (centre - step), v3 / (centre + step), v4 / (centre + 3 * step)
    )


@kernel
def point_rms(v1, v2, v3, v4, centre, step):
    """``point_mean`` for one of many scatterers: its phase, with the root of the energy that the pulse brings.

    Away from the axis a pulse is late, drawn out, or comes as two from the ends of the aperture, and its mean at one
    time is less than what it brings. Of many scatterers the energies add up, at whatever time each comes (Parseval).
    The inner two frequencies have the variance of the band's power, half of that of its amplitude.
    """
    mean = point_mean(v1, v2, v3, v4, centre, step)
    v2, v3 = v2 * centre / (centre - step), v3 * centre / (centre + step)
    energy = 0.5 * (v2.real**2 + v2.imag**2 + v3.real**2 + v3.imag**2)
    size = abs(mean)
    return mean * (math.sqrt(energy) / size) if size > 0.0 else complex(math.sqrt(energy), 0.0)


@kernel
def four_powers(exponent, centre, step):
    """exp(f x) at the band's four frequencies, lowest first."""
    p1, up = cmath.exp((centre - 3 * step) * exponent), cmath.exp(2 * step * exponent)
    p2 = p1 * up
    p3 = p2 * up
    return p1, p2, p3, p3 * up


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
