"""Why a false echo or an effect is there: the traced paths behind it, and the reckoning that explains it.

Everything is in the frame of the probe, mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from renderer.flow import echoes_of, trace_job
from renderer.frame.frame import Frame
from renderer.probe.plan import view_angles, world_from_probe
from renderer.scene.scene import Scene
from renderer.teach.findings import Finding, effect_values, named_regions, shown_width
from renderer.teach.paths import Follower, Leg, Path, lines_through
from renderer.teach.words import Words
from renderer.trace.branches import E_COUNT, E_HISTORY, E_IM, E_RE, E_TIME
from renderer.trace.echoes import SECONDARY_CLASSES, ViewEchoes

Place = tuple[float, float]
NEAR_MM = 1.5  # an echo belongs to a patch if it is shown this near to it
# Width at -6 dB of the beam of an aperture at its focus, in wavelengths times depth over aperture, by its weights
# (Harris 1978, Proc. IEEE 66:51, table of windows, 6-dB bandwidth; from memory)
WIDTHS = {"none": 1.21, "hamming": 1.81, "hann": 2.0}
SHORT_MM = 0.3  # legs shorter than this are told with their neighbour


@dataclass(frozen=True)
class Cause:
    """What a cause drawing shows.

    ``main`` is the path whose legs are numbered, ``others`` are drawn beside it. ``true_mm`` and
    ``shown_mm`` are pairs, place by place. ``formulas`` are lines of text with the numbers filled in.
    """

    finding: Finding
    main: Path
    others: tuple[Path, ...]
    true_mm: tuple[Place, ...]
    shown_mm: tuple[Place, ...]
    formulas: tuple[str, ...]


@dataclass(frozen=True)
class Case:
    """All that the explanation of one finding is made from."""

    scene: Scene
    frame: Frame
    follower: Follower
    finding: Finding
    words: Words

    @property
    def assumed(self) -> float:
        """Speed that the machine assumes, mm/us."""
        return self.scene.scan.assumed_speed_mm_per_us

    @property
    def interval_us(self) -> float:
        """Time between two pulses."""
        return float(self.frame.manifest["pulse_interval_us"])

    def to_probe(self, place_mm: Iterable[float]) -> Place:
        """A place of the world in the frame of the probe."""
        rotation, shift = world_from_probe(self.scene.pose)
        p = rotation.T @ (np.asarray(list(place_mm), float) - shift)
        return float(p[0]), float(p[2])

    def regions(self, name: str) -> list[int]:
        """Ids of a solid: itself, its wall and its far side."""
        wanted = (name, f"{name}.wall", f"{name}.behind")
        return [n for n, region in self.frame.truth.legend.items() if region.name in wanted]

    def tissue(self, region: int) -> str:
        """Tissue of a region."""
        return self.frame.truth.legend[region].tissue

    def region_said(self, region: int) -> str:
        """Name of a region as it is said."""
        r = self.frame.truth.legend[region]
        return self.words.solid(r.name, r.tissue)


def explain_finding(case: Case) -> Cause | None:
    """The cause of a case's finding; None where no single path tells it."""
    maker = MAKERS.get(case.finding.name)
    return maker(case) if maker else None


def follower_of(scene: Scene, view: ViewEchoes) -> Follower:
    """What follows rays through a scene's traced view."""
    return Follower(view, scene.probe.face_reflection_db)


def tidy(legs: Sequence[Leg], tissue_of: Callable[[int], str]) -> list[Leg]:
    """Legs as they are told: pieces in one tissue, and very short ones, joined with what follows."""
    told: list[Leg] = []
    for leg in legs:
        last = told[-1] if told else None
        joins = last is not None and last.event == "passes" and (
            tissue_of(last.region) == tissue_of(leg.region) or min(last.length_mm, leg.length_mm) < SHORT_MM
        )  # fmt: skip
        if last is None or not joins:
            told.append(leg)
            continue
        longer = leg if leg.length_mm >= last.length_mm else last
        told[-1] = replace(
            leg, start_mm=last.start_mm, region=longer.region, length_mm=last.length_mm + leg.length_mm,
            time_us=last.time_us + leg.time_us, loss_db=last.loss_db + leg.loss_db + last.end_db,
        )  # fmt: skip
    return told


# --- paths by way of surfaces -------------------------------------------------------------------------


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


def _specular_cause(case: Case, late_us: float = 0.0) -> tuple[Path, Place] | None:
    """The strongest recorded path that is shown within the finding's patch, and where it is shown."""
    follower, line_step = case.follower, 1 if late_us else 0
    best: tuple[float, Path, Place] | None = None
    for echo in sorted(
        specular_echoes(follower, case.finding.name), key=lambda e: (e.level_db, -e.line), reverse=True
    ):
        shown_line = min(echo.line + line_step, len(follower.lines) - 1)
        x, z, dx, dz = follower.start(shown_line)
        depth = 0.5 * case.assumed * (echo.time_us - late_us)
        shown = (x + depth * dx, z + depth * dz)
        if best is not None and echo.level_db < best[0] - 1.0:
            break
        if not _on_patch(case, shown):
            continue
        path = follower.to_face(echo.line, echo.turns, echo.time_us)
        if path is not None:
            # Of all within 1 dB the one nearest to the middle of the patch
            if best is None or abs(shown[0] - _middle(case)[0]) < abs(best[2][0] - _middle(case)[0]):
                best = (best[0] if best else echo.level_db, path, shown)
    return (best[1], best[2]) if best else None


def _on_patch(case: Case, place: Place) -> bool:
    rows, columns = np.nonzero(case.finding.mask)
    x, z = case.frame.x_mm[columns], case.frame.z_mm[rows]
    return bool((np.hypot(x - place[0], z - place[1]) < NEAR_MM).any())


def _middle(case: Case) -> Place:
    """The pixel of the patch nearest to its mean."""
    rows, columns = np.nonzero(case.finding.mask)
    k = int(np.argmin(np.hypot(rows - rows.mean(), columns - columns.mean())))
    return float(case.frame.x_mm[columns[k]]), float(case.frame.z_mm[rows[k]])


def _range_line(case: Case, time_us: float, depth_mm: float) -> str:
    return case.words("formula.range", c=case.assumed, time=time_us, depth=depth_mm)


def _sum_line(case: Case, path: Path) -> str:
    """Legs in the time that the machine would take for them, added up."""
    told = tidy(path.legs, case.tissue)
    terms = " + ".join(f"{leg.time_us:.1f}" for leg in told[:8]) + (" + …" if len(told) > 8 else "")
    return case.words("formula.sum", terms=terms, time=path.time_us)


def _reverberation(case: Case) -> Cause | None:
    found = _specular_cause(case)
    if found is None:
        return _turned_body(case)
    path, _ = found
    depth = path.shown_depth_mm(case.assumed)
    formulas = [_range_line(case, path.time_us, depth)]
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
    true = [leg for leg in path.legs if leg.event == "turned"][-1].end_mm
    return Cause(case.finding, path, (), (true,), (path.shown_mm(case.assumed),), tuple(formulas))


def _multipath(case: Case) -> Cause | None:
    found = _specular_cause(case)
    if found is None:
        return _turned_body(case)
    path, _ = found
    depth = path.shown_depth_mm(case.assumed)
    formulas = (
        case.words("formula.multipath", length=path.length_mm),
        _range_line(case, path.time_us, depth),
    )
    turned = [leg for leg in path.legs if leg.event == "turned"]
    return Cause(case.finding, path, (), (turned[-1].end_mm,), (path.shown_mm(case.assumed),), formulas)


def _turned_body(case: Case) -> Cause | None:
    """A body seen by way of a mirror: out, turned, to the body, and home by the same way."""
    target = _source_place(case)
    turns = [
        s for name in _turn_names(case) for n in case.regions(name) for s in case.follower.surfaces_of(n)
    ]
    if target is None or not turns:
        return None
    middle = _middle(case)
    paths = [p for s in turns for p in lines_through(case.follower, [s], target)]
    if not paths:
        return None
    path = min(paths, key=lambda p: math.dist(p.shown_mm(case.assumed), middle) - 0.2 * p.loss_db)
    depth = path.shown_depth_mm(case.assumed)
    formulas = (case.words("formula.mirror", turn=case.finding.via), _range_line(case, path.time_us, depth))
    return Cause(case.finding, path, (), (path.end_mm,), (path.shown_mm(case.assumed),), formulas)


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
    x, z = _middle(case)
    rows, columns = np.nonzero(own)
    k = int(np.argmin(np.hypot(case.frame.x_mm[columns] - x, case.frame.z_mm[rows] - z)))
    return case.to_probe(truth.source_mm[rows[k], columns[k]])


def _range_ambiguity(case: Case) -> Cause | None:
    """An echo of the pulse before: by its straight path if that explains the patch, else as it was recorded."""
    rows, columns = np.nonzero(case.finding.mask)
    level = np.nan_to_num(case.frame.level_db, nan=-300.0)[rows, columns]
    k = int(np.argmax(level))
    at = (float(case.frame.x_mm[columns[k]]), float(case.frame.z_mm[rows[k]]))
    line = case.follower.line_at(at)
    sent = max(line - 1.0, 0.0)
    path = case.follower.to_solid(sent, [], case.regions(case.finding.solid))
    if path is None or not _on_patch(case, _late(case, path, line)):
        found = _specular_cause(case, late_us=case.interval_us)
        if found is None:
            return None
        path = found[0]
        line = min(path.line + 1.0, len(case.follower.lines) - 1.0)
    shown = _late(case, path, line)
    depth = path.shown_depth_mm(case.assumed, late_us=case.interval_us)
    true = max(path.legs, key=lambda leg: leg.end_mm[1]).end_mm
    formulas = (
        case.words(
            "formula.late", time=path.time_us, interval=case.interval_us, rest=path.time_us - case.interval_us,
            depth=depth, true=path.shown_depth_mm(case.assumed),
        ),
    )  # fmt: skip
    return Cause(case.finding, path, (), (true,), (shown,), formulas)


def _late(case: Case, path: Path, line: float) -> Place:
    """Where an echo is shown that comes back after the next pulse has gone out on the next line."""
    x, z, dx, dz = case.follower.start(line)
    depth = path.shown_depth_mm(case.assumed, late_us=case.interval_us)
    return x + depth * dx, z + depth * dz


# --- speed and refraction -----------------------------------------------------------------------------


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


def _speed(case: Case) -> Cause | None:
    """A line through what is slow or fast, to the solid below it, and one beside."""
    values = np.where(case.finding.mask, np.abs(effect_values(case.frame, "speed")), 0.0)
    below = _solid_below(case, other_than=case.finding.solid)
    where = case.frame.truth.seen == below[1] if below else case.finding.mask
    values = np.nan_to_num(values) * where
    rows, columns = np.nonzero(values > 0.8 * values.max())
    k = int(
        np.argsort(columns)[len(columns) // 2]
    )  # the middle of where it is largest, not the edge of the solid
    line = case.follower.line_at((float(case.frame.x_mm[columns[k]]), float(case.frame.z_mm[rows[k]])))
    path = _down(case, line, below)
    beside = next(
        (p for l in _lines_from(case, line) if (p := _down(case, l, below)) and _undisturbed(case, p)), None
    )
    told = tidy(path.legs, case.tissue)
    terms = " + ".join(
        f"{leg.length_mm:.1f} · {case.assumed:.2f}/{leg.length_mm / leg.time_us:.2f}" for leg in told
    )
    depth, length = path.shown_depth_mm(case.assumed), 0.5 * path.length_mm
    formulas = (
        case.words("formula.speed", terms=terms, depth=depth, true=length),
        _range_line(case, path.time_us, depth),
    )
    others = (beside,) if beside else ()
    ends = [p.end_mm for p in (path, *others)]
    return Cause(case.finding, path, others, tuple(ends), tuple(p.shown_mm(case.assumed) for p in (path, *others)),
                 formulas)  # fmt: skip


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


def _refraction(case: Case) -> Cause | None:
    """Every line on which a solid below is met: as many copies as there are bent ways to it."""
    best: tuple[float, list[Path]] | None = None
    for number, name in named_regions(case.frame).items():
        there = case.frame.truth.there == number
        if name == case.finding.solid or not there.any() or there.sum() > 0.2 * case.frame.in_view.sum():
            continue
        rows, columns = np.nonzero(there)
        place = float(case.frame.x_mm[columns].mean()), float(case.frame.z_mm[rows].min())
        paths = lines_through(case.follower, [], place)
        seen = case.frame.truth.seen == number
        paths = [p for p in paths if _near_mask(case.frame, seen, p.shown_mm(case.assumed), 2 * NEAR_MM)]
        shift = max((math.dist(p.shown_mm(case.assumed), place) for p in paths), default=0.0)
        if paths and (best is None or shift > best[0]):
            best = shift, paths
    if best is None:
        return None
    ordered = sorted(best[1], key=lambda p: math.dist(p.shown_mm(case.assumed), p.end_mm), reverse=True)
    main, others = (
        ordered[0],
        [p for p in ordered[1:] if (p.line - ordered[0].line) * _sign(case, ordered[0]) > 0][:1],
    )
    a, b = main.legs[0], main.legs[-1]
    bend = math.degrees(_angle(a) - _angle(b))
    offset = main.shown_mm(case.assumed)[0] - main.end_mm[0]
    side = case.words("left") if offset < 0 else case.words("right")
    formulas = (
        case.words("formula.refraction", angle=abs(bend), offset=abs(offset), side=side),
        _range_line(case, main.time_us, main.shown_depth_mm(case.assumed)),
    )
    every = (main, *others)
    return Cause(case.finding, main, tuple(others), tuple(p.end_mm for p in every),
                 tuple(p.shown_mm(case.assumed) for p in every), formulas)  # fmt: skip


def _sign(case: Case, path: Path) -> float:
    """To which side the other copy lies: +1 right, -1 left of this one."""
    return 1.0 if path.shown_mm(case.assumed)[0] < path.end_mm[0] else -1.0


def _angle(leg: Leg) -> float:
    return math.atan2(leg.end_mm[0] - leg.start_mm[0], leg.end_mm[1] - leg.start_mm[1])


def _near_mask(frame: Frame, mask: np.ndarray, place: Place, reach_mm: float) -> bool:
    rows, columns = np.nonzero(mask)
    return bool(len(rows)) and bool(
        (np.hypot(frame.x_mm[columns] - place[0], frame.z_mm[rows] - place[1]) < reach_mm).any()
    )


# --- loss and edges -----------------------------------------------------------------------------------


def _patch_lines(case: Case) -> tuple[float, float, float]:
    """First, middle and last line of a patch."""
    rows, columns = np.nonzero(case.finding.mask)
    some = np.linspace(0, len(rows) - 1, min(len(rows), 400)).astype(int)
    lines = [
        case.follower.line_at((float(case.frame.x_mm[columns[i]]), float(case.frame.z_mm[rows[i]])))
        for i in some
    ]
    return float(np.min(lines)), float(np.median(lines)), float(np.max(lines))


def _depth_of(case: Case, share: float) -> float:
    """Depth down the middle line at a share of the patch's height, mm from the face."""
    rows = np.flatnonzero(case.finding.mask.any(axis=1))
    z = float(np.interp(share, [0, 1], case.frame.z_mm[rows[[0, -1]]]))
    middle = _patch_lines(case)[1]
    _, z0, _, dz = case.follower.start(middle)
    return (z - z0) / dz


def _effect_at(case: Case, place: Place) -> float:
    i = int(np.argmin(np.abs(case.frame.z_mm - place[1])))
    j = int(np.argmin(np.abs(case.frame.x_mm - place[0])))
    return float(effect_values(case.frame, case.finding.name)[i, j])


def _shadow(case: Case) -> Cause | None:
    first, middle, last = _patch_lines(case)
    reach = _depth_of(case, 0.6)
    path = case.follower.to_depth(middle, reach)
    beside = _beside(case, reach, first, last)
    place = path.origin_mm[0] + reach * path.direction[0], path.origin_mm[1] + reach * path.direction[1]
    loss = f"{path.loss_db - (beside[0].loss_db if beside else 0.0):.0f}"
    formulas = (case.words("formula.shadow", loss=loss, depth=reach, effect=_effect_at(case, place)),)
    return Cause(case.finding, path, beside, (), (), formulas)


def _beside(case: Case, reach: float, first: float, last: float) -> tuple[Path, ...]:
    """A path beside a patch, through as few surfaces as there are."""
    n = len(case.follower.lines)
    tried = [case.follower.to_depth(l, reach) for l in (first - 0.06 * n, last + 0.06 * n) if 0 <= l <= n - 1]
    return tuple(sorted(tried, key=lambda p: (len(p.legs), -p.loss_db))[:1])


def _enhancement(case: Case) -> Cause | None:
    first, middle, last = _patch_lines(case)
    reach = _depth_of(case, 0.5)
    path, beside = case.follower.to_depth(middle, reach), _beside(case, reach, first, last)
    names = case.regions(case.finding.solid)
    inside = sum(leg.length_mm for leg in path.legs if leg.region in names)
    if not inside:
        return None
    region = max((leg for leg in path.legs if leg.region in names), key=lambda leg: leg.length_mm).region
    media, f = case.follower.media, case.scene.scan.frequency_mhz
    alpha = [8.685889638 * 10 * float(media[r, 2]) / f for r in (region, 0)]
    formulas = (
        case.words(
            "formula.enhancement", path=inside, alpha_in=alpha[0], alpha_out=alpha[1], f=f,
            gain=2 * (alpha[1] - alpha[0]) * f * inside / 10,
        ),
    )  # fmt: skip
    return Cause(case.finding, path, beside, (), (), formulas)


def _edge_shadow(case: Case) -> Cause | None:
    """A fan of lines over the edge of a body; the one that is bent most has its legs told."""
    numbers = case.regions(case.finding.solid)
    if not numbers:
        return None
    n = len(case.follower.lines)
    first, middle, last = _patch_lines(case)
    rows = np.flatnonzero(case.finding.mask.any(axis=1))
    reach = _depth_of(case, 1.0) if len(rows) else case.scene.scan.depth_mm
    span = max(last - first, 0.08 * n)
    lines = np.clip(np.linspace(middle - 1.2 * span, middle + 1.2 * span, 15), 0, n - 1)
    fan = [case.follower.to_depth(float(l), reach) for l in dict.fromkeys(lines.tolist())]
    through = [p for p in fan if any(leg.region in numbers for leg in p.legs)]
    if not through:
        return None
    main = max(through, key=lambda p: abs(_angle(p.legs[-1]) - _angle(p.legs[0])))
    k = next(i for i, leg in enumerate(main.legs) if leg.region in numbers)
    before = main.legs[k - 1] if k else main.legs[0]
    centre = _centroid(case, numbers)
    out = math.atan2(before.end_mm[0] - centre[0], -(before.end_mm[1] - centre[1]))
    meets = abs(math.degrees(out + _angle(before)))
    bend = abs(math.degrees(_angle(main.legs[-1]) - _angle(main.legs[0])))
    formulas = (case.words("formula.edge_shadow", angle=min(meets, 180 - meets), bend=bend),)
    return Cause(case.finding, main, tuple(p for p in fan if p is not main), (), (), formulas)


def _centroid(case: Case, numbers: Sequence[int]) -> Place:
    rows, columns = np.nonzero(np.isin(case.frame.truth.there, numbers))
    return float(case.frame.x_mm[columns].mean()), float(case.frame.z_mm[rows].mean())


def _beam_width(case: Case) -> Cause | None:
    """The aperture that listens to a point: its middle and its two ends."""
    x, z = _middle(case)
    line = case.follower.line_at((x, z))
    depth = _distance(case, line, (x, z))
    path = case.follower.to_depth(line, depth)
    plan = case.follower.view.plan
    number = max(case.scene.scan.receive_f_number, depth / (2 * plan.channel_half_mm))
    wave = case.assumed / case.scene.scan.frequency_mhz
    measured, _ = shown_width(case.frame, (x, z))
    factor = WIDTHS[case.scene.scan.apodisation]
    formulas = (
        case.words(
            "formula.beam_width",
            factor=factor,
            wave=wave,
            number=number,
            width=factor * wave * number,
            measured=measured,
        ),
    )
    pitch = float(np.mean(np.diff(plan.face_mm)))
    ends = [line + sign * 0.5 * depth / number / pitch for sign in (-1, 1)]
    edges = tuple(_straight(case, min(max(l, 0.0), plan.n_lines - 1.0), path.end_mm) for l in ends)
    return Cause(case.finding, path, edges, (path.end_mm,), (path.shown_mm(case.assumed),), formulas)


def _straight(case: Case, line: float, place: Place) -> Path:
    """A straight way from the face at a line to a place, through one tissue."""
    x, z, dx, dz = case.follower.start(line)
    length = math.dist((x, z), place)
    leg = Leg((x, z), place, 0, length, length / case.assumed, 0.0, 0.0, "target", 0)
    return Path((leg,), line, (x, z), (dx, dz), True)


def _distance(case: Case, line: float, place: Place) -> float:
    x, z, _, _ = case.follower.start(line)
    return math.dist((x, z), place)


MAKERS: dict[str, Callable[[Case], Cause | None]] = {
    "mirror": _turned_body,
    "reverberation": _reverberation,
    "multipath": _multipath,
    "range_ambiguity": _range_ambiguity,
    "speed": _speed,
    "refraction": _refraction,
    "shadow": _shadow,
    "enhancement": _enhancement,
    "edge_shadow": _edge_shadow,
    "beam_width": _beam_width,
}


def traced_view(scene: Scene, seed: int | None = None) -> ViewEchoes:
    """The traced plain view of a scene, from the tracer's store where the picture has just been made."""
    seeded = scene if seed is None else replace(scene, seed_tissue=seed)
    return echoes_of(trace_job(seeded, view_angles(scene.scan)[0]))
