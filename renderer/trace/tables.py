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
from renderer.trace.bands import (
    LOWEST_BAND,
    S_APODISATION,
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_ELEVATION,
    S_F0,
    S_FACE_HALF,
    S_FLOOR,
    S_GHOSTS,
    S_HEIGHT,
    S_LEAST_HALF,
    S_LENS,
    S_PITCH,
    S_RADIUS,
    S_REFRACT,
    S_RX_F,
    S_SIGMA,
    S_TX_F,
    TUBE_WIDTHS,
    band,
    band_level,
)
from renderer.trace.beamlets import (
    N_BEAMLET,
    N_RAYS,
    N_STATE,
    WEIGHT,
    add_row,
    aim_beamlets,
    new_delays,
    plane_states,
    plane_strengths,
    row_reference,
    see_past,
    segment_at,
)
from renderer.trace.rays import (
    AMPLITUDE,
    DX,
    DZ,
    LENGTH,
    LOSS,
    MAX_SEGMENTS,
    N_COLUMNS,
    PLAIN,
    PX,
    PY,
    PZ,
    REGION,
    SPEED,
    TIME,
    start_region,
    start_segment,
    trace_ray,
)
from renderer.trace.sheets import (
    BEFORE_MM,
    K_GEOMETRIC,
    K_KNOT,
    K_RIM,
    N_KNOT,
    OWN_MM,
    Q_SURFACE,
    Q_X,
    Q_Z,
    deposit_samples,
    geometric_time,
    lay_knots,
    note_field,
    sample_field,
    samples_near,
    time_in_front,
)

# Columns of a node row
(
    N_S, N_TIME, N_U, N_SLOPE, N_HALF, N_DRIFT, N_SEEN, N_CX, N_CY, N_CZ, N_CTIME, N_GAIN, N_LOSS_RATIO,
    N_ALIVE, N_LOSS, N_LOSS_SLOPE, N_CENTRE,
) = range(17)  # fmt: skip
N_NODE = 17

# Surfaces are taken from a wider tube than points, and fade out over half of it: a narrow edge that moves with
# the beam along a leaning sheet would itself echo.
SHEET_TUBE, SHEET_EDGE = 2.0, 0.5


@kernel
def central_ray(seg, line, solids, media, reach_mm, floor, refract, manner, work, flags):
    """The ray down the middle of the line."""
    region = start_region(solids, line[0], 0.0, line[1], line[2], 0.0, line[3])
    start_segment(seg, line[0], 0.0, line[1], line[2], 0.0, line[3], region, media)
    return trace_ray(seg, solids, media, reach_mm, floor, refract, manner, work, flags)


@kernel
def line_reaches(lines, solids, media, reach_mm, floor, refract, end_us, assumed, out):
    """Distance along every line at which the central ray's two-way time comes to ``end_us``, into out (L,).

    Where the ray ends earlier, the rest of the time goes at the assumed speed.
    """
    n_solids = solids[0].shape[0]
    work = np.empty((n_solids * 8 + 48, 2))
    flags = np.empty(n_solids, np.uint8)
    seg = np.zeros((MAX_SEGMENTS, N_COLUMNS))
    for l in range(lines.shape[0]):
        line = lines[l]
        n = central_ray(seg, line, solids, media, reach_mm, floor, refract, PLAIN, work, flags)
        k = n - 1
        while k > 0 and 2 * seg[k, TIME] > end_us:
            k -= 1
        step = (0.5 * end_us - seg[k, TIME]) * seg[k, SPEED]
        beyond = step - seg[k, LENGTH]
        if beyond > 0.0:
            step = seg[k, LENGTH] + beyond / seg[k, SPEED] * assumed
        along = seg[k, DX] * line[2] + seg[k, DZ] * line[3]
        out[l] = (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3] + step * along


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
def table_row(
    row, node, tx, tx_seg, states_t, rx, rx_seg, states_r, line, m, ref_t, ref_r, work_t, work_r, wide
):  # fmt: skip
    """One row of a line's table, and its references into the node."""
    f0, sigma, assumed = m[S_F0], m[S_SIGMA], m[S_ASSUMED]
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
    work_t[:] = 0j
    work_r[:] = 0j
    add_row(work_t, tx, tx_seg, states_t, line, s, u_low, step_u, centre, high - centre, ref_t[3], ref_t[4], ref_r[1],
            ref_t[5], ref_t[6], f0)  # fmt: skip
    add_row(work_r, rx, rx_seg, states_r, line, s, u_low, step_u, centre, high - centre, ref_r[3], ref_r[4], ref_r[1],
            ref_r[5], ref_r[6], f0)  # fmt: skip
    for i in range(n_u):
        v = -half + i * step_u
        sag = 2 * (math.sqrt(s * s + v * v) - s) / assumed
        turn = cmath.exp(2j * math.pi * centre * sag)
        step = cmath.exp(2j * math.pi * (high - centre) * sag)
        row[i] = turn * (
            work_t[0, i] * work_r[0, i] * (2 / 3)
            + (work_t[1, i] * work_r[1, i] * step.conjugate() + work_t[2, i] * work_r[2, i] * step) / 6
        )
    level = band_level(node[N_LOSS], x1, sigma, f0)
    gain = 0.0
    for i in range(n_u):
        # Fade out at the rim of the tube, so that strong targets do not end there with a step
        edge = min(1.0, (0.5 - abs(i / (n_u - 1) - 0.5)) / 0.12)
        row[i] *= level * math.sin(0.5 * math.pi * edge)
        gain += (row[i].real ** 2 + row[i].imag ** 2) * step_u
    node[N_GAIN] = gain


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
        work_t, work_r = np.zeros((3, n_u), np.complex128), np.zeros((3, n_u), np.complex128)
        states_t, states_r = np.zeros((n_tx, N_STATE)), np.zeros((n_rx, N_STATE))
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
        known = np.zeros((mine.shape[0], N_KNOT))
        lay_knots(samples, mine, place, m, known)
        by_distance = np.argsort(place)
        ways = np.zeros((2, max(n_tx, n_rx)), np.int64)
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
                    n_elevation, solids, media, min(reach, 1.5 * zone_end + OWN_MM + 2.0), m[S_FLOOR], refract, False, work, flags,
                )  # fmt: skip
            step = s - nodes[l, i - 1, N_S] if i > 0 else s
            guess = 0.5 * assumed * (time + 2 * step / assumed)
            if not math.isnan(node[N_CTIME]):
                guess = 0.5 * assumed * node[N_CTIME]
            new_delays(rx, line, m[S_RADIUS], max(guess, 0.3), assumed)
            f = 0
            while f < n_focus - 1 and guess >= focus_edges[f + 1]:
                f += 1
            plane_states(rx, rx_seg, line, s, n_elevation, states_r)
            if ghosts:
                see_past(tx[f], rx, states_r)
            plane_states(tx[f], tx_seg[f], line, s, n_elevation, states_t)
            ok_t = row_reference(tx[f], tx_seg[f], states_t, ref_t)
            ok_r = row_reference(rx, rx_seg, states_r, ref_r)
            narrow = TUBE_WIDTHS * wavelength * max(m[S_RX_F], s / (2 * m[S_CHANNEL_HALF]))
            # Beams that refraction has driven apart need a wider tube
            expected = abs(1 - s / max(guess, 0.3)) * rx_half
            narrow += 2.0 * max(0.0, ref_r[2] - expected - 0.3 * wavelength) if ok_r else 0.0
            node[N_HALF] = narrow
            node[N_ALIVE] = 0.0
            if ok_t and ok_r:
                table_row(
                    row,
                    node,
                    tx[f],
                    tx_seg[f],
                    states_t,
                    rx,
                    rx_seg,
                    states_r,
                    line,
                    m,
                    ref_t,
                    ref_r,
                    work_t,
                    work_r,
                    narrow,
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
                while next_sample < mine.shape[0] and place[by_distance[next_sample]] <= s_to:
                    e = by_distance[next_sample]
                    sample, along = samples[mine[e]], place[e]
                    next_sample += 1
                    off = (sample[Q_X] - line[0]) * line[3] - (sample[Q_Z] - line[1]) * line[2] - node[N_U]
                    if abs(off) > tube or along < s_from:
                        continue
                    known[e, K_GEOMETRIC] = geometric_time(sample, line, media)
                    edge = min(1.0, (1.0 - abs(off) / tube) / SHEET_EDGE)
                    known[e, K_RIM] = math.sin(0.5 * math.pi * edge)
                    if known[e, K_KNOT] == 0.0:
                        continue
                    w = (along - s_from) / (s_to - s_from)
                    time_ref = (1 - w) * nodes[l, i - 1, N_TIME] + w * node[N_TIME]
                    time_ref = time_in_front(centre, n_seg, line, int(sample[Q_SURFACE]), along, time_ref)
                    if ghosts:  # what is in the way of the sample, not the sample's own surface
                        place_before = max(along - BEFORE_MM, 0.0)
                        plane_strengths(rx, rx_seg, line, place_before, n_elevation, states_r)
                        see_past(tx[f], rx, states_r)
                    new_delays(rx, line, m[S_RADIUS], max(0.5 * assumed * time_ref, 0.3), assumed)
                    t, value = sample_field(
                        sample, line, tx[f], tx_seg[f], rx, rx_seg, ways, m, time_ref, n_elevation
                    )
                    note_field(known[e], t, value, f0)
            if time > end_us:
                break
        deposit_samples(
            samples, mine, known, line, m, media, surface_iq[l], surface_best[l], surface_index[l]
        )
        n_nodes[l] = done
