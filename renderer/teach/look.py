"""How figures look: page, colours, dashes and type, light and dark.

Colours are those of Okabe and Ito (2008, values from memory), which people with any common colour
blindness tell apart. Each class also has a dash of its own, and every label says in words what it
points at, so that colour is never the only sign.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from renderer.teach.needs import need_figures

FONT = "DejaVu Sans"  # comes with the drawing library; embedded in PDF
FALLBACK = ["DejaVu Sans", "Verdana", "Arial", "sans-serif"]

PAGE_IN = (13.333, 7.5)  # a slide of 16:9
DPI = 144
POINTS = 72.0

ORANGE, SKY, GREEN, YELLOW, BLUE, RED, PINK = (
    "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7",
)  # fmt: skip

# Class or effect: colour over the dark picture, and dash (on, off, ... in line widths)
STYLES: dict[str, tuple[str, tuple[float, ...]]] = {
    "mirror": (SKY, (5, 2)),
    "reverberation": (ORANGE, ()),
    "multipath": (PINK, (5, 2, 1, 2)),
    "range_ambiguity": (YELLOW, (3, 1.5)),
    "beam_width": (GREEN, (1, 1.2)),
    "side_lobe": (GREEN, (4, 1.5, 1, 1.5)),
    "grating_lobe": (GREEN, (8, 1.5)),
    "ring_down": (YELLOW, (8, 1, 1, 1)),
    "clutter": (BLUE, (1, 1.5)),
    "main_bang": (BLUE, (6, 2)),
    "interference": (RED, (1, 1.5)),
    "crosstalk": (RED, (4, 1, 1, 1)),
    "fault": (RED, (9, 2)),
    "slice_thickness": (GREEN, (7, 2)),
    "shadow": (RED, (6, 2, 1, 2, 1, 2)),
    "enhancement": (YELLOW, (1.5, 1.5)),
    "edge_shadow": (RED, (2, 1.5)),
    "focusing": (PINK, (2, 1)),
    "focal_band": (PINK, (6, 3)),
    "edge_of_field": (BLUE, (3, 1)),
    "anisotropy": (YELLOW, (5, 1.5)),
    "speed": (ORANGE, (8, 2)),
    "refraction": (SKY, (1.5, 1.2)),
}
OTHER: tuple[str, tuple[float, ...]] = (PINK, (1, 2))


@dataclass(frozen=True)
class Look:
    """Colours of the page round the picture."""

    page: str
    ink: str
    faint: str
    accent: str
    warn: str
    medium: tuple[str, ...]


LIGHT = Look(
    "#FFFFFF",
    "#161616",
    "#6A6A6A",
    "#0B5C8E",
    "#A23B00",
    ("#F4F1EA", "#DCE8F0", "#F3E3CC", "#DDEBDD", "#EADFEA"),
)
DARK = Look(
    "#101214",
    "#F2F2F2",
    "#A8ADB2",
    "#7CC4EE",
    "#FF9B57",
    ("#1B1F23", "#22384A", "#43331C", "#1F3A2C", "#3A2A40"),
)


def style_of(name: str) -> tuple[str, tuple[float, ...]]:
    """Colour and dash of an origin class or effect."""
    return STYLES.get(name, OTHER)


def dash(pattern: tuple[float, ...]) -> Any:
    """A dash pattern as the drawing library takes it."""
    return (0, pattern) if pattern else "solid"


@contextmanager
def drawing(look: Look) -> Iterator[None]:
    """Settings under which everything is drawn and written: real text, and the same bytes each time."""
    need_figures()
    import matplotlib  # the extra 'figures': heavy, and only needed here

    settings: dict[Any, Any] = {
        "font.family": "sans-serif", "font.sans-serif": FALLBACK, "font.size": 11.0,
        "svg.fonttype": "none", "svg.hashsalt": "echowright", "pdf.fonttype": 42,
        "axes.edgecolor": look.faint, "axes.labelcolor": look.ink, "text.color": look.ink,
        "xtick.color": look.ink, "ytick.color": look.ink, "figure.facecolor": look.page,
        "axes.facecolor": look.page, "savefig.facecolor": look.page, "text.parse_math": False,
        "axes.unicode_minus": True, "path.simplify": True,
    }  # fmt: skip
    with matplotlib.rc_context(settings):
        yield
