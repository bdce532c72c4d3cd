"""A sweep as files: contact sheet, curves, table, cine and a page with a slider."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path

from renderer.teach import look as looks
from renderer.teach.album import draw_contact, write_gif, write_mp4
from renderer.teach.curves import csv_text, draw_curves, show_value, sweep_title
from renderer.teach.export import save_page, write_files
from renderer.teach.needs import checked_formats, need_figures, need_video
from renderer.teach.page import Page
from renderer.teach.slider import slider_page
from renderer.teach.sweeps import Sweep


def write_sweep(
    result: Sweep,
    folder: str | Path,
    formats: Iterable[str] = ("png",),
    *,
    dark: bool = False,
    film: bool = False,
) -> list[Path]:
    """Write ``SCENE.sweep-PATH.*``: ``contact`` and ``curves`` in every format, ``csv``, ``gif``, ``html``, ``mp4`` if wanted.

    PATH is that of the setting with dashes, ``solids-grape-centre_mm-0``; of two settings with a plus between.

    Raises
    ------
    SettingError
        If a format is not known, an extra is missing, or the folder cannot be written to.
    """
    need_figures()
    if film:
        need_video()
    wanted, words = checked_formats(formats), result.words
    look = looks.DARK if dark else looks.LIGHT
    stem = f"{result.scene.name}.sweep-{'+'.join(plain(axis.path) for axis in result.axes)}"
    with looks.drawing(look):
        pages = {"contact": draw_contact(result, look, words), "curves": draw_curves(result, look, words)}
    title = sweep_title(result, words)
    alt = words(
        "sweep.alt", title=title, count=len(result.shots), path=words.setting(result.axes[0].path),
        start=show_value(result.axes[0].values[0]), stop=show_value(result.axes[0].values[-1]),
    )  # fmt: skip
    writers: dict[str, Callable[[Path], object]] = {}
    for name, page in pages.items():
        for ending in wanted:
            writers[f"{stem}.{name}.{ending}"] = partial(_save, page=page, look=look, title=title, alt=alt)
    writers[f"{stem}.csv"] = lambda path: path.write_text(csv_text(result), encoding="utf-8")
    writers[f"{stem}.gif"] = lambda path: write_gif(result, path, words)
    writers[f"{stem}.html"] = lambda path: path.write_text(slider_page(result, words), encoding="utf-8")
    if film:
        writers[f"{stem}.mp4"] = lambda path: write_mp4(result, path, words)
    return write_files(Path(folder), writers)


def _save(path: Path, *, page: Page, look: looks.Look, title: str, alt: str) -> None:
    save_page(page, path, look, title=title, alt=alt)


def plain(path: str) -> str:
    """A setting path as a part of a file name: dashes between its parts, and nothing that a shell minds."""
    parts = re.split(r"[.\[\]]+", path)
    return "-".join("".join(c if c.isalnum() or c == "_" else "_" for c in part) for part in parts if part)
