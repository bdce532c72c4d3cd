"""Prints statistics of tissue in shipped scenes beside those of real frames; with ``--write`` into DEVELOPERS.md.

    python -m tests.study_tissue_statistics --write

The real frames are two that the package pydicom carries for its own tests; they are read where it is installed and
never copied. Only patches inside the picture are read, away from all that is written on it. One is a lymph node under
the skin with a linear probe, without a region calibration: its pixel follows from its depth marks, 77.4 pixels
apart, which are taken to be a centimetre. The other is a heart with a sector probe, with one.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pydicom
import pydicom.data

import renderer
from tests.tissue_statistics import Statistics, resampled, statistics

PAGE = Path(__file__).parents[1] / "DEVELOPERS.md"
LINEAR_MM = 10 / 77.4

# Patches without overlay, in pixels: left, right, top, bottom.
LINEAR_PATCHES = ((46, 84, 165, 330), (552, 594, 165, 330), (92, 314, 112, 146), (92, 314, 298, 334), (322, 544, 298, 334))  # fmt: skip
SECTOR_PATCHES = ((130, 146, 67, 87), (158, 190, 53, 69))
SECTOR_BLOOD = (164, 190, 97, 121)

# Patches of one tissue away from shadows, in mm, and fluid in the same picture.
OURS = {
    "forearm": (((-18.5, -5.5, 18.2, 26.4), (5.5, 18.5, 6.2, 9.6), (-18.0, 4.0, 1.9, 4.9)), (-14.0, -11.0, 9.5, 12.5)),
    "neck": (((-3.0, 9.0, 20.5, 24.3), (-14.0, 0.0, 8.4, 11.0), (1.0, 18.5, 29.8, 38.0)), (3.1, 4.9, 14.8, 16.4)),
    "belly": (((-36.0, -8.0, 24.0, 38.0), (-22.0, -4.0, 94.0, 108.0), (-40.0, -26.0, 60.0, 70.0)), (8.0, 14.0, 38.0, 46.0)),
}  # fmt: skip

ROWS = (
    ("mean grey", "mean_grey", 0),
    ("local sd over mean", "local_contrast", 2),
    ("local skewness", "skewness", 2),
    ("lateral correlation width, mm", "lateral_mm", 2),
    ("axial correlation width, mm", "axial_mm", 2),
    ("spread of 1 mm blocks", "blocks_1_mm", 2),
    ("spread of 4 mm blocks", "blocks_4_mm", 2),
    ("lateral share of waves over 5 mm", "coarse_lateral", 2),
    ("axial share of waves over 5 mm", "coarse_axial", 2),
)


def real_frame(name: str) -> np.ndarray:
    """First picture of a file that the package carries, grey (H, W); colours are not grey and raise."""
    path = Path(pydicom.data.__file__).parent / "test_files" / name
    pixels = pydicom.dcmread(path).pixel_array
    return np.asarray(pixels[0] if pixels.ndim == 4 else pixels, float)


def grey_patch(picture: np.ndarray, place: tuple[int, ...]) -> np.ndarray:
    """A patch (H, W) of an RGB picture that holds greys alone."""
    left, right, top, bottom = place
    patch = picture[top:bottom, left:right]
    if np.ptp(patch, axis=-1).max() > 12:
        raise ValueError(f"the patch {place} holds colours")
    return patch.mean(axis=-1)


def our_patch(frame: renderer.Frame, place: tuple[float, ...], pixel_mm: float) -> np.ndarray:
    """A patch (H, W) of a picture made here, at another pixel size."""
    left, right, top, bottom = place
    columns = (frame.x_mm > left) & (frame.x_mm < right)
    rows = (frame.z_mm > top) & (frame.z_mm < bottom)
    patch = frame.image[np.ix_(rows, columns)]
    return resampled(patch, float(frame.x_mm[1] - frame.x_mm[0]), pixel_mm)


def column(patches: Iterable[np.ndarray], fluid: np.ndarray | None, pixel_mm: float) -> list[str]:
    """The cells of one picture: least to most over its patches."""
    found: list[Statistics] = [statistics(patch, pixel_mm) for patch in patches]
    cells = [spread([getattr(s, key) for s in found], digits) for _, key, digits in ROWS]
    for place in range(3):
        cells.append(spread([s.grey_percentiles[place] for s in found], 0))
    level = float(np.mean([s.grey_percentiles[1] for s in found]))
    cells.append(
        "none in it" if fluid is None else f"{np.median(fluid):.0f} ({np.median(fluid) / level:.2f})"
    )
    return cells


def spread(values: list[float], digits: int) -> str:
    """Least to most of the values that exist."""
    there = [v for v in values if np.isfinite(v)]
    if not there:
        return "too small"
    least, most = f"{min(there):.{digits}f}", f"{max(there):.{digits}f}"
    return least if least == most else f"{least} to {most}"


def columns() -> dict[str, list[str]]:
    """All columns by their heads."""
    linear, sector = real_frame("examples_jpeg2k.dcm"), real_frame("examples_ybr_color.dcm")
    sector_mm = sector_pixel_mm("examples_ybr_color.dcm")
    made = {"real, linear": column((grey_patch(linear, p) for p in LINEAR_PATCHES), None, LINEAR_MM)}
    for name in ("forearm", "neck"):
        made[f"`{name}`"] = our_column(name, LINEAR_MM)
    blood = grey_patch(sector, SECTOR_BLOOD)
    made["real, sector"] = column((grey_patch(sector, p) for p in SECTOR_PATCHES), blood, sector_mm)
    made["`belly`"] = our_column("belly", sector_mm)
    return made


def our_column(name: str, pixel_mm: float) -> list[str]:
    """The column of a shipped scene."""
    patches, fluid = OURS[name]
    frame = renderer.render(renderer.read_scene(name))
    made = (our_patch(frame, place, pixel_mm) for place in patches)
    return column(made, our_patch(frame, fluid, pixel_mm), pixel_mm)


def sector_pixel_mm(name: str) -> float:
    """Pixel of the first calibrated region of a file; its unit is the centimetre (DICOM PS3.3 C.8.5.5.1)."""
    path = Path(pydicom.data.__file__).parent / "test_files" / name
    region = pydicom.dcmread(path, stop_before_pixels=True).SequenceOfUltrasoundRegions[0]
    return 10 * float(region.PhysicalDeltaX)


def table() -> str:
    """The columns as a Markdown table."""
    made = columns()
    names = (
        [row[0] for row in ROWS]
        + [f"grey, percentile {p}" for p in (1, 50, 99)]
        + ["fluid, grey (over tissue)"]
    )
    lines = [f"| patches of tissue | {' | '.join(made)} |", "|---" * (len(made) + 1) + "|"]
    lines += [f"| {name} | {' | '.join(c[i] for c in made.values())} |" for i, name in enumerate(names)]
    return "\n".join(lines)


if __name__ == "__main__":
    result = table()
    print(result)
    if "--write" in sys.argv:
        text = PAGE.read_text()
        block = f"<!-- tissue statistics -->\n{result}\n<!-- end tissue statistics -->"
        pattern = r"<!-- tissue statistics -->.*?<!-- end tissue statistics -->"
        PAGE.write_text(re.sub(pattern, lambda _: block, text, flags=re.S))
