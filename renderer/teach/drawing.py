"""The drawing of a cause: outlines of the phantom, the legs of the sound, and the reckoning beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from renderer.frame.frame import OUTSIDE_ID
from renderer.frame.truth_kernels import region_picture
from renderer.probe.plan import face_point
from renderer.teach import page as paper
from renderer.teach.case import Case, Cause, Place, tidy
from renderer.teach.look import style_of
from renderer.teach.page import Page, Placement, depth_scale, fit
from renderer.teach.paths import Leg, Path
from renderer.teach.placing import Box, Wish, place_labels
from renderer.teach.type import LINE_HEIGHT, block_size, cut, wrapped
from renderer.trace.sheets import Q_REGION, Q_X, Q_Y, Q_Z

NAMES_WIDTH, TABLE_WIDTH = 150.0, 400.0
TABLE_SIZE = 11.0
MOST_LINES = 3  # of a cell
MOST_NAMES = 6  # more leaders than this cross the drawing without order
GRID = 420  # samples along the longer side of the map of regions
APART = 0.035  # legs that lie on each other are drawn this part of the width apart
MOST_LEGS = 12


def draw_cause(page: Page, case: Case, cause: Cause) -> None:
    """The whole page: drawing in the middle, names of solids on its left, legs and reckoning on its right."""
    words = case.words
    page.title(words("cause.title", finding=cause.finding.text))
    placement = _placement(case, cause)
    axes = page.axes(placement.box, placement.x_mm, placement.z_mm)
    axes.set_facecolor(page.look.medium[0])
    depth_scale(axes, placement, words)
    regions = _draw_regions(page, axes, case, placement)
    _draw_face(axes, case, page)
    colour, _ = style_of(cause.finding.name)
    for path in cause.others:
        _draw_path(axes, page, path, page.look.faint, 1.3)
    legs = tidy(cause.main.legs, case.tissue)
    _draw_main(axes, page, case, cause, legs, placement)
    _draw_places(axes, page, cause, placement)
    _name_regions(page, case, named_here(case, cause, regions), placement)
    _tell(page, case, cause, legs, placement, colour)
    page.caution(words("caution"))


# --- the drawing --------------------------------------------------------------------------------------


def _placement(case: Case, cause: Cause) -> Placement:
    """Where the drawing stands: the picture's extent, and all that the paths reach."""
    places = [
        p for path in (cause.main, *cause.others) for leg in path.legs for p in (leg.start_mm, leg.end_mm)
    ]
    places += [*cause.true_mm, *cause.shown_mm]
    x = np.array([p[0] for p in places])
    z = np.array([p[1] for p in places])
    # Rays that leave far beyond the picture are cut off
    wide, deep = case.frame.x_mm[[0, -1]], float(case.frame.z_mm[-1])
    reach = max([*(p[1] for p in cause.true_mm), *(p[1] for p in cause.shown_mm), min(z.max(), deep)])
    margin = 0.05 * max(reach, 1.0)
    x_mm = max(x.min(), wide[0] * 1.1) - margin, min(x.max(), wide[1] * 1.1) + margin
    z_mm = min(float(case.frame.z_mm[0]), 0.0) - margin, reach + margin
    # Wide enough that it can be told where in the phantom this is
    lack = 0.9 * (z_mm[1] - z_mm[0]) - (x_mm[1] - x_mm[0])
    if lack > 0:
        x_mm = x_mm[0] - 0.5 * lack, x_mm[1] + 0.5 * lack
    left = paper.MARGIN + NAMES_WIDTH + 44
    room = Box(
        left,
        paper.TOP + 4,
        paper.WIDTH - left - paper.MARGIN - TABLE_WIDTH - 20,
        paper.BOTTOM - paper.TOP - 10,
    )
    return fit((float(x_mm[0]), float(x_mm[1])), (float(z_mm[0]), float(z_mm[1])), room)


def _map(
    case: Case, placement: Placement
) -> tuple[npt.NDArray[Any], npt.NDArray[Any], npt.NDArray[np.uint16]]:
    """Region at every place of the drawing's plane."""
    step = max(placement.x_mm[1] - placement.x_mm[0], placement.z_mm[1] - placement.z_mm[0]) / GRID
    x = np.arange(placement.x_mm[0], placement.x_mm[1] + step, step)
    z = np.arange(placement.z_mm[0], placement.z_mm[1] + step, step)
    there = np.empty((len(z), len(x)), np.uint16)
    region_picture(*case.follower.solids, x, z, np.ones(there.shape, bool), there)
    return x, z, there


def _draw_regions(page: Page, axes: Any, case: Case, placement: Placement) -> list[tuple[str, Place]]:
    """Solids filled by tissue and outlined; name and a place inside of each named one."""
    x, z, there = _map(case, placement)
    legend = case.frame.truth.legend
    fills = _fills(page, legend)
    named: list[tuple[str, Place]] = []
    for number in sorted(legend):
        if number in (0, OUTSIDE_ID):
            continue
        mask = (there == number).astype(float)
        name = legend[number].name
        if mask.any():
            if name != "coupling":
                axes.contourf(x, z, mask, levels=[0.5, 1.5], colors=[fills[legend[number].tissue]])
                axes.contour(x, z, mask, levels=[0.5], colors=[page.look.ink], linewidths=0.9)
            rows, columns = np.nonzero(mask)
            k = int(np.argmin(np.hypot(rows - np.median(rows), columns - np.median(columns))))
            place = float(x[columns[k]]), float(z[rows[k]])
        else:
            thin = _thin_outline(case, number)
            if thin is None:
                continue
            for part in thin:
                axes.plot(part[:, 0], part[:, 1], color=page.look.ink, linewidth=1.6)
            middle = thin[0][len(thin[0]) // 2]
            place = float(middle[0]), float(middle[1])
        inside = (
            placement.x_mm[0] < place[0] < placement.x_mm[1]
            and placement.z_mm[0] < place[1] < placement.z_mm[1]
        )
        if inside and name != "coupling" and not name.endswith((".wall", ".behind")):
            named.append((name, place))
    return named


def _fills(page: Page, legend: Any) -> dict[str, str]:
    """A fill for each tissue, in the order of the legend."""
    tissues = list(dict.fromkeys(region.tissue for _, region in sorted(legend.items())))
    colours = page.look.medium
    return {
        t: colours[0] if k == 0 else colours[1 + (k - 1) % (len(colours) - 1)] for k, t in enumerate(tissues)
    }


def _thin_outline(case: Case, number: int) -> list[npt.NDArray[np.float64]] | None:
    """The line of a solid that is too thin for the map, from the samples of its surface."""
    samples = case.follower.view.traced.samples
    if not len(samples):
        return None
    own = samples[(samples[:, Q_REGION] == number) & (np.abs(samples[:, Q_Y]) < 1.0)]
    if not len(own):
        return None
    points = own[np.argsort(own[:, Q_X], kind="stable")][:, [Q_X, Q_Z]]
    if np.ptp(points[:, 0]) < 0.3:
        return [points[[0]] + np.array([[-0.3, 0.0], [0.3, 0.0]])]
    step = np.hypot(*np.diff(points, axis=0).T)
    return [part for part in np.split(points, np.flatnonzero(step > 4.0) + 1) if len(part) > 1]


def _draw_face(axes: Any, case: Case, page: Page) -> None:
    """The whole face of the probe as a thick line, also where only a part of it is scanned."""
    plan = case.follower.view.plan
    points, _ = face_point(np.linspace(-plan.face_half_mm, plan.face_half_mm, 65), plan.face_radius_mm)
    axes.plot(points[:, 0], points[:, 2], color=page.look.ink, linewidth=5, solid_capstyle="butt", zorder=4)


def _draw_path(axes: Any, page: Page, path: Path, colour: str, width: float) -> None:
    """A path without numbers."""
    points = [path.legs[0].start_mm, *(leg.end_mm for leg in path.legs)]
    x, z = zip(*points, strict=True)
    axes.plot(x, z, color=colour, linewidth=width, zorder=5)


def drawn_legs(legs: Sequence[Leg], width_mm: float) -> list[tuple[Place, Place]]:
    """Ends of legs as they are drawn: where legs lie on each other, each turn steps a little aside."""
    overlap = any(_same_way(a, b) for i, a in enumerate(legs) for b in legs[i + 1 :])
    turns = sum(leg.event in ("turned", "face") for leg in legs)
    if not overlap or not turns:
        return [(leg.start_mm, leg.end_mm) for leg in legs]
    step = min(APART, 0.4 / turns) * width_mm
    drawn, at = [], 0.0
    for group in _between_turns(legs):
        total = sum(leg.length_mm for leg in group)
        done = 0.0
        for leg in group:
            a = at + step * done / total
            done += leg.length_mm
            b = at + step * done / total
            drawn.append(((leg.start_mm[0] + a, leg.start_mm[1]), (leg.end_mm[0] + b, leg.end_mm[1])))
        at += step
    shift = 0.5 * at
    return [((a[0] - shift, a[1]), (b[0] - shift, b[1])) for a, b in drawn]


def _between_turns(legs: Sequence[Leg]) -> list[list[Leg]]:
    groups: list[list[Leg]] = [[]]
    for leg in legs:
        groups[-1].append(leg)
        if leg.event in ("turned", "face"):
            groups.append([])
    return [g for g in groups if g]


def _same_way(a: Leg, b: Leg) -> bool:
    """Whether two legs lie on each other, closer than a drawing can show."""
    near = 0.02 * max(a.length_mm, b.length_mm, 1.0)
    straight = math.dist(a.start_mm, b.start_mm) < near and math.dist(a.end_mm, b.end_mm) < near
    back = math.dist(a.start_mm, b.end_mm) < near and math.dist(a.end_mm, b.start_mm) < near
    return min(a.length_mm, b.length_mm) > 0.5 and (straight or back)


def _draw_main(
    axes: Any, page: Page, case: Case, cause: Cause, legs: Sequence[Leg], placement: Placement
) -> None:
    """Arrows of the main path with the numbers of its legs, and the straight line that the machine believes in."""
    accent = page.look.accent
    if cause.shown_mm:
        (x, z), shown = cause.main.origin_mm, cause.shown_mm[0]
        axes.plot(
            [x, shown[0]], [z, shown[1]], color=page.look.warn, linewidth=1.8, linestyle=(0, (4, 3)), zorder=6
        )
    ends = drawn_legs(legs, placement.x_mm[1] - placement.x_mm[0])
    spots: list[Place] = []
    for k, (a, b) in enumerate(ends[:MOST_LEGS]):
        axes.annotate(
            "", xy=b, xytext=a, zorder=7,
            arrowprops={"arrowstyle": "-|>", "color": accent, "linewidth": 2.2, "shrinkA": 0, "shrinkB": 0, "mutation_scale": 13},
        )  # fmt: skip
        spots.append(_number_spot(placement, a, b, spots))
        x, y = spots[-1]
        page.sheet.plot([x], [y], marker="o", markersize=15, color=page.look.page, markeredgecolor=accent,
                        markeredgewidth=1.4, zorder=8)  # fmt: skip
        page.text(x, y, str(k + 1), paper.SMALL_SIZE, ha="center", va="center_baseline", zorder=9)


def _number_spot(placement: Placement, a: Place, b: Place, taken: Sequence[Place]) -> Place:
    """Where the number of a leg stands on the page: on the leg, clear of other numbers."""
    best, clear = placement.point(*a), -1.0
    for share in (0.5, 0.38, 0.62, 0.28, 0.72, 0.18, 0.82):
        spot = placement.point(a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1]))
        room = min((math.dist(spot, other) for other in taken), default=99.0)
        if room > 17.0:
            return spot
        if room > clear:
            best, clear = spot, room
    # A leg too short or too close to others gets its number beside it
    for dx, dy in ((18, 0), (-18, 0), (18, 15), (-18, 15), (36, 0), (-36, 0), (36, 15), (-36, 15)):
        spot = best[0] + dx, best[1] + dy
        if min((math.dist(spot, other) for other in taken), default=99.0) > 17.0:
            return spot
    return best


def _draw_places(axes: Any, page: Page, cause: Cause, placement: Placement) -> None:
    """A filled circle where the echo truly comes from, a ring with a cross where it is shown."""
    for place in dict.fromkeys(cause.true_mm):
        axes.plot(
            *place, marker="o", markersize=10, color=page.look.accent, markeredgecolor=page.look.ink, zorder=9
        )
    for place in cause.shown_mm:
        axes.plot(*place, marker="o", markersize=13, markerfacecolor="none", markeredgecolor=page.look.warn,
                  markeredgewidth=2.4, zorder=9)  # fmt: skip
        axes.plot(*place, marker="x", markersize=8, color=page.look.warn, markeredgewidth=2.4, zorder=9)


def named_here(case: Case, cause: Cause, regions: Sequence[tuple[str, Place]]) -> list[tuple[str, Place]]:
    """The solids to name: all if they are few, else those that the paths meet and the one of the finding."""
    if len(regions) <= MOST_NAMES:
        return list(regions)
    paths = (cause.main, *cause.others)
    met = {case.frame.truth.legend[n].name for p in paths for leg in p.legs for n in (leg.region, leg.at)}
    return [(name, place) for name, place in regions if name in met or name == cause.finding.solid]


def _name_regions(page: Page, case: Case, named: Sequence[tuple[str, Place]], placement: Placement) -> None:
    """Names of solids in a column on the left, with leaders."""
    column = Box(
        paper.MARGIN, paper.TOP, placement.box.left - 46 - paper.MARGIN, paper.BOTTOM - paper.TOP - 6
    )
    size, wishes, texts = 12.0, [], []
    for k, (name, place) in enumerate(named):
        lines = wrapped(name, min(column.width, NAMES_WIDTH), size)
        texts.append(lines)
        end = placement.point(*place)
        wishes.append(Wish(*block_size(lines, size), end, end, rank=k))
    nowhere = Box(0, 0, paper.WIDTH, 0)
    for placed in place_labels(wishes, column, nowhere, 6.0):
        page.line([(placed.start[0] + 3, placed.start[1]), placed.end], page.look.faint, 0.9)
        page.sheet.plot(*placed.end, marker="o", markersize=3.5, color=page.look.ink)
        for k, line in enumerate(texts[placed.index]):
            y = placed.box.top + (k + 0.5) * size * LINE_HEIGHT
            page.text(placed.box.right, y, line, size, ha="right", va="center_baseline")


# --- the reckoning ------------------------------------------------------------------------------------


def _tell(
    page: Page, case: Case, cause: Cause, legs: Sequence[Leg], placement: Placement, colour: str
) -> None:
    """Legs as a table, the machine's reckoning, and what the two marks mean."""
    words, left = case.words, placement.box.right + 22
    width = min(paper.WIDTH - paper.MARGIN - left, TABLE_WIDTH)
    y = paper.TOP + 2
    page.text(left, y, words("cause.legs"), 14.0, weight="bold")
    y += 14.0 * 1.6
    y = _table(page, case, legs, left, y, width)
    total = words("us", value=cause.main.time_us)
    y += 3 + page.paragraph(
        Box(left, y + 2, width, 0), words("cause.out_and_back" if cause.main.there_and_back else "cause.once", time=total),
        paper.SMALL_SIZE + 0.5, color=page.look.faint,
    )  # fmt: skip
    y += 12
    page.text(left, y, words("cause.machine" if cause.shown_mm else "cause.numbers"), 14.0, weight="bold")
    y += 14.0 * 1.6
    for line in cause.formulas:
        y += page.paragraph(Box(left, y, width, 0), line, 12.5) + 5
    if cause.shown_mm:
        _key(page, case, cause, left, min(y + 8, paper.HEIGHT - paper.MARGIN - 70))


def _table(page: Page, case: Case, legs: Sequence[Leg], left: float, y: float, width: float) -> float:
    """The table of legs; where it ends."""
    size = TABLE_SIZE
    heads = case.words("cause.head").split("|")
    stops = [0.0, 22.0, 0.40 * width, 0.55 * width, 0.70 * width, 0.73 * width]
    for k, head in enumerate(heads):
        align = "right" if k in (2, 3, 4) else "left"
        page.text(left + stops[k], y, "" if k == 0 else head, size, weight="bold", ha=align)
    y += size * 1.5
    shown = legs if len(legs) <= MOST_LEGS else legs[: MOST_LEGS - 1]
    for number, leg in enumerate(shown, start=1):
        end = _shortened(wrapped(_event(case, leg), width - stops[5], size), width - stops[5], size)
        cells = [
            str(number), cut(case.region_said(leg.region), 0.20 * width, size), case.words("mm", value=leg.length_mm),
            case.words("us", value=leg.time_us), case.words("db", value=leg.loss_db),
        ]  # fmt: skip
        for k, cell in enumerate(cells):
            page.text(left + stops[k], y, cell, size, ha="right" if k in (2, 3, 4) else "left")
        for k, line in enumerate(end):
            page.text(left + stops[5], y + k * size * LINE_HEIGHT, line, size, color=page.look.faint)
        y += max(len(end), 1) * size * LINE_HEIGHT + 2
    if len(shown) < len(legs):
        page.text(left, y, case.words("more.legs", count=len(legs) - len(shown)), size)
        y += size * LINE_HEIGHT
    return y


def _shortened(lines: Sequence[str], width: float, size: float) -> list[str]:
    """The first lines of a cell; the last of them ends in dots if there are more."""
    if len(lines) <= MOST_LINES:
        return list(lines)
    return [*lines[: MOST_LINES - 1], cut(" ".join(lines[MOST_LINES - 1 :]), width, size)]


def _event(case: Case, leg: Leg) -> str:
    """What happens at the end of a leg, in words."""
    words = case.words
    name = case.region_said(leg.at)
    db = words("db", value=leg.end_db) if leg.end_db < -0.05 else ""
    if leg.event == "passes":
        return words("cause.passes", name=name, db=db)
    if leg.event == "turned":
        return words("cause.reflects", name=name, db=db)
    if leg.event == "face":
        return words("cause.face", db=db)
    return words("cause.arrives") if leg.event == "arrives" else words("cause.scatters", name=name)


def _key(page: Page, case: Case, cause: Cause, left: float, y: float) -> None:
    """What the marks mean, with the depths that belong to them."""
    words = case.words
    rows = [("true", cause.true_mm), ("shown", cause.shown_mm)]
    for name, places in rows:
        x = left + 8
        if name == "true":
            page.sheet.plot(
                [x], [y + 7], marker="o", markersize=10, color=page.look.accent, markeredgecolor=page.look.ink
            )
        else:
            page.sheet.plot([x], [y + 7], marker="o", markersize=12, markerfacecolor="none",
                            markeredgecolor=page.look.warn, markeredgewidth=2.2)  # fmt: skip
            page.sheet.plot([x], [y + 7], marker="x", markersize=7, color=page.look.warn, markeredgewidth=2.2)
        depth = words("cm", value=places[0][1] / 10)
        page.text(left + 24, y + 7, f"{words('cause.' + name)}: {depth}", 12.5, va="center")
        y += 22
    page.line([(left, y + 7), (left + 16, y + 7)], page.look.warn, 1.8, linestyle=(0, (4, 3)))
    page.text(left + 24, y + 7, words("cause.straight"), 12.5, va="center")
