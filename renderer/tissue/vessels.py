"""Branching vessels inside a tissue: trees grown from hashes, one in each block of space, and a grid to find them.

A vessel is a level of the points in and round it, and an echo of its wall. It is texture, not a
solid: it bends no beam, and the truth knows only the tissue that it runs in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from renderer.jit import kernel
from renderer.tissue.hashing import mix, unit
from renderer.tissue.texture import AXIAL, N_VESSELS, NET_SIGN, PER_CELL, VESSEL_COLUMNS, VESSELS

Array = np.ndarray

# Columns of a segment: its ends, radii there, thickness of its wall, levels of wall and lumen (dB), gain of a wall point
# re a scatterer, texture that it belongs to
(V_X0, V_Y0, V_Z0, V_X1, V_Y1, V_Z1, V_R0, V_R1, V_WALL, V_WALL_DB, V_BLOOD_DB, V_GAIN, V_TEXTURE) = range(13)
N_SEGMENT = 13
GRID_MM = 3.0
WALL_CAPTURE_MM = 0.3  # points this near a wall, outside, are put onto it
MOST_SEGMENTS = 400  # of one tree
FLATNESS = 3.0  # trees stand this much closer out of the picture plane, and grow less that way
SHRINK = 0.95  # radius from segment to segment
SPECULAR_DB = 7.0  # of the wall's echo over its diffuse level, square to the beam, for the trunk
SPECULAR_FALL_DB = 22.0  # and how much less at a vanishing radius

Veins = tuple[Array, Array, Array, Array]


@kernel
def _next(state):
    return mix(state + np.uint64(0x9E3779B97F4A7C15))


@kernel
def grow_tree(state, x, y, z, radius, least, length, out):
    """Segments of one tree, (n, 8) ends and radii, from a root on; returns their number."""
    stack = np.empty((64, 8))
    heading, lift = 2 * math.pi * unit(state, 0), 0.25 * (unit(state, 21) - 0.5)
    for end in range(2):  # both ways, so that no vessel begins with a blunt end
        side = 1.0 - 2.0 * end
        new = stack[end]
        new[0], new[1], new[2] = x, y, z
        new[3], new[4], new[5] = side * math.cos(heading), side * lift, side * math.sin(heading)
        new[6], new[7] = radius, length
    n, waiting = 0, 2
    while waiting > 0:
        waiting -= 1
        px, py, pz = stack[waiting, 0], stack[waiting, 1], stack[waiting, 2]
        dx, dy, dz = stack[waiting, 3], stack[waiting, 4], stack[waiting, 5]
        r, reach = stack[waiting, 6], stack[waiting, 7]
        for part in range(3):
            if n >= out.shape[0]:
                return n
            state = _next(state)
            dx += 0.24 * (2 * unit(state, 0) - 1)
            dy = 0.85 * dy + 0.08 * (2 * unit(state, 21) - 1)
            dz += 0.24 * (2 * unit(state, 42) - 1)
            size = math.sqrt(dx * dx + dy * dy + dz * dz)
            dx, dy, dz = dx / size, dy / size, dz / size
            step = reach / 3
            out[n, 0], out[n, 1], out[n, 2], out[n, 6] = px, py, pz, r
            px, py, pz, r = px + step * dx, py + step * dy, pz + step * dz, r * SHRINK
            out[n, 3], out[n, 4], out[n, 5], out[n, 7] = px, py, pz, r
            n += 1
        state = _next(state)
        side = 1.0 if unit(state, 0) < 0.5 else -1.0
        for child in range(3):
            state = _next(state)
            if child == 2 and unit(state, 42) < 0.5:
                continue  # a side twig at every other fork
            share = 0.80 if child == 0 else (0.70 if child == 1 else 0.45)
            if r * share < least or waiting >= stack.shape[0]:
                continue
            turn = side * (0.35 + 0.40 * unit(state, 0)) * (1.0 if child != 1 else -1.0)
            if child == 2:
                turn *= 1.8
            c, s = math.cos(turn), math.sin(turn)
            new = stack[waiting]
            new[0], new[1], new[2] = px, py, pz
            new[3], new[4], new[5] = c * dx - s * dz, dy + 0.15 * (2 * unit(state, 21) - 1), s * dx + c * dz
            new[6], new[7] = r * share, 0.8 * reach
            waiting += 1
    return n


@kernel
def grow_block(key, low, high, sizes, keep_low, keep_high, out):
    """The trees of all blocks between two corners, as far as they come into a box; returns the number of segments.

    ``sizes``: radius, least radius, length, spacing of the trees. ``out`` (n, 8); stops when it is full.
    """
    tree = np.empty((MOST_SEGMENTS, 8))
    spacing = sizes[3]
    n = 0
    for i in range(low[0], high[0]):
        for j in range(low[1], high[1]):
            for k in range(low[2], high[2]):
                h = mix(
                    mix(mix(key + np.uint64(np.int64(i))) + np.uint64(np.int64(j))) + np.uint64(np.int64(k))
                )
                x, y = (i + unit(h, 0)) * spacing, (j + unit(h, 21)) * spacing / FLATNESS
                z = (k + unit(h, 42)) * spacing
                count = grow_tree(_next(h), x, y, z, sizes[0], sizes[1], sizes[2], tree)
                for t in range(count):
                    seg = tree[t]
                    away = False
                    for axis in range(3):
                        margin = 2 * seg[6] + 1.0
                        away |= max(seg[axis], seg[3 + axis]) < keep_low[axis] - margin
                        away |= min(seg[axis], seg[3 + axis]) > keep_high[axis] + margin
                    if not away:
                        if n < out.shape[0]:
                            out[n] = seg
                        n += 1
    return n


def vessel_segments(
    kind: Array, texture: int, key: int, low_mm: Array, high_mm: Array, axial_mm: float
) -> Array:
    """All segments of one kind of vessel (its columns of a texture) in a box of the world, (n, N_SEGMENT)."""
    radius, _, length, spacing, wall_db, blood_db = kind
    reach = 3.2 * length
    margin = np.array([reach, min(reach, 15.0), reach])
    block = spacing * np.array([1.0, 1.0 / FLATNESS, 1.0])
    low = np.floor((low_mm - margin) / block).astype(np.int64)
    high = np.ceil((high_mm + margin) / block).astype(np.int64)
    room = 4096
    while True:
        found = np.empty((room, 8))
        n = grow_block(np.uint64(key), low, high, np.ascontiguousarray(kind[:4]), low_mm, high_mm, found)
        if n <= room:
            break
        room = n
    out = np.zeros((n, N_SEGMENT))
    out[:, :8] = found[:n]
    r = out[:, V_R0]
    size = r / radius
    out[:, V_WALL] = 0.1 + 0.15 * r
    out[:, V_WALL_DB] = wall_db * np.clip(1.35 * size - 0.25, 0.0, 1.0)
    out[:, V_BLOOD_DB] = blood_db
    contrast_db = wall_db + SPECULAR_DB - SPECULAR_FALL_DB * (1 - size)
    out[:, V_GAIN] = 10 ** (contrast_db / 20) * axial_mm / (NET_SIGN * WALL_CAPTURE_MM * math.sqrt(PER_CELL))
    out[:, V_TEXTURE] = texture
    return out


def grow_vessels(textures: Array, key: int, low_mm: Array, high_mm: Array) -> Veins:
    """The vessels of all textures (X, N_TEXTURE) in a box of the world."""
    grown = []
    for x, row in enumerate(textures):
        for v in range(int(row[N_VESSELS])):
            kind = row[VESSELS + v * VESSEL_COLUMNS : VESSELS + (v + 1) * VESSEL_COLUMNS]
            purpose = (key + 0x5851F42D4C957F2D * (v + 1)) % 2**64
            grown.append(vessel_segments(kind, x, purpose, low_mm, high_mm, float(row[AXIAL])))
    return vessel_grid(grown, low_mm, high_mm)


def vessel_grid(segments: Sequence[Array], low_mm: Array, high_mm: Array) -> Veins:
    """Segments and a grid over them: for every cell of GRID_MM those that touch it.

    Returns
    -------
    segments (n, N_SEGMENT); first of each cell (cells + 1,); numbers of segments; grid (6,): corner, counts
    """
    rows = np.concatenate([np.zeros((0, N_SEGMENT)), *segments])
    if not len(rows):
        return rows, np.zeros(2, np.int64), np.zeros(0, np.int64), np.zeros(6)
    counts = np.maximum(np.ceil((high_mm - low_mm) / GRID_MM), 1.0)
    grid = np.concatenate([low_mm, counts])
    starts = np.zeros(int(counts.prod()) + 1, np.int64)
    _mark_cells(rows, grid, starts, np.zeros(0, np.int64), True)
    np.cumsum(starts, out=starts)
    numbers = np.zeros(int(starts[-1]), np.int64)
    _mark_cells(rows, grid, starts[:-1].copy(), numbers, False)
    return rows, starts, numbers, grid


@kernel
def _mark_cells(rows, grid, starts, numbers, count_only):
    """Count the segments of each cell (one place on), or write their numbers and move the starts on."""
    ny, nz = int(grid[4]), int(grid[5])
    half = 0.5 * GRID_MM * math.sqrt(3.0)
    for q in range(rows.shape[0]):
        row = rows[q]
        wide = max(row[V_R0], row[V_R1]) + max(row[V_WALL], WALL_CAPTURE_MM)
        first, last = np.empty(3, np.int64), np.empty(3, np.int64)
        for axis in range(3):
            a, b = min(row[axis], row[3 + axis]) - wide, max(row[axis], row[3 + axis]) + wide
            first[axis] = max(0, int(math.floor((a - grid[axis]) / GRID_MM)))
            last[axis] = min(int(grid[3 + axis]) - 1, int(math.floor((b - grid[axis]) / GRID_MM)))
        for i in range(first[0], last[0] + 1):
            for j in range(first[1], last[1] + 1):
                for k in range(first[2], last[2] + 1):
                    x, y, z = (
                        grid[0] + (i + 0.5) * GRID_MM,
                        grid[1] + (j + 0.5) * GRID_MM,
                        grid[2] + (k + 0.5) * GRID_MM,
                    )
                    if _to_axis(row, x, y, z)[0] > wide + half:
                        continue
                    cell = (i * ny + j) * nz + k
                    if count_only:
                        starts[cell + 1] += 1
                    else:
                        numbers[starts[cell]] = q
                        starts[cell] += 1


@kernel
def _to_axis(row, x, y, z):
    """Distance of a place from a segment's axis, the place along it (0..1), and the vector from the axis."""
    ex, ey, ez = row[V_X1] - row[V_X0], row[V_Y1] - row[V_Y0], row[V_Z1] - row[V_Z0]
    gx, gy, gz = x - row[V_X0], y - row[V_Y0], z - row[V_Z0]
    t = (gx * ex + gy * ey + gz * ez) / (ex * ex + ey * ey + ez * ez)
    t = min(1.0, max(0.0, t))
    gx, gy, gz = gx - t * ex, gy - t * ey, gz - t * ez
    return math.sqrt(gx * gx + gy * gy + gz * gz), t, gx, gy, gz


@kernel
def vessel_near(veins, texture, x, y, z):
    """The vessel that a place lies in or next to: its segment or -1, distance outside its lumen, unit vector outwards."""
    rows, starts, numbers, grid = veins
    best, outside, ox, oy, oz = -1, 1e30, 0.0, 0.0, 0.0
    i, j, k = (
        int(math.floor((x - grid[0]) / GRID_MM)),
        int(math.floor((y - grid[1]) / GRID_MM)),
        int(math.floor((z - grid[2]) / GRID_MM)),
    )
    nx, ny, nz = int(grid[3]), int(grid[4]), int(grid[5])
    if i < 0 or j < 0 or k < 0 or i >= nx or j >= ny or k >= nz:
        return best, outside, ox, oy, oz
    cell = (i * ny + j) * nz + k
    for n in range(starts[cell], starts[cell + 1]):
        row = rows[numbers[n]]
        if int(row[V_TEXTURE]) != texture:
            continue
        distance, t, gx, gy, gz = _to_axis(row, x, y, z)
        away = distance - (row[V_R0] + t * (row[V_R1] - row[V_R0]))
        if away < outside and away < max(row[V_WALL], WALL_CAPTURE_MM):
            best, outside = numbers[n], away
            s = 1.0 / max(distance, 1e-9)
            ox, oy, oz = s * gx, s * gy, s * gz
    return best, outside, ox, oy, oz
