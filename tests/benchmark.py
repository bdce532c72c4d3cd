"""Timings, all in one run: ``python -m tests.benchmark [--write]`` prints a table, or puts it into DEVELOPERS.md.

Medians of several. The standard frame is a convex probe with 192 lines to 150 mm over twenty solids, every
class traced. "New seed" shares nothing with the frame before.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import renderer

BEGIN, END = "<!-- timings -->", "<!-- end timings -->"
ROOT = Path(__file__).parents[1]


def standard_scene() -> renderer.Scene:
    """The standard frame: layers, tubes, balloons, a foil, wires and beads; twenty solids."""
    return renderer.parse_scene(standard_tree())


def standard_tree() -> dict[str, Any]:
    """The standard frame as the mapping that a file would hold."""
    layers = [
        {"name": "skin", "shape": "slab", "top_mm": 2, "thickness_mm": 2, "tissue": "muscle"},
        {"name": "lard", "shape": "slab", "top_mm": 4, "thickness_mm": 9, "tissue": "fat"},
        {"name": "firm sheet", "shape": "slab", "top_mm": 13, "thickness_mm": 5, "tissue": "muscle"},
    ]
    balloons = [
        {
            "name": "balloon",
            "shape": "ellipsoid",
            "centre_mm": [-18, 0, 62],
            "radii_mm": [15, 18, 12],
            "tissue": "water",
        },
        {
            "name": "grape",
            "shape": "ellipsoid",
            "centre_mm": [24, 0, 50],
            "radii_mm": [9, 9, 8],
            "tissue": "liver",
        },
        {
            "name": "pebble",
            "shape": "ellipsoid",
            "centre_mm": [20, 0, 84],
            "radii_mm": [3, 3, 3],
            "tissue": "stone",
        },
    ]
    straws = [
        {"name": f"straw {i}", "shape": "tube", "from_mm": [x, -40, z], "to_mm": [x + 5, 40, z], "radius_mm": 2.5,
         "tissue": "water"} for i, (x, z) in enumerate([(-30, 34), (4, 40), (36, 70), (-6, 96)])
    ]  # fmt: skip
    wires = [
        {
            "name": f"wire {i}",
            "shape": "wire",
            "from_mm": [2, -20, z],
            "to_mm": [2, 20, z],
            "diameter_mm": 0.1,
            "tissue": "steel",
        }
        for i, z in enumerate([25, 45, 65, 85, 105])
    ]
    beads = [
        {"name": f"bead {i}", "shape": "bead", "at_mm": [x, 0, 112], "diameter_mm": 0.4, "tissue": "glass"}
        for i, x in enumerate([-40, -20, 20, 40])
    ]
    foil = {"name": "foil", "shape": "sheet", "curve_mm": [[-60, 126], [0, 120], [60, 128]], "thickness_mm": 0.1,
            "tissue": "latex", "behind": "air"}  # fmt: skip
    return {
        "title": "Standard frame",
        "phantom": {"background": "gelatine", "solids": [*layers, *balloons, *straws, *wires, *beads, foil]},
        "probe": {"kind": "convex", "elements": 192, "pitch_mm": 0.33, "channels": 96, "radius_mm": 60, "frequency_mhz": 3.5,
                  "bandwidth_percent": 60, "height_mm": 12, "lens_focus_mm": 70},
        "machine": {"depth_mm": 150, "focus_mm": [80], "lines": 192},
    }  # fmt: skip


def median_s(work: Callable[[], object], count: int) -> float:
    """Median time of a piece of work."""
    spans = []
    for _ in range(count):
        start = time.perf_counter()
        work()
        spans.append(time.perf_counter() - start)
    return statistics.median(spans)


def command_s(arguments: list[str], cache: str, count: int = 1) -> float:
    """Median time of a command of its own process, with a cache folder."""
    environment = os.environ | {"XDG_CACHE_HOME": cache}
    return median_s(lambda: subprocess.run([sys.executable, *arguments], check=True, env=environment, cwd=cache,
                                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL), count)  # fmt: skip


def peak_mb() -> float:
    """Peak memory of this process. Not from ``getrusage``: a child starts there with the peak of its parent."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1024
    raise RuntimeError("/proc/self/status has no VmHWM: the benchmark needs Linux")


def frame_mb() -> float:
    """Peak memory of a process that renders one standard frame, kernels compiled."""
    code = (
        "import renderer; from tests.benchmark import peak_mb, standard_scene;"
        "renderer.render(standard_scene()); print(peak_mb())"
    )
    return float(
        subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    )


def rows() -> Iterator[tuple[str, str]]:
    """What was timed, and its median."""
    render = ["-m", "renderer", "render", "plate", "--out", "out"]
    with tempfile.TemporaryDirectory() as cache:
        yield "import renderer", f"{command_s(['-c', 'import renderer'], cache, 5):.2f} s"
        yield (
            "first command after installing: compiles, then renders `plate`",
            f"{command_s(render, cache):.0f} s",
        )
        yield "the same command again", f"{command_s(render, cache, 3):.1f} s"
    scene = standard_scene()
    renderer.render(scene)
    seeds, gains, focus = iter(range(1, 99)), iter(np.linspace(1, 9, 40)), iter(np.linspace(60, 99, 40))
    slides = iter(np.linspace(0.1, 5, 40))
    yield "standard frame, new seed", f"{median_s(lambda: renderer.render(scene, seed=next(seeds)), 5):.2f} s"
    for name, path, values in (
        ("probe slid", "pose.slide_mm", slides),
        ("focus changed", "machine.focus_mm", focus),
        ("gain changed", "machine.gain_db", gains),
    ):
        renderer.render(scene)

        def change(path: str = path, values: Iterator[float] = values) -> renderer.Frame:
            value = float(next(values))
            return renderer.render(scene.with_settings({path: [value] if "focus" in path else value}))

        span = median_s(change, 5 if "gain" not in path else 15)
        yield f"standard frame, {name}", f"{span:.2f} s" if span > 0.2 else f"{1e3 * span:.0f} ms"
    yield "peak memory, one standard frame in a process of its own", f"{frame_mb():.0f} MB"
    yield "peak memory of this whole run, with what it keeps for the next change", f"{peak_mb():.0f} MB"


def table() -> str:
    """The table in Markdown, with the machine it was measured on."""
    lines = [f"{os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}; times vary by a third.",
             "", "| what | median |", "|---|---|"]  # fmt: skip
    for name, value in rows():
        print(f"{name}: {value}", file=sys.stderr, flush=True)
        lines.append(f"| {name} | {value} |")
    return "\n".join(lines)


def main() -> None:
    """Print the table, or write it into DEVELOPERS.md."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    arguments = parser.parse_args()
    made = table()
    print(made)
    if arguments.write:
        page = ROOT / "DEVELOPERS.md"
        text = page.read_text()
        before, rest = text.split(BEGIN)
        page.write_text(f"{before}{BEGIN}\n{made}\n{END}{rest.split(END)[1]}")


if __name__ == "__main__":
    main()
