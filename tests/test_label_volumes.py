"""Label volumes as solids: a slice of one is the body that it was made from, and what is wrong with one is said."""

from __future__ import annotations

import gzip
from pathlib import Path

import nibabel
import nibabel.testing
import numpy as np
import pytest
from PIL import Image

import renderer
from renderer.errors import SceneError
from renderer.scene import label_volumes

PIXEL_MM = 0.25  # exact in the single precision of a header
TISSUES = {"3": "water"}


def disc(n: int, radius: float) -> np.ndarray:
    """A disc of label 3 in the middle, (n, n)."""
    z, x = np.mgrid[:n, :n] - (n - 1) / 2
    return np.where(np.hypot(x, z) < radius, 3, 0).astype(np.uint8)


def write_volume(path: Path, voxels: np.ndarray, size_mm: tuple[float, ...], unit: str = "mm") -> None:
    image = nibabel.Nifti1Image(voxels, np.diag([*size_mm[:3], 1.0]))
    image.header.set_xyzt_units(unit)
    nibabel.save(image, path)


def scene_of(solid: dict, folder: Path | None = None) -> renderer.Scene:
    tree = {
        "title": "A body told in two ways",
        "phantom": {"background": "gelatine", "solids": [{"name": "m", **solid}]},
        "probe": {"kind": "linear", "elements": 64, "pitch_mm": 0.3, "frequency_mhz": 6.0},
        "machine": {"depth_mm": 30, "focus_mm": [15], "lines": 48},
        "seed": 3,
    }
    return renderer.parse_scene(tree, folder=None if folder is None else str(folder))


def of_file(name: str, side: int, **more: object) -> dict:
    corner = -(side - 1) / 2 * PIXEL_MM
    return {"shape": "image", "file": name, "origin_mm": [corner, 15 + corner], "tissues": TISSUES, **more}


def test_a_disc_in_a_volume_is_a_tube(tmp_path):
    """One body told in three ways. As a PNG: the same picture to the last bit. As a tube: the bounds that hold for a PNG
    (mean grey 0.2, regions equal half a pixel off the border)."""
    labels = disc(49, 4.0 / PIXEL_MM)
    Image.fromarray(labels).save(tmp_path / "labels.png")
    voxels = np.zeros((49, 5, 49), np.int16)  # i to the right, k down, j across
    voxels[:, 2, :] = labels.T
    write_volume(tmp_path / "labels.nii.gz", voxels, (PIXEL_MM, 3.0, PIXEL_MM))

    told = scene_of(of_file("labels.nii.gz", 49, axes=["i", "k"], slice=2), tmp_path)
    drawn = scene_of(of_file("labels.png", 49, pixel_mm=PIXEL_MM), tmp_path)
    ends = {"from_mm": [0, -50, 15], "to_mm": [0, 50, 15]}
    tube = scene_of({"shape": "tube", **ends, "radius_mm": 4, "tissue": "water"})
    a, b, c = (renderer.render(s) for s in (told, drawn, tube))

    assert (a.image == b.image).all()
    assert a.image.mean() == pytest.approx(c.image.mean(), abs=0.2)
    edge = np.abs(np.hypot(a.x_mm[None], a.z_mm[:, None] - 15) - 4) < 0.5 * PIXEL_MM
    assert (a.truth.there == c.truth.there)[~edge].all()


@pytest.mark.parametrize(
    "axes", [("i", "j"), ("j", "i"), ("-i", "k"), ("k", "-j"), ("-j", "-k"), ("k", "i")], ids="".join
)
def test_axes_run_as_they_are_told(tmp_path, axes):
    """Right and down are the axes named, from their far end with a minus; the middle slice is taken."""
    voxels = np.random.default_rng(4).integers(0, 4, (6, 8, 7)).astype(np.uint8)
    write_volume(tmp_path / "v.nii", voxels, (1.0, 1.0, 1.0))
    labels, size = label_volumes.read_slice(tmp_path / "v.nii", axes, None, 2048)

    right, down = ("ijk".index(axis[-1]) for axis in axes)
    for r in range(voxels.shape[down]):
        for c in range(voxels.shape[right]):
            at = [n // 2 for n in voxels.shape]
            at[down] = voxels.shape[down] - 1 - r if axes[1][0] == "-" else r
            at[right] = voxels.shape[right] - 1 - c if axes[0][0] == "-" else c
            assert labels[r, c] == voxels[tuple(at)]
    assert size == 1.0


def test_units_of_a_volume(tmp_path):
    """The header says what its sizes are in (NIfTI-1, xyzt_units)."""
    voxels = np.ones((4, 4, 1), np.uint8)
    for unit, size in (("mm", 0.25), ("micron", 250.0), ("meter", 0.00025)):
        write_volume(tmp_path / "v.nii", voxels, (size, size, size), unit)
        _, found = label_volumes.read_slice(tmp_path / "v.nii", ("i", "j"), None, 2048)
        assert found == pytest.approx(0.25, rel=1e-6)  # single precision in the header


def test_an_open_volume_becomes_a_phantom(tmp_path):
    """A scan of a head that the reader's own package carries for its tests, cut into three labels by level: each
    pixel's region is its label, where a whole 3 x 3 of labels agree."""
    scan = nibabel.load(Path(nibabel.testing.data_path) / "anatomical.nii")
    level = np.asarray(scan.dataobj, float)
    cuts = np.percentile(level, (55, 85))
    labels = np.digitize(level, cuts).astype(np.uint8)
    write_volume(tmp_path / "head.nii.gz", labels, (1.0, 1.0, 1.0))
    middle = labels[:, labels.shape[1] // 2, ::-1].T
    solid = {"shape": "image", "file": "head.nii.gz", "axes": ["i", "-k"], "origin_mm": [-16, 4],
             "tissues": {"1": "fat", "2": "liver"}}  # fmt: skip
    frame = renderer.render(scene_of(solid, tmp_path))

    names = {number: r.name for number, r in frame.truth.legend.items()}
    checked = 0
    for r in range(1, middle.shape[0] - 1):
        for c in range(1, middle.shape[1] - 1):
            x, z = -16 + c, 4 + r
            if np.ptp(middle[r - 1 : r + 2, c - 1 : c + 2]) or not (abs(x) < 9 and z < 29):
                continue
            h, w = np.abs(frame.z_mm - z).argmin(), np.abs(frame.x_mm - x).argmin()
            label = int(middle[r, c])
            assert names[int(frame.truth.there[h, w])] == (f"m.{label}" if label else "background")
            checked += 1
    assert checked > 50


def fault(folder: Path, name: str = "v.nii", **more: object) -> str:
    """The one fault of a scene that names a volume."""
    with pytest.raises(SceneError) as caught:
        scene_of(of_file(name, 5, **more), folder)
    (found,) = caught.value.faults
    return str(found)


def test_faults_of_volumes(tmp_path):
    """Each tells what was found and what is wanted."""
    one = np.full((5, 6, 4), 3, np.uint8)
    write_volume(tmp_path / "v.nii", one, (0.2, 0.2, 2.0))
    assert "slice: 4 is outside 0..3, the slices along k" in fault(tmp_path, slice=4)
    assert "pixels of 0.2 x 2 mm in this picture; square ones" in fault(tmp_path, axes=["i", "k"])
    write_volume(tmp_path / "v.nii", one.astype(np.float32) / 2, (0.2, 0.2, 2.0))
    assert "is no label volume: whole numbers in 0..255 are wanted" in fault(tmp_path)
    write_volume(tmp_path / "v.nii", np.full((5, 6, 4), 300, np.int16), (0.2, 0.2, 2.0))
    assert "is no label volume: whole numbers in 0..255 are wanted" in fault(tmp_path)
    write_volume(tmp_path / "v.nii", np.ones((5, 6, 4, 2), np.uint8), (0.2, 0.2, 2.0, 1.0))
    assert "has 5 x 6 x 4 x 2 voxels; a volume of three axes is wanted" in fault(tmp_path)
    write_volume(tmp_path / "v.nii", np.ones((3000, 2, 2), np.uint8), (0.2, 0.2, 2.0))
    assert "has 3000 x 2 x 2 voxels; at most 2048 a side" in fault(tmp_path)
    (tmp_path / "v.nii").write_bytes(b"nothing of the kind")
    assert "is no NIfTI volume" in fault(tmp_path)


def test_a_cut_off_volume_is_damaged(tmp_path):
    """Half a file, plain and packed."""
    write_volume(tmp_path / "v.nii", np.full((20, 20, 20), 3, np.uint8), (0.2, 0.2, 0.2))
    data = (tmp_path / "v.nii").read_bytes()
    (tmp_path / "v.nii").write_bytes(data[:2000])
    (tmp_path / "p.nii.gz").write_bytes(gzip.compress(np.random.default_rng(1).bytes(4000))[:900])

    assert "is a damaged NIfTI volume" in fault(tmp_path)
    assert "NIfTI volume" in fault(tmp_path, "p.nii.gz")


def test_without_the_extra_it_is_named(tmp_path, monkeypatch):
    """What to install, in one line."""
    write_volume(tmp_path / "v.nii", np.full((5, 6, 4), 3, np.uint8), (0.2, 0.2, 2.0))
    monkeypatch.setattr(label_volumes, "find_spec", lambda name: None)

    assert "label volumes need nibabel: pip install 'echowright[volumes]'" in fault(tmp_path)
