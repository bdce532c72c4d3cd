"""Paraxial beams along one ray: what secondary paths use in place of a beamlet fan.

The aperture's beamlets share the ABCD matrix of the path's central ray. Behind a plane mirror this is
the beam of the unfolded path; behind a curved one it is bent as the matrix says. Paraxial: angles
between beamlets and the central ray are taken as small.
"""

from __future__ import annotations

import cmath
import math

from renderer.jit import kernel
from renderer.trace.bands import four_powers
from renderer.trace.beamlets import EVEN_SUM, WAIST_BY_SPACING, add_gaussians, directivity, even_sums, window
from renderer.trace.elevation import elevation_at

GAUSS_X = (0.0950125098, 0.2816035508, 0.4580167777, 0.6178762444, 0.7554044084, 0.8656312024, 0.9445750231,
           0.9894009350)  # fmt: skip
GAUSS_W = (0.1894506105, 0.1826034150, 0.1691565194, 0.1495959888, 0.1246289713, 0.0951585117, 0.0622535239,
           0.0271524594)  # fmt: skip


@kernel
def aperture_limits(half, face_mm, face_half):
    """Ends of the aperture relative to the line's origin, cut off where the array ends."""
    return max(-half, -face_half - face_mm), min(half, face_half - face_mm)


@kernel
def paraxial_row(
    out, u_low, step_u, shift, a, b, c, d, c_here, c_start, low, high, half, focus, apodisation, centre, step_f, assumed,
    n_beamlets, refract, pitches,
):  # fmt: skip
    """Field of a focused aperture across a path at the band's four frequencies, into out (4, U).

    At offsets u from a place that lies ``shift`` before the path's ray, relative to the time along it. A
    beamlet's waist goes with 1 / sqrt(f), as in ``add_row``. ``pitches``: pitch over wavelength.
    """
    n_u = out.shape[1]
    out[:] = 0j
    spacing = (high - low) / n_beamlets
    waist = WAIST_BY_SPACING * spacing
    bend = c_start / assumed if refract else 1.0
    q0 = complex(-bend / focus, -c_start / (math.pi * centre * waist * waist))
    spread = a + b * q0
    curve = (c + d * q0) / spread
    root = 1.0 / cmath.sqrt(spread)
    e1, e2, e3, e4 = even_sums(centre, step_f)
    turn = -2j * math.pi
    for j in range(n_beamlets):
        x = low + (j + 0.5) * spacing
        theta = -bend * x / focus
        u, slope = a * x + b * theta, c * x + d * theta
        t = 0.5 * (u * slope / c_here - x * theta / c_start) - x * x / (2 * focus * assumed)
        # As in ``aim_beamlets``: an element's directivity, and a beamlet's waist seen from its direction
        sine = math.sin(theta)
        weight = (
            EVEN_SUM * window(apodisation, x / half) * directivity(pitches * sine) * math.cos(theta) * root
        )
        p1, p2, p3, p4 = four_powers(turn * t, centre, step_f)
        value = (weight * e1 * p1, weight * e2 * p2, weight * e3 * p3, weight * e4 * p4)
        add_gaussians(
            out, 0, n_u - 1, u_low, step_u, u + shift, value, turn * slope / c_here, turn * 0.5 * curve / c_here, centre,
            step_f,
        )  # fmt: skip


@kernel
def couple_beamlet(
    a, b, c, d, c_here, c_start, low, high, half, focus, place, sine, along, f, assumed, n_beamlets, refract,
    xr, r_waist, r_focus, pitches,
):  # fmt: skip
    """What one receive beamlet at ``xr`` takes of a path that comes back to the face, mm times field.

    The path's ray meets the plane of the line's origin at ``place`` along it, with sine ``sine``
    against its normal; ``along`` is the cosine between the plane's axis and the ray's transverse
    axis. Closed Gaussian integrals over the transmit beamlets.
    """
    spacing = (high - low) / n_beamlets
    waist = WAIST_BY_SPACING * spacing
    bend = c_start / assumed if refract else 1.0
    q0 = complex(-bend / focus, -c_start / (math.pi * f * waist * waist))
    spread = a + b * q0
    curve = (c + d * q0) / spread
    own = xr / math.hypot(xr, r_focus)  # sine of the angle under which the receive beamlet looks
    root = EVEN_SUM * EVEN_SUM / cmath.sqrt(spread) * directivity(pitches * own) * math.sqrt(1.0 - own * own)
    turn = -2j * math.pi * f
    g = 1.0 / (r_waist * r_waist)
    back = -turn * 0.5 / (r_focus * assumed)
    off = place - xr
    # Exponent in p = offset from place: square p^2 + linear p + constant
    s2 = turn * 0.5 * curve / c_here
    square = s2 * along * along - g + back
    gain = cmath.sqrt(-math.pi / square) * root
    total = 0j
    for j in range(n_beamlets):
        x = low + (j + 0.5) * spacing
        theta = -bend * x / focus
        u, slope = a * x + b * theta, c * x + d * theta
        t = 0.5 * (u * slope / c_here - x * theta / c_start) - x * x / (2 * focus * assumed)
        s1 = turn * slope / c_here
        linear = along * (s1 - 2 * s2 * u) + turn * sine / c_here - 2 * g * off + 2 * back * place
        constant = s2 * u * u - s1 * u - g * off * off + back * place * place + turn * t
        exponent = constant - linear * linear / (4 * square)
        if exponent.real > -30.0:
            total += cmath.exp(exponent) * directivity(pitches * math.sin(theta)) * math.cos(theta)
    return total * gain


@kernel
def expected_lateness(a, b, c, d, c_here, c_start, focus, place, sine, along, assumed, refract, xr, r_focus):
    """Arrival at a receive place against the ray's, from the wave front's own curvature, µs."""
    bend = c_start / assumed if refract else 1.0
    q = -bend / focus
    spread = a + b * q
    p = xr - place
    front = (c + d * q) / spread if abs(spread) > 0.02 else 0.0
    return (0.5 * front * (along * p) ** 2 + sine * p) / c_here - xr * xr / (2 * r_focus * assumed)


@kernel
def path_height(ay, by):
    """Equivalent distance and height scale of a path across the picture plane: B / A, and A (kept from 0)."""
    a = ay if abs(ay) > 0.1 else math.copysign(0.1, ay)
    return max(by / a, 0.5) if by / a > 0 else 0.5, a


@kernel
def couple_elevation(table, log_start, log_step, reach, ay, by, dyy, y_place, y_sine, f, c, height, lens):
    """What the slit takes of a path that comes back to the face: mm times one-way field."""
    s_eq, a = path_height(ay, by)
    total = 0j
    k = 2 * math.pi * f / c
    for i in range(8):
        for sign in range(2):
            y = 0.5 * height * (GAUSS_X[i] if sign else -GAUSS_X[i])
            off = y - y_place
            e = elevation_at(table, log_start, log_step, reach, s_eq, off / a)
            phase = -k * (0.5 * dyy / by * off * off + y_sine * off - 0.5 * y * y / lens)
            total += 0.5 * height * GAUSS_W[i] * e * cmath.exp(1j * phase)
    return total / math.sqrt(abs(a))
