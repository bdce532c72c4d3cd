"""Echoes of surface samples on one line: exact fields at knots along each surface, and what lies between.

A sheet of coherent reflectors needs samples a tenth of a wavelength apart, but the beam's field along
a surface changes only over a good part of its width. So the sum over the beamlets is made at knots,
and between them the field (with a smooth geometric phase taken out) follows a cubic.
"""

from __future__ import annotations

import cmath
import math

import numpy as np

from renderer.jit import kernel
from renderer.tissue.materials import LOWEST_BAND
from renderer.trace.bands import (
    S_ASSUMED,
    S_CHANNEL_HALF,
    S_F0,
    S_HARMONIC,
    S_REFRACT,
    S_RX_F,
    S_SAMPLE,
    S_SIGMA,
    TUBE_WIDTHS,
    band,
    band_mean,
    band_rise,
    deposit,
    four_powers,
    point_mean,
)
from renderer.trace.beamlets import (
    ACROSS_RAYS,
    FOCUS_CURVATURE,
    GHOST_RAY,
    GIVEN,
    MOST_MADE_UP,
    SEGMENTS,
    SEGMENTS_GHOST,
    TAU,
    WAIST_MM,
    WEIGHT,
    beamlet_at,
    even_sums,
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
    NX,
    NY,
    NZ,
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
)

# Columns of a surface sample. Samples of one chain follow each other along a surface; ARC runs along it.
# Of wires and beads that are points in the picture plane, LENGTH tells whether they cross it as a strip, and ARC their depth.
(Q_X, Q_Z, Q_NX, Q_NY, Q_NZ, Q_LENGTH, Q_SURFACE, Q_BEFORE, Q_AFTER, Q_RE, Q_IM, Q_STRENGTH, Q_REGION,
 Q_Y, Q_REFLECTION, Q_CHAIN, Q_ARC) = range(17)  # fmt: skip
N_SAMPLE = 17

OWN_MM = 12.0  # a crossing of the same surface this near is the one that a sample belongs to
BEFORE_MM = 1.0  # what blocks the way to a surface is looked for this far before it
NEAR_MM = 1.5  # a surface's plane parts what lies this close to where the ray crosses it
KNOTS_PER_WIDTH = 5.0  # knots in a wavelength times F-number, the beam's width
NONE, WRONG_MEDIUM = -1, -2

# Columns of what a line knows of a sample: whether a knot, its fade at the tube's rim (0 outside), geometric time,
# and of knots the time re that, and the field
K_KNOT, K_RIM, K_GEOMETRIC, K_TIME, K_RE, K_IM = range(6)
N_KNOT = 6


@kernel
def sagitta(bend, across2):
    """How far a circle of curvature ``bend`` has left its tangent at a distance across; beside it, its radius."""
    turn2 = bend * bend * max(across2, 0.0)
    if turn2 >= 1.0:
        return 1.0 / bend
    return bend * max(across2, 0.0) / (1.0 + math.sqrt(1.0 - turn2))


@kernel
def left_again(seg, rows, r, x, z):
    """Whether a ray has crossed the surface of row r once more, well before it comes to a place."""
    for q in range(r + 1, rows):
        if int(seg[q, SURFACE]) == int(seg[r, SURFACE]):
            gx, gz = x - seg[q, PX], z - seg[q, PZ]
            return gx * seg[q - 1, DX] + gz * seg[q - 1, DZ] > NEAR_MM
    return False


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
        beyond -= sagitta(seg[r, BEND], gx * gx + gz * gz - beyond * beyond)
        if beyond < 0.02 and not left_again(
            seg, rows, r, x, z
        ):  # or past the whole body, however the ray grazed it
            return r - 1
        if r >= n:
            return NONE
    return n - 1


@kernel
def ways_to(beamlets, segments, line, x, z, surface, before, ways):
    """The segment by which every beamlet comes to a sample, into ways (J,), or NONE or WRONG_MEDIUM.

    Returns the strength-weighted loss slope in the medium in front of the sample, Np/MHz one way.
    """
    sw = sy = 0.0
    s = (x - line[0]) * line[2] + (z - line[1]) * line[3]
    for j in range(beamlets.shape[0]):
        seg = segments[j, 0]
        k = segment_before(seg, int(beamlets[j, SEGMENTS]), x, z, surface, before)
        if k >= 0 and surface >= 0 and int(seg[k, REGION]) != before:
            k = WRONG_MEDIUM
        ways[j] = k
        if k < 0 or seg[k, DX] * line[2] + seg[k, DZ] * line[3] < 0.1:
            continue
        _, _, _, _, loss, loss_slope, _, _ = beamlet_at(seg, k, line, s)
        w = abs(seg[k, AMPLITUDE]) * math.exp(-loss) * beamlets[j, WEIGHT]
        sw += w
        sy += w * loss_slope
    return sy / sw if sw > 0.0 else 0.0


@kernel
def field_at(
    beamlets, segments, line, x, z, surface, before, ways, f1, step_f, time_ref, loss_slope_ref, f0
):  # fmt: skip
    """Field of a row of beamlets at one point at the band's four frequencies about f1, phase relative to a time.

    Returns the four values, the summed strength, and the strength-weighted lateness of arrival (µs).
    """
    g1 = g2 = g3 = g4 = 0j
    weight = late = 0.0
    e1, e2, e3, e4 = even_sums(f1, step_f)
    s = (x - line[0]) * line[2] + (z - line[1]) * line[3]
    here = (x - line[0]) * line[3] - (z - line[1]) * line[2]
    for j in range(beamlets.shape[0]):
        seg = segments[j, 0]
        n = int(beamlets[j, SEGMENTS])
        k = ways[j]
        given = -1.0
        if k == WRONG_MEDIUM:
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
        v = (here - u) * cosine
        c = seg[k, SPEED]
        waist = math.pi * beamlets[j, WAIST_MM] ** 2
        q0 = complex(beamlets[j, FOCUS_CURVATURE], -seg[0, SPEED] / (waist * f1))
        spread = a + b * q0
        bend = (seg[k, C] + seg[k, D] * q0) / spread
        if bend.imag * v * v * math.pi * f1 / c < -14.0:
            continue
        fraction = beamlets[j, WEIGHT]
        own = abs(seg[k, AMPLITUDE]) * math.exp(-loss)
        if given >= 0.0:
            fraction *= min(given / max(own, 1e-12), MOST_MADE_UP)
        elif beamlets[j, ACROSS_RAYS] > 1:  # what the outer elevation rays have lost on the way
            total = own
            n_rays = int(beamlets[j, ACROSS_RAYS])
            for m in range(1, n_rays):
                other = segments[j, m]
                i = segment_before(other, int(beamlets[j, SEGMENTS + m]), x, z, surface, before)
                if i >= 0 and (surface < 0 or int(other[i, REGION]) == before):
                    total += abs(other[i, AMPLITUDE]) * math.exp(-other[i, LOSS] - (loss - seg[k, LOSS]))
            fraction *= min(total / n_rays / max(own, 1e-12), MOST_MADE_UP)
        delay = t - beamlets[j, TAU] - time_ref + slope * (here - u) / c
        # The beamlet's waist goes with 1 / sqrt(f), so that one exponent serves all three frequencies
        turn = -2j * math.pi * (delay + 0.5 * bend * v * v / c) - (loss_slope - loss_slope_ref)
        size = fraction * seg[k, AMPLITUDE] * math.exp(-loss + (loss_slope - loss_slope_ref) * f0)
        p1, p2, p3, p4 = four_powers(turn, f1, step_f)
        root = size / cmath.sqrt(spread)
        value = e2 * root * p2
        g1 += e1 * root * p1
        g2 += value
        g3 += e3 * root * p3
        g4 += e4 * root * p4
        size = abs(value)
        weight += size
        late += size * (delay + 0.5 * bend.real * v * v / c)
    return g1, g2, g3, g4, weight, late


@kernel
def sample_field(sample, line, tx, tx_seg, rx, rx_seg, ways, m, time_ref):
    """Two-way field at a sample: time of arrival and complex field at that time (0 if none).

    The carrier's drift by the loss on the way is in the field, the carrier itself is not.
    """
    f0, sigma = m[S_F0], m[S_SIGMA]
    x, z, surface = sample[Q_X], sample[Q_Z], int(sample[Q_SURFACE])
    before = -1
    if surface >= 0:  # seen from the side that the sound comes from
        away = line[2] * sample[Q_NX] + line[3] * sample[Q_NZ] < 0.0
        before = int(sample[Q_AFTER]) if away else int(sample[Q_BEFORE])
    slope_t = ways_to(tx, tx_seg, line, x, z, surface, before, ways[0])
    slope_r = ways_to(rx, rx_seg, line, x, z, surface, before, ways[1])
    slope = slope_t + slope_r
    centre, step_f = band(f0, sigma, slope)
    sent = 0.5 if m[S_HARMONIC] > 0.0 else 1.0
    t1, t2, t3, t4, wt, lt = field_at(
        tx, tx_seg, line, x, z, surface, before, ways[0], sent * centre, sent * step_f, 0.5 * time_ref,
        slope_t, f0,
    )  # fmt: skip
    if m[S_HARMONIC] > 0.0:
        # The square has taken the loss at f0 twice; it is given back once, for a loss in proportion to the frequency
        along = (x - line[0]) * line[2] + (z - line[1]) * line[3]
        grown = m[S_HARMONIC] * along * math.exp(slope_t * f0)
        t1, t2, t3, t4 = t1 * t1 * grown, t2 * t2 * grown, t3 * t3 * grown, t4 * t4 * grown
    r1, r2, r3, r4, wr, lr = field_at(
        rx, rx_seg, line, x, z, surface, before, ways[1], centre, step_f, 0.5 * time_ref, slope_r, f0
    )  # fmt: skip
    if wt < 1e-9 or wr < 1e-9:
        return time_ref, 0j
    late = lt / wt + lr / wr
    p1, p2, p3, p4 = four_powers(2j * math.pi * late, centre, step_f)
    p1, p2, p3, p4 = t1 * r1 * p1, t2 * r2 * p2, t3 * r3 * p3, t4 * r4 * p4
    # A sheet answers the integral of T R over it, a point T R times the wavelength
    value = band_mean(p1, p2, p3, p4) if surface >= 0 else point_mean(p1, p2, p3, p4, centre, step_f)
    t = time_ref + late
    # field_at leaves the loss at f0 in the amplitudes; the rest of the band's level is added here
    rise = math.exp(band_rise(slope, sigma, f0))
    drift = math.pi * t * min(slope * sigma * sigma, (1 - LOWEST_BAND) * f0)
    return t, value * rise * cmath.exp(1j * drift)


@kernel
def sample_weight(sample, line, m, media):
    """What a sample sends back of the field at it, by its reflection, lean and size."""
    if sample[Q_SURFACE] < 0:
        return sample[Q_STRENGTH] * complex(sample[Q_RE], sample[Q_IM])
    lean = line[2] * sample[Q_NX] + line[3] * sample[Q_NZ]
    before, after = int(sample[Q_BEFORE]), int(sample[Q_AFTER])
    if lean < 0.0:
        before, after = after, before
    c2 = media[after, R_SPEED] if m[S_REFRACT] > 0 else media[before, R_SPEED]
    r, _ = fluid_reflection(
        media[before, R_IMPEDANCE], media[after, R_IMPEDANCE], media[before, R_SPEED], c2, abs(lean)
    )
    return r * abs(lean) * sample[Q_LENGTH] * sample[Q_STRENGTH] * complex(sample[Q_RE], sample[Q_IM])


@kernel
def geometric_time(sample, line, media):
    """Two-way time over the straight way in the medium in front of a sample: only its changes count."""
    c = 1.0
    if sample[Q_SURFACE] >= 0:
        away = line[2] * sample[Q_NX] + line[3] * sample[Q_NZ] < 0.0
        c = media[int(sample[Q_AFTER]) if away else int(sample[Q_BEFORE]), R_SPEED]
    return 2 * math.hypot(sample[Q_X] - line[0], sample[Q_Z] - line[1]) / c


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
    """Indices of the surface samples that a line's tube may reach, in their own order, and their distances."""
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
    return index[:count], along[:count]


@kernel
def lay_knots(samples, mine, place, m, known):
    """Mark which of a line's samples are knots: first and last of every run, and one in each stretch of its arc.

    Stretches are counted from the chain's start in steps of powers of root two, so that neighbouring
    lines have the same knots.
    """
    wavelength = m[S_ASSUMED] / m[S_F0]
    n = mine.shape[0]
    for i in range(n):
        q = mine[i]
        chain = samples[q, Q_CHAIN]
        first = i == 0 or mine[i - 1] != q - 1 or samples[q - 1, Q_CHAIN] != chain
        last = i == n - 1 or mine[i + 1] != q + 1 or samples[q + 1, Q_CHAIN] != chain
        width = wavelength * max(m[S_RX_F], place[i] / (2 * m[S_CHANNEL_HALF])) / KNOTS_PER_WIDTH
        stretch = 2.0 ** (0.5 * math.floor(2 * math.log2(width)))
        knot = first or last
        if not knot:
            knot = math.floor(samples[q, Q_ARC] / stretch) != math.floor(samples[q - 1, Q_ARC] / stretch)
        for c in range(N_KNOT):
            known[i, c] = 0.0
        known[i, K_KNOT] = 1.0 if knot else 0.0


@kernel
def note_field(known, t, value, f0):
    """Keep a knot's field with the geometric phase taken out, so that it changes slowly along the surface."""
    geometric = known[K_GEOMETRIC]
    value *= cmath.exp(-2j * math.pi * f0 * (t - geometric))
    known[K_TIME] = t - geometric
    known[K_RE], known[K_IM] = value.real, value.imag


@kernel
def between_knots(known, arcs, knots, n_knots, b, arc):
    """Time and field at an arc between knots b - 1 and b: cubic through four knots where there are, else linear."""
    i0, i1 = knots[b - 1], knots[b]
    x0, x1 = arcs[i0], arcs[i1]
    w = (arc - x0) / (x1 - x0) if x1 > x0 else 0.0
    time = (1 - w) * known[i0, K_TIME] + w * known[i1, K_TIME]
    re = (1 - w) * known[i0, K_RE] + w * known[i1, K_RE]
    im = (1 - w) * known[i0, K_IM] + w * known[i1, K_IM]
    if b < 2 or b > n_knots - 2:
        return time, re, im
    ia, ib = knots[b - 2], knots[b + 1]
    xa, xb = arcs[ia], arcs[ib]
    if xa >= x0 or xb <= x1:
        return time, re, im
    pa = (arc - x0) * (arc - x1) * (arc - xb) / ((xa - x0) * (xa - x1) * (xa - xb))
    p0 = (arc - xa) * (arc - x1) * (arc - xb) / ((x0 - xa) * (x0 - x1) * (x0 - xb))
    p1 = (arc - xa) * (arc - x0) * (arc - xb) / ((x1 - xa) * (x1 - x0) * (x1 - xb))
    pb = (arc - xa) * (arc - x0) * (arc - x1) / ((xb - xa) * (xb - x0) * (xb - x1))
    re = pa * known[ia, K_RE] + p0 * known[i0, K_RE] + p1 * known[i1, K_RE] + pb * known[ib, K_RE]
    im = pa * known[ia, K_IM] + p0 * known[i0, K_IM] + p1 * known[i1, K_IM] + pb * known[ib, K_IM]
    return time, re, im


@kernel
def deposit_run(samples, mine, known, first, end, line, m, media, row, best, best_index):
    """Deposit the echoes of one run of neighbouring samples, whose knots are known."""
    f0 = m[S_F0]
    knots = np.empty(end - first, np.int64)
    arcs = np.empty(end - first)
    n_knots = 0
    for i in range(first, end):
        arcs[i - first] = samples[mine[i], Q_ARC]
        if known[i, K_KNOT] > 0.0:
            knots[n_knots] = i - first
            n_knots += 1
    part = known[first:end]
    b = 1
    for i in range(end - first):
        while b < n_knots - 1 and knots[b] < i:
            b += 1
        if part[i, K_RIM] <= 0.0:
            continue
        if part[i, K_KNOT] > 0.0 or n_knots < 2:
            time, re, im = part[i, K_TIME], part[i, K_RE], part[i, K_IM]
        else:
            time, re, im = between_knots(part, arcs, knots, n_knots, b, arcs[i])
        if re == 0.0 and im == 0.0:
            continue
        q = mine[first + i]
        geometric = part[i, K_GEOMETRIC]
        value = complex(re, im) * sample_weight(samples[q], line, m, media) * part[i, K_RIM]
        value *= cmath.exp(-2j * math.pi * f0 * geometric)
        t = time + geometric
        deposit(row, t, m[S_SAMPLE], value.real, value.imag)
        slot = int(t / m[S_SAMPLE])
        if 0 <= slot < best.shape[0] and abs(value) > best[slot]:
            best[slot] = abs(value)
            best_index[slot] = q


@kernel
def deposit_samples(samples, mine, known, line, m, media, row, best, best_index):
    """Deposit the echoes of all samples of a line, run by run."""
    first = 0
    for i in range(1, mine.shape[0] + 1):
        ends = i == mine.shape[0] or mine[i] != mine[i - 1] + 1
        if ends or samples[mine[i], Q_CHAIN] != samples[mine[i - 1], Q_CHAIN]:
            deposit_run(samples, mine, known, first, i, line, m, media, row, best, best_index)
            first = i
