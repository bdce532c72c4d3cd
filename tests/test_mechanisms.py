"""The study of what makes pictures realistic: its distance, its edits, its pictures, and a small run of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import yaml
from PIL import Image

import renderer
from renderer.frame.frame import CAUTION
from renderer.frame.store import write_png
from renderer.tissue.presets import TEXTURE_PRESETS
from tests.mechanisms import (
    MECHANISMS,
    OF_PATCHES,
    Comparison,
    Reading,
    Target,
    changed_percent,
    comparisons,
    distance,
    linear_at_equal_grey,
    target,
    targets,
    with_recipes,
    with_smooth_surfaces,
)
from tests.study_mechanisms import FOLDER, gallery_page, pair_picture, table
from tests.tissue_statistics import statistics

BY_NAME = {m.name: m for m in MECHANISMS}


def reading(image, fluid_grey=5.0):
    """A reading of a picture that is one patch as a whole, 0.1 mm a pixel."""
    return Reading(image, np.ones(image.shape, bool), (statistics(image, 0.1),), -38.0, 50.0, fluid_grey)


def noise(mean, seed=1):
    return np.random.default_rng(seed).normal(mean, 10, (200, 200)).clip(0, 255)


def test_a_range_has_a_middle_and_a_least_width():
    """Values that do not exist do not count; 15 % to both sides at least, 50 % around a lone value."""
    assert target([2.0, np.nan, 6.0]) == Target(4.0, 2.0)
    assert target([10.0, 10.2]).half == pytest.approx(1.515)
    assert target([8.0]) == Target(8.0, 4.0)
    assert target([np.nan]) is None


def test_a_term_is_in_half_widths_and_capped():
    assert [Target(4.0, 2.0).term(v) for v in (4.0, 5.0, 1.0, 100.0)] == [0.0, 0.5, 1.5, 3.0]


def test_a_picture_is_at_no_distance_from_itself_and_far_from_another():
    """One patch against its own range: every term 0. Three times as bright: mean and percentiles at the cap."""
    own = reading(noise(50))
    wanted = targets(own.patches, 0.1)

    assert set(wanted) == {*OF_PATCHES, "fluid"}
    assert distance(own, wanted) == pytest.approx(0.0, abs=1e-9)
    # three of twelve terms are at 3, the contrast is 1/3 and so 1.3 half-widths off
    assert distance(reading(noise(150)), wanted) > np.sqrt(3 * 9 / 12)
    assert distance(replace(own, fluid_grey=50.0), wanted) == pytest.approx(np.sqrt(9 / 12))


def test_changed_share_counts_pixels_in_view():
    """A quarter of the pixels changed by 30 of 255, a half by 20; the left half is not in view."""
    first = reading(noise(100))
    image = first.image.copy()
    image[:100, 100:] += 30
    image[100:, :] += 20
    second = replace(first, image=image)
    seen = np.zeros(image.shape, bool)
    seen[:, 100:] = True

    assert changed_percent(first, second) == pytest.approx(25.0)
    assert changed_percent(replace(first, in_view=seen), second) == pytest.approx(50.0)


def test_edits_take_away_what_they_are_called_after():
    """Of every tissue, the shipped ones and presets by name as well; nothing else of the scene changes."""
    scene = renderer.read_scene("belly")
    bare = with_recipes(scene, lambda r: replace(r, octaves=()))
    kept = {n: m.texture for n, m in bare.phantom.materials.items() if m.texture is not None}

    assert kept and all(recipe.octaves == () for recipe in kept.values())
    assert kept["liver block"].vessels == TEXTURE_PRESETS["liver"].vessels != ()
    assert set(kept) == {n for n, m in scene.phantom.materials.items() if m.texture is not None}
    smooth = with_smooth_surfaces(scene)
    assert all(s.surface.roughness_um == 0 == s.surface.wave_mm for s in smooth.phantom.solids)
    assert replace(smooth, phantom=scene.phantom) == scene


def test_equal_grey_is_reached_on_the_straight_map():
    """Level and gain put the tissue's median level at its old grey: G = 255 (1 + level / range)."""
    scene = renderer.read_scene("forearm")
    edited = linear_at_equal_grey(scene, replace(reading(noise(50)), tissue_level_db=-38.0, tissue_grey=51.0))
    level = -38.0 + edited.receive.gain_db - scene.receive.gain_db

    assert 255 * (1 + level / edited.receive.dynamic_range_db) == pytest.approx(51.0, abs=0.05)
    assert edited.receive.grey_map == "linear"


def test_pairs_carry_the_caution_and_stand_side_by_side(tmp_path):
    """With it on the left, without it on the right; the caution in the file's text and as dark pixels at the foot."""
    bright, dark = (
        replace(reading(noise(50)), image=np.full((200, 200), grey, np.uint8)) for grey in (200, 40)
    )
    made = pair_picture(Comparison(BY_NAME["haze"], "forearm", None, bright, dark))
    write_png(made, tmp_path / "a.png")

    middle = made.shape[1] // 2
    assert int(made[200, middle // 2]) == pytest.approx(200, abs=4)  # greys in steps of 8
    assert int(made[200, middle + middle // 2]) == pytest.approx(40, abs=4)
    assert (made[-20:] < 128).sum() > 500
    with Image.open(tmp_path / "a.png") as picture:
        assert picture.info["Disclaimer"] == CAUTION


def test_the_page_has_words_for_every_mechanism():
    """Words and mechanisms are the same set, and a page without one of them is refused."""
    words = yaml.safe_load((FOLDER / "words.yaml").read_text(encoding="utf-8"))
    page = gallery_page(words, "| numbers |")

    assert all(f"({name}.png)" in page for name in BY_NAME) and CAUTION in page and "| numbers |" in page
    less = words | {"pairs": {n: w for n, w in words["pairs"].items() if n != "haze"}}
    with pytest.raises(SystemExit, match="differ in: haze"):
        gallery_page(less, "")


@pytest.mark.slow
def test_a_small_run_of_the_study():
    """Half the lines of the arm, some pieces: what must get darker, smoother or rougher without each does."""
    chosen = [BY_NAME[n] for n in ("haze", "map-equal", "main-bang", "texture")]
    made = {
        c.mechanism.name: c
        for c in comparisons("forearm", chosen, 0.129, seeds=(None,), settings={"machine.lines": 96})
    }

    assert made["haze"].lacking.fluid_grey < 0.6 * made["haze"].having.fluid_grey
    equal = made["map-equal"]
    assert equal.lacking.tissue_grey == pytest.approx(
        equal.having.tissue_grey, abs=1
    )  # whole greys, gain to 0.01 dB
    assert np.mean([p.skewness for p in equal.lacking.patches]) < np.mean(
        [p.skewness for p in equal.having.patches]
    )
    bang = made["main-bang"]
    changed_rows = np.flatnonzero((bang.having.image != bang.lacking.image).any(axis=1))
    assert changed_rows.size and changed_rows.max() < 0.25 * bang.having.image.shape[0]
    bare = made["texture"]
    assert np.mean([p.blocks_1_mm for p in bare.lacking.patches]) < np.mean(
        [p.blocks_1_mm for p in bare.having.patches]
    )
    assert len(table(made.values(), {}).splitlines()) == 2 + len(chosen)
