"""A page with a picture on it: where things stand, in points from the upper left corner.

All pages have the size of a slide. The page's coordinates are points, y downwards; a picture's are
mm in the frame of the probe, x to the right and z downwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from renderer.frame.frame import Frame
from renderer.teach.look import DPI, PAGE_IN, POINTS, Look, dash
from renderer.teach.placing import Box
from renderer.teach.type import LINE_HEIGHT, wrapped
from renderer.teach.words import Words

WIDTH, HEIGHT = PAGE_IN[0] * POINTS, PAGE_IN[1] * POINTS
MARGIN = 26.0
TITLE_SIZE, TEXT_SIZE, SMALL_SIZE = 20.0, 13.0, 10.5
CAUTION_SIZE = 9.5
ROUND_MM = 0.15  # corners of pixels are rounded off an outline by this much
TOP = MARGIN + TITLE_SIZE * 1.6  # below the title
BOTTOM = HEIGHT - MARGIN - CAUTION_SIZE * 1.5  # above the caution


class Page:
    """A slide to draw on.

    ``scale`` of text and lines is fixed by the page, not by the picture. ``figure`` is the drawing
    library's figure; ``sheet`` its axes in points that cover the page.
    """

    def __init__(self, look: Look) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg  # the extra 'figures'
        from matplotlib.figure import Figure

        self.look = look
        self.figure: Any = Figure(figsize=PAGE_IN, dpi=DPI)
        FigureCanvasAgg(self.figure)
        self.sheet: Any = self.figure.add_axes((0, 0, 1, 1), zorder=5)
        self.sheet.set(xlim=(0, WIDTH), ylim=(HEIGHT, 0))
        self.sheet.axis("off")
        self.sheet.patch.set_alpha(0)

    def text(self, x: float, y: float, text: str, size: float = TEXT_SIZE, **style: Any) -> Any:
        """A line of text; y is its upper edge unless ``va`` says otherwise."""
        style = {"va": "top", "color": self.look.ink, **style}
        return self.sheet.text(x, y, text, fontsize=size, **style)

    def paragraph(self, box: Box, text: str, size: float = TEXT_SIZE, **style: Any) -> float:
        """A text broken into lines in a box from its top; the height that it takes."""
        bold = style.get("weight") == "bold"
        lines = wrapped(text, box.width, size, bold)
        for k, line in enumerate(lines):
            self.text(box.left, box.top + k * size * LINE_HEIGHT, line, size, **style)
        return len(lines) * size * LINE_HEIGHT

    def title(self, text: str) -> None:
        """The title, shrunk until it fits the page's width."""
        from renderer.teach.type import text_width

        room, size = WIDTH - 2 * MARGIN, TITLE_SIZE
        while text_width(text, size, True) > room and size > 11.0:
            size -= 0.5
        line = wrapped(text, room, size, True)[0]
        self.text(MARGIN, MARGIN - 4, line, size, weight="bold")

    def caution(self, text: str) -> None:
        """The caution at the foot of the page."""
        self.paragraph(Box(MARGIN, HEIGHT - MARGIN - CAUTION_SIZE * 0.4, WIDTH - 2 * MARGIN, 20), text, CAUTION_SIZE,
                       color=self.look.faint)  # fmt: skip

    def axes(self, box: Box, x_mm: tuple[float, float], z_mm: tuple[float, float]) -> Any:
        """Axes in mm that fill a box of the page, z downwards."""
        place = (box.left / WIDTH, 1 - box.bottom / HEIGHT, box.width / WIDTH, box.height / HEIGHT)
        axes = self.figure.add_axes(place, zorder=1)
        axes.set(xlim=x_mm, ylim=(z_mm[1], z_mm[0]))
        axes.tick_params(labelsize=SMALL_SIZE)
        return axes

    def line(
        self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.2, **style: Any
    ) -> None:
        """A line on the page."""
        x, y = zip(*points, strict=True)
        self.sheet.plot(x, y, color=colour, linewidth=width, **style)


@dataclass(frozen=True)
class Placement:
    """Where a picture stands on a page, and how mm become points."""

    box: Box
    x_mm: tuple[float, float]
    z_mm: tuple[float, float]

    def point(self, x_mm: float, z_mm: float) -> tuple[float, float]:
        """A place of the picture on the page."""
        scale = self.box.width / (self.x_mm[1] - self.x_mm[0])
        return self.box.left + (x_mm - self.x_mm[0]) * scale, self.box.top + (z_mm - self.z_mm[0]) * scale


def extent_mm(frame: Frame) -> tuple[tuple[float, float], tuple[float, float]]:
    """Outer edges of a picture, mm."""
    half = 0.5 * float(frame.x_mm[1] - frame.x_mm[0])
    return (
        (float(frame.x_mm[0]) - half, float(frame.x_mm[-1]) + half),
        (float(frame.z_mm[0]) - half, float(frame.z_mm[-1]) + half),
    )  # fmt: skip


def fit(x_mm: tuple[float, float], z_mm: tuple[float, float], room: Box) -> Placement:
    """The largest placement of an area in a box of the page, in its middle, at one scale."""
    width, height = x_mm[1] - x_mm[0], z_mm[1] - z_mm[0]
    scale = min(room.width / width, room.height / height)
    box = Box(room.left + 0.5 * (room.width - width * scale), room.top + 0.5 * (room.height - height * scale),
              width * scale, height * scale)  # fmt: skip
    return Placement(box, x_mm, z_mm)


def draw_picture(
    page: Page, frame: Frame, placement: Placement, words: Words, *, focus_mm: Iterable[float] = ()
) -> Any:
    """The grey picture with its depth scale, focus marks and the mark of the probe's left end; its axes."""
    axes = page.axes(placement.box, placement.x_mm, placement.z_mm)
    axes.imshow(
        frame.image, cmap="gray", vmin=0, vmax=255, interpolation="antialiased", aspect="auto",
        extent=(*placement.x_mm, placement.z_mm[1], placement.z_mm[0]), zorder=0,
    )  # fmt: skip
    axes.set_facecolor("black")
    for side in axes.spines.values():
        side.set_visible(False)
    depth_scale(axes, placement, words)
    _focus_marks(page, placement, focus_mm, words)
    _left_mark(page, frame, placement, words)
    return axes


def depth_scale(axes: Any, placement: Placement, words: Words) -> None:
    """Ticks in whole centimetres (halves where the picture is shallow) down the left side."""
    low, high = placement.z_mm
    step = 5.0 if high < 35 else 10.0 if high < 130 else 20.0
    marks = np.arange(0.0, high + 1e-6, step)
    axes.set_yticks(marks, [f"{m / 10:g}" for m in marks])
    axes.set_yticks(np.arange(0.0, high, step / 5), minor=True)
    axes.set_xticks([])
    axes.tick_params(axis="y", which="major", length=7, width=1.2, labelsize=SMALL_SIZE)
    axes.tick_params(axis="y", which="minor", length=3)
    axes.annotate(words("depth_axis"), (0, 1), xycoords="axes fraction", xytext=(-8, 12), textcoords="offset points",
                  ha="right", va="center", fontsize=SMALL_SIZE)  # fmt: skip


def _focus_marks(page: Page, placement: Placement, focus_mm: Iterable[float], words: Words) -> None:
    """A bracket beside the picture at each transmit focus."""
    for k, depth in enumerate(focus_mm):
        if placement.z_mm[0] <= depth <= placement.z_mm[1]:
            x, y = placement.point(placement.x_mm[1], depth)
            page.line(
                [(x + 9, y - 5), (x + 3, y), (x + 9, y + 5)], page.look.ink, 1.6, solid_joinstyle="miter"
            )
            if k == 0:
                page.text(x + 12, y, words("focus"), SMALL_SIZE, va="center", color=page.look.faint, zorder=6,
                          bbox={"facecolor": page.look.page, "edgecolor": "none", "pad": 1.5})  # fmt: skip


def _left_mark(page: Page, frame: Frame, placement: Placement, words: Words) -> None:
    """A square over the left end of the face, with what it means."""
    ends = frame.line_origin_mm[0]
    x, y = placement.point(float(ends[0]), placement.z_mm[0])
    page.sheet.plot([x], [y - 7], marker="s", markersize=6, color=page.look.ink, clip_on=False)
    page.text(x + 7, y - 7, words("marked_end"), SMALL_SIZE, va="center", color=page.look.faint)


def outline(axes: Any, frame: Frame, mask: npt.NDArray[np.bool_], colour: str, pattern: tuple[float, ...],
            width: float = 1.8) -> None:  # fmt: skip
    """The edge of a mask, in its colour and dash, over a dark casing so that it shows on white too."""
    step = float(frame.x_mm[1] - frame.x_mm[0])
    padded = ndimage.gaussian_filter(np.pad(mask, 2).astype(float), ROUND_MM / step)
    # A mask thinner than the smoothing keeps its own edge
    padded = padded if padded.max() > 0.75 else np.pad(mask, 2).astype(float)
    x, z = (np.concatenate([c[0] - step * np.array([2, 1]), c, c[-1] + step * np.array([1, 2])])
            for c in (frame.x_mm, frame.z_mm))  # fmt: skip
    axes.contour(x, z, padded, levels=[0.5], colors="black", linewidths=width + 1.4, alpha=0.55)
    axes.contour(x, z, padded, levels=[0.5], colors=[colour], linewidths=width, linestyles=[dash(pattern)])
