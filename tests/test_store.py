"""Frames in memory and on disk."""

from __future__ import annotations

import json

import numpy as np
import pytest
from PIL import Image

from renderer.errors import SettingError
from renderer.frame.frame import CAUTION, Echo, Frame, Region, Truth
from renderer.frame.overlay import COLOURS, boundary_loops, overlay_picture
from renderer.frame.store import (
    describe_frame,
    energy_by_class,
    frame_arrays,
    read_frame_arrays,
    write_frame,
    write_whole,
)

H, W = 120, 100


def small_frame(made=None):
    """A frame of flat grey with a mirror in one corner, half of another class, and a shadow."""
    made = [] if made is None else made
    in_view = np.ones((H, W), bool)
    in_view[:, :4] = False
    level_db = np.where(in_view, -38.0, np.nan).astype(np.float32)
    level_db[80:, 50:] = -90.0

    def share():
        made.append("share")
        mirror = np.zeros((H, W), np.float32)
        mirror[20:60, 30:70] = 0.8
        mirror[80:100, 60:80] = 0.9
        return {"mirror": mirror, "direct": 1.0 - mirror, "noise": np.zeros((H, W), np.float32)}

    def shadow():
        made.append("effect_db")
        values = np.zeros((H, W), np.float32)
        values[70:, 10:30] = -12.0
        return {"shadow": values}

    truth = Truth(
        {
            "there": lambda: np.full((H, W), 3, np.uint16),
            "origin_mm": lambda: np.zeros((H, W, 3), np.float32),
            "share": share,
            "effect_db": shadow,
            "displacement_mm": lambda: {"refraction": np.full((H, W, 2), 0.9, np.float32)},
        },
        legend={0: Region("background", "gelatine"), 3: Region("plate", "steel")},
        level_db=level_db,
        floor_db=-64.0,
        thresholds={"shadow": -6.0, "refraction": 1.0},
    )
    lines = np.zeros((8, 50), np.complex64)
    echo = Echo("plate", "mirror", 1, (0.0, 12.5), (0.0, 25.0), -20.0, 32.5, "face, plate, face")
    return Frame(
        image=np.where(in_view, 50, 0).astype(np.uint8),
        x_mm=(np.arange(W) - 49.5) * 0.2,
        z_mm=(np.arange(H) + 0.5) * 0.2,
        in_view=in_view,
        level_db=level_db,
        lines=lines,
        views=lines[None],
        time_us=np.arange(50) * 0.1,
        line_origin_mm=np.zeros((8, 3)),
        line_direction=np.tile([0.0, 0.0, 1.0], (8, 1)),
        truth=truth,
        manifest={"seed": 7, "nothing": float("nan"), "sizes": np.array([1, 2]), "one": np.float32(0.5)},
        echo_maker=lambda: (echo,),
        explainer=lambda x_mm, z_mm: ("asked", x_mm, z_mm),
    )


# ---- in memory ---------------------------------------------------------------------------------


def test_truth_costs_nothing_until_asked():
    """Layers are made on first use, once, and only those asked for."""
    made = []
    frame = small_frame(made)
    assert made == []
    frame.truth.mask("mirror")
    assert frame.truth.share is frame.truth.share
    assert made == ["share"]


def test_masks_follow_their_definition():
    """Half of the energy, and above black unless asked otherwise; effects from their threshold."""
    truth = small_frame().truth
    everything = truth.mask("mirror", visible=False)
    assert everything.sum() == 40 * 40 + 20 * 20
    assert truth.mask("mirror").sum() == 40 * 40  # the second patch lies at -90 dB
    assert truth.mask("shadow").sum() == 50 * 20
    assert truth.mask("refraction").all()  # hypot(0.9, 0.9) = 1.27 mm is over 1 mm
    with pytest.raises(SettingError, match="no mask is called 'mirrors'; there are: mirror, direct, noise"):
        truth.mask("mirrors")


def test_missing_layers_are_missing():
    """A layer that the frame has not is no attribute, and no key in its file."""
    truth = small_frame().truth
    assert truth.layer_names == ("there", "origin_mm", "share", "effect_db", "displacement_mm")
    with pytest.raises(AttributeError, match="no layer 'via'"):
        _ = truth.via


def test_everything_is_read_only():
    """No array of a frame can be written to."""
    frame = small_frame()
    arrays = [*frame_arrays(frame).values(), frame.lines, frame.views, frame.time_us, frame.line_origin_mm]
    for array in arrays:
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0
    with pytest.raises(TypeError):
        frame.truth.share["mirror"] = 0


def test_explain_asks_within_view_only():
    """A point in view is handed on; beside it the message says where it was."""
    frame = small_frame()
    assert frame.explain(1.0, 5.0) == ("asked", 1.0, 5.0)
    for x_mm, z_mm in ((-9.6, 5.0), (99.0, 5.0), (0.0, -0.01), (0.0, float("nan"))):
        with pytest.raises(SettingError, match="out of view"):
            frame.explain(x_mm, z_mm)


# ---- on disk -----------------------------------------------------------------------------------


def test_a_frame_comes_back(tmp_path):
    """Every array with its key, type and values; the picture bit for bit."""
    frame = small_frame()
    paths = write_frame(frame, tmp_path / "new" / "folder", "plate", overlay=True)
    assert [path.name for path in paths] == ["plate.png", "plate.npz", "plate.json", "plate.overlay.png"]
    assert sorted(path.name for path in paths[0].parent.iterdir()) == sorted(path.name for path in paths)
    back, expected = read_frame_arrays(paths[1]), frame_arrays(frame)
    assert list(back) == list(expected)
    for name, array in expected.items():
        assert back[name].dtype == array.dtype
        np.testing.assert_array_equal(back[name], array)
    for name in ("share_mirror", "effect_db_shadow", "displacement_mm_refraction", "there", "origin_mm"):
        assert name in back
    with Image.open(paths[0]) as picture:
        assert picture.mode == "L"
        np.testing.assert_array_equal(np.asarray(picture), frame.image)


def test_every_file_carries_the_caution(tmp_path):
    """Picture, arrays, description and overlay say what they are not for."""
    png, npz, description, overlay = write_frame(small_frame(), tmp_path, "a", overlay=True)
    for path in (png, overlay):
        with Image.open(path) as picture:
            assert picture.text["Disclaimer"] == CAUTION
    with np.load(npz, allow_pickle=False) as file:
        assert str(file["caution"]) == CAUTION
    assert json.loads(description.read_text(encoding="utf-8"))["caution"] == CAUTION
    assert "Not for diagnosis" in CAUTION


def test_description_is_plain_json(tmp_path):
    """Manifest, echoes, legend, energy; numbers that JSON does not know are null."""
    frame = small_frame()
    write_frame(frame, tmp_path, "a")
    text = (tmp_path / "a.json").read_text(encoding="utf-8")
    data = json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))
    assert data["manifest"] == {"seed": 7, "nothing": None, "sizes": [1, 2], "one": 0.5}
    assert data["echoes"][0]["class"] == "mirror"
    assert data["echoes"][0]["displayed_mm"] == [0.0, 25.0]
    assert data["legend"] == {
        "0": {"name": "background", "tissue": "gelatine"},
        "3": {"name": "plate", "tissue": "steel"},
    }
    assert describe_frame(frame)["energy_by_class"] == data["energy_by_class"]


def test_energy_adds_up():
    """Shares of the energy of what is in view sum to 1; a dark patch counts little."""
    energy = energy_by_class(small_frame())
    assert sum(energy.values()) == pytest.approx(1.0, abs=1e-6)
    # In view and at -38 dB: H * (W - 4) - 40 * 50 pixels; the patch at -90 dB is 2e-5 of that.
    assert energy["mirror"] == pytest.approx(0.8 * 1600 / (H * (W - 4) - 2000), rel=1e-3)


def test_equal_frames_give_equal_files(tmp_path):
    """No clock and no chance in the files."""
    first = write_frame(small_frame(), tmp_path / "1", "a", overlay=True)
    second = write_frame(small_frame(), tmp_path / "2", "a", overlay=True)
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes()


def test_nothing_is_written_when_one_file_fails(tmp_path):
    """A writer that fails leaves the old files as they were and nothing new beside them."""
    (tmp_path / "a.txt").write_text("old")

    def fail(path):
        path.write_text("half")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        write_whole(tmp_path, {"a.txt": lambda path: path.write_text("new"), "b.txt": fail})
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


@pytest.mark.parametrize("name", ["", "a/b", "..", "."])
def test_names_with_folders_are_refused(tmp_path, name):
    """A frame's name cannot lead out of its folder."""
    with pytest.raises(SettingError, match="plain file name"):
        write_frame(small_frame(), tmp_path, name)


def test_unusable_places_are_refused(tmp_path):
    """A file where the folder should be; arrays that are none."""
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(SettingError, match="cannot write to"):
        write_frame(small_frame(), blocked, "a")
    with pytest.raises(SettingError, match="cannot read arrays"):
        read_frame_arrays(blocked)
    with pytest.raises(SettingError, match="cannot read arrays"):
        read_frame_arrays(tmp_path / "missing.npz")


# ---- overlay -----------------------------------------------------------------------------------


def test_outline_of_a_rectangle():
    """One loop of 2 (h + w) edges whose shoelace area is the number of pixels."""
    mask = np.zeros((9, 12), bool)
    mask[2:6, 3:10] = True
    (loop,) = boundary_loops(mask)
    assert len(loop) == 2 * (4 + 7) + 1
    assert (loop[0] == loop[-1]).all()
    x, y = loop.T
    assert abs(0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])) == 28.0


@pytest.mark.parametrize("seed", range(5))
def test_outlines_enclose_the_mask(seed):
    """For any mask the signed areas of its outlines, holes negative, sum to its pixels."""
    mask = np.random.default_rng(seed).random((25, 30)) > 0.4
    area = 0.0
    for loop in boundary_loops(mask):
        x, y = loop.T
        area += 0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])
    assert area == mask.sum()


def test_pixels_that_touch_at_a_corner_stay_apart():
    """Two pixels on a diagonal have two outlines."""
    assert len(list(boundary_loops(np.eye(2, dtype=bool)))) == 2


def test_overlay_shows_picture_outlines_and_caution():
    """The grey stays grey inside, outlines are coloured, and there is writing under the picture."""
    frame = small_frame()
    sheet = overlay_picture(frame)
    assert sheet.shape[0] > 2 * H
    assert sheet.shape[1] > 2 * W
    assert (sheet[80, 100] == 50).all()
    for colour in COLOURS[:3]:  # mirror, shadow, refraction
        assert (sheet[: 2 * H, : 2 * W] == colour).all(axis=-1).any()
    assert sheet[2 * H :].max() == 255  # the caution
    assert len(overlay_picture(frame, ())) > 0
