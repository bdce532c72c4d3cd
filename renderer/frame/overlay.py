"""The overlay picture: masks outlined over the grey picture, told apart by colour and by dash."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import cycle

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from renderer.frame.frame import CAUTION, Frame

# Eight colours that people with any common colour blindness tell apart (Okabe and Ito 2008, values
# from memory), black left out because the picture is black.
COLOURS = (
    (230, 159, 0),
    (86, 180, 233),
    (0, 158, 115),
    (240, 228, 66),
    (0, 114, 178),
    (213, 94, 0),
    (204, 121, 167),
)
# On and off lengths in screen pixels; with the colours they never repeat before 35 masks.
DASHES = ((1000, 0), (12, 6), (3, 4), (16, 4, 3, 4), (24, 10))

# What would frame every picture: it is no artefact, or, as the end of the array, there in all of them.
NOT_OUTLINED = ("direct", "noise", "edge_of_field")

# Outlines of fewer edges than this are single grains of speckle.
SHORTEST_LOOP = 24
LEGEND_WIDTH_PX = 250
LINE_HEIGHT_PX = 22
MARGIN_PX = 10
SAMPLE_PX = 64
SMALLEST_SCREEN_PX = 700

Style = tuple[tuple[int, int, int], tuple[int, ...]]


def overlay_picture(frame: Frame, names: tuple[str, ...] | None = None) -> npt.NDArray[np.uint8]:
    """The grey picture with its masks outlined, a legend strip and the caution in the pixels.

    Parameters
    ----------
    names
        Masks to outline; None: every mask that is not empty, those of ``NOT_OUTLINED`` aside.

    Returns
    -------
    (rows, columns, 3) uint8
        Larger than the picture: small ones are doubled, and the legend stands beside them.
    """
    if names is None:
        names = tuple(name for name in frame.truth.mask_names() if name not in NOT_OUTLINED)
    masks = {name: frame.truth.mask(name) & frame.in_view for name in names}
    masks = {name: mask for name, mask in masks.items() if mask.any()}
    rows, columns = frame.image.shape
    scale = 2 if min(rows, columns) < SMALLEST_SCREEN_PX else 1
    grey = (
        Image.fromarray(frame.image)
        .convert("RGB")
        .resize((columns * scale, rows * scale), Image.Resampling.NEAREST)
    )
    height = max(grey.height, (len(masks) + 1) * LINE_HEIGHT_PX) + 2 * LINE_HEIGHT_PX
    sheet = Image.new("RGB", (grey.width + LEGEND_WIDTH_PX, height))
    sheet.paste(grey, (0, 0))
    pen = ImageDraw.Draw(sheet)
    styles = zip(cycle(COLOURS), cycle(DASHES))
    for place, (style, (name, mask)) in enumerate(zip(styles, masks.items(), strict=False)):
        for loop in boundary_loops(mask):
            if len(loop) >= SHORTEST_LOOP:
                _dashed(pen, loop * scale, style)
        _legend_line(pen, grey.width + MARGIN_PX, MARGIN_PX + place * LINE_HEIGHT_PX, name, style)
    _caution_lines(pen, sheet.size, sheet.height - 2 * LINE_HEIGHT_PX)
    return np.asarray(sheet)


def boundary_loops(mask: npt.NDArray[np.bool_]) -> Iterator[npt.NDArray[np.float64]]:
    """Closed outlines of a mask, as (n, 2) pixel corners (column, row), first and last equal.

    The outline runs along pixel edges, the mask on its right. Where two pixels touch only at a
    corner the outline turns right, so that they stay one apart.
    """
    steps = _edge_steps(mask)
    while steps:
        start = next(iter(steps))
        loop, corner, heading = [start], start, -1
        while True:
            heading = _take_step(steps, corner, heading)
            corner = (corner[0] + _DX[heading], corner[1] + _DY[heading])
            loop.append(corner)
            if corner == start:
                break
        yield np.array(loop, float)


# Headings: 0 right, 1 down, 2 left, 3 up, in rows that count downwards.
_DX = (1, 0, -1, 0)
_DY = (0, 1, 0, -1)


def _edge_steps(mask: npt.NDArray[np.bool_]) -> dict[tuple[int, int], list[int]]:
    """Corner (column, row) to the headings of the outline edges that leave it."""
    padded = np.pad(mask, 1)
    inside = padded[1:-1, 1:-1]
    neighbours = (padded[:-2, 1:-1], padded[1:-1, 2:], padded[2:, 1:-1], padded[1:-1, :-2])
    # Edge above a pixel runs right, at its right down, below left, at its left up.
    starts = ((0, 0), (1, 0), (1, 1), (0, 1))
    steps: dict[tuple[int, int], list[int]] = {}
    for heading, (other, (dx, dy)) in enumerate(zip(neighbours, starts, strict=True)):
        for row, column in np.argwhere(inside & ~other).tolist():
            steps.setdefault((column + dx, row + dy), []).append(heading)
    return steps


def _take_step(steps: dict[tuple[int, int], list[int]], corner: tuple[int, int], heading: int) -> int:
    """Remove and return the heading that leaves a corner, the rightmost of two."""
    leaving = steps[corner]
    right = (heading + 1) % 4
    taken = right if heading >= 0 and right in leaving else leaving[0]
    leaving.remove(taken)
    if not leaving:
        del steps[corner]
    return taken


def _dashed(pen: ImageDraw.ImageDraw, points: npt.NDArray[np.float64], style: Style) -> None:
    """A polyline in a dash pattern that runs along it."""
    colour, pattern = style
    lengths = np.hypot(*np.diff(points, axis=0).T)
    travelled = 0.0
    for start, end, length in zip(points[:-1], points[1:], lengths, strict=True):
        if _is_on(travelled + 0.5 * length, pattern):
            pen.line([tuple(start), tuple(end)], fill=colour, width=2)
        travelled += length


def _is_on(travelled: float, pattern: tuple[int, ...]) -> bool:
    """Whether a dash pattern (on, off, on, off, ...) draws at a length along the line."""
    place = travelled % sum(pattern)
    for index, length in enumerate(pattern):
        if place < length:
            return index % 2 == 0
        place -= length
    return False


def _legend_line(pen: ImageDraw.ImageDraw, x: int, y: int, name: str, style: Style) -> None:
    """One line of the legend: a sample of the outline and its name."""
    middle = y + LINE_HEIGHT_PX // 2
    sample = np.stack([x + np.arange(0, SAMPLE_PX + 1, 1.0), np.full(SAMPLE_PX + 1, float(middle))], axis=1)
    _dashed(pen, sample, style)
    pen.text((x + SAMPLE_PX + MARGIN_PX, y + 3), name.replace("_", " "), fill=(255, 255, 255), font=_font())


def _caution_lines(pen: ImageDraw.ImageDraw, size: tuple[int, int], top: int) -> None:
    """The caution under the picture, in as many lines as its width needs."""
    room = size[0] - 2 * MARGIN_PX
    lines, font = [""], _font()
    for word in CAUTION.split():
        longer = f"{lines[-1]} {word}".strip()
        if pen.textlength(longer, font=font) > room and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    for number, line in enumerate(lines):
        pen.text((MARGIN_PX, top + 4 + number * 15), line, fill=(255, 255, 255), font=font)


def _font() -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
    """The font that comes with the imaging library, at reading size."""
    return ImageFont.load_default(13)
