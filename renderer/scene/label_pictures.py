"""Label pictures that scenes name: found inside the scene's folder, read, and held to what a scene says of them.

A slice of a label volume is a label picture as well.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np
from PIL import Image

from renderer.scene.format_scene import SceneRow
from renderer.scene.format_solids import ImageRow
from renderer.scene.label_volumes import is_volume, read_slice
from renderer.scene.names import one_of, show
from renderer.scene.tree import Found

MAX_FILE_BYTES = 20_000_000
MAX_SIDE = 2048
MAX_BORDER = 60_000  # sides of pixels between two labels
MAX_CROSSINGS = 30  # of one label along one row or column: a ray keeps the places where it meets a body
HEADER = struct.Struct(">8sI4sIIBB")
SIGNATURE = b"\x89PNG\r\n\x1a\n"
GREY, PALETTE = 0, 3  # colour types of the PNG standard


@dataclass(frozen=True)
class LabelPicture:
    """One byte a pixel, in rows of ``columns``."""

    pixels: bytes
    columns: int
    pixel_mm: float

    def table(self) -> np.ndarray:
        """The labels, (H, W) uint8."""
        return np.frombuffer(self.pixels, np.uint8).reshape(-1, self.columns)


def read_label_pictures(row: SceneRow, folder: str | None) -> tuple[dict[int, LabelPicture], list[Found]]:
    """The label pictures of a scene by the place of their solid, and what is wrong with them."""
    pictures: dict[int, LabelPicture] = {}
    faults: list[Found] = []
    for i, solid in enumerate(row.phantom.solids):
        if not isinstance(solid, ImageRow):
            continue
        path = ("phantom", "solids", i)
        found = _read(solid, folder)
        if isinstance(found, tuple):
            faults.append(Found((*path, found[0]), found[1]))
            continue
        pictures[i] = found
        faults += [Found((*path, *place), message) for place, message in _label_faults(solid, found)]
    return pictures, faults


def _read(solid: ImageRow, folder: str | None) -> LabelPicture | tuple[str, str]:
    """The picture of a solid; or the key to blame and what is wrong."""
    volume = is_volume(solid.file)
    wrong = _misplaced_key(solid, volume)
    if wrong is not None:
        return wrong
    file = _found(solid.file, folder)
    if isinstance(file, str):
        return "file", file
    try:
        if volume:
            return _of_volume(solid, file)
        with file.open("rb") as stream:
            data = stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        return "file", f"cannot be read: {(error.strerror or 'the system refuses').lower()}"
    assert solid.pixel_mm is not None
    decoded = _decode(data, solid.pixel_mm)
    return ("file", decoded) if isinstance(decoded, str) else decoded


def _misplaced_key(solid: ImageRow, volume: bool) -> tuple[str, str] | None:
    """A key that says nothing of this kind of file, or one that it needs."""
    if volume:
        if solid.pixel_mm is not None:
            return "pixel_mm", "a volume says itself how large its voxels are; leave the key out"
        if solid.axes is not None and solid.axes[0][-1] == solid.axes[1][-1]:
            return "axes", "one axis cannot run both ways; two of i, j and k are wanted"
        return None
    for key in ("axes", "slice"):
        if getattr(solid, key) is not None:
            return key, "is for volumes alone; leave the key out"
    if solid.pixel_mm is None:
        return "pixel_mm", "is missing; a PNG does not say how large its pixels are"
    return None


def _of_volume(solid: ImageRow, file: FilePath) -> LabelPicture | tuple[str, str]:
    """The slice of a volume that a solid asks for."""
    right, down = solid.axes or ("i", "j")
    labels, size = read_slice(file, (right, down), solid.slice, MAX_SIDE)
    if isinstance(labels, str) or isinstance(size, str):
        return str(labels), str(size)
    return LabelPicture(labels.tobytes(), labels.shape[1], size)


def _found(name: str, folder: str | None) -> FilePath | str:
    """The file of that name inside the scene's folder, or what is wrong with the name."""
    if folder is None:
        return "a scene that is no file has no folder to look in; give parse_scene a folder"
    if "\0" in name or FilePath(name).is_absolute():
        return f"{show(name)} is no path inside the scene's folder"
    base = FilePath(folder).resolve()
    file = (base / name).resolve()
    if not file.is_relative_to(base):
        return f"{show(name)} lies outside the scene's folder"
    if not file.is_file():
        return f"there is no file {show(name)} in the scene's folder"
    return file


def _decode(data: bytes, pixel_mm: float) -> LabelPicture | str:
    """The labels in the bytes of a PNG, or what is wrong with them. Sizes are looked at before anything is unpacked."""
    if len(data) > MAX_FILE_BYTES:
        return f"is larger than {MAX_FILE_BYTES} bytes, the most that a label picture may have"
    if len(data) < HEADER.size or not data.startswith(SIGNATURE):
        return "is no PNG"
    *_, width, height, depth, colour = HEADER.unpack_from(data)
    if not 0 < width <= MAX_SIDE or not 0 < height <= MAX_SIDE:
        return f"is a picture of {height} x {width} pixels; at most {MAX_SIDE} either way"
    if depth != 8 or colour not in (GREY, PALETTE):
        return "is no label picture: one number in 0..255 a pixel is wanted (8 bit greys or palette, no transparency)"
    try:
        with Image.open(io.BytesIO(data), formats=["PNG"]) as picture:
            table = np.asarray(picture, dtype=np.uint8)
    except (OSError, SyntaxError, ValueError, struct.error):
        return "is a damaged PNG"
    return LabelPicture(table.tobytes(), width, pixel_mm)


def _label_faults(solid: ImageRow, picture: LabelPicture) -> Iterator[tuple[tuple[str, ...], str]]:
    """What does not fit between the labels of a picture and the tissues of its solid."""
    table = picture.table()
    present, counts = np.unique(table, return_counts=True)
    known = {int(label) for label in solid.tissues}
    for label in sorted(known - set(present.tolist())):
        yield ("tissues", str(label)), f"no pixel has this label; there are {one_of(map(str, present[:20]))}"
    for label, count in zip(present.tolist(), counts.tolist()):
        if label and label not in known:
            yield ("tissues",), f"label {label} has no tissue, and the picture has {count} pixels of it"
    border = sum(int((np.diff(table.astype(np.int16), axis=axis) != 0).sum()) for axis in (0, 1))
    if border > MAX_BORDER:
        yield ("file",), f"has {border} sides of pixels between labels; at most {MAX_BORDER}. Smooth it first"
        return
    for label in sorted(known & set(present.tolist())):
        most = max(
            int((np.diff((table == label).astype(np.int8), axis=a) != 0).sum(a).max(initial=0))
            for a in (0, 1)
        )
        if most > MAX_CROSSINGS:
            message = f"a row or column enters and leaves label {label} {most} times; at most {MAX_CROSSINGS}"
            yield ("file",), f"{message}. Smooth it first"
