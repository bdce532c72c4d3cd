"""Tracing of one ray through the solids, with the paraxial beam round it.

A ray is a row of straight segments, one per region that it passes. Every segment carries what has
been collected up to its start: time, loss, amplitude, and the real ABCD matrices that turn any
wave curvature at the ray's start into the curvature here, in the picture plane and across it.
Media are fluids; amplitudes are those of the flow of energy, so that a passage takes sqrt(1 - R^2).
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel
from renderer.tissue.geometry import START_GAP_MM, next_crossing, region_at, surface_shape, top_at

MAX_SEGMENTS = 18
# Floats: the compiler makes a version of its own of a kernel for each integer constant that it is called with
PLAIN, WHOLE_BEAM, GHOST = 0.0, 1.0, 2.0
GRAZING = 0.4  # cosine of incidence below which a surface is only grazed
WEAK = 0.25  # normal reflection of a weak surface

# Columns of a segment row
PX, PY, PZ, DX, DY, DZ, TIME, LOSS, LOSS_SLOPE, AMPLITUDE = range(10)
A, B, C, D, SPEED, ALPHA, ALPHA_SLOPE, REGION = range(10, 18)
NX, NY, NZ, BEND, SURFACE, PATH, AY, BY, CY, DYY = range(18, 28)
REFLECTION, LENGTH, ENTERED, BEND_Y = range(28, 32)
N_COLUMNS = 32
# The two planes of a beam: where its ABCD matrix begins. A plain integer would make a version of a kernel of its own.
IN_PLANE, ACROSS = np.int64(A), np.int64(AY)
NO_WIDTH = (0.0, 0.0, 0.0)
THROUGH, BACK = 0.0, 1.0  # what a ray does at a surface

# Columns of the region table
R_SPEED, R_IMPEDANCE, R_LOSS, R_LOSS_SLOPE, R_LEVEL, R_COUNT = range(6)


@kernel
def fluid_reflection(z1, z2, c1, c2, cos_i):
    """Pressure reflection of a plane wave between two fluids, and the cosine of the refracted ray.

    Beyond the critical angle the cosine is -1 and the reflection 1 (the phase is left out).
    Reference: any textbook of acoustics, e.g. Kinsler et al., Fundamentals of Acoustics; from memory.
    """
    sin_t2 = (1.0 - cos_i * cos_i) * (c2 / c1) ** 2
    if sin_t2 >= 1.0:
        return 1.0, -1.0
    cos_t = math.sqrt(1.0 - sin_t2)
    a, b = z2 * cos_i, z1 * cos_t
    return (a - b) / (a + b), cos_t


@kernel
def start_segment(seg, x, y, z, dx, dy, dz, region, media):
    """Fill the first segment of a ray that starts at a point with unit amplitude."""
    seg[0, PX], seg[0, PY], seg[0, PZ] = x, y, z
    seg[0, DX], seg[0, DY], seg[0, DZ] = dx, dy, dz
    for k in range(TIME, N_COLUMNS):
        seg[0, k] = 0.0
    seg[0, AMPLITUDE] = 1.0
    seg[0, A] = seg[0, D] = seg[0, AY] = seg[0, DYY] = 1.0
    seg[0, SURFACE] = -1.0
    seg[0, NZ] = 1.0
    set_medium(seg, 0, region, media)


@kernel
def set_medium(seg, k, region, media):
    """Copy the properties of the region into the segment."""
    seg[k, REGION] = region
    seg[k, SPEED] = media[region, R_SPEED]
    seg[k, ALPHA] = media[region, R_LOSS]
    seg[k, ALPHA_SLOPE] = media[region, R_LOSS_SLOPE]


@kernel
def advance(seg, k, length):
    """Write the state at a distance along segment k into segment k + 1 (before any surface acts)."""
    for q in range(N_COLUMNS):
        seg[k + 1, q] = seg[k, q]
    seg[k, LENGTH] = length
    for q in range(3):
        seg[k + 1, PX + q] = seg[k, PX + q] + length * seg[k, DX + q]
    seg[k + 1, TIME] += length / seg[k, SPEED]
    seg[k + 1, LOSS] += length * seg[k, ALPHA]
    seg[k + 1, LOSS_SLOPE] += length * seg[k, ALPHA_SLOPE]
    seg[k + 1, PATH] += length
    seg[k + 1, A] += length * seg[k, C]
    seg[k + 1, B] += length * seg[k, D]
    seg[k + 1, AY] += length * seg[k, CY]
    seg[k + 1, BY] += length * seg[k, DYY]
    seg[k + 1, LENGTH] = 1e9


@kernel
def weak_surface(media, before, after):
    """Whether two media differ little in impedance."""
    z1, z2 = media[before, R_IMPEDANCE], media[after, R_IMPEDANCE]
    return abs(z2 - z1) < WEAK * (z1 + z2)


@kernel
def blunt_normal(seg, k, width_mm):
    """The normal of a rounded surface as a beam of some width meets it, in place of the ray's own.

    Beside the rim of a round body what a ray does changes within less than the beam: it is turned without limit
    at the rim itself, and not at all beside it. The mean over the width is that of a ray which meets the surface
    that much farther in: cos^2 + e for cos^2, with e = width / radius.
    """
    dx, dy, dz = seg[k, DX], seg[k, DY], seg[k, DZ]
    nx, ny, nz = seg[k, NX], seg[k, NY], seg[k, NZ]
    cos_i = dx * nx + dy * ny + dz * nz
    tx, ty, tz = nx - cos_i * dx, ny - cos_i * dy, nz - cos_i * dz
    across = math.sqrt(tx * tx + ty * ty + tz * tz)
    if across < 1e-6:
        return
    tx, ty, tz = tx / across, ty / across, tz / across
    flat = 1.0 / math.sqrt(max(dx * dx + dz * dz, 1e-12))
    in_plane = (tx * dz - tz * dx) * flat  # part of the tilt that lies in the picture plane
    share = min(in_plane * in_plane, 1.0)
    more = width_mm * abs(share * seg[k, BEND] + (1.0 - share) * seg[k, BEND_Y])
    cosine = math.sqrt((cos_i * cos_i + more) / (1.0 + more))
    sine = math.sqrt(max(1.0 - cosine * cosine, 0.0))
    seg[k, NX], seg[k, NY], seg[k, NZ] = (
        cosine * dx + sine * tx,
        cosine * dy + sine * ty,
        cosine * dz + sine * tz,
    )


@kernel
def meet_surface(seg, k, solids, media, region_after, surface, refract, width_mm):
    """Describe the surface at the start of segment k, where the ray has just arrived.

    Fills normal (along the ray), curvatures (positive: the surface bulges towards the source) and
    the reflection coefficient. Returns (cosine of incidence, cosine of the refracted ray or -1).
    """
    kinds, rows, outline, spans, _, _ = solids
    dx, dy, dz = seg[k, DX], seg[k, DY], seg[k, DZ]
    flat = 1.0 / math.sqrt(max(dx * dx + dz * dz, 1e-12))
    ex, ez = dz * flat, -dx * flat
    x, y, z = seg[k, PX], seg[k, PY], seg[k, PZ]
    s = surface
    nx, ny, nz, bend = surface_shape(
        kinds[s], rows[s], outline, spans[s, 0], spans[s, 1], x, y, z, ex, 0.0, ez
    )
    fx, fy, fz = dy * ez, dz * ex - dx * ez, -dy * ex
    _, _, _, bend_y = surface_shape(kinds[s], rows[s], outline, spans[s, 0], spans[s, 1], x, y, z, fx, fy, fz)
    cos_i = dx * nx + dy * ny + dz * nz
    if cos_i < 0.0:  # entering: the outward normal looks back at the source
        nx, ny, nz, cos_i = -nx, -ny, -nz, -cos_i
    else:
        bend, bend_y = -bend, -bend_y
    seg[k, NX], seg[k, NY], seg[k, NZ] = nx, ny, nz
    seg[k, BEND], seg[k, BEND_Y], seg[k, SURFACE] = bend, bend_y, s
    before = int(seg[k, REGION])
    if width_mm > 0.0 and weak_surface(media, before, region_after):
        blunt_normal(seg, k, width_mm)
        cos_i = dx * seg[k, NX] + dy * seg[k, NY] + dz * seg[k, NZ]
    c2 = media[region_after, R_SPEED] if refract else media[before, R_SPEED]
    r, cos_t = fluid_reflection(
        media[before, R_IMPEDANCE], media[region_after, R_IMPEDANCE], media[before, R_SPEED], c2, cos_i
    )
    seg[k, REFLECTION] = r
    return cos_i, cos_t


@kernel
def bend_beam(seg, k, ex, ey, ez, gx, gy, gz, k1, k2, cos_1, cos_2, bend, first):
    """Apply a surface to one ABCD matrix: e before and g after are the transverse unit vectors."""
    en = ex * seg[k, NX] + ey * seg[k, NY] + ez * seg[k, NZ]
    gn = gx * seg[k, NX] + gy * seg[k, NY] + gz * seg[k, NZ]
    t1 = math.sqrt(max(1.0 - en * en, 1e-6))
    t2 = math.sqrt(max(1.0 - gn * gn, 1e-6))
    a = t2 / t1
    d = k1 * t1 / (k2 * t2)
    c = -bend * (k2 * cos_2 - k1 * cos_1) / (k2 * t2 * t2) * a
    seg[k, first + 2] = c * seg[k, first] + d * seg[k, first + 2]
    seg[k, first + 3] = c * seg[k, first + 1] + d * seg[k, first + 3]
    seg[k, first] *= a
    seg[k, first + 1] *= a


@kernel
def turn_ray(seg, k, nx, ny, nz, c1, c2, cos_i, cos_t, way):
    """Refract (``way`` THROUGH) or reflect (BACK) the ray at the start of segment k and bend its beam."""
    dx, dy, dz = seg[k, DX], seg[k, DY], seg[k, DZ]
    if way == BACK:
        gx, gy, gz = dx - 2 * cos_i * nx, dy - 2 * cos_i * ny, dz - 2 * cos_i * nz
        k2, cos_2 = 1.0 / c1, -cos_i
    else:
        ratio = c2 / c1
        step = cos_t - ratio * cos_i
        gx, gy, gz = ratio * dx + step * nx, ratio * dy + step * ny, ratio * dz + step * nz
        k2, cos_2 = 1.0 / c2, cos_t
    flat = 1.0 / math.sqrt(max(dx * dx + dz * dz, 1e-12))
    ex, ez = dz * flat, -dx * flat
    flat = 1.0 / math.sqrt(max(gx * gx + gz * gz, 1e-12))
    hx, hz = gz * flat, -gx * flat
    bend_beam(seg, k, ex, 0.0, ez, hx, 0.0, hz, 1.0 / c1, k2, cos_i, cos_2, seg[k, BEND], IN_PLANE)
    if way == BACK:  # the transverse axis is bound to the ray and turns over with it
        for q in range(A, D + 1):
            seg[k, q] = -seg[k, q]
    # Across the picture plane: y' = d x e
    bend_beam(
        seg, k, dy * ez, dz * ex - dx * ez, -dy * ex, gy * hz, gz * hx - gx * hz, -gy * hx,
        1.0 / c1, k2, cos_i, cos_2, seg[k, BEND_Y], ACROSS,
    )  # fmt: skip
    seg[k, DX], seg[k, DY], seg[k, DZ] = gx, gy, gz


@kernel
def trace_ray(seg, solids, media, reach_mm, floor, refract, manner, hits, widths=NO_WIDTH):
    """Trace a started ray straight through all surfaces.

    ``seg`` (MAX_SEGMENTS, N_COLUMNS) holds the start in row 0. Tracing ends after ``reach_mm`` of
    path, at total reflection, or when amplitude times loss falls below ``floor``. Returns the number
    of segments; the last one's LENGTH tells where it ends (1e9: open). ``manner``: PLAIN; WHOLE_BEAM,
    where the ray stands for a whole beam, so that a weak surface that it only grazes does not turn it;
    GHOST, which passes strong bodies as if they were not there. ``widths``: of the beam that the ray stands
    for: width at the face in mm, its curvature there in 1/mm, least width in mm (see ``blunt_normal``).
    """
    kinds, rows, outline, spans, region, traced = solids
    k, gap = 0, START_GAP_MM
    seg[0, LENGTH] = 1e9
    top = top_at(
        kinds, rows, outline, spans, traced, kinds.shape[0],
        seg[0, PX] + gap * seg[0, DX], seg[0, PY] + gap * seg[0, DY], seg[0, PZ] + gap * seg[0, DZ],
    )  # fmt: skip
    while k < MAX_SEGMENTS - 1:
        left = reach_mm - seg[k, PATH]
        if left <= 0.0:
            break
        t, after, surface, top = next_crossing(
            kinds, rows, outline, spans, region, traced,
            seg[k, PX] + gap * seg[k, DX], seg[k, PY] + gap * seg[k, DY], seg[k, PZ] + gap * seg[k, DZ],
            seg[k, DX], seg[k, DY], seg[k, DZ], left, top, hits,
        )  # fmt: skip
        if t < 0.0:
            break
        advance(seg, k, t + gap)
        entered = top == surface
        before = int(seg[k, REGION])
        width_mm = widths[0] * abs(seg[k + 1, A] + seg[k + 1, B] * widths[1]) + widths[2]
        cos_i, cos_t = meet_surface(seg, k + 1, solids, media, after, surface, refract, width_mm)
        r = seg[k + 1, REFLECTION]
        strong = not weak_surface(media, before, after)
        if manner == GHOST and strong:
            # Straight on, as if the strong body were not there: the medium before it is kept
            seg[k + 1, REFLECTION] = 0.0
            if entered:
                seg[k + 1, REGION] = after
            else:
                set_medium(seg, k + 1, after, media)
            k += 1
            continue
        if manner == WHOLE_BEAM and cos_i < GRAZING and not strong:
            # One ray stands for a beam that is wider than the grazed zone: most of it passes beside
            seg[k + 1, REFLECTION] = 0.0
            seg[k + 1, ENTERED] = 1.0 if entered else 0.0
            set_medium(seg, k + 1, after, media)
            k += 1
            continue
        left_over = 1.0 - r * r
        weight = abs(seg[k + 1, AMPLITUDE]) * math.exp(-seg[k + 1, LOSS]) * math.sqrt(max(left_over, 0.0))
        if cos_t < 0.0 or weight < floor:
            break
        seg[k + 1, AMPLITUDE] *= math.sqrt(left_over)
        seg[k + 1, ENTERED] = 1.0 if entered else 0.0
        if refract:
            turn_ray(
                seg, k + 1, seg[k + 1, NX], seg[k + 1, NY], seg[k + 1, NZ],
                media[before, R_SPEED], media[after, R_SPEED], cos_i, cos_t, THROUGH,
            )  # fmt: skip
        set_medium(seg, k + 1, after, media)
        k += 1
    return k + 1


@kernel
def start_region(solids, x, y, z, dx, dy, dz):
    """Region just in front of the face."""
    kinds, rows, outline, spans, region, traced = solids
    g = 1e-4
    return region_at(kinds, rows, outline, spans, region, traced, True, x + g * dx, y + g * dy, z + g * dz)
