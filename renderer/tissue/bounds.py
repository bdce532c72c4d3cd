"""Boxes round primitives."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from renderer.tissue.geometry import BOX, CAP, CYLINDER, ELLIPSOID, PRISM, ROUND, SLAB

Array = npt.NDArray[np.float64]

ENDLESS_MM = 1e9
SLACK_MM = 1e-6  # rounding of a turn


def box_round(kind: int, row: Array) -> tuple[Array, Array]:
    """Corners of a box, along the axes of the common frame, that holds a primitive, (3,) and (3,), mm."""
    axes, origin = row[:9].reshape(3, 3), row[9:12]
    if kind == ROUND:
        ends = np.array([origin, origin + axes[2] * row[15]])
        radii = row[[12, 14]][:, None]
        return (ends - radii).min(0) - SLACK_MM, (ends + radii).max(0) + SLACK_MM
    low, high = _own_bounds(kind, row)
    corners = np.array(
        [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    )
    corners = origin + corners @ axes
    return corners.min(0) - SLACK_MM, corners.max(0) + SLACK_MM


def _own_bounds(kind: int, row: Array) -> tuple[Array, Array]:
    """Corners of the box that holds a primitive, in its own frame."""
    p0, p1, p2, p3 = row[12:16]
    if kind in (BOX, ELLIPSOID):
        return -row[12:15], row[12:15]
    if kind == CYLINDER:  # its far end may slant
        return np.array([-p0, -p0, 0.0]), np.array([p0, p0, p1 + max(0.0, abs(p2) * p0 - p3)])
    if kind == PRISM:
        return np.array([-p2, p0, -p3]), np.array([p2, p1, p3])
    if kind == CAP:
        return np.full(3, -p1), np.full(3, p1)
    if kind == SLAB:
        return np.array([-ENDLESS_MM, -ENDLESS_MM, 0.0]), np.array(
            [ENDLESS_MM, ENDLESS_MM, min(p0, ENDLESS_MM)]
        )
    return np.full(3, -ENDLESS_MM), np.full(3, ENDLESS_MM)
