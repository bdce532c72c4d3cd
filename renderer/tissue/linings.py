"""How deep a place lies under the surface of the primitive that it belongs to: what linings are stacked over."""

from __future__ import annotations

import math

from renderer.jit import kernel
from renderer.tissue.geometry import (
    BOX,
    CAP,
    CYLINDER,
    ELLIPSOID,
    PRISM,
    SLAB,
    direction_from_local,
    to_local,
)
from renderer.tissue.outlines import O_X, O_Z, nearest_edge


@kernel
def _under_outline(outline, start, count, x, z):
    """Distance of a place inside an outline from its nearest edge, and the unit vector towards that edge."""
    j, i, w, square = nearest_edge(outline, start, count, x, z, 1e30)
    distance = math.sqrt(square)
    if i < 0 or distance <= 1e-9:
        return distance, 0.0, -1.0
    gx = (1 - w) * outline[j, O_X] + w * outline[i, O_X] - x
    gz = (1 - w) * outline[j, O_Z] + w * outline[i, O_Z] - z
    return distance, gx / distance, gz / distance


@kernel
def under_surface(kind, row, outline, start, count, x, y, z):
    """Depth of a place under the nearest outer surface of its primitive (mm), and the unit normal outwards.

    Exact for flat and round ones; for an ellipsoid to first order in the depth. The ends of a tube
    and of a drawn-out outline are no surfaces here.
    """
    lx, ly, lz = to_local(row, x, y, z)
    p0, p1, p2 = row[12], row[13], row[14]
    depth, nx, ny, nz = lz, 0.0, 0.0, -1.0
    if kind == SLAB:
        if p0 < 1e8 and lz > 0.5 * p0:
            depth, nz = p0 - lz, 1.0
    elif kind == BOX:
        fx, fy, fz = p0 - abs(lx), p1 - abs(ly), p2 - abs(lz)
        depth = min(fx, fy, fz)
        if fz <= fx and fz <= fy:
            nz = math.copysign(1.0, lz)
        elif fx <= fy:
            nx, nz = math.copysign(1.0, lx), 0.0
        else:
            ny, nz = math.copysign(1.0, ly), 0.0
    elif kind == ELLIPSOID:
        f = math.sqrt((lx / p0) ** 2 + (ly / p1) ** 2 + (lz / p2) ** 2) + 1e-12
        nx, ny, nz = lx / (p0 * p0), ly / (p1 * p1), lz / (p2 * p2)
        slope = math.sqrt(nx * nx + ny * ny + nz * nz) + 1e-12
        nx, ny, nz = nx / slope, ny / slope, nz / slope
        depth = (1.0 - f) * f / slope
    elif kind == CYLINDER:
        r = math.hypot(lx, ly) + 1e-12
        depth, nx, ny, nz = p0 - r, lx / r, ly / r, 0.0
    elif kind == PRISM:
        depth, nx, nz = _under_outline(outline, start, count, lx, lz)
    elif kind == CAP:
        r = math.sqrt(lx * lx + ly * ly + lz * lz) + 1e-12
        side = 1.0 if p1 - r < r - p0 else -1.0
        depth = min(p1 - r, r - p0)
        nx, ny, nz = side * lx / r, side * ly / r, side * lz / r
    nx, ny, nz = direction_from_local(row, nx, ny, nz)
    return depth, nx, ny, nz
