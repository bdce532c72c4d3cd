"""How much is missing where the aperture of a line would reach beyond the end of the array."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from renderer.probe.plan import some_lines
from renderer.trace import bands
from renderer.trace import direct as d
from renderer.trace import tables as tb
from renderer.trace.phantom import reference_phantom
from renderer.trace.sheets import N_SAMPLE

Array = np.ndarray

ENDLESS_MM = 1e9  # half length of a face that no aperture reaches the end of


def edge_of_field_db(view: d.View) -> Array:
    """Two-way gain of the aperture that each line really has re the whole one that it asks for, dB, (L, T).

    10 log10 of the integral of |T R|^2 across the line, T and R the fields that are sent and listened for at that
    depth with the settings in force, with the face as long as it is over the same with a face without ends. Both in
    the reference tissue, with all elements sound: it is what the mean level of even gelatine loses there. Channels
    limit both alike. 0 on the lines whose apertures all lie on the array.
    """
    plan, m = view.plan, view.settings[: bands.N_SETTINGS].copy()
    effect = np.zeros((plan.n_lines, len(plan.time_us)))
    widest = np.maximum(
        0.5 * np.append(view.focus_mm / m[bands.S_TX_F], view.base_s_mm[-1] / m[bands.S_RX_F]),
        m[bands.S_LEAST_HALF],
    ).max()
    widest = min(widest, m[bands.S_CHANNEL_HALF])
    which = np.flatnonzero(np.abs(plan.face_mm) + widest > m[bands.S_FACE_HALF])
    if not len(which):
        return effect
    m[bands.S_GHOSTS], m[bands.S_REFRACT] = 0.0, 1.0
    part = replace(view, plan=some_lines(plan, which), lines=view.lines[which])
    endless = m.copy()
    endless[bands.S_FACE_HALF] = ENDLESS_MM
    own = _gains(replace(part, settings=m))
    if (
        plan.fan.apex_mm is None and plan.fan.radius_mm > 0.0
    ):  # lines that leave the face alike have one whole aperture
        one = replace(part, plan=some_lines(part.plan, slice(0, 1)), lines=part.lines[:1])
        whole = _gains(replace(one, settings=endless)) * len(which)
    else:
        whole = _gains(replace(part, settings=endless))
    for line, (s, time, gain), (s_whole, _, gain_whole) in zip(which, own, whole, strict=True):
        ratio = gain / np.interp(s, s_whole, gain_whole)
        effect[line] = np.interp(plan.time_us, time, 10 * np.log10(np.maximum(ratio, 1e-8)))
    return effect


def _gains(view: d.View) -> list[tuple[Array, Array, Array]]:
    """Distance, two-way time and gain at the nodes of every line in the reference tissue."""
    phantom = reference_phantom(frequency_mhz=view.pulse.frequency_mhz, assumed_speed_mm_per_us=view.assumed)
    end_us = float(view.plan.time_us[-1]) + 2.0
    traced = d.trace_view(view, phantom, np.zeros((0, N_SAMPLE)), end_us=end_us)
    found = []
    for nodes, n in zip(traced.nodes, traced.n_nodes, strict=True):
        alive = nodes[:n][nodes[:n, tb.N_ALIVE] > 0]
        found.append((alive[:, tb.N_S], alive[:, tb.N_TIME], alive[:, tb.N_GAIN]))
    return found
