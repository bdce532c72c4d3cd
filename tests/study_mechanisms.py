"""Renders scenes with and without each mechanism that makes them realistic; with ``--write`` keeps tables and pictures.

    python -m tests.study_mechanisms [--write] [--one-seed] [NAME ...]

The same scene and seed each time. The table goes into DEVELOPERS.md, pictures and a page into gallery/mechanisms/. All that
is judged by eye stands in gallery/mechanisms/words.yaml and is put onto the page as it is. NAME: only these mechanisms,
printed and not written. Some five minutes on two cores; a
third of that with one seed, which tells nothing of the spread.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import yaml
from PIL import Image, ImageDraw, ImageFont

from renderer.frame.frame import CAUTION
from renderer.frame.store import write_png
from tests import study_tissue_statistics as real
from tests.mechanisms import (
    FLUID,
    MECHANISMS,
    SEEDS,
    Comparison,
    Mechanism,
    Target,
    changed_percent,
    comparisons,
    distance,
    targets,
)
from tests.tissue_statistics import statistics

Array = np.ndarray
ROOT = Path(__file__).parents[1]
PAGE, FOLDER = ROOT / "DEVELOPERS.md", ROOT / "gallery" / "mechanisms"
SCENES = tuple(FLUID)
WIDTH_PX = 470  # of one picture of a pair
N_GREYS = 32  # of a kept pair: speckle is hard to pack
HEAD_PX, FOOT_PX, GAP_PX = 26, 22, 8


def real_targets() -> dict[str, tuple[float, dict[str, Target]]]:
    """Pixel in mm and ranges of the real frame that each scene is held against."""
    linear, sector = real.real_frame("examples_jpeg2k.dcm"), real.real_frame("examples_ybr_color.dcm")
    sector_mm = real.sector_pixel_mm("examples_ybr_color.dcm")
    near = [statistics(real.grey_patch(linear, p), real.LINEAR_MM) for p in real.LINEAR_PATCHES]
    far = [statistics(real.grey_patch(sector, p), sector_mm) for p in real.SECTOR_PATCHES]
    blood = float(real.grey_patch(sector, real.SECTOR_BLOOD).mean())
    tissue = float(np.mean([p.grey_percentiles[1] for p in far]))
    return {
        "forearm": (real.LINEAR_MM, targets(near, None)),
        "belly": (sector_mm, targets(far, blood / tissue)),
    }


def pair_picture(made: Comparison) -> Array:
    """Both pictures beside each other, (H, W) uint8, with their names above and the caution below."""
    names = ("with it (off where nothing is said)" if made.mechanism.extra else "with it", "without it")
    small = [shrunk(r.image) for r in (made.having, made.lacking)]
    height, width = small[0].shape
    sheet = Image.new("L", (2 * width + GAP_PX, height + HEAD_PX + FOOT_PX), 255)
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(size=14)
    for side, (picture, name) in enumerate(zip(small, names)):
        left = side * (width + GAP_PX)
        sheet.paste(Image.fromarray(picture), (left, HEAD_PX))
        pen.text((left + 4, 5), f"{made.scene}: {made.mechanism.title}, {name}", 0, font)
    foot, size = CAUTION, 11.0
    while pen.textlength(foot, ImageFont.load_default(size=size)) > sheet.width - 8:
        size -= 0.25
    pen.text((4, height + HEAD_PX + 5), foot, 60, ImageFont.load_default(size=size))
    return np.asarray(sheet)


def shrunk(image: Array) -> Array:
    """A picture at the width of a pair, in fewer greys."""
    height = round(image.shape[0] * WIDTH_PX / image.shape[1])
    small = np.asarray(Image.fromarray(image).resize((WIDTH_PX, height), Image.Resampling.LANCZOS), float)
    step = 255 / (N_GREYS - 1)
    return np.round(np.round(small / step) * step).astype(np.uint8)


def row_cells(
    group: Sequence[Comparison], wanted: Mapping[str, tuple[float, dict[str, Target]]]
) -> list[str]:
    """Cells of a mechanism in a scene: change, fluid, distance with, and what its removal adds to that."""
    first = group[0]
    changed = np.mean([changed_percent(c.having, c.lacking) for c in group])
    fluid = [np.mean([getattr(c, side).fluid_grey for c in group]) for side in ("having", "lacking")]
    cells = [first.mechanism.title, f"`{first.scene}`", f"{changed:.1f}", f"{fluid[0]:.1f} to {fluid[1]:.1f}"]
    if first.scene not in wanted:
        return [*cells, "", ""]
    ranges = wanted[first.scene][1]
    own = [distance(c.having, ranges) for c in group]
    more = [distance(c.lacking, ranges) - d for c, d in zip(group, own)]
    spread = f" ± {np.std(more, ddof=1):.2f} ({len(more)})" if len(more) > 1 else " (1)"
    return [*cells, f"{np.mean(own):.2f}", f"{np.mean(more):+.2f}{spread}"]


def table(made: Iterable[Comparison], wanted: Mapping[str, tuple[float, dict[str, Target]]]) -> str:
    """All comparisons as a Markdown table, what changes most of a picture first."""
    groups: dict[tuple[str, str], list[Comparison]] = {}
    for c in made:
        groups.setdefault((c.mechanism.name, c.scene), []).append(c)
    rows = sorted((row_cells(g, wanted) for g in groups.values()), key=lambda cells: -float(cells[2]))
    head = (
        "mechanism",
        "scene",
        "changed, %",
        "fluid, grey with to without",
        "D with",
        "D more without (seeds)",
    )
    return "\n".join(f"| {' | '.join(cells)} |" for cells in [head, ["---"] * len(head), *rows])


def shown_in(made: Sequence[Comparison], name: str) -> Comparison:
    """The pair of a mechanism that is kept: its first scene's first seed."""
    mine = [c for c in made if c.mechanism.name == name]
    first = mine[0].mechanism.scenes[0]
    return next(c for c in mine if c.scene == first)


def gallery_page(words: Mapping[str, object], numbers: str) -> str:
    """The page of the pairs: what was judged by eye, the table, and every pair with its words."""
    pairs = dict(words["pairs"])  # type: ignore[call-overload]
    known = {m.name: m for m in MECHANISMS}
    if set(pairs) != set(known):
        raise SystemExit(
            f"words.yaml and the mechanisms differ in: {', '.join(sorted(set(pairs) ^ set(known)))}"
        )
    parts = [
        "# What each mechanism adds\n",
        f"{CAUTION}\n",
        str(words["introduction"]),
        "## By eye\n",
        str(words["by_eye_note"]),
    ]
    parts.append(listed(words["by_eye"], numbered=True))
    parts += ["## What a critical reader would still call synthetic\n", listed(words["still_synthetic"])]
    parts += ["## In numbers\n", str(words["numbers"]), f"{numbers}\n"]
    for name, seen in pairs.items():
        m = known[name]
        parts.append(
            f"## {m.title[0].upper()}{m.title[1:]}\n\n![{m.title}: with it on the left, without it on the right]({name}.png)\n"
        )
        parts.append(f"{m.how}, in `{m.scenes[0]}`. *By eye:* {seen}\n")
    return "\n".join(part.rstrip("\n") + "\n" for part in parts)


def listed(lines: object, *, numbered: bool = False) -> str:
    """A Markdown list."""
    assert isinstance(lines, list)
    return "\n".join(f"{f'{k + 1}.' if numbered else '-'} {line}" for k, line in enumerate(lines)) + "\n"


def study(mechanisms: Sequence[Mechanism], n_seeds: int = 3) -> tuple[list[Comparison], str]:
    """All comparisons of some mechanisms, and their table."""
    wanted = real_targets()
    made: list[Comparison] = []
    for name in SCENES:
        pixel_mm = wanted.get(name, (real.LINEAR_MM, {}))[0]
        for c in comparisons(name, mechanisms, pixel_mm, seeds=SEEDS[name][:n_seeds]):
            print(f"{name}, seed {c.seed}: {c.mechanism.title}", file=sys.stderr, flush=True)
            made.append(c)
    return made, table(made, wanted)


def write(made: Sequence[Comparison], numbers: str) -> None:
    """Pictures, their page, and the table in DEVELOPERS.md."""
    words = yaml.safe_load((FOLDER / "words.yaml").read_text(encoding="utf-8"))
    page = gallery_page(words, numbers)
    for m in MECHANISMS:
        write_png(pair_picture(shown_in(made, m.name)), FOLDER / f"{m.name}.png")
    (FOLDER / "README.md").write_text(page, encoding="utf-8")
    text = PAGE.read_text(encoding="utf-8")
    block = f"<!-- mechanisms -->\n{numbers}\n<!-- end mechanisms -->"
    PAGE.write_text(
        re.sub(r"<!-- mechanisms -->.*?<!-- end mechanisms -->", lambda _: block, text, flags=re.S)
    )


def main(arguments: Sequence[str]) -> None:
    """Print the table; with ``--write`` keep it, the pictures and the page."""
    names = [a for a in arguments if a not in ("--write", "--one-seed")]
    chosen = [m for m in MECHANISMS if not names or m.name in names]
    if not chosen or ("--write" in arguments and names):
        raise SystemExit(f"names: {', '.join(m.name for m in MECHANISMS)}; --write only with all of them")
    made, numbers = study(chosen, 1 if "--one-seed" in arguments else 3)
    print(numbers)
    if "--write" in arguments:
        write(made, numbers)


if __name__ == "__main__":
    main(sys.argv[1:])
