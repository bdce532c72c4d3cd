"""The check of a whole tree: the format table, then the rules between keys."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError

from renderer.scene.format_scene import SceneRow
from renderer.scene.probe_presets import with_preset
from renderer.scene.rules import rule_faults
from renderer.scene.tree import Found, Tree
from renderer.scene.view import View
from renderer.scene.wording import format_faults


def check(tree: Tree) -> tuple[SceneRow | None, list[Found]]:
    """The rows of the format in a tree, and every fault in it."""
    found = list(tree.found)
    if not tree.complete:
        return None, found
    if not isinstance(tree.value, dict):
        return None, found or [Found((), "a scene is a mapping of keys, such as title and phantom")]
    value = with_preset(tree.value)
    row, faults = _format_check(tree, value)
    # What was said twice or shared can still be trusted; what was not read, or broke a row, cannot.
    bad = {fault.path for fault in faults} | tree.spoiled
    rules = rule_faults(View(value, bad))
    faults += [fault for fault in rules if not any(fault.path[: len(path)] == path for path in bad)]
    return row, found + faults


def _format_check(tree: Tree, value: Any) -> tuple[SceneRow | None, list[Found]]:
    """The rows of the format, or the faults that the table finds."""
    try:
        return SceneRow.model_validate(value), []
    except ValidationError as error:
        return None, format_faults(error, tree)
