"""Rules about tissues: names that must be known, and what a tissue from scratch must say."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from renderer.scene.names import hint, one_of, show
from renderer.scene.tree import Found, Path
from renderer.scene.view import View
from renderer.tissue.presets import TEXTURE_PRESETS
from renderer.tissue.table import material, material_names

TISSUES = ("phantom", "tissues")


def known_names(view: View) -> Iterator[Found]:
    """Every tissue that is used is shipped or described in the scene."""
    known = (*view.mapping(*TISSUES), *material_names())
    places: list[Path] = [("phantom", "background"), ("phantom", "coupling")]
    for i, _ in enumerate(view.rows("phantom", "solids")):
        places += [("phantom", "solids", i, key) for key in ("tissue", "wall_tissue", "behind")]
    places += [(*TISSUES, name, "like") for name in view.mapping(*TISSUES)]
    for place in places:
        name = view.text(*place)
        if name is not None and name not in known:
            near = (
                hint(name, known)
                or f" Describe it under phantom.tissues, or take one of {', '.join(sorted(known))}"
            )
            message = f"unknown tissue {show(name)}.{near}"
            yield Found(place, message)


def circles(view: View) -> Iterator[Found]:
    """A tissue is not like itself by way of others. Like its own name means the shipped tissue."""
    own = view.mapping(*TISSUES)
    said: set[str] = set()
    for name in own:
        trail, here = [name], name
        while True:
            base = view.text(*TISSUES, here, "like")
            if base is None or base not in own or (base == here and here in material_names()):
                break
            if base in trail:
                if base == name and name not in said:
                    said.update(trail)
                    ring = " -> ".join([*trail, name])
                    yield Found((*TISSUES, name, "like"), f"goes round in a circle: {ring}")
                break
            trail.append(base)
            here = base


def from_scratch(view: View) -> Iterator[Found]:
    """A tissue that is like none has a speed, a density and a loss."""
    for name in view.mapping(*TISSUES):
        row = view.mapping(*TISSUES, name)
        if "like" in row:
            continue
        missing = [key for key in ("speed_m_s", "density_kg_m3") if key not in row]
        if not {"attenuation_db_cm_mhz", "attenuation_db_cm"} & set(row):
            missing.append("attenuation_db_cm_mhz")
        if missing:
            message = (
                f"{', '.join(missing)} missing: a tissue from scratch needs them, or like: a known tissue"
            )
            yield Found((*TISSUES, name), message)


def one_loss(view: View) -> Iterator[Found]:
    """A loss is a law or a table, and a power belongs to a law."""
    for name in view.mapping(*TISSUES):
        row, path = view.mapping(*TISSUES, name), (*TISSUES, name)
        if "attenuation_db_cm" in row and "attenuation_db_cm_mhz" in row:
            yield Found((*path, "attenuation_db_cm"), "excludes attenuation_db_cm_mhz; give a law or a table")
        elif "attenuation_power" in row and ("attenuation_db_cm" in row or _inherits_table(view, name)):
            yield Found((*path, "attenuation_power"), "would be ignored: the loss is a table")
        yield from _table_faults(view, name)


def texture_names(view: View) -> Iterator[Found]:
    """A texture by name is a known preset."""
    for name in view.mapping(*TISSUES):
        preset = view.text(*TISSUES, name, "texture")
        if preset is not None and preset not in TEXTURE_PRESETS:
            near = hint(preset, TEXTURE_PRESETS)
            allowed = near or f" Known: {one_of(TEXTURE_PRESETS)}"
            yield Found((*TISSUES, name, "texture"), f"unknown texture {show(preset)}.{allowed}")


def textures(view: View) -> Iterator[Found]:
    """A texture says something, its vessels narrow, and its fibres are not turned for nothing."""
    for name in view.mapping(*TISSUES):
        path: Path = (*TISSUES, name, "texture")
        row = view.mapping(*path)
        if not row:
            continue
        if all(not row.get(key) for key in ("octaves", "sheets", "vessels", "loss")):
            yield Found(path, "is empty; give octaves, sheets, vessels or loss")
        for i, _ in enumerate(view.rows(*path, "vessels")):
            trunk = view.number(*path, "vessels", i, "trunk_radius_mm")
            least = view.number(*path, "vessels", i, "least_radius_mm")
            if trunk is not None and least is not None and least > trunk:
                message = f"{show(least)} is more than trunk_radius_mm ({show(trunk)})"
                yield Found((*path, "vessels", i, "least_radius_mm"), message)


def _table_faults(view: View, name: str) -> Iterator[Found]:
    """Frequencies of a loss table differ and can be heard."""
    seen: dict[float, str] = {}
    for key in view.mapping(*TISSUES, name, "attenuation_db_cm"):
        path = (*TISSUES, name, "attenuation_db_cm", key)
        if view.number(*path) is None or not key.replace(".", "", 1).isdigit():
            continue
        frequency_mhz = float(key)
        if not 0.1 <= frequency_mhz <= 100:
            yield Found(path, f"the frequency {key} is outside 0.1..100")
        elif frequency_mhz in seen:
            yield Found(path, f"the frequency {key} is given twice (first as {seen[frequency_mhz]})")
        seen.setdefault(frequency_mhz, key)


def _inherits_table(view: View, name: str) -> bool:
    """Whether the loss of a tissue comes as a table from what it is like."""
    own, seen = view.mapping(*TISSUES), {name}
    if "attenuation_db_cm_mhz" in view.mapping(*TISSUES, name):
        return False
    base = view.text(*TISSUES, name, "like")
    while base is not None and base in own and base not in seen:
        row = view.mapping(*TISSUES, base)
        if "attenuation_db_cm" in row or "attenuation_db_cm_mhz" in row:
            return "attenuation_db_cm" in row
        seen.add(base)
        base = view.text(*TISSUES, base, "like")
    return base in material_names() and material(str(base)).loss_table_db_cm is not None


TISSUE_RULES: tuple[Callable[[View], Iterator[Found]], ...] = (
    known_names,
    circles,
    from_scratch,
    one_loss,
    texture_names,
    textures,
)
