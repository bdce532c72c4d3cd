"""Pages as files: PNG, SVG with real text, PDF with embedded type; each with its text in words."""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from renderer.errors import SettingError
from renderer.frame.frame import CAUTION
from renderer.frame.manifest import program_version
from renderer.frame.store import write_whole
from renderer.teach.look import DPI, Look, drawing
from renderer.teach.page import Page


def save_page(page: Page, path: Path, look: Look, *, title: str, alt: str) -> None:
    """Write a page in the format of its ending, with title, alternative text and caution."""
    ending = path.suffix[1:]
    with drawing(look):
        page.figure.savefig(path, format=ending, dpi=DPI, metadata=_metadata(ending, title, alt))
    if ending == "svg":
        path.write_text(_readable_svg(path.read_text(encoding="utf-8"), title, alt), encoding="utf-8")


def _metadata(ending: str, title: str, alt: str) -> Mapping[str, Any]:
    """What the format has room for. No date: the same page gives the same bytes."""
    maker = f"echowright {program_version()}"
    if ending == "png":
        return {"Title": title, "Description": alt, "Disclaimer": CAUTION, "Software": maker}
    if ending == "pdf":
        return {"Title": title, "Subject": f"{alt} {CAUTION}", "Creator": maker, "CreationDate": None}
    return {"Title": title, "Description": f"{alt} {CAUTION}", "Creator": maker, "Date": None}


def _readable_svg(text: str, title: str, alt: str) -> str:
    """An SVG that says what it shows to those who hear it."""
    head = re.search(r"<svg\b[^>]*>", text)
    if head is None:
        return text
    opening = head.group(0)[:-1] + ' role="img" aria-labelledby="figure-title figure-text">'
    words = f'\n <title id="figure-title">{html.escape(title)}</title>\n <desc id="figure-text">{html.escape(alt)}</desc>'
    return text[: head.start()] + opening + words + text[head.end() :]


def write_files(folder: Path, writers: Mapping[str, Any]) -> list[Path]:
    """Write several files, all of them or none.

    Raises
    ------
    SettingError
        If the folder cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return write_whole(folder, dict(writers))
    except OSError as error:
        raise SettingError(f"cannot write to {folder}: {error.strerror or error}") from error
