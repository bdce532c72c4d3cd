"""A scene: everything that is needed to make one picture, validated and frozen."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from renderer.errors import Fault, SceneError, SettingError
from renderer.probe.faults import MachineFaults
from renderer.probe.transducer import Pose, Probe, ScanSettings
from renderer.receive.settings import ReceiveSettings
from renderer.scene import build
from renderer.scene.checking import check
from renderer.scene.estimate import size_faults
from renderer.scene.format_scene import SceneRow
from renderer.scene.label_pictures import LabelPicture, read_label_pictures
from renderer.scene.parts import Phantom, PhysicsSwitches, Remedy, freeze, thaw
from renderer.scene.settings import apply_settings, parse_setting_value, setting_faults, setting_text
from renderer.scene.tree import Found, read_mapping


@dataclass(frozen=True)
class Scene:
    """One validated scene. ``tree`` is what the file says, ``digest`` a hash of all that follows from it.

    The digest takes in the defaults and the label pictures, and leaves out name, file, title, and the order of
    keys. ``folder`` is where label pictures are looked for.
    """

    title: str
    shows: tuple[str, ...]
    phantom: Phantom
    probe: Probe
    pose: Pose
    scan: ScanSettings
    receive: ReceiveSettings
    faults: MachineFaults
    physics: PhysicsSwitches
    remedies: tuple[Remedy, ...]
    seed_tissue: int
    seed_noise: int
    name: str
    file: str | None
    digest: str
    tree: Mapping[str, Any] = field(repr=False)
    folder: str | None = field(default=None, repr=False, compare=False)

    def with_settings(self, changes: Mapping[str, Any]) -> Scene:
        """A new scene with some settings changed, by dotted paths such as ``machine.focus_mm``.

        Paths are those of the file, without ``phantom.``: ``machine.KEY``, ``pose.KEY``,
        ``probe.KEY``, ``physics.NAME``, ``seed.tissue``, ``coupling``, ``background``,
        ``solids.NAME.KEY``, ``tissues.NAME.KEY``. A shipped tissue may be changed by its name.
        The value None brings a default back.

        Raises
        ------
        SettingError
            If a path is not known or a value not allowed.
        """
        changed, faults = _changed(self, changes)
        if changed is None:
            raise SettingError("; ".join(str(fault) for fault in faults))
        return changed

    def with_written_settings(self, pairs: Sequence[tuple[str, str]]) -> Scene:
        """The same for settings that were typed: pairs of a path and a value as it stands in a file.

        Raises
        ------
        SceneError
            With every fault that was found.
        """
        faults = setting_faults(thaw(self.tree), pairs)
        if faults:
            raise SceneError(faults)
        try:
            changed, faults = _changed(self, {path: parse_setting_value(path, text) for path, text in pairs})
        except SettingError as error:
            raise SceneError([Fault(None, None, "", str(error))]) from None
        if changed is None:
            raise SceneError(faults)
        return changed


def assemble(
    row: SceneRow, tree: dict[str, Any], file: str | None, name: str, folder: str | None
) -> tuple[Scene | None, list[Found]]:
    """The scene that checked rows describe, or what is wrong with the files that it names and with its size."""
    pictures, found = read_label_pictures(row, folder)
    if found:
        return None, found
    scene = _assembled(row, tree, file, name, folder, pictures)
    return scene, list(size_faults(scene.phantom, scene.probe, scene.scan))


def _assembled(
    row: SceneRow,
    tree: dict[str, Any],
    file: str | None,
    name: str,
    folder: str | None,
    pictures: dict[int, LabelPicture],
) -> Scene:
    seed_tissue, seed_noise = build.seeds(row)
    return Scene(
        title=row.title,
        shows=tuple(row.shows),
        phantom=build.build_phantom(row.phantom, pictures),
        probe=build.build_probe(row.probe),
        pose=build.build_pose(row.pose),
        scan=build.build_scan(row.machine, row.probe),
        receive=build.build_receive(row.machine),
        faults=build.build_faults(row.faults),
        physics=build.build_physics(row),
        remedies=tuple(build.build_remedy(remedy) for remedy in row.remedies),
        seed_tissue=seed_tissue,
        seed_noise=seed_noise,
        name=name,
        file=file,
        digest=_digest(row, pictures),
        tree=freeze(tree),
        folder=folder,
    )


def _digest(row: SceneRow, pictures: dict[int, LabelPicture]) -> str:
    """A hash of all that bears on the picture, defaults included."""
    content = row.model_dump(by_alias=True, exclude={"title", "shows", "remedies"})
    digest = hashlib.sha256(json.dumps(content, sort_keys=True).encode())
    for picture in pictures.values():
        digest.update(hashlib.sha256(picture.pixels).digest())
        digest.update(f"{picture.columns} {picture.pixel_mm!r}".encode())
    return digest.hexdigest()


def _changed(scene: Scene, changes: Mapping[str, Any]) -> tuple[Scene | None, list[Fault]]:
    """A scene with changes written into it, or the faults that they bring, by the paths of settings."""
    if not isinstance(changes, Mapping):
        raise SettingError("settings are a mapping of paths to values, such as {'machine.gain_db': 10}")
    new = thaw(scene.tree)
    apply_settings(new, changes)
    plain = read_mapping(new)
    row, found = check(plain)
    changed = None
    if row is not None and not found:
        changed, found = assemble(row, plain.value, scene.file, scene.name, scene.folder)
    names = [solid["name"] for solid in new["phantom"].get("solids", [])]
    faults = [Fault(None, None, setting_text(fault.path, names), fault.message) for fault in found]
    return (None if faults else changed), faults


def remedy_faults(scene: Scene) -> Iterator[Found]:
    """Remedies are tried on the scene, without rendering it: each path and value must be allowed."""
    bare = replace(scene, remedies=(), tree=freeze({**scene.tree, "remedies": ()}))
    for i, remedy in enumerate(scene.remedies):
        key = "set" if remedy.set is not None else "try"
        for path, values in _trials(remedy.set, remedy.try_sweep):
            place = ("remedies", i, key, path) if path else ("remedies", i, key)
            try:
                for value in values:
                    bare.with_settings(value)
            except SettingError as error:
                yield Found(place, str(error).removeprefix(f"{path}: "))


def _trials(changes: Any, sweep: Any) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """What to try for a remedy, with the path to blame."""
    if sweep is not None:
        yield sweep.path, [{sweep.path: sweep.start}, {sweep.path: sweep.stop}]
    elif len(changes) == 1:
        yield next(iter(changes)), [thaw(changes)]
    else:
        yield "", [thaw(changes)]
