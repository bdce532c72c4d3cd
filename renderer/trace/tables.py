"""Beam tables: for every line, transmit times receive along the line, from traced beamlets.

A table row holds T * R over lateral offsets at one node of the line, relative to the two-way
reference time, and includes loss and the mean over the band's frequencies.
"""

from __future__ import annotations

import math

from renderer.jit import kernel
from renderer.trace.bands import (
    S_ASSUMED,
    S_F0,
    S_HARMONIC,
    S_SIGMA,
    band,
    band_level,
    four_powers,
    point_rms,
)
from renderer.trace.beamlets import (
    WEIGHT,
    add_row,
    segment_at,
)
from renderer.trace.rays import (
    AMPLITUDE,
    DX,
    DZ,
    LENGTH,
    LOSS,
    PX,
    PY,
    PZ,
    R_LOSS,
    REGION,
    SPEED,
    TIME,
)

# Columns of a node row
(
    N_S, N_TIME, N_U, N_SLOPE, N_HALF, N_DRIFT, N_SEEN, N_CX, N_CY, N_CZ, N_CTIME, N_GAIN, N_LOSS_RATIO,
    N_ALIVE, N_LOSS, N_LOSS_SLOPE, N_CENTRE, N_PLAIN_LOSS,
) = range(18)  # fmt: skip
N_NODE = 18


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
def write_centre(node, seg, n_seg, line, s, media):
    """Where the central ray is at a node: region, place, two-way time; 65535 and NaN where it has ended.

    Also the one-way loss of a straight way through the background.
    """
    node[N_PLAIN_LOSS] = media[0, R_LOSS] * s
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
def make_harmonic(field, built_up):
    """The second harmonic in place of the sent field (4, U): its square, times what it has grown by.

    The frequencies of the field are half of those listened to. With a loss in proportion to the frequency the
    square loses, there, just what a field of twice the frequency would, so the loss needs no change.
    """
    for w in range(field.shape[0]):
        for i in range(field.shape[1]):
            field[w, i] *= field[w, i] * built_up


@kernel
def table_row(row, node, transmit, receive, line, m, ref_t, ref_r, work_t, work_r, half):
    """One row (U,) of a line's table out to offsets of ``half``, and its references into the node.

    ``transmit`` and ``receive``: beamlets, their segments and their states at the node; ``ref_t``, ``ref_r``
    as from ``row_reference``; ``work_t``, ``work_r`` (4, U) are scratch.
    """
    tx, tx_seg, states_t = transmit
    rx, rx_seg, states_r = receive
    f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
    s = node[N_S]
    node[N_TIME], node[N_U], node[N_SLOPE] = ref_t[3] + ref_r[3], ref_r[1], ref_t[4] + ref_r[4]
    x1 = ref_t[6] + ref_r[6]
    node[N_LOSS], node[N_LOSS_SLOPE], node[N_HALF] = ref_t[5] + ref_r[5], x1, half
    centre, step_f = band(f0, sigma, x1)
    n_u = row.shape[0]
    step_u = 2 * half / (n_u - 1)
    u_low = ref_r[1] - half
    work_t[:] = 0j
    work_r[:] = 0j
    sent = 0.5 if m[S_HARMONIC] > 0.0 else 1.0
    add_row(work_t, tx, tx_seg, states_t, line, s, u_low, step_u, sent * centre, sent * step_f, ref_t[3], ref_t[4],
            ref_r[1], ref_t[5], ref_t[6], f0)  # fmt: skip
    if m[S_HARMONIC] > 0.0:
        make_harmonic(work_t, m[S_HARMONIC] * s)
    add_row(work_r, rx, rx_seg, states_r, line, s, u_low, step_u, centre, step_f, ref_r[3], ref_r[4], ref_r[1],
            ref_r[5], ref_r[6], f0)  # fmt: skip
    level = band_level(node[N_LOSS], x1, sigma, f0)
    gain = 0.0
    for i in range(n_u):
        v = -half + i * step_u
        sag = 2 * (math.sqrt(s * s + v * v) - s) / assumed
        p1, p2, p3, p4 = four_powers(2j * math.pi * sag, centre, step_f)
        value = point_rms(
            work_t[0, i] * work_r[0, i] * p1, work_t[1, i] * work_r[1, i] * p2, work_t[2, i] * work_r[2, i] * p3,
            work_t[3, i] * work_r[3, i] * p4, centre, step_f,
        )  # fmt: skip
        # Fade out at the rim of the tube, so that strong targets do not end there with a step
        edge = min(1.0, (0.5 - abs(i / (n_u - 1) - 0.5)) / 0.12)
        row[i] = value * level * math.sin(0.5 * math.pi * edge)
        gain += (row[i].real ** 2 + row[i].imag ** 2) * step_u
    node[N_GAIN] = gain
