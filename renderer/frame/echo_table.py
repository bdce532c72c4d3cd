"""The table of echoes: where each named solid truly is, where it is shown, and how it came there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from renderer.frame.frame import Echo, Truth
from renderer.trace.branches import FACE
from renderer.trace.echoes import SECONDARY_CLASSES
from renderer.trace.secondary import SPECULAR
from renderer.trace.sheets import Q_REGION, Q_SURFACE, Q_X, Q_Z

if TYPE_CHECKING:
    from renderer.frame.truth import ViewTruth

Array = np.ndarray
FEWEST_PIXELS = 12  # an image of a body in the picture must be at least this large to be listed
FAINTEST_DB = 20.0  # echoes this far below black are left out


def echo_table(made: ViewTruth, truth: Truth, level_db: Array) -> tuple[Echo, ...]:
    """Echoes of surfaces, specular paths and bodies of the first view, strongest first.

    Surfaces and specular paths are listed on the line where they are strongest, bodies (of
    scatterers) by the middle of the pixels that they own in a class.
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


def _surfaces(made: ViewTruth) -> list[Echo]:
    """The direct echo of every surface, at its brightest: the middle of all lines within 1 dB of that."""
    v = made.first
    if "direct" in made.without or not len(v.traced.samples):
        return []
    envelope = np.abs(v.iq[0])
    rows = []
    regions = v.traced.samples[:, Q_REGION].astype(int)
    index = v.traced.surface_index
    line, fine = np.nonzero(index >= 0)
    if not len(line):
        return []
    at = np.minimum(fine // 2, envelope.shape[1] - 1)
    owner, size = regions[index[line, fine]], envelope[line, at]
    for region in np.unique(owner):
        mine = np.flatnonzero(owner == region)
        near = mine[size[mine] >= 0.89 * size[mine].max()]
        best = near[np.argsort(line[near], kind="stable")[len(near) // 2]]
        l, t = int(line[best]), int(at[best])
        low, high = max(t - 6, 0), t + 7
        t = low + int(np.argmax(envelope[l, low:high]))
        time_us = float(v.plan.time_us[t])
        sample = v.traced.samples[index[l, fine[best]]]
        name = _name(made, int(region))
        rows.append(
            Echo(
                solid=name,
                origin_class="direct",
                order=0,
                true_mm=_world(made, float(sample[Q_X]), float(sample[Q_Z])),
                displayed_mm=_displayed(made, l, time_us),
                level_db=_level(made, float(envelope[l, t]), time_us),
                delay_us=time_us,
                path=f"face - {name} - face",
            )  # fmt: skip
        )
    return rows


def _late_surfaces(made: ViewTruth) -> list[Echo]:
    """The echo of every surface that answers after the next pulse has gone out, at its brightest.

    ``delay_us`` counts from the pulse that made it; it is shown on the line after the one that sent it.
    """
    v = made.first
    if v.secondary is None or "range_ambiguity" in made.without or not len(v.traced.samples):
        return []
    k = SECONDARY_CLASSES.index("range_ambiguity")
    index = v.secondary.index[:, k]
    line, fine = np.nonzero((index < 0) & (index > SPECULAR // 2) & (v.secondary.best[:, k] > 0))
    if not len(line):
        return []
    envelope = np.abs(v.iq[v.class_names.index("range_ambiguity")])
    at = np.minimum(fine // 2, envelope.shape[1] - 1)
    samples = v.traced.samples[-1 - index[line, fine]]
    owner, size = samples[:, Q_REGION].astype(int), envelope[line, at]
    rows = []
    for region in np.unique(owner):
        mine = np.flatnonzero(owner == region)
        near = mine[size[mine] >= 0.89 * size[mine].max()]
        best = near[np.argsort(line[near], kind="stable")[len(near) // 2]]
        l, t = int(line[best]), int(at[best])
        low = max(t - 6, 0)
        t = low + int(np.argmax(envelope[l, low : t + 7]))
        shown_us, name = float(v.plan.time_us[t]), _name(made, int(region))
        rows.append(
            Echo(
                solid=name,
                origin_class="range_ambiguity",
                order=0,
                true_mm=_world(made, float(samples[best, Q_X]), float(samples[best, Q_Z])),
                displayed_mm=_displayed(made, l, shown_us),
                level_db=_level(made, float(envelope[l, t]), shown_us),
                delay_us=shown_us + v.plan.pulse_interval_us,
                path=f"face - {name} - face",
            )  # fmt: skip
        )
    return rows


def _specular_paths(made: ViewTruth) -> list[Echo]:
    """Every secondary path that came back to the face, on its strongest line."""
    v = made.first
    if v.secondary is None:
        return []
    seen: dict[tuple[int, ...], list[tuple[float, int, int]]] = {}
    for line in range(v.plan.n_lines):
        for e in range(int(v.secondary.n_echoes[line])):
            row = v.secondary.echoes[line, e]
            turns = tuple(int(h) for h in row[6 : 6 + int(row[5])])
            size = math.hypot(row[1], row[2]) * v.scale
            seen.setdefault((int(row[3]), *turns), []).append((size, line, e))
    names = {s: _name(made, int(r)) for s, r in enumerate(v.phantom.painted.region)} | {FACE: "face"}
    rows = []
    for (kind, *history), places in seen.items():
        size, line, e = _middle_of_strongest(places)
        origin_class = SECONDARY_CLASSES[kind]
        if origin_class in made.without:
            continue
        row = v.secondary.echoes[line, e]
        delay_us, shown_line, shown_us = float(row[0]), line, float(row[0])
        if origin_class == "range_ambiguity":  # heard on the next line, after the next pulse
            shown_line, shown_us = min(line + 1, v.plan.n_lines - 1), delay_us - v.plan.pulse_interval_us
        rows.append(
            Echo(
                solid=names[history[-1]],
                origin_class=origin_class,
                order=int(row[4]),
                true_mm=_nearest_sample(made, history[-1], line),
                displayed_mm=_displayed(made, shown_line, shown_us),
                level_db=_level(made, size, shown_us),
                delay_us=delay_us,
                path=" - ".join(["face", *(names[h] for h in history), "face"]),
            )  # fmt: skip
        )
    return rows


def _middle_of_strongest(places: list[tuple[float, int, int]]) -> tuple[float, int, int]:
    """The middle one, by line, of all that come within 1 dB of the strongest."""
    most = max(size for size, _, _ in places)
    near = sorted((line, size, e) for size, line, e in places if size >= 0.89 * most)
    line, size, e = near[len(near) // 2]
    return size, line, e


def _nearest_sample(made: ViewTruth, surface: int, line: int) -> tuple[float, float]:
    """Where a line meets a surface first (world), NaN if it does not."""
    v = made.first
    mine = v.traced.samples[v.traced.samples[:, Q_SURFACE] == surface]
    if not len(mine):
        return math.nan, math.nan
    x, z, dx, dz = v.view.lines[line]
    gx, gz = mine[:, Q_X] - x, mine[:, Q_Z] - z
    off, along = np.abs(gx * dz - gz * dx), gx * dx + gz * dz
    close = off < off.min() + 0.2
    q = np.flatnonzero(close)[np.argmin(along[close])]
    return _world(made, float(mine[q, Q_X]), float(mine[q, Q_Z]))


def _bodies(made: ViewTruth, truth: Truth, level_db: Array) -> list[Echo]:
    """Bodies of scatterers by class: the middle of the pixels that a body owns, and where they came from."""
    rows = []
    names = [n for n in truth.share if n != "noise" and (truth.share[n] > 0.5).any()]
    x, z = np.meshgrid(made.grid.x_mm, made.grid.z_mm)
    coupling = len(truth.legend) - 1
    media = made.first.phantom.media[:, 4]  # backscatter of each region
    for origin_class in names:
        mask = truth.mask(origin_class)
        for region in np.unique(truth.source[mask]):
            silent = region < len(media) and media[region] <= 0.0
            if region in (0, coupling) or region >= len(truth.legend) or silent:
                continue
            pixels = mask & (truth.source == region)
            place = truth.source_mm[pixels]
            if pixels.sum() < FEWEST_PIXELS or not np.isfinite(place).all(axis=1).any():
                continue
            name, via = truth.legend[int(region)].name, int(np.median(truth.via[pixels]))
            order = int(np.median(truth.order[pixels]))
            turn = truth.legend[via].name if via in truth.legend else "unknown"
            way = f"face - {turn} - {name}" if via else f"face - {name}"
            delay_us = float(np.median(made.scan.sample[0][pixels])) * made.first.plan.sample_us
            if origin_class == "range_ambiguity":
                delay_us += made.first.plan.pulse_interval_us
            rows.append(
                Echo(
                    solid=name,
                    origin_class=origin_class,
                    order=order if origin_class != "direct" else 0,
                    true_mm=(float(np.nanmean(place[:, 0])), float(np.nanmean(place[:, 2]))),
                    displayed_mm=(float(x[pixels].mean()), float(z[pixels].mean())),
                    level_db=float(10 * np.log10(np.mean(10 ** (level_db[pixels] / 10)))),
                    delay_us=delay_us,
                    path=f"{way} - face",
                )  # fmt: skip
            )
    return rows
