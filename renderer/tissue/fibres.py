"""Which way the beam goes at a place, and how a tissue of fibres answers it."""

from __future__ import annotations

import math

from renderer.jit import kernel, row_kernel


@kernel
def line_through(x, z, fan):
    """Direction (x, z) of the unbent scan line through a place of the picture plane, and the distance along it.

    ``fan``: radius of the circle that the lines leave, sine and cosine of their angle to its radius, and, where
    the lines of a flat face come from one point, its x and how far it lies behind (else 1e12).
    """
    radius, sine, cosine, apex_x, apex_mm = fan
    if apex_mm < 1e8:
        gx, gz = x - apex_x, z + apex_mm
        r = math.hypot(gx, gz)
        return gx / r, gz / r, r * z / gz
    if radius > 1e8:
        return sine, cosine, z / cosine
    # Sine rule in the triangle of centre, face and place
    gx, gz = x, z + radius
    r = max(math.hypot(gx, gz), 1e-9)
    bend_sine = max(-1.0, min(1.0, radius * sine / r))
    bend_cosine = math.sqrt(1.0 - bend_sine * bend_sine)
    dx, dz = (gx * bend_cosine + gz * bend_sine) / r, (gz * bend_cosine - gx * bend_sine) / r
    return dx, dz, r * bend_cosine - radius * cosine


@row_kernel("x")
def lines_through(start, stop, x, z, fan, out):
    """The same for many places (P,): direction x, z and distance into ``out`` (P, 3)."""
    for p in range(start, stop):
        out[p, 0], out[p, 1], out[p, 2] = line_through(x[p], z[p], fan)


@kernel
def fibre_db(fibre, bx, by, bz):
    """Level of a tissue of fibres met in a direction, dB: 0 square on to them, falling with the square of the angle.

    ``fibre``: direction in the picture plane (rad), drop (dB), and the angle from the perpendicular at which it is
    reached (rad); beyond it the level stays.
    """
    along = abs(bx * math.cos(fibre[0]) + bz * math.sin(fibre[0])) / math.sqrt(bx * bx + by * by + bz * bz)
    ratio = math.asin(min(1.0, along)) / fibre[2]
    return -fibre[1] * min(1.0, ratio * ratio)
