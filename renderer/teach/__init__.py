"""Figures for teaching: labelled pictures, their causes and remedies, and sweeps of a setting."""

from typing import TYPE_CHECKING, Any

from renderer.teach.words import ENGLISH, Words

if TYPE_CHECKING:
    from renderer.teach.figures import Figure, figure
    from renderer.teach.sweep_files import write_sweep
    from renderer.teach.sweeps import Axis, Sweep, parse_axis, sweep

__all__ = ["ENGLISH", "Axis", "Figure", "Sweep", "Words", "figure", "parse_axis", "sweep", "write_sweep"]

_HOMES = {
    "Axis": "sweeps", "Figure": "figures", "Sweep": "sweeps", "figure": "figures", "parse_axis": "sweeps", "sweep": "sweeps",
    "write_sweep": "sweep_files",
}  # fmt: skip


def __getattr__(name: str) -> Any:
    """The tracer is loaded when a figure is first asked for: wrong arguments are found without it."""
    if name not in _HOMES:
        raise AttributeError(f"module 'renderer.teach' has no attribute {name!r}")
    from importlib import import_module

    # Set at once: a module of the same name would otherwise stand in its place
    globals()[name] = getattr(import_module(f"renderer.teach.{_HOMES[name]}"), name)
    return globals()[name]
