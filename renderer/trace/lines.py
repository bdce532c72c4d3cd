"""Tracing of whole lines: the rays, the nodes along the line with their table rows, and the surfaces' echoes.

Transmit beamlets are aimed once for every transmit focus. Receive beamlets are aimed anew for each zone of
depth; within a zone, and from surface sample to surface sample, only delays and aperture follow, as in a
receiver with dynamic focus. While a line's rays are at hand, the same beamlets give the echo of every
surface sample in its tube.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel, row_kernel
from renderer.tissue.materials import LOWEST_BAND
from renderer.tissue.outlines import MAX_HITS
from renderer.trace.bands import (
    S_APODISATION,
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_F0,
    S_FLOOR,
    S_GHOSTS,
    S_LEAST_HALF,
    S_REFRACT,
    S_RX_F,
    S_SIGMA,
    S_TX_F,
    TUBE_WIDTHS,
)
from renderer.trace.beamlets import (
    N_BEAMLET,
    N_RAYS,
    N_STATE,
    SEGMENTS,
    TAU,
    aim_beamlets,
    new_aperture,
    new_delays,
    plane_states,
    plane_strengths,
    row_reference,
    row_time,
    segment_at,
)
from renderer.trace.obstruction import find_edges, look_past
from renderer.trace.rays import (
    DX,
    DZ,
    LENGTH,
    MAX_SEGMENTS,
    N_COLUMNS,
    NO_WIDTH,
    PATH,
    PLAIN,
    PX,
    PZ,
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
    Q_REFLECTION,
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
from renderer.trace.tables import (
    N_ALIVE,
    N_CENTRE,
    N_CTIME,
    N_DRIFT,
    N_GAIN,
    N_HALF,
    N_LOSS_RATIO,
    N_PLAIN_LOSS,
    N_S,
    N_SLOPE,
    N_TIME,
    N_U,
    line_nodes,
    plain_strength,
    table_row,
    write_centre,
)

# Surfaces are taken from a wider tube than points, and fade out over half of it: a narrow edge that moves with
# the beam along a leaning sheet would itself echo.
SHEET_TUBE, SHEET_EDGE = 2.0, 0.5
POINT_TUBE = 0.82  # the same of a wire or bead whose lobes are worked out beside
WIDEST = 3.0  # a tube gets at most this many times as wide as in an even medium
RAY_LONGER = 1.3  # a ray from the end of the aperture, bent on its way, to the depth that it is aimed at
ZONE_RATIO, ZONE_LEAST_MM = 1.16, 0.8  # a receive zone: from a depth to this many times it, and no shorter


@kernel
def central_ray(seg, line, solids, media, reach_mm, floor, refract, manner, hits, widths=NO_WIDTH):
    """The ray down the middle of the line."""
    region = start_region(solids, line[0], 0.0, line[1], line[2], 0.0, line[3])
    start_segment(seg, line[0], 0.0, line[1], line[2], 0.0, line[3], region, media)
    return trace_ray(seg, solids, media, reach_mm, floor, refract, manner, hits, widths)


@kernel
def line_reaches(lines, solids, media, reach_mm, floor, refract, end_us, assumed, out):
    """Distance along every line at which the central ray's two-way time comes to ``end_us``, into out (L,).

    Where the ray ends earlier, the rest of the time goes at the assumed speed.
    """
    hits = np.empty(MAX_HITS)
    seg = np.zeros((MAX_SEGMENTS, N_COLUMNS))
    for l in range(lines.shape[0]):
        line = lines[l]
        n = central_ray(seg, line, solids, media, reach_mm, floor, refract, PLAIN, hits)
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
def half_aperture(depth, number, m):
    """Half width of the aperture at an F-number, within the channels and not below a few elements, mm."""
    return max(min(0.5 * depth / number, m[S_CHANNEL_HALF]), m[S_LEAST_HALF])


@kernel
def aim_transmit(tx, tx_seg, line, face_mm, focus_mm, m, phantom, reach, hits):
    """Aim the transmit beamlets of every focus: tx (F, J, N_BEAMLET), tx_seg (F, J, ...)."""
    for f in range(focus_mm.shape[0]):
        half = half_aperture(focus_mm[f], m[S_TX_F], m)
        aim_beamlets(
            tx[f], tx_seg[f], line, face_mm, half, focus_mm[f], 0.0, m, phantom, reach,
            m[S_GHOSTS], hits,
        )  # fmt: skip


@kernel
def aim_receive(rx, rx_seg, states_r, edges, line, face_mm, s, shadowed, m, phantom, reach, hits, spare):
    """Aim the receive beamlets at the middle of the zone that begins at s, over the aperture of its end.

    What a body hides of the aperture changes faster with depth than where the rays point: in its shadow
    (``shadowed``: at the node before) they are aimed at each node. Returns the end of the zone and whether
    there is a shadow.
    """
    end = max(ZONE_RATIO * s, s + ZONE_LEAST_MM)
    depth = max(s, 0.5) if shadowed else 0.5 * (max(s, 0.5) + end)
    reach = min(reach, RAY_LONGER * end + OWN_MM + 2.0)
    aim_beamlets(
        rx, rx_seg, line, face_mm, half_aperture(end, m[S_RX_F], m), depth, m[S_APODISATION], m,
        phantom, reach, 0.0, hits,
    )  # fmt: skip
    if m[S_GHOSTS] > 0:
        plane_strengths(rx, rx_seg, line, depth, states_r)
        shadowed = find_edges(edges, rx, rx_seg, states_r, line, depth, m, phantom, reach, hits, spare)
    return (s if shadowed else end), shadowed


@kernel
def refocus(rx, line, face_mm, shown_mm, m):
    """Delays and aperture of the receiver for an echo that it takes to come from a depth."""
    new_delays(rx, line, max(shown_mm, 0.3), m[S_ASSUMED])
    new_aperture(rx, face_mm, half_aperture(shown_mm, m[S_RX_F], m), m[S_APODISATION])


@kernel
def level_times(beamlets, segments, line, s, m):
    """Without refraction, let every beamlet be as late at the plane s as the one nearest the line.

    Rays go straight then, but each would still take its own time through what lies in its way, and those times
    steer a beam as refraction does.
    """
    if m[S_REFRACT] > 0:
        return
    n = beamlets.shape[0]
    late = np.full(n, np.nan)
    nearest, common = 1e9, 0.0
    for j in range(n):
        seg, count = segments[j, 0], int(beamlets[j, SEGMENTS])
        k = segment_at(seg, count, line, s)
        along = seg[k, DX] * line[2] + seg[k, DZ] * line[3]
        step = (s - (seg[k, PX] - line[0]) * line[2] - (seg[k, PZ] - line[1]) * line[3]) / max(along, 0.1)
        if step > seg[k, LENGTH]:
            continue
        late[j] = seg[k, TIME] + step / seg[k, SPEED] - (seg[k, PATH] + step) / m[S_ASSUMED]
        x, z = seg[k, PX] + step * seg[k, DX] - line[0], seg[k, PZ] + step * seg[k, DZ] - line[1]
        off = abs(x * line[3] - z * line[2])
        if off < nearest:
            nearest, common = off, late[j]
    for j in range(n):
        if not math.isnan(late[j]):
            beamlets[j, TAU] += late[j] - common


@kernel
def refocus_both(tx, tx_seg, rx, rx_seg, line, face_mm, s, focus_mm, shown_mm, m):
    """Delays of transmitter and receiver for an echo from a plane, taken to come from a depth."""
    refocus(rx, line, face_mm, shown_mm, m)
    level_times(rx, rx_seg, line, s, m)
    if m[S_REFRACT] <= 0:
        new_delays(tx, line, focus_mm, m[S_ASSUMED])
        level_times(tx, tx_seg, line, s, m)


@kernel
def shown_depth(node, before, m):
    """Depth at which the machine takes an echo from a node to be, from the central ray, else from the node before.

    A central ray that has lost most of its strength does not tell when the others arrive.
    """
    if not math.isnan(node[N_CTIME]) and node[N_CENTRE] > 0.3 * math.exp(-node[N_PLAIN_LOSS]):
        return 0.5 * m[S_ASSUMED] * node[N_CTIME]
    return 0.5 * m[S_ASSUMED] * before[N_TIME] + node[N_S] - before[N_S]


@kernel
def tube_half(node, ref_r, shown_mm, seen, m):
    """Half width of the tube at a node; beams that refraction has driven apart need a wider one."""
    wavelength = m[S_ASSUMED] / m[S_F0]
    s = node[N_S]
    half = TUBE_WIDTHS * wavelength * max(m[S_RX_F], s / (2 * m[S_CHANNEL_HALF]))
    if seen:
        expected = abs(1 - s / max(shown_mm, 0.3)) * half_aperture(shown_mm, m[S_RX_F], m)
        half = min(half + 2.0 * max(0.0, ref_r[2] - expected - 0.3 * wavelength), WIDEST * half)
    return half


@kernel
def finish_node(node, before, shift, shift_before, m):
    """Order in time along the line, and the carrier's drift up to a node from the shifts of the band there."""
    if node[N_TIME] < before[N_TIME]:  # arrival may not run backwards along the line
        node[N_TIME] = before[N_TIME]
    turn = math.pi * (shift + shift_before) * (node[N_TIME] - before[N_TIME])
    node[N_DRIFT] = before[N_DRIFT] + turn


@kernel
def fill_node(node, before, transmit, receive, line, m, refs, works, row, shown_mm):
    """One node and its table row, from beamlets whose states are there. Returns the shift of the band, MHz.

    ``refs``: two (8,) rows of references; ``works``: two (4, U) of hits.
    """
    ref_t, ref_r = refs
    tx, tx_seg, states_t = transmit
    rx, rx_seg, states_r = receive
    seen_t = row_reference(tx, tx_seg, states_t, ref_t)
    seen_r = row_reference(rx, rx_seg, states_r, ref_r)
    if seen_t and seen_r:
        ref_t[3] = row_time(tx, tx_seg, states_t, ref_r[1], m[S_F0])
        ref_r[3] = row_time(rx, rx_seg, states_r, ref_r[1], m[S_F0])
    half = tube_half(node, ref_r, shown_mm, seen_r, m)
    node[N_HALF] = half
    if not (seen_t and seen_r):
        node[N_ALIVE] = 0.0
        node[N_TIME] = before[N_TIME] + 2 * (node[N_S] - before[N_S]) / m[S_ASSUMED]
        node[N_U], node[N_SLOPE], node[N_LOSS_RATIO], node[N_GAIN] = before[N_U], 0.0, 0.0, 0.0
        return -1.0
    table_row(row, node, transmit, receive, line, m, ref_t, ref_r, works[0], works[1], half)
    node[N_ALIVE] = 1.0
    plain = plain_strength(tx, node[N_PLAIN_LOSS]) * plain_strength(rx, node[N_PLAIN_LOSS])
    node[N_LOSS_RATIO] = ref_t[7] * ref_r[7] / max(plain, 1e-300)
    return min((ref_t[6] + ref_r[6]) * m[S_SIGMA] ** 2, (1 - LOWEST_BAND) * m[S_F0])


@kernel
def echo_sample(
    sample,
    along,
    known,
    node,
    before,
    transmit,
    receive,
    edges,
    ways,
    centre,
    n_seg,
    line,
    face_mm,
    focus_mm,
    m,
    media,
):
    """What the line knows of a surface sample between two nodes, into ``known`` (N_KNOT,); knots get their field."""
    tx, tx_seg, _ = transmit
    rx, rx_seg, states_r = receive
    off = (sample[Q_X] - line[0]) * line[3] - (sample[Q_Z] - line[1]) * line[2] - node[N_U]
    tube = SHEET_TUBE * max(before[N_HALF], node[N_HALF])
    if sample[Q_SURFACE] < 0 and sample[Q_REFLECTION] > 0.0:  # beyond its main lobe the elements are summed
        tube *= POINT_TUBE / SHEET_TUBE
    if abs(off) > tube or along < before[N_S]:
        return
    known[K_GEOMETRIC] = geometric_time(sample, line, media)
    edge = min(1.0, (1.0 - abs(off) / tube) / SHEET_EDGE)
    known[K_RIM] = math.sin(0.5 * math.pi * edge)
    if known[K_KNOT] == 0.0:
        return
    w = (along - before[N_S]) / (node[N_S] - before[N_S])
    time_ref = (1 - w) * before[N_TIME] + w * node[N_TIME]
    time_ref = time_in_front(centre, n_seg, line, int(sample[Q_SURFACE]), along, time_ref)
    if m[S_GHOSTS] > 0:  # what is in the way of the sample, not the sample's own surface
        look_past(tx, rx, rx_seg, edges, line, max(along - BEFORE_MM, 0.0), states_r)
    refocus_both(tx, tx_seg, rx, rx_seg, line, face_mm, along, focus_mm, 0.5 * m[S_ASSUMED] * time_ref, m)
    t, value = sample_field(sample, line, tx, tx_seg, rx, rx_seg, ways, m, time_ref)
    note_field(known, t, value, m[S_F0])


@kernel
def trace_line(
    line, face_mm, focus_mm, focus_edges, base_s, end_us, m, phantom, samples, beamlet_counts, nodes, table, echoes
):  # fmt: skip
    """Trace one line: nodes (N, N_NODE), table (N, U), and its surfaces' echoes. Returns the number of nodes.

    ``echoes``: (2 T',), (T',), (T',) rows of the arrays that ``trace_lines`` describes.
    """
    solids, media, _ = phantom
    n_tx, n_rx = beamlet_counts
    n_u, hits = table.shape[1], np.empty(MAX_HITS)
    centre = np.zeros((MAX_SEGMENTS, N_COLUMNS))
    tx = np.zeros((focus_mm.shape[0], n_tx, N_BEAMLET))
    tx_seg = np.zeros((focus_mm.shape[0], n_tx, N_RAYS, MAX_SEGMENTS, N_COLUMNS))
    rx, rx_seg = np.zeros((n_rx, N_BEAMLET)), np.zeros((n_rx, N_RAYS, MAX_SEGMENTS, N_COLUMNS))
    states_t, states_r = np.zeros((n_tx, N_STATE)), np.zeros((n_rx, N_STATE))
    refs = (np.zeros(8), np.zeros(8))
    works = (np.zeros((4, n_u), np.complex128), np.zeros((4, n_u), np.complex128))
    row, before = np.zeros(n_u, np.complex128), np.zeros(nodes.shape[1])
    edges, spare = np.full(n_rx - 1, np.nan), np.zeros((MAX_SEGMENTS, N_COLUMNS))
    reach = base_s[base_s.shape[0] - 1] * 1.3
    n_seg = central_ray(centre, line, solids, media, reach, m[S_FLOOR], m[S_REFRACT] > 0, PLAIN, hits)
    aim_transmit(tx, tx_seg, line, face_mm, focus_mm, m, phantom, reach, hits)
    count = line_nodes(base_s, centre, n_seg, line, nodes, 1e-3)
    mine, place = samples_near(samples, line, m)
    known = np.zeros((mine.shape[0], N_KNOT))
    lay_knots(samples, mine, place, m, known)
    by_distance = np.argsort(place)
    ways = np.zeros((2, max(n_tx, n_rx)), np.int64)
    next_sample, zone_end, shadowed, shift, n = 0, -1.0, np.bool_(False), 0.0, 0
    while n < count and before[N_TIME] <= end_us:
        node = nodes[n]
        write_centre(node, centre, n_seg, line, node[N_S], media)
        if node[N_S] > zone_end:
            zone_end, shadowed = aim_receive(
                rx, rx_seg, states_r, edges, line, face_mm, node[N_S], shadowed, m, phantom, reach, hits, spare
            )  # fmt: skip
        shown = shown_depth(node, before, m)
        f = 0
        while f < focus_mm.shape[0] - 1 and shown >= focus_edges[f + 1]:
            f += 1
        refocus_both(tx[f], tx_seg[f], rx, rx_seg, line, face_mm, node[N_S], focus_mm[f], shown, m)
        if m[S_GHOSTS] > 0:
            look_past(tx[f], rx, rx_seg, edges, line, node[N_S], states_r)
        plane_states(rx, rx_seg, line, node[N_S], states_r)
        plane_states(tx[f], tx_seg[f], line, node[N_S], states_t)
        transmit, receive = (tx[f], tx_seg[f], states_t), (rx, rx_seg, states_r)
        shift_here = fill_node(node, before, transmit, receive, line, m, refs, works, row, shown)
        shift_before, shift = shift, shift_here if shift_here >= 0.0 else shift
        if shift_here >= 0.0:
            for q in range(n_u):
                table[n, q] = row[q]
        finish_node(node, before, shift, shift_before, m)
        while n > 0 and next_sample < mine.shape[0] and place[by_distance[next_sample]] <= node[N_S]:
            e = by_distance[next_sample]
            next_sample += 1
            echo_sample(samples[mine[e]], place[e], known[e], node, before, transmit, receive, edges, ways, centre,
                        n_seg, line, face_mm, focus_mm[f], m, media)  # fmt: skip
        before[:] = node
        n += 1
    deposit_samples(samples, mine, known, line, m, media, echoes[0], echoes[1], echoes[2])
    return n


@row_kernel("lines")
def trace_lines(
    start, stop, lines, face_mm, focus_mm, focus_edges, base_s, end_us, m, ends, solids, media, samples,
    beamlet_counts, nodes, n_nodes, tables, surface_iq, surface_best, surface_index,
):  # fmt: skip
    """Trace every line: fill its nodes and table, and deposit the echoes of the surface samples.

    Parameters
    ----------
    lines : (L, 4) origin x, z and direction x, z; face_mm : (L,)
    base_s : (N0,) node distances, mm; end_us : last two-way time wanted
    m : (N_SETTINGS,) machine settings; solids, media : packed phantom
    ends : (E, 3) circles round bodies that end across the slice: x, z, radius
    samples : (Q, N_SAMPLE) surface samples
    nodes : (L, N, N_NODE), n_nodes : (L,), tables : (L, N, U) complex64 -- filled
    surface_iq : (L, 2 T') float32, surface_best : (L, T') float32, surface_index : (L, T') int32 -- added to
    """
    for l in range(start, stop):
        n_nodes[l] = trace_line(
            lines[l], face_mm[l], focus_mm, focus_edges, base_s, end_us, m, (solids, media, ends), samples,
            beamlet_counts, nodes[l], tables[l], (surface_iq[l], surface_best[l], surface_index[l]),
        )  # fmt: skip
