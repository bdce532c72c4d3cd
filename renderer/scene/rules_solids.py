"""Rules between the keys of solids: names, walls, and shapes that enclose something."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from renderer.scene.names import show
from renderer.scene.tree import Found
from renderer.scene.view import View

SOLIDS = ("phantom", "solids")
RESERVED = ("background", "coupling")
SHORTEST_MM = 1e-3


def unique_names(view: View) -> Iterator[Found]:
    """Regions are told apart by name: of solids, of their walls and far sides, and of the background."""
    taken = dict.fromkeys(RESERVED, "is the name of a region that is always there")
    for i, _ in enumerate(view.rows(*SOLIDS)):
        name = view.text(*SOLIDS, i, "name")
        if name is None:
            continue
        if name in taken:
            yield Found((*SOLIDS, i, "name"), f"{show(name)} {taken[name]}")
            continue
        taken[name] = f"is the name of an earlier solid (solids[{i}])"
        for ending, what in _further_regions(view.mapping(*SOLIDS, i)).items():
            region = f"{name}.{ending}"
            if region in taken:
                message = f"{show(name)} calls its {what} {show(region)}, and that {taken[region]}"
                yield Found((*SOLIDS, i, "name"), message)
            taken[region] = f"is the name of the {what} of '{name}'"


def _further_regions(row: dict[str, Any]) -> dict[str, str]:
    """Endings of the regions that a solid has beside its own, and what they are."""
    found = {"wall": "wall"} if "wall_mm" in row or row.get("hollow") is True else {}
    return found | ({"behind": "far side"} if "behind" in row else {})


def walls(view: View) -> Iterator[Found]:
    """A wall has a thickness and a tissue, and leaves room inside."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        row, path = view.mapping(*SOLIDS, i), (*SOLIDS, i)
        if "wall_mm" in row and "wall_tissue" not in row:
            yield Found((*path, "wall_mm"), "has no wall_tissue beside it")
        if "wall_tissue" in row and "wall_mm" not in row:
            yield Found((*path, "wall_tissue"), "has no wall_mm beside it")
        key = "radii_mm" if row.get("shape") == "ellipsoid" else "radius_mm"
        wall, radii = view.number(*path, "wall_mm"), view.numbers(*path, key)
        if wall is not None and radii is not None and wall >= min(radii):
            message = f"{show(wall)} leaves no room inside: {key} is {show(min(radii))}"
            yield Found((*path, "wall_mm"), message)


def two_ends(view: View) -> Iterator[Found]:
    """Tubes and wires have two different ends, and extents along y have a length."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        start, end = view.numbers(*SOLIDS, i, "from_mm"), view.numbers(*SOLIDS, i, "to_mm")
        if start and end and len(start) == len(end) == 3 and _apart(start, end) < SHORTEST_MM:
            yield Found((*SOLIDS, i, "to_mm"), "is the same point as from_mm")
        along = view.numbers(*SOLIDS, i, "y_mm")
        if along and len(along) == 2 and along[1] - along[0] < SHORTEST_MM:
            yield Found(
                (*SOLIDS, i, "y_mm"), f"ends at {show(along[1])}, not behind its begin {show(along[0])}"
            )


def outlines(view: View) -> Iterator[Found]:
    """Outlines and curves run on from point to point; outlines enclose an area and do not cross."""
    for i, row in enumerate(view.rows(*SOLIDS)):
        shape = row.get("shape") if isinstance(row, dict) else None
        key = {"prism": "outline_mm", "sheet": "curve_mm"}.get(shape) if isinstance(shape, str) else None
        points = view.points(*SOLIDS, i, key) if key else None
        if key is None or points is None or any(len(point) != 2 for point in points):
            continue
        yield from _outline_faults(np.array(points, float), (*SOLIDS, i, key), shape == "prism")


def ignored_in_caps(view: View) -> Iterator[Found]:
    """A cap is round by itself and has no extent along y; its sphere has a radius."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        row = view.mapping(*SOLIDS, i)
        if row.get("shape") != "sheet" or "cap" not in row:
            continue
        for key in ("y_mm", "rounded"):
            if key in row and "curve_mm" not in row:
                yield Found((*SOLIDS, i, key), "would be ignored: it belongs to curve_mm. Leave the key out")
        radius = view.number(*SOLIDS, i, "cap", "radius_mm")
        if radius is not None and abs(radius) < 0.1:
            yield Found(
                (*SOLIDS, i, "cap", "radius_mm"), f"{show(radius)} is too small; at least 0.1 either way"
            )
            continue
        thickness = view.number(*SOLIDS, i, "thickness_mm")
        if radius is not None and thickness is not None and 0 < radius <= thickness:
            message = f"{show(thickness)} leaves no room inside: the radius of the cap is {show(radius)}"
            yield Found((*SOLIDS, i, "thickness_mm"), message)


def turned_beads(view: View) -> Iterator[Found]:
    """A bead looks the same however it is turned."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        row = view.mapping(*SOLIDS, i)
        if row.get("shape") == "bead" and any(view.numbers(*SOLIDS, i, "rotate_deg") or ()):
            yield Found((*SOLIDS, i, "rotate_deg"), "would be ignored: a bead is round. Leave the key out")


def waves(view: View) -> Iterator[Found]:
    """A length of waves says nothing where there are no waves."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        row = view.mapping(*SOLIDS, i, "surface")
        if "wave_length_mm" in row and not row.get("wave_mm", 0.0):
            path = (*SOLIDS, i, "surface", "wave_length_mm")
            yield Found(path, "would be ignored: there is no wave_mm beside it")


def _outline_faults(points: np.ndarray, path: tuple[str | int, ...], closed: bool) -> Iterator[Found]:
    following = np.roll(points, -1, axis=0) if closed else points[1:]
    lengths = np.hypot(*(following - points[: len(following)]).T)
    same = np.flatnonzero(lengths < SHORTEST_MM)
    if same.size:
        at = int(same[0] + 1) % len(points)
        yield Found((*path, at), "is the same point as the one before it")
        return
    crossing = _first_crossing(points, following, closed)
    if crossing is not None:
        first, second = crossing
        yield Found(path, f"crosses itself: the side from point {first} meets the side from point {second}")
    elif closed and abs(_area(points)) < SHORTEST_MM**2:
        yield Found(path, "encloses no area")


def _first_crossing(start: np.ndarray, end: np.ndarray, closed: bool) -> tuple[int, int] | None:
    """The first two sides that meet, other than neighbours at their common point."""
    start = start[: len(end)]
    along = end - start
    side_a = np.sign(_cross(along[:, None], start[None] - start[:, None]))
    side_b = np.sign(_cross(along[:, None], end[None] - start[:, None]))
    split = side_a * side_b < 0  # side [i, k]: the ends of side k lie on both sides of side i
    meets = np.triu(split & split.T, 2)
    if closed:
        meets[0, -1] = False
    found = np.argwhere(meets)
    return (int(found[0][0]), int(found[0][1])) if found.size else None


def _cross(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    product: np.ndarray = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return product


def _area(points: np.ndarray) -> float:
    return float(_cross(points, np.roll(points, -1, axis=0)).sum()) / 2


def _apart(a: list[float], b: list[float]) -> float:
    return float(np.linalg.norm(np.subtract(a, b)))


SOLID_RULES: tuple[Callable[[View], Iterator[Found]], ...] = (
    unique_names,
    walls,
    two_ends,
    outlines,
    ignored_in_caps,
    turned_beads,
    waves,
)
