"""Echowright: synthetic grey-scale ultrasound pictures of described phantoms, with their truth."""

from typing import TYPE_CHECKING, Any

from renderer.errors import Fault, RendererError, SceneError, SettingError, TraceError
from renderer.scene import Scene, parse_scene, read_scene

if TYPE_CHECKING:
    from renderer.flow import render, render_series
    from renderer.frame.frame import Frame

__all__ = [
    "Fault",
    "Frame",
    "RendererError",
    "Scene",
    "SceneError",
    "SettingError",
    "TraceError",
    "parse_scene",
    "read_scene",
    "render",
    "render_series",
]


def __getattr__(name: str) -> Any:
    """The tracer is loaded when it is first used: reading and checking scenes must start fast."""
    if name in ("render", "render_series"):
        from renderer import flow  # the compiler behind it takes half a second to load

        return getattr(flow, name)
    if name == "Frame":
        from renderer.frame.frame import Frame

        return Frame
    raise AttributeError(f"module 'renderer' has no attribute {name!r}")
