"""Beamlets: an aperture as a row of Gaussian beams, each carried by one traced ray.

Neighbouring beamlets overlap (waist 0.75 of their spacing), so that their sum is an even aperture
within 1 %. A beamlet's field near its ray is

    amplitude / sqrt(A + B Q0) * exp(-2 pi i f (t - tau + (slope v + Q v^2 / 2) / c)),

with Q = (C + D Q0) / (A + B Q0) the complex wave curvature, Q0 its value at the face (focusing and
waist), tau the delay by which the machine fires early, and v the offset from the ray.
Reference: Gaussian beams and the ABCD law as in Siegman, Lasers (1986); from memory.
"""

from __future__ import annotations

import cmath
import math

from renderer.jit import kernel
from renderer.trace.bands import (
    N_SETTINGS,
    S_ASSUMED,
    S_ELEMENTS,
    S_F0,
    S_FACE_HALF,
    S_FLOOR,
    S_HEIGHT,
    S_LENS,
    S_PITCH,
    S_RADIUS,
    S_REFRACT,
    four_powers,
)
from renderer.trace.rays import (
    ALPHA,
    ALPHA_SLOPE,
    AMPLITUDE,
    DX,
    DZ,
    GHOST,
    LENGTH,
    LOSS,
    LOSS_SLOPE,
    NX,
    NY,
    NZ,
    PATH,
    PLAIN,
    PX,
    PY,
    PZ,
    R_SPEED,
    SPEED,
    TIME,
    A,
    B,
    C,
    D,
    start_region,
    start_segment,
    trace_ray,
)

WAIST_BY_SPACING = 0.75
EVEN_SUM = 1.0 / (math.sqrt(math.pi) * WAIST_BY_SPACING)  # the beamlets of an even aperture add up to 1

# Columns of a beamlet row
(
    TAU,
    WEIGHT,
    FOCUS_CURVATURE,
    WAIST_MM,
    FACE_MM,
    SEGMENTS,
    SEGMENTS_UP,
    SEGMENTS_DOWN,
    SEGMENTS_GHOST,
    GIVEN,
    FULL_WEIGHT,
    FACE_X,
    FACE_Z,
    ACROSS_RAYS,
) = range(14)
N_BEAMLET = 14
# Columns of a beamlet's state at a plane across the line
(T_STRENGTH, T_RAY, T_SEGMENT, T_OWN, T_U, T_SLOPE, T_COSINE, T_TIME, T_LOSS, T_LOSS_SLOPE, T_A, T_B) = range(
    12
)
N_STATE = 12

LEAST_FADE = -30.0  # nepers below its middle at which a beamlet's field is nothing
# Width over which a beamlet averages a rounded surface, in spacings of the rays; against one-way waves past cylinders
# of 2 and 6 mm, the rms difference of the profiles falls from 2.3 to 6.1 dB without it to 1.4 to 2.6 with 2 to 4.
BLUNT = 3.0
MOST_MADE_UP = 1.5  # a ray stands for at most this many times its own strength
NEAR_END_MM, NEAR_END_SLOPE = 1.0, 0.02  # how far a ray beside the picture plane may run from the one in it
GHOST_RAY = 3  # place of the ghost among a beamlet's rays
N_RAYS = 4


@kernel
def face_place(a, radius):
    """Point and normal of the face in the picture plane at a place along it: x, z, nx, nz."""
    if radius > 1e8:
        return a, 0.0, 0.0, 1.0
    s, c = math.sin(a / radius), math.cos(a / radius)
    return radius * s, radius * (c - 1.0), s, c


@kernel
def window(kind, x):
    """Apodisation at a place -1..1 of the nominal aperture: 0 none, 1 Hamming, 2 Hann."""
    if kind == 1:
        return 0.54 + 0.46 * math.cos(math.pi * min(1.0, abs(x)))
    if kind == 2:
        return 0.5 + 0.5 * math.cos(math.pi * min(1.0, abs(x)))
    return 1.0


@kernel
def directivity(pitches_times_sine):
    """Directivity of an element as wide as the pitch: sinc of pitch / wavelength * sine of the angle."""
    q = math.pi * pitches_times_sine
    return math.sin(q) / q if abs(q) > 1e-6 else 1.0


@kernel
def strengths_before(m, place):
    """Sum of the strengths of the elements before a place along the face, counted in elements."""
    n = int(m[S_ELEMENTS])
    place = min(max(place, 0.0), float(n))
    i = min(int(place), n - 1)
    w = place - i
    return (1 - w) * m[N_SETTINGS + i] + w * m[N_SETTINGS + i + 1]


@kernel
def element_strength(m, a, width_mm):
    """Mean strength of the elements under a piece of the face about a place; 1 for a sound probe."""
    if m.shape[0] == N_SETTINGS:
        return 1.0
    low = (a - 0.5 * width_mm + m[S_FACE_HALF]) / m[S_PITCH]
    high = (a + 0.5 * width_mm + m[S_FACE_HALF]) / m[S_PITCH]
    return (strengths_before(m, high) - strengths_before(m, low)) / (high - low)


@kernel
def wall_delay(m, a):
    """Delay that the wall under the probe adds at a place along the face, us: linear between the elements."""
    n = int(m[S_ELEMENTS])
    first = N_SETTINGS + n + 1
    if m.shape[0] <= first:
        return 0.0
    place = min(max((a + m[S_FACE_HALF]) / m[S_PITCH] - 0.5, 0.0), n - 1.0)
    i = min(int(place), n - 2)
    w = place - i
    return (1 - w) * m[first + i] + w * m[first + i + 1]


@kernel
def way_to_focus(a, line, focus_mm, m, phantom):
    """Where and how a ray leaves the face at a place along it, with the delays for a focus on the line.

    Returns x, z, direction x, z, sine to the face's normal, distance to the focus, and region at the start.
    """
    solids, media, _ = phantom
    x, z, nx, nz = face_place(a, m[S_RADIUS])
    dx, dz = line[0] + focus_mm * line[2] - x, line[1] + focus_mm * line[3] - z
    distance = math.sqrt(dx * dx + dz * dz)
    region = start_region(solids, x, 0.0, z, nx, 0.0, nz)
    bend = media[region, R_SPEED] / m[S_ASSUMED] if m[S_REFRACT] > 0 else 1.0
    # The delays set the phase along the face; the medium turns that into a direction
    sine = (dx * nz - dz * nx) / distance * bend
    sine = max(-0.98, min(0.98, sine))
    cosine = math.sqrt(1.0 - sine * sine)
    return x, z, sine * nz + cosine * nx, cosine * nz - sine * nx, sine, distance, region


@kernel
def passes_near(seg, n, ends, reach_mm):
    """Whether a traced ray comes near any of the circles (x, z, radius) in the picture plane."""
    for k in range(n):
        length = min(seg[k, LENGTH], reach_mm)
        for e in range(ends.shape[0]):
            gx, gz = ends[e, 0] - seg[k, PX], ends[e, 1] - seg[k, PZ]
            along = min(max(gx * seg[k, DX] + gz * seg[k, DZ], 0.0), length)
            near = ends[e, 2] + NEAR_END_MM + NEAR_END_SLOPE * (seg[k, PATH] + along)
            if math.hypot(gx - along * seg[k, DX], gz - along * seg[k, DZ]) < near:
                return True
    return False


@kernel
def beam_widths(spacing, curvature, m):
    """What ``trace_ray`` wants to know of the beam that a ray stands for: widths at the face and at least, mm."""
    return BLUNT * spacing, curvature, BLUNT * m[S_ASSUMED] / m[S_F0]


@kernel
def aim_beamlets(
    beamlets, segments, line, face_mm, half_mm, focus_mm, apodisation, m, phantom, reach_mm, ghosts,
    hits,
):  # fmt: skip
    """Aim a row of beamlets at a focus on the line and trace their rays.

    ``beamlets`` (J, N_BEAMLET) and ``segments`` (J, N_RAYS, MAX_SEGMENTS, N_COLUMNS) are filled; the
    rays of a beamlet start at y = 0, +h/3 and -h/3, the outer ones only where bodies that end across the slice
    are near; with ``ghosts`` > 0 the last goes straight through strong bodies. ``line``: origin x, z, direction
    x, z; ``m``: machine settings; ``phantom``: solids, media, and circles round bodies that end across the slice
    (x, z, radius); ``hits`` is scratch of the tracer.
    """
    solids, media, ends = phantom
    assumed, refract = m[S_ASSUMED], m[S_REFRACT] > 0
    wavelength = assumed / m[S_F0]
    n = beamlets.shape[0]
    low, high = max(face_mm - half_mm, -m[S_FACE_HALF]), min(face_mm + half_mm, m[S_FACE_HALF])
    spacing = (high - low) / n
    for j in range(n):
        a = low + (j + 0.5) * spacing
        x, z, dx, dz, sine, distance, region = way_to_focus(a, line, focus_mm, m, phantom)
        cosine = math.sqrt(1.0 - sine * sine)
        bend = media[region, R_SPEED] / assumed if refract else 1.0
        beamlets[j, TAU] = (distance - focus_mm) / assumed
        beamlets[j, FULL_WEIGHT] = EVEN_SUM * directivity(m[S_PITCH] * sine / wavelength)
        beamlets[j, FULL_WEIGHT] *= element_strength(m, a, spacing)
        beamlets[j, WEIGHT] = beamlets[j, FULL_WEIGHT] * window(apodisation, (a - face_mm) / half_mm)
        beamlets[j, FOCUS_CURVATURE] = -bend / distance
        beamlets[j, WAIST_MM] = WAIST_BY_SPACING * spacing * cosine
        beamlets[j, FACE_MM], beamlets[j, FACE_X], beamlets[j, FACE_Z] = a, x, z
        widths = beam_widths(spacing * cosine, beamlets[j, FOCUS_CURVATURE], m)
        late = wall_delay(m, a)
        beamlets[j, GIVEN] = -1.0
        beamlets[j, SEGMENTS_GHOST] = 0
        beamlets[j, ACROSS_RAYS] = 1.0
        for e in range(3):
            beamlets[j, SEGMENTS + e] = 0
            if e >= beamlets[j, ACROSS_RAYS]:
                continue
            y = 0.0 if e == 0 else (m[S_HEIGHT] / 3 if e == 1 else -m[S_HEIGHT] / 3)
            dy = -y / m[S_LENS]
            norm = 1.0 / math.sqrt(1.0 + dy * dy)
            start_segment(segments[j, e], x, y, z, dx * norm, dy * norm, dz * norm, region, media)
            segments[j, e, 0, TIME] = late
            beamlets[j, SEGMENTS + e] = trace_ray(
                segments[j, e], solids, media, reach_mm, m[S_FLOOR], refract, PLAIN, hits, widths
            )
            if e == 0 and passes_near(segments[j, 0], int(beamlets[j, SEGMENTS]), ends, reach_mm):
                beamlets[j, ACROSS_RAYS] = 3.0
        if ghosts > 0:
            start_segment(segments[j, GHOST_RAY], x, 0.0, z, dx, 0.0, dz, region, media)
            segments[j, GHOST_RAY, 0, TIME] = late
            beamlets[j, SEGMENTS_GHOST] = trace_ray(
                segments[j, GHOST_RAY], solids, media, reach_mm, m[S_FLOOR], refract, GHOST, hits, widths
            )


@kernel
def new_delays(beamlets, line, focus_mm, assumed):
    """Re-focus by the delays alone: what a receiver does from sample to sample."""
    fx, fz = line[0] + focus_mm * line[2], line[1] + focus_mm * line[3]
    for j in range(beamlets.shape[0]):
        way = math.hypot(fx - beamlets[j, FACE_X], fz - beamlets[j, FACE_Z])
        beamlets[j, TAU] = (way - focus_mm) / assumed


@kernel
def new_aperture(beamlets, face_mm, half_mm, apodisation):
    """Weigh the beamlets for an aperture within the row: it grows from sample to sample, too.

    A beamlet at the end counts by the part of its spacing that the aperture covers.
    """
    n = beamlets.shape[0]
    spacing = (beamlets[n - 1, FACE_MM] - beamlets[0, FACE_MM]) / (n - 1)
    for j in range(n):
        off = abs(beamlets[j, FACE_MM] - face_mm)
        cover = min(max((half_mm - off) / spacing + 0.5, 0.0), 1.0)
        beamlets[j, WEIGHT] = beamlets[j, FULL_WEIGHT] * window(apodisation, off / half_mm) * cover


@kernel
def strength_at(seg, n, line, s):
    """Amplitude times loss of a ray where it passes the plane at distance s along the line, else 0."""
    for k in range(n - 1, -1, -1):
        along = seg[k, DX] * line[2] + seg[k, DZ] * line[3]
        start = (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3]
        if start <= s or k == 0:
            if along < 0.1:
                return 0.0
            step = (s - start) / along
            if step > seg[k, LENGTH]:
                return 0.0
            return seg[k, AMPLITUDE] * math.exp(-seg[k, LOSS] - step * seg[k, ALPHA])
    return 0.0


@kernel
def beamlet_strength(beamlets, segments, j, line, s):
    """Mean strength over the elevation rays of a beamlet at a plane, and the ray that gives the geometry.

    A strength that was given (see ``obstruction``) stands in place of the mean.
    """
    total, middle, most, chosen = 0.0, 0.0, 0.0, -1
    n_rays = int(beamlets[j, ACROSS_RAYS])
    for m in range(n_rays):
        w = strength_at(segments[j, m], int(beamlets[j, SEGMENTS + m]), line, s)
        total += w
        if m == 0:
            middle = w
        if w > most:
            most, chosen = w, m
    if middle > 0.5 * most:
        chosen = 0
    given = beamlets[j, GIVEN]
    if given >= 0.0:
        if given == 0.0:
            return 0.0, -1
        # What comes past a body does not go the way of the little that comes through it
        if given > 2.0 * most and beamlets[j, SEGMENTS_GHOST] > 0:
            chosen = GHOST_RAY
        return given, chosen
    return total / n_rays, chosen


@kernel
def plane_strengths(beamlets, segments, line, s, states):
    """Strength of every beamlet at the plane s, into the first two columns of its state."""
    for j in range(beamlets.shape[0]):
        strength, m = beamlet_strength(beamlets, segments, j, line, s)
        states[j, T_STRENGTH], states[j, T_RAY] = strength, m


@kernel
def plane_states(beamlets, segments, line, s, states):
    """State of every beamlet at the plane s along the line, into ``states`` (J, N_STATE)."""
    plane_strengths(beamlets, segments, line, s, states)
    for j in range(beamlets.shape[0]):
        m = int(states[j, T_RAY])
        if m < 0:
            continue
        seg, n = segments[j, m], int(beamlets[j, SEGMENTS + m])
        k = segment_at(seg, n, line, s)
        states[j, T_SEGMENT] = k
        states[j, T_OWN] = strength_at(seg, n, line, s)
        if states[j, T_OWN] <= 0.0:  # the ray that should stand in has itself been lost
            states[j, T_RAY] = -1
            continue
        (states[j, T_U], states[j, T_SLOPE], states[j, T_COSINE], states[j, T_TIME], states[j, T_LOSS],
         states[j, T_LOSS_SLOPE], states[j, T_A], states[j, T_B]) = beamlet_at(seg, k, line, s)  # fmt: skip


@kernel
def side_interval(seg, k, line, s, sign, low, high):
    """Offsets u of the plane at s that lie beyond (sign +1) or before (-1) the surface at the start of k."""
    ox, oz, lx, lz = line[0], line[1], line[2], line[3]
    # X(u) = origin + s l + u e with e = (lz, -lx)
    gx, gz = ox + s * lx - seg[k, PX], oz + s * lz - seg[k, PZ]
    constant = gx * seg[k, NX] + gz * seg[k, NZ] - seg[k, PY] * seg[k, NY]
    slope = lz * seg[k, NX] - lx * seg[k, NZ]
    if abs(slope) < 1e-9:
        if sign * constant < 0.0:
            return 1.0, -1.0
        return low, high
    edge = -constant / slope
    if sign * slope > 0.0:
        return max(low, edge), high
    return low, min(high, edge)


@kernel
def beamlet_at(seg, k, line, s):
    """State of a ray's segment on the plane at s: offset u, slope, cosine, time, loss, its slope, A', B'."""
    lx, lz = line[2], line[3]
    along = seg[k, DX] * lx + seg[k, DZ] * lz
    gx, gz = seg[k, PX] - line[0], seg[k, PZ] - line[1]
    step = (s - gx * lx - gz * lz) / along
    u = gx * lz - gz * lx + step * (seg[k, DX] * lz - seg[k, DZ] * lx)
    slope = seg[k, DX] * lz - seg[k, DZ] * lx
    # A row beside a leaning surface is followed beyond the ray's own way; loss must not turn into gain there
    way = min(max(step, 0.0), seg[k, LENGTH])
    return (
        u,
        slope,
        along,
        seg[k, TIME] + step / seg[k, SPEED],
        seg[k, LOSS] + way * seg[k, ALPHA],
        seg[k, LOSS_SLOPE] + way * seg[k, ALPHA_SLOPE],
        seg[k, A] + step * seg[k, C],
        seg[k, B] + step * seg[k, D],
    )


@kernel
def even_sums(centre, step):
    """What keeps the sum over an aperture even at the four frequencies: waists go with 1 / sqrt(f)."""
    q = step / centre
    return math.sqrt(1 - 3 * q), math.sqrt(1 - q), math.sqrt(1 + q), math.sqrt(1 + 3 * q)


@kernel
def add_gaussians(out, first, last, u_low, step_u, u_ray, value, linear, square, centre, step_f):
    """Add value_w * exp(f_w (linear v + square v^2)), v = u - u_ray, to out[w, first:last + 1] at four frequencies.

    ``value`` holds the four complex amplitudes; the frequencies are those of ``four_powers``. Runs outwards
    from the sample nearest the ray by a recurrence of two complex products a sample; the four run side by side.
    """
    # Beyond this reach the beamlet is below -139 dB of its middle
    reach = math.sqrt(16.0 / max(-square.real * (centre - 3 * step_f), 1e-9))
    first = max(first, int(math.ceil((u_ray - reach - u_low) / step_u)))
    last = min(last, int(math.floor((u_ray + reach - u_low) / step_u)))
    if first > last:
        return
    middle = int(round((u_ray - u_low) / step_u))
    middle = max(first, min(last, middle))
    v = u_low + middle * step_u - u_ray
    s1, s2, s3, s4 = four_powers(linear * v + square * v * v, centre, step_f)
    s1, s2, s3, s4 = s1 * value[0], s2 * value[1], s3 * value[2], s4 * value[3]
    t1, t2, t3, t4 = four_powers(2.0 * square * step_u * step_u, centre, step_f)
    for way in range(2):
        sign = 1 if way == 0 else -1
        r1, r2, r3, r4 = four_powers(
            sign * (linear + 2 * square * v) * step_u + square * step_u * step_u, centre, step_f
        )
        g1, g2, g3, g4 = s1, s2, s3, s4
        if way == 1:
            g1, g2, g3, g4 = g1 * r1, g2 * r2, g3 * r3, g4 * r4
            r1, r2, r3, r4 = r1 * t1, r2 * t2, r3 * t3, r4 * t4
        count = last - middle + 1 if way == 0 else middle - first
        place = middle if way == 0 else middle - 1
        for _ in range(count):
            out[0, place] += g1
            out[1, place] += g2
            out[2, place] += g3
            out[3, place] += g4
            g1, g2, g3, g4 = g1 * r1, g2 * r2, g3 * r3, g4 * r4
            r1, r2, r3, r4 = r1 * t1, r2 * t2, r3 * t3, r4 * t4
            place += sign


@kernel
def row_reference(beamlets, segments, states, result):
    """What a row of beamlets has in common at a plane, from their states there.

    ``result``: total weight, mean offset, spread, place for the time of ``row_time``, mean slope / c, mean
    loss, mean loss slope, mean of squared strength. Returns whether any beamlet is alive.
    """
    n = beamlets.shape[0]
    sw = su = qu = quu = sk = sx = sy = sq = 0.0
    for j in range(n):
        m = int(states[j, T_RAY])
        if m < 0:
            continue
        w = states[j, T_STRENGTH] * beamlets[j, WEIGHT]
        u = states[j, T_U]
        sq += w * w
        sw += w
        su += w * u
        # By energy: what little comes through a body, bent far aside, must not widen the row
        qu += w * w * u
        quu += w * w * u * u
        sk += w * states[j, T_SLOPE] / segments[j, m, int(states[j, T_SEGMENT]), SPEED]
        sx += w * states[j, T_LOSS]
        sy += w * states[j, T_LOSS_SLOPE]
    result[0] = sw
    if sw < 1e-7 * n:
        return False
    result[1] = su / sw
    result[2] = math.sqrt(max(quu / sq - (qu / sq) ** 2, 0.0))
    result[4] = sk / sw
    result[5] = sx / sw
    result[6] = sy / sw
    result[7] = sq
    return True


@kernel
def wave_at_face(beamlet, speed, frequency):
    """Complex curvature of a beamlet's wave at the face, 1/mm: focus and waist."""
    return complex(beamlet[FOCUS_CURVATURE], -speed / (math.pi * frequency * beamlet[WAIST_MM] ** 2))


@kernel
def row_time(beamlets, segments, states, u, frequency):
    """Mean of (t - tau) at an offset of a plane, us.

    Each beamlet counts by the strength of its field there: one that a curved surface has brought together
    elsewhere has a curvature that says nothing of the time here.
    """
    st, sw = 0.0, 0.0
    for j in range(beamlets.shape[0]):
        m = int(states[j, T_RAY])
        if m < 0:
            continue
        seg = segments[j, m, int(states[j, T_SEGMENT])]
        q0 = wave_at_face(beamlets[j], segments[j, m, 0, SPEED], frequency)
        spread = states[j, T_A] + states[j, T_B] * q0
        bend = (seg[C] + seg[D] * q0) / spread * states[j, T_COSINE] ** 2
        v = u - states[j, T_U]
        fade = math.pi * frequency * bend.imag * v * v / seg[SPEED]
        w = (
            states[j, T_STRENGTH]
            * beamlets[j, WEIGHT]
            * math.exp(max(fade, LEAST_FADE))
            / math.sqrt(abs(spread))
        )
        late = (states[j, T_SLOPE] * v + 0.5 * bend.real * v * v) / seg[SPEED] if fade > LEAST_FADE else 0.0
        st += w * (states[j, T_TIME] - beamlets[j, TAU] + late)
        sw += w
    return st / max(sw, 1e-300)


@kernel
def segment_at(seg, n, line, s):
    """The last segment of a ray that starts before the plane s."""
    for k in range(n - 1, 0, -1):
        if (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3] <= s:
            return k
    return 0


@kernel
def add_row(
    out, beamlets, segments, states, line, s, u_low, step_u, centre, step_f, time_ref, slope_ref, u_ref, loss_ref,
    loss_slope_ref, f0,
):  # fmt: skip
    """Field of a row of beamlets along the plane at s, at the band's four frequencies, into out (4, U).

    The phase is relative to time_ref + slope_ref (u - u_ref), and the loss relative to the
    references, so that the row varies slowly. A beamlet's waist goes with 1 / sqrt(f), so that one
    complex curvature serves all frequencies (the sum over the aperture stays even, see ``EVEN_SUM``).
    """
    n_u = out.shape[1]
    u_high = u_low + (n_u - 1) * step_u
    near = 0.5 * (u_high - u_low)
    e1, e2, e3, e4 = even_sums(centre, step_f)
    for j in range(beamlets.shape[0]):
        m = int(states[j, T_RAY])
        if m < 0 or beamlets[j, WEIGHT] == 0.0:
            continue
        seg = segments[j, m]
        n_seg = int(beamlets[j, SEGMENTS + m])
        fraction = min(states[j, T_STRENGTH] / states[j, T_OWN], MOST_MADE_UP) * beamlets[j, WEIGHT]
        q0 = wave_at_face(beamlets[j], seg[0, SPEED], centre)
        for k in range(n_seg):
            along = seg[k, DX] * line[2] + seg[k, DZ] * line[3]
            if along < 0.1:
                continue
            low, high = u_low, u_high
            # Close to a surface its plane parts the row; farther off only the order along the line counts:
            # the plane of a grazing surface would cut through the whole beam.
            if k > 0:
                start = (seg[k, PX] - line[0]) * line[2] + (seg[k, PZ] - line[1]) * line[3]
                if s < start - near:
                    break
                if s < start + near:
                    low, high = side_interval(seg, k, line, s, 1.0, low, high)
            if low <= high and seg[k, LENGTH] < 1e8:
                end = (seg[k + 1, PX] - line[0]) * line[2] + (seg[k + 1, PZ] - line[1]) * line[3]
                if s > end + near:
                    continue
                if s > end - near:
                    low, high = side_interval(seg, k + 1, line, s, -1.0, low, high)
            if low > high:
                continue
            first = int(math.ceil((low - u_low) / step_u - 1e-9))
            last = int(math.floor((high - u_low) / step_u + 1e-9))
            if first > last:
                continue
            u, slope, cosine, t, loss, loss_slope, a, b = beamlet_at(seg, k, line, s)
            c = seg[k, SPEED]
            spread = a + b * q0
            bend = (seg[k, C] + seg[k, D] * q0) / spread
            size = fraction * seg[k, AMPLITUDE] / cmath.sqrt(spread) * math.exp(loss_ref - loss)
            # Time and loss that grow with the frequency
            late = t - beamlets[j, TAU] - time_ref - slope_ref * (u - u_ref)
            more = loss_slope - loss_slope_ref
            turn = complex(-more, -2 * math.pi * late)
            p1, p2, p3, p4 = four_powers(turn, centre, step_f)
            size *= math.exp(f0 * more)
            value = (size * e1 * p1, size * e2 * p2, size * e3 * p3, size * e4 * p4)
            add_gaussians(
                out, max(first, 0), min(last, n_u - 1), u_low, step_u, u, value,
                -2j * math.pi * (slope / c - slope_ref), -2j * math.pi * 0.5 * cosine * cosine * bend / c, centre, step_f,
            )  # fmt: skip
