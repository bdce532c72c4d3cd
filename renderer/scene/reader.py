"""Scenes from files, texts and mappings: a validated scene, or all faults at once."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from renderer.errors import Fault, SceneError
from renderer.scene.checking import check
from renderer.scene.names import show
from renderer.scene.scene import Scene, assemble, remedy_faults
from renderer.scene.shipped import shipped_scene_path
from renderer.scene.tree import MAX_BYTES, Found, Tree, path_text, read_mapping, read_text

DEFAULT_NAME = "scene"


def read_scene(path: str | os.PathLike[str]) -> Scene:
    """The scene in a file. A name without folder and suffix means a shipped scene.

    Raises
    ------
    SceneError
        With every fault that was found, if the file cannot be read or is no good scene.
    """
    if not isinstance(path, str | os.PathLike) or not isinstance(os.fspath(path), str):
        raise SceneError(
            [Fault(None, None, "", "the path of a scene file, or the name of a shipped scene, is wanted")]
        )
    file = shipped_scene_path(path) or FilePath(path)
    text = _file_text(file)
    return _scene(read_text(text), str(file), file.stem, str(file.parent))


def parse_scene(
    text_or_mapping: str | Mapping[str, Any], folder: str | os.PathLike[str] | None = None
) -> Scene:
    """The scene in a YAML text, or in a mapping of the same shape.

    ``folder`` is where files that a scene names are looked for, such as label pictures.

    Raises
    ------
    SceneError
        With every fault that was found.
    """
    if folder is not None and not os.path.isdir(folder):
        raise SceneError([Fault(None, None, "folder", f"{show(str(folder))} is not a folder")])
    place = None if folder is None else os.fspath(folder)
    if isinstance(text_or_mapping, Mapping):
        return _scene(read_mapping(text_or_mapping), None, DEFAULT_NAME, place)
    if isinstance(text_or_mapping, str):
        return _scene(read_text(text_or_mapping), None, DEFAULT_NAME, place)
    raise SceneError([Fault(None, None, "", "a scene is a YAML text or a mapping of keys")])


def _file_text(file: FilePath) -> str:
    """The text of a file, if it can be one."""
    data = _file_bytes(file)
    if len(data) > MAX_BYTES:
        raise _file_error(file, f"is larger than {MAX_BYTES} bytes, the most that a scene may have")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise SceneError([Fault(str(file), line, "", "is no UTF-8 text. Save the file as UTF-8")]) from None


def _file_bytes(file: FilePath) -> bytes:
    """What is in a file, or a little more than is allowed."""
    if "\0" in str(file):
        raise _file_error(file, "is no usable path")
    if file.is_dir():
        raise _file_error(file, "is a folder; the path of a scene file is wanted")
    if file.exists() and not file.is_file():
        raise _file_error(file, "is not a plain file")
    try:
        with file.open("rb") as stream:
            return stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise _file_error(file, "there is no such file") from None
    except OSError as error:
        reason = (error.strerror or "the system refuses").lower()
        raise _file_error(file, f"cannot be read: {reason}") from None


def _file_error(file: FilePath, message: str) -> SceneError:
    return SceneError([Fault(str(file).replace("\0", "?"), None, "", message)])


def _scene(tree: Tree, file: str | None, name: str, folder: str | None) -> Scene:
    """The scene in a tree, or all of its faults."""
    row, found = check(tree)
    scene = None
    if row is not None and not found:
        scene, found = assemble(row, tree.value, file, name, folder)
        found = found or (list(remedy_faults(scene)) if scene else [])
    if scene is None or found:
        raise SceneError(_faults(found, tree, file))
    return scene


def _faults(found: list[Found], tree: Tree, file: str | None) -> list[Fault]:
    """Faults with file and line, in the order of the file and each said once."""
    placed = []
    for fault in found:
        line = fault.line if fault.line is not None else tree.line_of(fault.path)
        placed.append(Fault(file, line, path_text(fault.path), fault.message))
    unique = list(dict.fromkeys(placed))
    return sorted(unique, key=lambda fault: fault.line or 0)
