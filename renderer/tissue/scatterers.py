"""Point scatterers, anchored in the phantom: one candidate per cell of a fixed lattice, drawn by a hash.

A candidate's place, sign and whether it is kept depend only on its lattice cell and the seed, so any
part of the phantom can be drawn in any order by any number of threads, and speckle slides with the
tissue. Amplitudes are constant with random sign: that reaches the statistics of fully developed
speckle with fewer points than Gaussian amplitudes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import prange

from renderer.jit import kernel, parallel_kernel
from renderer.tissue.geometry import region_at

Array = np.ndarray

THIN_BELOW = 86  # of 256: the rank below which a point belongs to the thin set, every third one
PER_CELL = 7.0  # scatterers per local resolution cell


@dataclass(frozen=True)
class Scatterers:
    """``P`` points in the probe frame, sorted into rows of depth and columns along the face."""

    x_mm: Array  # (P,) float32
    y_mm: Array  # (P,) float32
    z_mm: Array  # (P,) float32
    amplitude: Array  # (P,) float32, root of backscatter per point, with sign
    region: Array  # (P,) uint16
    region_in_plane: Array  # (P,) uint16: what lies at the same place in the picture plane
    thin: Array  # (P,) uint8: rank for thinner sets, 0..255
    starts: Array  # (rows * columns + 1,) int64, first point of each sorting cell
    grid: Array  # (6,) row start, row step, column start, column step, rows, columns
    face_radius_mm: float


@kernel
def mix(h):
    """One round of a 64-bit finaliser (splitmix64; Steele et al. 2014, from memory)."""
    h = (h ^ (h >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    h = (h ^ (h >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return h ^ (h >> np.uint64(31))


@kernel
def cell_hash(key, i, j, k):
    """Hash of a lattice cell."""
    h = mix(key + np.uint64(i) * np.uint64(0x9E3779B97F4A7C15))
    h = mix(h ^ (np.uint64(j) * np.uint64(0xC2B2AE3D27D4EB4F)))
    return mix(h ^ (np.uint64(k) * np.uint64(0x165667B19E3779F9)))


@kernel
def unit(h, shift):
    """Twenty-one bits of a hash as a number in 0..1."""
    return float((h >> np.uint64(shift)) & np.uint64(0x1FFFFF)) / 2097152.0


@kernel
def depth_and_place(x, z, radius):
    """Depth below the face and place along it (mm; angle times radius for a curved face)."""
    if radius > 1e8:
        return z, x
    r = math.hypot(x, z + radius)
    return r - radius, math.atan2(x, z + radius) * radius


@kernel
def value_noise(key, x, y, z):
    """Smooth noise of about unit variance with one value per unit cell, quintic between."""
    i, j, k = math.floor(x), math.floor(y), math.floor(z)
    fx, fy, fz = x - i, y - j, z - k
    fx = fx * fx * fx * (fx * (fx * 6 - 15) + 10)
    fy = fy * fy * fy * (fy * (fy * 6 - 15) + 10)
    fz = fz * fz * fz * (fz * (fz * 6 - 15) + 10)
    total = 0.0
    for a in range(2):
        wa = fx if a else 1 - fx
        for b in range(2):
            wb = fy if b else 1 - fy
            for c in range(2):
                wc = fz if c else 1 - fz
                h = cell_hash(key, np.int64(i) + a, np.int64(j) + b, np.int64(k) + c)
                total += wa * wb * wc * (2 * unit(h, 0) - 1)
    return 2.6 * total


@kernel
def candidate(key, i, j, k, lattice_mm):
    """Place of a cell's candidate in the world, and two more uniform numbers: x, y, z, keep, sign."""
    h = cell_hash(key, i, j, k)
    g = mix(h + np.uint64(0x632BE59BD9B4E019))
    x, y, z = (i + unit(h, 0)) * lattice_mm, (j + unit(h, 21)) * lattice_mm, (k + unit(h, 42)) * lattice_mm
    return x, y, z, unit(g, 0), unit(g, 21)


@kernel
def _visit_plane(
    count_only, k, key, lattice_mm, coarser, low, high, rotation, shift, radius, place_half, place_slope, wide_slope, depth_end,
    depth_step, density, reach, solids, levels, octaves, texture_of, fibres, out, first,
):  # fmt: skip
    """Visit the candidates of one lattice plane; count them, or write them from row ``first`` on.

    ``coarser`` is the density that the coarser lattices give; this one makes up the rest.
    """
    kinds, rows, outline, spans, region, traced = solids
    most = 1.0 / lattice_mm**3
    upright = abs(rotation[1, 1]) > 0.999  # columns along y then keep their depth
    n = 0
    ny0, ny1, ny2 = rotation[1, 0], rotation[1, 1], rotation[1, 2]
    widest = 0.0
    for q in range(reach.shape[0]):
        widest = max(widest, reach[q])
    zc = (k + 0.5) * lattice_mm
    for i in range(low[0], high[0]):
        xc = (i + 0.5) * lattice_mm
        j0, j1 = low[1], high[1]
        if upright:
            dx, dz = xc - shift[0], zc - shift[2]
            cx = rotation[0, 0] * dx + rotation[0, 2] * dz
            cz = rotation[2, 0] * dx + rotation[2, 2] * dz
            depth, place = depth_and_place(cx, cz, radius)
            slack = lattice_mm + 0.05 * widest
            if depth < -slack or depth > depth_end + slack:
                continue
            if abs(place) > place_half + wide_slope * max(depth, 0.0) + 2 * slack:
                continue
            q0 = max(0, int((depth - slack) / depth_step))
            q1 = min(density.shape[0] - 1, int((depth + slack) / depth_step) + 1)
            densest = 0.0
            for q in range(q0, q1 + 1):
                densest = max(densest, density[q])
            if densest <= coarser:
                continue
        if abs(ny1) > 0.2:  # the slice that is looked at
            middle = -(ny0 * (xc - shift[0]) + ny2 * (zc - shift[2])) / ny1 + shift[1]
            half = (widest + lattice_mm) / abs(ny1) + lattice_mm
            j0 = max(j0, int(math.floor((middle - half) / lattice_mm)))
            j1 = min(j1, int(math.ceil((middle + half) / lattice_mm)))
        for j in range(j0, j1):
            wx, wy, wz, keep, sign = candidate(key, i, j, k, lattice_mm)
            dx, dy, dz = wx - shift[0], wy - shift[1], wz - shift[2]
            x = rotation[0, 0] * dx + rotation[0, 1] * dy + rotation[0, 2] * dz
            y = ny0 * dx + ny1 * dy + ny2 * dz
            z = rotation[2, 0] * dx + rotation[2, 1] * dy + rotation[2, 2] * dz
            if abs(y) > widest:
                continue
            depth, place = depth_and_place(x, z, radius)
            rank = math.floor(256.0 * (2.0 * sign - math.floor(2.0 * sign)))
            slope = wide_slope if rank < THIN_BELOW else place_slope
            if depth < 0.0 or depth >= depth_end or abs(place) > place_half + slope * depth:
                continue
            row = depth / depth_step
            q = int(row)
            w = row - q
            if abs(y) > (1 - w) * reach[q] + w * reach[q + 1]:
                continue
            wanted = (1 - w) * density[q] + w * density[q + 1]
            if keep * most >= wanted - coarser:
                continue
            g = region_at(kinds, rows, outline, spans, region, traced, True, x, y, z)
            level = levels[g, 0]
            if level <= 0.0:
                continue
            if 0.0 < levels[g, 1] < wanted:
                wanted = levels[g, 1]
                if keep * most >= wanted - coarser:
                    continue
            if not count_only:
                t = texture_of[g]
                gain_db = 0.0
                if t >= 0:
                    for o in range(octaves.shape[1]):
                        if octaves[t, o, 0] > 0.0:
                            scale = 1.0 / octaves[t, o, 0]
                            gain_db += octaves[t, o, 1] * value_noise(
                                key + np.uint64(77 + o), wx * scale, wy * scale, wz * scale
                            )
                            # so that the mean power stays (log-normal law)
                            gain_db -= 0.11513 * octaves[t, o, 1] ** 2
                if fibres[g, 1] != 0.0:
                    # Angle between the beam and the perpendicular of the fibres
                    bx, bz = (0.0, 1.0) if radius > 1e8 else (x, z + radius)
                    norm = math.hypot(bx, bz)
                    along = abs(bx * math.cos(fibres[g, 0]) + bz * math.sin(fibres[g, 0])) / norm
                    ratio = math.asin(min(1.0, along)) / fibres[g, 2]
                    gain_db -= fibres[g, 1] * min(1.0, ratio * ratio)
                out[first + n, 0], out[first + n, 1], out[first + n, 2] = x, y, z
                amplitude = level / math.sqrt(wanted) * 10.0 ** (gain_db / 20.0)
                out[first + n, 3] = amplitude if sign < 0.5 else -amplitude
                out[first + n, 4] = g
                out[first + n, 5] = region_at(kinds, rows, outline, spans, region, traced, True, x, 0.0, z)
                out[first + n, 6] = rank
            n += 1
    return n


@parallel_kernel
def count_points(
    key, lattice_mm, coarser, low, high, rotation, shift, radius, place_half, place_slope, wide_slope, depth_end, depth_step,
    density, reach, solids, levels, octaves, texture_of, fibres, counts,
):  # fmt: skip
    """Number of points in each lattice plane, into counts."""
    for k in prange(counts.shape[0]):
        none = np.zeros((1, 7), np.float32)
        counts[k] = _visit_plane(
            True, low[2] + k, key, lattice_mm, coarser, low, high, rotation, shift, radius, place_half, place_slope, wide_slope,
            depth_end, depth_step, density, reach, solids, levels, octaves, texture_of, fibres, none, 0,
        )  # fmt: skip


@parallel_kernel
def write_points(
    key, lattice_mm, coarser, low, high, rotation, shift, radius, place_half, place_slope, wide_slope, depth_end, depth_step,
    density, reach, solids, levels, octaves, texture_of, fibres, first, out,
):  # fmt: skip
    """The points of each lattice plane, from its first row on."""
    for k in prange(first.shape[0] - 1):
        _visit_plane(
            False, low[2] + k, key, lattice_mm, coarser, low, high, rotation, shift, radius, place_half, place_slope, wide_slope,
            depth_end, depth_step, density, reach, solids, levels, octaves, texture_of, fibres, out, first[k],
        )  # fmt: skip


@kernel
def sort_points(raw, radius, grid, starts, order):
    """Counting sort by depth row and face column; stable, so the order is always the same."""
    rows, columns = int(grid[4]), int(grid[5])
    n = raw.shape[0]
    cell = np.empty(n, np.int64)
    for p in range(n):
        depth, place = depth_and_place(float(raw[p, 0]), float(raw[p, 2]), radius)
        r = min(max(int((depth - grid[0]) / grid[1]), 0), rows - 1)
        c = min(max(int((place - grid[2]) / grid[3]), 0), columns - 1)
        cell[p] = r * columns + c
        starts[cell[p] + 1] += 1
    for q in range(rows * columns):
        starts[q + 1] += starts[q]
    fill = starts[:-1].copy()
    for p in range(n):
        order[fill[cell[p]]] = p
        fill[cell[p]] += 1


def lattices(most_per_mm3: float) -> list[float]:
    """Spacings of nested lattices, coarse to fine, that together reach a density (points per mm3).

    Far from the focus, where few points are needed, only the coarse ones are visited. Spacings are
    powers of two of 1 mm, so that small changes of the beam keep the same points.
    """
    spacings, density = [], 0.0
    spacing = 1.0
    while spacing**-3 * 8 > most_per_mm3:  # a beam that wide needs less than the coarsest lattice
        spacing *= 2.0
    while density < most_per_mm3:
        spacings.append(spacing)
        density += spacing**-3
        spacing *= 0.5
    return spacings


@dataclass(frozen=True)
class ViewVolume:
    """The part of the probe frame that points are drawn in, and how densely, by depth."""

    face_radius_mm: float
    place_half_mm: float  # half width along the face at the face
    place_slope: float  # growth of that with depth
    wide_slope: float  # growth within which the thin set is still drawn, for paths that turn sideways
    depth_end_mm: float
    depth_step_mm: float
    density_per_mm3: Array  # (Z,) wanted, at depths i * step
    reach_mm: Array  # (Z,) half thickness of the slice


def draw_scatterers(
    solids: tuple[Array, ...],
    levels: Array,
    octaves: Array,
    texture_of: Array,
    fibres: Array,
    view: ViewVolume,
    *,
    rotation: Array,
    shift_mm: Array,
    key: int,
) -> Scatterers:
    """The points that a view can see.

    Parameters
    ----------
    solids : packed phantom in the probe frame (kinds, rows, outline, spans, region, traced)
    levels : (G, 2) backscatter amplitude re the reference, and scatterers per mm3 (0: developed)
    octaves : (X, O, 2) scale (mm) and contrast (dB) of textures; texture_of : (G,) index or -1
    fibres : (G, 3) fibre direction (rad, in the picture plane), drop (dB), half angle (rad)
    view : volume and densities
    rotation, shift_mm : world to probe, ``p = rotation @ (w - shift)``
    key : 64-bit key of the tissue's random stream
    """
    parts = []
    coarser = 0.0
    for level, lattice_mm in enumerate(lattices(float(view.density_per_mm3.max()))):
        low, high = _lattice_box(view, rotation, shift_mm, lattice_mm)
        arguments = (
            np.uint64(key + 7919 * level), lattice_mm, coarser, low, high, rotation, shift_mm, view.face_radius_mm,
            view.place_half_mm, view.place_slope, view.wide_slope, view.depth_end_mm, view.depth_step_mm,
            view.density_per_mm3, view.reach_mm, solids, levels, octaves, texture_of, fibres,
        )  # fmt: skip
        counts = np.zeros(int(high[2] - low[2]), np.int64)
        count_points(*arguments, counts)
        first = np.concatenate([[0], np.cumsum(counts)])
        part = np.zeros((int(first[-1]), 7), np.float32)
        write_points(*arguments, first, part)
        parts.append(part)
        coarser += lattice_mm**-3
    raw = np.concatenate(parts)
    widest = view.place_half_mm + max(view.place_slope, view.wide_slope) * view.depth_end_mm
    row_step, column_step = 0.4, max(0.15, 2 * widest / 1024)
    grid = np.array([
        0.0, row_step, -widest, column_step, math.ceil(view.depth_end_mm / row_step),
        math.ceil(2 * widest / column_step),
    ])  # fmt: skip
    starts = np.zeros(int(grid[4] * grid[5]) + 1, np.int64)
    order = np.empty(len(raw), np.int64)
    sort_points(raw, view.face_radius_mm, grid, starts, order)
    raw = raw[order]
    return Scatterers(
        x_mm=raw[:, 0].copy(), y_mm=raw[:, 1].copy(), z_mm=raw[:, 2].copy(), amplitude=raw[:, 3].copy(),
        region=raw[:, 4].astype(np.uint16), region_in_plane=raw[:, 5].astype(np.uint16),
        thin=raw[:, 6].astype(np.uint8), starts=starts, grid=grid, face_radius_mm=view.face_radius_mm,
    )  # fmt: skip


def _lattice_box(
    view: ViewVolume, rotation: Array, shift_mm: Array, lattice_mm: float
) -> tuple[Array, Array]:
    """Lattice indices that enclose the view: first and one past the last, (3,) int64 each."""
    corners = []
    reach = float(view.reach_mm.max())
    for depth in np.linspace(0.0, view.depth_end_mm, 9):
        half = view.place_half_mm + max(view.place_slope, view.wide_slope) * depth
        for place in np.linspace(-half, half, 17):
            if view.face_radius_mm > 1e8:
                x, z = place, depth
            else:
                angle, r = place / view.face_radius_mm, view.face_radius_mm + depth
                x, z = r * math.sin(angle), r * math.cos(angle) - view.face_radius_mm
            corners += [[x, -reach, z], [x, reach, z]]
    world = np.array(corners) @ rotation + shift_mm
    margin = 0.02 * view.depth_end_mm + lattice_mm
    low = np.floor((world.min(0) - margin) / lattice_mm).astype(np.int64)
    high = np.ceil((world.max(0) + margin) / lattice_mm).astype(np.int64)
    return low, high
