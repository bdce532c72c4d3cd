"""Type: how much room a text takes, and how it is broken into lines."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from renderer.teach.look import POINTS

LINE_HEIGHT = 1.22
LARGE = 8


@lru_cache(maxsize=1)
def _measurer() -> Any:
    """What measures text: one point to a pixel."""
    from matplotlib.backends.backend_agg import RendererAgg  # the extra 'figures'

    return RendererAgg(16, 16, POINTS)  # type: ignore[no-untyped-call]


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width of one line of text, points."""
    from matplotlib.font_manager import FontProperties  # the extra 'figures'

    # Measured large: in small type the widths of letters are rounded to whole points
    font = FontProperties(family="DejaVu Sans", size=LARGE * size, weight="bold" if bold else "normal")
    return float(_measurer().get_text_width_height_descent(text, font, ismath=False)[0]) / LARGE


def wrapped(text: str, width: float, size: float, bold: bool = False) -> list[str]:
    """A text in lines no wider than a width (points); words too long for a line are cut into pieces."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold) <= width:
            lines[-1] = longer
            continue
        while text_width(word, size, bold) > width and len(word) > 1:
            n = next((n for n in range(len(word) - 1, 0, -1) if text_width(word[:n], size, bold) <= width), 1)
            lines.append(word[:n])
            word = word[n:]
        lines.append(word)
    return lines or [""]


def block_size(lines: list[str], size: float, bold: bool = False) -> tuple[float, float]:
    """Width and height of lines of text set under each other, points."""
    return max(text_width(line, size, bold) for line in lines), len(lines) * size * LINE_HEIGHT


def cut(text: str, width: float, size: float) -> str:
    """A text cut to a width, with dots where it was longer."""
    if text_width(text, size) <= width:
        return text
    while text and text_width(text + "…", size) > width:
        text = text[:-1]
    return text + "…"
