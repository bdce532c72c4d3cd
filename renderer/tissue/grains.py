"""Places of grains: many small spheres in a closed shape, always the same for the same key."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from renderer.jit import kernel
from renderer.tissue.bounds import box_round
from renderer.tissue.geometry import inside_local, to_local

Array = np.ndarray
DRAWS_AT_ONCE = 4096
MOST_DRAWS = 4_000_000


@kernel
def _within(kinds, rows, outline, spans, points, out):
    """Which points lie in any of the primitives."""
    for p in range(points.shape[0]):
        for i in range(kinds.shape[0]):
            x, y, z = to_local(rows[i], points[p, 0], points[p, 1], points[p, 2])
            if inside_local(kinds[i], rows[i], outline, spans[i, 0], spans[i, 1], x, y, z):
                out[p] = True
                break


def grain_places(
    kinds: Array, rows: Array, outline: Array, spans: Array, *, count: int, diameter_mm: float, key: int
) -> Array:
    """Centres of grains within the primitives of a closed shape, (count, 3) mm.

    Drawn one after the other, evenly in the shape; one that would overlap an earlier grain is passed over
    (random sequential addition, which jams when about 0.38 of the volume is full; from memory). The
    reader refuses far less than that. Fewer come out if there is no room.
    """
    low, high = _bounds(kinds, rows)
    rng = np.random.Generator(np.random.Philox(key=key))
    kept = np.zeros((0, 3))
    for _ in range(MOST_DRAWS // DRAWS_AT_ONCE):
        points = low + (high - low) * rng.random((DRAWS_AT_ONCE, 3))
        inside = np.zeros(len(points), bool)
        _within(kinds, rows, outline, spans, points, inside)
        kept = _without_overlap(kept, points[inside], diameter_mm, count)
        if len(kept) == count:
            break
    return kept


def _without_overlap(kept: Array, drawn: Array, diameter_mm: float, count: int) -> Array:
    """The kept places, and the drawn ones in their order that keep a diameter from all before."""
    if len(kept):
        drawn = drawn[cKDTree(kept).query(drawn)[0] >= diameter_mm] if len(drawn) else drawn
    near = cKDTree(drawn).query_ball_point(drawn, diameter_mm) if len(drawn) else []
    taken = np.zeros(len(drawn), bool)
    room = count - len(kept)
    for i, others in enumerate(near):
        if room == 0:
            break
        taken[i] = not any(taken[j] for j in others if j < i)
        room -= int(taken[i])
    return np.vstack([kept, drawn[taken]])


def _bounds(kinds: Array, rows: Array) -> tuple[Array, Array]:
    """Corners of a box, along the world's axes, that holds the primitives."""
    boxes = np.array([box_round(kind, row) for kind, row in zip(kinds, rows)])
    return boxes[:, 0].min(0), boxes[:, 1].max(0)
