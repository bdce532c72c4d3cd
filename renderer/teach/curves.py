"""Curves of a sweep: what was read in each picture against the setting, on one page, and as CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from renderer.frame.frame import CAUTION
from renderer.teach.look import GREEN, ORANGE, PINK, RED, SKY, Look
from renderer.teach.page import BOTTOM, MARGIN, SMALL_SIZE, TOP, WIDTH, Page
from renderer.teach.placing import Box
from renderer.teach.sweeps import Axis, Key, Sweep
from renderer.teach.type import cut
from renderer.teach.words import Words

MOST_SERIES, MOST_PANELS = 5, 6
ORDER = (
    "place_x",
    "place_z",
    "share",
    "width",
    "contrast",
    "gcnr",
    "grey",
    "clipped",
    "penetration",
    "cnr",
    "level",
)
# A panel spans at least this much, so that what hardly changes looks flat; below it the panel comes last
LEAST_SPAN = {
    "place_x": 4.0, "place_z": 4.0, "share": 0.5, "width": 0.4, "contrast": 3.0, "gcnr": 0.2, "grey": 20.0, "clipped": 4.0,
    "penetration": 10.0, "cnr": 0.5, "level": 3.0,
}  # fmt: skip
LINES: tuple[tuple[str, str, Any], ...] = (
    ("#0B5C8E", "o", "solid"), (RED, "s", (0, (5, 2))), (GREEN, "^", (0, (1, 1.2))), (PINK, "D", (0, (5, 2, 1, 2))),
    (ORANGE, "v", (0, (8, 2))), (SKY, "P", (0, (2, 2))),
)  # fmt: skip


@dataclass(frozen=True)
class Series:
    """One curve: what it is of, in words, and its values."""

    name: str
    values: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Panel:
    """Curves of one quantity."""

    quantity: str
    title: str
    series: tuple[Series, ...]


def panels(result: Sweep) -> list[Panel]:
    """Quantities that change in a sweep, each with the curves that change most; what the scene shows comes first."""
    words, made = result.words, []
    for quantity in ORDER:
        keys = [key for key in result.keys if key[0] == quantity]
        if quantity.startswith("place"):
            keys = _false_and_true(keys, result)
        series = [Series(series_name(key, words), result.curve(key)) for key in keys]
        series = [s for s in series if np.isfinite(s.values).sum() >= 2]
        if not quantity.startswith("place"):
            first = {words.name(name) for name in result.scene.shows} if quantity == "share" else set()
            series.sort(key=lambda s: (s.name not in first, -span(s)))
        if series:
            made.append(Panel(quantity, words(f"sweep.{quantity}"), tuple(series[:MOST_SERIES])))
    made.sort(key=lambda p: max(span(s) for s in p.series) < LEAST_SPAN[p.quantity])
    return made[:MOST_PANELS]


def span(series: Series) -> float:
    """By how much a curve changes."""
    return float(np.nanmax(series.values) - np.nanmin(series.values))


def _false_and_true(keys: Sequence[Key], result: Sweep) -> list[Key]:
    """Places of solids that have a false image in the sweep, each with its images; all others are left out."""
    images = {text: solid for shot in result.shots for text, solid in shot.images.items()}
    wanted = dict.fromkeys(name for text, solid in images.items() for name in (solid, text))
    return [key for name in wanted for key in keys if key[1] == name]


def series_name(key: Key, words: Words) -> str:
    """What a curve is of."""
    return words.name(key[1]) if key[0] in ("share", "clipped") else key[1] or words(f"sweep.{key[0]}")


def draw_curves(result: Sweep, look: Look, words: Words) -> Page:
    """A page of panels. With two settings there is a curve for each value of the first, of the first series."""
    page = Page(look)
    page.title(sweep_title(result, words))
    made = panels(result)
    columns = min(len(made), 3) or 1
    rows = -(-len(made) // columns)
    width, height = (WIDTH - 2 * MARGIN) / columns, (BOTTOM - TOP) / rows
    for k, panel in enumerate(made):
        legend = 15.0 * min(_n_lines(panel, result), MOST_SERIES) + 4
        room = Box(
            MARGIN + (k % columns) * width + 42, TOP + (k // columns) * height + 22, width - 62,
            height - 22 - 46 - legend,
        )  # fmt: skip
        _draw_panel(page, panel, result, room)
    page.caution(words("caution"))
    return page


def _n_lines(panel: Panel, result: Sweep) -> int:
    return len(panel.series) if len(result.axes) == 1 else len(result.axes[0].values)


def _lines_of(panel: Panel, result: Sweep) -> list[Series]:
    """Curves of a panel over the last setting."""
    if len(result.axes) == 1:
        return list(panel.series)
    first, n = result.axes[0], len(result.axes[1].values)
    values = panel.series[0].values
    name, words = panel.series[0].name, result.words
    lines = [Series(f"{name}, {words.setting(first.path)} = {show_value(v)}", values[k * n : (k + 1) * n])
             for k, v in enumerate(first.values)]  # fmt: skip
    # Evenly chosen where there are more than can be told apart
    keep = np.unique(np.linspace(0, len(lines) - 1, min(len(lines), MOST_SERIES)).astype(int))
    return [lines[i] for i in keep]


def sweep_title(result: Sweep, words: Words) -> str:
    """The scene and what is varied, as the heading of a page."""
    return words(
        "sweep.title", title=result.scene.title, path=", ".join(words.setting(a.path) for a in result.axes)
    )


def show_value(value: Any) -> str:
    """A value of a setting in a title."""
    return (
        f"{value:g}".replace("-", "−")
        if isinstance(value, int | float) and not isinstance(value, bool)
        else str(value)
    )


def _draw_panel(page: Page, panel: Panel, result: Sweep, room: Box) -> None:
    axis = result.axes[-1]
    places = place_on_axis(axis)
    axes = page.axes(room, (min(places), max(places)), (1, 0))
    page.text(room.left - 36, room.top - 20, panel.title, 12.0, weight="bold")
    lines = _lines_of(panel, result)
    for k, series in enumerate(lines):
        colour, marker, dash = LINES[k % len(LINES)]
        colour = page.look.accent if k == 0 else colour
        style = {"color": colour, "marker": marker, "markersize": 5.5, "linewidth": 1.8, "linestyle": dash}
        axes.plot(places, series.values, **style)
        if series.name == panel.title:  # the heading has said it
            continue
        y = room.bottom + 44 + 15 * k
        page.sheet.plot(
            [room.left - 30, room.left - 18, room.left - 6], [y] * 3, **{**style, "markevery": [1]}
        )
        page.text(room.left, y, cut(series.name, room.width + 10, SMALL_SIZE), SMALL_SIZE, va="center")
    _scale(axes, panel, lines, axis, places)
    axes.set_xlabel(result.words.setting(axis.path), fontsize=SMALL_SIZE)
    axes.grid(alpha=0.25)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def place_on_axis(axis: Axis) -> list[float]:
    """Where the values of a setting stand along a curve: numbers by size, others one after another."""
    return [float(v) for v in axis.values] if axis.numeric else [float(k) for k in range(len(axis.values))]


def _scale(axes: Any, panel: Panel, lines: Sequence[Series], axis: Axis, places: Sequence[float]) -> None:
    """Limits that hold all values with room, logarithmic for shares that differ much."""
    values = np.concatenate([s.values[np.isfinite(s.values)] for s in lines])
    low, high = float(values.min()), float(values.max())
    positive = values[values > 0]
    if panel.quantity == "share" and len(positive) and high / max(float(positive.min()), 1e-3) > 30:
        axes.set_yscale("log")
        axes.set_ylim(max(float(positive.min()), 1e-3) / 1.5, high * 1.5)
        axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axes.yaxis.set_minor_formatter(lambda value, _: "")
    else:
        lack = max(LEAST_SPAN[panel.quantity] - (high - low), 0.0)
        room = 0.08 * (high - low) + 0.5 * lack
        axes.set_ylim(low - room, high + room)
    edge = 0.04 * (max(places) - min(places))
    axes.set_xlim(min(places) - edge, max(places) + edge)
    if not axis.numeric:
        axes.set_xticks(places, [str(v) for v in axis.values])


def csv_text(result: Sweep) -> str:
    """All readings: one row a picture, one column a reading, the caution in the first line.

    Columns are ``quantity:of``; lengths in mm, levels in dB, shares in percent.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    out.write(f"# {CAUTION}\n")
    keys = result.keys
    writer.writerow(
        ["picture", *(a.path for a in result.axes), *(":".join(k for k in key if k) for key in keys)]
    )
    for number, shot in enumerate(result.shots, start=1):
        row = [shot.readings.get(key, math.nan) for key in keys]
        writer.writerow([number, *shot.values, *("" if math.isnan(v) else f"{v:.5g}" for v in row)])
    return out.getvalue()
