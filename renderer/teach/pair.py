"""The page of a remedy: before and after at one size and one grey scale, with words beneath."""

from __future__ import annotations

from collections.abc import Sequence

from renderer.scene.scene import Scene
from renderer.teach.look import Look
from renderer.teach.page import BOTTOM, MARGIN, SMALL_SIZE, TOP, WIDTH, Page, draw_picture, extent_mm, fit
from renderer.teach.placing import Box
from renderer.teach.remedies import Comparison
from renderer.teach.type import LINE_HEIGHT, wrapped
from renderer.teach.words import Words

TEXT_WIDTH = 236.0
BENEATH = 138.0
GUTTER_LEFT, GUTTER_RIGHT = 30.0, 46.0
LINE_SIZE, LINE_GAP = 12.0, 3.0
FOOTNOTE, NEXT_BLOCK = (
    40.0,
    62.0,
)  # what a column keeps free for the note at its foot, and for each block to come


def draw_remedy(scene: Scene, found: Comparison, look: Look, words: Words) -> Page:
    """Two pictures at one scale of mm, and what was changed, what it does, and what got worse."""
    page = Page(look)
    page.title(words("remedy.title", name=found.remedy.name, why=found.remedy.why))
    extents = [extent_mm(f) for f in (found.before, found.after)]
    x_mm = min(e[0][0] for e in extents), max(e[0][1] for e in extents)
    z_mm = min(e[1][0] for e in extents), max(e[1][1] for e in extents)
    # Beside upright pictures there is room for the words; wide ones have them beneath
    beneath = x_mm[1] - x_mm[0] > z_mm[1] - z_mm[0]
    top, foot = TOP + 40, BOTTOM - (BENEATH if beneath else 8)
    room = WIDTH - 2 * MARGIN - (0 if beneath else TEXT_WIDTH + 12)
    width = room / 2 - GUTTER_LEFT - GUTTER_RIGHT
    pictures = (
        (found.before, "remedy.before", scene.scan.focus_mm),
        (found.after, "remedy.after", found.scene_after.scan.focus_mm),
    )
    for k, (frame, key, focus) in enumerate(pictures):
        place = fit(x_mm, z_mm, Box(MARGIN + GUTTER_LEFT + k * room / 2, top, width, foot - top))
        draw_picture(page, frame, place, words, focus_mm=focus)
        head = Box(
            place.box.left - GUTTER_LEFT + 8, place.box.top - 42, width + GUTTER_LEFT + GUTTER_RIGHT - 16, 0
        )
        line = wrapped(words(key, name=found.remedy.name), head.width, 13.0, True)[0]
        page.text(head.left, head.top, line, 13.0, weight="bold")
    _tell(page, found, words, foot + 16 if beneath else None)
    page.caution(words("caution"))
    return page


def fitting(lines: Sequence[str], width: float, room: float, words: Words) -> list[str]:
    """The first of some lines that a column has room for, in points; the rest is counted, and stands in the notes."""
    heights = [len(wrapped(line, width, LINE_SIZE)) * LINE_SIZE * LINE_HEIGHT + LINE_GAP for line in lines]
    if sum(heights) <= room:
        return list(lines)
    rest, shown = LINE_SIZE * LINE_HEIGHT + LINE_GAP, 0
    while shown < len(lines) - 1 and sum(heights[: shown + 1]) + rest <= room:
        shown += 1
    return [*lines[:shown], words("more", count=len(lines) - shown)]


def _tell(page: Page, found: Comparison, words: Words, beneath: float | None) -> None:
    """Changed, does, worse: three blocks down the right side, or side by side beneath."""
    left, y = WIDTH - MARGIN - TEXT_WIDTH, TOP + 6
    column = (WIDTH - 2 * MARGIN) / 3
    blocks = (
        ("remedy.changed", found.changed, page.look.ink),
        ("remedy.gain", found.better, page.look.accent),
        ("remedy.worse", found.worse, page.look.warn),
    )
    for k, (key, lines, colour) in enumerate(blocks):
        if beneath is not None:
            left, y = MARGIN + k * column, beneath
        page.text(left, y, words(key), 14.0, weight="bold", color=colour)
        y += 14.0 * 1.55
        width = column - 16 if beneath else TEXT_WIDTH
        foot = (
            BOTTOM - SMALL_SIZE - 2
            if beneath is not None
            else BOTTOM - FOOTNOTE - NEXT_BLOCK * (len(blocks) - 1 - k)
        )
        for line in fitting(lines, width, foot - y, words):
            y += page.paragraph(Box(left, y, width, 0), line, LINE_SIZE) + LINE_GAP
        y += 14
    if beneath is not None:
        left, y = MARGIN, BOTTOM - SMALL_SIZE
    page.paragraph(
        Box(left, y, WIDTH - MARGIN - left, 0), words("remedy.scale"), SMALL_SIZE, color=page.look.faint
    )
