"""The secondary echoes of one view: what the kernels need, and what they give."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from renderer.probe.transducer import Probe
from renderer.tissue.scatterers import Scatterers
from renderer.trace import branches as br
from renderer.trace import secondary as sec
from renderer.trace.direct import View, point_scale
from renderer.trace.elevation import strip_factor
from renderer.trace.phantom import PackedPhantom
from renderer.trace.sheets import N_SAMPLE

Array = np.ndarray


@dataclass(frozen=True)
class SecondaryLines:
    """Secondary echoes by class, and what made the strongest of them.

    ``fine`` (L, N_SECONDARY, 2 T') float32; ``best``, ``tag`` (via * 256 + order), ``index``
    (L, N_SECONDARY, T') as in ``renderer.trace.secondary``; ``echoes`` (L, MAX_ECHOES, N_ECHO) with ``n_echoes`` (L,) in use.
    """

    fine: Array
    best: Array
    tag: Array
    index: Array
    echoes: Array
    n_echoes: Array


def level_strips(view: View) -> Array:
    """Elevation integral of a level strip at the distances of the elevation table, (Z,) complex."""
    e = view.elevation
    s = np.exp(e.log_start + e.log_step * np.arange(len(e.reach_mm)))
    flat = np.zeros_like(s)
    return strip_factor(e, s, flat, flat, view.pulse.frequency_mhz, view.assumed)


def trace_secondary(
    view: View, phantom: PackedPhantom, points: Scatterers, samples: Array, probe: Probe, *, end_us: float,
    listen_us: float,
) -> SecondaryLines:  # fmt: skip
    """Reverberation, mirror, multipath and range ambiguity of one view."""
    n_lines = view.plan.n_lines
    shape = (n_lines, br.N_SECONDARY, view.n_fine)
    fine = np.zeros((n_lines, br.N_SECONDARY, 2 * view.n_fine), np.float32)
    best, tag, index = np.zeros(shape, np.float32), np.zeros(shape, np.int32), np.full(shape, -1, np.int32)
    echoes = np.zeros((n_lines, br.MAX_ECHOES, br.N_ECHO))
    n_echoes = np.zeros(n_lines, np.int64)
    e = view.elevation
    thin = points.thin
    # One more place for the face, which stands as -2 in a history and is no region
    region_of = np.concatenate([phantom.painted.region, [0, 0]]).astype(np.int64)
    face_reflection = (
        10 ** (probe.face_reflection_db / 20) if math.isfinite(probe.face_reflection_db) else 0.0
    )
    sec.trace_secondary(
        view.lines, view.plan.face_mm, view.settings, view.focus_mm, view.plan.focus_edges_mm, phantom.solids,
        phantom.media, region_of, end_us, view.plan.pulse_interval_us, listen_us, face_reflection,
        (points.x_mm[thin], points.y_mm[thin], points.z_mm[thin], points.amplitude[thin]), points.thin_starts,
        points.grid, samples if len(samples) else np.zeros((0, N_SAMPLE)),
        (e.field, e.speckle, e.two_way, level_strips(view), e.log_start, e.log_step, e.reach_mm), point_scale(view), fine,
        best, tag, index, echoes, n_echoes,
    )  # fmt: skip
    index[index >= 0] = thin[index[index >= 0]]
    # An echo of the pulse before shows on the line after the one that sent it
    late = br.RANGE_AMBIGUITY
    for array in (fine, best, tag, index):
        array[1:, late] = array[:-1, late].copy()
        array[0, late] = 0
    return SecondaryLines(fine, best, tag, index, echoes, n_echoes)
