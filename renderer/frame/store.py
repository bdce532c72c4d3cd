"""Frames on disk: a grey picture, arrays, and a manifest, written whole or not at all."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, PngImagePlugin

from renderer.errors import SettingError
from renderer.frame.frame import CAUTION, NAMED_LAYERS, SINGLE_LAYERS, Frame
from renderer.frame.overlay import overlay_picture

Writer = Callable[[Path], None]


def write_frame(frame: Frame, folder: str | Path, name: str, *, overlay: bool = False) -> list[Path]:
    """Write ``NAME.png``, ``NAME.npz`` and ``NAME.json``; with ``overlay`` also ``NAME.overlay.png``.

    Every file carries the caution. All are written beside their place first and moved there at
    the end, so that none is ever half written, and nothing changes if one of them fails.

    Raises
    ------
    SettingError
        If the folder cannot be made or written to, or ``name`` is no plain file name.
    """
    folder = Path(folder)
    if name in ("", ".", "..") or Path(name).name != name:
        raise SettingError(f"a frame needs a plain file name, got {name!r}")
    writers: dict[str, Writer] = {
        f"{name}.png": lambda path: write_png(frame.image, path),
        f"{name}.npz": lambda path: _write_npz(frame, path),
        f"{name}.json": lambda path: _write_json(frame, path),
    }
    if overlay:
        writers[f"{name}.overlay.png"] = lambda path: write_png(overlay_picture(frame), path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return write_whole(folder, writers)
    except OSError as error:
        raise SettingError(f"cannot write to {folder}: {error.strerror or error}") from error


def write_whole(folder: Path, writers: dict[str, Writer]) -> list[Path]:
    """Write several files into a folder so that either all of them appear or none changes.

    Each writer gets a path in a temporary folder on the same disk. A crash between the final
    moves can leave new files beside old ones, but no file is ever incomplete.
    """
    with tempfile.TemporaryDirectory(dir=folder, prefix=".writing-") as temporary:
        for name, write in writers.items():
            write(Path(temporary) / name)
        for name in writers:
            os.replace(Path(temporary) / name, folder / name)
    return [folder / name for name in writers]


def frame_arrays(frame: Frame) -> dict[str, npt.NDArray[Any]]:
    """All arrays of a frame under the names that they have in its file.

    Named layers are flattened: ``share_mirror``, ``effect_db_shadow``, ``displacement_mm_speed``.
    """
    arrays: dict[str, npt.NDArray[Any]] = {
        "image": frame.image,
        "x_mm": frame.x_mm,
        "z_mm": frame.z_mm,
        "in_view": frame.in_view,
        "level_db": frame.level_db,
    }
    present = frame.truth.layer_names
    for layer in SINGLE_LAYERS:
        if layer in present:
            arrays[layer] = getattr(frame.truth, layer)
    for layer in NAMED_LAYERS:
        if layer in present:
            for part, array in getattr(frame.truth, layer).items():
                arrays[f"{layer}_{part}"] = array
    return arrays


def read_frame_arrays(path: str | Path) -> dict[str, npt.NDArray[Any]]:
    """The arrays of a written frame by name, the caution left out.

    Raises
    ------
    SettingError
        If the file is missing, or is no file of arrays.
    """
    try:
        with np.load(path, allow_pickle=False) as file:
            return {key: file[key] for key in file.files if key != "caution"}
    except (OSError, ValueError, TypeError) as error:
        raise SettingError(f"cannot read arrays from {path}: {error}") from error


def energy_by_class(frame: Frame) -> dict[str, float]:
    """Share of each origin class, noise included, in the energy of the whole picture.

    Energies are those of the levels shown (after gain), summed over the pixels in view; the
    values add up to 1. Empty where the frame holds no shares.
    """
    if "share" not in frame.truth.layer_names:
        return {}
    energy = np.where(frame.in_view, 10.0 ** (np.nan_to_num(frame.level_db, nan=-300.0) / 10.0), 0.0)
    total = float(energy.sum())
    shares = frame.truth.share
    return {name: float(np.nansum(share * energy)) / total for name, share in shares.items()} if total else {}


def describe_frame(frame: Frame) -> dict[str, Any]:
    """Manifest, echoes, legend and energy by class, as plain values for JSON."""
    return {
        "caution": CAUTION,
        "manifest": dict(frame.manifest),
        "echoes": [echo.as_row() for echo in frame.echoes],
        "legend": {
            str(number): {"name": region.name, "tissue": region.tissue}
            for number, region in sorted(frame.truth.legend.items())
        },
        "energy_by_class": energy_by_class(frame),
    }


def write_png(pixels: npt.NDArray[np.uint8], path: Path) -> None:
    """A PNG with the caution among its text fields."""
    text = PngImagePlugin.PngInfo()
    text.add_text("Disclaimer", CAUTION)  # a keyword of the PNG standard
    Image.fromarray(pixels).save(path, format="PNG", pnginfo=text)


def _write_npz(frame: Frame, path: Path) -> None:
    """All arrays of the frame, compressed, with the caution as a text array."""
    with path.open("wb") as file:
        np.savez_compressed(file, caution=np.array(CAUTION), **frame_arrays(frame))  # type: ignore[arg-type]


def _write_json(frame: Frame, path: Path) -> None:
    """The description as JSON; a number that JSON does not know is written as null."""
    text = json.dumps(_plain(describe_frame(frame)), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")


def _plain(value: Any) -> Any:
    """A value made of what JSON knows: numpy scalars and arrays unpacked, NaN and infinity null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
