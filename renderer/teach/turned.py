"""Why an echo is shown where nothing is: paths that surfaces or the face turn, and echoes of the pulse before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from renderer.frame.frame import Echo
from renderer.teach.case import NEAR_MM, Case, Cause, Place, listed, middle_of, on_patch, range_line, tidy
from renderer.teach.findings import named_regions
from renderer.teach.paths import Follower, Path, lines_through
from renderer.trace.branches import E_COUNT, E_HISTORY, E_IM, E_RE, E_TIME, FACE
from renderer.trace.echoes import SECONDARY_CLASSES


@dataclass(frozen=True)
class Specular:
    """An echo of a path that came back to the face, as the tracer recorded it."""

    line: int
    time_us: float
    level_db: float
    origin_class: str
    turns: tuple[int, ...]


def specular_echoes(follower: Follower, origin_class: str) -> list[Specular]:
    """Recorded echoes of one class, on all lines."""
    secondary = follower.view.secondary
    if secondary is None:
        return []
    found = []
    for line in range(len(follower.lines)):
        for row in secondary.echoes[line, : int(secondary.n_echoes[line])]:
            name = SECONDARY_CLASSES[int(row[3])]
            if name == origin_class:
                turns = tuple(int(h) for h in row[E_HISTORY : E_HISTORY + int(row[E_COUNT])])
                level = 20 * math.log10(max(math.hypot(row[E_RE], row[E_IM]) * follower.view.scale, 1e-15))
                found.append(Specular(line, float(row[E_TIME]), level, name, turns))
    return found


def _specular_cause(case: Case, late_us: float = 0.0) -> tuple[Path, Echo | None] | None:
    """The strongest path within the finding's patch that came back to the face, followed again by its turns.

    Listed ones come first. A patch may hold none, as the table has a path only on its strongest line.
    """
    records = specular_echoes(case.follower, case.finding.name)
    for row in listed(case, case.finding.name):
        if case.finding.order and row.order != case.finding.order and not late_us:
            continue
        for record in records:
            if abs(record.time_us - row.delay_us) > 1e-6 or not _ends_on(case, record, row):
                continue
            sent = case.follower.line_at(row.displayed_mm) - (1.0 if late_us else 0.0)
            if abs(record.line - sent) > 0.01 and not (
                late_us and record.line == len(case.follower.lines) - 1
            ):
                continue
            path = case.follower.to_face(record.line, record.turns, record.time_us)
            if path is not None:
                return path, row
    for record in sorted(records, key=lambda r: -r.level_db):
        line = min(record.line + (1 if late_us else 0), len(case.follower.lines) - 1)
        x, z, dx, dz = case.follower.start(line)
        depth = 0.5 * case.assumed * (record.time_us - late_us)
        if on_patch(case, (x + depth * dx, z + depth * dz)):
            path = case.follower.to_face(record.line, record.turns, record.time_us)
            if path is not None:
                return path, None
    return None


def _ends_on(case: Case, record: Specular, row: Echo) -> bool:
    """Whether the surfaces of a record are those of a row's path, in their order."""
    regions = case.frame.truth.legend
    names = ["face" if h == FACE else regions[int(case.follower.region_of[h])].name for h in record.turns]
    return row.path.split(" - ")[1:-1] == names


def _first_met(path: Path) -> Place:
    """Where a path first meets the solid that turns it last."""
    last = [leg for leg in path.legs if leg.event == "turned"][-1]
    return next(leg.end_mm for leg in path.legs if leg.at == last.at and leg.event in ("passes", "turned"))


def _sum_line(case: Case, path: Path) -> str:
    """Legs in the time that the machine would take for them, added up."""
    told = tidy(path.legs, case.tissue)
    terms = " + ".join(f"{leg.time_us:.1f}" for leg in told[:8]) + (" + …" if len(told) > 8 else "")
    return case.words("formula.sum", terms=terms, time=path.time_us)


def reverberation_cause(case: Case) -> Cause | None:
    """To and fro between the face and a surface, or between two; None where no path was recorded."""
    found = _specular_cause(case)
    if found is None:
        return mirror_cause(case)
    path, row = found
    depth = path.shown_depth_mm(case.assumed)
    formulas = [range_line(case, path.time_us, depth)]
    turned = {leg.at for leg in path.legs if leg.event == "turned"}
    faces = sum(leg.event == "face" for leg in path.legs)
    if (
        len(turned) == 1
        and faces
        and 2 * faces + 1 == sum(leg.event in ("turned", "face") for leg in path.legs)
    ):
        formulas.append(
            case.words("formula.order", count=faces + 1, spacing=depth / (faces + 1), depth=depth)
        )
    else:
        formulas.append(_sum_line(case, path))
    return _turned_cause(case, path, tuple(formulas), row)


def _turned_cause(case: Case, path: Path, formulas: tuple[str, ...], row: Echo | None) -> Cause:
    return Cause(case.finding, path, (), (_first_met(path),), (path.shown_mm(case.assumed),), formulas,
                 (row,) if row else ())  # fmt: skip


def multipath_cause(case: Case) -> Cause | None:
    """Out one way and home another; None where no path was recorded."""
    found = _specular_cause(case)
    if found is None:
        return mirror_cause(case)
    path, row = found
    depth = path.shown_depth_mm(case.assumed)
    formulas = (
        case.words("formula.multipath", length=path.length_mm),
        range_line(case, path.time_us, depth),
    )
    return _turned_cause(case, path, formulas, row)


def mirror_cause(case: Case) -> Cause | None:
    """A body seen by way of a mirror: out, turned, to the body, and home by the same way."""
    row = _body_row(case)
    target = case.true_place(row) if row else _source_place(case)
    turns = [
        s for name in _turn_names(case) for n in case.regions(name) for s in case.follower.surfaces_of(n)
    ]
    if target is None or not turns:
        return None
    middle = row.displayed_mm if row else middle_of(case)
    paths = [p for s in turns for p in lines_through(case.follower, [s], target)]
    if not paths:
        return None
    path = min(paths, key=lambda p: math.dist(p.shown_mm(case.assumed), middle) - 0.2 * p.loss_db)
    depth = path.shown_depth_mm(case.assumed)
    formulas = (case.words("formula.mirror", turn=case.finding.via), range_line(case, path.time_us, depth))
    return Cause(case.finding, path, (), (path.end_mm,), (path.shown_mm(case.assumed),), formulas,
                 (row,) if row else ())  # fmt: skip


def _body_row(case: Case) -> Echo | None:
    """The listed image of the finding's solid, if the place that it comes from is told."""
    if case.finding.solid not in named_regions(case.frame).values():
        return None
    rows = listed(case, case.finding.name, case.regions(case.finding.solid))
    return next((e for e in rows if math.isfinite(case.true_place(e)[0])), None)


def _turn_names(case: Case) -> list[str]:
    """The solid that turned the sound, by its name in the scene."""
    via = np.bincount(case.frame.truth.via[case.finding.mask]).argmax()
    region = case.frame.truth.legend.get(int(via))
    return [region.name.removesuffix(".wall").removesuffix(".behind")] if region and via else []


def _source_place(case: Case) -> Place | None:
    """Where the pixels of a patch really come from: the middle of it, or the place behind its middle pixel."""
    truth, mask = case.frame.truth, case.finding.mask
    own = mask & (truth.via > 0) if case.finding.name in ("mirror", "reverberation", "multipath") else mask
    own &= np.isfinite(truth.source_mm).all(axis=-1)
    if not own.any():
        return None
    if case.finding.solid in named_regions(case.frame).values():
        number = case.regions(case.finding.solid)[0]
        mine = own & (truth.source == number)
        own = mine if mine.any() else own
        return case.to_probe(truth.source_mm[own].mean(axis=0))
    x, z = middle_of(case)
    rows, columns = np.nonzero(own)
    k = int(np.argmin(np.hypot(case.frame.x_mm[columns] - x, case.frame.z_mm[rows] - z)))
    return case.to_probe(truth.source_mm[rows[k], columns[k]])


def range_ambiguity_cause(case: Case) -> Cause | None:
    """An echo of the pulse before: as it was recorded, or by the straight path to the solid that is listed."""
    found = _specular_cause(case, late_us=case.interval_us)
    regions = case.regions(case.finding.solid)
    straight = next((e for e in listed(case, "range_ambiguity", regions) if e.order == 0), None)
    row: Echo | None = straight
    if straight and (found is None or found[1] is None or straight.level_db > found[1].level_db):
        line = case.follower.line_at(straight.displayed_mm)
        down = _late_path(case, max(line - 1.0, 0.0), regions, straight)
        if down is None:
            return None
        path, true = down, down.end_mm
    elif found is not None:
        path, row = found
        line = min(path.line + 1.0, len(case.follower.lines) - 1.0)
        true = _first_met(path)
    else:
        return None
    depth = path.shown_depth_mm(case.assumed, late_us=case.interval_us)
    formulas = (
        case.words(
            "formula.late", time=path.time_us, interval=case.interval_us, rest=path.time_us - case.interval_us,
            depth=depth, true=path.shown_depth_mm(case.assumed),
        ),
    )  # fmt: skip
    return Cause(case.finding, path, (), (true,), (_late(case, path, line),), formulas,
                 (row,) if row else ())  # fmt: skip


def _late_path(case: Case, sent: float, regions: Sequence[int], row: Echo) -> Path | None:
    """The way down to a solid's surface, or to a place within it if it is that which the row lists."""
    true = case.true_place(row)
    down = case.follower.to_solid(sent, [], regions)
    if down is not None and math.dist(down.end_mm, true) < NEAR_MM:
        return down
    within = case.follower.to_point(sent, [], true)
    return within if within is not None and abs(within.miss_mm) < NEAR_MM else None


def _late(case: Case, path: Path, line: float) -> Place:
    """Where an echo is shown that comes back after the next pulse has gone out on the next line."""
    x, z, dx, dz = case.follower.start(line)
    depth = path.shown_depth_mm(case.assumed, late_us=case.interval_us)
    return x + depth * dx, z + depth * dz
