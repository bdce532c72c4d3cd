"""Setting paths: from ``solids.plate.tilt_deg`` to the place in the tree that it names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from renderer.errors import Fault, SettingError
from renderer.scene.format_scene import AberrationRow, SceneRow
from renderer.scene.names import hint, one_of, show
from renderer.scene.tree import Path, path_text, read_value
from renderer.scene.wording import keys_of
from renderer.tissue.table import material_names

SECTIONS = ("machine", "pose", "probe", "physics", "faults", "seed")
ROOTS = (*SECTIONS, "coupling", "background", "aberration", "solids", "tissues")
FIXED = ("name", "shape")


def apply_settings(tree: dict[str, Any], changes: Mapping[str, Any]) -> None:
    """Write changes into a tree that may be changed.

    Raises
    ------
    SettingError
        If a path names nothing that can be set; values are checked with the whole scene.
    """
    for path, value in changes.items():
        if not isinstance(path, str):
            raise SettingError(f"a setting path is a text such as 'machine.gain_db', got {show(path)}")
        _write(tree, setting_place(tree, path), value, path)


def setting_place(tree: dict[str, Any], path: str) -> Path:
    """The place in the tree that a setting path names."""
    root, _, rest = path.removeprefix("phantom.").partition(".")
    if root not in ROOTS:
        near = hint(root, ROOTS) or f" A path begins with {one_of(ROOTS)}"
        raise SettingError(f"{path}: unknown setting.{near}")
    if root == "seed" and not rest:
        return ("seed",)
    if root in ("coupling", "background"):
        if rest:
            raise SettingError(f"{path}: {root} is the name of a tissue; nothing stands below it")
        return ("phantom", root)
    if root == "aberration":
        return ("phantom", root, *([_known(path, root, rest, keys_of(AberrationRow))] if rest else []))
    if root == "solids":
        return _solid_place(tree, path, rest)
    if root == "tissues":
        return _tissue_place(tree, path, rest)
    return (root, *_section_keys(path, root, rest))


def _section_keys(path: str, root: str, rest: str) -> Path:
    field = SceneRow.model_fields[root]
    model = field.annotation
    known = ["tissue", "noise"] if root == "seed" else keys_of(model) if isinstance(model, type) else []
    return (_known(path, root, rest, known),)


def _known(path: str, root: str, rest: str, known: Sequence[str]) -> str:
    if rest not in known:
        near = hint(rest, known) or f" Known in {root}: {', '.join(known)}"
        raise SettingError(f"{path}: unknown setting.{near}")
    return rest


def _solid_place(tree: dict[str, Any], path: str, rest: str) -> Path:
    rows = tree["phantom"].get("solids", [])
    names = {row["name"]: i for i, row in enumerate(rows)}
    name, key = _split(path, rest, list(names), "solid")
    if key in FIXED:
        raise SettingError(f"{path}: the {key} of a solid is no setting")
    return ("phantom", "solids", names[name], *key.split("."))


def _tissue_place(tree: dict[str, Any], path: str, rest: str) -> Path:
    own = tree["phantom"].get("tissues", {})
    name, key = _split(path, rest, [*own, *material_names()], "tissue")
    return ("phantom", "tissues", name, *key.split("."))


def _split(path: str, rest: str, names: list[str], what: str) -> tuple[str, str]:
    """A name and the key behind it. Names may hold dots: the longest that fits is meant."""
    fitting = [name for name in names if rest.startswith(f"{name}.") and len(rest) > len(name) + 1]
    if fitting:
        name = max(fitting, key=len)
        return name, rest[len(name) + 1 :]
    if rest in names or rest.rstrip(".") in names:
        raise SettingError(f"{path}: a key is missing behind the name of the {what}")
    guess = rest.rpartition(".")[0] or rest
    near = hint(guess, names) or (
        f" Known: {', '.join(names[:40])}" if names else " There are none in this scene"
    )
    raise SettingError(f"{path}: unknown {what} {show(guess)}.{near}")


def _write(tree: dict[str, Any], place: Path, value: Any, path: str) -> None:
    """Put a value at a place, making the mappings on the way; None takes the key out."""
    if place[0] == "seed" and len(place) == 2 and not isinstance(tree.get("seed"), dict):
        both = tree.get("seed", SceneRow.model_fields["seed"].default)
        tree["seed"] = {"tissue": both, "noise": both}
    if place[:2] == ("phantom", "tissues") and place[2] not in tree["phantom"].get("tissues", {}):
        tree["phantom"].setdefault("tissues", {})[place[2]] = {"like": place[2]}
    node: Any = tree
    for part in place[:-1]:
        node = node[part] if isinstance(part, int) else node.setdefault(part, {})
        if not isinstance(node, dict | list):
            raise SettingError(f"{path}: nothing stands below '{part}'")
    if isinstance(node, list):
        raise SettingError(f"{path}: a list is set as a whole")
    if value is None:
        node.pop(place[-1], None)
    else:
        node[place[-1]] = value


def setting_text(path: Path, names: list[str]) -> str:
    """The setting path of a place in the tree, for messages."""
    short = path[1:] if path[:1] == ("phantom",) and len(path) > 1 else path
    if len(short) > 1 and short[0] == "solids" and isinstance(short[1], int) and short[1] < len(names):
        short = ("solids", names[short[1]], *short[2:])
    return path_text(short)


def setting_faults(tree: dict[str, Any], pairs: Sequence[tuple[str, str]]) -> list[Fault]:
    """What is wrong with settings written as paths and texts, before their values are checked."""
    faults: list[Fault] = []
    seen: set[str] = set()
    for path, text in pairs:
        if path in seen:
            faults.append(Fault(None, None, path, "given twice"))
            continue
        seen.add(path)
        try:
            setting_place(tree, path)
            parse_setting_value(path, text)
        except SettingError as error:
            faults.append(Fault(None, None, path, str(error).removeprefix(f"{path}: ")))
    return faults


def parse_setting_value(path: str, text: str) -> Any:
    """The value of a setting, written as in a scene file: ``40``, ``[10, 20]``, ``water``.

    Raises
    ------
    SettingError
        If it cannot be read without a guess.
    """
    try:
        return read_value(text)
    except ValueError as error:
        raise SettingError(f"{path}: {error}") from None
