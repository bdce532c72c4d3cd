"""The table of echoes: where each named solid truly is, where it is shown, and how it came there.

Both places of a row belong to one path. Displayed is where the recorded echo lies: the peak of a surface's
envelope, the recorded time of a path that came back to the face, or, for a body, where its recorded
scatterers put the place that is listed. True is where that place is in the phantom.

Limits: the surface samples wave where a solid's surface does, the rays do not, so true places of a wavy surface
are off by its waves; and where neighbouring lines see a body by ways that do not pass into each other, as by
the edge of another body, the place shown is blurred over the jump, to some tenths of a millimetre.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from renderer.frame.convert import nearest_picture
from renderer.frame.frame import Echo, Truth
from renderer.trace import tables as tb
from renderer.trace.branches import FACE
from renderer.trace.echoes import DIRECT_CLASSES, SECONDARY_CLASSES
from renderer.trace.secondary import SPECULAR
from renderer.trace.sheets import Q_REGION, Q_SURFACE, Q_X, Q_Z

if TYPE_CHECKING:
    from renderer.frame.truth import ViewTruth

Array = np.ndarray
FEWEST_PIXELS = 12  # an image of a body in the picture must be at least this large to be listed
FAINTEST_DB = 20.0  # echoes this far below black are left out
ALIKE = 0.89  # amplitudes within 1 dB of the strongest count as one
SHIFT_MM = 0.5  # echoes of one surface that are displaced differently by more than this are two
MOST_SHIFTS = 3
WEAKER = 0.1  # another displacement is listed if its echo is no weaker than this share of the strongest
NEAR_SAMPLES = 400  # recorded scatterers from which the displayed place of a body is taken
FEWEST_FITTED = 60  # with fewer of them it is their mean
SAME_US = 0.2  # records of the same turns on one line that are nearer in time are one path
RAY_MM, ALONG_MM = (
    0.05,
    1.0,
)  # the middle ray of a line meets a surface if it passes this near to a sample of it,
# no farther along from where it is at the time of the echo


def echo_table(made: ViewTruth, truth: Truth, level_db: Array) -> tuple[Echo, ...]:
    """Echoes of surfaces, specular paths and bodies of the first view, strongest first.

    Surfaces and specular paths are listed on the line where they are strongest; a surface that is shown
    with different displacements, as beside and behind something slow, is listed once for each.
    """
    found = [*_surfaces(made), *_late_surfaces(made), *_specular_paths(made), *_bodies(made, truth, level_db)]
    visible = [e for e in found if e.level_db > truth.floor_db - FAINTEST_DB]
    return tuple(sorted(visible, key=lambda e: -e.level_db))


def _displayed(made: ViewTruth, line: int, time_us: float) -> tuple[float, float]:
    v = made.first
    s = 0.5 * v.view.assumed * time_us
    x, z, dx, dz = v.view.lines[line]
    return float(x + s * dx), float(z + s * dz)


def _world(made: ViewTruth, x: float, z: float) -> tuple[float, float]:
    point = made.to_world(np.array([x, 0.0, z]))
    return float(point[0]), float(point[2])


def _name(made: ViewTruth, region: int) -> str:
    return made.first.phantom.painted.regions[region].name


def _level(made: ViewTruth, amplitude: float, time_us: float) -> float:
    v = made.first
    t = int(np.clip(round(time_us / v.plan.sample_us), 0, len(v.plan.time_us) - 1))
    gain = float(made.gain_db[0][t]) + made.receive.output_db
    return 20 * math.log10(max(amplitude, 1e-15)) + gain


# --- surfaces -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Deposits:
    """Where surfaces made the strongest contribution of a class: line, time sample, surface sample, amplitude and
    region, all (D,).

    ``envelope`` (L, T) of the class. ``late_us`` is what delays count from before the pulse of the line
    shown, which was then sent on the line before.
    """

    origin_class: str
    line: Array
    at: Array
    index: Array
    size: Array
    owner: Array
    envelope: Array
    late_us: float = 0.0


def _surfaces(made: ViewTruth) -> list[Echo]:
    """The direct echo of every surface."""
    v = made.first
    if "direct" in made.without or not len(v.traced.samples):
        return []
    line, fine = np.nonzero(v.traced.surface_index >= 0)
    index = v.traced.surface_index[line, fine]
    return list(_surface_rows(made, _deposits(made, "direct", line, fine, index)))


def _late_surfaces(made: ViewTruth) -> list[Echo]:
    """The echo of every surface that answers after the next pulse has gone out.

    ``delay_us`` counts from the pulse that made it; it is shown on the line after the one that sent it.
    """
    v = made.first
    if v.secondary is None or "range_ambiguity" in made.without or not len(v.traced.samples):
        return []
    k = SECONDARY_CLASSES.index("range_ambiguity")
    code = v.secondary.index[:, k]
    line, fine = np.nonzero((code < 0) & (code > SPECULAR // 2) & (v.secondary.best[:, k] > 0))
    found = _deposits(made, "range_ambiguity", line, fine, -1 - code[line, fine], v.plan.pulse_interval_us)
    return list(_surface_rows(made, found))


def _deposits(
    made: ViewTruth, origin_class: str, line: Array, fine: Array, index: Array, late_us: float = 0.0
) -> _Deposits:
    v = made.first
    envelope = np.abs(v.iq[v.class_names.index(origin_class)])
    at = np.minimum(fine // 2, envelope.shape[1] - 1)
    owner = v.traced.samples[index, Q_REGION].astype(int)
    return _Deposits(origin_class, line, at, index, envelope[line, at], owner, envelope, late_us)


def _surface_rows(made: ViewTruth, found: _Deposits) -> Iterator[Echo]:
    """Each region's surface at its brightest, and again where it is displaced differently."""
    shift = _shifts_mm(made, found)
    for region in np.unique(found.owner):
        left = np.flatnonzero(found.owner == region)
        most = found.size[left].max()
        for number in range(MOST_SHIFTS):
            left = left[found.size[left] >= WEAKER * most]
            if not len(left):
                break
            brightest = left[np.argmax(found.size[left])]
            # Where the middle ray has ended no displacement is known: all of that is one echo
            away = np.nan_to_num(np.linalg.norm(shift[left] - shift[brightest], axis=-1))
            group = left[away <= SHIFT_MM]
            best = _middle_by_line(found.line, found.size, _fronts(found, group))
            row, met = _surface_row(made, found, int(region), best)
            if met or number == 0:
                yield row
            left = left[away > SHIFT_MM]


def _fronts(found: _Deposits, group: Array) -> Array:
    """Of the deposits within 1 dB of the strongest the first on each line: a layer is listed by its front."""
    near = group[found.size[group] >= ALIKE * found.size[group].max()]
    in_order = near[np.lexsort((found.at[near], found.line[near]))]
    _, first = np.unique(found.line[in_order], return_index=True)
    return in_order[first]


def _surface_row(made: ViewTruth, found: _Deposits, region: int, best: int) -> tuple[Echo, bool]:
    """A row, and whether the middle ray of its line meets the surface there.

    If it does not, what is heard comes from beside it, and the sample that is heard best is its true place.
    """
    v = made.first
    l, t = int(found.line[best]), int(found.at[best])
    low = max(t - 6, 0)
    t = low + int(np.argmax(found.envelope[l, low : t + 7]))
    shown_us, name = float(v.plan.time_us[t]), _name(made, region)
    true = _meeting(made, max(l - 1, 0) if found.late_us else l, Q_REGION, region, shown_us + found.late_us)
    own = v.traced.samples[found.index[best]]
    echo = Echo(
        solid=name,
        origin_class=found.origin_class,
        order=0,
        true_mm=true or _world(made, float(own[Q_X]), float(own[Q_Z])),
        displayed_mm=_displayed(made, l, shown_us),
        level_db=_level(made, float(found.envelope[l, t]), shown_us),
        delay_us=shown_us + found.late_us,
        path=f"face - {name} - face",
    )  # fmt: skip
    return echo, true is not None


def _middle_by_line(line: Array, size: Array, among: Array) -> int:
    """The middle one, by line, of all that come within 1 dB of the strongest."""
    near = among[size[among] >= ALIKE * size[among].max()]
    return int(near[np.argsort(line[near], kind="stable")[len(near) // 2]])


def _shifts_mm(made: ViewTruth, found: _Deposits) -> Array:
    """Displayed place less that of the middle ray at the same time, (D, 2); NaN where that has ended; 0 if late."""
    v = made.first
    shift = np.zeros((len(found.line), 2))
    if found.late_us:
        return shift
    for line in np.unique(found.line):
        mine = found.line == line
        time_us = v.plan.time_us[found.at[mine]]
        place = _ray_places(made, int(line), time_us)
        x, z, dx, dz = v.view.lines[line]
        s = 0.5 * v.view.assumed * time_us
        shift[mine] = np.stack([x + s * dx, z + s * dz], -1) - place
    return shift


def _ray_places(made: ViewTruth, line: int, time_us: Array) -> Array:
    """Where a line's middle ray is (x, z) at two-way times (M,); on to one node past its last, NaN beyond."""
    v = made.first
    nodes = v.traced.nodes[line, : v.traced.n_nodes[line]]
    nodes = nodes[~np.isnan(nodes[:, tb.N_CTIME])]
    if len(nodes) < 2:
        return np.full((len(time_us), 2), np.nan)
    t, place = nodes[:, tb.N_CTIME], nodes[:, [tb.N_CX, tb.N_CZ]]
    # A node may lie well before the surface on which the ray ends
    step = max(t[-1] - t[-2], 0.1 * t[-1])
    speed = (place[-1] - place[-2]) / max(t[-1] - t[-2], 1e-9)
    t, place = np.append(t, t[-1] + step), np.vstack([place, place[-1] + step * speed])
    return np.stack([np.interp(time_us, t, place[:, k], right=np.nan) for k in range(2)], -1)


def _meeting(
    made: ViewTruth, line: int, column: int, number: int, time_us: float
) -> tuple[float, float] | None:
    """Where a line's middle ray meets a region or surface (world) about where it is at a time; None if it does not.

    ``column`` of the surface samples is compared with ``number``. Past the end of the middle ray, which
    is followed no deeper than the picture, the line is taken to be straight.
    """
    v = made.first
    x, z, dx, dz = v.view.lines[line]
    here, before = _ray_places(made, line, np.array([time_us, time_us - 1.0]))
    if np.isnan(here).any() or np.isnan(before).any():
        s = 0.5 * v.view.assumed * time_us
        here, before = np.array([x + s * dx, z + s * dz]), np.array([x, z])
    way = (here - before) / max(math.dist(here, before), 1e-9)
    gap = v.traced.samples[v.traced.samples[:, column] == number][:, [Q_X, Q_Z]] - here
    off, along = np.abs(gap[:, 0] * way[1] - gap[:, 1] * way[0]), np.abs(gap @ way)
    close = np.flatnonzero((off < RAY_MM) & (along < ALONG_MM))
    if not len(close):
        return None
    # Next to it in time, then next to the ray: of a steep surface many samples are near to it
    next_to = close[np.argmin(along[close])]
    patch = close[np.abs(along[close] - along[next_to]) < ALONG_MM / 2]
    place = here + gap[patch[np.argmin(off[patch])]]
    return _world(made, float(place[0]), float(place[1]))


# --- paths that came back to the face -----------------------------------------------------------------


def _specular_paths(made: ViewTruth) -> list[Echo]:
    """Every secondary path that came back to the face, on its strongest line.

    True is where the middle ray of that line first meets the surface that turned the sound last.
    """
    v = made.first
    if v.secondary is None:
        return []
    seen: dict[tuple[int, ...], list[tuple[float, int, int]]] = {}
    for line in range(v.plan.n_lines):
        met: dict[tuple[int, ...], list[float]] = {}
        records = v.secondary.echoes[line, : int(v.secondary.n_echoes[line])]
        for e in np.argsort(records[:, 0], kind="stable"):
            row = records[e]
            key = (int(row[3]), *(int(h) for h in row[6 : 6 + int(row[5])]))
            # Of two ways by the same surfaces (a box is one: front and back) each has its own row
            times = met.setdefault(key, [])
            if not times or row[0] > times[-1] + SAME_US:
                times.append(float(row[0]))
            size = math.hypot(row[1], row[2]) * v.scale
            seen.setdefault((len(times), *key), []).append((size, line, int(e)))
    return [
        _specular_row(made, SECONDARY_CLASSES[kind], history, places)
        for (_, kind, *history), places in seen.items()
        if SECONDARY_CLASSES[kind] not in made.without
    ]


def _specular_row(
    made: ViewTruth, origin_class: str, history: list[int], places: list[tuple[float, int, int]]
) -> Echo:
    v = made.first
    assert v.secondary is not None
    sizes, lines = np.array([p[0] for p in places]), np.array([p[1] for p in places])
    size, line, e = places[_middle_by_line(lines, sizes, np.arange(len(places)))]
    row = v.secondary.echoes[line, e]
    delay_us, shown_line, shown_us = float(row[0]), line, float(row[0])
    if origin_class == "range_ambiguity":  # heard on the next line, after the next pulse
        shown_line, shown_us = min(line + 1, v.plan.n_lines - 1), delay_us - v.plan.pulse_interval_us
    names = ["face" if h == FACE else _name(made, int(made.first.phantom.painted.region[h])) for h in history]
    return Echo(
        solid=names[-1],
        origin_class=origin_class,
        order=int(row[4]),
        true_mm=_first_meeting(made, line, history[-1]),
        displayed_mm=_displayed(made, shown_line, shown_us),
        level_db=_level(made, size, shown_us),
        delay_us=delay_us,
        path=" - ".join(["face", *names, "face"]),
    )  # fmt: skip


def _first_meeting(made: ViewTruth, line: int, surface: int) -> tuple[float, float]:
    """Where a line's middle ray first meets a surface (world), NaN if it does not."""
    v, nowhere = made.first, (math.nan, math.nan)
    own = v.traced.samples[v.traced.samples[:, Q_SURFACE] == surface][:, [Q_X, Q_Z]]
    if not len(own):
        return nowhere
    time_us = np.arange(0.25, float(v.plan.time_us[-1]), 0.25)  # 0.2 mm
    ray = _ray_places(made, line, time_us)
    ray = ray[np.isfinite(ray).all(axis=1)]
    if not len(ray):
        return nowhere
    gap = np.linalg.norm(own[None, ::8] - ray[:, None], axis=-1).min(axis=1)
    first = int(np.flatnonzero(gap <= max(gap.min() + 0.1, 0.3))[0])
    while first + 1 < len(gap) and gap[first + 1] < gap[first]:
        first += 1
    # Of two sides of a thin layer the first one is nearer to a place a little before
    return _meeting(made, line, Q_SURFACE, surface, float(time_us[first]) - 0.3) or nowhere


# --- bodies of scatterers -----------------------------------------------------------------------------


def _bodies(made: ViewTruth, truth: Truth, level_db: Array) -> list[Echo]:
    """Bodies of scatterers by class: a scatterer in the middle of those that are seen, and where it is shown."""
    coupling = len(truth.legend) - 1
    media = made.first.phantom.media[:, 4]  # backscatter of each region
    strongest = made.strongest
    shape = strongest["region"].shape
    index = nearest_picture(np.arange(shape[0] * shape[1], dtype=np.int32).reshape(shape), made.scan, -1)
    rows: list[Echo] = []
    for origin_class in [n for n in truth.share if n != "noise" and (truth.share[n] > 0.5).any()]:
        mask = truth.mask(origin_class) & (index >= 0)
        own = np.isin(strongest["group"].ravel()[index], _groups_of(origin_class))
        for region in np.unique(truth.source[mask & own]):
            silent = region < len(media) and media[region] <= 0.0
            if region in (0, coupling) or region >= len(truth.legend) or silent:
                continue
            pixels = mask & own & (truth.source == region)
            if pixels.sum() >= FEWEST_PIXELS:
                level = float(10 * np.log10(np.mean(10 ** (level_db[pixels] / 10))))
                row = partial(_body_row, made, truth, origin_class, int(region), pixels, level)
                rows += row(np.unique(index[pixels]))
    return rows


def _groups_of(origin_class: str) -> list[int]:
    """Groups of contributions that belong to a class, as ``strongest`` numbers them; of direct classes the points."""
    if origin_class in SECONDARY_CLASSES:
        return [2 + SECONDARY_CLASSES.index(origin_class)]
    return [0] if origin_class in DIRECT_CLASSES else []


def _body_row(
    made: ViewTruth, truth: Truth, origin_class: str, region: int, pixels: Array, level: float, cells: Array
) -> Iterator[Echo]:
    """The row of a body from the cells of the lines (flat) in which it is strongest; none if no scatterer is known."""
    strongest, v = made.strongest, made.first
    line, slot = np.divmod(cells, strongest["region"].shape[1])[0], strongest["winner"].ravel()[cells]
    pairs, first = np.unique(np.stack([line, slot], -1), axis=0, return_index=True)
    source = strongest["place"].reshape(-1, 3)[cells[first]].astype(float)
    known = np.isfinite(source).all(axis=1)
    if not known.any():
        return
    line, slot, source = pairs[known, 0], pairs[known, 1], source[known]
    x, z, dx, dz = v.view.lines[line].T
    s = 0.5 * v.view.assumed * (slot + 0.5) * v.view.fine_us
    true, (sx, sz) = _body_places(source, np.stack([x + s * dx, z + s * dz], -1))
    x, z, dx, dz = v.view.lines.T
    nearest = int(np.argmin(np.abs((sx - x) * dz - (sz - z) * dx)))
    depth = math.hypot(sx - x[nearest], sz - z[nearest])
    late_us = v.plan.pulse_interval_us if origin_class == "range_ambiguity" else 0.0
    name, via = truth.legend[region].name, int(np.median(truth.via[pixels]))
    turn = truth.legend[via].name if via in truth.legend else "unknown"
    yield Echo(
        solid=name,
        origin_class=origin_class,
        order=int(np.median(truth.order[pixels])) if origin_class != "direct" else 0,
        true_mm=_world(made, *true),
        displayed_mm=(sx, sz),
        level_db=level,
        delay_us=2 * depth / v.view.assumed + late_us,
        path=f"face - {turn} - {name} - face" if via else f"face - {name} - face",
    )  # fmt: skip


def _body_places(source: Array, shown: Array) -> tuple[tuple[float, float], tuple[float, float]]:
    """A place in the middle of recorded scatterers (P, 3), and where it is shown, given where each was heard (P, 2).

    A scatterer is heard all over the beam's width, on whatever line and at whatever time, so the place
    shown is a regression over those round the one listed: of second order, as a curved mirror or a lens
    maps it, and to the picture plane, off which the way is longer.
    """
    middle = source[:, [0, 2]].mean(axis=0)
    k = int(np.argmin(np.linalg.norm(source[:, [0, 2]] - middle, axis=1)))
    true = float(source[k, 0]), float(source[k, 2])
    away = source - np.array([true[0], 0.0, true[1]])
    near = np.argsort(np.linalg.norm(away[:, [0, 2]], axis=1), kind="stable")[:NEAR_SAMPLES]
    if len(near) < FEWEST_FITTED:
        move = shown.mean(axis=0) + (np.array(true) - middle)
        return true, (float(move[0]), float(move[1]))
    u, y, w = away[near].T
    design = np.stack([np.ones_like(u), u, w, y, u * u, u * w, w * w, y * y], -1)
    fitted = np.linalg.lstsq(design, shown[near], rcond=None)[0][0]
    return true, (float(fitted[0]), float(fitted[1]))
