"""The check of a whole tree: the format table, then the rules between keys."""

from __future__ import annotations

from pydantic import ValidationError

from renderer.scene.format_scene import SceneRow
from renderer.scene.rules import rule_faults
from renderer.scene.tree import Found, Tree
from renderer.scene.view import View, faulty_paths
from renderer.scene.wording import format_faults


def check(tree: Tree) -> tuple[SceneRow | None, list[Found]]:
    """The rows of the format in a tree, and every fault in it."""
    found = list(tree.found)
    if not tree.complete:
        return None, found
    if not isinstance(tree.value, dict):
        return None, found or [Found((), "a scene is a mapping of keys, such as title and phantom")]
    row = None
    try:
        row = SceneRow.model_validate(tree.value)
    except ValidationError as error:
        found += format_faults(error, tree)
    bad = faulty_paths(found, tree.spoiled)
    for fault in rule_faults(View(tree.value, bad)):
        if not any(fault.path[: len(path)] == path for path in bad):
            found.append(fault)
    return row, found
