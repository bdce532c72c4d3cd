"""Figures as files: real text, no clue in the plain twin, the picture in the same place, every page with its caution."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from PIL import Image

import renderer
from renderer import cli
from renderer.errors import SettingError
from renderer.frame.frame import CAUTION
from renderer.scene.parts import Remedy, Sweep, thaw
from renderer.teach import Words, figure, needs, sweep
from renderer.teach.pair import LINE_GAP, LINE_SIZE, fitting
from renderer.teach.remedies import class_line, energy, try_remedy, visible
from renderer.teach.sweep_files import plain
from renderer.teach.type import LINE_HEIGHT, wrapped
from renderer.teach.words import ENGLISH
from tests import teach_scenes as ts

CLUES = ("plate", "reverberation", "acrylic", "gelatine", "artefact")
PAGES = ["labelled", "plain", "reveal-1", "reveal-2", "cause-reverberation", "remedy-1", "remedy-2"]


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """All pages of the plate in all formats."""
    folder = tmp_path_factory.mktemp("figure")
    made = figure(ts.plate_scene())
    made.write(folder, ["png", "svg", "pdf"])
    return made, folder


def svg_text(path):
    """All text of an SVG that a reader would see."""
    tree = ElementTree.fromstring(path.read_text(encoding="utf-8"))
    return " ".join("".join(e.itertext()) for e in tree.iter("{http://www.w3.org/2000/svg}text"))


def pdf_text(path):
    """All text of a PDF, and the names of its fonts with whether each is embedded."""
    pypdf = pytest.importorskip("pypdf")
    page = pypdf.PdfReader(path).pages[0]
    fonts = {}
    for font in page["/Resources"]["/Font"].values():
        whole = font.get_object()
        parts = [p.get_object() for p in whole.get("/DescendantFonts", [])] or [whole]
        for part in parts:
            described = part["/FontDescriptor"].get_object()
            fonts[part["/BaseFont"]] = any(
                key in described for key in ("/FontFile", "/FontFile2", "/FontFile3")
            )
    return page.extract_text(), fonts


def test_every_page_in_every_format(files):
    made, folder = files

    assert [sheet.name for sheet in made.sheets] == PAGES
    names = {path.name for path in folder.iterdir()}
    stem = made.scene.name
    assert names == {f"{stem}.{page}.{ending}" for page in PAGES for ending in ("png", "svg", "pdf")} | {
        f"{stem}.notes.md"
    }


@pytest.mark.parametrize("page", PAGES)
def test_pages_are_slides_with_caution_and_words(files, page):
    """16:9 at 1920 pixels, caution on the page in real text, alternative text where the format has room."""
    made, folder = files
    stem, sheet = f"{made.scene.name}.{page}", made.sheet(page)
    with Image.open(folder / f"{stem}.png") as picture:
        assert picture.width / picture.height == pytest.approx(
            16 / 9, rel=2e-3
        )  # 1920 x 1080 give or take a pixel
        assert picture.width >= 1919
        assert picture.text["Description"] == sheet.alt and picture.text["Disclaimer"] == CAUTION
    svg = (folder / f"{stem}.svg").read_text(encoding="utf-8")
    assert 'role="img"' in svg and "<desc" in svg
    text, fonts = pdf_text(folder / f"{stem}.pdf")
    for found in (svg_text(folder / f"{stem}.svg"), " ".join(text.split())):
        assert "Not for diagnosis" in found
    assert fonts and all(fonts.values())


def test_labels_are_text(files):
    """Labels can be searched and edited in SVG and PDF."""
    made, folder = files
    stem = f"{made.scene.name}.labelled"
    text, _ = pdf_text(folder / f"{stem}.pdf")
    for found in (svg_text(folder / f"{stem}.svg"), " ".join(text.split())):
        assert "reverberation 1 of the plate" in found and "reverberation 2 of the plate" in found


@pytest.mark.parametrize("page", ["plain", "reveal-1"])
def test_plain_twin_gives_no_clue(files, page):
    """Neither on the page nor in what the file carries unseen; its name says only which page it is."""
    made, folder = files
    stem = f"{made.scene.name}.{page}"
    text, _ = pdf_text(folder / f"{stem}.pdf")
    with Image.open(folder / f"{stem}.png") as picture:
        hidden = " ".join(picture.text.values())
    carried = [
        svg_text(folder / f"{stem}.svg"),
        (folder / f"{stem}.svg").read_text(encoding="utf-8"),
        text,
        hidden,
    ]
    for found in carried:
        assert not [clue for clue in CLUES if clue in re.sub(r"base64,[^\"]*", "", found).lower()]


@pytest.mark.parametrize(("hidden", "shown"), [("plain", "labelled"), ("reveal-1", "reveal-2")])
def test_pairs_have_the_picture_in_the_same_place(files, hidden, shown):
    """Away from labels and outlines the two pages of a pair are the same, pixel by pixel."""
    made, folder = files
    pages = [
        np.asarray(Image.open(folder / f"{made.scene.name}.{p}.png").convert("L")).astype(int)
        for p in (hidden, shown)
    ]
    assert pages[0].shape == pages[1].shape
    dark = pages[0] < 60  # the picture, not the page
    same = pages[0] == pages[1]

    # Outlines, leaders and dots take up some of the picture; the rest must not have moved
    assert same[dark].mean() > 0.85
    shifted = np.roll(pages[1], 1, axis=1)
    assert (pages[0] == shifted)[dark].mean() < 0.6


def test_same_scene_same_bytes(files, tmp_path):
    """Nothing of time or place gets into a file."""
    made, folder = files
    figure(ts.plate_scene(), remedies=False).write(tmp_path, ["svg", "pdf"])
    for path in tmp_path.iterdir():
        if not path.name.endswith("notes.md"):
            assert path.read_bytes() == (folder / path.name).read_bytes(), path.name


def test_remedies_are_told(files):
    """Before and after, with what changed in dB; the gain falls by what was set, and takes the true echoes along."""
    made, _ = files
    rocked, quieter = made.tried

    assert rocked.change["reverberation"] < -6.0
    # Of the three tried the one that shows least; at -20 dB most of the gelatine (-38 dB at gain 0) would be black
    assert quieter.scene_after.receive.gain_db == -10.0
    # Noise is drawn anew: less than 0.5 dB
    assert quieter.change["reverberation"] == pytest.approx(-10.0, abs=0.5)
    assert any("true echoes: −10" in line or "true echoes: −9.9" in line for line in quieter.worse)
    assert "rock of the probe, degrees: 0 → 12" in rocked.changed


def test_changes_are_told_in_words_where_there_was_nothing():
    """No ratio to nothing is printed: a class is new, or gone."""
    words = Words()

    assert class_line("mirror images", 200.0, words) == "mirror images: not there before"
    assert class_line("mirror images", -200.0, words) == "mirror images: gone"
    assert class_line("mirror images", -12.34, words) == "mirror images: −12.3 dB"


def test_a_true_echo_is_no_cost():
    """A remedy that makes a surface flash is not blamed for it: of the mirror's, only what hides or misleads is told."""
    ready = ts.mirror_scene()
    before = renderer.render(ready)
    cure = renderer.parse_scene({**thaw(ready.tree), "remedies": [
        {"name": "water", "why": "it mirrors less", "set": {"solids.mirror.tissue": "water", "machine.gain_db": 3}},
    ]}).remedies[0]  # fmt: skip
    tried = try_remedy(ready, before, cure, Words())

    assert energy(tried.after, "mirror") < 1e-3 * energy(before, "mirror")
    assert all("dB" not in line for line in tried.worse)


def test_black_is_no_remedy():
    """Of a sweep of gain down to a black picture, a value is taken at which true echoes are seen."""
    ready = ts.plate_scene()
    before = renderer.render(ready)
    dark = Remedy("dark", "nothing is seen", None, Sweep("machine.gain_db", -80.0, 0.0, 5))
    tried = try_remedy(ready, before, dark, Words())

    assert visible(tried.after, "direct") > 0.5 * visible(before, "direct")


def test_notes_hold_the_table(files):
    """Every echo above black, with both depths and its closed form; once, if only the order of its turns differs."""
    made, folder = files
    notes = (folder / f"{made.scene.name}.notes.md").read_text(encoding="utf-8")
    rows = [line for line in notes.splitlines() if line.startswith("| plate | reverberation")]
    seen = {
        (e.order, round(e.displayed_mm[1], 1))
        for e in made.frame.echoes
        if e.origin_class == "reverberation"
        and e.level_db > made.frame.truth.floor_db
        and e.displayed_mm[1] < made.frame.z_mm[-1] + 1.0  # an echo begins above its middle
    }

    assert len(rows) == len(seen)
    assert "2 × 10.0 mm" in notes and "1.00 | 2.00" in notes
    assert CAUTION.split(".")[0] in notes


def test_every_text_comes_from_the_table():
    """In a made-up language nothing of English is left on the pages, but names of the scene and numbers."""
    strange = {key: re.sub(r"[A-Za-zµ½Σ]+(?![^{]*})", "ж", text) for key, text in ENGLISH.items()}
    made = figure(ts.plate_scene(), words=Words(strange), remedies=False)
    own = {"plate", "acrylic", "gelatine"}
    left = set()
    for sheet in made.sheets:
        for axes in sheet.page.figure.axes:
            for text in [*axes.texts, *axes.get_yticklabels(), axes.xaxis.label, axes.yaxis.label]:
                left |= {w.lower() for w in re.findall(r"[A-Za-z]{2,}", text.get_text())}

    assert left <= own


def test_words_that_do_not_fit_are_refused():
    with pytest.raises(SettingError, match="unknown key 'titel'"):
        Words({"titel": "x"})
    with pytest.raises(SettingError, match="has nothing called 'solids'"):
        Words({"class.mirror": "{solids}"})


def test_missing_extra_is_said_in_one_line(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(needs, "find_spec", lambda name: None)

    assert cli.main(["figure", "plate", "--out", str(tmp_path)]) == 2
    assert (
        capsys.readouterr().err == "echowright: figures need matplotlib: pip install 'echowright[figures]'\n"
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["figure", "plate", "--format", "bmp"], "unknown format 'bmp'; there are: png, svg, pdf"),
        (["sweep", "plate"], "Missing option '--vary'"),
        (["sweep", "plate", "--vary", "machine.gain_db"], "--vary wants PATH=FROM:TO:STEPS"),
        (["sweep", "plate", "--vary", "machine.gain_db=1:2"], "machine.gain_db: a range is FROM:TO:STEPS"),
        (["sweep", "plate", "--vary", "machine.gain_db=1:2:1"], "at least 2 steps"),
        (["sweep", "plate", "--vary", "machine.gain=1:2:3"], "unknown setting. Did you mean 'gain_db'?"),
        (["sweep", "plate", "--vary", "machine.gain_db=0:900:3"], "450 is outside"),
        (["sweep", "plate", "--vary", "solids.plate.centre_mm[3]=0:9:3"], "has no place 3"),
        (["sweep", "plate", "--vary", "machine.gain_db=0:9:999"], "999 pictures are too many"),
    ],
)
def test_wrong_commands_make_nothing(words, message, capsys, tmp_path):
    assert cli.main([*words, "--out", str(tmp_path)]) == 2
    assert message in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_pages_hold_no_kernels():
    """The folder of compiled kernels does not look at these files: so no kernel may stand in them."""
    from pathlib import Path

    from renderer import jit

    root = Path(cli.__file__).parent
    files = [
        f
        for name in jit._WITHOUT_KERNELS
        for f in ([root / name] if name.endswith(".py") else (root / name).rglob("*.py"))
    ]
    assert len(files) > 10
    for file in files:
        assert not re.search(
            r"^@(parallel_)?kernel|from renderer.jit|numba\.njit", file.read_text(encoding="utf-8"), re.M
        )


def test_figure_command(capsys, tmp_path):
    """A file of one's own: its pages and notes land in the folder that was asked for."""
    bench = tmp_path / "bench.yaml"
    bench.write_text(
        "title: Bench\nphantom:\n  background: gelatine\n  solids:\n"
        "    - {name: grape, shape: ellipsoid, centre_mm: [2, 0, 14], radii_mm: 4, tissue: water}\n"
        "probe: {kind: linear, elements: 48, pitch_mm: 0.3, frequency_mhz: 7.5}\n"
        "machine: {depth_mm: 28, focus_mm: [14], lines: 32}\n"
    )
    out = tmp_path / "out"

    assert (
        cli.main(
            ["figure", str(bench), "--out", str(out), "--dark", "--set", "solids.grape.centre_mm=[-1, 0, 16]"]
        )
        == 0
    )
    said = capsys.readouterr().out.splitlines()
    assert [line.removeprefix("wrote ") for line in said] == [str(out / name) for name in (
        "bench.labelled.png", "bench.plain.png", "bench.reveal-1.png", "bench.reveal-2.png", "bench.notes.md"
    )]  # fmt: skip


def test_shipped_scene_beside_a_copy_is_told(tmp_path, monkeypatch, capsys):
    """Whoever has moved something in a copy and asks for the shipped scene is told which file is meant."""
    monkeypatch.chdir(tmp_path)
    assert cli.main(["copy", "plate"]) == 0
    capsys.readouterr()
    small = ["--set", "machine.lines=16", "--set", "machine.depth_mm=20", "--no-remedies"]

    assert cli.main(["figure", "plate", "--out", "there", *small]) == 0
    assert "shipped scene 'plate'; for the file that lies here write plate.yaml" in capsys.readouterr().err
    assert cli.main(["figure", "plate.yaml", "--out", "there", *small]) == 0
    told = capsys.readouterr().err
    assert "shipped" not in told
    assert told.splitlines() == ["picture", "labels and causes", "pages"]


def test_every_step_of_long_work_is_told():
    """Remedies and pictures of a sweep are counted while they are made."""
    ready, told = ts.plate_scene(), []
    figure(ready, tell=told.append)
    assert told == ["picture", "labels and causes", "remedy 1 of 2", "remedy 2 of 2"]
    told.clear()
    sweep(ready, ["machine.gain_db=-6:6:3"], tell=told.append)
    assert told == ["picture 1 of 3", "picture 2 of 3", "picture 3 of 3"]


@pytest.mark.parametrize(
    ("path", "part"),
    [
        ("machine.gain_db", "machine-gain_db"),
        ("solids.grape.centre_mm[0]", "solids-grape-centre_mm-0"),
        ("solids.deep plate.top_mm", "solids-deep_plate-top_mm"),
    ],
)
def test_sweep_files_have_plain_names(path, part):
    """Dashes between the parts of a path, and nothing that a shell minds."""
    assert plain(path) == part


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("pose.rock_deg", "rock of the probe, degrees"),
        ("machine.gain_db", "gain, dB"),
        ("machine.tgc_db[2]", "TGC sliders [2], dB"),
        ("machine.tgc_slope_db_cm_mhz", "slope of the TGC, dB/(cm MHz)"),
        ("machine.assumed_speed_m_s", "assumed speed, m/s"),
        ("probe.frequency_mhz", "frequency, MHz"),
        ("solids.grape.centre_mm[0]", "centre of the grape [0], mm"),
        ("tissues.firm gel.backscatter_db", "backscatter of the firm gel, dB"),
        ("physics.refraction", "refraction"),
        ("coupling", "coupling"),
    ],
)
def test_settings_are_said_with_their_units(path, said):
    """A path of a setting in words; units by the ending of its key."""
    assert Words().setting(path) == said


def test_more_lines_than_a_column_has_room_for_are_counted():
    """What is printed is never higher than the room, and nothing is dropped without a word."""
    lines = [f"reverberation {k} of the firm sheet: moves by 25.1 mm in the phantom" for k in range(9)]
    for room in (20, 60, 120, 400):
        told = fitting(lines, 200.0, room, Words())
        height = sum(
            len(wrapped(line, 200.0, LINE_SIZE)) * LINE_SIZE * LINE_HEIGHT + LINE_GAP for line in told
        )
        hidden = len(lines) - (len(told) - 1)
        assert height <= max(room, 20)
        assert told == lines or (told[:-1] == lines[: len(told) - 1] and f" {hidden} more" in told[-1])
