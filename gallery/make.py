"""Makes the gallery again: ``python gallery/make.py`` (everything, and the index) or with names of scenes.

Each picture has two lines in ``words.yaml``: what it shows, and what in it still looks synthetic. The index
``README.md`` is made from them; a picture without its lines is an error, and so are lines without a picture.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import yaml
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from renderer import Scene, read_scene, render
from renderer.frame.overlay import overlay_picture
from renderer.frame.store import write_png
from renderer.scene import shipped_scene_names
from renderer.teach import figure, sweep, write_sweep
from renderer.teach.export import save_page

HERE = Path(__file__).parent

# Pages of `echowright figure` and sweeps of `echowright sweep`; a few of each, or the gallery gets heavy.
PAGES = {
    "lenses": ("cause-refraction",),
    "mirror": ("labelled", "cause-mirror", "remedy-1"),
    "plate": ("cause-reverberation",),
    "wedge": ("remedy-2",),
}
SWEEPS = {"plate": "pose.rock_deg=0:12:5"}

N_COLOURS, N_GREYS = 40, 52

MECHANISMS_LINK = (
    "[What each mechanism adds](mechanisms/README.md): texture, haze, grey map and others, each picture with and without it; "
    "made by `python -m tests.study_mechanisms --write`."
)

KINDS = {
    "": "`echowright render {scene}`",
    "truth": "`echowright render {scene} --overlay`",
    "remedy": "after the first remedy of its file",
}


def main(names: list[str]) -> None:
    """Pictures, pages and sweeps of the scenes named, or of all; of all also the index."""
    for name in names or shipped_scene_names():
        scene = read_scene(name)
        write_pictures(name, scene)
        write_pages(name, scene)
        if name in SWEEPS:
            write_sweep_pages(scene, SWEEPS[name])
        print(name)
    if not names:
        write_index()


def write_pictures(name: str, scene: Scene) -> None:
    """Plain picture and, where no page has them, its truth outlined and the picture after the first remedy."""
    frame, pages = render(scene), PAGES.get(name, ())
    write_png(frame.image, HERE / f"{name}.png")
    if "labelled" not in pages:
        write_png(overlay_picture(frame), HERE / f"{name}.truth.png")
        lighten(HERE / f"{name}.truth.png")
    remedy = next((r for r in scene.remedies if r.set), None)
    if remedy is not None and not any(page.startswith("remedy") for page in pages):
        write_png(render(scene.with_settings(remedy.set)).image, HERE / f"{name}.remedy.png")


def write_pages(name: str, scene: Scene) -> None:
    """The pages of a scene that the gallery shows."""
    wanted = PAGES.get(name, ())
    if not wanted:
        return
    made = figure(scene, remedies=any(page.startswith("remedy") for page in wanted))
    for page in wanted:
        sheet, path = made.sheet(page), HERE / f"{name}.{page}.png"
        save_page(sheet.page, path, made.look, title=sheet.title, alt=sheet.alt)
        lighten(path)


def write_sweep_pages(scene: Scene, axis: str) -> None:
    """Contact sheet and curves of a sweep; its cine, table and slider page are not kept."""
    result = sweep(scene, [axis])
    with tempfile.TemporaryDirectory() as folder:
        for path in write_sweep(result, folder):
            if path.suffix == ".png":
                kept = HERE / f"{scene.name}.sweep-{path.name.split('.')[-2]}.png"
                kept.write_bytes(path.read_bytes())
                lighten(kept)


def lighten(path: Path) -> None:
    """A colour PNG with a palette, which is some third of its size; texts in it stay.

    The palette has the colours that are used most, as they are, since colours carry meaning, and greys in even steps.
    """
    with Image.open(path) as picture:
        texts, rgb = PngInfo(), picture.convert("RGB")
        for key, text in picture.info.items():
            if isinstance(text, str):
                texts.add_itxt(key, text)
    counted = sorted(rgb.getcolors(rgb.width * rgb.height) or [], reverse=True)
    colours = [c for _, c in counted if max(c) - min(c) > 8][:N_COLOURS]
    palette = np.array(colours + [(round(255 * k / (N_GREYS - 1)),) * 3 for k in range(N_GREYS)])
    present, place = np.unique(np.asarray(rgb).reshape(-1, 3), axis=0, return_inverse=True)
    away = ((present[:, None, :].astype(int) - palette[None]) ** 2).sum(axis=-1)
    small = Image.fromarray(
        away.argmin(axis=1).astype(np.uint8)[place.ravel()].reshape(rgb.height, rgb.width), "P"
    )
    small.putpalette(palette.ravel().tolist())
    small.save(path, optimize=True, pnginfo=texts)


def write_index() -> None:
    """``README.md``: every picture with its two lines, in the order of ``words.yaml``."""
    words = yaml.safe_load((HERE / "words.yaml").read_text(encoding="utf-8"))
    there = {path.name for path in HERE.glob("*.png")}
    wrong = sorted(there ^ {f"{stem}.png" for stem in words["pictures"]})
    if wrong:
        raise SystemExit(f"words.yaml and the pictures differ in: {', '.join(wrong)}")
    parts = [f"# Gallery\n\n{words['introduction'].strip()}\n\n{MECHANISMS_LINK}\n"]
    scene = ""
    for stem, lines in words["pictures"].items():
        name, _, kind = stem.partition(".")
        if name != scene:
            scene = name
            parts.append(f"\n## {read_scene(name).title}\n")
        parts.append(f"\n![{lines['shows']}]({stem}.png)\n\n{made_by(name, kind)}: {lines['shows']}\n")
        parts.append(f"\n*Still synthetic:* {lines['synthetic']}\n")
    (HERE / "README.md").write_text("".join(parts), encoding="utf-8")


def made_by(name: str, kind: str) -> str:
    """How a reader gets the picture."""
    if kind in KINDS:
        return KINDS[kind].format(scene=name)
    if kind.startswith("sweep-"):
        return f"`echowright sweep {name} --vary '{SWEEPS[name]}'`, {kind.removeprefix('sweep-')}"
    return f"`echowright figure {name}`, page `{kind}`"


if __name__ == "__main__":
    main(sys.argv[1:])
