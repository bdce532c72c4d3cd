"""Smooth borders of the labels of a picture.

Between two labels runs one *arc*: it begins and ends where three labels meet, or is closed. Every arc is
smoothed once and serves both sides, so that labels fit together without gaps. Lengths are pixels.
"""

from __future__ import annotations

from collections import defaultdict
from functools import lru_cache

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from renderer.tissue.outlines import arc_normals

Array = np.ndarray
Node = tuple[int, int]

STIFFNESS = (
    1000.0  # weight of the third differences: waves of the border shorter than about 20 sides are damped
)
FREE = 0.3  # pixels that a border may move at no cost: a side's middle is that far off a straight edge, rms
FARTHEST = 0.6  # pixels that it may move at most
FIRMER = 2.0  # growth of the weight of a point that moved farther
ROUNDS, STEPS = 30, 8
STRIDE = 2  # of the smoothed points every second is kept


def border_edges(labels: Array) -> dict[Node, list[tuple[Node, int, int]]]:
    """Edges between pixels of different labels, by their start: (end, label on the left, label on the right).

    Corner (r, c) is the upper left one of pixel (r, c) of the picture with a rim of zeros. Left and right are
    those of a walker who sees row 0 ahead, on a picture that is looked at from above.
    """
    rim = np.pad(labels.astype(int), 1)
    found: dict[Node, list[tuple[Node, int, int]]] = defaultdict(list)
    for r, c in np.argwhere(rim[:, 1:] != rim[:, :-1]).tolist():  # upright edges, right of pixel (r, c)
        west, east = int(rim[r, c]), int(rim[r, c + 1])
        top, bottom = (r, c + 1), (r + 1, c + 1)
        found[bottom].append((top, west, east))
        found[top].append((bottom, east, west))
    for r, c in np.argwhere(rim[1:] != rim[:-1]).tolist():  # level edges, below pixel (r, c)
        north, south = int(rim[r, c]), int(rim[r + 1, c])
        left, right = (r + 1, c), (r + 1, c + 1)
        found[left].append((right, north, south))
        found[right].append((left, south, north))
    return found


def trace_arcs(labels: Array) -> list[tuple[Array, bool, int, int]]:
    """Arcs of a label picture: (points (n, 2) x, z, whether closed, label on the left, label on the right).

    Points are the middles of the pixels' sides, and for open arcs the corners at the two ends; closed arcs do not
    repeat a point. In pixels from the centre of the first pixel.
    """
    edges = border_edges(labels)
    used: set[tuple[Node, Node]] = set()
    arcs = []
    meetings = [node for node, out in edges.items() if len(out) != 2]
    for start in [*meetings, *edges]:
        for end, left, right in edges[start]:
            if (start, end) not in used:
                nodes = _walk(edges, start, end, used)
                closed = nodes[0] == nodes[-1] and len(edges[start]) == 2
                arcs.append((_middles(nodes, closed), closed, left, right))
    return arcs


def _walk(
    edges: dict[Node, list[tuple[Node, int, int]]], start: Node, end: Node, used: set[tuple[Node, Node]]
) -> list[Node]:
    """The corners of an arc from its first edge, to where labels meet or to where it began."""
    nodes = [start, end]
    used |= {(start, end), (end, start)}
    while len(edges[end]) == 2 and end != start:
        before = nodes[-2]
        end = next(to for to, _, _ in edges[end] if to != before)
        used |= {(nodes[-1], end), (end, nodes[-1])}
        nodes.append(end)
    return nodes


def _middles(nodes: list[Node], closed: bool) -> Array:
    corners = np.array(nodes, float)[:, ::-1] - 1.5  # x is the column; the rim and half a pixel
    middles = 0.5 * (corners[1:] + corners[:-1])
    return middles if closed else np.vstack([corners[:1], middles, corners[-1:]])


def smooth_arc(points: Array, *, closed: bool) -> Array:
    """An arc (n, 2) without the stairs of its pixels; the ends of an open one stay.

    Least squares with a penalty on third differences (Whittaker 1923, from memory), in which a point may move
    a little at no cost, since the true border passes its pixel's side anywhere; firmer where one moves too far.
    """
    n = len(points)
    if n < 6:
        return points
    third = _third_differences(n, closed)
    weight, smooth = np.ones(n), points
    if not closed:
        weight[[0, -1]] = 1e9
    for _ in range(ROUNDS):
        solver = splu((sparse.diags(weight) + STIFFNESS * (third.T @ third)).tocsc())
        for _ in range(STEPS):
            move = smooth - points
            share = np.minimum(1.0, FREE / np.maximum(np.hypot(*move.T), 1e-9))
            smooth = solver.solve(weight[:, None] * (points + share[:, None] * move))
        moved = np.hypot(*(smooth - points).T)
        if (moved <= FARTHEST).all():
            break
        weight = np.where(moved > FARTHEST, weight * FIRMER, weight)
    if not closed:  # to the last digit: arcs that meet in a corner must close together
        smooth[[0, -1]] = points[[0, -1]]
    return np.asarray(smooth)


def _third_differences(n: int, closed: bool) -> sparse.csr_matrix:
    """Third differences of n points, (n or n - 3, n)."""
    rows = n if closed else n - 3
    i = np.arange(rows)
    columns = np.concatenate([i, i + 1, i + 2, i + 3]) % n
    return sparse.csr_matrix(
        (np.repeat([-1.0, 3.0, -3.0, 1.0], rows), (np.tile(i, 4), columns)), shape=(rows, n)
    )


@lru_cache(maxsize=8)
def label_outlines(pixels: bytes, columns: int, labels: tuple[int, ...]) -> tuple[Array, ...]:
    """The outline (V, 5) of each label: its arcs, each after a row of NaN, with the label on their right.

    In pixels from the centre of the first pixel; columns are x, z, normal and curvature (1 per pixel).
    """
    picture = np.frombuffer(pixels, np.uint8).reshape(-1, columns)
    listed = np.where(np.isin(picture, labels), picture, 0).astype(int)
    if 0 in labels:  # pixels of zero are a body like others; the rim is not
        listed = np.where(np.isin(picture, labels), picture.astype(int) + 1, 0)
    shift = 1 if 0 in labels else 0
    parts: dict[int, list[Array]] = {label + shift: [] for label in labels}
    gap = np.full((1, 5), np.nan)
    for points, closed, left, right in trace_arcs(listed):
        smooth = smooth_arc(points, closed=closed)
        arc = np.vstack([smooth, smooth[:1]]) if closed else smooth
        if len(arc) > 4 * STRIDE:
            arc = arc[np.unique([*range(0, len(arc), STRIDE), len(arc) - 1])]
        table = arc_normals(arc, closed=closed)
        back = table[::-1] * np.array([1, 1, -1, -1, -1])
        parts.get(right, []).extend([gap, table])
        parts.get(left, []).extend([gap, back])
    return tuple(np.vstack(part) for part in parts.values())
