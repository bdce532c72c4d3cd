"""Gather: the echoes of all scatterers on every line, through the beam tables.

For each line and each bin between two nodes, the points whose sorting cells the bin touches are
taken in runs. A first pass over a run does the arithmetic (it vectorises), a second looks up the
table and deposits. Every line writes only its own rows, in a fixed order of points.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel, row_kernel
from renderer.tissue.fibres import line_through
from renderer.tissue.scatterers import depth_and_place
from renderer.trace.bands import TUBE_WIDTHS
from renderer.trace.elevation import early_at, elevation_at
from renderer.trace.tables import N_ALIVE, N_DRIFT, N_HALF, N_S, N_SEEN, N_SLOPE, N_TIME, N_U

CHUNK = 512
DIRECT, BEAM_WIDTH, SLICE_THICKNESS, SIDE_LOBE = range(4)
N_DIRECT_CLASSES = 4

F = np.float32
TWO_PI = F(2 * math.pi)


@row_kernel("x")
def weigh_points(start, stop, x, y, z, amplitude, fan, elevation, scale, re, im, height):
    """Amplitude of every point times the two-way elevation field, into re and im (P,) float32.

    ``fan``: how the lines spread. ``elevation``: table of ``ElevationTable`` whose phase is that of when the pulse comes,
    log of its first distance, log step, reach and lead of the pulse. ``height`` (P,) float32: the height from which a
    spherical pulse would come when it does.
    """
    table, log_start, log_step, reach, early = elevation
    for p in range(start, stop):
        _, _, way = line_through(float(x[p]), float(z[p]), fan)
        s, own = max(way, 1e-3), float(y[p])
        e = elevation_at(table, log_start, log_step, reach, s, own)
        lead = early_at(early, log_start, log_step, reach, s, own)
        way = max(math.sqrt(s * s + own * own) - lead, s)
        height[p] = math.sqrt(way * way - s * s)
        a = amplitude[p] * F(scale)
        re[p], im[p] = a * e.real, a * e.imag


@kernel
def bin_box(line, s0, s1, u0, u1, half, radius):
    """Depth and place ranges that enclose a bin of a line's tube."""
    d_low, d_high, p_low, p_high = 1e9, -1e9, 1e9, -1e9
    for corner in range(6):
        s = s0 if corner < 3 else s1
        u = (u0 if corner < 3 else u1) + half * (corner % 3 - 1)
        x = line[0] + s * line[2] + u * line[3]
        z = line[1] + s * line[3] - u * line[2]
        depth, place = depth_and_place(x, z, radius)
        d_low, d_high = min(d_low, depth), max(d_high, depth)
        p_low, p_high = min(p_low, place), max(p_high, place)
    if radius < 1e8:  # the far face of a straight bin bulges past its corners
        d_high += half * half / (2 * radius)
        d_low -= half * half / (2 * radius)
    return d_low, d_high, p_low, p_high


@kernel
def first_pass(px, pz, py, re, im, n, q, g, fs, pr, pi, m, w):
    """Arithmetic of a run: table place, node fraction, carrier, sample; vectorises."""
    for i in range(n):
        dx, dz = px[i] - q[0], pz[i] - q[1]
        s = dx * q[2] + dz * q[3]
        f = (s - q[4]) * q[5]
        u = dx * q[3] - dz * q[2] - (q[6] + q[7] * f)
        r = u / (q[8] + q[9] * f)
        inside = F(1.0) if (f >= F(0.0)) & (f < F(1.0)) & (abs(r) < F(1.0)) else F(0.0)
        y = py[i]
        far = s + q[19]
        d = np.sqrt(far * far + u * u + y * y) - far
        t = q[10] + q[11] * f + (q[12] + q[13] * f) * u + q[14] * d
        cycles = q[15] * t - (q[16] + q[17] * f)
        turn = cycles - np.floor(cycles + F(0.5))
        # sine and cosine of half the angle by short polynomials (|angle / 2| < pi / 2), then doubled
        h = turn * F(math.pi)
        h2 = h * h
        sn = h * (
            F(1.0)
            + h2 * (F(-0.16666667) + h2 * (F(0.008333331) + h2 * (F(-0.00019840874) + h2 * F(2.7525562e-06))))
        )
        cs = F(1.0) + h2 * (F(-0.5) + h2 * (F(0.04166664) + h2 * (F(-0.0013888397) + h2 * F(2.4760495e-05))))
        c2 = (cs * cs - sn * sn) * inside
        s2 = F(2.0) * sn * cs * inside
        pr[i] = re[i] * c2 + im[i] * s2
        pi[i] = im[i] * c2 - re[i] * s2
        g[i] = (r + F(1.0)) * inside
        fs[i] = f
        k = t * q[18]
        fl = np.floor(k)
        m[i] = np.int32(fl)
        w[i] = k - fl


@kernel
def second_pass(
    n, base, g, fs, pr, pi, m, w, low, high, scale_u, region, plane, seen, main, iq, best, best_index
):
    """Table look-up and deposit of a run."""
    top = low.shape[0] - 2
    n_slots = best.shape[0]
    for i in range(n):
        if pr[i] == F(0.0) and pi[i] == F(0.0):
            continue
        place = g[i] * scale_u
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
        group = DIRECT
        if region[i] != seen and seen != 65535:
            if plane[i] == seen:
                group = SLICE_THICKNESS
            elif abs(g[i] - F(1.0)) < main:
                group = BEAM_WIDTH
            else:
                group = SIDE_LOBE
        row = iq[group]
        x = w[i]
        row[2 * slot] += (F(1.0) - x) * re
        row[2 * slot + 1] += (F(1.0) - x) * im
        row[2 * slot + 2] += x * re
        row[2 * slot + 3] += x * im
        size = re * re + im * im
        if size > best[slot]:
            best[slot] = size
            best_index[slot] = base + i


@row_kernel("lines")
def gather(
    start, stop,
    lines, nodes, n_nodes, tables, px, py, pz, re, im, region, plane, starts, grid, radius, f0, assumed, sample_us,
    iq, best, best_index,
):  # fmt: skip
    """Echoes of all points on all lines.

    ``iq`` (L, 4, 2 T') float32 real and imaginary parts by class; ``best`` (L, T') squared size of the
    strongest contribution to each sample and ``best_index`` (L, T') its point. All are added to.
    """
    n_rows, n_columns = int(grid[4]), int(grid[5])
    for l in range(start, stop):
        line = lines[l]
        q = np.zeros(20, np.float32)
        g, fs, pr, pi, w = (
            np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32),
            np.empty(CHUNK, np.float32), np.empty(CHUNK, np.float32),
        )  # fmt: skip
        m = np.empty(CHUNK, np.int32)
        scale_u = F((tables.shape[2] - 1) / 2)
        main = F(1.0 / TUBE_WIDTHS)
        for b in range(n_nodes[l] - 1):
            n0, n1 = nodes[l, b], nodes[l, b + 1]
            if n0[N_ALIVE] == 0.0 and n1[N_ALIVE] == 0.0:
                continue
            length = n1[N_S] - n0[N_S]
            if length < 1e-9:
                continue
            q[0], q[1], q[2], q[3] = line[0], line[1], line[2], line[3]
            q[4], q[5] = n0[N_S], 1.0 / length
            q[6], q[7] = n0[N_U], n1[N_U] - n0[N_U]
            q[8], q[9] = n0[N_HALF], n1[N_HALF] - n0[N_HALF]
            q[10], q[11] = n0[N_TIME], n1[N_TIME] - n0[N_TIME]
            q[12], q[13] = n0[N_SLOPE], n1[N_SLOPE] - n0[N_SLOPE]
            q[14], q[15] = 2.0 / assumed, f0
            q[16] = n0[N_DRIFT] / (2 * math.pi)
            q[17] = (n1[N_DRIFT] - n0[N_DRIFT]) / (2 * math.pi)
            q[18] = 1.0 / sample_us
            seen = int(n0[N_SEEN])
            half = max(n0[N_HALF], n1[N_HALF])
            d0, d1, p0, p1 = bin_box(line, n0[N_S], n1[N_S], n0[N_U], n1[N_U], half, radius)
            r0 = max(int(math.floor((d0 - grid[0]) / grid[1])), 0)
            r1 = min(int(math.floor((d1 - grid[0]) / grid[1])), n_rows - 1)
            c0 = max(int(math.floor((p0 - grid[2]) / grid[3])), 0)
            c1 = min(int(math.floor((p1 - grid[2]) / grid[3])), n_columns - 1)
            if c1 < c0:
                continue
            for r in range(r0, r1 + 1):
                first, last = starts[r * n_columns + c0], starts[r * n_columns + c1 + 1]
                while first < last:
                    n = min(CHUNK, last - first)
                    end = first + n
                    first_pass(px[first:end], pz[first:end], py[first:end], re[first:end], im[first:end], n, q,
                               g, fs, pr, pi, m, w)  # fmt: skip
                    second_pass(n, first, g, fs, pr, pi, m, w, tables[l, b], tables[l, b + 1], scale_u,
                                region[first:end], plane[first:end], seen, main, iq[l], best[l],
                                best_index[l])  # fmt: skip
                    first = end


@row_kernel("rows")
def shape_pulse(start, stop, rows, taps, out):
    """Pulse of every row: (N, 2 T') reals on the fine grid to (N, T) complex64 on every second sample."""
    half = taps.shape[0] // 2
    for r in range(start, stop):
        row = rows[r]
        n_fine = row.shape[0] // 2
        for t in range(out.shape[1]):
            re, im = F(0.0), F(0.0)
            low, high = max(0, 2 * t - half), min(n_fine - 1, 2 * t + half)
            for i in range(low, high + 1):
                tap = taps[2 * t - i + half]
                re += tap * row[2 * i]
                im += tap * row[2 * i + 1]
            out[r, t] = complex(re, im)
