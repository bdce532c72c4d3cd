"""What realism costs, all in one run: ``python -m tests.study_cost [--write]`` prints a table, or puts it into DEVELOPERS.md.

The standard frame of the benchmark on its convex probe, and the same twenty solids at a quarter of their size on
a linear one. *Plain*: even tissue, smooth surfaces, no haze, no lobes, no ring at the face. *Real*: all of them. Each
of the four runs in a process of its own; secondary paths are traced in all of them.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import time
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import renderer
from renderer.flow import points_of, trace_job
from renderer.trace.echoes import start_view
from renderer.trace.elevation import elevation_table
from tests.benchmark import median_s, peak_mb, standard_tree
from tests.mechanisms import with_smooth_surfaces

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
QUARTER = 40.0 / 150.0  # of the depths of the two pictures
LINEAR = {"kind": "linear", "elements": 192, "pitch_mm": 0.2, "frequency_mhz": 10, "bandwidth_percent": 70, "height_mm": 4,
          "lens_focus_mm": 18}  # fmt: skip
ROUGH = {"roughness_um": 40, "wave_mm": 0.1, "wave_length_mm": 4}
"""As the skin and fasciae of the shipped bodies."""


@dataclass(frozen=True)
class Cost:
    """What one scene took: medians in seconds, scatterers, and the peak of memory after the first frame."""

    frame_s: float
    processor_s: float  # of all threads, a frame: hardly moved by what else runs on the machine
    draw_s: float
    points: int
    peak_mb: float


def scene_of(kind: str, look: str) -> renderer.Scene:
    """One of the four scenes: ``convex`` or ``linear``, ``plain`` or ``real``."""
    tree = standard_tree()
    phantom = tree["phantom"]
    phantom["tissues"] = {
        "soft inside": {"like": "soft tissue", "attenuation_db_cm_mhz": 0.5, "texture": "soft"}
    }
    phantom["background"] = "soft inside"
    if kind == "linear":
        phantom["solids"] = [scaled(solid, QUARTER) for solid in phantom["solids"]]
        tree |= {"probe": dict(LINEAR), "machine": {"depth_mm": 40, "focus_mm": [21]}}
    for solid in phantom["solids"]:
        if solid["shape"] == "slab":
            solid["surface"] = dict(ROUGH)
    if look == "real":
        return renderer.parse_scene(tree)
    tree["physics"] = {"texture": False, "clutter": False, "lobes": False}
    tree["probe"]["main_bang_db"] = "none"
    return with_smooth_surfaces(renderer.parse_scene(tree))


def scaled(solid: dict[str, Any], factor: float) -> dict[str, Any]:
    """A solid with all its lengths and places times a factor; wires, beads and the foil keep their thickness."""

    def times(value: Any) -> Any:
        return [times(v) for v in value] if isinstance(value, list) else factor * value

    kept = ("diameter_mm",) if solid["shape"] != "sheet" else ("thickness_mm",)
    return {k: times(v) if k.endswith("_mm") and k not in kept else v for k, v in solid.items()}


def cost_here(kind: str, look: str) -> Cost:
    """The cost of one scene, measured in this process: the first frame is not timed, five with new seeds are."""
    scene = scene_of(kind, look)
    renderer.render(scene, seed=1)
    peak = peak_mb()
    seeds = iter(range(2, 99))
    before_s = time.process_time()
    frame_s = median_s(lambda: renderer.render(scene, seed=next(seeds)), 5)
    processor_s = (time.process_time() - before_s) / 5
    jobs = iter([trace_job(replace(scene, seed_tissue=s), 0.0) for s in range(200, 203)])
    draw_s = median_s(lambda: points_of(next(jobs)), 3)
    n_points = len(points_of(trace_job(replace(scene, seed_tissue=202), 0.0)).x_mm)
    return Cost(frame_s, processor_s, draw_s, n_points, peak)


def cost_of(kind: str, look: str) -> Cost:
    """The same in a process of its own."""
    command = [sys.executable, "-m", "tests.study_cost", "--one", kind, look]
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=PAGE.parent)
    return Cost(**json.loads(done.stdout))


def set_up_s(name: str) -> tuple[float, float]:
    """Medians for a shipped scene: reading and checking its file, and painting and packing it with its view, s."""

    def pack() -> None:
        elevation_table.cache_clear()
        start_view(trace_job(scene, scene.scan.steer_rad))

    scene = renderer.read_scene(name)
    pack()
    return median_s(lambda: renderer.read_scene(name), 15), median_s(pack, 7)


def table() -> str:
    """Both tables in Markdown."""
    lines = ["| frame | plain | real | times |", "|---|---|---|---|"]
    for kind in ("convex", "linear"):
        plain, real = cost_of(kind, "plain"), cost_of(kind, "real")
        for what, key, unit, digits in (
            ("frame, new seed", "frame_s", " s", 2),
            ("processor time of a frame, mean of five", "processor_s", " s", 2),
            ("drawing scatterers, part of a frame", "draw_s", " s", 2),
            ("scatterers", "points", "", 0),
            ("peak memory, first frame", "peak_mb", " MB", 0),
        ):
            a, b = float(getattr(plain, key)), float(getattr(real, key))
            lines.append(f"| {kind}: {what} | {a:.{digits}f}{unit} | {b:.{digits}f}{unit} | {b / a:.2f} |")
            print(lines[-1], file=sys.stderr, flush=True)
    lines += ["", "| scene | read and check | paint and pack, with the view |", "|---|---|---|"]
    for name in ("forearm", "belly"):
        read_s, pack_s = set_up_s(name)
        lines.append(f"| `{name}` | {1e3 * read_s:.0f} ms | {1e3 * pack_s:.0f} ms |")
    return "\n".join(lines)


def main() -> None:
    """Print the tables, or write them into DEVELOPERS.md."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--write", action="store_true", help="put the tables into DEVELOPERS.md")
    parser.add_argument("--one", nargs=2, metavar=("PROBE", "LOOK"), help="one cost as JSON, in this process")
    arguments = parser.parse_args()
    if arguments.one:
        print(json.dumps(asdict(cost_here(*arguments.one))))
        return
    made = table()
    print(made)
    if arguments.write:
        block = f"<!-- cost of realism -->\n{made}\n<!-- end cost of realism -->"
        text = PAGE.read_text(encoding="utf-8")
        pattern = r"<!-- cost of realism -->.*?<!-- end cost of realism -->"
        PAGE.write_text(re.sub(pattern, lambda _: block, text, flags=re.S), encoding="utf-8")


if __name__ == "__main__":
    main()
