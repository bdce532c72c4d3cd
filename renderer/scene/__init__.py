"""YAML text to a validated, frozen scene, or all faults at once."""

from renderer.scene.manual import json_schema, reference_page
from renderer.scene.parts import Phantom, PhysicsSwitches, Remedy, Sweep
from renderer.scene.reader import parse_scene, read_scene
from renderer.scene.scene import Scene
from renderer.scene.settings import parse_setting_value
from renderer.scene.shipped import copy_scene, shipped_scene_names

__all__ = [
    "Phantom",
    "PhysicsSwitches",
    "Remedy",
    "Scene",
    "Sweep",
    "copy_scene",
    "json_schema",
    "parse_scene",
    "parse_setting_value",
    "read_scene",
    "reference_page",
    "shipped_scene_names",
]
