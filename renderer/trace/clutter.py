"""The haze of multiple scattering: a wide, faint halo round every scatterer, anchored in the tissue.

Sound that scatters more than once, or that uneven tissue throws off its way, comes home late and from the side. It is
not followed: every thirteenth scatterer is heard again within 16 degrees of each line, later by a delay that is its own
(an exponential law), at a level below the tissue round about. So fluid holds a haze of what lies beside and above
it, and a shadow some of what lies beside. The level (-20 to -30 dB below the tissue) is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import row_kernel
from renderer.tissue.scatterers import Scatterers, depth_and_place
from renderer.trace.bands import deposit
from renderer.trace.direct import TracedLines, View, speckle_power

Array = np.ndarray

BELOW = 20  # of 256: ranks of the points that take part
SPREAD = math.tan(math.radians(16.0))
LATE_WAVES = 6.0  # mean delay by further scattering, wavelengths of depth
BRIGHTEST = 2.0  # a point counts for at most this many times the reference tissue's amplitude
STEP_MM = 0.5  # of the table of weights along a line


@row_kernel("lines")
def add_halo(
    start,
    stop,
    lines,
    x,
    z,
    amplitude,
    late_mm,
    starts,
    grid,
    radius,
    spread,
    weights,
    step_mm,
    f0,
    speed,
    sample_us,
    fine,
):
    """Halo of points on all lines, added to ``fine`` (L, 2 T').

    ``x, z, amplitude, late_mm`` (P,): points in sorting cells by ``starts``; ``weights`` (L, N) every ``step_mm``.
    """
    n_rows, n_columns = int(grid[4]), int(grid[5])
    for l in range(start, stop):
        ox, oz, lx, lz = lines[l, 0], lines[l, 1], lines[l, 2], lines[l, 3]
        limit = (weights.shape[1] - 2) * step_mm
        for r in range(n_rows):
            s = grid[0] + (r + 0.5) * grid[1]
            low, high = 1e9, -1e9
            for corner in range(4):  # both rims of the tube, a little before and beyond
                at = max(s * (0.9 if corner < 2 else 1.15) / max(lz, 0.3), 0.2)
                u = spread * at * (1.0 if corner % 2 else -1.0)
                _, place = depth_and_place(ox + at * lx + u * lz, oz + at * lz - u * lx, radius)
                low, high = min(low, place), max(high, place)
            c0 = max(int((low - grid[2]) / grid[3]), 0)
            c1 = min(int((high - grid[2]) / grid[3]), n_columns - 1)
            if c1 < c0:
                continue
            for p in range(starts[r * n_columns + c0], starts[r * n_columns + c1 + 1]):
                gx, gz = x[p] - ox, z[p] - oz
                along = gx * lx + gz * lz
                off = gx * lz - gz * lx
                if along <= 0.3 or abs(off) >= spread * along:
                    continue
                way = math.sqrt(along * along + off * off) + late_mm[p]
                if way >= limit:
                    continue
                i = int(way / step_mm)
                w = way / step_mm - i
                size = (1 - w) * weights[l, i] + w * weights[l, i + 1]
                size *= amplitude[p] * math.cos(0.5 * math.pi * off / (spread * along))
                t = 2 * way / speed
                turn = 2 * math.pi * f0 * t
                deposit(fine[l], t, sample_us, size * math.cos(turn), -size * math.sin(turn))


def halo_weights(view: View, traced: TracedLines, level_db: float) -> Array:
    """Amplitude of the halo of the reference tissue along every line, (L, N) every ``STEP_MM`` of its way.

    The power that the tissue has there, averaged over the lines that the halo takes in, so that it is as weak
    behind a wide shadow as its surroundings are, and stays behind a narrow one.
    """
    depth = np.arange(int(view.samples_mm / STEP_MM) + 3) * STEP_MM
    power = np.zeros((view.plan.n_lines, len(depth)))
    for line in range(view.plan.n_lines):
        time, own = speckle_power(view, traced.nodes[line], int(traced.n_nodes[line]))
        if len(time) > 1:
            power[line] = np.interp(2 * depth / view.assumed, time, own, right=0.0)
    sums = np.vstack([np.zeros(len(depth)), np.cumsum(power, axis=0)])
    half = np.minimum(SPREAD * depth / view.plan.line_spacing_mm(depth), view.plan.n_lines).astype(int)
    number, column = np.arange(view.plan.n_lines)[:, None], np.arange(len(depth))[None, :]
    low, high = np.maximum(number - half, 0), np.minimum(number + half + 1, view.plan.n_lines)
    mean = (sums[high, column] - sums[low, column]) / (high - low)
    reach = np.interp(
        depth, np.arange(len(view.volume.reach_mm)) * view.volume.depth_step_mm, view.volume.reach_mm
    )
    axial = 0.5 * view.assumed * math.sqrt(math.pi) * view.pulse.sigma_us
    # The mean of cos^2 over the tube is half its width
    volume = SPREAD * np.maximum(depth, STEP_MM) * 2 * reach * axial
    return np.asarray(10 ** (level_db / 20) * np.sqrt(mean / volume * 256 / BELOW))


def clutter_lines(view: View, traced: TracedLines, points: Scatterers, level_db: float) -> Array:
    """The haze on every line, (L, 2 T') float32 on the fine grid."""
    chosen = points.rank < BELOW
    place = np.flatnonzero(chosen)
    starts = np.concatenate([[0], np.cumsum(chosen)])[points.starts]
    wavelength = view.assumed / view.pulse.frequency_mhz
    late = -LATE_WAVES * wavelength * np.log((points.rank[place] + 0.5) / BELOW)
    radius = points.face_radius_mm
    x, z = points.x_mm[place].astype(float), points.z_mm[place].astype(float)
    depth = z if radius > 1e8 else np.hypot(x, z + radius) - radius
    density = np.interp(
        depth,
        np.arange(len(view.volume.density_per_mm3)) * view.volume.depth_step_mm,
        view.volume.density_per_mm3,
    )
    most = BRIGHTEST / np.sqrt(density)
    amplitude = np.clip(points.amplitude[place], -most, most)
    fine = np.zeros((view.plan.n_lines, 2 * view.n_fine), np.float32)
    add_halo(
        view.lines, x, z, amplitude, late, starts, points.grid, radius, SPREAD, halo_weights(view, traced, level_db),
        STEP_MM, view.pulse.frequency_mhz, view.assumed, view.fine_us, fine,
    )  # fmt: skip
    return fine
