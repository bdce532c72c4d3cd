"""Texture of tissues above the speckle: what it is made of, and named presets.

Contrasts are picture levels in dB, lengths mm. The values were tuned by eye, those of superficial
tissue against a single frame; they are plausible, not measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

CELLS, LAYERS, LINING = "cells", "layers", "lining"
MOST_OCTAVES, MOST_SHEETS, MOST_VESSELS = 8, 4, 4


@dataclass(frozen=True)
class Octave:
    """Variation of the picture level on one scale: standard deviation in dB.

    ``across_mm`` is the scale perpendicular to the layers of the tissue; ``None``: the same all ways.
    """

    length_mm: float
    contrast_db: float
    across_mm: float | None = None


@dataclass(frozen=True)
class Sheets:
    """Thin coherent sheets inside a tissue.

    ``cells``: walls of closely packed cells (fat lobules, bundles of muscle) of a size along the
    fibres, out of their plane, and across them. ``layers``: a stack of torn wavy laminae; the last
    size is their distance, the first two are how far one runs before it is torn. ``lining``: such a
    stack that follows the surface of the solid. ``contrast_db`` is how far a sheet that lies square
    to the beam stands above the speckle round it; oblique ones fade by themselves.
    """

    pattern: str
    size_mm: tuple[float, float, float]
    contrast_db: float
    kept: float = 0.6  # share of the sheets that is there
    thickness_mm: float = 0.05
    wave_mm: float = 0.3
    patchiness_db: float = 4.0


@dataclass(frozen=True)
class Vessels:
    """Branching vessels, one tree in each block of space ``spacing_mm`` wide (a third of it out of the plane)."""

    radius_mm: float  # of the trunk
    least_mm: float  # radius at which branching ends
    length_mm: float  # of the trunk
    spacing_mm: float
    wall_db: float  # level of the trunk's wall re the tissue round it
    blood_db: float = -30.0  # level of the lumen re the tissue round it


@dataclass(frozen=True)
class Orientation:
    """Fibre direction: ``direction_rad`` lowers its right end in the picture, then ``turn_rad`` turns it about z."""

    direction_rad: float = 0.0
    turn_rad: float = 0.0


@dataclass(frozen=True)
class UnevenLoss:
    """Loss per way that varies: ``spread`` is its standard deviation re its mean, on two scales, the coarser one given."""

    length_mm: float
    spread: float


@dataclass(frozen=True)
class TextureRecipe:
    """Octaves that add in dB, sheets and vessels; mean power stays that of the even tissue."""

    octaves: tuple[Octave, ...] = ()
    sheets: tuple[Sheets, ...] = ()
    vessels: tuple[Vessels, ...] = ()
    orientation: Orientation = Orientation()
    loss: UnevenLoss | None = None


def texture_recipe(texture: str | TextureRecipe | None) -> TextureRecipe | None:
    """What a material says of its texture, as a recipe: its own, that of a preset, or none."""
    return TEXTURE_PRESETS.get(texture) if isinstance(texture, str) else texture


def _octaves(*rows: tuple[float, ...]) -> tuple[Octave, ...]:
    return tuple(Octave(*row) for row in rows)


_SOFT = ((10.0, 3.1), (3.0, 2.0), (1.0, 1.3))

TEXTURE_PRESETS: dict[str, TextureRecipe] = {
    "soft": TextureRecipe(
        _octaves(*_SOFT),
        (Sheets(LAYERS, (4.0, 6.0, 2.4), 14.0, kept=0.35, wave_mm=0.7),),
        loss=UnevenLoss(9.0, 0.2),
    ),
    "muscle": TextureRecipe(
        _octaves((12.0, 2.6), (9.0, 2.4, 0.9), (3.5, 1.8, 0.4)),
        (
            Sheets(LAYERS, (7.0, 9.0, 2.0), 20.0, kept=0.6, wave_mm=0.5),
            Sheets(LAYERS, (3.0, 6.0, 0.72), 13.0, kept=0.55, wave_mm=0.25),
        ),
        orientation=Orientation(math.radians(6.0)),
        loss=UnevenLoss(7.0, 0.2),
    ),
    "muscle across": TextureRecipe(
        _octaves((10.0, 2.5), (3.0, 1.8)),
        (
            Sheets(CELLS, (16.0, 3.2, 2.1), 23.0, wave_mm=0.3),
            Sheets(CELLS, (9.0, 1.3, 0.85), 16.0, kept=0.45, wave_mm=0.15),
        ),
        orientation=Orientation(0.0, math.radians(90.0)),
        loss=UnevenLoss(7.0, 0.2),
    ),
    "fat": TextureRecipe(
        _octaves((10.0, 2.6), (5.0, 1.8, 1.2), (1.6, 1.6, 0.35)),
        (Sheets(CELLS, (7.5, 13.0, 2.2), 23.0, kept=0.62, wave_mm=0.4, patchiness_db=5.0),),
        loss=UnevenLoss(7.0, 0.2),
    ),
    "skin": TextureRecipe(
        _octaves((3.0, 2.2, 0.3)),
        (Sheets(LINING, (3.0, 6.0, 0.4), 10.0, kept=0.6, wave_mm=0.1, patchiness_db=3.0),),
    ),
    "fascia": TextureRecipe(
        _octaves((5.0, 3.5), (1.5, 2.0, 0.4)),
        (
            Sheets(
                LINING, (4.0, 8.0, 0.36), 14.0, kept=0.6, wave_mm=0.1, patchiness_db=6.0, thickness_mm=0.04
            ),
        ),
    ),
    "tendon": TextureRecipe(
        _octaves((10.0, 1.8), (4.0, 1.6, 0.5)),
        (
            Sheets(
                LAYERS, (3.0, 4.0, 0.46), 13.0, kept=0.55, wave_mm=0.1, patchiness_db=3.0, thickness_mm=0.04
            ),
        ),
        orientation=Orientation(math.radians(2.0)),
    ),
    "liver": TextureRecipe(
        _octaves((30.0, 1.8), (9.0, 1.3), (3.2, 1.4), (1.3, 1.0)),
        vessels=(
            Vessels(3.4, 0.9, 20.0, 46.0, 6.0),
            Vessels(4.0, 0.9, 24.0, 52.0, 0.5),
            Vessels(0.9, 0.7, 7.0, 17.0, 2.0),
        ),
        loss=UnevenLoss(22.0, 0.15),
    ),
    "cortex": TextureRecipe(
        _octaves((8.0, 1.0), (1.5, 0.9)), vessels=(Vessels(1.0, 0.6, 6.0, 20.0, 4.0, -20.0),)
    ),
    "pulp": TextureRecipe(_octaves((8.0, 1.0), (1.5, 0.9)), vessels=(Vessels(1.6, 0.7, 12.0, 45.0, 2.0),)),
    "gland": TextureRecipe(_octaves((9.0, 0.9), (2.0, 1.0), (0.7, 1.0)), loss=UnevenLoss(8.0, 0.15)),
    "nerve": TextureRecipe(
        _octaves((6.0, 1.5), (2.0, 1.2, 0.5)),
        (Sheets(CELLS, (20.0, 1.0, 0.9), 20.0, kept=0.75, wave_mm=0.08, patchiness_db=2.0),),
        orientation=Orientation(0.0, math.radians(90.0)),
    ),
    "block": TextureRecipe(_octaves((30.0, 0.5), (6.0, 0.35))),
}
