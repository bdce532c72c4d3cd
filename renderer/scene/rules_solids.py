"""Rules between the keys of solids: names, walls, and shapes that enclose something."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from renderer.scene.names import hint, show
from renderer.scene.tree import Found
from renderer.scene.view import View
from renderer.tissue.table import material_names

SOLIDS = ("phantom", "solids")
RESERVED = ("background", "coupling")
SHORTEST_MM = 1e-3
FULLEST = (
    0.2  # share of their region that grains may fill; strewn one by one they jam near 0.38 (from memory)
)


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
    if row.get("shape") == "image" and isinstance(row.get("tissues"), dict):
        found |= dict.fromkeys(row["tissues"], "label")
    return found | ({"behind": "far side"} if "behind" in row else {})


def _bodies(view: View) -> Iterator[tuple[tuple[str | int, ...], dict[str, Any]]]:
    """Places and keys of all shapes: of solids, and of the regions of grains."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        yield (*SOLIDS, i), view.mapping(*SOLIDS, i)
        if view.mapping(*SOLIDS, i, "region"):
            yield (*SOLIDS, i, "region"), view.mapping(*SOLIDS, i, "region")


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
    for path, _ in _bodies(view):
        start, end = view.numbers(*path, "from_mm"), view.numbers(*path, "to_mm")
        if start and end and len(start) == len(end) == 3 and _apart(start, end) < SHORTEST_MM:
            yield Found((*path, "to_mm"), "is the same point as from_mm")
        along = view.numbers(*path, "y_mm")
        if along and len(along) == 2 and along[1] - along[0] < SHORTEST_MM:
            yield Found((*path, "y_mm"), f"ends at {show(along[1])}, not behind its begin {show(along[0])}")


def chains(view: View) -> Iterator[Found]:
    """A chain has one radius or one a point, and no point within the sphere of its neighbour."""
    for path, row in _bodies(view):
        points, radii = view.points(*path, "points_mm"), view.numbers(*path, "radius_mm")
        if row.get("shape") != "chain" or not points or not radii or any(len(p) != 3 for p in points):
            continue
        if isinstance(row["radius_mm"], list) and len(radii) != len(points):
            message = f"holds {len(radii)} radii for {len(points)} points; give one a point, or one number"
            yield Found((*path, "radius_mm"), message)
            continue
        if len(radii) == 1:
            radii = radii * len(points)
        for i in range(1, len(points)):
            apart = _apart(points[i - 1], points[i])
            if apart < SHORTEST_MM:
                yield Found((*path, "points_mm", i), "is the same point as the one before it")
            elif apart <= abs(radii[i] - radii[i - 1]):
                message = (
                    f"lies {show(round(apart, 3))} mm from the point before it: their radii differ by more, so that one "
                    "sphere would swallow the other"
                )
                yield Found((*path, "points_mm", i), message)


def bevels(view: View) -> Iterator[Found]:
    """The cut of a bevelled needle is shorter than its shaft."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        bevel = view.number(*SOLIDS, i, "bevel_deg")
        length, diameter = view.number(*SOLIDS, i, "length_mm"), view.number(*SOLIDS, i, "diameter_mm")
        if bevel is None or length is None or diameter is None:
            continue
        cut = diameter * math.tan(math.radians(bevel))
        if cut >= length:
            message = f"{show(bevel)} makes a cut of {cut:.1f} mm, and the shaft has {show(length)}"
            yield Found((*SOLIDS, i, "bevel_deg"), message)


def full_regions(view: View) -> Iterator[Found]:
    """Grains find room in their region without touching."""
    for i, _ in enumerate(view.rows(*SOLIDS)):
        path = (*SOLIDS, i)
        count, diameter = view.number(*path, "count"), view.number(*path, "diameter_mm")
        volume = _volume(view, (*path, "region")) if view.mapping(*path, "region") else None
        if count is None or diameter is None or not volume or volume < SHORTEST_MM**3:
            continue
        share = count * math.pi / 6 * diameter**3 / volume
        if share > FULLEST:
            most = int(count * FULLEST / share)
            message = f"{show(count)} would fill {100 * share:.0f} % of the region; at most 20 %, which is {most} grains"
            yield Found((*path, "count"), message)


def _volume(view: View, path: tuple[str | int, ...]) -> float | None:
    """Volume of a closed shape, mm³, or None where its keys cannot be trusted. Chains: of the pieces alone."""
    shape = view.text(*path, "shape")
    if shape in ("box", "ellipsoid"):
        sizes = view.numbers(*path, "size_mm" if shape == "box" else "radii_mm")
        if not sizes or len(sizes) not in (1, 3):
            return None
        return math.prod(sizes * (3 // len(sizes))) * (1.0 if shape == "box" else 4 * math.pi / 3)
    if shape == "prism":
        points, along = view.points(*path, "outline_mm"), view.numbers(*path, "y_mm")
        if not points or not along or len(along) != 2 or any(len(p) != 2 for p in points):
            return None
        return abs(_area(np.array(points, float))) * (along[1] - along[0])
    points = view.points(*path, "points_mm")
    if shape == "tube":
        ends = view.numbers(*path, "from_mm"), view.numbers(*path, "to_mm")
        points = None if None in ends else [end for end in ends if end is not None]
    radii = view.numbers(*path, "radius_mm")
    if not points or not radii or any(len(p) != 3 for p in points) or len(radii) not in (1, len(points)):
        return None
    radii = radii * len(points) if len(radii) == 1 else radii
    pieces = zip(points, points[1:], radii, radii[1:])
    return sum(math.pi / 3 * _apart(a, b) * (r * r + r * s + s * s) for a, b, r, s in pieces)


def label_tissues(view: View) -> Iterator[Found]:
    """Every tissue of a label is shipped or described in the scene."""
    known = (*view.mapping("phantom", "tissues"), *material_names())
    for i, _ in enumerate(view.rows(*SOLIDS)):
        for label in view.mapping(*SOLIDS, i, "tissues"):
            name = view.text(*SOLIDS, i, "tissues", label)
            if name is not None and name not in known:
                near = hint(name, known) or " Describe it under phantom.tissues"
                yield Found((*SOLIDS, i, "tissues", label), f"unknown tissue {show(name)}.{near}")


def outlines(view: View) -> Iterator[Found]:
    """Outlines and curves run on from point to point; outlines enclose an area and do not cross."""
    for path, row in _bodies(view):
        shape = row.get("shape")
        key = {"prism": "outline_mm", "sheet": "curve_mm"}.get(shape) if isinstance(shape, str) else None
        points = view.points(*path, key) if key else None
        if key is None or points is None or any(len(point) != 2 for point in points):
            continue
        yield from _outline_faults(np.array(points, float), (*path, key), shape == "prism")


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
    chains,
    bevels,
    full_regions,
    label_tissues,
    outlines,
    ignored_in_caps,
    turned_beads,
    waves,
)
