"""The manifest: everything needed to make a frame again, with its cautions."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import Any

from renderer.frame.frame import CAUTION
from renderer.probe.plan import ScanPlan
from renderer.scene.parts import thaw
from renderer.scene.scene import Scene


def program_version() -> str:
    """Version of the installed distribution; "0" for a source tree that is not installed."""
    try:
        return version("echowright")
    except PackageNotFoundError:
        return "0"


def make_manifest(scene: Scene, number: int, without: tuple[str, ...], plan: ScanPlan) -> dict[str, Any]:
    """Manifest of one frame of a scene.

    ``scene`` holds the whole scene as it was rendered (with every changed setting), so that
    ``parse_scene(manifest["scene"])`` makes it again.
    """
    return {
        "program": "echowright",
        "version": program_version(),
        "caution": CAUTION,
        "safety_indices": "MI and TI are not modelled",
        "scene_name": scene.name,
        "scene_digest": scene.digest,
        "scene": thaw(scene.tree),
        "seed": {"tissue": scene.seed_tissue, "noise": scene.seed_noise},
        "frame": number,
        "without": list(without),
        "units": "mm, us, MHz, dB; pictures [row, column] = [z, x] in the probe frame",
        "pulse_interval_us": plan.pulse_interval_us,
    }
