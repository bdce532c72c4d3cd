"""One command for a scene: labelled picture, plain twin, causes, remedies and notes, as files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from renderer.errors import SettingError
from renderer.flow import render
from renderer.frame.frame import Frame
from renderer.scene.scene import Scene
from renderer.teach import look as looks
from renderer.teach.case import Case, Cause, follower_of, traced_view
from renderer.teach.causes import explain_finding
from renderer.teach.drawing import draw_cause
from renderer.teach.export import save_page, write_files
from renderer.teach.findings import Finding, find_all, named_regions
from renderer.teach.labelled import draw_labelled, draw_plain, draw_revealed
from renderer.teach.needs import checked_formats, need_figures
from renderer.teach.notes import make_notes
from renderer.teach.page import Page
from renderer.teach.pair import draw_remedy
from renderer.teach.remedies import Comparison, tried_remedies
from renderer.teach.words import Words


@dataclass(frozen=True, eq=False)
class Sheet:
    """One page of a figure: what it is, its title and what it shows in words."""

    name: str
    page: Page
    title: str
    alt: str


@dataclass(frozen=True, eq=False)
class Figure:
    """The pages that belong to one scene, with what they were made from.

    ``sheets`` are ``labelled``, ``plain``, ``reveal-1`` and ``reveal-2``, then a ``cause-CLASS`` for
    each class or effect that the scene shows, and a ``remedy-N`` for each remedy.
    """

    scene: Scene
    frame: Frame
    findings: tuple[Finding, ...]
    causes: tuple[Cause, ...]
    tried: tuple[Comparison, ...]
    sheets: tuple[Sheet, ...]
    notes: str
    look: looks.Look

    def sheet(self, name: str) -> Sheet:
        """A page by its name.

        Raises
        ------
        SettingError
            If there is none of this name.
        """
        for sheet in self.sheets:
            if sheet.name == name:
                return sheet
        raise SettingError(f"no page is called {name!r}; there are: {', '.join(s.name for s in self.sheets)}")

    def write(self, folder: str | Path, formats: Iterable[str] = ("png",)) -> list[Path]:
        """Write every page in every format, and the notes; all files or none.

        Files are called ``SCENE.PAGE.FORMAT``, and ``SCENE.notes.md``.
        """
        wanted = checked_formats(formats)
        writers: dict[str, Callable[[Path], object]] = {}
        for sheet in self.sheets:
            for ending in wanted:
                writers[f"{self.scene.name}.{sheet.name}.{ending}"] = partial(
                    _save, sheet=sheet, look=self.look
                )  # fmt: skip
        writers[f"{self.scene.name}.notes.md"] = lambda path: path.write_text(self.notes, encoding="utf-8")
        return write_files(Path(folder), writers)


def _save(path: Path, *, sheet: Sheet, look: looks.Look) -> None:
    save_page(sheet.page, path, look, title=sheet.title, alt=sheet.alt)


def figure(
    scene: Scene,
    *,
    seed: int | None = None,
    dark: bool = False,
    words: Words | None = None,
    remedies: bool = True,
    tell: Callable[[str], object] = lambda step: None,
) -> Figure:
    """The labelled picture of a scene, its plain twin, its causes and its remedies.

    Parameters
    ----------
    seed
        Overrides both seeds of the scene.
    dark
        Pages for a dark room.
    words
        Texts in another language.
    remedies
        False leaves remedies out, each of which costs another picture.
    tell
        Called with each step before it is taken, in a few words.

    Raises
    ------
    SettingError
        If the drawing library is not installed.
    """
    need_figures()
    words, look = words or Words(), looks.DARK if dark else looks.LIGHT
    tell("picture")
    frame = render(scene, seed=seed)
    tell("labels and causes")
    follower = follower_of(scene, traced_view(scene, seed))
    findings = find_all(frame, scene.shows, words)
    told = [Case(scene, frame, follower, f, words) for f in main_findings(scene, frame, findings)]
    causes = [(case, cause) for case in told if (cause := explain_finding(case))]
    tried = tuple(tried_remedies(scene, frame, words, seed=seed, tell=tell)) if remedies else ()
    with looks.drawing(look):
        sheets = _picture_sheets(scene, frame, findings, look, words)
        sheets += [_cause_sheet(case, cause, look) for case, cause in causes]
        sheets += [_remedy_sheet(scene, k, found, look, words) for k, found in enumerate(tried, start=1)]
    only = tuple(cause for _, cause in causes)
    notes = make_notes(scene, frame, findings, only, tried, words)
    return Figure(scene, frame, tuple(findings), only, tried, tuple(sheets), notes, look)


def main_findings(scene: Scene, frame: Frame, findings: Sequence[Finding]) -> list[Finding]:
    """For each class or effect that the scene shows, the finding to explain: of a named solid where there is one.

    A scene that does not say what it shows has its strongest false echo explained.
    """
    named = set(named_regions(frame).values())
    chosen = []
    for name in scene.shows:
        mine = [f for f in findings if f.kind != "solid" and f.name == name]
        mine.sort(key=lambda f: f.solid not in named)
        chosen += mine[:1]
    if not chosen and not scene.shows:
        chosen = [f for f in findings if f.kind == "class"][:1]
    return chosen


def _picture_sheets(
    scene: Scene, frame: Frame, findings: Sequence[Finding], look: looks.Look, words: Words
) -> list[Sheet]:
    depth = words("cm", value=scene.scan.depth_mm / 10)
    page, labels, _ = draw_labelled(scene, frame, findings, look, words)
    texts = "; ".join(label.finding.text for label in labels)
    plain, clueless = words("plain.title"), words("plain.alt", depth=depth)
    shown = words("labelled.alt", title=scene.title, depth=depth, labels=texts)
    return [
        Sheet("labelled", page, scene.title, shown),
        Sheet("plain", draw_plain(scene, frame, look, words), plain, clueless),
        Sheet("reveal-1", draw_revealed(scene, frame, (), look, words), plain, clueless),
        Sheet("reveal-2", draw_revealed(scene, frame, findings, look, words), scene.title, shown),
    ]


def _cause_sheet(case: Case, cause: Cause, look: looks.Look) -> Sheet:
    page = Page(look)
    draw_cause(page, case, cause)
    title = case.words("cause.title", finding=cause.finding.text)
    return Sheet(f"cause-{cause.finding.name}", page, title,
                 case.words("cause.alt", title=title, formula=" ".join(cause.formulas)))  # fmt: skip


def _remedy_sheet(scene: Scene, number: int, found: Comparison, look: looks.Look, words: Words) -> Sheet:
    title = words("remedy.title", name=found.remedy.name, why=found.remedy.why)
    alt = words(
        "remedy.alt",
        title=scene.title,
        name=found.remedy.name,
        changes="; ".join((*found.better, *found.worse)),
    )
    return Sheet(f"remedy-{number}", draw_remedy(scene, found, look, words), title, alt)
