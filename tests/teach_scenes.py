"""Small scenes for the tests of figures: few lines, shallow, rendered once."""

from __future__ import annotations

from functools import cache
from typing import Any

import renderer
from renderer.frame.frame import Frame
from renderer.teach.case import Case, follower_of, traced_view
from renderer.teach.findings import find_all
from renderer.teach.words import Words

PROBE = {
    "kind": "linear", "elements": 64, "pitch_mm": 0.3, "frequency_mhz": 7.5, "bandwidth_percent": 60, "height_mm": 5,
    "lens_focus_mm": 25,
}  # fmt: skip


def scene(title: str, shows: list[str], solids: list[dict[str, Any]], **more: Any) -> renderer.Scene:
    """A small scene on a short linear probe; the coupling is the background's tissue."""
    background = more.pop("background", "gelatine")
    phantom = {
        "background": background,
        "coupling": background,
        "solids": solids,
        "tissues": more.pop("tissues", {}),
    }
    machine = {"depth_mm": 40, "focus_mm": [20], "lines": 32, **more.pop("machine", {})}
    tree = {"title": title, "shows": shows, "phantom": phantom, "probe": {**PROBE, **more.pop("probe", {})},
            "machine": machine, "seed": 5, **more}  # fmt: skip
    return renderer.parse_scene(tree)


def plate_scene() -> renderer.Scene:
    """Reverberation of a plate."""
    plate = {
        "name": "plate",
        "shape": "box",
        "centre_mm": [0, 0, 10.5],
        "size_mm": [14, 40, 1],
        "tissue": "acrylic",
    }
    remedies = [{"name": "rock the probe", "why": "the plate no longer faces it", "set": {"pose.rock_deg": 12}},
                {"name": "lower the gain", "why": "less is seen", "try": {"machine.gain_db": [-20, 0, 3]}}]  # fmt: skip
    return scene("Plate", ["reverberation"], [plate], remedies=remedies)


def mirror_scene() -> renderer.Scene:
    """A wire and a grape before a tilted mirror."""
    mirror = {
        "name": "mirror",
        "shape": "slab",
        "top_mm": 22,
        "bottomless": True,
        "tilt_deg": 8,
        "tissue": "air",
    }
    grape = {
        "name": "grape",
        "shape": "ellipsoid",
        "centre_mm": [2, 0, 13],
        "radii_mm": [3, 6, 3],
        "tissue": "flesh",
    }
    flesh = {"flesh": {"like": "gelatine", "backscatter_db": 8}}
    return scene("Grape", ["mirror"], [mirror, grape], tissues=flesh, machine={"depth_mm": 42})


def wedge_scene() -> renderer.Scene:
    """A slow block over half of a deep line."""
    lard = {
        "name": "lard",
        "shape": "box",
        "centre_mm": [-8, 0, 15],
        "size_mm": [16, 80, 20],
        "tissue": "lard",
    }
    line = {"name": "deep line", "shape": "slab", "top_mm": 33, "bottomless": True, "tissue": "urethane"}
    return scene("Lard", ["speed"], [lard, line])


def late_scene() -> renderer.Scene:
    """A plate below the picture, at a high pulse rate."""
    clear = {"clear": {"like": "gelatine", "attenuation_db_cm_mhz": 0.05}}
    plate = {"name": "deep plate", "shape": "slab", "top_mm": 82, "bottomless": True, "tissue": "steel"}
    return scene("Late", ["range_ambiguity"], [plate], tissues=clear, background="clear",
                 machine={"prf_hz": 12000})  # fmt: skip


def multipath_scene() -> renderer.Scene:
    """Three surfaces under each other, of one speed: up to the first and down to the second on the way home."""
    tissues = {
        f"gel {k}": {"like": "gelatine", "density_kg_m3": rho} for k, rho in ((1, 2000), (2, 1000), (3, 2600))
    }
    solids = [
        {"name": "upper", "shape": "slab", "top_mm": 8, "bottomless": True, "tissue": "gel 1"},
        {"name": "middle", "shape": "slab", "top_mm": 14, "bottomless": True, "tissue": "gel 2"},
        {"name": "lower", "shape": "slab", "top_mm": 26, "bottomless": True, "tissue": "gel 3"},
    ]
    return scene("Layers", ["multipath"], solids, tissues=tissues)


def lens_scene() -> renderer.Scene:
    """Two prisms over a thin straw, which is shown twice."""
    tissues = {
        "slow": {"like": "gelatine", "speed_m_s": 1450, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1},
        "fast": {"like": "gelatine", "speed_m_s": 1620, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1},
    }
    prisms = [
        {"name": "left", "shape": "prism", "outline_mm": [[-12, 12], [-12, 4], [0, 12]], "y_mm": [-30, 30], "tissue": "fast"},
        {"name": "right", "shape": "prism", "outline_mm": [[0, 12], [12, 4], [12, 12]], "y_mm": [-30, 30], "tissue": "fast"},
    ]  # fmt: skip
    straw = {"name": "straw", "shape": "tube", "from_mm": [0, -30, 50], "to_mm": [0, 30, 50], "radius_mm": 1.0,
             "tissue": "acrylic"}  # fmt: skip
    return scene("Lenses", ["refraction"], [*prisms, straw], tissues=tissues, background="slow",
                 machine={"depth_mm": 58, "focus_mm": [48], "assumed_speed_m_s": 1450, "transmit_f_number": 4,
                          "receive_f_number": 3})  # fmt: skip


@cache
def made(maker: Any) -> tuple[renderer.Scene, Frame, list[Case]]:
    """A scene, its frame, and a case for each finding that is no solid."""
    ready = maker()
    frame, words = renderer.render(ready), Words()
    follower = follower_of(ready, traced_view(ready))
    findings = [f for f in find_all(frame, ready.shows, words) if f.kind != "solid"]
    return ready, frame, [Case(ready, frame, follower, f, words) for f in findings]
