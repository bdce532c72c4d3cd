"""Secondary paths of a line: branches at surfaces and at the face, best first.

Each branch is a ray with its history of reflections. A branch that comes back to the face is a
specular echo (reverberation, multipath); the straight pieces of strong branches are *legs*, along
which scatterers are seen a second time (mirror images, haze).
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from renderer.jit import kernel
from renderer.trace.bands import (
    S_APODISATION,
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_F0,
    S_FACE_HALF,
    S_HEIGHT,
    S_LEAST_HALF,
    S_LENS,
    S_PITCH,
    S_RADIUS,
    S_REFRACT,
    S_RX_F,
    S_SIGMA,
    S_TX_F,
    band,
    band_level,
    band_mean,
    four_powers,
)
from renderer.trace.beamlets import WAIST_BY_SPACING, window
from renderer.trace.paraxial import aperture_limits, couple_beamlet, couple_elevation, expected_lateness
from renderer.trace.rays import (
    AMPLITUDE,
    AY,
    BACK,
    BEND,
    BEND_Y,
    BY,
    DX,
    DY,
    DYY,
    DZ,
    LENGTH,
    LOSS,
    LOSS_SLOPE,
    N_COLUMNS,
    NX,
    NY,
    NZ,
    PX,
    PY,
    PZ,
    REFLECTION,
    SPEED,
    SURFACE,
    TIME,
    WHOLE_BEAM,
    A,
    B,
    C,
    D,
    advance,
    trace_ray,
    turn_ray,
)

MAX_HISTORY = 11  # the fifth reverberation of a plate
MAX_BRANCHES = 120
MAX_LEGS = 40
FACE = -2  # stands for the face in a history
FACE_SLACK_MM = 1e-5  # a surface that lies in the face is met with it
WEAKEST = 6e-5  # amplitude by reflections alone: 84 dB below a perfect mirror's echo
LEG_RETRACED = 0.09  # a leg seen there and back: its echo is below -42 dB of the direct one
LEG_CROSSED = 0.008  # a leg seen on one of the two ways
FREE, BUSY = -1.0, -2.0
STEEPEST = 0.35  # sine of the angle at which a path may come back to the face
COUPLED = 11  # beamlets of each aperture in the coupling

# Secondary classes, places in the class axis
MULTIPATH, MIRROR, REVERBERATION, RANGE_AMBIGUITY = range(4)
N_SECONDARY = 4

# Columns of a leg's description, after the ray row
G_CLASS, G_ORDER, G_VIA, G_CROSS, G_LENGTH, G_MODE, G_SHEETS = range(7)
N_LEG = 7

# Columns of a specular echo's record; the reflections follow, primitive by primitive
E_TIME, E_RE, E_IM, E_CLASS, E_ORDER, E_COUNT, E_HISTORY = range(7)
N_ECHO = E_HISTORY + MAX_HISTORY
MAX_ECHOES = 48


@kernel
def reflect_row(out, seg, k, work2):
    """State of a ray after it is reflected at the end of its segment k, into out (N_COLUMNS,)."""
    for q in range(N_COLUMNS):
        work2[0, q] = seg[k, q]
    advance(work2, 0, seg[k, LENGTH])
    for q in (NX, NY, NZ, BEND, BEND_Y, SURFACE, REFLECTION):
        work2[1, q] = seg[k + 1, q]
    cos_i = work2[1, DX] * work2[1, NX] + work2[1, DY] * work2[1, NY] + work2[1, DZ] * work2[1, NZ]
    turn_ray(
        work2,
        np.int64(1),
        work2[1, NX],
        work2[1, NY],
        work2[1, NZ],
        seg[k, SPEED],
        seg[k, SPEED],
        cos_i,
        cos_i,
        BACK,
    )
    work2[1, AMPLITUDE] *= seg[k + 1, REFLECTION]
    for q in range(N_COLUMNS):
        out[q] = work2[1, q]


@kernel
def face_distance(row, radius):
    """Distance along a ray to the face, or -1."""
    if radius > 1e8:
        if row[DZ] > -1e-6:
            return -1.0
        t = -row[PZ] / row[DZ]
        return t if t > 1e-6 else -1.0
    x, z = row[PX], row[PZ] + radius
    b = x * row[DX] + row[PY] * 0.0 + z * row[DZ]
    a = row[DX] ** 2 + row[DZ] ** 2
    disc = b * b - a * (x * x + z * z - radius * radius)
    if disc <= 0.0:
        return -1.0
    t = (-b - math.sqrt(disc)) / a
    return t if t > 1e-6 else -1.0


@kernel
def path_class(history, n, retraced):
    """Class of a path by its reflections, and its order.

    The face, or two surfaces hit in turn, make reverberation; one turn by a surface and the same
    way home a mirror image; any other way home multipath.
    """
    faces = 0
    for i in range(n):
        if history[i] == FACE:
            faces += 1
    if faces > 0:
        return REVERBERATION, max(faces, 1)
    if n >= 3:
        pair = True
        for i in range(2, n):
            if history[i] != history[i - 2]:
                pair = False
        if pair:
            return REVERBERATION, n // 2
    if n == 2 and retraced:
        return REVERBERATION, 1
    return (MIRROR, 1) if retraced else (MULTIPATH, 1)


@kernel
def focus_for(depth_mm, focus_mm, focus_edges):
    """The transmit focus that serves an assumed depth."""
    f = 0
    while f < focus_mm.shape[0] - 1 and depth_mm >= focus_edges[f + 1]:
        f += 1
    return focus_mm[f]


@kernel
def specular_echo(seg, k, line, face_mm, m, elevation, focus_mm, focus_edges, arrivals):
    """Echo of a path that reaches the face at the end of its segment k: (time, complex amplitude).

    ``arrivals`` (COUPLED, 3) is filled with time and complex amplitude (before the carrier) of each
    receive beamlet; the returned amplitude is their sum as heard at the returned time.
    """
    for i in range(COUPLED):
        arrivals[i, 0] = arrivals[i, 1] = arrivals[i, 2] = 0.0
    table, _, _, _, log_start, log_step, reach = elevation
    ox, oz, lx, lz = line[0], line[1], line[2], line[3]
    # The plane of the line's origin, normal to the line
    along_d = seg[k, DX] * lx + seg[k, DZ] * lz
    step = ((ox - seg[k, PX]) * lx + (oz - seg[k, PZ]) * lz) / along_d
    if along_d > -0.5:
        return 0.0, 0j
    x, z = seg[k, PX] + step * seg[k, DX], seg[k, PZ] + step * seg[k, DZ]
    y = seg[k, PY] + step * seg[k, DY]
    place = (x - ox) * lz - (z - oz) * lx
    sine = seg[k, DX] * lz - seg[k, DZ] * lx
    if abs(sine) > STEEPEST or abs(seg[k, DY]) > STEEPEST:
        return 0.0, 0j
    flat = 1.0 / math.sqrt(seg[k, DX] ** 2 + seg[k, DZ] ** 2)
    ex, ez = seg[k, DZ] * flat, -seg[k, DX] * flat
    along = lz * ex - lx * ez
    c = seg[k, SPEED]
    t = seg[k, TIME] + step / c
    loss, slope = seg[k, LOSS] + step * seg[k, 15], seg[k, LOSS_SLOPE] + step * seg[k, 16]
    a, b = seg[k, A] + step * seg[k, C], seg[k, B] + step * seg[k, D]
    ay, by = seg[k, AY] + step * seg[k, 26], seg[k, BY] + step * seg[k, DYY]
    f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
    depth = max(0.5 * assumed * t, 0.5)
    focus = focus_for(depth, focus_mm, focus_edges)
    half = max(min(0.5 * focus / m[S_TX_F], m[S_CHANNEL_HALF]), m[S_LEAST_HALF])
    r_half = max(min(0.5 * depth / m[S_RX_F], m[S_CHANNEL_HALF]), m[S_LEAST_HALF])
    low, high = aperture_limits(half, face_mm, m[S_FACE_HALF])
    r_low, r_high = aperture_limits(r_half, face_mm, m[S_FACE_HALF])
    if abs(place) > r_half + 3.0 + 0.3 * abs(b):
        return 0.0, 0j
    centre, step_f = band(f0, sigma, slope)
    pitches = m[S_PITCH] * f0 / assumed
    refract = m[S_REFRACT] > 0
    across = couple_elevation(table, log_start, log_step, reach, ay, by, seg[k, DYY], y, seg[k, DY], centre, c,
                              m[S_HEIGHT], m[S_LENS])  # fmt: skip
    across *= seg[k, AMPLITUDE] * band_level(loss, slope, sigma, f0)
    # Every receive beamlet hears the pulse at its own time
    spacing = (r_high - r_low) / COUPLED
    cc, dd = seg[k, C], seg[k, D]
    whole, strongest, when = 0j, 0.0, t
    v = np.zeros(4, np.complex128)
    for i in range(COUPLED):
        xr = r_low + (i + 0.5) * spacing
        weight = window(int(m[S_APODISATION]), xr / r_half)
        late = expected_lateness(a, b, cc, dd, c, c, focus, place, sine, along, assumed, refract, xr, depth)
        for w in range(4):
            f = centre + (2 * w - 3) * step_f
            v[w] = couple_beamlet(a, b, cc, dd, c, c, low, high, half, focus, place, sine, along, f, assumed, COUPLED,
                                  refract, xr, WAIST_BY_SPACING * spacing, depth, pitches)  # fmt: skip
            v[w] *= cmath.exp(2j * math.pi * f * late)
            if w == 0 and abs(v[0]) < 1e-12:
                break
        if abs(v[0]) < 1e-12:
            continue
        # What is left of the lateness shows as a slope of the phase over the band
        more = 0.0
        for w in range(3):
            more -= cmath.phase(v[w + 1] * v[w].conjugate()) / (2 * math.pi * 6 * step_f)
        p1, p2, p3, p4 = four_powers(2j * math.pi * more, centre, step_f)
        value = band_mean(v[0] * p1, v[1] * p2, v[2] * p3, v[3] * p4)
        value *= across * weight
        arrivals[i, 0], arrivals[i, 1], arrivals[i, 2] = t + late + more, value.real, value.imag
        whole += value * cmath.exp(-2j * math.pi * f0 * (late + more))
        if abs(value) > strongest:
            strongest, when = abs(value), t + late + more
    return when, whole


@kernel
def whole_widths(m):
    """Of a whole beam, for ``trace_ray``: on its way to the focus it is half as wide as the aperture."""
    return 0.0, 0.0, m[S_CHANNEL_HALF]


@kernel
def first_branches(centre, n_centre, end_us, rows, histories, levels, work2):
    """Enter a branch for every surface on the central ray; returns their number."""
    used = 0
    last = n_centre - 1 + (1 if centre[n_centre - 1, LENGTH] < 1e8 else 0)
    for k in range(last):
        if abs(centre[k + 1, REFLECTION]) < WEAKEST or 2 * centre[k, TIME] > end_us:
            continue
        if used < MAX_BRANCHES:
            reflect_row(rows[used], centre, k, work2)
            levels[used] = abs(rows[used, AMPLITUDE])
            histories[used, 0] = 1
            histories[used, 1] = int(centre[k + 1, SURFACE])
            used += 1
    return used


@kernel
def turn_at_face(row, seg, k, length, radius, face_reflection, work2):
    """Fill a row with the ray of segment k that the face, at a length along it, sends back into the body."""
    for q in range(N_COLUMNS):
        work2[0, q] = seg[k, q]
    advance(work2, 0, length)
    nx, nz = 0.0, -1.0
    if radius < 1e8:
        x, z = work2[1, PX], work2[1, PZ] + radius
        norm = math.hypot(x, z)
        nx, nz = -x / norm, -z / norm
    work2[1, NX], work2[1, NY], work2[1, NZ] = nx, 0.0, nz
    work2[1, BEND] = 1.0 / radius if radius < 1e8 else 0.0
    work2[1, BEND_Y] = 0.0
    cos_i = work2[1, DX] * nx + work2[1, DZ] * nz
    turn_ray(work2, np.int64(1), nx, 0.0, nz, seg[k, SPEED], seg[k, SPEED], cos_i, cos_i, BACK)
    work2[1, AMPLITUDE] *= face_reflection
    for q in range(N_COLUMNS):
        row[q] = work2[1, q]


@kernel
def find_branches(
    centre, n_centre, line, face_mm, m, solids, media, region_of, end_us, face_reflection, elevation, focus_mm, focus_edges,
    rows, histories, levels, seg, work2, hits, legs, leg_info, echoes, arrivals,
):  # fmt: skip
    """Search a line's secondary paths, strongest first.

    ``centre`` holds the line's traced central ray. Scratch: rows (MAX_BRANCHES, N_COLUMNS), histories
    (MAX_BRANCHES, MAX_HISTORY + 2), levels (MAX_BRANCHES,), seg, work2. Fills ``legs``, ``leg_info``
    and ``echoes`` (time, size re, size im, class, order, history...); returns their counts.
    """
    radius = m[S_RADIUS]
    for b in range(MAX_BRANCHES):
        levels[b] = 0.0
    n_legs = n_echoes = 0
    used = first_branches(centre, n_centre, end_us, rows, histories, levels, work2)
    for _ in range(MAX_BRANCHES):
        best, top = -1, WEAKEST
        for b in range(used):
            if levels[b] > top:
                best, top = b, levels[b]
        if best < 0:
            break
        levels[best] = BUSY
        n_history = histories[best, 0]
        for q in range(N_COLUMNS):
            seg[0, q] = rows[best, q]
        reach = 1.2 * end_us * 1.6
        n = trace_ray(seg, solids, media, reach, 1e-9, m[S_REFRACT] > 0, WHOLE_BEAM, hits, whole_widths(m))
        for k in range(n):
            at_face = face_distance(seg[k], radius)
            length = seg[k, LENGTH]
            # The border of the coupling lies in the face: which of the two comes first is a matter of rounding
            ends_at_face = 0.0 < at_face <= length + FACE_SLACK_MM
            if ends_at_face:
                length = at_face
            if seg[k, TIME] > end_us:
                break
            # A leg along which scatterers are seen again
            parallel = seg[k, DX] * line[2] + seg[k, DZ] * line[3] > 0.99
            weight = abs(seg[k, AMPLITUDE])
            if (
                n_legs < MAX_LEGS
                and n_history >= 1
                and (weight > LEG_RETRACED or (parallel and weight > LEG_CROSSED and n_history >= 2))
            ):
                for q in range(N_COLUMNS):
                    legs[n_legs, q] = seg[k, q]
                kind, order = path_class(histories[best, 1:], n_history, True)
                leg_info[n_legs, G_CLASS], leg_info[n_legs, G_ORDER] = kind, order
                leg_info[n_legs, G_VIA] = region_of[histories[best, 1]]
                leg_info[n_legs, G_CROSS] = 1.0 if parallel and n_history >= 2 else 0.0
                leg_info[n_legs, G_LENGTH] = min(length, 1e6)
                n_legs += 1
            if ends_at_face:
                seg[k, LENGTH] = length
                hit = seg[k, PX] + length * seg[k, DX]
                hit_z = seg[k, PZ] + length * seg[k, DZ]
                place = hit if radius > 1e8 else math.atan2(hit, hit_z + radius) * radius
                if n_history >= 2 and n_echoes < MAX_ECHOES:
                    t, value = specular_echo(
                        seg, k, line, face_mm, m, elevation, focus_mm, focus_edges, arrivals[n_echoes]
                    )
                    if abs(value) > 0.0 and t < end_us:
                        kind, order = path_class(histories[best, 1:], n_history, False)
                        palindrome = True
                        for i in range(n_history):
                            if histories[best, 1 + i] != histories[best, n_history - i]:
                                palindrome = False
                        if palindrome and kind == MULTIPATH and n_history > 1:
                            kind = MIRROR
                        row = echoes[n_echoes]
                        row[0], row[1], row[2], row[3], row[4] = t, value.real, value.imag, kind, order
                        row[5] = n_history
                        for i in range(MAX_HISTORY):
                            row[6 + i] = histories[best, 1 + i] if i < n_history else -1
                        n_echoes += 1
                # The face sends part of it back
                if n_history < MAX_HISTORY and abs(place) <= m[S_FACE_HALF] and face_reflection > 0.0:
                    slot = free_slot(levels, used)
                    level = weight * face_reflection
                    if slot >= 0 and level > WEAKEST:
                        turn_at_face(rows[slot], seg, k, length, radius, face_reflection, work2)
                        push(histories, levels, slot, best, n_history, FACE, level)
                        used = max(used, slot + 1)
                break
            # The next surface reflects part of it
            if seg[k, LENGTH] < 1e8 and n_history < MAX_HISTORY:
                level = weight * abs(seg[k + 1, REFLECTION])
                slot = free_slot(levels, used)
                if slot >= 0 and level > WEAKEST and seg[k, TIME] + seg[k, LENGTH] / seg[k, SPEED] < end_us:
                    reflect_row(rows[slot], seg, k, work2)
                    push(histories, levels, slot, best, n_history, int(seg[k + 1, SURFACE]), level)
                    used = max(used, slot + 1)
        levels[best] = FREE
    return n_legs, n_echoes


@kernel
def free_slot(levels, used):
    """A place in the queue: a new one, or one that has been taken out; -1 if full."""
    if used < levels.shape[0]:
        return used
    for b in range(used):
        if levels[b] == FREE:
            return b
    return -1


@kernel
def push(histories, levels, slot, parent, n_history, event, level):
    """Enter a branch with its parent's history and one more reflection."""
    for i in range(n_history):
        histories[slot, 1 + i] = histories[parent, 1 + i]
    histories[slot, 1 + n_history] = event
    histories[slot, 0] = n_history + 1
    levels[slot] = level
