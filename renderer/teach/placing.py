"""Where labels go: a pure function of their sizes, of what they point at, and of the page.

Labels stand in columns beside the picture, never on it, so that none can cover what it points at.
In a column they are spread so that they do not touch; which of two labels stands higher is chosen
so that their leaders do not cross. All lengths are in one unit of the page (points); y runs down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

Point = tuple[float, float]


@dataclass(frozen=True)
class Box:
    """An upright rectangle of the page: left, top, width and height."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.top + self.height

    @property
    def middle(self) -> float:
        """Height of the middle."""
        return self.top + 0.5 * self.height

    def touches(self, other: Box) -> bool:
        """Whether two rectangles share more than an edge."""
        return (
            self.left < other.right and other.left < self.right
            and self.top < other.bottom and other.top < self.bottom
        )  # fmt: skip

    def holds(self, point: Point) -> bool:
        """Whether a point lies inside or on the edge."""
        return self.left <= point[0] <= self.right and self.top <= point[1] <= self.bottom

    def within(self, other: Box, slack: float = 1e-6) -> bool:
        """Whether it lies inside another, edges included."""
        return (
            self.left >= other.left - slack and self.right <= other.right + slack
            and self.top >= other.top - slack and self.bottom <= other.bottom + slack
        )  # fmt: skip


@dataclass(frozen=True)
class Wish:
    """A label to be placed: its size, and where its leader ends when it stands left or right.

    ``rank`` decides who stays when there is no room for all: the lowest first.
    """

    width: float
    height: float
    from_left: Point
    from_right: Point
    rank: float = 0.0


@dataclass(frozen=True)
class Placed:
    """A placed label: which wish, its box, where its leader leaves it and where it ends."""

    index: int
    box: Box
    side: str
    start: Point
    end: Point


def place_labels(wishes: Sequence[Wish], left: Box, right: Box, gap: float) -> list[Placed]:
    """Boxes for labels in two columns, in the order of the wishes.

    Labels that are wider than their column, or find no room, are left out (the highest rank number
    first). No two boxes touch, and all lie inside their column.
    """
    fitting = [
        i for i in sorted(range(len(wishes)), key=lambda i: (wishes[i].rank, i))
        if wishes[i].width <= min(left.width, right.width)
    ]  # fmt: skip
    while fitting:
        sides = _split(wishes, fitting, left, right, gap)
        if sides is not None:
            break
        fitting.pop()
    else:
        return []
    placed = _column(wishes, sides[0], left, gap, "left") + _column(wishes, sides[1], right, gap, "right")
    return sorted(placed, key=lambda p: p.index)


def _needed(wishes: Sequence[Wish], column: Sequence[int], gap: float) -> float:
    """Height that a column of labels takes up."""
    return sum(wishes[i].height for i in column) + gap * max(len(column) - 1, 0)


def _split(
    wishes: Sequence[Wish], chosen: Sequence[int], left: Box, right: Box, gap: float
) -> tuple[list[int], list[int]] | None:
    """Labels of the left and of the right column: by place, moved over where a column is full."""
    across = sorted(chosen, key=lambda i: (0.5 * (wishes[i].from_left[0] + wishes[i].from_right[0]), i))
    middle = 0.5 * (left.right + right.left)
    first = sum(0.5 * (wishes[i].from_left[0] + wishes[i].from_right[0]) < middle for i in across)
    # The split nearest to the middle of the picture of all that fit and are not lopsided
    options = sorted(range(len(across) + 1), key=lambda n: (_lopsided(n, len(across)), abs(n - first)))
    for n in options:
        sides = list(across[:n]), list(across[n:])
        if _needed(wishes, sides[0], gap) <= left.height and _needed(wishes, sides[1], gap) <= right.height:
            return sides
    return None


def _lopsided(n: int, total: int) -> int:
    """How far a split is from even, beyond two thirds of the labels on one side."""
    return max(0, max(n, total - n) - max(3, (2 * total + 2) // 3))


def _column(
    wishes: Sequence[Wish], members: Sequence[int], column: Box, gap: float, side: str
) -> list[Placed]:
    """Labels of one column, spread, and ordered so that leaders do not cross."""
    ends = {i: wishes[i].from_left if side == "left" else wishes[i].from_right for i in members}
    order = sorted(members, key=lambda i: (ends[i][1], ends[i][0], i))
    for _ in range(2 * len(order) ** 2):
        placed = _stack(wishes, order, ends, column, gap, side)
        swap = _crossing(placed)
        if swap is None:
            return placed
        a, b = swap
        order[a], order[b] = order[b], order[a]
    return _stack(wishes, order, ends, column, gap, side)


def _stack(
    wishes: Sequence[Wish], order: Sequence[int], ends: dict[int, Point], column: Box, gap: float, side: str
) -> list[Placed]:
    """Boxes from the top down in a given order, each as near to its leader's end as the others allow."""
    heights = [wishes[i].height for i in order]
    tops = spread(
        [ends[i][1] - 0.5 * wishes[i].height for i in order], heights, column.top, column.bottom, gap
    )
    placed = []
    for i, top in zip(order, tops, strict=True):
        w = wishes[i]
        x = column.right - w.width if side == "left" else column.left
        box = Box(x, top, w.width, w.height)
        start = (box.right if side == "left" else box.left, box.middle)
        placed.append(Placed(i, box, side, start, ends[i]))
    return placed


def spread(
    wanted: Sequence[float], heights: Sequence[float], low: float, high: float, gap: float
) -> list[float]:
    """Tops of boxes in a fixed order, as near to the wanted ones as possible, without touching.

    Least squares under an order: neighbours that touch move as one block (pool adjacent violators;
    Barlow et al., Statistical Inference under Order Restrictions, 1972, from memory). What is needed
    must fit between ``low`` and ``high``.
    """
    offsets, total = [], 0.0
    for height in heights:
        offsets.append(total)
        total += height + gap
    blocks: list[list[float]] = []  # mean of (wanted - offset), count
    for want, offset in zip(wanted, offsets, strict=True):
        blocks.append([want - offset, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, count = blocks.pop()
            before, n = blocks[-1]
            blocks[-1] = [(before * n + mean * count) / (n + count), n + count]
    least, most = low, high - (total - gap if heights else 0.0)
    tops, at = [], 0
    for mean, count in blocks:
        base = min(max(mean, least), max(most, least))
        for _ in range(int(count)):
            tops.append(base + offsets[at])
            at += 1
    return tops


def _crossing(placed: Sequence[Placed]) -> tuple[int, int] | None:
    """Two places of a column whose leaders cross, or nothing."""
    for a in range(len(placed)):
        for b in range(a + 1, len(placed)):
            if segments_cross(placed[a].start, placed[a].end, placed[b].start, placed[b].end):
                return a, b
    return None


def segments_cross(a: Point, b: Point, c: Point, d: Point) -> bool:
    """Whether two straight pieces cross at a point inside both."""

    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(a, b, c) * side(a, b, d) < 0.0 and side(c, d, a) * side(c, d, b) < 0.0


def shifted(placed: Placed, dx: float, dy: float) -> Placed:
    """The same label elsewhere on the page."""
    box = replace(placed.box, left=placed.box.left + dx, top=placed.box.top + dy)
    return replace(
        placed, box=box, start=(placed.start[0] + dx, placed.start[1] + dy),
        end=(placed.end[0] + dx, placed.end[1] + dy),
    )  # fmt: skip
