"""Names that a scene may use: what it can show, and what is known but not supported yet."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Literal, get_args

OriginClass = Literal[
    "interference",
    "crosstalk",
    "main_bang",
    "range_ambiguity",
    "ring_down",
    "reverberation",
    "mirror",
    "multipath",
    "grating_lobe",
    "side_lobe",
    "slice_thickness",
    "beam_width",
    "clutter",
    "direct",
]
Effect = Literal[
    "shadow",
    "enhancement",
    "edge_shadow",
    "focal_band",
    "edge_of_field",
    "anisotropy",
    "fault",
    "speed",
    "refraction",
]
Showable = Literal[OriginClass, "noise", Effect]

CLASSES: tuple[str, ...] = get_args(OriginClass)
"""Origin classes, in the order in which the first that fits is taken."""

SHOWABLE: tuple[str, ...] = get_args(Showable)

NOT_YET = "not supported yet"


def hint(word: str, known: Iterable[str]) -> str:
    """A question that names the nearest known word, or nothing where none is near.

    Starts with a space, so that it can be put behind a sentence.
    """
    known = list(known)
    near = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if not near:
        lower = {name.lower(): name for name in known}
        near = [lower[name] for name in difflib.get_close_matches(word.lower(), lower, n=1, cutoff=0.6)]
    return f" Did you mean '{near[0]}'?" if near else ""


def one_of(known: Iterable[str]) -> str:
    """Known words in one line: ``a, b or c``."""
    words = list(known)
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


def show(value: object, limit: int = 40) -> str:
    """A value as it stands in a scene file, shortened: texts in quotes, true and false in lower case."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}'" if len(value) <= limit else f"'{value[: limit - 1]}…'"
    if isinstance(value, float):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    if isinstance(value, dict):
        return "a mapping"
    if isinstance(value, list | tuple):
        return "a list"
    text = str(value)
    return text if len(text) <= limit else f"{text[:20]}… ({len(text)} digits)"
