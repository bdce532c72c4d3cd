"""Sweeps: one picture for each value of a setting, and how what matters changes with it.

Any setting, pose or solid can be run through, one or two at a time. Noise is new in every picture,
tissue stays in its place.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError
from renderer.flow import iterate_series
from renderer.frame.frame import Frame
from renderer.measure.contrast import cnr, contrast_db, generalised_cnr
from renderer.scene.scene import Scene
from renderer.scene.settings import parse_setting_value
from renderer.teach.findings import Finding, find_all, named_regions, pixel_mm, shown_width
from renderer.teach.remedies import current, energy, penetration_mm, world_place
from renderer.teach.words import Words

MOST_PICTURES = 121
RING_MM = (0.8, 4.0)  # what surrounds a solid: from this far to that far outside of its edge
LEAST_MM2 = 6.0  # smaller solids have no grey of their own
CELL_MM2 = 0.5  # a resolution cell, for counts of independent cells; a coarse mean of the shipped probes

Key = tuple[str, str]  # quantity and what it is of


@dataclass(frozen=True)
class Axis:
    """A setting path with the values that it runs through, as they are written in a file."""

    path: str
    values: tuple[Any, ...]

    @property
    def numeric(self) -> bool:
        """Whether the values are numbers, so that a curve can be drawn against them."""
        return all(isinstance(v, int | float) and not isinstance(v, bool) for v in self.values)


@dataclass(frozen=True, eq=False)
class Shot:
    """One picture of a sweep, with what is needed to show it; the frame itself is let go."""

    settings: Mapping[str, Any]
    values: tuple[Any, ...]
    image: npt.NDArray[np.uint8]
    extent_mm: tuple[float, float, float, float]
    readings: Mapping[Key, float]
    findings: tuple[str, ...]
    images: Mapping[str, str]  # false image to the solid that it is of


@dataclass(frozen=True, eq=False)
class Sweep:
    """All pictures of a sweep, the last axis running fastest."""

    scene: Scene
    axes: tuple[Axis, ...]
    shots: tuple[Shot, ...]
    words: Words = field(repr=False)

    def curve(self, key: Key) -> npt.NDArray[np.float64]:
        """A reading in every picture, NaN where it could not be taken."""
        return np.array([shot.readings.get(key, math.nan) for shot in self.shots])

    @property
    def keys(self) -> list[Key]:
        """Readings that could be taken in at least one picture, in order of first appearance."""
        return list(dict.fromkeys(key for shot in self.shots for key in shot.readings))


def parse_axis(text: str) -> Axis:
    """An axis as it is typed: ``machine.gain_db=-20:20:9`` (from, to, steps) or ``machine.grey_map=soft,linear``.

    Raises
    ------
    SettingError
        If it cannot be read.
    """
    path, equals, written = text.partition("=")
    path, written = path.strip(), written.strip()
    if not equals or not path or not written:
        raise SettingError(
            f"--vary wants PATH=FROM:TO:STEPS or PATH=A,B,C, such as machine.gain_db=-20:20:9, got '{text}'"
        )
    if ":" in written:
        parts = written.split(":")
        try:
            start, stop, steps = float(parts[0]), float(parts[1]), int(parts[2])
        except (ValueError, IndexError):
            raise SettingError(
                f"{path}: a range is FROM:TO:STEPS, such as -20:20:9, got '{written}'"
            ) from None
        if len(parts) != 3 or steps < 2 or not (math.isfinite(start) and math.isfinite(stop)):
            raise SettingError(f"{path}: a range is FROM:TO:STEPS with at least 2 steps, got '{written}'")
        return Axis(path, tuple(_neat(v) for v in np.linspace(start, stop, steps)))
    values = tuple(parse_setting_value(base_path(path)[0], part.strip()) for part in written.split(","))
    if len(values) < 2:
        raise SettingError(f"{path}: a sweep needs at least 2 values, got '{written}'")
    return Axis(path, values)


def _neat(value: float) -> int | float:
    """A number without the dust of its division into steps; whole ones as whole numbers."""
    rounded = round(float(value), 9)
    return int(rounded) if rounded == int(rounded) else rounded


def base_path(path: str) -> tuple[str, int | None]:
    """A setting path without the place in a list that may stand behind it: ``solids.grape.centre_mm[0]``."""
    if path.endswith("]") and "[" in path:
        base, _, place = path[:-1].rpartition("[")
        if place.isdigit():
            return base, int(place)
    return path, None


def change_of(scene: Scene, path: str, value: Any) -> dict[str, Any]:
    """The setting that gives a path a value; with a place behind the path the rest of the list stays.

    Raises
    ------
    SettingError
        If there is no such place.
    """
    base, place = base_path(path)
    if place is None:
        return {base: value}
    old = current(scene, base)
    if not isinstance(old, list | tuple) or place >= len(old):
        raise SettingError(f"{path}: {base} has no place {place}; count from 0")
    return {base: [value if k == place else v for k, v in enumerate(old)]}


def sweep(
    scene: Scene,
    axes: Sequence[Axis | str],
    *,
    seed: int | None = None,
    words: Words | None = None,
    tell: Callable[[str], object] = lambda step: None,
) -> Sweep:
    """Pictures of a scene with one or two settings run through their values, and readings in each.

    ``tell`` is called with each step before it is taken, in a few words.

    Raises
    ------
    SettingError
        If a path or a value is not allowed, or there would be too many pictures.
    """
    words = words or Words()
    ready = tuple(parse_axis(a) if isinstance(a, str) else a for a in axes)
    if not 1 <= len(ready) <= 2 or len({a.path for a in ready}) != len(ready):
        raise SettingError("a sweep runs through one setting, or through two different ones")
    grid = list(product(*(axis.values for axis in ready)))
    if len(grid) > MOST_PICTURES:
        raise SettingError(f"{len(grid)} pictures are too many for a sweep; at most {MOST_PICTURES}")
    changes = []
    for values in grid:
        change: dict[str, Any] = {}
        for axis, value in zip(ready, values, strict=True):
            change |= change_of(scene.with_settings(change) if change else scene, axis.path, value)
        changes.append(change)
    shots: list[Shot] = []
    tell(f"picture 1 of {len(grid)}")
    for values, change, frame in zip(grid, changes, iterate_series(scene, changes, seed=seed), strict=True):
        shots.append(take_shot(scene.with_settings(change), frame, values, change, words))
        if len(shots) < len(grid):
            tell(f"picture {len(shots) + 1} of {len(grid)}")
    return Sweep(scene, ready, tuple(shots), words)


def take_shot(
    scene: Scene, frame: Frame, values: tuple[Any, ...], change: Mapping[str, Any], words: Words
) -> Shot:
    """Picture and readings of one frame."""
    half = 0.5 * pixel_mm(frame)
    extent = (float(frame.x_mm[0]) - half, float(frame.x_mm[-1]) + half, float(frame.z_mm[-1]) + half,
              float(frame.z_mm[0]) - half)  # fmt: skip
    findings = find_all(frame, scene.shows, words)
    return Shot(dict(change), values, np.array(frame.image), extent, readings(scene, frame, findings),
                tuple(dict.fromkeys(f.text for f in findings)), images_of(frame, findings))  # fmt: skip


def images_of(frame: Frame, findings: Sequence[Finding]) -> dict[str, str]:
    """False images of named solids: what each is called, and the solid."""
    named = named_regions(frame).values()
    return {f.text: f.solid for f in findings if f.kind == "class" and f.solid in named}


def readings(scene: Scene, frame: Frame, findings: Sequence[Finding]) -> dict[Key, float]:
    """All that is read in one picture.

    ``share`` of a class in the picture's energy, %; ``level`` of the picture, dB; ``clipped`` pixels that are
    black or white, %; ``contrast`` (dB), ``cnr``, ``gcnr`` and ``grey`` (difference of grey values) of
    solids against what is beside them; ``width`` of wires (mm);
    ``penetration`` (mm); ``place_x`` and ``place_z``: where solids and their false images are shown, in
    the phantom (mm).
    """
    found: dict[Key, float] = {}
    total = sum(energy(frame, name) for name in frame.truth.share)
    for name in frame.truth.share:
        part = 100 * energy(frame, name) / total if total > 0 else 0.0
        if part > 0.01 or name in scene.shows:
            found["share", name] = part
    power = 10.0 ** (frame.level_db[frame.in_view] / 10.0)
    found["level", ""] = 10 * math.log10(max(float(power.mean()), 1e-30))
    found["penetration", ""] = penetration_mm(frame)
    shown = frame.image[frame.in_view]
    found["clipped", "black"] = 100 * float((shown == 0).mean())
    found["clipped", "white"] = 100 * float((shown == 255).mean())
    for name, values in solid_contrasts(frame).items():
        for quantity, value in zip(("contrast", "cnr", "gcnr", "grey"), values, strict=True):
            found[quantity, name] = value
    for name, width in wire_widths(frame).items():
        found["width", name] = width
    for finding in findings:
        if finding.kind == "solid" or (
            finding.kind == "class" and finding.solid in named_regions(frame).values()
        ):
            place = world_place(scene, frame, finding)
            found.setdefault(("place_x", finding.text), float(place[0]))
            found.setdefault(("place_z", finding.text), float(place[2]))
    return found


def solid_contrasts(frame: Frame) -> dict[str, tuple[float, float, float, float]]:
    """Contrast (dB), CNR, gCNR and difference of grey of each solid that is large enough, against what is beside it.

    Contrast and CNR are those of the envelope, before the grey map; gCNR and the difference are of the
    grey picture, so that what is lost in black or white is lost.
    """
    from scipy import ndimage

    size, found = pixel_mm(frame), {}
    seen = frame.truth.seen
    amplitude = 10.0 ** (np.nan_to_num(frame.level_db, nan=-300.0) / 20.0)
    own_tissue = frame.in_view & (seen == 0)
    for number, name in named_regions(frame).items():
        mask = (seen == number) & frame.in_view
        area = np.count_nonzero(mask) * size**2
        if area < LEAST_MM2 or np.count_nonzero(mask) > 0.4 * np.count_nonzero(frame.in_view):
            continue
        away = ndimage.distance_transform_edt(~mask) * size
        core = ndimage.distance_transform_edt(mask) * size > 0.5
        rows = mask.any(axis=1)[:, None]
        ring = (
            own_tissue & (away > RING_MM[0]) & (away < RING_MM[1]) & rows
        )  # beside it: behind lies its shadow
        if np.count_nonzero(core) * size**2 < 0.3 * LEAST_MM2 or np.count_nonzero(ring) * size**2 < LEAST_MM2:
            continue
        inside, outside = amplitude[core], amplitude[ring]
        cells = [max(np.count_nonzero(m) * size**2 / CELL_MM2, 2.0) for m in (core, ring)]
        contrast = contrast_db(inside, outside, n_inside=cells[0], n_outside=cells[1]).value
        greys = frame.image[core].astype(float), frame.image[ring].astype(float)
        overlap = generalised_cnr(*greys, n_inside=cells[0], n_outside=cells[1]).value
        found[name] = (contrast, cnr(inside, outside), overlap, float(greys[0].mean() - greys[1].mean()))
    return found


def wire_widths(frame: Frame) -> dict[str, float]:
    """Width across at -6 dB of each solid too thin for pixels, mm; those that do not stand out are left out."""
    found = {}
    for number, name in named_regions(frame).items():
        if np.count_nonzero(frame.truth.there == number) * pixel_mm(frame) ** 2 > 1.5:
            continue
        echo = next((e for e in frame.echoes if e.solid == name and e.origin_class == "direct"), None)
        if echo is None:
            continue
        try:
            found[name] = shown_width(frame, echo.displayed_mm)[0]
        except SettingError:  # lost in speckle or noise
            continue
    return found
