"""Scenes that come with the package: their names, where they are, and copies to edit."""

from __future__ import annotations

import os
import tempfile
from importlib.resources import files
from pathlib import Path

from renderer.errors import Fault, SceneError, SettingError
from renderer.scene.names import hint

SUFFIX = ".yaml"


def scene_folders() -> list[Path]:
    """Where shipped scenes are looked for: in the installed package, then in its source tree."""
    package = Path(str(files("renderer")))
    return [folder for folder in (package / "_phantoms", package.parent / "phantoms") if folder.is_dir()]


def shipped_scene_names() -> tuple[str, ...]:
    """Names of the shipped scenes, in alphabetical order."""
    return tuple(sorted({file.stem for folder in scene_folders() for file in folder.glob(f"*{SUFFIX}")}))


def shipped_scene_path(name: str | os.PathLike[str]) -> Path | None:
    """The file of a shipped scene; None where a path is meant and not a name.

    Raises
    ------
    SceneError
        If it is a name, and no shipped scene is called so.
    """
    text = os.fspath(name)
    if (
        not isinstance(text, str)
        or not text
        or Path(text).name != text
        or Path(text).suffix
        or text in (".", "..")
    ):
        return None
    for folder in scene_folders():
        file = folder / f"{text}{SUFFIX}"
        if file.is_file():
            return file
    near = hint(text, shipped_scene_names()) or " 'echowright list' prints them all"
    message = f"no shipped scene is called '{text}'.{near}"
    if Path(text).exists():
        message += f" For the file of this name write ./{text}"
    raise SceneError([Fault(text, None, "", message)])


def copy_scene(name: str, folder: str | os.PathLike[str] = ".") -> Path:
    """A copy of a shipped scene in a folder, to be edited; the path of the copy.

    Raises
    ------
    SceneError
        If no shipped scene has this name.
    SettingError
        If the folder does not exist or cannot be written, or the file is there already.
    """
    source = shipped_scene_path(name)
    if source is None:
        raise SceneError(
            [Fault(str(name), None, "", "the name of a shipped scene is wanted, without folder or suffix")]
        )
    target = Path(folder) / source.name
    if not target.parent.is_dir():
        raise SettingError(f"folder: there is no folder '{target.parent}'")
    if target.exists():
        raise SettingError(f"'{target}' is there already; nothing was written")
    try:
        _write_whole(target, source.read_bytes())
    except OSError as error:
        raise SettingError(
            f"'{target}' cannot be written: {(error.strerror or 'unknown reason').lower()}"
        ) from None
    return target


def _write_whole(target: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    with tempfile.NamedTemporaryFile(dir=target.parent, prefix=".copy-", delete=False) as stream:
        stream.write(data)
    os.chmod(stream.name, 0o644)
    os.replace(stream.name, target)
