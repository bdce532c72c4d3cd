"""Outlines of prisms: inside tests, crossings and nearest edges of polygons, in blocks that can be passed by."""

from __future__ import annotations

import math

import numpy as np

from renderer.jit import kernel

# An outline is one closed ring, or open arcs that close together, each after a row of NaN: comparisons with NaN are
# false, so that an edge from or to such a row is met by nothing.
# Columns of an outline: vertex, normal and curvature there; the first edge of every block of BLOCK edges (an edge
# runs from the vertex before to its own) also holds the block's bounds, and that of every GROUP edges the group's:
# low x, high x, low z, high z.
O_X, O_Z, O_NX, O_NZ, O_BEND, O_BLOCK = range(6)
O_GROUP = O_BLOCK + 4
N_OUTLINE = O_GROUP + 4
BLOCK, GROUP = 8, 64

MAX_HITS = 40  # crossings of one ray with one primitive that are looked at
ON_EDGE_MM = 1e-3


@kernel
def beside(row, first, x, z):
    """Whether a level line from a point to larger x passes by a box; its bounds begin at a column of the row."""
    return z < row[first + 2] or z > row[first + 3] or x > row[first + 1]


@kernel
def missed(row, first, x, z, dx, dz):
    """Whether the straight line through a point passes by a box."""
    off_x = 0.5 * (row[first] + row[first + 1]) - x
    off_z = 0.5 * (row[first + 2] + row[first + 3]) - z
    wide = (row[first + 1] - row[first]) * abs(dz) + (row[first + 3] - row[first + 2]) * abs(dx)
    return 2.0 * abs(off_x * dz - off_z * dx) > wide + 1e-9


@kernel
def far_off(row, first, x, z, square):
    """Whether a box lies farther from a point than the root of a square."""
    off_x = max(row[first] - x, x - row[first + 1], 0.0)
    off_z = max(row[first + 2] - z, z - row[first + 3], 0.0)
    return off_x * off_x + off_z * off_z > square


@kernel
def inside_outline(outline, start, count, x, z):
    """Whether a point lies inside a closed outline (even-odd rule)."""
    inside = False
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and beside(outline[block], O_GROUP, x, z):
            after = block + GROUP
            continue
        if beside(outline[block], O_BLOCK, x, z):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            zi, zj = outline[i, 1], outline[j, 1]
            if (zi > z) != (zj > z):
                if x < outline[i, 0] + (z - zi) / (zj - zi) * (outline[j, 0] - outline[i, 0]):
                    inside = not inside
            j = i
    return inside


@kernel
def edge_ahead(outline, j, i, x, z, dx, dz):
    """Distance, in lengths of (dx, dz), at which a ray meets the edge from vertex j to i; negative where it does not.

    The vertices lie on two sides of the ray; one that lies on it counts as to one side, so that no ray slips between
    two edges. Nothing meets a row of NaN.
    """
    one = (outline[j, O_X] - x) * dz - (outline[j, O_Z] - z) * dx
    other = (outline[i, O_X] - x) * dz - (outline[i, O_Z] - z) * dx
    if (one > 0.0) == (other > 0.0) or one != one or other != other:
        return -1.0
    w = one / (one - other)
    px = outline[j, O_X] + w * (outline[i, O_X] - outline[j, O_X]) - x
    pz = outline[j, O_Z] + w * (outline[i, O_Z] - outline[j, O_Z]) - z
    return (px * dx + pz * dz) / (dx * dx + dz * dz)


@kernel
def outline_hits(outline, start, count, x, z, dx, dz, hits, n):
    """Append the distances ahead at which a ray meets the edges of an outline; returns their number."""
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and missed(outline[block], O_GROUP, x, z, dx, dz):
            after = block + GROUP
            continue
        if missed(outline[block], O_BLOCK, x, z, dx, dz):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            ahead = edge_ahead(outline, j, i, x, z, dx, dz)
            if ahead > 0.0 and n < MAX_HITS - 1:
                hits[n] = ahead
                n += 1
            j = i
    return n


@kernel
def next_edge(outline, start, count, x, z, dx, dz, reach):
    """Whether a place lies inside an outline, and how far ahead a ray from it meets the next edge (-1: not within reach).

    By the even-odd rule along the ray itself.
    """
    inside, first = False, -1.0
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and missed(outline[block], O_GROUP, x, z, dx, dz):
            after = block + GROUP
            continue
        if missed(outline[block], O_BLOCK, x, z, dx, dz):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            ahead = edge_ahead(outline, j, i, x, z, dx, dz)
            if ahead > 0.0:
                inside = not inside
                if first < 0.0 or ahead < first:
                    first = ahead
            j = i
    return inside, first if first <= reach else -1.0


@kernel
def nearest_edge(outline, start, count, x, z, best):
    """The edge of an outline nearest to a place, of those nearer than the root of ``best``.

    Returns its two vertices (the second -1 if there is none), how far along it the nearest place lies (0..1), and the
    square of the distance.
    """
    first, second, share = -1, -1, 0.0
    after = start
    while after < start + count:
        block, after = after, after + BLOCK
        if (block - start) % GROUP == 0 and far_off(outline[block], O_GROUP, x, z, best):
            after = block + GROUP
            continue
        if far_off(outline[block], O_BLOCK, x, z, best):
            continue
        j = block - 1 if block > start else start + count - 1
        for i in range(block, min(block + BLOCK, start + count)):
            ax, az = outline[j, 0], outline[j, 1]
            ex, ez = outline[i, 0] - ax, outline[i, 1] - az
            length2 = ex * ex + ez * ez
            w = min(1.0, max(0.0, ((x - ax) * ex + (z - az) * ez) / length2)) if length2 > 0 else 0.0
            off = (ax + w * ex - x) ** 2 + (az + w * ez - z) ** 2
            if off < best:
                best, first, second, share = off, j, i, w
            j = i
    return first, second, share, best


@kernel
def outline_normal(outline, start, count, smooth, x, z):
    """Outward normal and curvature of an outline at its nearest edge; most places asked for lie on it."""
    j, i, w, _ = nearest_edge(outline, start, count, x, z, ON_EDGE_MM**2)
    if i < 0:
        j, i, w, _ = nearest_edge(outline, start, count, x, z, 1e30)
    if i < 0:
        return 0.0, -1.0, 0.0
    if smooth:
        nx = (1 - w) * outline[j, O_NX] + w * outline[i, O_NX]
        nz = (1 - w) * outline[j, O_NZ] + w * outline[i, O_NZ]
        curvature = (1 - w) * outline[j, O_BEND] + w * outline[i, O_BEND]
    else:  # outlines run so that the outside lies to this side
        nx, nz = outline[i, O_Z] - outline[j, O_Z], outline[j, O_X] - outline[i, O_X]
        curvature = 0.0
    length = math.sqrt(nx * nx + nz * nz)
    return nx / length, nz / length, curvature


def outline_normals(points: np.ndarray) -> np.ndarray:
    """Vertex normals and curvatures of a closed smooth outline, (V, 2) to (V, 5): x, z, nx, nz, 1/mm."""
    before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
    a, b = points - before, after - points
    la, lb = np.hypot(*a.T), np.hypot(*b.T)
    tangent = a / la[:, None] ** 2 + b / lb[:, None] ** 2  # the shorter neighbour tells more
    tangent /= np.hypot(*tangent.T)[:, None]
    turn = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(1))
    curvature = turn / (0.5 * (la + lb))
    return np.column_stack([points, tangent[:, 1], -tangent[:, 0], curvature])


def arc_normals(points: np.ndarray, *, closed: bool) -> np.ndarray:
    """``outline_normals`` of an arc with two ends, (V, 2) to (V, 5); a closed one repeats its first point."""
    if closed:
        ring = outline_normals(points[:-1])
        return np.vstack([ring, ring[:1]])
    first, last = 2 * points[0] - points[1], 2 * points[-1] - points[-2]
    return outline_normals(np.vstack([first, points, last]))[1:-1]


def with_bounds(outline: np.ndarray) -> np.ndarray:
    """An outline (V, 5) with the bounds of its blocks and groups of edges, (V, N_OUTLINE)."""
    full = np.zeros((len(outline), N_OUTLINE))
    full[:, :5] = outline
    ends = np.stack([np.roll(outline, 1, axis=0)[:, :2], outline[:, :2]], axis=1)
    for size, column in ((BLOCK, O_BLOCK), (GROUP, O_GROUP)):
        for first in range(0, len(outline), size):
            low, high = (
                np.nanmin(ends[first : first + size], (0, 1)),
                np.nanmax(ends[first : first + size], (0, 1)),
            )
            full[first, column : column + 4] = low[0], high[0], low[1], high[1]
    return full
