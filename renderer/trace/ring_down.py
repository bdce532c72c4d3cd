"""Gas that rings: after its echo a bubble goes on sounding at its own frequency, and shows as a column.

The pulse drives the gas, which then gives off a decaying tone. The machine takes what comes late for what lies
deep: a streak below the bubble, falling by 8.686 / decay dB a microsecond. A tone beside the middle of the receiver's
band is heard as much fainter as the band lets through. The column begins at the level of the bubble's own echo:
how strongly a given bubble rings depends on size and surroundings that a scene does not tell.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from renderer.tissue.geometry import ELLIPSOID
from renderer.tissue.scatterers import Scatterers
from renderer.tissue.solids import Grains, Solid
from renderer.trace.direct import TracedLines, View, gather_points, point_scale
from renderer.trace.phantom import PackedPhantom
from renderer.trace.rays import R_IMPEDANCE
from renderer.trace.surfaces import reflector_strength

Array = np.ndarray

ABOVE_MM = 0.05  # a grain is heard from just above its top, where the beams still come to


def ring_down_lines(
    view: View, phantom: PackedPhantom, traced: TracedLines, points: Scatterers, solids: tuple[Solid, ...]
) -> tuple[Array, Array]:
    """Columns of all ringing grains, (L, 2 T') float32, and the region that rings loudest there, (L, T') int."""
    fine = np.zeros((view.plan.n_lines, 2 * view.n_fine), np.float32)
    loudest = np.zeros((view.plan.n_lines, view.n_fine), np.float32)
    region_of = np.full((view.plan.n_lines, view.n_fine), -1, np.int64)
    names = [region.name for region in phantom.painted.regions]
    for solid in solids:
        if not isinstance(solid.shape, Grains) or solid.shape.ring_down is None:
            continue
        region = names.index(solid.name)
        rung = rung_lines(view, traced, grain_points(view, phantom, points, region), *solid.shape.ring_down)
        fine[:, 0::2] += rung.real
        fine[:, 1::2] += rung.imag
        louder = np.abs(rung) > loudest
        loudest[louder], region_of[louder] = np.abs(rung)[louder], region
    return fine, region_of


def rung_lines(view: View, traced: TracedLines, grains: Scatterers, own_mhz: float, decay_us: float) -> Array:
    """The grains' echoes, each followed by its decaying tone, (L, T') complex on the fine grid, before the pulse."""
    heard, _, _ = gather_points(view, traced, grains, view.elevation.settled)
    struck = heard.sum(axis=1)
    echo = struck[:, 0::2] + 1j * struck[:, 1::2]
    step = view.fine_us
    pole = np.exp(-step / decay_us + 2j * math.pi * (own_mhz - view.pulse.frequency_mhz) * step)
    # The pulse drives it for so many steps; the tone then is as loud as the echo
    drive = step / (view.pulse.sigma_us * math.sqrt(2 * math.pi))
    from scipy.signal import lfilter  # takes longer to load than a picture to make, and few scenes ring

    return np.asarray(lfilter([0, drive], [1, -pole], echo, axis=1))


def grain_points(view: View, phantom: PackedPhantom, points: Scatterers, region: int) -> Scatterers:
    """The grains of a region as points in the sorting cells of the scatterers, as strong as their echoes."""
    mine = (phantom.painted.region == region) & (phantom.painted.kinds == ELLIPSOID)
    rows = phantom.painted.rows[mine]
    radius = rows[:, 12]
    face = points.face_radius_mm
    up = rows[:, 9:12] + (np.array([0, 0, face]) if face < 1e8 else np.array([0, 0, 1e12]))
    up[:, 1] = 0.0
    up /= np.linalg.norm(up, axis=1, keepdims=True)
    place = rows[:, 9:12] - up * (radius + ABOVE_MM)[:, None]
    x, z = place[:, 0], place[:, 2]
    depth, along = (z, x) if face > 1e8 else (np.hypot(x, z + face) - face, np.arctan2(x, z + face) * face)
    g = points.grid
    row, column = np.floor((depth - g[0]) / g[1]), np.floor((along - g[2]) / g[3])
    inside = (row >= 0) & (row < g[4]) & (column >= 0) & (column < g[5])
    cell = (row * g[5] + column)[inside].astype(np.int64)
    order = np.argsort(cell, kind="stable")
    z0, z1 = phantom.media[0, R_IMPEDANCE], phantom.media[region, R_IMPEDANCE]
    wavelength = view.assumed / view.pulse.frequency_mhz
    size = [
        wavelength * reflector_strength(r, (z1 - z0) / (z1 + z0), wavelength, line=False) / point_scale(view)
        for r in radius[inside]
    ]
    counts = np.bincount(cell, minlength=int(g[4] * g[5]))
    kept = place[inside][order].astype(np.float32)
    n = len(kept)
    regions = np.full(n, region, np.uint16)
    return replace(
        points, x_mm=kept[:, 0].copy(), y_mm=kept[:, 1].copy(), z_mm=kept[:, 2].copy(),
        amplitude=np.array(size, np.float32)[order], region=regions, region_in_plane=regions,
        starts=np.concatenate([[0], np.cumsum(counts)]), rank=np.zeros(n, np.uint8),
    )  # fmt: skip
