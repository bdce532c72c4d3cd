"""Kernels of the truth: what the central rays saw, and the strongest contribution to each cell."""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel, row_kernel
from renderer.tissue.fibres import fibre_db
from renderer.tissue.geometry import region_at
from renderer.trace.tables import N_CTIME, N_CX, N_CY, N_CZ, N_SEEN

OUTSIDE = 65535


@kernel
def _node_before(nodes, n, time_us):
    """Index of the last node whose central ray is alive and that lies at or before a time, or -1."""
    low, high = -1, n
    while high - low > 1:
        middle = (low + high) // 2
        t = nodes[middle, N_CTIME]
        if not math.isnan(t) and t <= time_us:
            low = middle
        else:
            high = middle
    return low


@row_kernel("there")
def region_picture(start, stop, kinds, rows, outline, spans, region, traced, x_mm, z_mm, in_view, there):
    """Region at every pixel centre in the plane y = 0."""
    for i in range(start, stop):
        for j in range(there.shape[1]):
            if in_view[i, j]:
                there[i, j] = region_at(
                    kinds, rows, outline, spans, region, traced, False, x_mm[j], 0.0, z_mm[i]
                )
            else:
                there[i, j] = OUTSIDE


@kernel
def _central(nodes, n, time_us, out):
    """Region and place of a line's central ray at a two-way time, and its path length; region 65535 past its end."""
    i = _node_before(nodes, n, time_us)
    if i < 0:
        out[0] = nodes[0, N_SEEN]
        w, a, b = 0.0, 0, 0
    elif i + 1 >= n or math.isnan(nodes[i + 1, N_CTIME]):
        if i + 1 < n:
            out[0] = OUTSIDE
            out[1] = out[2] = out[3] = math.nan
            return
        out[0] = nodes[i, N_SEEN]
        w, a, b = 0.0, i, i
    else:
        out[0] = nodes[i, N_SEEN]
        step = nodes[i + 1, N_CTIME] - nodes[i, N_CTIME]
        w, a, b = ((time_us - nodes[i, N_CTIME]) / step if step > 0 else 0.0), i, i + 1
    out[1] = (1 - w) * nodes[a, N_CX] + w * nodes[b, N_CX]
    out[2] = (1 - w) * nodes[a, N_CY] + w * nodes[b, N_CY]
    out[3] = (1 - w) * nodes[a, N_CZ] + w * nodes[b, N_CZ]


@row_kernel("seen")
def central_picture(
    start, stop, nodes, n_nodes, line, sample, sample_us, in_view, lines, assumed, x_mm, z_mm, seen, origin
):
    """Where the central ray of each pixel's line really was: region (nearest line) and place (between lines).

    ``origin`` (H, W, 3) in the probe frame. The displacement, not the place, is taken between two lines, so
    that it does not step from line to line.
    """
    n_lines = nodes.shape[0]
    for i in range(start, stop):
        a, b = np.empty(4), np.empty(4)
        for j in range(seen.shape[1]):
            if not in_view[i, j] or math.isnan(line[i, j]):
                seen[i, j] = OUTSIDE
                for q in range(3):
                    origin[i, j, q] = math.nan
                continue
            t = max(sample[i, j], 0.0) * sample_us
            at = min(max(line[i, j], 0.0), n_lines - 1.0)
            l0 = min(int(at), n_lines - 2)
            w = at - l0
            _central(nodes[l0], n_nodes[l0], t, a)
            _central(nodes[l0 + 1], n_nodes[l0 + 1], t, b)
            near = a if w < 0.5 else b
            seen[i, j] = int(near[0])
            if math.isnan(near[1]):
                for q in range(3):
                    origin[i, j, q] = math.nan
                continue
            if math.isnan(a[1]) or math.isnan(b[1]) or a[0] != b[0]:
                w = 0.0 if w < 0.5 else 1.0
            s = 0.5 * assumed * t
            ax = lines[l0, 0] + s * lines[l0, 2] - a[1] if w < 1.0 else 0.0
            az = lines[l0, 1] + s * lines[l0, 3] - a[3] if w < 1.0 else 0.0
            bx = lines[l0 + 1, 0] + s * lines[l0 + 1, 2] - b[1] if w > 0.0 else 0.0
            bz = lines[l0 + 1, 1] + s * lines[l0 + 1, 3] - b[3] if w > 0.0 else 0.0
            origin[i, j, 0] = x_mm[j] - ((1 - w) * ax + w * bx)
            origin[i, j, 1] = (1 - w) * (a[2] if w < 1.0 else 0.0) + w * (b[2] if w > 0.0 else 0.0)
            origin[i, j, 2] = z_mm[i] - ((1 - w) * az + w * bz)


@row_kernel("drop")
def fibre_lines(start, stop, nodes, n_nodes, fibres, sample_us, drop):
    """Level of fibres by the real direction of every line's central ray at each sample, dB, into ``drop`` (L, T).

    ``fibres`` (G, 3) by region: direction, drop, half angle; 0 in a region without. NaN where the ray has ended.
    """
    for l in range(start, stop):
        n = n_nodes[l]
        for t in range(drop.shape[1]):
            i = max(_node_before(nodes[l], n, t * sample_us), 0)
            a, b = i, i + 1
            if b >= n:
                a, b = max(n - 2, 0), n - 1
            elif math.isnan(nodes[l, b, N_CTIME]):
                drop[l, t] = math.nan
                continue
            fibre = fibres[int(nodes[l, i, N_SEEN])]
            drop[l, t] = 0.0
            if fibre[1] > 0.0:
                dx, dy, dz = (
                    nodes[l, b, N_CX] - nodes[l, a, N_CX],
                    nodes[l, b, N_CY] - nodes[l, a, N_CY],
                    nodes[l, b, N_CZ] - nodes[l, a, N_CZ],
                )
                drop[l, t] = fibre_db(fibre, dx, dy, dz)


@row_kernel("winner")
def strongest_in_cell(start, stop, sizes, half_samples, winner, group):
    """For each output sample, the fine sample and group of the strongest contribution in its cell.

    ``sizes`` (G, L, T') of contributions; ``winner``, ``group`` (L, T) on every second fine sample;
    winner -1 where there is none.
    """
    n_fine = sizes.shape[2]
    for l in range(start, stop):
        for t in range(winner.shape[1]):
            best = 0.0
            winner[l, t] = -1
            group[l, t] = 0
            for k in range(max(0, 2 * t - half_samples), min(n_fine, 2 * t + half_samples + 1)):
                for g in range(sizes.shape[0]):
                    if sizes[g, l, k] > best:
                        best = sizes[g, l, k]
                        winner[l, t], group[l, t] = k, g
