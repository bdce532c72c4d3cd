"""Beam tables: for every line, transmit times receive along the line, from traced beamlets.

A table row holds T * R over lateral offsets at one node of the line, relative to the two-way
reference time, and includes loss and the broadband mean over three frequencies (Gauss-Hermite,
exact to the fifth power of frequency). While a line's rays are at hand, the same beamlets give
the exact echo of every surface sample in its tube.
"""

from __future__ import annotations

import cmath
import math

import numpy as np
from numba import prange

from renderer.jit import kernel, parallel_kernel
from renderer.trace.beamlets import (
    FOCUS_CURVATURE,
    GHOST_RAY,
    GIVEN,
    N_BEAMLET,
    N_RAYS,
    SEGMENTS,
    SEGMENTS_GHOST,
    TAU,
    WAIST_MM,
    WEIGHT,
    add_row,
    aim_beamlets,
    beamlet_at,
    new_delays,
    row_reference,
    see_past,
    segment_at,
)
from renderer.trace.rays import (
    ALPHA,
    AMPLITUDE,
    BEND,
    DX,
    DZ,
    LENGTH,
    LOSS,
    MAX_SEGMENTS,
    N_COLUMNS,
    NX,
    NY,
    NZ,
    PLAIN,
    PX,
    PY,
    PZ,
    R_IMPEDANCE,
    R_SPEED,
    REGION,
    SPEED,
    SURFACE,
    TIME,
    C,
    D,
    fluid_reflection,
    start_region,
    start_segment,
    trace_ray,
)

# Places in the settings vector of the machine
(
    S_F0, S_SIGMA, S_ASSUMED, S_TX_F, S_RX_F, S_CHANNEL_HALF, S_FACE_HALF, S_RADIUS, S_PITCH, S_HEIGHT,
    S_LENS, S_APODISATION, S_REFRACT, S_ELEVATION, S_FLOOR, S_SAMPLE, S_LEAST_HALF, S_GHOSTS,
) = range(18)  # fmt: skip
N_SETTINGS = 18

# Columns of a node row
(
    N_S, N_TIME, N_U, N_SLOPE, N_HALF, N_DRIFT, N_SEEN, N_CX, N_CY, N_CZ, N_CTIME, N_GAIN, N_LOSS_RATIO,
    N_ALIVE, N_LOSS, N_LOSS_SLOPE, N_CENTRE,
) = range(17)  # fmt: skip
N_NODE = 17

# Columns of a surface sample
(Q_X, Q_Z, Q_NX, Q_NY, Q_NZ, Q_LENGTH, Q_SURFACE, Q_BEFORE, Q_AFTER, Q_RE, Q_IM, Q_STRENGTH, Q_REGION,
 Q_Y, Q_REFLECTION) = range(15)  # fmt: skip
N_SAMPLE = 15

TUBE_WIDTHS = 2.2  # half width of the tube, in wavelengths times F-number
ROOT3 = math.sqrt(3.0)
# Surfaces are taken from a wider tube than points, and fade out over half of it: a narrow edge that moves with
# the beam along a leaning sheet would itself echo.
SHEET_TUBE, SHEET_EDGE = 2.0, 0.5
OWN_MM = 12.0  # a crossing of the same surface this near is the one that a sample belongs to
BEFORE_MM = 1.0  # what blocks the way to a surface is looked for this far before it
NEAR_MM = 1.5  # a surface's plane parts what lies this close to where the ray crosses it
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


@kernel
def segment_before(seg, n, x, z, surface, before):
    """The segment of a ray that is valid at a surface sample, on the side the ray comes from."""
    rows = n + (1 if seg[n - 1, LENGTH] < 1e8 else 0)
    own, nearest = -1, OWN_MM**2
    for r in range(1, rows):  # the nearest crossing out of the same region is meant
        if int(seg[r, SURFACE]) == surface and int(seg[r - 1, REGION]) == before:
            off2 = (x - seg[r, PX]) ** 2 + (z - seg[r, PZ]) ** 2
            if off2 < nearest:
                own, nearest = r, off2
    for r in range(1, rows):
        if r == own:
            return r - 1
        gx, gz = x - seg[r, PX], z - seg[r, PZ]
        if gx * seg[r - 1, DX] + gz * seg[r - 1, DZ] < -NEAR_MM:
            return r - 1  # well before that surface, whatever side of its plane
        beyond = gx * seg[r, NX] + gz * seg[r, NZ] - seg[r, PY] * seg[r, NY]
        beyond -= 0.5 * seg[r, BEND] * max(gx * gx + gz * gz - beyond * beyond, 0.0)
        if beyond < 0.02:
            return r - 1
        if r >= n:
            return -1
    return n - 1


@kernel
def field_at(
    beamlets, segments, line, x, z, surface, before, n_elevation, f1, f2, f3, time_ref, loss_slope_ref, f0
):
    """Field of a row of beamlets at one point at three frequencies, phase relative to a time.

    Returns the three values, the summed strength, and the strength-weighted lateness of arrival (µs).
    """
    g1 = g2 = g3 = 0j
    weight = late = 0.0
    s = (x - line[0]) * line[2] + (z - line[1]) * line[3]
    here = (x - line[0]) * line[3] - (z - line[1]) * line[2]
    for j in range(beamlets.shape[0]):
        seg = segments[j, 0]
        n = int(beamlets[j, SEGMENTS])
        k = segment_before(seg, n, x, z, surface, before)
        given = -1.0
        if k >= 0 and surface >= 0 and int(seg[k, REGION]) != before:
            continue  # the ray has not come to the medium in front of the sample
        if k < 0 and beamlets[j, GIVEN] > 0.0 and beamlets[j, SEGMENTS_GHOST] > 0:
            # Stopped by another body farther up, not by the sample's own (whose primitives are neighbours)
            if surface >= 0 and abs(int(seg[n, SURFACE]) - surface) <= 1:
                continue
            end = (seg[n, PX] - line[0]) * line[2] + (seg[n, PZ] - line[1]) * line[3]
            if s - end < 1.5 * BEFORE_MM:
                continue
            given = beamlets[j, GIVEN] * math.exp(-BEFORE_MM * seg[0, ALPHA])
            seg = segments[j, GHOST_RAY]
            k = segment_at(seg, int(beamlets[j, SEGMENTS_GHOST]), line, s)
        if k < 0 or beamlets[j, WEIGHT] == 0.0:
            continue
        if seg[k, DX] * line[2] + seg[k, DZ] * line[3] < 0.1:
            continue
        u, slope, cosine, t, loss, loss_slope, a, b = beamlet_at(seg, k, line, s)
        fraction = beamlets[j, WEIGHT]
        own = abs(seg[k, AMPLITUDE]) * math.exp(-loss)
        if given >= 0.0:
            fraction *= min(given / max(own, 1e-12), 1.5)
        elif n_elevation > 1:  # what the outer elevation rays have lost on the way
            total = own
            for m in range(1, n_elevation):
                other = segments[j, m]
                i = segment_before(other, int(beamlets[j, SEGMENTS + m]), x, z, surface, before)
                if i >= 0 and (surface < 0 or int(other[i, REGION]) == before):
                    total += abs(other[i, AMPLITUDE]) * math.exp(-other[i, LOSS] - (loss - seg[k, LOSS]))
            fraction *= min(total / n_elevation / max(own, 1e-12), 1.5)
        v = (here - u) * cosine
        c = seg[k, SPEED]
        amplitude = fraction * seg[k, AMPLITUDE] * math.exp(-loss)
        waist = math.pi * beamlets[j, WAIST_MM] ** 2
        delay = t - beamlets[j, TAU] - time_ref + slope * (here - u) / c
        q0 = complex(beamlets[j, FOCUS_CURVATURE], -seg[0, SPEED] / (waist * f1))
        spread = a + b * q0
        bend = (seg[k, C] + seg[k, D] * q0) / spread
        edge = bend.imag * v * v * math.pi * f1 / c
        if edge < -14.0:
            continue
        for w in range(3):
            f = f1 if w == 0 else (f2 if w == 1 else f3)
            if w > 0:
                q0 = complex(beamlets[j, FOCUS_CURVATURE], -seg[0, SPEED] / (waist * f))
                spread = a + b * q0
                bend = (seg[k, C] + seg[k, D] * q0) / spread
            value = (
                amplitude * math.exp(-(loss_slope - loss_slope_ref) * (f - f0)) / cmath.sqrt(spread)
                * cmath.exp(-2j * math.pi * f * (delay + 0.5 * bend * v * v / c))
            )  # fmt: skip
            if w == 0:
                g1 += value
                size = abs(value)
                weight += size
                late += size * (delay + 0.5 * bend.real * v * v / c)
            elif w == 1:
                g2 += value
            else:
                g3 += value
    return g1, g2, g3, weight, late


@kernel
def mean_loss_slope(beamlets, segments, line, x, z, surface, before):
    """Strength-weighted loss slope of a row at a sample, in the medium in front of it, Np/MHz one way."""
    sw = sy = 0.0
    s = (x - line[0]) * line[2] + (z - line[1]) * line[3]
    for j in range(beamlets.shape[0]):
        seg = segments[j, 0]
        k = segment_before(seg, int(beamlets[j, SEGMENTS]), x, z, surface, before)
        if k < 0 or (surface >= 0 and int(seg[k, REGION]) != before):
            continue
        if seg[k, DX] * line[2] + seg[k, DZ] * line[3] < 0.1:
            continue
        _, _, _, _, loss, loss_slope, _, _ = beamlet_at(seg, k, line, s)
        w = abs(seg[k, AMPLITUDE]) * math.exp(-loss) * beamlets[j, WEIGHT]
        sw += w
        sy += w * loss_slope
    return sy / sw if sw > 0.0 else 0.0


@kernel
def sample_echo(
    sample, line, tx, tx_seg, rx, rx_seg, m, media, time_ref, n_elevation
):  # fmt: skip
    """Echo of one surface sample on one line: time, complex amplitude before the carrier
    (0 if none), and two-way loss slope."""
    f0, sigma = m[S_F0], m[S_SIGMA]
    x, z, surface = sample[Q_X], sample[Q_Z], int(sample[Q_SURFACE])
    strength = sample[Q_STRENGTH]
    before = -1
    if surface >= 0:
        cos_i = abs(line[2] * sample[Q_NX] + line[3] * sample[Q_NZ])
        before, after = int(sample[Q_BEFORE]), int(sample[Q_AFTER])
        # seen from the side that the sound comes from
        if line[2] * sample[Q_NX] + line[3] * sample[Q_NZ] < 0.0:
            before, after = after, before
        c2 = media[after, R_SPEED] if m[S_REFRACT] > 0 else media[before, R_SPEED]
        r, _ = fluid_reflection(
            media[before, R_IMPEDANCE], media[after, R_IMPEDANCE], media[before, R_SPEED], c2, cos_i
        )
        strength = r * cos_i * sample[Q_LENGTH] * sample[Q_STRENGTH]
    if strength == 0.0:
        return 0.0, 0j, 0.0
    slope_t = mean_loss_slope(tx, tx_seg, line, x, z, surface, before)
    slope_r = mean_loss_slope(rx, rx_seg, line, x, z, surface, before)
    centre, low, high = band(f0, sigma, slope_t + slope_r)
    t1, t2, t3, wt, lt = field_at(
        tx, tx_seg, line, x, z, surface, before, n_elevation, centre, low, high, 0.5 * time_ref, slope_t, f0
    )
    r1, r2, r3, wr, lr = field_at(
        rx, rx_seg, line, x, z, surface, before, n_elevation, centre, low, high, 0.5 * time_ref, slope_r, f0
    )
    if wt < 1e-9 or wr < 1e-9:
        return 0.0, 0j, 0.0
    late = lt / wt + lr / wr
    turn = 2j * math.pi * late
    value = (
        t1 * r1 * cmath.exp(turn * centre) * (2 / 3)
        + t2 * r2 * cmath.exp(turn * low) / 6
        + t3 * r3 * cmath.exp(turn * high) / 6
    )
    # field_at leaves the loss at f0 in the amplitudes; the rest of the band's level is added here
    rise = math.exp(band_rise(slope_t + slope_r, sigma, f0))
    return time_ref + late, value * strength * rise * complex(sample[Q_RE], sample[Q_IM]), slope_t + slope_r


@kernel
def central_ray(seg, line, solids, media, reach_mm, floor, refract, manner, work, flags):
    """The ray down the middle of the line."""
    region = start_region(solids, line[0], 0.0, line[1], line[2], 0.0, line[3])
    start_segment(seg, line[0], 0.0, line[1], line[2], 0.0, line[3], region, media)
    return trace_ray(seg, solids, media, reach_mm, floor, refract, manner, work, flags)


@kernel
def line_nodes(base_s, seg, n_seg, line, nodes, gap):
    """Distances of the nodes: the base ones, and a pair close to each crossing of the central ray."""
    n = 0
    limit = nodes.shape[0]
    k = 1
    last = n_seg + (1 if seg[n_seg - 1, LENGTH] < 1e8 else 0)
    for i in range(base_s.shape[0]):
        while k < last:
            s = (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3]
            if s > base_s[i] or n >= limit - 3:
                break
            if n > 0 and s - gap > nodes[n - 1, N_S]:
                nodes[n, N_S] = s - gap
                n += 1
            nodes[n, N_S] = s + gap
            n += 1
            k += 1
        if n < limit - 3 and (n == 0 or base_s[i] > nodes[n - 1, N_S] + gap):
            nodes[n, N_S] = base_s[i]
            n += 1
    return n


@kernel
def write_centre(node, seg, n_seg, line, s):
    """Where the central ray is at a node: region, place, two-way time; 65535 and NaN where it has ended."""
    k = segment_at(seg, n_seg, line, s)
    along = seg[k, DX] * line[2] + seg[k, DZ] * line[3]
    start = (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3]
    step = (s - start) / along if along > 0.05 else 1e9
    if step > seg[k, LENGTH] + 1e-6:
        node[N_SEEN] = 65535.0
        node[N_CX] = node[N_CY] = node[N_CZ] = node[N_CTIME] = node[N_CENTRE] = math.nan
        return
    node[N_SEEN] = seg[k, REGION]
    node[N_CX] = seg[k, PX] + step * seg[k, DX]
    node[N_CY] = seg[k, PY] + step * seg[k, 4]
    node[N_CZ] = seg[k, PZ] + step * seg[k, DZ]
    node[N_CTIME] = 2 * (seg[k, TIME] + step / seg[k, SPEED])
    node[N_CENTRE] = seg[k, AMPLITUDE] * math.exp(-seg[k, LOSS] - step * seg[k, 15])


@kernel
def plain_strength(beamlets, loss):
    """Sum of squared weights after a loss: what the row would have without anything in its way."""
    total = 0.0
    for j in range(beamlets.shape[0]):
        total += beamlets[j, WEIGHT] ** 2
    return total * math.exp(-2 * loss)


@kernel
def table_row(row, node, tx, tx_seg, rx, rx_seg, line, m, ref_t, ref_r, work_t, work_r, wide):
    """One row of a line's table, and its references into the node."""
    f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
    n_elevation = int(m[S_ELEVATION])
    s = node[N_S]
    time_ref = ref_t[3] + ref_r[3]
    node[N_TIME], node[N_U], node[N_SLOPE] = time_ref, ref_r[1], ref_t[4] + ref_r[4]
    x1 = ref_t[6] + ref_r[6]
    node[N_LOSS], node[N_LOSS_SLOPE] = ref_t[5] + ref_r[5], x1
    centre, low, high = band(f0, sigma, x1)
    half = wide
    node[N_HALF] = half
    n_u = row.shape[0]
    step_u = 2 * half / (n_u - 1)
    u_low = ref_r[1] - half
    for w in range(3):
        f = centre if w == 0 else (low if w == 1 else high)
        for i in range(n_u):
            work_t[i] = 0j
            work_r[i] = 0j
        add_row(work_t, tx, tx_seg, line, s, n_elevation, u_low, step_u, f, ref_t[3], ref_t[4], ref_r[1],
                ref_t[5], ref_t[6], f0)  # fmt: skip
        add_row(work_r, rx, rx_seg, line, s, n_elevation, u_low, step_u, f, ref_r[3], ref_r[4], ref_r[1],
                ref_r[5], ref_r[6], f0)  # fmt: skip
        share = 2 / 3 if w == 0 else 1 / 6
        for i in range(n_u):
            v = -half + i * step_u
            sag = 2 * (math.sqrt(s * s + v * v) - s) / assumed
            row[i] += share * work_t[i] * work_r[i] * cmath.exp(2j * math.pi * f * sag)
    level = band_level(node[N_LOSS], x1, sigma, f0)
    gain = 0.0
    for i in range(n_u):
        # Fade out at the rim of the tube, so that strong targets do not end there with a step
        edge = min(1.0, (0.5 - abs(i / (n_u - 1) - 0.5)) / 0.12)
        row[i] *= level * math.sin(0.5 * math.pi * edge)
        gain += (row[i].real ** 2 + row[i].imag ** 2) * step_u
    node[N_GAIN] = gain


@kernel
def time_in_front(centre, n, line, surface, s, otherwise):
    """Two-way time to a distance, as if the medium in front of a surface went on behind it.

    For samples of a leaning surface that lie deeper than where the central ray met it.
    """
    rows = n + (1 if centre[n - 1, LENGTH] < 1e8 else 0)
    for r in range(rows - 1, 0, -1):
        if int(centre[r, SURFACE]) == surface:
            start = (centre[r, PX] - line[0]) * line[2] + (centre[r, PZ] - line[1]) * line[3]
            if start < s:
                return 2 * (centre[r, TIME] + (s - start) / centre[r - 1, SPEED])
    return otherwise


@kernel
def samples_near(samples, line, m):
    """Indices of the surface samples that a line's tube may reach, by distance along the line, and that distance."""
    n = samples.shape[0]
    wavelength = m[S_ASSUMED] / m[S_F0]
    index, along = np.empty(n, np.int64), np.empty(n)
    count = 0
    for q in range(n):
        gx, gz = samples[q, Q_X] - line[0], samples[q, Q_Z] - line[1]
        s = gx * line[2] + gz * line[3]
        off = gx * line[3] - gz * line[2]
        limit = 3 * TUBE_WIDTHS * wavelength * max(m[S_RX_F], s / (2 * m[S_CHANNEL_HALF])) + 0.1 * s
        if s > 0.0 and abs(off) < limit:
            index[count], along[count] = q, s
            count += 1
    order = np.argsort(along[:count])
    return index[:count][order], along[:count][order]


@parallel_kernel
def trace_lines(
    lines, face_mm, focus_mm, focus_edges, base_s, end_us, m, solids, media, samples, beamlet_counts,
    nodes, n_nodes, tables, surface_iq, surface_best, surface_index,
):  # fmt: skip
    """Trace every line: fill its nodes and table, and deposit the echoes of the surface samples.

    Parameters
    ----------
    lines : (L, 4) origin x, z and direction x, z; face_mm : (L,)
    base_s : (N0,) node distances, mm; end_us : last two-way time wanted
    m : (N_SETTINGS,) machine settings; solids, media : packed phantom
    samples : (Q, N_SAMPLE) surface samples
    nodes : (L, N, N_NODE), n_nodes : (L,), tables : (L, N, U) complex64 -- filled
    surface_iq : (L, 2 T') float32, surface_best : (L, T') float32, surface_index : (L, T') int32 -- added to
    """
    n_lines = lines.shape[0]
    n_tx, n_rx = beamlet_counts
    n_focus = focus_mm.shape[0]
    n_u = tables.shape[2]
    n_solids = solids[0].shape[0]
    for l in prange(n_lines):
        line = lines[l]
        work = np.empty((n_solids * 8 + 48, 2))
        flags = np.empty(n_solids, np.uint8)
        centre = np.zeros((MAX_SEGMENTS, N_COLUMNS))
        tx = np.zeros((n_focus, n_tx, N_BEAMLET))
        tx_seg = np.zeros((n_focus, n_tx, N_RAYS, MAX_SEGMENTS, N_COLUMNS))
        rx = np.zeros((n_rx, N_BEAMLET))
        rx_seg = np.zeros((n_rx, N_RAYS, MAX_SEGMENTS, N_COLUMNS))
        ref_t, ref_r = np.zeros(8), np.zeros(8)
        work_t, work_r = np.zeros(n_u, np.complex128), np.zeros(n_u, np.complex128)
        row = np.zeros(n_u, np.complex128)
        f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
        wavelength = assumed / f0
        refract = m[S_REFRACT] > 0
        n_elevation = int(m[S_ELEVATION])
        ghosts = m[S_GHOSTS] > 0
        reach = base_s[base_s.shape[0] - 1] * 1.3
        # Aim the transmit beamlets, and lay the nodes
        n_seg = central_ray(centre, line, solids, media, reach, m[S_FLOOR], refract, PLAIN, work, flags)
        for f in range(n_focus):
            half = max(min(0.5 * focus_mm[f] / m[S_TX_F], m[S_CHANNEL_HALF]), m[S_LEAST_HALF])
            aim_beamlets(
                tx[f], tx_seg[f], line, face_mm[l], half, m[S_FACE_HALF], m[S_RADIUS], focus_mm[f], 0, assumed,
                m[S_PITCH], wavelength, m[S_HEIGHT], m[S_LENS], n_elevation, solids, media, reach, m[S_FLOOR],
                refract, ghosts, work, flags,
            )  # fmt: skip
        count = line_nodes(base_s, centre, n_seg, line, nodes[l], 1e-3)
        zone_end = -1.0
        time = 0.0
        drift = 0.0
        previous_shift = 0.0
        done = 0
        rx_half = m[S_LEAST_HALF]
        mine, place = samples_near(samples, line, m)
        next_sample = 0
        for i in range(count):
            node = nodes[l, i]
            s = node[N_S]
            write_centre(node, centre, n_seg, line, s)
            # A new receive zone: aim at its middle; within it only the delays follow
            if s > zone_end:
                zone_end = max(1.16 * s, s + 0.8)
                depth = 0.5 * (max(s, 0.5) + zone_end)
                rx_half = max(min(0.5 * depth / m[S_RX_F], m[S_CHANNEL_HALF]), m[S_LEAST_HALF])
                aim_beamlets(
                    rx, rx_seg, line, face_mm[l], rx_half, m[S_FACE_HALF], m[S_RADIUS], depth,
                    int(m[S_APODISATION]), assumed, m[S_PITCH], wavelength, m[S_HEIGHT], m[S_LENS],
                    n_elevation, solids, media, reach, m[S_FLOOR], refract, False & ghosts, work, flags,
                )  # fmt: skip
            step = s - nodes[l, i - 1, N_S] if i > 0 else s
            guess = 0.5 * assumed * (time + 2 * step / assumed)
            if not math.isnan(node[N_CTIME]):
                guess = 0.5 * assumed * node[N_CTIME]
            new_delays(rx, line, m[S_RADIUS], max(guess, 0.3), assumed)
            f = 0
            while f < n_focus - 1 and guess >= focus_edges[f + 1]:
                f += 1
            if ghosts:
                see_past(tx[f], rx, rx_seg, line, s, n_elevation)
            ok_t = row_reference(tx[f], tx_seg[f], line, s, n_elevation, ref_t)
            ok_r = row_reference(rx, rx_seg, line, s, n_elevation, ref_r)
            narrow = TUBE_WIDTHS * wavelength * max(m[S_RX_F], s / (2 * m[S_CHANNEL_HALF]))
            # Beams that refraction has driven apart need a wider tube
            expected = abs(1 - s / max(guess, 0.3)) * rx_half
            narrow += 2.0 * max(0.0, ref_r[2] - expected - 0.3 * wavelength) if ok_r else 0.0
            node[N_HALF] = narrow
            node[N_ALIVE] = 0.0
            if ok_t and ok_r:
                for q in range(n_u):
                    row[q] = 0j
                table_row(
                    row, node, tx[f], tx_seg[f], rx, rx_seg, line, m, ref_t, ref_r, work_t, work_r, narrow
                )
                for q in range(n_u):
                    tables[l, i, q] = row[q]
                node[N_ALIVE] = 1.0
                plain_loss = media[0, 2] * s
                node[N_LOSS_RATIO] = (
                    ref_t[7]
                    * ref_r[7]
                    / max(plain_strength(tx[f], plain_loss) * plain_strength(rx, plain_loss), 1e-300)
                )
                shift = (ref_t[6] + ref_r[6]) * sigma * sigma
                shift = min(shift, (1 - LOWEST_BAND) * f0)
            else:
                node[N_TIME] = time + 2 * step / assumed
                node[N_U] = nodes[l, i - 1, N_U] if i > 0 else 0.0
                node[N_SLOPE] = 0.0
                node[N_LOSS_RATIO] = 0.0
                node[N_GAIN] = 0.0
                shift = previous_shift
            if node[N_TIME] < time:  # arrival may not run backwards along the line
                node[N_TIME] = time
            drift += 2 * math.pi * 0.5 * (shift + previous_shift) * (node[N_TIME] - time)
            previous_shift = shift
            time = node[N_TIME]
            node[N_DRIFT] = drift
            done = i + 1
            # Surface samples between the last node and this one
            if i > 0:
                s_from, s_to = nodes[l, i - 1, N_S], s
                tube = SHEET_TUBE * max(nodes[l, i - 1, N_HALF], narrow)
                while next_sample < mine.shape[0] and place[next_sample] <= s_to:
                    q = mine[next_sample]
                    w = (place[next_sample] - s_from) / (s_to - s_from)
                    next_sample += 1
                    gx, gz = samples[q, Q_X] - line[0], samples[q, Q_Z] - line[1]
                    off = gx * line[3] - gz * line[2] - node[N_U]
                    if abs(off) > tube or w < 0.0:
                        continue
                    time_ref = (1 - w) * nodes[l, i - 1, N_TIME] + w * node[N_TIME]
                    time_ref = time_in_front(centre, n_seg, line, int(samples[q, Q_SURFACE]), place[next_sample - 1],
                                             time_ref)  # fmt: skip
                    if ghosts:  # what is in the way of the sample, not the sample's own surface
                        see_past(
                            tx[f], rx, rx_seg, line, max(place[next_sample - 1] - BEFORE_MM, 0.0), n_elevation
                        )
                    new_delays(rx, line, m[S_RADIUS], max(0.5 * assumed * time_ref, 0.3), assumed)
                    t, value, loss_slope = sample_echo(samples[q], line, tx[f], tx_seg[f], rx, rx_seg, m, media, time_ref,
                                           n_elevation)  # fmt: skip
                    if value == 0j:
                        continue
                    edge = min(1.0, (1.0 - abs(off) / tube) / SHEET_EDGE)
                    value *= math.sin(0.5 * math.pi * edge)
                    # The carrier's drift over the sample's own way, which lies in front of its surface
                    phase = math.pi * t * min(loss_slope * sigma * sigma, (1 - LOWEST_BAND) * f0)
                    value *= cmath.exp(1j * (phase - 2 * math.pi * f0 * t))
                    deposit(surface_iq[l], t, m[S_SAMPLE], value.real, value.imag)
                    slot = int(t / m[S_SAMPLE])
                    if 0 <= slot < surface_best.shape[1] and abs(value) > surface_best[l, slot]:
                        surface_best[l, slot] = abs(value)
                        surface_index[l, slot] = q
            if time > end_us:
                break
        n_nodes[l] = done
