"""Numbers in words: the notes that go with a figure, as Markdown."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from renderer.frame.frame import Echo, Frame
from renderer.probe.plan import world_from_probe
from renderer.scene.scene import Scene
from renderer.teach.case import Cause
from renderer.teach.findings import Finding
from renderer.teach.remedies import Comparison
from renderer.teach.words import Words

MOST_ROWS = 30


def make_notes(
    scene: Scene, frame: Frame, findings: Sequence[Finding], causes: Sequence[Cause], tried: Sequence[Comparison],
    words: Words,
) -> str:  # fmt: skip
    """Labels, table of echoes, causes and remedies of a figure."""
    lines = [f"# {words('notes.title', title=scene.title)}", "", words("caution"), ""]
    lines += [
        f"## {words('notes.labels')}",
        "",
        *(f"- {text}" for text in dict.fromkeys(f.text for f in findings)),
        "",
    ]
    lines += [f"## {words('notes.echoes')}", "", *echo_rows(scene, frame, words), ""]
    for cause in causes:
        lines += [
            f"## {words('notes.cause')}: {cause.finding.text}",
            "",
            *(f"- {text}" for text in cause.formulas),
            "",
        ]
    drawn = {cause.finding.name for cause in causes}
    undrawn = [name for name in scene.shows if name not in drawn]
    lines += [words("cause.undrawn", name=words.name(name)) + "\n" for name in undrawn]
    for found in tried:
        lines += [f"## {words('notes.remedy')}: {found.remedy.name}", "", found.remedy.why, ""]
        for key, part in (("changed", found.changed), ("gain", found.better), ("worse", found.worse)):
            lines += [f"{words('remedy.' + key)}:", "", *(f"- {text}" for text in part), ""]
    return "\n".join(lines)


def echo_rows(scene: Scene, frame: Frame, words: Words) -> list[str]:
    """The table of echoes, strongest first: those that are above black."""
    heads = words("notes.columns").split("|")
    rows = [f"| {' | '.join(heads)} |", f"|{'---|' * len(heads)}"]
    for echo in told_echoes(frame)[:MOST_ROWS]:
        cells = [
            words.solid(echo.solid), words.name(echo.origin_class), str(echo.order), _cm(_true_depth_mm(scene, echo)),
            _cm(echo.displayed_mm[1]), f"{echo.delay_us:.2f}", words("level", value=echo.level_db),
            closed_form(scene, frame, echo, words),
        ]  # fmt: skip
        rows.append(f"| {' | '.join(cells)} |")
    return rows


def told_echoes(frame: Frame) -> list[Echo]:
    """Echoes above black and in view, strongest first; of those that are alike but for the order of turns the first."""
    told: dict[tuple[object, ...], Echo] = {}
    for echo in frame.echoes:
        if echo.level_db > frame.truth.floor_db and _in_view(frame, echo):
            place = tuple(round(value, 1) for value in echo.displayed_mm)
            told.setdefault((echo.solid, echo.origin_class, echo.order, *place), echo)
    return list(told.values())


def _in_view(frame: Frame, echo: Echo) -> bool:
    """Whether an echo is shown within the picture."""
    x, z = echo.displayed_mm
    i, j = int(np.argmin(np.abs(frame.z_mm - z))), int(np.argmin(np.abs(frame.x_mm - x)))
    near = abs(frame.z_mm[i] - z) < 1.0 and abs(frame.x_mm[j] - x) < 1.0
    return bool(near and frame.in_view[i, j])


def _true_depth_mm(scene: Scene, echo: Echo) -> float:
    """Depth below the middle of the face, as shown depths are counted, of where an echo truly comes from."""
    rotation, shift = world_from_probe(scene.pose)
    return float((rotation.T @ (np.array([echo.true_mm[0], 0.0, echo.true_mm[1]]) - shift))[2])


def _cm(value_mm: float) -> str:
    return f"{value_mm / 10:.2f}" if math.isfinite(value_mm) else "–"


def closed_form(scene: Scene, frame: Frame, echo: Echo, words: Words) -> str:
    """The formula that explains where an echo is shown, in short."""
    c = scene.scan.assumed_speed_mm_per_us
    turns = echo.path.split(" - ")[1:-1]
    if echo.origin_class == "direct":
        off = abs(_true_depth_mm(scene, echo) - echo.displayed_mm[1])
        return words("why.speed", c=c) if off > 0.6 else words("why.direct")
    alternating = len(turns) % 2 == 1 and set(turns[1::2]) == {"face"} and len(set(turns[::2])) == 1
    if echo.origin_class == "reverberation" and alternating:
        count = turns.count("face") + 1
        return words("why.reverberation", count=count, spacing=echo.displayed_mm[1] / count)
    if echo.origin_class == "mirror" and len(turns) > 1:
        return words("why.mirror", turn=turns[0])
    if echo.origin_class == "range_ambiguity":
        return words("why.range_ambiguity", interval=float(frame.manifest["pulse_interval_us"]))
    if echo.origin_class in ("reverberation", "multipath", "mirror"):
        return words("why.multipath")
    return words("why.other")
