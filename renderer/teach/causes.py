"""Why a false echo or an effect is there: the traced paths behind it, and the reckoning that explains it.

Everything is in the frame of the probe, mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from renderer.probe.plan import face_point
from renderer.teach.bent import refraction_cause, speed_cause
from renderer.teach.case import Case, Cause, Place, angle_of, middle_of
from renderer.teach.findings import effect_values, shown_width
from renderer.teach.paths import Leg, Path
from renderer.teach.turned import mirror_cause, multipath_cause, range_ambiguity_cause, reverberation_cause

# Width at -6 dB of the beam of an aperture at its focus, in wavelengths times depth over aperture, by its weights
# (Harris 1978, Proc. IEEE 66:51, table of windows, 6-dB bandwidth; from memory)
WIDTHS = {"none": 1.21, "hamming": 1.81, "hann": 2.0}


def explain_finding(case: Case) -> Cause | None:
    """The cause of a case's finding; None where no single path tells it."""
    maker = MAKERS.get(case.finding.name)
    return maker(case) if maker else None


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
    first, _, last = _patch_lines(case)
    reach = _depth_of(case, 0.6)
    path = _through_own(case, first, last, reach)
    own = case.regions(case.finding.solid)
    if not any(leg.region in own or leg.at in own for leg in path.legs):  # it lies deeper, with others above
        reach = _depth_of(case, 1.0)
        path = _through_own(case, first, last, reach)
    beside = _beside(case, reach, first, last)
    place = path.origin_mm[0] + reach * path.direction[0], path.origin_mm[1] + reach * path.direction[1]
    loss = path.loss_db - (beside[0].loss_db if beside else 0.0)
    formulas = (case.words("formula.shadow", loss=loss, depth=reach, effect=_effect_at(case, place)),)
    return Cause(case.finding, path, beside, (), (), formulas)


def _through_own(case: Case, first: float, last: float, reach: float) -> Path:
    """Of the lines of a patch the one nearest to its middle that goes through, or ends on, the finding's own solid.

    One that meets nothing else is taken first: shadows of neighbours run into one patch.
    """
    own = set(case.regions(case.finding.solid))
    middle = _patch_lines(case)[1]
    paths = [case.follower.to_depth(float(l), reach) for l in (middle, *np.linspace(first, last, 25))]

    def order(path: Path) -> tuple[bool, int, float]:
        met = {n for leg in path.legs for n in (leg.region, leg.at)}
        return not met & own, len(met - own), abs(path.line - middle)

    return min(paths, key=order)


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
    main = max(through, key=lambda p: abs(angle_of(p.legs[-1]) - angle_of(p.legs[0])))
    k = next(i for i, leg in enumerate(main.legs) if leg.region in numbers)
    before = main.legs[k - 1] if k else main.legs[0]
    centre = _centroid(case, numbers)
    out = math.atan2(before.end_mm[0] - centre[0], -(before.end_mm[1] - centre[1]))
    meets = abs(math.degrees(out + angle_of(before)))
    bend = abs(math.degrees(angle_of(main.legs[-1]) - angle_of(main.legs[0])))
    formulas = (case.words("formula.edge_shadow", angle=min(meets, 180 - meets), bend=bend),)
    return Cause(case.finding, main, tuple(p for p in fan if p is not main), (), (), formulas)


def _centroid(case: Case, numbers: Sequence[int]) -> Place:
    rows, columns = np.nonzero(np.isin(case.frame.truth.there, numbers))
    return float(case.frame.x_mm[columns].mean()), float(case.frame.z_mm[rows].mean())


def _beam_width(case: Case) -> Cause | None:
    """The aperture that listens to a point: its middle and its two ends."""
    x, z = middle_of(case)
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
    edges = tuple(
        _straight_from(case, end, line, path.end_mm)
        for end in _aperture_ends(case, line, 0.5 * depth / number)
    )
    return Cause(case.finding, path, edges, (path.end_mm,), (path.shown_mm(case.assumed),), formulas)


def _edge_of_field(case: Case) -> Cause | None:
    """The aperture that listens to the middle of a dark edge: both ends of what there is of it."""
    x, z = middle_of(case)
    line = case.follower.line_at((x, z))
    depth = _distance(case, line, (x, z))
    path = case.follower.to_depth(line, depth)
    plan = case.follower.view.plan
    middle = float(np.interp(line, np.arange(plan.n_lines), plan.face_mm))
    half = min(0.5 * depth / case.scene.scan.receive_f_number, plan.channel_half_mm)
    low, high = np.clip([middle - half, middle + half], -plan.face_half_mm, plan.face_half_mm)
    edges = tuple(_straight_from(case, end, line, path.end_mm) for end in _aperture_ends(case, line, half))
    formula = case.words(
        "formula.edge_of_field",
        depth=depth,
        whole=2 * half,
        have=float(high - low),
        effect=_effect_at(case, (x, z)),
    )
    return Cause(case.finding, path, edges, (), (), (formula,))


def _anisotropy(case: Case) -> Cause | None:
    """The way to the middle of a dark patch of fibres, and its angle to them."""
    place = middle_of(case)
    line = case.follower.line_at(place)
    path = case.follower.to_depth(line, _distance(case, line, place))
    last = path.legs[-1]
    direction, drop_db, half_rad = case.follower.view.phantom.fibres[last.region]
    if drop_db <= 0.0:
        return None
    along = abs(
        math.sin(angle_of(last)) * math.cos(direction) + math.cos(angle_of(last)) * math.sin(direction)
    )
    angle = math.asin(min(1.0, along))
    formula = case.words(
        "formula.anisotropy", angle=math.degrees(angle), drop=float(drop_db), half=math.degrees(half_rad),
        effect=-float(drop_db) * min(1.0, angle / half_rad) ** 2,
    )  # fmt: skip
    return Cause(case.finding, path, (), (), (), (formula,))


def _aperture_ends(case: Case, line: float, half_mm: float) -> list[Place]:
    """Both ends of an aperture about a line, no farther than the array reaches."""
    plan = case.follower.view.plan
    middle = float(np.interp(line, np.arange(plan.n_lines), plan.face_mm))
    ends = np.clip([middle - half_mm, middle + half_mm], -plan.face_half_mm, plan.face_half_mm)
    points, _ = face_point(ends, plan.face_radius_mm)
    return [(float(x), float(z)) for x, _, z in points]


def _straight_from(case: Case, start: Place, line: float, place: Place) -> Path:
    """A straight way from a place of the face to another, for a line, through one tissue."""
    _, _, dx, dz = case.follower.start(line)
    length = math.dist(start, place)
    leg = Leg(start, place, 0, length, length / case.assumed, 0.0, 0.0, "target", 0)
    return Path((leg,), line, start, (dx, dz), True)


def _distance(case: Case, line: float, place: Place) -> float:
    x, z, _, _ = case.follower.start(line)
    return math.dist((x, z), place)


MAKERS: dict[str, Callable[[Case], Cause | None]] = {
    "mirror": mirror_cause,
    "reverberation": reverberation_cause,
    "multipath": multipath_cause,
    "range_ambiguity": range_ambiguity_cause,
    "speed": speed_cause,
    "refraction": refraction_cause,
    "shadow": _shadow,
    "enhancement": _enhancement,
    "edge_shadow": _edge_shadow,
    "beam_width": _beam_width,
    "edge_of_field": _edge_of_field,
    "anisotropy": _anisotropy,
}
