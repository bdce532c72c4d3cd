"""The shipped tissues as materials, by name."""

from __future__ import annotations

from functools import cache

from renderer.errors import SettingError
from renderer.tissue.materials import Material
from renderer.tissue.rows import ROWS, TissueRow
from renderer.units import mm_per_us_from_m_s

REFERENCE_TISSUE = "gelatine"
"""Levels, the factory curve of the machine and the default gain are relative to this tissue."""

_BY_NAME = {row.name: row for row in ROWS}


def material_names() -> tuple[str, ...]:
    """Names of the shipped tissues, in alphabetical order."""
    return tuple(sorted(_BY_NAME))


def tissue_row(name: str) -> TissueRow:
    """The row of the table behind a shipped tissue: numbers with ranges and sources.

    Raises
    ------
    SettingError
        If no shipped tissue has this name.
    """
    if name not in _BY_NAME:
        raise SettingError(f"no tissue is called {name!r}. The table has {', '.join(material_names())}")
    return _BY_NAME[name]


@cache
def material(name: str) -> Material:
    """A shipped tissue as a material. Its texture, if any, is the name of a preset.

    Raises
    ------
    SettingError
        If no shipped tissue has this name.
    """
    row = tissue_row(name)
    return Material(
        name=row.name,
        speed_mm_per_us=mm_per_us_from_m_s(row.speed_m_s.value),
        density_kg_m3=float(row.density_kg_m3.value),
        attenuation_db_cm_mhz=float(row.attenuation_db_cm_mhz.value),
        attenuation_power=float(row.attenuation_power.value),
        loss_table_db_cm=row.loss_table_db_cm,
        backscatter_db=float(row.backscatter_db.value),
        texture=row.texture,
    )
