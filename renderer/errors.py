"""Every exception that the public functions raise.

::

    RendererError
    ├── SceneError (ValueError)      the scene is wrong; carries every fault that was found
    ├── SettingError (ValueError)    an argument or a setting is wrong
    └── TraceError (RuntimeError)    the renderer is wrong; names line and ray
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Fault", "RendererError", "SceneError", "SettingError", "TraceError"]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong in a scene: where it stands, and what would be right.

    ``file`` and ``line`` are None where the scene did not come from a file or from text;
    ``path`` is empty where the fault belongs to the whole scene.
    """

    file: str | None
    line: int | None
    path: str
    message: str

    def __str__(self) -> str:
        """The fault on one line: ``file:line: path: message``, without what is not known."""
        if self.file is not None:
            place = self.file if self.line is None else f"{self.file}:{self.line}"
        else:
            place = "" if self.line is None else f"line {self.line}"
        return ": ".join(part for part in (place, self.path, self.message) if part)


class RendererError(Exception):
    """Root of the errors of this package."""


class SceneError(RendererError, ValueError):
    """The scene cannot be rendered as written. ``faults`` holds all that was found, in file order."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[SceneError], tuple[tuple[Fault, ...]]]:
        """What pickle needs to hand the error from a worker process to its parent."""
        return type(self), (self.faults,)


class SettingError(RendererError, ValueError):
    """An argument of a public function, or the path or value of a setting, is not allowed."""


class TraceError(RendererError, RuntimeError):
    """The renderer broke one of its own rules; the message says how to repeat only the broken part."""
