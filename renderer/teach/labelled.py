"""The labelled picture, its plain twin, and the pair that reveals one from the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from renderer.frame.frame import Frame
from renderer.scene.scene import Scene
from renderer.teach.findings import Finding, pixel_mm
from renderer.teach.look import Look, style_of
from renderer.teach.page import (
    BOTTOM,
    MARGIN,
    SMALL_SIZE,
    TOP,
    WIDTH,
    Page,
    Placement,
    draw_picture,
    extent_mm,
    fit,
    outline,
)
from renderer.teach.placing import Box, Placed, Wish, place_labels
from renderer.teach.type import LINE_HEIGHT, block_size, wrapped
from renderer.teach.words import Words

COLUMN = 205.0  # width of a column of labels
NARROW_COLUMN = 168.0  # beside a picture that is wider than high
GUTTER_LEFT, GUTTER_RIGHT = 50.0, 50.0  # for the depth scale, and for the focus marks
LABEL_SIZES = (14.0, 13.0, 12.0, 11.0, 10.0)
GAP = 9.0
PAD = 4.0  # between a label's text and the edge of its box
MARK_ABOVE = 16.0
SMALL_PT = 22.0  # what is narrower on the page has its leader end at its edge
KEY_WIDTH = 250.0  # beside the picture of the pair that reveals


@dataclass(frozen=True)
class Sheet:
    """Where the parts of a labelled page stand: picture and the two columns beside it."""

    placement: Placement
    left: Box
    right: Box


@dataclass(frozen=True)
class Label:
    """A placed label: its lines of text, its size of type and where it stands."""

    finding: Finding
    lines: tuple[str, ...]
    size: float
    placed: Placed


def sheet_of(frame: Frame) -> Sheet:
    """Picture in the middle, as large as the columns allow."""
    top, (x_mm, z_mm) = TOP + MARK_ABOVE, extent_mm(frame)
    column = NARROW_COLUMN if x_mm[1] - x_mm[0] > z_mm[1] - z_mm[0] else COLUMN
    room = Box(
        MARGIN + column + GUTTER_LEFT, top, WIDTH - 2 * (MARGIN + column) - GUTTER_LEFT - GUTTER_RIGHT,
        BOTTOM - top - 6,
    )  # fmt: skip
    placement = fit(x_mm, z_mm, room)
    box = placement.box
    left = Box(MARGIN, TOP, box.left - GUTTER_LEFT - MARGIN, BOTTOM - TOP - 6)
    right = Box(box.right + GUTTER_RIGHT, TOP, WIDTH - MARGIN - box.right - GUTTER_RIGHT, BOTTOM - TOP - 6)
    return Sheet(placement, left, right)


def labels_for(frame: Frame, findings: Sequence[Finding], sheet: Sheet) -> tuple[list[Label], list[Finding]]:
    """Labels with their places, in the largest type in which all find room; and those that found none."""
    ends = [leader_ends(frame, f.mask, sheet.placement) for f in findings]
    rank = [_rank(f, k) for k, f in enumerate(findings)]
    width = min(sheet.left.width, sheet.right.width, 1.35 * COLUMN) - 2 * PAD
    labels: list[Label] = []
    for size in LABEL_SIZES:
        texts = [wrapped(f.text, width, size) for f in findings]
        sizes = [block_size(lines, size) for lines in texts]
        wishes = [
            Wish(w + 2 * PAD, h + 2 * PAD, *end, rank=r)
            for (w, h), end, r in zip(sizes, ends, rank, strict=True)
        ]  # fmt: skip
        placed = place_labels(wishes, sheet.left, sheet.right, GAP)
        labels = [Label(findings[p.index], tuple(texts[p.index]), size, p) for p in placed]
        if len(labels) == len(findings):
            break
    shown = {label.placed.index for label in labels}
    return labels, [f for k, f in enumerate(findings) if k not in shown]


def once(findings: Sequence[Finding]) -> list[Finding]:
    """Findings without those that say the same as one before."""
    said: dict[str, Finding] = {}
    for finding in findings:
        said.setdefault(finding.text, finding)
    return list(said.values())


def _rank(finding: Finding, place: int) -> float:
    """Who stays when there is no room: false echoes first, then solids in the order of the file."""
    return place if finding.kind != "solid" else 1000.0 + place


def leader_ends(
    frame: Frame, mask: npt.NDArray[np.bool_], placement: Placement
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where a leader from the left and one from the right ends: well inside the mask, on that side, on the page."""
    depth = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1]
    wide = np.ptp(np.flatnonzero(mask.any(axis=0))) * placement.box.width / mask.shape[1]
    # A dot in the middle of something small would cover it
    inner = mask if wide < SMALL_PT else depth >= 0.5 * depth.max()
    rows, columns = np.nonzero(inner)
    middle = float(np.median(rows))
    ends = []
    for sign in (1, -1):
        # As near to the column as the inner part reaches, and near to its middle row
        cost = sign * columns + 0.6 * np.abs(rows - middle)
        k = int(np.argmin(cost))
        ends.append(placement.point(float(frame.x_mm[columns[k]]), float(frame.z_mm[rows[k]])))
    return ends[0], ends[1]


def draw_labelled(
    scene: Scene, frame: Frame, findings: Sequence[Finding], look: Look, words: Words
) -> tuple[Page, list[Label], list[Finding]]:
    """The labelled page; its labels, and findings for which there was no room."""
    page, sheet = Page(look), sheet_of(frame)
    page.title(scene.title)
    axes = draw_picture(page, frame, sheet.placement, words, focus_mm=scene.scan.focus_mm)
    draw_outlines(axes, frame, findings)
    labels, left_out = labels_for(frame, once(findings), sheet)
    for label in labels:
        _draw_leader(page, label, sheet.placement.box)
    for label in labels:  # afterwards, so that no leader runs over a dot or a text
        _draw_label(page, label)
    if left_out:
        page.text(
            MARGIN, BOTTOM - 4, words("more", count=len(left_out)), SMALL_SIZE, va="bottom", color=look.faint
        )
    page.caution(words("caution"))
    return page, labels, left_out


def draw_outlines(axes: Any, frame: Frame, findings: Sequence[Finding]) -> None:
    """Edges of what is false, and, in white dots, where solids that are shown elsewhere truly are."""
    drawn: list[npt.NDArray[np.bool_]] = []
    for f in findings:
        if (
            f.outline
            and f.mask.sum() * pixel_mm(frame) ** 2 < 0.6 * frame.in_view.sum() * pixel_mm(frame) ** 2
        ):
            outline(axes, frame, f.mask, *style_of(f.name))
        if f.true_mask is not None and not any(f.true_mask is d for d in drawn):
            outline(axes, frame, f.true_mask, "white", (1, 1.6), 1.3)
            drawn.append(f.true_mask)


def _ink(label: Label) -> tuple[str, tuple[float, ...]]:
    """Colour and dash of a label: those of its class, of a solid white and solid."""
    return ("white", ()) if label.finding.kind == "solid" else style_of(label.finding.name)


def _draw_leader(page: Page, label: Label, picture: Box) -> None:
    """The leader of a label, edged in black over the picture."""
    from matplotlib.patches import Rectangle  # the extra 'figures'

    placed, (colour, _) = label.placed, _ink(label)
    over = Rectangle(
        (picture.left, picture.top), picture.width, picture.height, transform=page.sheet.transData
    )
    (x0, y0), (x1, y1) = placed.start, placed.end
    off = page.look.faint if label.finding.kind == "solid" else colour
    page.sheet.plot([x0, x1], [y0, y1], color=off, linewidth=1.5)
    for ink, width, alpha in (("black", 3.4, 0.6), (colour, 1.5, 1.0)):
        (line,) = page.sheet.plot([x0, x1], [y0, y1], color=ink, linewidth=width, alpha=alpha)
        line.set_clip_path(over)  # afterwards: the axes put their own edge in place of one given before


def _draw_label(page: Page, label: Label) -> None:
    """A dot at the leader's end, and the text, in a box edged in the colour and dash of its class."""
    from matplotlib.patches import Rectangle  # the extra 'figures'

    look, placed, (colour, pattern) = page.look, label.placed, _ink(label)
    solid = label.finding.kind == "solid"
    page.sheet.plot([placed.end[0]], [placed.end[1]], marker="o", markersize=5.5, markerfacecolor=colour,
                    markeredgecolor="black", markeredgewidth=1.0, zorder=3)  # fmt: skip
    box = placed.box
    page.sheet.add_patch(
        Rectangle(
            (box.left, box.top), box.width, box.height, facecolor=look.page, edgecolor=look.faint if solid else colour,
            linewidth=1.0 if solid else 2.2, linestyle=(0, pattern) if pattern else "solid", zorder=2.5,
        )
    )  # fmt: skip
    for k, line in enumerate(label.lines):
        y = box.top + PAD + (k + 0.5) * label.size * LINE_HEIGHT
        page.text(box.left + PAD, y, line, label.size, va="center_baseline")


def draw_plain(scene: Scene, frame: Frame, look: Look, words: Words) -> Page:
    """The same page as the labelled one without a clue: the picture stands in the same place."""
    page, sheet = Page(look), sheet_of(frame)
    page.title(words("plain.title"))
    draw_picture(page, frame, sheet.placement, words, focus_mm=scene.scan.focus_mm)
    page.caution(words("caution"))
    return page


def draw_revealed(scene: Scene, frame: Frame, findings: Sequence[Finding], look: Look, words: Words) -> Page:
    """The picture as large as the page allows; with findings, what is false is outlined and numbered, with a key.

    Both pages have the picture in the same place at the same size, so that one can be laid over the other.
    """
    page, (x_mm, z_mm) = Page(look), extent_mm(frame)
    wide = x_mm[1] - x_mm[0] > 1.6 * (z_mm[1] - z_mm[0])
    left, top = MARGIN + GUTTER_LEFT, MARGIN + 10
    room = Box(
        left, top, WIDTH - left - MARGIN - GUTTER_RIGHT - (150 if wide else KEY_WIDTH), BOTTOM - top + 4
    )
    placement = fit(x_mm, z_mm, room)
    axes = draw_picture(page, frame, placement, words, focus_mm=scene.scan.focus_mm)
    false = [f for f in findings if f.kind != "solid"]
    if false:
        _number_outlines(page, frame, axes, false, placement, words)
    page.caution(words("caution"))
    return page


def _number_outlines(
    page: Page, frame: Frame, axes: Any, false: Sequence[Finding], placement: Placement, words: Words
) -> None:
    """Outlines with numbers, and the key beside the picture."""
    draw_outlines(axes, frame, false)
    x, y = placement.box.right + GUTTER_RIGHT, placement.box.top + 4
    width = WIDTH - MARGIN - x
    page.text(x, y, words("reveal.key"), 14.0, weight="bold")
    y += 26
    taken: list[tuple[float, float]] = []
    for number, text in enumerate(dict.fromkeys(f.text for f in false), start=1):
        same = [f for f in false if f.text == text]
        colour, _ = style_of(same[0].name)
        for f in same:
            spot = _free_spot(leader_ends(frame, f.mask, placement)[1], taken)
            taken.append(spot)
            _badge(page, *spot, number, colour)
        _badge(page, x + 9, y + 8, number, colour)
        y += page.paragraph(Box(x + 26, y, width - 26, 0), text, 12.5) + 8


def _free_spot(wanted: tuple[float, float], taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """The wanted place, or the nearest beside it that is clear of other numbers."""
    steps = [(0, 0), (19, 0), (-19, 0), (0, 19), (0, -19), (19, 19), (-19, 19), (38, 0), (-38, 0)]
    for dx, dy in steps:
        spot = wanted[0] + dx, wanted[1] + dy
        if all((spot[0] - x) ** 2 + (spot[1] - y) ** 2 > 18.0**2 for x, y in taken):
            return spot
    return wanted


def _badge(page: Page, x: float, y: float, number: int, colour: str) -> None:
    """A number in a ring."""
    page.sheet.plot(
        [x], [y], marker="o", markersize=16, color="black", markeredgecolor=colour, markeredgewidth=2.0
    )
    page.text(x, y, str(number), SMALL_SIZE, ha="center", va="center_baseline", color="white")
