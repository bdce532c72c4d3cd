"""One slice of a label volume (NIfTI), as a label picture.

The reader of the format is an extra. It is loaded only where a scene names a volume, so that everything else works
without it.
"""

from __future__ import annotations

import zlib
from importlib.util import find_spec
from pathlib import Path as FilePath
from typing import Any

import numpy as np

ENDINGS = (".nii", ".nii.gz")
MAX_VOLUME_BYTES = 200_000_000
MAX_VOXELS = 500_000_000
MM_OF_UNIT = {"mm": 1.0, "meter": 1000.0, "micron": 0.001, "unknown": 1.0}
EVEN = 0.01  # voxels may be this much longer one way than the other in the picture
AXES = "ijk"


def is_volume(name: str) -> bool:
    """Whether a file name is that of a volume."""
    return name.lower().endswith(ENDINGS)


def read_slice(
    file: FilePath, axes: tuple[str, str], number: int | None, max_side: int
) -> tuple[np.ndarray, float] | tuple[str, str]:
    """Labels (H, W) uint8 of a slice and the size of its pixels in mm; or the key to blame and what is wrong.

    ``axes`` are the axes of the volume that run to the right and down in the picture, with a minus where they run the
    other way; ``number`` counts along the third, ``None`` is the middle. Voxels are taken as stored: an oblique
    or mirrored placement in the file's own world is not looked at. Without a unit in the file, mm are meant
    (NIfTI-1 leaves it open).
    """
    if find_spec("nibabel") is None:
        return "file", "label volumes need nibabel: pip install 'echowright[volumes]'"
    if file.stat().st_size > MAX_VOLUME_BYTES:
        return "file", f"is larger than {MAX_VOLUME_BYTES} bytes, the most that a label volume may have"
    import nibabel  # the extra: heavy, and missing on most machines

    try:
        volume = nibabel.load(file)
        if not isinstance(volume, nibabel.Nifti1Pair):
            return "file", "is no NIfTI volume"
        return _slice(volume, axes, number, max_side)
    except (nibabel.filebasedimages.ImageFileError, nibabel.spatialimages.HeaderDataError):
        return "file", "is no NIfTI volume"
    except (OSError, EOFError, ValueError, zlib.error):
        return "file", "is a damaged NIfTI volume"


def _slice(
    volume: Any, axes: tuple[str, str], number: int | None, max_side: int
) -> tuple[np.ndarray, float] | tuple[str, str]:
    """The slice of an opened volume. Sizes are looked at before any voxel is read."""
    shape = tuple(int(n) for n in volume.shape)
    if len(shape) < 3 or any(n != 1 for n in shape[3:]) or 0 in shape:
        return "file", f"has {' x '.join(map(str, shape))} voxels; a volume of three axes is wanted"
    right, down = (AXES.index(axis[-1]) for axis in axes)
    across = 3 - right - down
    if max(shape[right], shape[down]) > max_side or np.prod(shape, dtype=float) > MAX_VOXELS:
        return (
            "file",
            f"has {' x '.join(map(str, shape))} voxels; at most {max_side} a side, {MAX_VOXELS} in all",
        )
    if number is not None and number >= shape[across]:
        return "slice", f"{number} is outside 0..{shape[across] - 1}, the slices along {AXES[across]}"
    size = [float(mm) * MM_OF_UNIT[volume.header.get_xyzt_units()[0]] for mm in volume.header.get_zooms()[:3]]
    if not 0.005 <= size[right] <= 10 or abs(size[down] / size[right] - 1) > EVEN:
        return "file", (
            f"has pixels of {size[right]:g} x {size[down]:g} mm in this picture; square ones of 0.005 to 10 mm are wanted"
        )
    at: list[Any] = [slice(None)] * 3 + [0] * (len(shape) - 3)
    at[across] = shape[across] // 2 if number is None else number
    table = np.asarray(volume.dataobj[tuple(at)])
    table = table.T if right < down else table
    table = table[:: -1 if axes[1].startswith("-") else 1, :: -1 if axes[0].startswith("-") else 1]
    labels = table.astype(np.uint8) if np.isfinite(table).all() else None
    if labels is None or (labels != table).any():
        return "file", "is no label volume: whole numbers in 0..255 are wanted"
    return np.ascontiguousarray(labels), size[right]
