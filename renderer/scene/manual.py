"""What is printed from the format table: the JSON Schema for editors, and the reference page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from pydantic_core import PydanticUndefined

from renderer.scene.format_base import Model
from renderer.scene.format_faults import (
    AirGapRow,
    CableRow,
    ChannelsRow,
    CrosstalkRow,
    DelaminationRow,
    FaultsRow,
    InterferenceRow,
    SliderRow,
    WeakRow,
)
from renderer.scene.format_machine import MachineRow, PoseRow, ProbeRow
from renderer.scene.format_scene import AberrationRow, PhantomRow, PhysicsRow, RemedyRow, SceneRow, SeedRow
from renderer.scene.format_solids import SHAPES, CapRow, RingDownRow, SolidBase, SolidRow, SurfaceRow
from renderer.scene.format_tissues import (
    AnisotropyRow,
    OctaveRow,
    OrientationRow,
    SheetsRow,
    TextureRow,
    TissueFields,
    UnevenLossRow,
    VesselsRow,
)
from renderer.scene.names import NOT_YET, one_of, show
from renderer.scene.wording import declared, field_of, keys_of, wanted
from renderer.tissue.presets import TEXTURE_PRESETS, Octave, Sheets, Vessels
from renderer.tissue.rows import ROWS, TissueRow
from renderer.tissue.sources import CERTAINTIES, CITATIONS, Sourced
from renderer.units import deg_from_rad

DIALECT = "https://json-schema.org/draft/2020-12/schema"

# Longest first, so that _db_cm_mhz is not taken for _mhz.
UNITS = {
    "_db_cm_mhz": "dB/(cm·MHz)",
    "_per_mm3": "1/mm³",
    "_kg_m3": "kg/m³",
    "_percent": "%",
    "_db_cm": "dB/cm",
    "_m_s": "m/s",
    "_mhz": "MHz",
    "_deg": "degrees",
    "_mm": "mm",
    "_um": "µm",
    "_us": "µs",
    "_db": "dB",
    "_hz": "Hz",
}

CAUTION = (
    "Pictures made from scenes are synthetic. They are for teaching and research, not for diagnosis, and no "
    "machine is to be set by them. Local protocols, the maker's manual and licensed practice come first."
)


def json_schema() -> dict[str, Any]:
    """The format of a scene file as a JSON Schema (Draft 2020-12), for editors.

    It knows keys, kinds of values and ranges. Rules between keys are checked by ``read_scene`` only.
    """
    schema = _without_null(SceneRow.model_json_schema(by_alias=True))
    probe = schema["$defs"]["ProbeRow"]
    probe["anyOf"] = [{"required": ["preset"]}, {"required": probe.pop("required")}]
    for model in _models():
        _declare_rules(schema["$defs"].get(model.__name__, {}), model)
    return {"$schema": DIALECT, **schema, "title": "scene file"}


def _models() -> list[type[Model]]:
    return [*SHAPES.values(), RemedyRow, PhysicsRow]


def _declare_rules(definition: dict[str, Any], model: type[Model]) -> None:
    """Exactly one of some keys, and the only value of others, as a schema says it."""
    groups = [{"oneOf": [{"required": [key]} for key in keys]} for keys in model.one_of]
    if groups and definition:
        definition["allOf"] = groups
    for key, value in model.only.items():
        row = definition["properties"][key]
        definition["properties"][key] = {"const": value, "description": row["description"]}


def _without_null(node: Any) -> Any:
    """A schema in which a key that may be left out cannot be empty instead."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {key: _without_null(item) for key, item in node.items() if not _superfluous(key, item)}
    rest = [item for item in node.get("anyOf", ()) if item != {"type": "null"}]
    if "anyOf" in node and len(rest) == 1:
        del node["anyOf"]
        node = {**rest[0], **node}
    return node


def _superfluous(key: str, value: Any) -> bool:
    """Whether a word of the schema says nothing: a title made from the key, or a default of nothing."""
    if key == "title":
        return isinstance(value, str)
    return key == "default" and (value is None or isinstance(value, dict))


def reference_page() -> str:
    """The manual of the format in Markdown: every key, then the tissue table with its sources."""
    lines = ["# Scene files", "", *_introduction(), ""]
    for title, model in _sections():
        lines += _section(title, model)
    lines += ["## Textures", "", *_texture_lines(), "", "## Shipped tissues", "", *_tissue_lines(), ""]
    lines += ["## Sources", "", *_source_lines(), ""]
    return "\n".join(lines)


def _introduction() -> Iterator[str]:
    yield "A scene is one YAML file. Every key wears its unit; values are plain numbers. Keys that are not"
    yield "listed here are refused, and so is a value that YAML programs read differently."
    yield ""
    yield "x runs to the right of the picture, y out of it, z into the body; the background fills z >= 0."
    yield ""
    yield CAUTION


def _sections() -> Iterator[tuple[str, type[Model]]]:
    yield "Top level", SceneRow
    yield "phantom", PhantomRow
    yield "phantom.aberration", AberrationRow
    yield "phantom.tissues.NAME", TissueFields
    yield "phantom.tissues.NAME.anisotropy", AnisotropyRow
    yield "phantom.tissues.NAME.texture", TextureRow
    yield "phantom.tissues.NAME.texture.octaves", OctaveRow
    yield "phantom.tissues.NAME.texture.sheets", SheetsRow
    yield "phantom.tissues.NAME.texture.vessels", VesselsRow
    yield "phantom.tissues.NAME.texture.loss", UnevenLossRow
    yield "phantom.tissues.NAME.texture.orientation", OrientationRow
    yield "phantom.solids: what every solid has", SolidRow
    yield "phantom.solids: surface", SurfaceRow
    for shape, model in SHAPES.items():
        yield f"phantom.solids: shape {shape}", model
    yield "phantom.solids: cap of a sheet", CapRow
    yield "phantom.solids: ring_down of grains", RingDownRow
    yield "probe", ProbeRow
    yield "pose", PoseRow
    yield "machine", MachineRow
    yield "faults", FaultsRow
    yield "faults.weak_elements", WeakRow
    yield "faults.loose_cable", CableRow
    yield "faults.lost_channels", ChannelsRow
    yield "faults.delamination", DelaminationRow
    yield "faults.air_gap", AirGapRow
    yield "faults.interference", InterferenceRow
    yield "faults.crosstalk", CrosstalkRow
    yield "faults.stuck_slider", SliderRow
    yield "physics", PhysicsRow
    yield "remedies", RemedyRow
    yield "seed", SeedRow


def _section(title: str, model: type[Model]) -> Iterator[str]:
    yield f"## {title}"
    yield ""
    yield (model.__doc__ or "").split("\n")[0]
    yield ""
    yield "| key | unit | allowed | default | meaning |"
    yield "|---|---|---|---|---|"
    common = keys_of(SolidRow) if issubclass(model, SolidBase) and model is not SolidRow else []
    for key in keys_of(model):
        if key not in common and key != "shape":
            yield _key_line(model, key)
    for keys in model.one_of:
        yield ""
        yield f"Exactly one of {one_of(keys)}."
    for note in model.notes if not common or model.notes != SolidRow.notes else ():
        yield ""
        yield note
    later = [*model.later, *(f"{key} {word}" for key, words in model.later_words.items() for word in words)]
    later += [f"{key} other than {show(value)}" for key, value in model.only.items()]
    if later:
        yield ""
        yield f"Known, and {NOT_YET}: {', '.join(later)}."
    yield ""


def _key_line(model: type[Model], key: str) -> str:
    field = field_of(model, key)
    assert field is not None, f"no row for {key}"
    allowed = wanted(declared(field.annotation, field.metadata))
    return f"| `{key}` | {unit_of(key)} | {allowed} | {_default(field.default)} | {field.description} |"


def unit_of(key: str) -> str:
    """The unit that a key wears, or nothing for counts, names and switches."""
    return next((unit for ending, unit in UNITS.items() if key.endswith(ending)), "")


def _default(value: Any) -> str:
    if value is PydanticUndefined:
        return "(required)"
    if value is None or isinstance(value, Model) or value in ({}, []):
        return ""
    if isinstance(value, list):
        return f"[{', '.join(show(item) for item in value)}]"
    return value if isinstance(value, str) else show(value)


def _texture_lines() -> Iterator[str]:
    yield "| preset | octaves: scale in mm (and across), contrast in dB | sheets | vessels | loss | direction |"
    yield "|---|---|---|---|---|---|"
    for name, recipe in TEXTURE_PRESETS.items():
        octaves = ", ".join(_octave_words(octave) for octave in recipe.octaves)
        sheets = ", ".join(_sheet_words(sheets) for sheets in recipe.sheets)
        vessels = ", ".join(_vessel_words(vessels) for vessels in recipe.vessels)
        loss = (
            "" if recipe.loss is None else f"{100 * recipe.loss.spread:g} % over {recipe.loss.length_mm:g} mm"
        )
        direction = f"{deg_from_rad(recipe.orientation.direction_rad):g}°" if recipe.sheets else ""
        yield f"| {name} | {octaves} | {sheets} | {vessels} | {loss} | {direction} |"


def _octave_words(octave: Octave) -> str:
    across = "" if octave.across_mm is None else f" ({octave.across_mm:g})"
    return f"{octave.length_mm:g}{across}: {octave.contrast_db:g}"


def _sheet_words(sheets: Sheets) -> str:
    size = " x ".join(f"{side:g}" for side in sheets.size_mm)
    return f"{sheets.pattern} {size} mm, {sheets.contrast_db:g} dB, {100 * sheets.kept:g} % kept"


def _vessel_words(vessels: Vessels) -> str:
    return (
        f"radius {vessels.radius_mm:g} to {vessels.least_mm:g} mm every {vessels.spacing_mm:g} mm, "
        f"wall {vessels.wall_db:+g} dB"
    )


def _tissue_lines() -> Iterator[str]:
    yield "Each number with its range, its source and how sure it is. Losses are one way and of amplitude."
    yield ""
    yield "| tissue | quantity | value | range | source | certainty |"
    yield "|---|---|---|---|---|---|"
    for row in sorted(ROWS, key=lambda row: row.name):
        yield from _tissue_rows(row)
    yield ""
    yield from (f"- {row.name}: {row.note}" for row in sorted(ROWS, key=lambda row: row.name) if row.note)


def _tissue_rows(row: TissueRow) -> Iterator[str]:
    quantities = {
        "speed, m/s": row.speed_m_s,
        "density, kg/m³": row.density_kg_m3,
        "loss at 1 MHz, dB/cm": row.attenuation_db_cm_mhz,
        "power of frequency": row.attenuation_power,
        "backscatter, dB": row.backscatter_db,
    }
    for what, number in quantities.items():
        source = number.source or "-"
        yield f"| {row.name} | {what} | {_plain(number.value)} | {_range(number)} | {source} | {number.certainty} |"


def _plain(value: float) -> str:
    return "none" if value == -math.inf else f"{value:g}" if value < 1000 else f"{value:.7g}"


def _range(number: Sourced) -> str:
    return "-" if number.low == -math.inf else f"{_plain(number.low)} to {_plain(number.high)}"


def _source_lines() -> Iterator[str]:
    yield from (f"- **{key}**: {citation}" for key, citation in CITATIONS.items())
    yield ""
    yield "Certainty:"
    yield ""
    yield from (f"- **{key}**: {meaning}" for key, meaning in CERTAINTIES.items())
