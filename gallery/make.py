"""Makes every picture of the gallery again: ``python gallery/make.py`` (all) or with names of scenes."""

from __future__ import annotations

import sys
from pathlib import Path

from renderer import read_scene, render
from renderer.frame.overlay import overlay_picture
from renderer.frame.store import write_png
from renderer.scene import shipped_scene_names

HERE = Path(__file__).parent


def main(names: list[str]) -> None:
    """Plain picture, picture with its truth outlined, and picture after the first remedy, of each scene."""
    for name in names or shipped_scene_names():
        scene = read_scene(name)
        frame = render(scene)
        write_png(frame.image, HERE / f"{name}.png")
        write_png(overlay_picture(frame), HERE / f"{name}.truth.png")
        remedy = next((r for r in scene.remedies if r.set), None)
        if remedy is not None:
            write_png(render(scene.with_settings(remedy.set)).image, HERE / f"{name}.remedy.png")
        print(f"{name}: {frame.image.shape[1]} x {frame.image.shape[0]}")


if __name__ == "__main__":
    main(sys.argv[1:])
