"""Sweeps: what is read in each picture follows from what is set, and all files tell the same."""

from __future__ import annotations

import base64
import csv
import importlib.util
import io
import json
import re
import shutil

import numpy as np
import pytest
from PIL import Image

from renderer.errors import SettingError
from renderer.frame.frame import CAUTION
from renderer.teach import Axis, parse_axis, sweep, write_sweep
from renderer.teach.sweeps import change_of
from tests import teach_scenes as ts


@pytest.fixture(scope="module")
def gains():
    """The plate at three gains."""
    return sweep(ts.plate_scene(), ["machine.gain_db=-12:12:3"])


@pytest.fixture(scope="module")
def files(gains, tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    return {path.name.partition("gain_db.")[2]: path for path in write_sweep(gains, folder, ["png", "svg"])}


def test_axes_as_they_are_typed():
    assert parse_axis("machine.gain_db=-20:20:9") == Axis(
        "machine.gain_db", (-20, -15, -10, -5, 0, 5, 10, 15, 20)
    )
    assert parse_axis("pose.rock_deg=0:1:5").values == (0, 0.25, 0.5, 0.75, 1)
    assert parse_axis("machine.grey_map=soft,linear").values == ("soft", "linear")


def test_a_place_in_a_list():
    ready = ts.plate_scene()

    assert change_of(ready, "solids.plate.centre_mm[0]", 4) == {"solids.plate.centre_mm": [4, 0, 10.5]}
    with pytest.raises(SettingError, match="has no place 3"):
        change_of(ready, "solids.plate.centre_mm[3]", 4)


def test_level_follows_the_gain(gains):
    """The level rises by the gain, decibel by decibel (definition of the level chain); shares do not change.

    Noise is drawn anew in every picture, 20 dB and more below tissue: it moves the mean by less than 0.1 dB.
    """
    level = gains.curve(("level", ""))

    np.testing.assert_allclose(np.diff(level), [12, 12], atol=0.1)
    np.testing.assert_allclose(
        gains.curve(("share", "reverberation")), gains.curve(("share", "reverberation"))[0], rtol=0.02
    )
    assert (np.diff(gains.curve(("clipped", "black"))) < 0).all()


def test_two_settings_make_a_grid():
    """The last setting runs fastest."""
    result = sweep(ts.plate_scene(), ["machine.tgc_db[7]=0:6:2", "machine.grey_map=soft,linear"])

    assert [shot.values for shot in result.shots] == [(0, "soft"), (0, "linear"), (6, "soft"), (6, "linear")]
    assert result.shots[3].settings == {
        "machine.tgc_db": [0, 0, 0, 0, 0, 0, 0, 6],
        "machine.grey_map": "linear",
    }


def test_lifting_moves_the_false_image_and_not_the_true_one():
    """Lifting the probe does what sliding does to other images: it tells the false from the true.

    Reverberation between the face and a plate is shown at twice the depth below the *face*: lifted by 1 mm,
    the plate stays in the phantom and the repeat sinks by 1 mm.
    """
    ready = ts.plate_scene().with_settings({"coupling": "gelatine"})
    result = sweep(ready, ["pose.lift_mm=0:2:2"])
    false, true = (result.curve(("place_z", name)) for name in ("reverberation 1 of the plate", "plate"))

    # Middles of patches on pixels of 0.05 mm, whose lower edge speckle frays
    np.testing.assert_allclose(true - true[0], 0.0, atol=0.15)
    np.testing.assert_allclose(false - false[0], [0, 2], atol=0.35)


def test_files_of_a_sweep(files):
    assert set(files) == {"contact.png", "contact.svg", "curves.png", "curves.svg", "csv", "gif", "html"}
    with Image.open(files["gif"]) as cine:
        assert cine.n_frames == 4  # there and back
        assert cine.info["comment"].decode() == CAUTION


def test_table_holds_what_was_read(gains, files):
    first, *rest = files["csv"].read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(io.StringIO("\n".join(rest))))

    assert first == f"# {CAUTION}"
    assert [float(r["machine.gain_db"]) for r in rows] == [-12, 0, 12]
    np.testing.assert_allclose([float(r["level"]) for r in rows], gains.curve(("level", "")), rtol=1e-4)


def slider_data(path):
    page = path.read_text(encoding="utf-8")
    return page, json.loads(
        re.search(r'<script id="data" type="application/json">(.*?)</script>', page, re.S).group(1)
    )


def test_slider_page_stands_alone(gains, files):
    """No address of a network, all pictures within, each with words; the caution on the page."""
    page, data = slider_data(files["html"])

    assert not re.search(
        r"(?:src|href)=|url\(|@import|fetch\(",
        re.sub(r'"image": "data:[^"]*"', "", page).replace('id="picture" alt=""', ""),
    )
    assert "Not for diagnosis" in page and "@" not in re.sub(r"@media", "", page.partition("<script")[0])
    assert data["axes"][0]["values"] == ["−12", "0", "12"]
    for shot, row in zip(gains.shots, data["shots"], strict=True):
        assert row["alt"]
        with Image.open(io.BytesIO(base64.b64decode(row["image"].partition(",")[2]))) as picture:
            assert (np.asarray(picture) == shot.image).all()


def test_slider_page_in_a_browser(files):
    """Opened in a browser without a network: arrow keys, Home and End move it; nothing overflows on a phone."""
    api = pytest.importorskip("playwright.sync_api")
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("no browser on this machine")
    with api.sync_playwright() as tool:
        browser = tool.chromium.launch(executable_path=program, args=["--no-sandbox"])
        for width, height in ((1366, 768), (390, 844)):
            page = browser.new_page(viewport={"width": width, "height": height})
            errors, asked = [], []
            page.on("pageerror", lambda error, into=errors: into.append(str(error)))
            page.on("request", lambda request, into=asked: into.append(request.url))
            page.goto(files["html"].as_uri())
            seen = [page.inner_text("output")]
            for key in ("ArrowRight", "End", "Home"):
                page.keyboard.press(key)
                seen.append(page.inner_text("output"))
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert seen == ["−12", "0", "12", "−12"]
            assert errors == [] and wide <= width
            assert all(url.startswith(("file:", "data:")) for url in asked)
        browser.close()


@pytest.mark.skipif(
    importlib.util.find_spec("imageio_ffmpeg") is None, reason="the extra 'video' is not installed"
)
def test_film(gains, tmp_path):
    """The film has the cine's pictures, at ten a second."""
    from imageio import v2

    path = next(p for p in write_sweep(gains, tmp_path, film=True) if p.suffix == ".mp4")
    with v2.get_reader(path) as film:
        assert film.get_meta_data()["fps"] == 10
        assert film.count_frames() > len(gains.shots)
