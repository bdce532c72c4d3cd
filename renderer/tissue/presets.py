"""Texture of tissues on scales above the speckle: named presets, as octaves of contrast.

Contrasts are standard deviations of the picture level in dB, lengths the scales on which it
varies. The values were tuned by eye against a single frame of superficial tissue; they are
plausible, not measured.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Octave:
    """Variation of the picture level on one scale: standard deviation in dB."""

    length_mm: float
    contrast_db: float


@dataclass(frozen=True)
class TextureRecipe:
    """Octaves that add in dB."""

    octaves: tuple[Octave, ...]


def _recipe(*octaves: tuple[float, float]) -> TextureRecipe:
    return TextureRecipe(tuple(Octave(length_mm, contrast_db) for length_mm, contrast_db in octaves))


TEXTURE_PRESETS: dict[str, TextureRecipe] = {
    "soft": _recipe((10.0, 3.1), (3.0, 2.0), (1.0, 1.3)),
    "muscle": _recipe((10.0, 3.1), (3.0, 2.0), (1.0, 1.3)),
    "fat": _recipe((10.0, 3.1), (5.0, 2.0), (3.0, 2.0), (1.6, 2.0), (1.0, 1.3)),
    "skin": _recipe((3.0, 2.5)),
    "tendon": _recipe((10.0, 2.0), (3.0, 1.5), (1.0, 1.3)),
    "liver": _recipe((30.0, 1.8), (9.0, 1.3), (3.2, 1.4), (1.3, 1.0)),
    "cortex": _recipe((8.0, 1.0), (1.5, 0.9)),
    "gland": _recipe((9.0, 0.9), (2.0, 1.0), (0.7, 1.0)),
    "block": _recipe((30.0, 0.5), (6.0, 0.35)),
}
