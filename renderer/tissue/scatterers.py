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

from renderer.jit import kernel, row_kernel
from renderer.tissue.fibres import fibre_db, line_through
from renderer.tissue.geometry import BOX, CAP, CYLINDER, ELLIPSOID, PRISM, ROUND, SLAB, contains, to_local
from renderer.tissue.hashing import NEXT, cell_of_column, column_hash, mix, unit
from renderer.tissue.hashing import value_noise as value_noise
from renderer.tissue.linings import under_surface
from renderer.tissue.texture import (
    FRAME,
    N_SHEETS,
    S_CHANCE,
    S_PATTERN,
    SAME_SIGN,
    SETTLE,
    SETTLE_BARE,
    SHEET_COLUMNS,
    SHEETS,
    in_frame,
    octaves_db,
    sheet_near,
    sheet_share,
)
from renderer.tissue.texture import PER_CELL as PER_CELL
from renderer.tissue.vessels import (
    V_BLOOD_DB,
    V_GAIN,
    V_WALL,
    V_WALL_DB,
    WALL_CAPTURE_MM,
    grow_vessels,
    vessel_near,
)

Array = np.ndarray

THIN_BELOW = 86  # of 256: the rank below which a point belongs to the thin set, every third one
# Of the points of a coherent sheet so many are in the thin set: with the amplitude that makes up for the thinning of
# speckle, root of 256 / THIN_BELOW, the sum of those that are left is that of all.
THIN_SHEETS = math.sqrt(THIN_BELOW / 256)
MOVE_MM = 1.0  # a point moves no farther than this onto a sheet
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
    rank: Array  # (P,) uint8: a number that each point keeps wherever it is seen from
    grid: Array  # (6,) row start, row step, column start, column step, rows, columns
    face_radius_mm: float


@kernel
def depth_and_place(x, z, radius):
    """Depth below the face and place along it (mm; angle times radius for a curved face)."""
    if radius > 1e8:
        return z, x
    r = math.hypot(x, z + radius)
    return r - radius, math.atan2(x, z + radius) * radius


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
        elif kind == ROUND:  # radii p0 and p2 at its two ends, the larger p1
            out = abs(lx) > p1 + hx or abs(ly) > p1 + hy or lz < -p0 - hz or lz > p3 + p2 + hz
        else:
            out = abs(lx) > p1 + hx or abs(ly) > p1 + hy
        if not out:
            found[n] = q
            n += 1
    return n


@kernel
def topmost(solids, found, n, x, y, z):
    """The topmost of the named primitives that contains a point, or -1 (the background)."""
    for f in range(n - 1, -1, -1):
        if contains(solids[0], solids[1], solids[2], solids[3], found[f], x, y, z):
            return found[f]
    return -1


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


@row_kernel("bounds")
def bound_points(
    start, stop, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, bounds
):
    """Room that the points of each lattice plane need: their expected number and six deviations."""
    most = 1.0 / lattice_mm**3
    for k in range(start, stop):
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
def _put(out, n, x, y, z, amplitude, region, plane, rank, depth, place):
    """Write a point if there is room, and count it."""
    if n < out.shape[0]:
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = x, y, z, amplitude
        out[n, 4], out[n, 5], out[n, 6], out[n, 7], out[n, 8] = region, plane, rank, depth, place
    return n + 1


@kernel
def _put_moved(out, n, x, y, z, amplitude, region, rank, g, solids, found, n_found, volume, reach):
    """Write a point of a sheet where it was moved to, if that is still in its region and in the view.

    ``g``: its own hash, for its sign and whether it is in the thin set.
    """
    radius, _, _, _, depth_end, depth_step = volume
    depth, place = depth_and_place(x, z, radius)
    if depth < 0.0 or depth >= depth_end or abs(y) > reach[int(depth / depth_step)]:
        return n
    top = topmost(solids, found, n_found, x, y, z)
    if (solids[4][top] if top >= 0 else 0) != region:
        return n
    if unit(g, 0) > SAME_SIGN:
        amplitude = -amplitude
    if rank >= THIN_BELOW and unit(g, 21) * (1.0 - THIN_BELOW / 256.0) < THIN_SHEETS - THIN_BELOW / 256.0:
        rank = 0
    top = topmost(solids, found, n_found, x, 0.0, z)
    plane = solids[4][top] if top >= 0 else 0
    return _put(out, n, x, y, z, amplitude, region, plane, rank, depth, place)


@kernel
def _add_sheets(
    out, n, x, y, z, wx, wy, wz, amplitude, region, primitive, rank, g, texture, key, rotation, solids, found, n_found,
    volume, reach,
):  # fmt: skip
    """Write the points that a scatterer at (x, y, z) gives to the sheets of its texture."""
    amplitude *= 10.0 ** (texture[SETTLE if primitive >= 0 else SETTLE_BARE] / 20.0)
    tx, ty, tz = in_frame(texture[FRAME : FRAME + 9], wx, wy, wz)
    for f in range(int(texture[N_SHEETS])):
        sheet = texture[SHEETS + f * SHEET_COLUMNS : SHEETS + (f + 1) * SHEET_COLUMNS]
        g = mix(g + NEXT)
        if unit(g, 42) >= sheet[S_CHANCE]:
            continue
        own_key = key + np.uint64(1009 * (f + 1))
        if sheet[S_PATTERN] == 2.0:
            if primitive < 0:
                continue
            depth, nx, ny, nz = under_surface(
                solids[0][primitive], solids[1][primitive], solids[2], solids[3][primitive, 0],
                solids[3][primitive, 1], x, y, z,
            )  # fmt: skip
            gain, sign, _, _, way = sheet_near(sheet, own_key, wx, wy, depth)
            px, py, pz = -way * nx, -way * ny, -way * nz
        else:
            gain, sign, ax, ay, az = sheet_near(sheet, own_key, tx, ty, tz)
            t = texture
            bx, by, bz = (
                t[0] * ax + t[3] * ay + t[6] * az,
                t[1] * ax + t[4] * ay + t[7] * az,
                t[2] * ax + t[5] * ay + t[8] * az,
            )
            px = rotation[0, 0] * bx + rotation[0, 1] * by + rotation[0, 2] * bz
            py = rotation[1, 0] * bx + rotation[1, 1] * by + rotation[1, 2] * bz
            pz = rotation[2, 0] * bx + rotation[2, 1] * by + rotation[2, 2] * bz
        if gain > 0.0:
            n = _put_moved(
                out, n, x + px, y + py, z + pz, sign * gain * amplitude, region, rank, g, solids, found, n_found,
                volume, reach,
            )  # fmt: skip
    return n


@kernel
def _add_wall(
    out, n, x, y, z, vein, outside, ox, oy, oz, amplitude, region, rank, g, rotation, solids, found, n_found, volume,
    reach,
):  # fmt: skip
    """Write the point that a scatterer next to a vessel gives to the echo of its wall."""
    way = -0.95 * outside
    px = x + way * (rotation[0, 0] * ox + rotation[0, 1] * oy + rotation[0, 2] * oz)
    py = y + way * (rotation[1, 0] * ox + rotation[1, 1] * oy + rotation[1, 2] * oz)
    pz = z + way * (rotation[2, 0] * ox + rotation[2, 1] * oy + rotation[2, 2] * oz)
    return _put_moved(
        out,
        n,
        px,
        py,
        pz,
        amplitude * vein[V_GAIN],
        region,
        rank,
        mix(g ^ NEXT),
        solids,
        found,
        n_found,
        volume,
        reach,
    )


@kernel
def _visit_plane(
    k, key, grown, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, solids, levels,
    textures, texture_of, fibres, fan, veins, out,
):  # fmt: skip
    """Write the points of one lattice plane into ``out`` as far as it has room; returns their number.

    ``coarser`` is the density that the coarser lattices give; this one makes up the rest. ``grown``: key of textures.
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
            slack = lattice_mm + 0.05 * most_wide + MOVE_MM
            n_found = column_candidates(
                solids[0], solids[1], solids[5], cx, cz, slack, widest + MOVE_MM, found
            )
        j0, j1 = column_range(i, zc, lattice_mm, low, high, rotation, shift, widest)
        for j in range(j0, j1):
            h = cell_of_column(column_hash(key, i, j), k)
            g = mix(h + NEXT)
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
            primitive = topmost(solids, found, n_found, x, y, z)
            region = solids[4][primitive] if primitive >= 0 else 0
            level = levels[region, 0]
            if level <= 0.0:
                continue
            if 0.0 < levels[region, 1] < wanted:
                wanted = levels[region, 1]
                if keep >= wanted - coarser:
                    continue
            gain_db = 0.0
            base = level / math.sqrt(wanted)
            kind = texture_of[region]
            vein, outside, ox, oy, oz = -1, 0.0, 0.0, 0.0, 0.0
            if kind >= 0:
                tx, ty, tz = in_frame(textures[kind, FRAME : FRAME + 9], wx, wy, wz)
                gain_db = octaves_db(textures[kind], grown, tx, ty, tz)
                gain_db += textures[kind, SETTLE if primitive >= 0 else SETTLE_BARE]
                if veins[0].shape[0] > 0:
                    vein, outside, ox, oy, oz = vessel_near(veins, kind, wx, wy, wz)
                    if vein >= 0 and outside < veins[0][vein, V_WALL]:
                        gain_db += veins[0][vein, V_BLOOD_DB if outside < 0.0 else V_WALL_DB]
            if fibres[region, 1] != 0.0:
                bx, bz, _ = line_through(x, z, fan)
                gain_db += fibre_db(fibres[region], bx, 0.0, bz)
            amplitude = base if sign < 0.5 else -base
            if gain_db != 0.0:
                amplitude *= 10.0 ** (gain_db / 20.0)
            top = topmost(solids, found, n_found, x, 0.0, z)
            plane = solids[4][top] if top >= 0 else 0
            n = _put(out, n, x, y, z, amplitude, region, plane, rank, depth, place)
            if vein >= 0 and 0.0 < outside < WALL_CAPTURE_MM:
                n = _add_wall(
                    out, n, x, y, z, veins[0][vein], outside, ox, oy, oz, base, region, rank, g, rotation, solids,
                    found, n_found, volume, reach,
                )  # fmt: skip
            if kind >= 0 and textures[kind, N_SHEETS] > 0.0 and (vein < 0 or outside > 0.0):
                n = _add_sheets(
                    out, n, x, y, z, wx, wy, wz, base, region, primitive, rank, g, textures[kind], grown, rotation,
                    solids, found, n_found, volume, reach,
                )  # fmt: skip
    return n


@row_kernel("counts")
def write_points(
    start, stop,
    key, grown, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright, solids, levels,
    textures, texture_of, fibres, fan, veins, first, out, counts,
):  # fmt: skip
    """The points of each lattice plane, from its first row on, and how many there are."""
    for k in range(start, stop):
        counts[k] = _visit_plane(
            low[2] + k, key, grown, lattice_mm, coarser, low, high, rotation, shift, volume, density, reach, upright,
            solids, levels, textures, texture_of, fibres, fan, veins, out[first[k] : first[k + 1]],
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
    fan: tuple[float, float, float, float, float]  # how the lines spread, as ``line_through`` wants it


def draw_scatterers(
    solids: tuple[Array, ...],
    levels: Array,
    textures: Array,
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
    textures : (X, N_TEXTURE) rows of ``texture_table``; texture_of : (G,) index or -1
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
    veins = grow_vessels(textures, key, *_world_box(view, rotation, shift_mm))
    extra = sheet_share(textures) + (0.1 if len(veins[0]) else 0.0)
    drawn = []
    coarser = 0.0
    for level, lattice_mm in enumerate(lattices(float(view.density_per_mm3.max()))):
        low, high = _lattice_box(view, rotation, shift_mm, lattice_mm)
        common = (
            lattice_mm, coarser, low, high, rotation, shift_mm, volume, view.density_per_mm3, view.reach_mm, upright,
        )  # fmt: skip
        room = np.zeros(int(high[2] - low[2]), np.int64)
        bound_points(*common, room)
        room = (room * (1 + extra)).astype(np.int64)
        counts = np.zeros_like(room)
        while True:  # a second time only where a plane had more points than room, one chance in a billion
            first = np.concatenate([[0], np.cumsum(room)])
            raw = np.empty((int(first[-1]), RAW_COLUMNS), np.float32)
            write_points(
                np.uint64(key + 7919 * level), np.uint64(key), *common, solids, levels, textures, texture_of, fibres,
                view.fan, veins, first, raw, counts,
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
        thin=np.flatnonzero(below), thin_starts=np.concatenate([[0], np.cumsum(below)])[starts], rank=rank,
        grid=grid, face_radius_mm=view.face_radius_mm,
    )  # fmt: skip


def _world_box(view: ViewVolume, rotation: Array, shift_mm: Array) -> tuple[Array, Array]:
    """Corners of the box of the world that encloses the view, mm."""
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
    margin = 0.02 * view.depth_end_mm
    return world.min(0) - margin, world.max(0) + margin


def _lattice_box(
    view: ViewVolume, rotation: Array, shift_mm: Array, lattice_mm: float
) -> tuple[Array, Array]:
    """Lattice indices that enclose the view: first and one past the last, (3,) int64 each."""
    low, high = _world_box(view, rotation, shift_mm)
    return (
        np.floor(low / lattice_mm - 1.0).astype(np.int64),
        np.ceil(high / lattice_mm + 1.0).astype(np.int64),
    )
