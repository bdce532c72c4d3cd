"""Strong bodies in the way of part of an aperture: where their shadow's edge lies on it, and what passes beside.

The receive rays aim at the depth that is listened to, and their strengths there tell which part of the face a
point at that depth can see. A beamlet is wide, and a body may stop a part of it: so the edge between a ray that
passes and a neighbour that is stopped is looked for by further rays between them, and a beamlet's strength is
the mean over its own piece of the aperture. Transmit beamlets take theirs from the same profile: aimed at the
transmit focus, they tell nothing of the way to a point beyond it.
"""

from __future__ import annotations

import math

from renderer.jit import kernel
from renderer.trace.bands import S_FLOOR, S_REFRACT
from renderer.trace.beamlets import (
    FACE_MM,
    GHOST_RAY,
    GIVEN,
    SEGMENTS_GHOST,
    T_STRENGTH,
    beam_widths,
    plane_strengths,
    strength_at,
    wall_delay,
    way_to_focus,
)
from renderer.trace.rays import GHOST, PLAIN, TIME, start_segment, trace_ray

HALVINGS = 4  # the edge is found to a sixteenth of the spacing of the rays
STEP = 3.0  # neighbours that differ by more than this factor have an edge between them
PROFILE_STEPS = 8  # of the mean over a beamlet's piece of the aperture
GAUSS = 0.5 / math.sqrt(3)  # the two places of a mean that is right for straight lines and parabolas


@kernel
def ray_from(seg, a, spacing, line, focus_mm, m, phantom, reach, manner, hits):
    """Trace one ray of a row from a place on the face towards a focus; returns the number of its segments."""
    solids, media, _ = phantom
    x, z, dx, dz, _, distance, region = way_to_focus(a, line, focus_mm, m, phantom)
    widths = beam_widths(spacing, -1.0 / distance, m)
    start_segment(seg, x, 0.0, z, dx, 0.0, dz, region, media)
    seg[0, TIME] = wall_delay(m, a)
    return trace_ray(seg, solids, media, reach, m[S_FLOOR], m[S_REFRACT] > 0, manner, hits, widths)


@kernel
def apart(one, other):
    """Whether two strengths lie on two sides of an edge."""
    return max(one, other) > STEP * min(one, other) + 1e-6


@kernel
def find_edges(edges, beamlets, segments, states, line, s, m, phantom, reach, hits, spare):
    """Places of the shadows' edges among the rays of a row, into edges (J - 1,): 0..1 between neighbours, else NaN.

    ``states`` holds the strengths at the plane s that the rays are aimed at. A stopped beamlet beside an edge
    gets a ghost ray, to carry the part of it that passes. ``spare`` (MAX_SEGMENTS, N_COLUMNS) is scratch.
    Returns whether something is in the way of the row.
    """
    n = beamlets.shape[0]
    spacing = beamlets[1, FACE_MM] - beamlets[0, FACE_MM]
    hidden = False
    for j in range(n):
        hidden |= states[j, T_STRENGTH] <= 0.0
    for j in range(n - 1):
        edges[j] = math.nan
        one, other = states[j, T_STRENGTH], states[j + 1, T_STRENGTH]
        if not apart(one, other):
            continue
        hidden = True
        low, high = 0.0, 1.0
        bar = math.sqrt(max(one, 1e-9) * max(other, 1e-9))
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            a = beamlets[j, FACE_MM] + middle * (beamlets[j + 1, FACE_MM] - beamlets[j, FACE_MM])
            k = ray_from(spare, a, spacing, line, s, m, phantom, reach, PLAIN, hits)
            if (strength_at(spare, k, line, s) > bar) == (one > bar):
                low = middle
            else:
                high = middle
        edges[j] = 0.5 * (low + high)
        stopped = j if one < other else j + 1
        if beamlets[stopped, SEGMENTS_GHOST] == 0:
            a = beamlets[stopped, FACE_MM]
            beamlets[stopped, SEGMENTS_GHOST] = ray_from(
                segments[stopped, GHOST_RAY], a, spacing, line, s, m, phantom, reach, GHOST, hits
            )
    return hidden


@kernel
def profile_at(place, states, edges):
    """Strength along a row of rays at a place in units of their spacing: a step at an edge, else linear."""
    n = states.shape[0]
    place = min(max(place, 0.0), n - 1.0)
    i = min(int(place), n - 2)
    w = place - i
    one, other = states[i, T_STRENGTH], states[i + 1, T_STRENGTH]
    if not math.isnan(edges[i]) and apart(one, other):
        return one if w < edges[i] else other
    return (1 - w) * one + w * other


@kernel
def mean_strength(low, high, states, edges):
    """Mean of the profile between two places."""
    total = 0.0
    for k in range(PROFILE_STEPS):
        total += profile_at(low + (high - low) * (k + 0.5) / PROFILE_STEPS, states, edges)
    return total / PROFILE_STEPS


@kernel
def look_past(tx, rx, rx_seg, edges, line, s, states_r):
    """Give the beamlets the strength of the way from their place on the face to the plane s.

    Receive beamlets beside an edge, and every transmit beamlet that the receive rays cover. ``states_r`` is
    left with the receive rays' own strengths at the plane.
    """
    n = rx.shape[0]
    for j in range(n):
        rx[j, GIVEN] = -1.0
    plane_strengths(rx, rx_seg, line, s, states_r)
    for j in range(n):
        beside = (j > 0 and not math.isnan(edges[j - 1])) or (j < n - 1 and not math.isnan(edges[j]))
        if beside:
            rx[j, GIVEN] = mean_strength(j - 0.5, j + 0.5, states_r, edges)
    plain = True
    for j in range(n - 1):
        plain &= math.isnan(edges[j])
    first, step = rx[0, FACE_MM], (rx[n - 1, FACE_MM] - rx[0, FACE_MM]) / (n - 1)
    half = 0.5 * (tx[1, FACE_MM] - tx[0, FACE_MM]) / step
    for j in range(tx.shape[0]):
        tx[j, GIVEN] = -1.0
        place = (tx[j, FACE_MM] - first) / step
        if -0.5 <= place <= n - 0.5 and plain:
            low = profile_at(place - 2 * GAUSS * half, states_r, edges)
            tx[j, GIVEN] = 0.5 * (low + profile_at(place + 2 * GAUSS * half, states_r, edges))
        elif -0.5 <= place <= n - 0.5:
            tx[j, GIVEN] = mean_strength(place - half, place + half, states_r, edges)
