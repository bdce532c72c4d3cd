"""The pictures of a sweep side by side, and one after another: contact sheet and cine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from renderer.frame.frame import CAUTION
from renderer.teach.curves import show_value, sweep_title
from renderer.teach.look import Look
from renderer.teach.needs import need_video
from renderer.teach.page import BOTTOM, MARGIN, SMALL_SIZE, TOP, WIDTH, Page
from renderer.teach.placing import Box
from renderer.teach.sweeps import Shot, Sweep
from renderer.teach.type import cut
from renderer.teach.words import Words

CINE_HEIGHT, CINE_FOOT = 640, 62  # px
FRAME_S = 0.45
HELD = 2  # how many times the first and last picture are shown


def draw_contact(result: Sweep, look: Look, words: Words) -> Page:
    """All pictures on one page, in rows; with two settings a row for each value of the first."""
    page = Page(look)
    page.title(sweep_title(result, words))
    wide = max(s.extent_mm[1] - s.extent_mm[0] for s in result.shots)
    high = max(s.extent_mm[2] - s.extent_mm[3] for s in result.shots)
    room = Box(MARGIN, TOP, WIDTH - 2 * MARGIN, BOTTOM - TOP - 4)
    columns = (
        len(result.axes[1].values)
        if len(result.axes) == 2
        else _best_columns(len(result.shots), wide / high, room)
    )
    rows = -(-len(result.shots) // columns)
    cell = room.width / columns, room.height / rows
    scale = min((cell[0] - 8) / wide, (cell[1] - 22) / high)
    for k, shot in enumerate(result.shots):
        left = room.left + (k % columns) * cell[0]
        top = room.top + (k // columns) * cell[1]
        size = (
            (shot.extent_mm[1] - shot.extent_mm[0]) * scale,
            (shot.extent_mm[2] - shot.extent_mm[3]) * scale,
        )
        box = Box(left + 0.5 * (cell[0] - size[0]), top + 18, *size)
        axes = page.axes(box, (0.0, 1.0), (0.0, 1.0))
        axes.imshow(shot.image, cmap="gray", vmin=0, vmax=255, aspect="auto", interpolation="antialiased",
                    extent=(0, 1, 1, 0))  # fmt: skip
        axes.axis("off")
        page.text(left + 0.5 * cell[0], top + 15, cut(caption(result, shot), cell[0] - 4, SMALL_SIZE), SMALL_SIZE,
                  ha="center", va="bottom")  # fmt: skip
    page.caution(words("caution"))
    return page


def _best_columns(count: int, shape: float, room: Box) -> int:
    """Columns with which the pictures become largest."""

    def size(columns: int) -> float:
        rows = -(-count // columns)
        return min((room.width / columns - 8) / shape, room.height / rows - 22)

    return max(range(1, count + 1), key=size)


def caption(result: Sweep, shot: Shot) -> str:
    """Values of the settings of one picture."""
    names = [result.words.setting(a.path) for a in result.axes]
    return "; ".join(f"{name}: {show_value(v)}" for name, v in zip(names, shot.values, strict=True))


def cine_frames(result: Sweep, words: Words) -> list[npt.NDArray[np.uint8]]:
    """Pictures of one size, (rows, columns) grey, each with its values and the caution at its foot."""
    from matplotlib import font_manager  # the extra 'figures': its type has all signs
    from PIL import ImageFont

    path = font_manager.findfont("DejaVu Sans")
    large, small = ImageFont.truetype(path, 20), ImageFont.truetype(path, 11)
    # The smaller side decides: a tall picture is not made wider than it is
    wide = max(s.extent_mm[1] - s.extent_mm[0] for s in result.shots)
    high = max(s.extent_mm[2] - s.extent_mm[3] for s in result.shots)
    scale = CINE_HEIGHT / high
    lines = _cine_caution(words("caution"), small, max(int(wide * scale), 480))
    width = max(int(wide * scale), 480)
    frames = []
    for shot in result.shots:
        sheet = Image.new("L", (width + width % 2, CINE_HEIGHT + CINE_FOOT + 14 * len(lines) - 14), 0)
        sheet = sheet.crop((0, 0, sheet.width, sheet.height + sheet.height % 2))
        size = (
            int((shot.extent_mm[1] - shot.extent_mm[0]) * scale),
            int((shot.extent_mm[2] - shot.extent_mm[3]) * scale),
        )
        picture = Image.fromarray(shot.image).resize(size, Image.Resampling.BICUBIC)
        sheet.paste(picture, ((sheet.width - size[0]) // 2, 0))
        pen = ImageDraw.Draw(sheet)
        pen.text((10, CINE_HEIGHT + 8), caption(result, shot), fill=255, font=large)
        for k, line in enumerate(lines):
            pen.text((10, CINE_HEIGHT + 38 + 14 * k), line, fill=190, font=small)
        frames.append(np.asarray(sheet))
    return frames


def _cine_caution(text: str, font: Any, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if font.getlength(longer) > width - 20 and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def order_shown(result: Sweep) -> list[int]:
    """Places of the pictures in a cine: there and back for one setting, once through for two."""
    n = len(result.shots)
    if len(result.axes) == 2 or not result.axes[0].numeric:
        return list(range(n))
    return [*range(n), *range(n - 2, 0, -1)]


def write_gif(result: Sweep, path: Path, words: Words) -> None:
    """A cine that repeats, with the caution as its comment."""
    pictures = [Image.fromarray(f) for f in cine_frames(result, words)]
    order = order_shown(result)
    ends = {0, len(pictures) - 1}
    durations = [int(1000 * FRAME_S * (HELD if k in ends else 1)) for k in order]
    first, *rest = [pictures[k] for k in order]
    first.save(
        path,
        format="GIF",
        save_all=True,
        append_images=rest,
        duration=durations,
        loop=0,
        comment=CAUTION.encode(),
    )


def write_mp4(result: Sweep, path: Path, words: Words) -> None:
    """The cine as a film that every player and slide program takes; not for measuring, for it is compressed."""
    need_video()
    from imageio import v2  # the extra 'video'

    frames = cine_frames(result, words)
    rate = 10
    note = ["-metadata", f"comment={CAUTION}"]
    film: Any = v2.get_writer(
        path, fps=rate, codec="libx264", quality=8, macro_block_size=2, output_params=note
    )
    try:
        for k in order_shown(result):
            for _ in range(round(rate * FRAME_S) * (HELD if k in (0, len(frames) - 1) else 1)):
                film.append_data(np.stack([frames[k]] * 3, axis=-1))
    finally:
        film.close()
