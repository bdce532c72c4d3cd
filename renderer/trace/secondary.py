"""Echoes of secondary paths: reverberation, mirror images, multipath, and echoes of the pulse before.

Scatterers along a *leg* (a straight piece of a branch) are seen again. Going out and coming home by
the same branch gives T_b R_b; out directly and home by the branch, and the reverse, give
T_d R_b + T_b R_d, which makes most of the haze over a fluid. Both use every third scatterer.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from renderer.jit import kernel, row_kernel
from renderer.tissue.outlines import MAX_HITS
from renderer.tissue.scatterers import THIN_BELOW
from renderer.trace.bands import (
    S_APODISATION,
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_F0,
    S_FACE_HALF,
    S_FLOOR,
    S_LEAST_HALF,
    S_PITCH,
    S_RADIUS,
    S_REFRACT,
    S_RX_F,
    S_SAMPLE,
    S_SIGMA,
    S_TX_F,
    TUBE_WIDTHS,
    band,
    band_level,
    deposit,
    four_powers,
    point_mean,
)
from renderer.trace.beamlets import segment_at
from renderer.trace.branches import (
    COUPLED,
    G_CLASS,
    G_CROSS,
    G_LENGTH,
    G_MODE,
    G_ORDER,
    G_SHEETS,
    G_VIA,
    LEG_RETRACED,
    MAX_BRANCHES,
    MAX_ECHOES,
    MAX_HISTORY,
    MAX_LEGS,
    N_LEG,
    RANGE_AMBIGUITY,
    find_branches,
    focus_for,
    whole_widths,
)
from renderer.trace.elevation import elevation_at
from renderer.trace.gather import CHUNK, F, bin_box, first_pass
from renderer.trace.lines import central_ray
from renderer.trace.paraxial import aperture_limits, paraxial_row, path_height
from renderer.trace.rays import (
    ALPHA,
    ALPHA_SLOPE,
    AMPLITUDE,
    AY,
    BY,
    CY,
    DX,
    DYY,
    DZ,
    LENGTH,
    LOSS,
    LOSS_SLOPE,
    MAX_SEGMENTS,
    N_COLUMNS,
    PATH,
    PX,
    PY,
    PZ,
    REGION,
    SPEED,
    TIME,
    WHOLE_BEAM,
    A,
    B,
    C,
    D,
)
from renderer.trace.sheets import (
    Q_ARC,
    Q_IM,
    Q_LENGTH,
    Q_NX,
    Q_NZ,
    Q_RE,
    Q_REFLECTION,
    Q_STRENGTH,
    Q_SURFACE,
    Q_X,
    Q_Y,
    Q_Z,
)

LEG_OFFSETS = 28
LEG_BEAMLETS = 11
MAX_LEG_NODES = 64
N_HEIGHTS_LEG = 65
THIN_GAIN = math.sqrt(256 / THIN_BELOW)
RETRACED, CROSSED = 0, 1
# What a sample's strongest contribution is: a point p (>= 0), a surface sample q (-1 - q), or a specular
# path that ends on region g (SPECULAR - g)
SPECULAR = -100_000_000


@kernel
def step_row(out, row, step):
    """State of a ray a distance further along its segment, into out."""
    for q in range(N_COLUMNS):
        out[q] = row[q]
    for q in range(3):
        out[PX + q] += step * row[DX + q]
    out[TIME] += step / row[SPEED]
    out[LOSS] += step * row[ALPHA]
    out[LOSS_SLOPE] += step * row[ALPHA_SLOPE]
    out[PATH] += step
    out[A] += step * row[C]
    out[B] += step * row[D]
    out[AY] += step * row[CY]
    out[BY] += step * row[DYY]


@kernel
def path_beam(out, state, u_low, step_u, shift, receiver, depth, face_mm, m, focus, centre, step_f, c_start):
    """One-way field of the line's transmit or receive aperture at a state of a path, into out (4, U)."""
    number = m[S_RX_F] if receiver > 0.0 else m[S_TX_F]
    aim = depth if receiver > 0.0 else focus
    half = max(min(0.5 * aim / number, m[S_CHANNEL_HALF]), m[S_LEAST_HALF])
    low, high = aperture_limits(half, face_mm, m[S_FACE_HALF])
    paraxial_row(
        out, u_low, step_u, shift, state[A], state[B], state[C], state[D], state[SPEED], c_start, low, high, half, aim,
        int(m[S_APODISATION]) if receiver > 0.0 else 0, centre, step_f, m[S_ASSUMED], LEG_BEAMLETS, m[S_REFRACT] > 0,
        m[S_PITCH] * m[S_F0] / m[S_ASSUMED],
    )  # fmt: skip


@kernel
def leg_table(
    table, node, mode, state, partner, lateral, face_mm, m, focus_mm, focus_edges, delay_us, c_start, work,
):  # fmt: skip
    """One table row of a leg, and its node: half width, two-way time, reference curvature, level.

    ``state`` is the branch's ray; ``partner`` the direct ray at the same place (mode CROSSED), or the
    same (RETRACED). ``lateral`` shifts the partner's offsets. ``delay_us`` is taken off the display
    time (echoes of the pulse before). ``work`` (4, 4, U) is scratch.
    """
    f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
    t = state[TIME] + partner[TIME]
    depth = max(0.5 * assumed * (t - delay_us), 0.5)
    focus = focus_for(depth, focus_mm, focus_edges)
    reach = max(state[PATH], 0.5)
    slope = state[LOSS_SLOPE] + partner[LOSS_SLOPE]
    centre, step_f = band(f0, sigma, slope)
    wavelength = state[SPEED] / f0
    receive_f = max(m[S_RX_F], 0.5 * depth / m[S_CHANNEL_HALF])
    half = TUBE_WIDTHS * wavelength * max(receive_f, reach / (2 * m[S_CHANNEL_HALF]))
    # A receiver focused elsewhere looks wider
    half += min(abs(1 - reach / depth) * 0.5 * depth / receive_f, 0.15 * reach)
    n_u = table.shape[0]
    step_u = 2 * half / (n_u - 1)
    bend = 0.5 * (1 / reach + 1 / max(partner[PATH], 0.5))
    out, back, crossed_out, crossed_back = work[0], work[1], work[2], work[3]
    path_beam(out, state, -half, step_u, 0.0, 0.0, depth, face_mm, m, focus, centre, step_f, c_start)
    path_beam(back, partner, -half, step_u, lateral, 1.0, depth, face_mm, m, focus, centre, step_f, c_start)
    if mode == CROSSED:
        path_beam(
            crossed_out,
            partner,
            -half,
            step_u,
            lateral,
            0.0,
            depth,
            face_mm,
            m,
            focus,
            centre,
            step_f,
            c_start,
        )
        path_beam(
            crossed_back, state, -half, step_u, 0.0, 1.0, depth, face_mm, m, focus, centre, step_f, c_start
        )
    level = band_level(state[LOSS] + partner[LOSS], slope, sigma, f0) * state[AMPLITUDE] * partner[AMPLITUDE]
    for i in range(n_u):
        u = -half + i * step_u
        # Both ways relative to the phase of the reference curvature
        c1, c2, c3, c4 = four_powers(2j * math.pi * bend * u * u / state[SPEED], centre, step_f)
        a1, a2 = out[0, i] * back[0, i], out[1, i] * back[1, i]
        a3, a4 = out[2, i] * back[2, i], out[3, i] * back[3, i]
        if mode == CROSSED:
            a1 += crossed_out[0, i] * crossed_back[0, i]
            a2 += crossed_out[1, i] * crossed_back[1, i]
            a3 += crossed_out[2, i] * crossed_back[2, i]
            a4 += crossed_out[3, i] * crossed_back[3, i]
        edge = min(1.0, (0.5 - abs(i / (n_u - 1) - 0.5)) / 0.12)
        mean = point_mean(a1 * c1, a2 * c2, a3 * c3, a4 * c4, centre, step_f)
        table[i] = level * math.sin(0.5 * math.pi * edge) * mean
    node[0], node[1], node[2], node[3] = half, t - delay_us, bend, depth


@kernel
def across_row(out, place, state, partner, elevation):
    """Two-way elevation field of a leg at a node, at even heights, into out (N_HEIGHTS_LEG,) complex64.

    ``place``: middle and half of the heights that it covers, and the mean equivalent distance of the ways, mm.
    """
    table, speckle, _, _, log_start, log_step, reach = elevation
    s, a = path_height(state[AY], state[BY])
    d, b = path_height(partner[AY], partner[BY])
    same = s == d and a == b
    row = min(max((math.log(s) - log_start) / log_step, 0.0), reach.shape[0] - 1.001)
    place[0], place[1], place[2] = state[PY], reach[int(row) + 1] * abs(a), 0.5 * (s + d)
    scale = 1.0 / math.sqrt(abs(a * b))
    for i in range(N_HEIGHTS_LEG):
        y = place[0] + place[1] * (2.0 * i / (N_HEIGHTS_LEG - 1) - 1.0)
        if same:  # home the same way: the mean over the band, as for the direct picture
            out[i] = scale * elevation_at(speckle, log_start, log_step, reach, s, (y - state[PY]) / a)
            continue
        e = elevation_at(table, log_start, log_step, reach, s, (y - state[PY]) / a)
        out[i] = scale * e * elevation_at(table, log_start, log_step, reach, d, (y - partner[PY]) / b)


@kernel
def weigh_run(px, pz, py, amplitude, n, gain, q, length, places, across, re, im):
    """Amplitudes of a run of points with the elevation fields of both ways, between two nodes of a leg."""
    for i in range(n):
        re[i] = F(0.0)
        im[i] = F(0.0)
        w = ((px[i] - q[0]) * q[2] + (pz[i] - q[1]) * q[3]) / length
        if w < F(0.0) or w > F(1.0):
            continue
        middle = (F(1.0) - w) * places[0, 0] + w * places[1, 0]
        half = (F(1.0) - w) * places[0, 1] + w * places[1, 1]
        column = ((py[i] - middle) / half + F(1.0)) * F(0.5 * (N_HEIGHTS_LEG - 1))
        if column < F(0.0) or column >= F(N_HEIGHTS_LEG - 1):
            continue
        j = int(column)
        v = column - F(j)
        low = across[0, j] + (across[0, j + 1] - across[0, j]) * v
        high = across[1, j] + (across[1, j + 1] - across[1, j]) * v
        e = (low + (high - low) * w) * (amplitude[i] * gain)
        re[i], im[i] = e.real, e.imag


@kernel
def deposit_run(n, base, g, fs, pr, pi, m, w, low, high, row, best, best_tag, best_index, tag):
    """Second pass for secondary paths: one class, with a tag for the strongest contribution."""
    top = low.shape[0] - 2
    scale = F((low.shape[0] - 1) / 2)
    n_slots = best.shape[0]
    for i in range(n):
        if pr[i] == F(0.0) and pi[i] == F(0.0):
            continue
        place = g[i] * scale
        j = min(int(place), top)
        v = place - F(j)
        a = low[j] + (low[j + 1] - low[j]) * v
        b = high[j] + (high[j + 1] - high[j]) * v
        c = a + (b - a) * fs[i]
        re = c.real * pr[i] - c.imag * pi[i]
        im = c.real * pi[i] + c.imag * pr[i]
        slot = m[i]
        if slot < 0 or slot + 1 >= n_slots:
            continue
        x = w[i]
        row[2 * slot] += (F(1.0) - x) * re
        row[2 * slot + 1] += (F(1.0) - x) * im
        row[2 * slot + 2] += x * re
        row[2 * slot + 3] += x * im
        size = re * re + im * im
        if size > best[slot]:
            best[slot] = size
            best_tag[slot] = tag
            best_index[slot] = base + i


@kernel
def strip_at(strip, log_start, log_step, s):
    """Elevation integral of a level strip at a distance, from its table by log distance."""
    row = min(max((math.log(max(s, 1e-3)) - log_start) / log_step, 0.0), strip.shape[0] - 1.001)
    i = int(row)
    return strip[i] + (strip[i + 1] - strip[i]) * (row - i)


@kernel
def across_at(sample, distance, elevation, waves_per_mm):
    """Two-way elevation factor of a point reflector at the equivalent distance of a path, not at its own depth."""
    _, _, two_way, strip, log_start, log_step, reach = elevation
    if sample[Q_LENGTH] > 0.0:
        own = complex(sample[Q_RE], sample[Q_IM])
        there = strip_at(strip, log_start, log_step, sample[Q_ARC])
        return own * strip_at(strip, log_start, log_step, distance) / there
    e = elevation_at(two_way, log_start, log_step, reach, distance, sample[Q_Y])
    return e * cmath.exp(-2j * math.pi * waves_per_mm * sample[Q_Y] ** 2 / distance)


@kernel
def leg_samples(
    samples, first_point, only_points, line, span, tables, half, time, bend, heights, elevation, m, state, row, best, best_tag,
    best_index, tag,
):  # fmt: skip
    """Point reflectors (and, for the pulse before, surface samples) between two nodes of a leg.

    The point reflectors are the last of the samples, from ``first_point`` on.
    """
    s0, s1 = span
    n_u = tables.shape[1]
    f0 = m[S_F0]
    for k in range(first_point if only_points else 0, samples.shape[0]):
        sample = samples[k]
        gx, gz = sample[Q_X] - line[0], sample[Q_Z] - line[1]
        s = gx * line[2] + gz * line[3]
        if s < s0 or s >= s1:
            continue
        w = (s - s0) / (s1 - s0)
        u = gx * line[3] - gz * line[2]
        h = (1 - w) * half[0] + w * half[1]
        if abs(u) >= h:
            continue
        strength = sample[Q_STRENGTH]
        if sample[Q_SURFACE] >= 0:
            cos_i = line[2] * sample[Q_NX] + line[3] * sample[Q_NZ]
            strength *= cos_i * sample[Q_LENGTH] * sample[Q_REFLECTION]
        place = (u / h + 1) * 0.5 * (n_u - 1)
        j = min(int(place), n_u - 2)
        v = place - j
        a = tables[0, j] + (tables[0, j + 1] - tables[0, j]) * v
        b = tables[1, j] + (tables[1, j + 1] - tables[1, j]) * v
        value = (a + (b - a) * w) * strength
        if sample[Q_SURFACE] >= 0:
            value *= complex(sample[Q_RE], sample[Q_IM])
        else:
            value *= across_at(
                sample, (1 - w) * heights[0, 2] + w * heights[1, 2], elevation, f0 / state[SPEED]
            )
        t = (1 - w) * time[0] + w * time[1] + ((1 - w) * bend[0] + w * bend[1]) * u * u / state[SPEED]
        value *= cmath.exp(-2j * math.pi * f0 * t)
        deposit(row, t, m[S_SAMPLE], value.real, value.imag)
        slot = int(t / m[S_SAMPLE])
        size = abs(value) ** 2
        if 0 <= slot < best.shape[0] and size > best[slot]:
            best[slot] = size
            best_tag[slot] = tag
            best_index[slot] = -1 - k


@kernel
def walk_leg(
    leg, info, centre, n_centre, line, lateral_start, lateral_slope, face_mm, m, focus_mm, focus_edges, c_start,
    delay_us, end_us, points, starts, grid, samples, elevation, scale, row, best, best_tag, best_index,
):  # fmt: skip
    """All echoes of one leg in one mode (``info``), added to a row of the fine grid."""
    mode, only_points = int(info[G_MODE]), info[G_SHEETS] == 0.0
    first_point = samples.shape[0]
    while first_point > 0 and samples[first_point - 1, Q_SURFACE] < 0:
        first_point -= 1
    tag = int(info[G_VIA]) * 256 + int(info[G_ORDER])
    px, py, pz, amplitude = points
    radius, f0 = m[S_RADIUS], m[S_F0]
    n_rows, n_columns = int(grid[4]), int(grid[5])
    own = np.empty(4)
    flat = math.sqrt(leg[DX] ** 2 + leg[DZ] ** 2)
    own[0], own[1], own[2], own[3] = leg[PX], leg[PZ], leg[DX] / flat, leg[DZ] / flat
    state = np.zeros((2, N_COLUMNS))
    partner = np.zeros((2, N_COLUMNS))
    rows = np.zeros((2, LEG_OFFSETS), np.complex64)
    node = np.zeros((2, 4))
    beams = np.zeros((4, 4, LEG_OFFSETS), np.complex128)
    across, heights = np.zeros((2, N_HEIGHTS_LEG), np.complex64), np.zeros((2, 3), np.float32)
    gain = F(scale * THIN_GAIN)
    g, fs, pr, pi, w = (
        np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32),
        np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32),
    )  # fmt: skip
    re, im = np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32)
    slots = np.empty(CHUNK, np.int32)
    q = np.empty(20, np.float32)
    s, before = 0.0, -1.0
    for count in range(MAX_LEG_NODES):
        state[0], state[1] = state[1].copy(), state[0].copy()
        partner[0], partner[1] = partner[1].copy(), partner[0].copy()
        rows[0], node[0], across[0], heights[0] = rows[1], node[1], across[1], heights[1]
        step_row(state[1], leg, s)
        lateral = lateral_start + lateral_slope * state[1, PATH]
        if mode == CROSSED:
            along = (state[1, PX] - line[0]) * line[2] + (state[1, PZ] - line[1]) * line[3]
            k = segment_at(centre, n_centre, line, along)
            d_along = centre[k, DX] * line[2] + centre[k, DZ] * line[3]
            start = (centre[k, PX] - line[0]) * line[2] + (centre[k, PZ] - line[1]) * line[3]
            step = (along - start) / max(d_along, 0.1)
            if step > centre[k, LENGTH]:
                return
            step_row(partner[1], centre[k], step)
            lateral = (partner[1, PX] - state[1, PX]) * own[3] - (partner[1, PZ] - state[1, PZ]) * own[2]
        else:
            for c in range(N_COLUMNS):
                partner[1, c] = state[1, c]
        leg_table(rows[1], node[1], mode, state[1], partner[1], lateral, face_mm, m, focus_mm, focus_edges, delay_us,
                  c_start, beams)  # fmt: skip
        across_row(across[1], heights[1], state[1], partner[1], elevation)
        if count > 0:
            length = s - before
            q[0], q[1] = state[0, PX], state[0, PZ]
            q[2], q[3] = own[2], own[3]
            q[4], q[5] = 0.0, 1.0 / length
            q[6] = q[7] = 0.0
            q[8], q[9] = node[0, 0], node[1, 0] - node[0, 0]
            bend = 0.5 * (node[0, 2] + node[1, 2])
            q[10], q[11] = node[0, 1], node[1, 1] - node[0, 1]
            q[12] = q[13] = 0.0
            q[14], q[15] = 2.0 / leg[SPEED], f0
            q[16] = q[17] = 0.0
            q[18] = 1.0 / m[S_SAMPLE]
            q[19] = 1.0 / bend
            half = max(node[0, 0], node[1, 0])
            own[0], own[1] = state[0, PX], state[0, PZ]
            d0, d1, p0, p1 = bin_box(own, 0.0, length, 0.0, 0.0, half, radius)
            r0 = max(int(math.floor((d0 - grid[0]) / grid[1])), 0)
            r1 = min(int(math.floor((d1 - grid[0]) / grid[1])), n_rows - 1)
            c0 = max(int(math.floor((p0 - grid[2]) / grid[3])), 0)
            c1 = min(int(math.floor((p1 - grid[2]) / grid[3])), n_columns - 1)
            for r in range(r0, r1 + 1):
                if c1 < c0:
                    break
                first, last = starts[r * n_columns + c0], starts[r * n_columns + c1 + 1]
                while first < last:
                    n = min(CHUNK, last - first)
                    end = first + n
                    weigh_run(px[first:end], pz[first:end], py[first:end], amplitude[first:end], n, gain, q, F(length),
                              heights, across, re, im)  # fmt: skip
                    first_pass(
                        px[first:end], pz[first:end], py[first:end], re, im, n, q, g, fs, pr, pi, slots, w
                    )
                    deposit_run(n, first, g, fs, pr, pi, slots, w, rows[0], rows[1], row, best, best_tag, best_index,
                                tag)  # fmt: skip
                    first = end
            leg_samples(samples, first_point, only_points, own, (0.0, length), rows, (node[0, 0], node[1, 0]),
                        (node[0, 1], node[1, 1]), (node[0, 2], node[1, 2]), heights, elevation, m, leg, row, best,
                        best_tag, best_index, tag)  # fmt: skip
        if s >= info[G_LENGTH] or node[1, 1] > end_us:
            return
        before = s
        s = min(s + max(1.0, state[1, PATH] / 14), info[G_LENGTH])


@kernel
def deposit_specular(echo, arrivals, region_of, m, interval_us, end_us, out):
    """Deposit one specular echo; later than the pulse interval it shows with the next pulse."""
    fine, best, best_tag, best_index = out
    t, kind = echo[0], int(echo[3])
    value = complex(echo[1], echo[2]) * cmath.exp(-2j * math.pi * m[S_F0] * t)
    if t >= interval_us:
        t -= interval_us
        kind = RANGE_AMBIGUITY
        echo[3] = kind
    if t > end_us:
        return
    for i in range(COUPLED):
        own = arrivals[i, 0]
        part = complex(arrivals[i, 1], arrivals[i, 2]) * cmath.exp(-2j * math.pi * m[S_F0] * own)
        deposit(fine[kind], own - (echo[0] - t), m[S_SAMPLE], part.real, part.imag)
    slot = int(t / m[S_SAMPLE])
    if slot < best.shape[1] and abs(value) ** 2 > best[kind, slot]:
        best[kind, slot] = abs(value) ** 2
        best_tag[kind, slot] = region_of[int(echo[6])] * 256 + int(echo[4])
        best_index[kind, slot] = SPECULAR - region_of[int(echo[6 + int(echo[5]) - 1])]


@kernel
def echo_legs(legs, info, n_legs, centre, n_centre, line, face_mm, machine, media, end_us, heard, out):
    """Scatterers and points along the legs, seen again by one way or two."""
    m, focus_mm, focus_edges = machine
    points, starts, grid, samples, elevation, scale = heard
    fine, best, best_tag, best_index = out
    for k in range(n_legs):
        if media[int(legs[k, REGION]), 4] <= 0.0 and samples.shape[0] == 0:
            continue
        kind = int(info[k, G_CLASS])
        for mode in range(2):
            info[k, G_MODE] = mode
            wanted = abs(legs[k, AMPLITUDE]) > LEG_RETRACED if mode == RETRACED else info[k, G_CROSS] > 0.0
            if wanted:
                walk_leg(legs[k], info[k], centre, n_centre, line, 0.0, 0.0, face_mm, m, focus_mm, focus_edges,
                         centre[0, SPEED], 0.0, end_us, points, starts, grid, samples, elevation, scale, fine[kind],
                         best[kind], best_tag[kind], best_index[kind])  # fmt: skip


@kernel
def echo_late(leg, info, centre, n_centre, line, face_mm, following, reach, machine, times, heard, out):
    """What answers after the next pulse has gone out, along the central ray; the next line listens."""
    m, focus_mm, focus_edges = machine
    end_us, interval_us, listen_us = times
    points, starts, grid, samples, elevation, scale = heard
    fine, best, best_tag, best_index = out
    next_line, next_mm = following
    lateral_start = next_mm - face_mm
    # Sine of the angle between the two lines
    lateral_slope = next_line[2] * line[3] - next_line[3] * line[2]
    last_us = min(end_us, listen_us - interval_us)
    late = RANGE_AMBIGUITY
    for k in range(n_centre):
        leave = min(centre[k, LENGTH], reach - centre[k, PATH])
        t0 = 2 * centre[k, TIME]
        if t0 + 2 * leave / centre[k, SPEED] <= interval_us:
            continue
        skip = max(0.0, 0.5 * (interval_us - t0) * centre[k, SPEED])
        step_row(leg, centre[k], skip)
        info[:] = 0.0
        info[G_LENGTH], info[G_SHEETS] = leave - skip, 1.0
        walk_leg(leg, info, centre, n_centre, line, lateral_start, lateral_slope, face_mm, m, focus_mm, focus_edges,
                 centre[0, SPEED], interval_us, last_us, points, starts, grid, samples, elevation, scale, fine[late],
                 best[late], best_tag[late], best_index[late])  # fmt: skip


@kernel
def secondary_line(
    line, face_mm, following, machine, phantom, region_of, times, face_reflection, heard, echoes, out
):
    """Secondary echoes of one line; returns the number of specular ones. See ``trace_secondary``.

    ``following``: the line that listens after the next pulse, and its place along the face.
    """
    m, focus_mm, focus_edges = machine
    solids, media = phantom
    end_us, interval_us, listen_us = times
    hits = np.empty(MAX_HITS)
    centre, seg = np.zeros((MAX_SEGMENTS, N_COLUMNS)), np.zeros((MAX_SEGMENTS, N_COLUMNS))
    work2 = np.zeros((2, N_COLUMNS))
    rows, levels = np.zeros((MAX_BRANCHES, N_COLUMNS)), np.zeros(MAX_BRANCHES)
    histories = np.zeros((MAX_BRANCHES, MAX_HISTORY + 2), np.int64)
    legs, info = np.zeros((MAX_LEGS, N_COLUMNS)), np.zeros((MAX_LEGS, N_LEG))
    arrivals = np.zeros((MAX_ECHOES, COUPLED, 3))
    reach = listen_us * m[S_ASSUMED]
    n_centre = central_ray(
        centre, line, solids, media, reach, m[S_FLOOR], m[S_REFRACT] > 0, WHOLE_BEAM, hits, whole_widths(m)
    )
    n_legs, n = find_branches(
        centre, n_centre, line, face_mm, m, solids, media, region_of, listen_us, face_reflection, heard[4],
        focus_mm, focus_edges, rows, histories, levels, seg, work2, hits, legs, info, echoes, arrivals,
    )  # fmt: skip
    for e in range(n):
        deposit_specular(echoes[e], arrivals[e], region_of, m, interval_us, end_us, out)
    echo_legs(legs, info, n_legs, centre, n_centre, line, face_mm, machine, media, end_us, heard, out)
    if listen_us > interval_us:
        echo_late(
            legs[0], info[0], centre, n_centre, line, face_mm, following, reach, machine, times, heard, out
        )
    return n


@row_kernel("lines")
def trace_secondary(
    start, stop,
    lines, face_mm, m, focus_mm, focus_edges, solids, media, region_of, end_us, interval_us, listen_us,
    face_reflection, points, starts, grid, samples, elevation, scale, fine, best, best_tag, best_index, echoes,
    n_echoes,
):  # fmt: skip
    """Secondary echoes of every line.

    ``fine`` (L, N_SECONDARY, 2 T') is added to, by class; range ambiguity goes to the line that sent
    the pulse (the caller moves it to the next). ``best``, ``best_tag`` (via * 256 + order) and
    ``best_index`` (L, N_SECONDARY, T') describe the strongest contribution of each sample.
    ``listen_us``: how long the phantom still answers; beyond ``interval_us`` that shows with the next pulse.
    """
    for l in range(start, stop):
        after = min(l + 1, lines.shape[0] - 1)
        n_echoes[l] = secondary_line(
            lines[l], face_mm[l], (lines[after], face_mm[after]), (m, focus_mm, focus_edges),
            (solids, media), region_of, (end_us, interval_us, listen_us), face_reflection,
            (points, starts, grid, samples, elevation, scale), echoes[l],
            (fine[l], best[l], best_tag[l], best_index[l]),
        )  # fmt: skip
