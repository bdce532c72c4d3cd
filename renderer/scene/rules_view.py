"""Rules of the part of the picture that is scanned: ``view_mm`` and ``view_deg``."""

from __future__ import annotations

import math
from collections.abc import Iterator

from renderer.scene.format_machine import SECTOR_DEG
from renderer.scene.names import show
from renderer.scene.tree import Found
from renderer.scene.view import View

WIDEST_FAN_DEG = 30.0  # of a linear probe's outer lines, as for steering
WIDEST_STEERED_DEG = 45.0  # of the same with steering
LEAST_ELEMENTS = 4  # that a stretch of the face spans
LEAST_PART_DEG = 5.0  # of a convex or sector probe's view
SLACK = 1e-9


def view_stretch(view: View) -> Iterator[Found]:
    """A stretch of a linear probe's face runs from left to right, lies on it, and is some elements wide."""
    kind, place = view.text("probe", "kind"), ("machine", "view_mm")
    if kind in ("convex", "sector") and "view_mm" in view.mapping("machine"):
        yield Found(place, f"of a {kind} probe a part is scanned by view_deg: leave the key out")
        return
    pitch, elements = view.number("probe", "pitch_mm"), view.number("probe", "elements")
    ends = _pair(view, "view_mm")
    if ends is None or pitch is None or elements is None or kind != "linear":
        return
    half = 0.5 * elements * pitch
    for i, end in enumerate(ends):
        if abs(end) > half + SLACK:
            yield Found((*place, i), f"{show(end)} lies off the face, {_g(-half)}..{_g(half)}")
    least = min(LEAST_ELEMENTS * pitch, 2 * half)
    if ends[1] <= ends[0]:
        yield Found((*place, 1), f"{show(ends[1])} does not lie right of {show(ends[0])}")
    elif ends[1] - ends[0] < least - SLACK:
        message = (
            f"is {_g(ends[1] - ends[0])} wide; at least {_g(least)} are wanted, {LEAST_ELEMENTS} elements"
        )
        yield Found(place, message)


def view_directions(view: View) -> Iterator[Found]:
    """Edges of the picture follow each other from left to right, within what the array can scan."""
    kind, ends = view.text("probe", "kind"), _pair(view, "view_deg")
    if ends is None or kind is None:
        return
    rules = {"linear": _fan, "convex": _part_of_arc, "sector": _part_of_sector}
    yield from rules[kind](view, ends) if kind in rules else ()


def _fan(view: View, ends: list[float]) -> Iterator[Found]:
    """The lines of a linear probe do not cross, and none is turned too far, steering included."""
    place = ("machine", "view_deg")
    far = [i for i, end in enumerate(ends) if abs(end) > WIDEST_FAN_DEG]
    for i in far:
        limits = f"{_g(-WIDEST_FAN_DEG)}..{_g(WIDEST_FAN_DEG)}"
        yield Found(
            (*place, i), f"{show(ends[i])} lies beyond {limits}, as far as a linear probe's lines spread"
        )
    if ends[1] < ends[0]:
        yield Found((*place, 1), f"{show(ends[1])} does not follow {show(ends[0])}: lines would cross")
    for i, end in enumerate(ends):
        for angle in [] if far else _steering(view):
            if abs(end + angle) > WIDEST_STEERED_DEG:
                message = f"{show(end)} and a steering of {show(angle)} turn lines by {_g(end + angle)}"
                yield Found((*place, i), f"{message}; at most {_g(WIDEST_STEERED_DEG)} either way")
                break


def _steering(view: View) -> list[float]:
    """Angles by which lines are steered; none where they are not to be trusted."""
    if "compound_deg" in view.mapping("machine"):
        return view.numbers("machine", "compound_deg") or []
    steer = view.number("machine", "steer_deg", default=0.0)
    return [] if steer is None else [steer]


def _part_of_arc(view: View, ends: list[float]) -> Iterator[Found]:
    radius, pitch = view.number("probe", "radius_mm"), view.number("probe", "pitch_mm")
    elements = view.number("probe", "elements")
    if radius is None or pitch is None or elements is None:
        return
    yield from _part(ends, math.degrees(0.5 * elements * pitch / radius), "the array")


def _part_of_sector(view: View, ends: list[float]) -> Iterator[Found]:
    whole = view.number("probe", "sector_deg", default=SECTOR_DEG)
    if whole is not None:
        yield from _part(ends, 0.5 * whole, "the sector")


def _part(ends: list[float], half_deg: float, what: str) -> Iterator[Found]:
    """A part of a view of its own: within it, from left to right, and not too narrow."""
    place = ("machine", "view_deg")
    for i, end in enumerate(ends):
        if abs(end) > half_deg + SLACK:
            yield Found((*place, i), f"{show(end)} lies off {what}, {_g(-half_deg)}..{_g(half_deg)}")
    if ends[1] <= ends[0]:
        yield Found((*place, 1), f"{show(ends[1])} does not follow {show(ends[0])}")
    elif ends[1] - ends[0] < LEAST_PART_DEG - SLACK:
        yield Found(place, f"is {_g(ends[1] - ends[0])} wide; at least {_g(LEAST_PART_DEG)} are wanted")


def _pair(view: View, key: str) -> list[float] | None:
    """Both numbers of a key; None where it is not given or not to be trusted."""
    found = view.numbers("machine", key) if isinstance(view.at("machine", key), list) else None
    return found if found is not None and len(found) == 2 else None


def _g(value: float) -> str:
    return f"{value:.4g}"


VIEW_RULES = (view_stretch, view_directions)
