"""The page of a remedy: before and after at one size and one grey scale, with words beneath."""

from __future__ import annotations

from renderer.scene.scene import Scene
from renderer.teach.look import Look
from renderer.teach.page import BOTTOM, MARGIN, SMALL_SIZE, TOP, WIDTH, Page, draw_picture, extent_mm, fit
from renderer.teach.placing import Box
from renderer.teach.remedies import Comparison
from renderer.teach.words import Words

TEXT_WIDTH = 236.0
GUTTER = 48.0


def draw_remedy(scene: Scene, found: Comparison, look: Look, words: Words) -> Page:
    """Two pictures at one scale of mm, and what was changed, what it does, and what got worse."""
    page = Page(look)
    page.title(words("remedy.title", name=found.remedy.name, why=found.remedy.why))
    extents = [extent_mm(f) for f in (found.before, found.after)]
    x_mm = min(e[0][0] for e in extents), max(e[0][1] for e in extents)
    z_mm = min(e[1][0] for e in extents), max(e[1][1] for e in extents)
    top = TOP + 40
    width = (WIDTH - 2 * MARGIN - TEXT_WIDTH - 20 - 2 * GUTTER - 46) / 2
    for k, (frame, key, focus) in enumerate((
        (found.before, "remedy.before", scene.scan.focus_mm), (found.after, "remedy.after", found.scene_after.scan.focus_mm)
    )):  # fmt: skip
        room = Box(MARGIN + GUTTER - 12 + k * (width + GUTTER + 46), top, width, BOTTOM - top - 8)
        placement = fit(x_mm, z_mm, room)
        draw_picture(page, frame, placement, words, focus_mm=focus)
        text = words(key, name=found.remedy.name)
        page.paragraph(Box(placement.box.left, placement.box.top - 42, placement.box.width + 30, 0), text, 13.0, weight="bold")
    _tell(page, found, words)
    page.caution(words("caution"))
    return page


def _tell(page: Page, found: Comparison, words: Words) -> None:
    """Changed, does, worse: three blocks down the right side."""
    left, y = WIDTH - MARGIN - TEXT_WIDTH, TOP + 6
    for key, lines, colour in (
        ("remedy.changed", found.changed, page.look.ink),
        ("remedy.gain", found.better, page.look.accent),
        ("remedy.worse", found.worse, page.look.warn),
    ):
        page.text(left, y, words(key), 14.0, weight="bold", color=colour)
        y += 14.0 * 1.55
        for line in lines:
            y += page.paragraph(Box(left, y, TEXT_WIDTH, 0), line, 12.5) + 4
        y += 14
    page.paragraph(Box(left, y, TEXT_WIDTH, 0), words("remedy.scale"), SMALL_SIZE,
                   color=page.look.faint)  # fmt: skip
