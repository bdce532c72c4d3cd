"""The renderer's beams without scatterers: wires on lines of any place, and fields on planes across a line.

What the tests compare with the element sum and with waves. The kernels are those of the pictures; only the
lines are laid elsewhere (closer together than a picture has them).
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

import renderer
from renderer.flow import trace_job
from renderer.probe.plan import face_point
from renderer.tissue.outlines import MAX_HITS
from renderer.trace import bands, direct
from renderer.trace import beamlets as bl
from renderer.trace.echoes import start_view
from renderer.trace.rays import MAX_SEGMENTS, N_COLUMNS
from renderer.trace.sheets import N_SAMPLE
from tests.twins import ArrayTwin, LineTwin, one_way

Array = np.ndarray


def view_at(made: renderer.Scene, face_mm: Array) -> tuple[Any, Any]:
    """Packed phantom and view of a scene with lines at given places along the face (L,), steered as the scene says."""
    steer = made.scan.steer_rad
    phantom, view = start_view(trace_job(made, steer))
    face_mm = np.asarray(face_mm, float)
    origin, normal = face_point(face_mm, view.plan.face_radius_mm)
    s, c = math.sin(steer), math.cos(steer)
    direction = np.column_stack(
        [c * normal[:, 0] + s * normal[:, 2], 0 * face_mm, c * normal[:, 2] - s * normal[:, 0]]
    )
    plan = replace(view.plan, line_origin_mm=origin, line_direction=direction, face_mm=face_mm)
    lines = np.ascontiguousarray(np.hstack([origin[:, [0, 2]], direction[:, [0, 2]]]))
    return phantom, replace(view, plan=plan, lines=lines)


def surface_lines(made: renderer.Scene, face_mm: Array) -> tuple[Array, Array]:
    """Baseband echoes (L, T) of wires and surfaces on lines at given places, and depth along the lines (T,)."""
    phantom, view = view_at(made, face_mm)
    samples = direct.view_samples(view, phantom, 0)
    traced = direct.trace_view(view, phantom, samples, end_us=float(view.plan.time_us[-1]) + 2.0)
    depth = 0.5 * view.assumed * view.plan.time_us
    return direct.shape(view, traced.surface_fine), depth


def beam_tables(made: renderer.Scene, face_mm: Array) -> tuple[Any, Any]:
    """View and traced tables (transmit times receive) on lines at given places."""
    phantom, view = view_at(made, face_mm)
    nothing = np.zeros((0, N_SAMPLE))
    return view, direct.trace_view(view, phantom, nothing, end_us=float(view.plan.time_us[-1]) + 2.0)


def peaks(iq: Array, depth_mm: Array, range_mm: Array, *, reach_mm: float = 1.5) -> Array:
    """Largest amplitude of each line near a range of its own, (L,), by a parabola in dB."""
    found = np.zeros(len(iq))
    for l, row in enumerate(np.abs(iq)):
        near = row[np.abs(depth_mm - range_mm[l]) < reach_mm]
        k = int(near.argmax())
        found[l] = near[k]
        if 0 < k < len(near) - 1 and near[k - 1 : k + 2].min() > 0:
            a, b, c = np.log(near[k - 1 : k + 2])
            found[l] = math.exp(b - 0.125 * (a - c) ** 2 / (a - 2 * b + c))
    return found


def twins_of(made: renderer.Scene, **array: Any) -> tuple[ArrayTwin, LineTwin]:
    """The same array and middle line for the element sum."""
    probe, scan = made.probe, made.scan
    channels = probe.n_channels or probe.n_elements
    line = LineTwin(
        0.0, scan.focus_mm[0], scan.transmit_f_number, scan.receive_f_number, steer_rad=scan.steer_rad,
        receive_window=scan.apodisation, least_half_mm=0.5 * direct.LEAST_ELEMENTS * probe.pitch_mm,
        channel_half_mm=0.5 * channels * probe.pitch_mm,
    )  # fmt: skip
    return ArrayTwin(probe.n_elements, probe.pitch_mm, radius_mm=probe.radius_mm or np.inf, **array), line


def one_way_fields(
    made: renderer.Scene, range_mm: float, *, receive: bool, u_mm: Array
) -> tuple[Array, Array]:
    """One-way field of the middle line across a plane at a range, (U,) each: by beamlets, and by the element sum.

    At the centre frequency; receive is focused on the plane. The sum is scaled to the Kirchhoff integral over
    the face.
    """
    phantom, view = view_at(made, np.zeros(1))
    m, line = view.settings, view.lines[0]
    f, pitch = m[bands.S_F0], m[bands.S_PITCH]
    aim = range_mm if receive else made.scan.focus_mm[0]
    number = m[bands.S_RX_F] if receive else m[bands.S_TX_F]
    half = max(min(0.5 * aim / number, m[bands.S_CHANNEL_HALF]), m[bands.S_LEAST_HALF])
    kind = m[bands.S_APODISATION] if receive else 0.0
    n = direct.BEAMLETS[1 if receive else 0]
    rows = np.zeros((n, bl.N_BEAMLET))
    rays = np.zeros((n, bl.N_RAYS, MAX_SEGMENTS, N_COLUMNS))
    bl.aim_beamlets(
        rows, rays, line, 0.0, half, aim, kind, m, (phantom.solids, phantom.media, np.zeros((0, 3))), 400.0, 0.0,
        np.empty(MAX_HITS),
    )  # fmt: skip
    states, fields = np.zeros((n, bl.N_STATE)), np.zeros((4, len(u_mm)), complex)
    bl.plane_states(rows, rays, line, range_mm, states)
    bl.add_row(fields, rows, rays, states, line, range_mm, u_mm[0], u_mm[1] - u_mm[0], f, 1e-4 * f, 0.0, 0.0, 0.0,
               0.0, 0.0, f)  # fmt: skip
    field = fields[1]
    x, z = line[0] + range_mm * line[2] + u_mm * line[3], line[1] + range_mm * line[3] - u_mm * line[2]
    array, twin = twins_of(made)
    shape = made.scan.apodisation if receive else "none"
    points = np.stack([x, 0 * x, z], axis=1)
    summed = one_way(array, twin, number, aim, points, f, m[bands.S_ASSUMED], shape=shape)
    return field, summed * pitch / math.sqrt(m[bands.S_ASSUMED] / f)
