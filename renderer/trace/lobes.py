"""Side and grating lobes of strong targets, by a direct sum over the elements.

A line's table reaches a few beam widths to the side, and its beamlets know nothing of the pitch. Farther off only
strong targets are heard: wires and beads. For each of them and each line, every element's own delay and directivity
gives the response of the aperture in time, sending and listening; the echo is one folded with the other. So a
grating lobe of a short pulse comes out long and faint, as it is, and not as strong as at a single frequency.

Refraction counts by the bend and the delay of the line's own beam at that depth; loss and shadows are those of the line
that goes through the target.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from renderer.jit import kernel, row_kernel
from renderer.tissue.geometry import ELLIPSOID
from renderer.trace import bands
from renderer.trace import tables as tb
from renderer.trace.bands import (
    N_SETTINGS,
    S_APODISATION,
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_F0,
    S_FACE_HALF,
    S_HARMONIC,
    S_PITCH,
    S_RADIUS,
    S_RX_F,
    S_SAMPLE,
    S_SIGMA,
    S_TX_F,
    deposit,
)
from renderer.trace.beamlets import face_place, window
from renderer.trace.direct import TracedLines, View
from renderer.trace.lines import POINT_TUBE, SHEET_EDGE, half_aperture
from renderer.trace.phantom import PackedPhantom
from renderer.trace.sheets import (
    Q_IM,
    Q_LENGTH,
    Q_RE,
    Q_REFLECTION,
    Q_REGION,
    Q_STRENGTH,
    Q_SURFACE,
    Q_X,
    Q_Z,
)

Array = np.ndarray

SIDE, GRATING, OWN = range(3)  # OWN: the target is what the line sees there
MOST_TARGETS = 64
PARTS_A_WAVE = 5.0  # parts of an element in a wavelength of its width, seen aslant
MAIN_LOBE = (
    1.3  # half width of the main lobe, wavelengths times F-number: to the first null of a Hamming window
)
# Columns of a target
(G_X, G_Z, G_RE, G_IM, G_LOSS, G_SLOPE, G_REGION, G_SAMPLE) = range(8)
N_TARGET = 8


@kernel
def element_answers(out, start_us, line, face_mm, half_mm, focus_mm, apodisation, x, z, c, f, share, m):
    """Response in time of an aperture to a point, added to ``out`` (T,) from ``start_us`` on.

    ``share``: 1, or 0.5 for the harmonic, whose sent field is heard twice at half the delay each. The response is
    relative to the carrier ``f``, taken at each element's delay.
    """
    fine, assumed, pitch = m[S_SAMPLE], m[S_ASSUMED], m[S_PITCH]
    wavelength = m[S_ASSUMED] / m[S_F0] / share
    n = int(round(2 * m[S_FACE_HALF] / pitch))
    fx, fz = line[0] + focus_mm * line[2], line[1] + focus_mm * line[3]
    for e in range(n):
        a = -m[S_FACE_HALF] + (e + 0.5) * pitch
        # An element at the end counts by the part that the aperture covers
        cover = min(max((half_mm - abs(a - face_mm)) / pitch + 0.5, 0.0), 1.0)
        if cover <= 0.0:
            continue
        weight = cover * window(apodisation, (a - face_mm) / half_mm)
        if m.shape[0] > N_SETTINGS:
            weight *= m[N_SETTINGS + e + 1] - m[N_SETTINGS + e]
        ex, ez, nx, nz = face_place(a, m[S_RADIUS])
        gx, gz = x - ex, z - ez
        r = math.hypot(gx, gz)
        ahead = gx * nx + gz * nz
        if ahead <= 0.0 or weight == 0.0:
            continue
        sine = (gx * nz - gz * nx) / r
        # Parts of the element: its directivity, at every frequency of the pulse. All are fired with its centre
        n_parts = 1 + int(PARTS_A_WAVE * pitch * abs(sine) / wavelength)
        weight *= pitch * ahead / r / math.sqrt(wavelength * r) / n_parts
        fired = (math.hypot(fx - ex, fz - ez) - focus_mm) / assumed
        for part in range(n_parts):
            along = ((part + 0.5) / n_parts - 0.5) * pitch
            t = share * (math.hypot(gx - along * nz, gz + along * nx) / c - fired)
            place = (t - start_us) / fine
            i = int(place)
            if place < 0.0 or i + 1 >= out.shape[0]:
                continue
            w = place - i
            value = weight * cmath.exp(-2j * math.pi * f * (t - start_us))
            out[i] += (1 - w) * value
            out[i + 1] += w * value


@kernel
def fold(one, other, out):
    """Convolution of two responses, both mostly empty at their ends, into ``out``."""
    out[:] = 0j
    for i in range(one.shape[0]):
        if one[i] == 0j:
            continue
        v = one[i]
        for j in range(other.shape[0]):
            out[i + j] += v * other[j]


@kernel
def seen_at(nodes, n, t):
    """Region that the central ray is in at a two-way time, 65535 where it has ended."""
    k = 0
    while k < n - 1 and nodes[k + 1, tb.N_TIME] <= t:
        k += 1
    return int(nodes[k, tb.N_SEEN])


@kernel
def node_near(nodes, n, s):
    """The last node before a distance along the line."""
    k = 0
    while k < n - 1 and nodes[k + 1, tb.N_S] <= s:
        k += 1
    return k


@kernel
def apparent(nodes, n, along, off, assumed):
    """Distance along a line and to its side as the line's own beam tells them: by its time and its bend there."""
    if along <= nodes[0, tb.N_S]:
        return along, off
    k = node_near(nodes, n, along)
    k = min(k, n - 2)
    w = min((along - nodes[k, tb.N_S]) / max(nodes[k + 1, tb.N_S] - nodes[k, tb.N_S], 1e-9), 1.0)
    late = (1 - w) * nodes[k, tb.N_TIME] + w * nodes[k + 1, tb.N_TIME]
    bent = (1 - w) * nodes[k, tb.N_U] + w * nodes[k + 1, tb.N_U]
    return 0.5 * late * assumed + max(along - nodes[k + 1, tb.N_S], 0.0), off - bent


@kernel
def group_of(sine, steer_sine, off, depth, region, seen, band_top, m):
    """Whether a target at an angle to the face's normal is heard by a side lobe or a grating lobe, or is seen there."""
    number = max(m[S_RX_F], depth / (2 * m[S_CHANNEL_HALF]))
    if region == seen or abs(off) < MAIN_LOBE * number * m[S_ASSUMED] / m[S_F0]:
        return OWN
    step = m[S_ASSUMED] / m[S_F0] / m[S_PITCH]
    return GRATING if abs(sine - steer_sine) * band_top > step else SIDE


@kernel
def lobes_of_line(line, face_mm, nodes, n, targets, focus_mm, focus_edges, band_top, m, iq, best, best_index):
    """Echoes of all targets on one line, beyond what its table and its surface samples hold."""
    fine, assumed, f0, sigma = m[S_SAMPLE], m[S_ASSUMED], m[S_F0], m[S_SIGMA]
    _, _, nx, nz = face_place(face_mm, m[S_RADIUS])
    steer_sine = line[2] * nz - line[3] * nx
    for g in range(targets.shape[0]):
        x, z, c = targets[g, G_X], targets[g, G_Z], assumed
        along = (x - line[0]) * line[2] + (z - line[1]) * line[3]
        off = (x - line[0]) * line[3] - (z - line[1]) * line[2]
        # Where the line, bent and delayed as it is at that depth, takes the target to be
        along, off = apparent(nodes, n, along, off, assumed)
        x, z = line[0] + along * line[2] + off * line[3], line[1] + along * line[3] - off * line[2]
        gx, gz = x - line[0], z - line[1]
        r = math.hypot(gx, gz)
        if gx * nx + gz * nz <= 0.05 * r:
            continue
        outside = 1.0
        if along > 0.0:
            node = nodes[node_near(nodes, n, along)]
            tube = POINT_TUBE * node[tb.N_HALF]
            if node[tb.N_ALIVE] > 0.0:
                edge = min(1.0, max(0.0, (1.0 - abs(off) / tube) / SHEET_EDGE))
                outside = 1.0 - math.sin(0.5 * math.pi * edge)
        if outside <= 0.0:
            continue
        shown = r / c * assumed
        k = 0
        while k < focus_mm.shape[0] - 1 and shown >= focus_edges[k + 1]:
            k += 1
        half_t, half_r = half_aperture(focus_mm[k], m[S_TX_F], m), half_aperture(shown, m[S_RX_F], m)
        centre, _ = bands.band(f0, sigma, targets[g, G_SLOPE])
        # Room for every element's delay: across the aperture they differ by less than twice its half width
        room_t, room_r = int(2.6 * half_t / c / fine) + 8, int(2.6 * half_r / c / fine) + 8
        start_t, start_r = r / c - 0.5 * room_t * fine, r / c - 0.5 * room_r * fine
        listen = np.zeros(room_r, np.complex128)
        element_answers(
            listen, start_r, line, face_mm, half_r, shown, m[S_APODISATION], x, z, c, centre, 1.0, m
        )
        if m[S_HARMONIC] > 0.0:
            half_room = room_t // 2 + 4
            start_t = 0.5 * r / c - 0.5 * half_room * fine
            once = np.zeros(half_room, np.complex128)
            element_answers(once, start_t, line, face_mm, half_t, focus_mm[k], 0.0, x, z, c, centre, 0.5, m)
            send = np.zeros(2 * half_room, np.complex128)
            fold(once, once, send)
            send *= m[S_HARMONIC] * r
            start_t *= 2.0
        else:
            send = np.zeros(room_t, np.complex128)
            element_answers(send, start_t, line, face_mm, half_t, focus_mm[k], 0.0, x, z, c, centre, 1.0, m)
        both = np.zeros(send.shape[0] + room_r, np.complex128)
        fold(send, listen, both)
        # Carrier of the start and drift by the loss, as of every other echo
        t0 = start_t + start_r
        drift = math.pi * 2 * r / c * (f0 - centre)
        turn = cmath.exp(-2j * math.pi * f0 * t0 + 1j * drift + 0.5j * math.pi)
        turn *= complex(targets[g, G_RE], targets[g, G_IM]) * targets[g, G_LOSS] * outside
        group = group_of(
            (gx * nz - gz * nx) / r,
            steer_sine,
            off,
            r,
            int(targets[g, G_REGION]),
            seen_at(nodes, n, 2 * r / c),
            band_top,
            m,
        )
        row = iq[group]
        for i in range(both.shape[0]):
            if both[i] == 0j:
                continue
            # Away from the start the true carrier is the lower one that the loss has left
            v = both[i] * turn
            deposit(row, t0 + i * fine, fine, v.real, v.imag)
            slot = int((t0 + i * fine) / fine)
            if 0 <= slot < best.shape[0] and abs(v) > best[slot]:
                best[slot] = abs(v)
                best_index[slot] = int(targets[g, G_SAMPLE])


@row_kernel("lines")
def add_lobes(
    start,
    stop,
    lines,
    face_mm,
    nodes,
    n_nodes,
    targets,
    focus_mm,
    focus_edges,
    band_top,
    m,
    iq,
    best,
    best_index,
):
    """Echoes of ``targets`` (Q, N_TARGET) on all lines by lobes, added to iq (L, 3, 2 T'); best as of surfaces."""
    for l in range(start, stop):
        lobes_of_line(
            lines[l], face_mm[l], nodes[l], n_nodes[l], targets, focus_mm, focus_edges, band_top, m, iq[l], best[l],
            best_index[l],
        )  # fmt: skip


def mark_targets(samples: Array, phantom: PackedPhantom) -> Array:
    """The samples (Q, N_SAMPLE) with the wires and beads marked whose lobes are worked out: the strongest ones.

    A wire that runs along the picture is a row of many points, of which only the sum would be right: it is left out.
    """
    painted = phantom.painted
    wires = painted.region[~painted.traced & (painted.kinds != ELLIPSOID)]
    lone = (samples[:, Q_LENGTH] > 0) | ~np.isin(samples[:, Q_REGION], wires)
    place = np.flatnonzero((samples[:, Q_SURFACE] < 0) & lone)
    size = np.hypot(samples[place, Q_RE], samples[place, Q_IM]) * np.abs(samples[place, Q_STRENGTH])
    marked = samples.copy()
    marked[place[np.argsort(-size)[:MOST_TARGETS]], Q_REFLECTION] = 1.0
    return marked


def strong_targets(view: View, traced: TracedLines) -> Array:
    """The marked wires and beads, (Q, N_TARGET), each with the loss of its way."""
    samples = traced.samples
    place = np.flatnonzero((samples[:, Q_SURFACE] < 0) & (samples[:, Q_REFLECTION] > 0))
    out = np.zeros((len(place), N_TARGET))
    out[:, G_X], out[:, G_Z] = samples[place, Q_X], samples[place, Q_Z]
    out[:, G_RE] = samples[place, Q_STRENGTH] * samples[place, Q_RE]
    out[:, G_IM] = samples[place, Q_STRENGTH] * samples[place, Q_IM]
    out[:, G_REGION], out[:, G_SAMPLE] = samples[place, Q_REGION], place
    for row in out:
        row[G_LOSS], row[G_SLOPE] = way_of(view, traced, row[G_X], row[G_Z])
    return out[out[:, G_LOSS] > 0]


def way_of(view: View, traced: TracedLines, x: float, z: float) -> tuple[float, float]:
    """Two-way amplitude and slope of the loss (Np/MHz) to a place, by the line that passes nearest to it."""
    gx, gz = x - view.lines[:, 0], z - view.lines[:, 1]
    along = gx * view.lines[:, 2] + gz * view.lines[:, 3]
    off = np.abs(gx * view.lines[:, 3] - gz * view.lines[:, 2])
    line = int(np.argmin(np.where(along > 0, off, np.inf)))
    nodes = traced.nodes[line, : int(traced.n_nodes[line])]
    k = max(int(np.searchsorted(nodes[:, tb.N_S], along[line])) - 1, 0)
    node = nodes[k]
    if node[tb.N_ALIVE] == 0:
        return 0.0, 0.0
    loss, slope = 2 * node[tb.N_PLAIN_LOSS], node[tb.N_LOSS_SLOPE]
    pulse = view.pulse
    rise = bands.band_rise(slope, pulse.sigma_mhz, pulse.frequency_mhz)
    return math.exp(rise - loss) * math.sqrt(max(node[tb.N_LOSS_RATIO], 0.0)), float(slope)


def band_top(view: View) -> float:
    """Upper end of the band at half amplitude, re its centre: up to where a grating lobe is looked for."""
    return 1 + 0.5 * 2.355 * view.pulse.sigma_mhz / view.pulse.frequency_mhz


def lobe_lines(view: View, traced: TracedLines) -> tuple[Array, Array, Array]:
    """Echoes of marked targets beside the beam, (L, 3, 2 T') float32: side, grating, and of what is seen there anyway.

    And the strongest of them and its sample, (L, T') each, or -1.
    """
    targets = strong_targets(view, traced)
    fine = np.zeros((view.plan.n_lines, 3, 2 * view.n_fine), np.float32)
    best = np.zeros((view.plan.n_lines, view.n_fine), np.float32)
    index = np.full((view.plan.n_lines, view.n_fine), -1, np.int32)
    if not len(targets):
        return fine, best, index
    add_lobes(
        view.lines, view.plan.face_mm, traced.nodes, traced.n_nodes, targets, view.focus_mm, view.plan.focus_edges_mm,
        band_top(view), view.settings, fine, best, index,
    )  # fmt: skip
    return fine, best, index
