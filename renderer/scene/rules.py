"""Rules between keys: what one row of the format table cannot say alone.

Each rule takes a view of the tree and gives the faults that it finds. A rule stays silent where
the values that it needs are missing or faulty themselves.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from renderer.scene.format_base import Model
from renderer.scene.format_machine import MachineRow, ProbeRow
from renderer.scene.format_scene import PhysicsRow, RemedyRow
from renderer.scene.format_solids import SHAPES
from renderer.scene.names import NOT_YET, one_of, show
from renderer.scene.rules_faults import FAULT_RULES
from renderer.scene.rules_solids import SOLID_RULES
from renderer.scene.rules_tissues import TISSUE_RULES
from renderer.scene.rules_view import VIEW_RULES
from renderer.scene.tree import Found, Path
from renderer.scene.view import View

MAX_ARC_DEG = 180.0


def rule_faults(view: View) -> list[Found]:
    """The faults of all rules, in the order of the rules."""
    return [fault for rule in RULES for fault in rule(view)]


def exactly_one(view: View) -> Iterator[Found]:
    """Of some keys exactly one must be given."""
    places = _solid_models(view)
    places += [(("remedies", i), RemedyRow) for i in range(len(view.rows("remedies")))]
    for path, model in places:
        row = view.mapping(*path)
        for keys in model.one_of if row else ():
            given = [key for key in keys if key in row]
            if not given:
                yield Found(path, f"one of {one_of(keys)} is missing")
            elif len(given) > 1:
                yield Found((*path, given[-1]), f"excludes {given[0]}; give one of {one_of(keys)}")


def only_yet(view: View) -> Iterator[Found]:
    """Of some keys only one value is supported yet; another would be ignored."""
    places = _solid_models(view)
    places.append((("physics",), PhysicsRow))
    for path, model in places:
        for key, value in model.only.items():
            found = view.at(*path, key, default=value)
            if found is not None and found != value:
                message = f"{show(found)} is {NOT_YET}; leave the key out, or write {show(value)}"
                yield Found((*path, key), message)


def _solid_models(view: View) -> list[tuple[Path, type[Model]]]:
    """Paths of the solids with a known shape, and the rows that describe them."""
    places: list[tuple[Path, type[Model]]] = []
    for i, row in enumerate(view.rows("phantom", "solids")):
        shape = row.get("shape") if isinstance(row, dict) else None
        if isinstance(shape, str) and shape in SHAPES:
            places.append((("phantom", "solids", i), SHAPES[shape]))
    return places


def convex_radius(view: View) -> Iterator[Found]:
    """A convex face needs a radius that its arc fits on; a flat one has none."""
    kind = view.text("probe", "kind")
    given = "radius_mm" in view.mapping("probe")
    if kind in ("linear", "sector") and given:
        yield Found(("probe", "radius_mm"), f"a {kind} probe has a flat face: leave the key out")
    if kind == "convex" and not given:
        yield Found(("probe",), "radius_mm is missing: a convex probe needs the radius of its face")
    radius, pitch = view.number("probe", "radius_mm"), view.number("probe", "pitch_mm")
    elements = view.number("probe", "elements")
    if kind == "convex" and radius and pitch and elements:
        arc_deg = math.degrees(elements * pitch / radius)
        if arc_deg > MAX_ARC_DEG:
            message = f"{show(radius)} is too small: {show(elements)} elements would span {arc_deg:.0f} degrees of at most 180"
            yield Found(("probe", "radius_mm"), message)


def sector(view: View) -> Iterator[Found]:
    """Only a sector probe has a sector, and it steers its lines by itself."""
    kind = view.text("probe", "kind")
    if kind in ("linear", "convex") and "sector_deg" in view.mapping("probe"):
        yield Found(("probe", "sector_deg"), f"a {kind} probe has no sector: leave the key out")
    if kind == "sector" and view.number("machine", "steer_deg"):
        yield Found(
            ("machine", "steer_deg"), "a sector probe steers every line by its own angle: leave the key out"
        )
    if kind == "sector" and "compound_deg" in view.mapping("machine"):
        message = "a sector probe has no views to average: leave the key out"
        yield Found(("machine", "compound_deg"), message)


def channels(view: View) -> Iterator[Found]:
    """No more elements can work at once than there are."""
    count, elements = view.number("probe", "channels"), view.number("probe", "elements")
    if count is not None and elements is not None and count > elements:
        message = f"{show(count)} is more than the probe's {show(elements)} elements"
        yield Found(("probe", "channels"), message)


def pulse_in_band(view: View) -> Iterator[Found]:
    """The pulse lies within the band of the probe."""
    pulse, centre = view.number("machine", "frequency_mhz"), view.number("probe", "frequency_mhz")
    default = ProbeRow.model_fields["bandwidth_percent"].default
    width = view.number("probe", "bandwidth_percent", default=default)
    if (
        pulse is None
        or centre is None
        or width is None
        or view.at("machine", "harmonic", default=False) is True
    ):
        return
    half = centre * width / 200
    if not centre - half - 1e-9 <= pulse <= centre + half + 1e-9:
        low, high = f"{max(centre - half, 0):.4g}", f"{centre + half:.4g}"
        message = f"{show(pulse)} is outside the probe's band {low}..{high}"
        yield Found(("machine", "frequency_mhz"), message)


def foci(view: View) -> Iterator[Found]:
    """Foci ascend and lie within the picture."""
    focus = view.numbers("machine", "focus_mm")
    depth = view.number("machine", "depth_mm", default=MachineRow.model_fields["depth_mm"].default)
    if focus is None:
        return
    single = not view.rows("machine", "focus_mm")
    for i, here in enumerate(focus):
        place = ("machine", "focus_mm") if single else ("machine", "focus_mm", i)
        if depth is not None and here > depth:
            yield Found(place, f"{show(here)} is deeper than depth_mm ({show(depth)})")
        elif i and here <= focus[i - 1]:
            yield Found(place, f"{show(here)} does not lie below {show(focus[i - 1])}; foci ascend")


def compound_angles(view: View) -> Iterator[Found]:
    """Angles of views ascend, and take the place of the steering angle."""
    angles = view.numbers("machine", "compound_deg")
    for i in range(1, len(angles or ())):
        if angles is not None and angles[i] <= angles[i - 1]:
            message = f"{show(angles[i])} does not follow {show(angles[i - 1])}; angles ascend"
            yield Found(("machine", "compound_deg", i), message)
    if view.rows("machine", "compound_deg") and view.number("machine", "steer_deg"):
        yield Found(
            ("machine", "steer_deg"), "would be ignored: compound_deg gives the angles. Leave one out"
        )


def shown_once(view: View) -> Iterator[Found]:
    """Nothing is listed twice."""
    seen: set[str] = set()
    for i, word in enumerate(view.rows("shows")):
        if isinstance(word, str) and word in seen:
            yield Found(("shows", i), f"{show(word)} is listed twice")
        elif isinstance(word, str):
            seen.add(word)


def remedy_names(view: View) -> Iterator[Found]:
    """Remedies have names of their own, and a sweep has steps."""
    seen: set[str] = set()
    for i in range(len(view.rows("remedies"))):
        name = view.text("remedies", i, "name")
        if name in seen:
            yield Found(("remedies", i, "name"), f"{show(name)} is the name of an earlier remedy")
        elif name is not None:
            seen.add(name)
        for path in view.mapping("remedies", i, "try"):
            sweep = view.numbers("remedies", i, "try", path)
            if (
                sweep is not None
                and len(sweep) == 3
                and (sweep[2] != int(sweep[2]) or not 2 <= sweep[2] <= 200)
            ):
                message = f"{show(sweep[2])} steps: a whole number in 2..200 is wanted"
                yield Found(("remedies", i, "try", path, 2), message)


RULES: tuple[Callable[[View], Iterator[Found]], ...] = (
    exactly_one,
    only_yet,
    convex_radius,
    sector,
    channels,
    pulse_in_band,
    foci,
    compound_angles,
    *VIEW_RULES,
    shown_once,
    remedy_names,
    *FAULT_RULES,
    *SOLID_RULES,
    *TISSUE_RULES,
)
