"""Before and after a remedy: what was changed, what it does to the artefact, and what got worse."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from renderer.flow import render, render_series
from renderer.frame.frame import Frame
from renderer.probe.plan import world_from_probe
from renderer.scene.format_scene import SceneRow
from renderer.scene.names import show
from renderer.scene.parts import Remedy, thaw
from renderer.scene.scene import Scene
from renderer.scene.settings import setting_place
from renderer.teach.findings import (
    EFFECTS,
    Finding,
    Mask,
    effect_values,
    find_all,
    named_regions,
    pixel_mm,
    solid_findings,
)
from renderer.teach.words import Words

WORSE_DB, WORSE_MM = 1.0, 3.0  # less than this is not told
WORSE_SHIFT_MM = 0.5  # from here on a displacement counts as one
HIDING = ("shadow", "edge_shadow")  # effects that take something out of the picture
GONE_DB = 60.0  # a class that changes by more was not there before, or is gone


@dataclass(frozen=True, eq=False)
class Comparison:
    """A remedy that has been tried.

    ``changed``, ``better`` and ``worse`` are lines of text; ``change`` is by how much the shown classes and
    effects changed: dB, or mm for displacements, by name.
    """

    remedy: Remedy
    before: Frame
    after: Frame
    scene_after: Scene
    changed: tuple[str, ...]
    better: tuple[str, ...]
    worse: tuple[str, ...]
    change: Mapping[str, float]


def try_remedy(
    scene: Scene, before: Frame, remedy: Remedy, words: Words, *, seed: int | None = None
) -> Comparison:
    """The picture after a remedy, and what it changed; of a sweep the best of its values is taken."""
    note: tuple[str, ...] = ()
    if remedy.set is not None:
        settings = dict(thaw(remedy.set))
        after = render(scene.with_settings(settings), seed=seed)
    else:
        settings, after, note = _best_of_sweep(scene, before, remedy, words, seed)
    scene_after = scene.with_settings(settings)
    changed = (*setting_lines(scene, settings, words), *note)
    better, worse, change = _told_changes(scene, before, after, words, moved=scene.pose != scene_after.pose)
    better += _moved_images(scene, scene_after, before, after, words)
    worse += _worse(scene, before, after, words, moved=scene.pose != scene_after.pose)
    worse = worse or (words("remedy.nothing_worse"),)
    return Comparison(remedy, before, after, scene_after, changed, better, worse, change)


def _best_of_sweep(
    scene: Scene, before: Frame, remedy: Remedy, words: Words, seed: int | None
) -> tuple[dict[str, Any], Frame, tuple[str, ...]]:
    """Of the values of a sweep, the one after which least of what the scene shows is left."""
    sweep = remedy.try_sweep
    assert sweep is not None
    values = [float(v) for v in np.linspace(sweep.start, sweep.stop, sweep.n_steps)]
    frames = render_series(scene, [{sweep.path: v} for v in values], seed=seed)
    left = [_what_is_left(scene, before, frame) for frame in frames]
    k = int(np.argmin(left))
    note = words("remedy.tried", count=len(values), start=sweep.start, stop=sweep.stop)
    return {sweep.path: values[k]}, frames[k], (note,)


def _what_is_left(scene: Scene, before: Frame, after: Frame) -> float:
    """One number for how bad a picture is: what is still seen of the shown classes and effects, 1 as before, plus harm.

    What is seen counts and not energy, for gain takes the energy of all echoes down alike. Harm is done where less
    than half is left of what is seen of true echoes, up to 2 where nothing is: a picture without them is worse
    than the one before.
    """
    parts = []
    for name in scene.shows:
        old, new = strength(before, name), strength(after, name)
        if old:
            parts.append(new / old)
    kept = visible(after, "direct") / max(visible(before, "direct"), 1e-6)
    return (float(np.mean(parts)) if parts else 0.0) + max(0.0, 2.0 - 4.0 * kept)


def energy(frame: Frame, name: str) -> float:
    """Energy of an origin class in the whole picture, after gain, times mm²."""
    share = np.nan_to_num(frame.truth.share[name])
    power = 10.0 ** (np.nan_to_num(frame.level_db, nan=-300.0) / 10.0)
    return float((share * power * frame.in_view).sum()) * pixel_mm(frame) ** 2


def visible(frame: Frame, name: str) -> float:
    """How much is seen of an origin class: its visible area times how far that is above black, mm² dB.

    What is whiter than white counts as white.
    """
    above = np.clip(
        np.nan_to_num(frame.level_db, nan=-300.0) - frame.truth.floor_db, 0.0, -frame.truth.floor_db
    )
    return float(above[frame.truth.mask(name) & frame.in_view].sum()) * pixel_mm(frame) ** 2


def strength(frame: Frame, name: str) -> float:
    """How much is seen of a class; for effects and displacements, size times area."""
    if name in frame.truth.share:
        return visible(frame, name)
    if name not in frame.truth.mask_names():
        return 0.0
    mask = frame.truth.mask(name) & frame.in_view
    return float(np.nansum(np.abs(effect_values(frame, name))[mask])) * pixel_mm(frame) ** 2


def in_db(new: float, old: float) -> float:
    """Ratio of two energies, dB, between -200 and 200."""
    return float(np.clip(10 * np.log10(max(new, 1e-30) / max(old, 1e-30)), -200, 200))


def setting_lines(scene: Scene, settings: Mapping[str, Any], words: Words) -> tuple[str, ...]:
    """Each changed setting with its old and its new value."""
    return tuple(
        words(
            "remedy.setting",
            name=words.setting(path),
            old=said(current(scene, path), words),
            new=said(value, words),
        )
        for path, value in settings.items()
    )


def current(scene: Scene, path: str) -> Any:
    """The value of a setting: as the scene's file has it, else its default; None where that depends on others."""
    found = _written(scene, path)
    root, _, key = path.partition(".")
    if found is not None or "." in key or root not in SceneRow.model_fields:
        return found
    field = getattr(SceneRow.model_fields[root].annotation, "model_fields", {}).get(key)
    return None if field is None or field.is_required() else field.get_default(call_default_factory=True)


def _written(scene: Scene, path: str) -> Any:
    """The value of a setting in the scene's file, or None."""
    tree = thaw(scene.tree)
    node: Any = tree
    for part in setting_place(tree, path):
        if isinstance(node, Mapping):
            node = node.get(part)
        elif isinstance(node, list) and isinstance(part, int):
            node = node[part]
        else:
            return None
    return node


def said(value: Any, words: Words) -> str:
    """A value as it stands in a file."""
    if value is None:
        return words("remedy.default")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(said(v, words) for v in value) + "]"
    return show(value).strip("'")


def _told_changes(
    scene: Scene, before: Frame, after: Frame, words: Words, *, moved: bool
) -> tuple[tuple[str, ...], tuple[str, ...], dict[str, float]]:
    """What the remedy does to the classes and effects that the scene exists to show: better, worse, numbers."""
    better: list[str] = []
    worse: list[str] = []
    change = {}
    for name in scene.shows:
        said_name = words.name(name)
        if name in before.truth.share:
            change[name] = in_db(energy(after, name), energy(before, name))
            line = class_line(said_name, change[name], words)
            (worse if change[name] > WORSE_DB else better).append(line)
        elif name in ("speed", "refraction"):
            old, new = shifts_mm(before, after, name, moved=moved)
            change[name] = new - old
            key = "remedy.shift.most" if moved else "remedy.shift"
            (worse if new > old + WORSE_SHIFT_MM else better).append(
                words(key, name=said_name, old=old, new=new)
            )
        elif name in EFFECTS:
            lines, change[name] = _effect_lines(before, after, name, words, moved=moved)
            better += lines
    return tuple(better), tuple(worse), change


def class_line(name: str, change_db: float, words: Words) -> str:
    """How a class changed: in dB, or in words where it was not there before or is not there any more."""
    if abs(change_db) < GONE_DB:
        return words("remedy.class_db", name=name, change=change_db)
    return words("remedy.class_new" if change_db > 0 else "remedy.class_gone", name=name)


def shifts_mm(before: Frame, after: Frame, name: str, *, moved: bool) -> tuple[float, float]:
    """Mean displacement of true echoes before and after, where it was; if the probe moved, the largest anywhere."""
    if moved or before.image.shape != after.image.shape:
        return _largest(before, name), _largest(after, name)
    mask = before.truth.mask(name) & _true_echoes(before) & _true_echoes(after)
    return tuple(_mean(np.abs(effect_values(f, name)), mask) for f in (before, after))  # type: ignore[return-value]


def _true_echoes(frame: Frame) -> Mask:
    """Pixels that true echoes own: displacements elsewhere belong to nothing that is seen."""
    return np.asarray(frame.truth.mask("direct") & frame.in_view)


def _mean(values: Any, mask: Mask) -> float:
    """Mean of finite values within a mask, 0 where there are none."""
    own = values[mask & np.isfinite(values)]
    return float(own.mean()) if own.size else 0.0


def _largest(frame: Frame, name: str, within: Mask | None = None) -> float:
    """Displacement of true echoes that only a twentieth of them exceeds, mm."""
    mask = _true_echoes(frame) if within is None else _true_echoes(frame) & within
    values = np.abs(effect_values(frame, name))[mask]
    return float(np.nanpercentile(values, 95)) if np.isfinite(values).any() else 0.0


def _effect_lines(
    before: Frame, after: Frame, name: str, words: Words, *, moved: bool
) -> tuple[list[str], float]:
    """Size of an effect and brightness where it was, or its area where the probe moved."""
    said_name = words.name(name)
    area = words("remedy.area", name=said_name, old=_area(before, name), new=_area(after, name))
    mask = before.truth.mask(name) & before.in_view
    if moved or before.image.shape != after.image.shape or not mask.any():
        return [area], 0.0
    mask &= after.in_view
    change = _mean(effect_values(after, name), mask) - _mean(effect_values(before, name), mask)
    # Decibels are averaged, not energies: a wall or a glint inside the mask would drown what lies behind it
    level = _mean(after.level_db, mask) - _mean(before.level_db, mask)
    lines = [words("remedy.class_db", name=said_name, change=change)] if abs(change) > 0.05 else []
    lines.append(words("remedy.level", name=said_name, change=level))
    return ([*lines, area] if _area(before, name) != _area(after, name) else lines), change


def _moved_images(scene: Scene, changed: Scene, before: Frame, after: Frame, words: Words) -> tuple[str, ...]:
    """How far false images move in the phantom while what they are of stays, and solids no longer shown twice."""
    old, new = (find_all(f, scene.shows, words) for f in (before, after))
    lines = []
    for name in dict.fromkeys(f.name for f in old if f.kind == "solid"):
        n, m = (sum(f.kind == "solid" and f.name == name for f in found) for found in (old, new))
        if n > 1 and 0 < m < n:
            lines.append(words("remedy.once" if m == 1 else "remedy.copies", solid=name, old=n, new=m))
    if scene.pose == changed.pose:
        return tuple(lines)
    places = [{(f.kind, f.text): world_place(s, b, f) for f in found} for s, b, found in
              ((scene, before, old), (changed, after, new))]  # fmt: skip
    for finding in old:
        key, own = ("class", finding.text), ("solid", finding.solid)
        if (
            finding.kind == "class"
            and finding.name in scene.shows
            and all(key in p and own in p for p in places)
        ):
            false, true = (float(np.hypot(*(places[0][k] - places[1][k])[[0, 2]])) for k in (key, own))
            lines.append(
                words("remedy.moves", finding=finding.text, solid=finding.solid, false=false, true=true)
            )
    return tuple(dict.fromkeys(lines))


def world_place(scene: Scene, frame: Frame, finding: Finding) -> Any:
    """Where the middle of a finding is shown, in the world, mm (3,)."""
    rows, columns = np.nonzero(finding.mask)
    rotation, shift = world_from_probe(scene.pose)
    return rotation @ np.array([frame.x_mm[columns].mean(), 0.0, frame.z_mm[rows].mean()]) + shift


def _area(frame: Frame, name: str) -> float:
    return float(np.count_nonzero(frame.truth.mask(name) & frame.in_view)) * pixel_mm(frame) ** 2


def _worse(scene: Scene, before: Frame, after: Frame, words: Words, *, moved: bool) -> tuple[str, ...]:
    """What the remedy costs a reader of the picture.

    That is: more false echoes that are seen, fainter true ones, more that is hidden by shadow, more that is shown
    out of place, less depth, and solids that are no longer in view. Brightness of single echoes is no cost: a
    surface that flashes because it is now met square on is a true echo of what was meant.
    """
    lines = []
    for name in before.truth.share:
        if name == "direct" or name in scene.shows:
            continue
        lines += _grown(before, after, name, words)
    change = _true_change_db(before, after, moved=moved)
    if change < -WORSE_DB:
        lines.append(words("remedy.direct_falls", change=change))
    for name in HIDING:
        if name not in scene.shows and name in before.truth.mask_names():
            lines += _grown(before, after, name, words)
    same = not moved and before.image.shape == after.image.shape
    for name in ("speed", "refraction"):
        if name in scene.shows and not same:
            continue
        elsewhere = ~before.truth.mask(name) if name in scene.shows else None
        old, new = (_largest(f, name, elsewhere) for f in (before, after))
        if new > old + WORSE_SHIFT_MM:
            key = "remedy.shift.elsewhere" if name in scene.shows else "remedy.shift.most"
            lines.append(words(key, name=words.name(name), old=old, new=new))
    deep = [penetration_mm(f) for f in (before, after)]
    if deep[1] < deep[0] - WORSE_MM:
        lines.append(words("remedy.penetration", old=deep[0], new=deep[1]))
    lost = _names_in_view(before, words) - _names_in_view(after, words)
    if lost:
        lines.append(words("remedy.out_of_view", names=", ".join(sorted(lost))))
    return tuple(lines)


def _grown(before: Frame, after: Frame, name: str, words: Words) -> list[str]:
    """A line if a class or effect covers clearly more of the picture than before."""
    old, new = _area(before, name), _area(after, name)
    if new <= 1.3 * old + 20.0:
        return []
    key = "remedy.area_new" if old < 1.0 else "remedy.area"
    return [words(key, name=words.name(name), old=old, new=new)]


def _true_change_db(before: Frame, after: Frame, *, moved: bool) -> float:
    """By how much true echoes change in brightness: mean of dB, or a few flashes would stand for all."""
    if moved or before.image.shape != after.image.shape:
        return _mean(after.level_db, _true_echoes(after)) - _mean(before.level_db, _true_echoes(before))
    mask = _true_echoes(before) & after.truth.mask("direct", visible=False) & after.in_view
    return _mean(after.level_db - before.level_db, mask)


def _names_in_view(frame: Frame, words: Words) -> set[str]:
    return {f.name for f in solid_findings(frame, words)} & set(named_regions(frame).values())


def penetration_mm(frame: Frame) -> float:
    """Depth at which noise holds half of the energy in the median line, or the depth of the picture."""
    noise = np.where(frame.in_view, frame.truth.share["noise"], np.nan)
    covered = np.isfinite(noise).sum(axis=1) > 0.2 * noise.shape[1]
    median = np.full(len(noise), np.nan)
    median[covered] = np.nanmedian(noise[covered], axis=1)
    clear = np.flatnonzero(median < 0.5)
    return float(frame.z_mm[clear[-1]]) if len(clear) else 0.0


def tried_remedies(
    scene: Scene,
    before: Frame,
    words: Words,
    *,
    seed: int | None = None,
    tell: Callable[[str], object] = lambda step: None,
) -> Sequence[Comparison]:
    """Every remedy of a scene, tried; ``tell`` is called with each before it is."""
    tried = []
    for number, remedy in enumerate(scene.remedies, start=1):
        tell(f"remedy {number} of {len(scene.remedies)}")
        tried.append(try_remedy(scene, before, remedy, words, seed=seed))
    return tried
