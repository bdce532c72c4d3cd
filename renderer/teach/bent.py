"""Why an echo is shown beside its place: speeds that the machine does not know, and ways that are bent."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from renderer.frame.frame import Echo, Frame
from renderer.teach.case import NEAR_MM, Case, Cause, Place, angle_of, on_patch, range_line, tidy
from renderer.teach.findings import effect_values, named_regions
from renderer.teach.paths import Path, lines_through

STEP_MM, STILL_MM = 0.3, 0.15  # displacements above the one are steps, below the other none


def _solid_below(case: Case, *, other_than: str) -> tuple[str, int] | None:
    """The solid of which most is seen within the effect's patch, and its region."""
    counts = {
        name: int(np.count_nonzero(case.finding.mask & (case.frame.truth.seen == number)))
        for number, name in named_regions(case.frame).items() if name != other_than
    }  # fmt: skip
    large = 0.5 * np.count_nonzero(case.finding.mask)
    counts = {name: n for name, n in counts.items() if 0 < n < large}
    if not counts:
        return None
    name = max(counts, key=lambda key: counts[key])
    return name, next(n for n, own in named_regions(case.frame).items() if own == name)


def speed_cause(case: Case) -> Cause | None:
    """A line through what is slow or fast, to the solid below it, and one beside."""
    below = _solid_below(case, other_than=case.finding.solid)
    rows = _steps(case, below[0]) if below else []
    line = case.follower.line_at(rows[0].displayed_mm) if rows else _line_of_most(case, below)
    path = _down(case, line, below)
    if len(rows) > 1:
        beside: Path | None = _down(case, case.follower.line_at(rows[1].displayed_mm), below)
    else:
        beside = next(
            (p for l in _lines_from(case, line) if (p := _down(case, l, below)) and _undisturbed(case, p)),
            None,
        )
    told = tidy(path.legs, case.tissue)
    terms = " + ".join(
        f"{leg.length_mm:.1f} · {case.assumed:.2f}/{leg.length_mm / leg.time_us:.2f}" for leg in told
    )
    depth, length = path.shown_depth_mm(case.assumed), 0.5 * path.length_mm
    formulas = (
        case.words("formula.speed", terms=terms, depth=depth, true=length),
        range_line(case, path.time_us, depth),
    )
    others = (beside,) if beside else ()
    ends = [p.end_mm for p in (path, *others)]
    return Cause(case.finding, path, others, tuple(ends), tuple(p.shown_mm(case.assumed) for p in (path, *others)),
                 formulas, tuple(rows))  # fmt: skip


def _steps(case: Case, solid: str) -> list[Echo]:
    """The listed echo of a solid that is displaced most within the effect's patch, then one that is not displaced."""
    regions = case.regions(solid)
    names = {case.frame.truth.legend[n].name for n in regions}
    direct = [e for e in case.frame.echoes if e.origin_class == "direct" and e.solid in names]
    off = {id(e): math.dist(case.true_place(e), e.displayed_mm) for e in direct}
    # Of a plate's two sides the near one is what a path down to it ends on
    near = [e for e in direct if _ends_at(case, e, regions)]
    moved = [e for e in near if on_patch(case, e.displayed_mm) and off[id(e)] > STEP_MM]
    moved.sort(key=lambda e: -off[id(e)])
    still = [e for e in near if off[id(e)] < STILL_MM]
    return [*moved[:1], *still[:1]] if moved else []


def _ends_at(case: Case, row: Echo, regions: Sequence[int]) -> bool:
    """Whether the path down a row's line first meets these regions about where the row says that it comes from."""
    path = case.follower.to_solid(case.follower.line_at(row.displayed_mm), [], regions)
    return path is not None and math.dist(path.end_mm, case.true_place(row)) < STEP_MM


def _line_of_most(case: Case, below: tuple[str, int] | None) -> float:
    """The line in the middle of where the effect is largest, not at the edge of the solid."""
    values = np.where(case.finding.mask, np.abs(effect_values(case.frame, "speed")), 0.0)
    where = case.frame.truth.seen == below[1] if below else case.finding.mask
    values = np.nan_to_num(values) * where
    rows, columns = np.nonzero(values > 0.8 * values.max())
    k = int(np.argsort(columns)[len(columns) // 2])
    return case.follower.line_at((float(case.frame.x_mm[columns[k]]), float(case.frame.z_mm[rows[k]])))


def _down(case: Case, line: float, below: tuple[str, int] | None) -> Path:
    path = case.follower.to_solid(line, [], case.regions(below[0])) if below else None
    rows = np.flatnonzero(case.finding.mask.any(axis=1))
    return path or case.follower.to_depth(line, float(case.frame.z_mm[rows[-1]]))


def _lines_from(case: Case, line: float) -> list[float]:
    """All lines, the nearest first."""
    return sorted(map(float, range(len(case.follower.lines))), key=lambda l: abs(l - line))


def _undisturbed(case: Case, path: Path) -> bool:
    """Whether a path is shown where it ends."""
    return math.dist(path.shown_mm(case.assumed), path.end_mm) < 0.15


def refraction_cause(case: Case) -> Cause | None:
    """The bent ways to a solid below: as many copies of it as the table lists, or as there are bent ways to it."""
    copies = _listed_copies(case) or _traced_copies(case)
    if not copies:
        return None
    numbers = case.regions(case.finding.solid)
    # The way that is told goes through the solid that the finding names
    copies.sort(key=lambda c: (
        not any(leg.region in numbers for leg in c[0].legs), -math.dist(c[0].shown_mm(case.assumed), c[0].end_mm)
    ))  # fmt: skip
    main = copies[0][0]
    kept = [copies[0], *[c for c in copies[1:] if (c[0].line - main.line) * _sign(case, main) > 0][:1]]
    a, b = main.legs[0], main.legs[-1]
    offset = main.shown_mm(case.assumed)[0] - main.end_mm[0]
    side = case.words("left") if offset < 0 else case.words("right")
    bend = math.degrees(angle_of(a) - angle_of(b))
    formulas = (
        case.words("formula.refraction", angle=abs(bend), offset=abs(offset), side=side),
        range_line(case, main.time_us, main.shown_depth_mm(case.assumed)),
    )
    every = tuple(p for p, _ in kept)
    return Cause(case.finding, main, every[1:], tuple(p.end_mm for p in every),
                 tuple(p.shown_mm(case.assumed) for p in every), formulas,
                 tuple(row for _, row in kept if row is not None))  # fmt: skip


def _listed_copies(case: Case) -> list[tuple[Path, Echo | None]]:
    """Paths to the listed echoes of the solid that is shown farthest from its place, if it is listed more than once."""
    best: tuple[float, list[tuple[Path, Echo | None]]] | None = None
    for name in _smaller_solids(case).values():
        regions = case.regions(name)
        names = {case.frame.truth.legend[n].name for n in regions}
        found: list[tuple[Path, Echo | None]] = []
        for row in case.frame.echoes:
            if row.origin_class != "direct" or row.solid not in names or not _ends_at(case, row, regions):
                continue
            path = case.follower.to_solid(case.follower.line_at(row.displayed_mm), [], regions)
            if path is not None:
                found.append((path, row))
        shift = max((abs(p.shown_mm(case.assumed)[0] - p.end_mm[0]) for p, _ in found), default=0.0)
        if len(found) > 1 and shift > STEP_MM and (best is None or shift > best[0]):
            best = shift, found
    return best[1] if best else []


def _smaller_solids(case: Case) -> dict[int, str]:
    """Solids that are in the picture and no background of it, without the one that the finding is of."""
    there, whole = case.frame.truth.there, 0.2 * case.frame.in_view.sum()
    return {
        number: name for number, name in named_regions(case.frame).items()
        if name != case.finding.solid and 0 < (there == number).sum() <= whole
    }  # fmt: skip


def _traced_copies(case: Case) -> list[tuple[Path, Echo | None]]:
    """Bent ways to the top of the solid that is shown farthest from its place."""
    best: tuple[float, list[Path]] | None = None
    for number in _smaller_solids(case):
        rows, columns = np.nonzero(case.frame.truth.there == number)
        place = float(case.frame.x_mm[columns].mean()), float(case.frame.z_mm[rows].min())
        paths = lines_through(case.follower, [], place)
        seen = case.frame.truth.seen == number
        paths = [p for p in paths if _near_mask(case.frame, seen, p.shown_mm(case.assumed), 2 * NEAR_MM)]
        shift = max((math.dist(p.shown_mm(case.assumed), place) for p in paths), default=0.0)
        if paths and (best is None or shift > best[0]):
            best = shift, paths
    return [(p, None) for p in best[1]] if best else []


def _sign(case: Case, path: Path) -> float:
    """To which side the other copy lies: +1 right, -1 left of this one."""
    return 1.0 if path.shown_mm(case.assumed)[0] < path.end_mm[0] else -1.0


def _near_mask(frame: Frame, mask: np.ndarray, place: Place, reach_mm: float) -> bool:
    rows, columns = np.nonzero(mask)
    return bool(len(rows)) and bool(
        (np.hypot(frame.x_mm[columns] - place[0], frame.z_mm[rows] - place[1]) < reach_mm).any()
    )
