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
from renderer.tissue.geometry import BOX, CAP, CYLINDER, ELLIPSOID, PRISM, SLAB, inside_local, to_local

Array = np.ndarray

THIN_BELOW = 86  # of 256: the rank below which a point belongs to the thin set, every third one
PER_CELL = 7.0  # scatterers per local resolution cell
RAW_COLUMNS = 9  # of a point as it is drawn: x, y, z, amplitude, two regions, rank, depth, place


@dataclass(frozen=True)
class Scatterers:
    """``P`` points in the probe frame, sorted into rows of depth and columns along the face."""

    x_mm: Array  # (P,) float32
    y_mm: Array  # (P,) float32
    z_mm: Array  # (P,) float32
    amplitude: Array  # (P,) float32, root of backscatter per point, with sign
    region: Array  # (P,) uint16
    region_in_plane: Array  # (P,) uint16: what lies at the same place in the picture plane
    starts: Array  # (rows * columns + 1,) int64, first point of each sorting cell
    thin: Array  # (P',) int64: the thinned set that secondary paths see, as places among the points
    thin_starts: Array  # (rows * columns + 1,) int64, first of them in each sorting cell
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
def column_hash(key, i, j):
    """First two rounds of ``cell_hash``."""
    h = mix(key + np.uint64(i) * np.uint64(0x9E3779B97F4A7C15))
    return mix(h ^ (np.uint64(j) * np.uint64(0xC2B2AE3D27D4EB4F)))


@kernel
def column_candidates(kinds, rows, traced, x, z, slack, half_y, found):
    """Primitives that a column along y at (x, z) may touch, bottom first, into ``found``; their number.

    Tells by the box round each primitive, so it may name too many but never too few.
    """
    n = 0
    for q in range(kinds.shape[0]):
        if not traced[q]:
            continue
        row, kind = rows[q], kinds[q]
        lx, ly, lz = to_local(row, x, 0.0, z)
        hx = slack * (abs(row[0]) + abs(row[2])) + half_y * abs(row[1])
        hy = slack * (abs(row[3]) + abs(row[5])) + half_y * abs(row[4])
        hz = slack * (abs(row[6]) + abs(row[8])) + half_y * abs(row[7])
        p0, p1, p2, p3 = row[12], row[13], row[14], row[15]
        if kind == SLAB:
            out = lz < -hz or lz > p0 + hz
        elif kind == BOX or kind == ELLIPSOID:
            out = abs(lx) > p0 + hx or abs(ly) > p1 + hy or abs(lz) > p2 + hz
        elif kind == CYLINDER:
            out = abs(lx) > p0 + hx or abs(ly) > p0 + hy or lz < -hz or lz > p1 + hz
        elif kind == PRISM:
            out = ly < p0 - hy or ly > p1 + hy or abs(lx) > p2 + hx or abs(lz) > p3 + hz
        elif kind == CAP:
            out = abs(lx) > p1 + hx or abs(ly) > p1 + hy or abs(lz) > p1 + hz
        else:
            out = abs(lx) > p1 + hx or abs(ly) > p1 + hy
        if not out:
            found[n] = q
            n += 1
    return n


@kernel
def region_among(solids, found, n, x, y, z):
    """``region_at`` among the named primitives only."""
    kinds, rows, outline, spans, region, _ = solids
    for f in range(n - 1, -1, -1):
        q = found[f]
        lx, ly, lz = to_local(rows[q], x, y, z)
        if inside_local(kinds[q], rows[q], outline, spans[q, 0], spans[q, 1], lx, ly, lz):
            return region[q]
    return 0


@kernel
def column_range(i, zc, lattice_mm, low, high, rotation, shift, widest):
    """First and one past the last cell along y of a lattice column that can lie in the slice."""
    j0, j1 = low[1], high[1]
    xc = (i + 0.5) * lattice_mm
    ny0, ny1, ny2 = rotation[1, 0], rotation[1, 1], rotation[1, 2]
    if abs(ny1) > 0.2:
        middle = -(ny0 * (xc - shift[0]) + ny2 * (zc - shift[2])) / ny1 + shift[1]
        half = (widest + lattice_mm) / abs(ny1) + lattice_mm
        j0 = max(j0, int(math.floor((middle - half) / lattice_mm)))
        j1 = min(j1, int(math.ceil((middle + half) / lattice_mm)))
    return j0, j1


@kernel
def lean_of(rotation):
    """Sine of the angle between the lattice's y columns and the slice's normal."""
    return math.sqrt(max(1.0 - rotation[1, 1] ** 2, 0.0))


@kernel
def column_density(i, zc, lattice_mm, rotation, shift, volume, density, reach, widest):
    """Place of a lattice column in the picture plane, and the greatest density wanted in it (0: out of view).

    Returns x, z, density, half thickness of the slice there; only for lattices whose columns keep
    their depth (the slice not leaning).
    """
    radius, place_half, place_slope, wide_slope, depth_end, depth_step = volume
    dx, dz = (i + 0.5) * lattice_mm - shift[0], zc - shift[2]
    x = rotation[0, 0] * dx + rotation[0, 2] * dz
    z = rotation[2, 0] * dx + rotation[2, 2] * dz
    depth, place = depth_and_place(x, z, radius)
    slack = lattice_mm + lean_of(rotation) * widest
    if depth < -slack or depth > depth_end + slack:
        return x, z, 0.0, 0.0
    if abs(place) > place_half + wide_slope * max(depth, 0.0) + 2 * slack:
        return x, z, 0.0, 0.0
    q0 = max(0, int((depth - slack) / depth_step))
    q1 = min(density.shape[0] - 1, int((depth + slack) / depth_step) + 1)
    densest, thickest = 0.0, 0.0
    for q in range(q0, q1 + 1):
        densest, thickest = max(densest, density[q]), max(thickest, reach[q])
    return x, z, densest, thickest


@parallel_kernel
def bound_points(lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, bounds):
    """Room that the points of each lattice plane need: their expected number and six deviations."""
    most = 1.0 / lattice_mm**3
    for k in prange(bounds.shape[0]):
        zc = (low[2] + k + 0.5) * lattice_mm
        expected = 0.0
        most_dense, most_wide = density.max(), reach.max()
        for i in range(low[0], high[0]):
            densest, widest = most_dense, most_wide
            if upright:
                _, _, densest, widest = column_density(
                    i, zc, lattice_mm, rotation, shift, volume, density, reach, most_wide
                )
            if densest <= coarser:
                continue
            j0, j1 = column_range(i, zc, lattice_mm, low, high, rotation, shift, widest)
            expected += max(j1 - j0, 0) * min(1.0, (densest - coarser) / most)
        bounds[k] = int(expected + 6 * math.sqrt(expected)) + 8


@kernel
def _texture_db(octaves, key, x, y, z):
    """Level of a texture at a place of the world; its mean power is that of an even tissue (log-normal law)."""
    gain_db = 0.0
    for o in range(octaves.shape[0]):
        if octaves[o, 0] > 0.0:
            scale = 1.0 / octaves[o, 0]
            gain_db += octaves[o, 1] * value_noise(key + np.uint64(77 + o), x * scale, y * scale, z * scale)
            gain_db -= 0.11513 * octaves[o, 1] ** 2
    return gain_db


@kernel
def _fibre_db(fibre, x, z, radius):
    """Drop of a fibrous tissue by the angle between the beam and the perpendicular of the fibres."""
    bx, bz = (0.0, 1.0) if radius > 1e8 else (x, z + radius)
    along = abs(bx * math.cos(fibre[0]) + bz * math.sin(fibre[0])) / math.hypot(bx, bz)
    ratio = math.asin(min(1.0, along)) / fibre[2]
    return -fibre[1] * min(1.0, ratio * ratio)


@kernel
def _visit_plane(
    k, key, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, solids, levels, octaves,
    texture_of, fibres, out,
):  # fmt: skip
    """Write the points of one lattice plane into ``out`` as far as it has room; returns their number.

    ``coarser`` is the density that the coarser lattices give; this one makes up the rest.
    """
    radius, place_half, place_slope, wide_slope, depth_end, depth_step = volume
    most = 1.0 / lattice_mm**3
    n = 0
    found = np.empty(solids[0].shape[0], np.int64)
    zc = (k + 0.5) * lattice_mm
    all_found = column_candidates(solids[0], solids[1], solids[5], 0.0, 0.0, 1e9, 1e9, found)
    most_dense, most_wide = density.max(), reach.max()
    for i in range(low[0], high[0]):
        densest, widest = most_dense, most_wide
        n_found = all_found
        if upright:
            cx, cz, densest, widest = column_density(
                i, zc, lattice_mm, rotation, shift, volume, density, reach, most_wide
            )
            if densest <= coarser:
                continue
            n_found = column_candidates(
                solids[0], solids[1], solids[5], cx, cz, lattice_mm + 0.05 * most_wide, widest, found
            )
        j0, j1 = column_range(i, zc, lattice_mm, low, high, rotation, shift, widest)
        for j in range(j0, j1):
            h = mix(column_hash(key, i, j) ^ (np.uint64(k) * np.uint64(0x165667B19E3779F9)))
            g = mix(h + np.uint64(0x632BE59BD9B4E019))
            keep = unit(g, 0) * most
            if keep >= densest - coarser:
                continue
            wx, wy, wz = (
                (i + unit(h, 0)) * lattice_mm,
                (j + unit(h, 21)) * lattice_mm,
                (k + unit(h, 42)) * lattice_mm,
            )
            dx, dy, dz = wx - shift[0], wy - shift[1], wz - shift[2]
            y = rotation[1, 0] * dx + rotation[1, 1] * dy + rotation[1, 2] * dz
            if abs(y) > widest:
                continue
            x = rotation[0, 0] * dx + rotation[0, 1] * dy + rotation[0, 2] * dz
            z = rotation[2, 0] * dx + rotation[2, 1] * dy + rotation[2, 2] * dz
            depth, place = depth_and_place(x, z, radius)
            sign = unit(g, 21)
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
            if keep >= wanted - coarser:
                continue
            region = region_among(solids, found, n_found, x, y, z)
            level = levels[region, 0]
            if level <= 0.0:
                continue
            if 0.0 < levels[region, 1] < wanted:
                wanted = levels[region, 1]
                if keep >= wanted - coarser:
                    continue
            if n < out.shape[0]:
                gain_db = 0.0
                if texture_of[region] >= 0:
                    gain_db = _texture_db(octaves[texture_of[region]], key, wx, wy, wz)
                if fibres[region, 1] != 0.0:
                    gain_db += _fibre_db(fibres[region], x, z, radius)
                amplitude = level / math.sqrt(wanted)
                if gain_db != 0.0:
                    amplitude *= 10.0 ** (gain_db / 20.0)
                out[n, 0], out[n, 1], out[n, 2] = x, y, z
                out[n, 3] = amplitude if sign < 0.5 else -amplitude
                out[n, 4] = region
                out[n, 5] = region_among(solids, found, n_found, x, 0.0, z)
                out[n, 6] = rank
                out[n, 7], out[n, 8] = depth, place
            n += 1
    return n


@parallel_kernel
def write_points(
    key, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, solids, levels, octaves,
    texture_of, fibres, first, out, counts,
):  # fmt: skip
    """The points of each lattice plane, from its first row on, and how many there are."""
    for k in prange(counts.shape[0]):
        counts[k] = _visit_plane(
            low[2] + k, key, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, solids,
            levels, octaves, texture_of, fibres, out[first[k] : first[k + 1]],
        )  # fmt: skip


@kernel
def count_cells(raw, first, counts, grid, starts):
    """Number of points in each sorting cell, added to the cell after it."""
    rows, columns = int(grid[4]), int(grid[5])
    for k in range(counts.shape[0]):
        for p in range(first[k], first[k] + counts[k]):
            r = min(max(int((raw[p, 7] - grid[0]) / grid[1]), 0), rows - 1)
            c = min(max(int((raw[p, 8] - grid[2]) / grid[3]), 0), columns - 1)
            starts[r * columns + c + 1] += 1


@kernel
def fill_cells(raw, first, counts, grid, fill, x, y, z, amplitude, region, plane, rank):
    """Points into their sorting cells, in the order in which they were drawn; ``fill`` runs ahead in each cell."""
    rows, columns = int(grid[4]), int(grid[5])
    for k in range(counts.shape[0]):
        for p in range(first[k], first[k] + counts[k]):
            r = min(max(int((raw[p, 7] - grid[0]) / grid[1]), 0), rows - 1)
            c = min(max(int((raw[p, 8] - grid[2]) / grid[3]), 0), columns - 1)
            q = fill[r * columns + c]
            fill[r * columns + c] = q + 1
            x[q], y[q], z[q], amplitude[q] = raw[p, 0], raw[p, 1], raw[p, 2], raw[p, 3]
            region[q], plane[q], rank[q] = int(raw[p, 4]), int(raw[p, 5]), int(raw[p, 6])


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
    volume = (
        view.face_radius_mm, view.place_half_mm, view.place_slope, view.wide_slope, view.depth_end_mm,
        view.depth_step_mm,
    )  # fmt: skip
    upright = bool(abs(rotation[1, 1]) > 0.999)  # columns along y then keep their depth
    drawn = []
    coarser = 0.0
    for level, lattice_mm in enumerate(lattices(float(view.density_per_mm3.max()))):
        low, high = _lattice_box(view, rotation, shift_mm, lattice_mm)
        common = (
            lattice_mm, coarser, low, high, rotation, shift_mm, volume, view.density_per_mm3, view.reach_mm, upright,
        )  # fmt: skip
        room = np.zeros(int(high[2] - low[2]), np.int64)
        bound_points(*common, room)
        counts = np.zeros_like(room)
        while True:  # a second time only where a plane had more points than room, one chance in a billion
            first = np.concatenate([[0], np.cumsum(room)])
            raw = np.empty((int(first[-1]), RAW_COLUMNS), np.float32)
            write_points(
                np.uint64(key + 7919 * level), *common, solids, levels, octaves, texture_of, fibres, first, raw, counts
            )  # fmt: skip
            if (counts <= room).all():
                break
            room = np.maximum(room, counts)
        drawn.append((raw, first, counts))
        coarser += lattice_mm**-3
    return _sorted_points(drawn, view)


def _sorted_points(drawn: list[tuple[Array, Array, Array]], view: ViewVolume) -> Scatterers:
    """The points of all lattices, sorted into rows of depth and columns along the face."""
    widest = view.place_half_mm + max(view.place_slope, view.wide_slope) * view.depth_end_mm
    row_step, column_step = 0.4, max(0.15, 2 * widest / 1024)
    grid = np.array([
        0.0, row_step, -widest, column_step, math.ceil(view.depth_end_mm / row_step),
        math.ceil(2 * widest / column_step),
    ])  # fmt: skip
    starts = np.zeros(int(grid[4] * grid[5]) + 1, np.int64)
    for raw, first, counts in drawn:
        count_cells(raw, first, counts, grid, starts)
    np.cumsum(starts, out=starts)
    fill, n = starts[:-1].copy(), int(starts[-1])
    x, y, z, amplitude = (np.empty(n, np.float32) for _ in range(4))
    region, plane, rank = np.empty(n, np.uint16), np.empty(n, np.uint16), np.empty(n, np.uint8)
    for raw, first, counts in drawn:
        fill_cells(raw, first, counts, grid, fill, x, y, z, amplitude, region, plane, rank)
    below = rank < THIN_BELOW
    return Scatterers(
        x_mm=x, y_mm=y, z_mm=z, amplitude=amplitude, region=region, region_in_plane=plane, starts=starts,
        thin=np.flatnonzero(below), thin_starts=np.concatenate([[0], np.cumsum(below)])[starts],
        grid=grid, face_radius_mm=view.face_radius_mm,
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
