"""A safe look into a tree that may hold faults: what cannot be trusted reads as None."""

from __future__ import annotations

from typing import Any

from renderer.scene.tree import Path

_ABSENT = object()


class View:
    """The values of a tree, without those at or around which a fault was found."""

    def __init__(self, value: Any, bad: set[Path]) -> None:
        self.value = value
        self.bad = {path[:length] for path in bad for length in range(1, len(path) + 1)}
        self.exact = bad

    def at(self, *path: str | int, default: Any = None) -> Any:
        """The value at a path; the default where the key is not given; None where it is faulty."""
        found = self._follow(path)
        if found is _ABSENT:
            return default
        return None if path in self.bad or self._under_fault(path) else found

    def mapping(self, *path: str | int) -> dict[str, Any]:
        """The mapping at a path, faulty parts included, or an empty one."""
        found = self._follow(path)
        return found if isinstance(found, dict) else {}

    def rows(self, *path: str | int) -> list[Any]:
        """The list at a path, faulty items included, or an empty one."""
        found = self._follow(path)
        return found if isinstance(found, list) else []

    def number(self, *path: str | int, default: float | None = None) -> float | None:
        """The number at a path, or None where there is none to be trusted."""
        found = self.at(*path, default=default)
        return None if isinstance(found, bool) or not isinstance(found, int | float) else found

    def text(self, *path: str | int, default: str | None = None) -> str | None:
        """The text at a path, or None where there is none to be trusted."""
        found = self.at(*path, default=default)
        return found if isinstance(found, str) else None

    def numbers(self, *path: str | int) -> list[float] | None:
        """The list of numbers at a path (one number counts as a list of one), or None."""
        found = self.at(*path)
        items = found if isinstance(found, list) else [found]
        return None if not items or not all(_is_number(item) for item in items) else items

    def points(self, *path: str | int) -> list[list[float]] | None:
        """The list of points at a path, or None."""
        found = self.at(*path)
        if not isinstance(found, list) or not found:
            return None
        good = all(isinstance(item, list) and all(_is_number(x) for x in item) for item in found)
        return found if good else None

    def _follow(self, path: Path) -> Any:
        node = self.value
        for part in path:
            inside = isinstance(node, list) and isinstance(part, int) and part < len(node)
            if not inside and not (isinstance(node, dict) and part in node):
                return _ABSENT
            node = node[part]
        return node

    def _under_fault(self, path: Path) -> bool:
        # A fault at a mapping itself (a missing key, say) does not taint the other keys in it.
        found = self._follow(path)
        return isinstance(found, dict | list) and path in self.exact


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)
