"""The command line: exit codes, faults one a line, files whole or not at all, and JSON for programs."""

import json
import shlex
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from PIL import Image

from renderer import cli
from renderer.frame import store
from renderer.scene import shipped_scene_names

TESTS = Path(__file__).parent
GOOD = str(TESTS / "good_phantoms" / "convex_bench.yaml")
BAD = str(TESTS / "bad_phantoms" / "elements_none.yaml")


def test_check_of_a_good_scene(capsys):
    assert cli.main(["check", GOOD]) == 0
    assert capsys.readouterr() == (f"{GOOD}: good\n", "")


def test_check_prints_all_faults_of_all_scenes(capsys):
    other = str(TESTS / "bad_phantoms" / "focus_order.yaml")

    assert cli.main(["check", BAD, GOOD, other]) == 1
    out, err = capsys.readouterr()
    assert out == f"{GOOD}: good\n"
    assert err.splitlines() == [
        f"{BAD}:7: probe.elements: 0 is outside 1..1024",
        f"{other}:8: machine.focus_mm[1]: 20 does not lie below 30; foci ascend",
        "2 faults; nothing was rendered.",
    ]


def test_check_as_json(capsys):
    assert cli.main(["check", "--json", GOOD, BAD]) == 1
    good, bad = json.loads(capsys.readouterr().out)

    assert (good["scene"], good["faults"]) == (GOOD, [])
    assert bad["faults"] == [
        {"file": BAD, "line": 7, "path": "probe.elements", "message": "0 is outside 1..1024"}
    ]


@pytest.mark.parametrize("command", [["render"], ["explain", "--at", "0", "20"]])
def test_bad_scene_is_not_rendered(command, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    assert cli.main([*command, BAD]) == 1
    assert capsys.readouterr().err.endswith("1 fault; nothing was rendered.\n")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["polish"], "No such command 'polish'"),
        (["check"], "Missing argument 'SCENE...'"),
        (["render", GOOD, "--seed", "-1"], "Invalid value for '--seed'"),
        (["render", GOOD, "--set", "machine.gain_db"], "--set wants PATH=VALUE"),
        (["render", GOOD, "--without", "miror"], "unknown class 'miror'. Did you mean 'mirror'?"),
        (["render", GOOD, "--out", GOOD], "--out wants a folder"),
        (["explain", GOOD], "Missing option '--at'"),
        (["explain", GOOD, "--at", "0", "deep"], "'deep' is not a valid float"),
    ],
)
def test_wrong_command_line(words, message, capsys):
    assert cli.main(words) == 2
    assert message in capsys.readouterr().err


WRONG_SETTINGS = {
    "machine.gain_db=1e1": "machine.gain_db: '1e1' is read as a text by some programs. Write 10",
    "machine.gain_db=400": "machine.gain_db: 400 is outside -80..80",
    "machine.gain_db=": "machine.gain_db: has no value. Write one, or leave the key out",
    "machine.gian_db=4": "machine.gian_db: unknown setting. Did you mean 'gain_db'?",
    "solids.baloon.wall_mm=1": "solids.baloon.wall_mm: unknown solid 'baloon'. Did you mean 'balloon'?",
    "solids.balloon.wall_mm=20": "solids.balloon.wall_mm: 20 leaves no room inside: radii_mm is 20",
    "coupling=watr": "coupling: unknown tissue 'watr'. Did you mean 'water'?",
    "machine.tgc_db=[0, 0": "machine.tgc_db: cannot be read as YAML",
}


@pytest.mark.parametrize("setting", WRONG_SETTINGS)
@pytest.mark.parametrize("command", [["render"], ["explain", "--at", "0", "20"]])
def test_wrong_setting_is_a_fault(command, setting, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    assert cli.main([*command, GOOD, "--set", setting]) == 1
    fault, end = capsys.readouterr().err.splitlines()
    assert fault.startswith(WRONG_SETTINGS[setting])
    assert end == "1 fault; nothing was rendered."
    assert list(tmp_path.iterdir()) == []


def test_all_wrong_settings_at_once(capsys):
    words = ["render", GOOD, "--json"]
    for setting in ("machine.gian_db=4", "pose.slide_mm=010", "pose.lift_mm=1", "pose.lift_mm=2"):
        words += ["--set", setting]

    assert cli.main(words) == 1
    out, err = capsys.readouterr()
    assert [fault["path"] for fault in json.loads(out)["faults"]] == [
        "machine.gian_db",
        "pose.slide_mm",
        "pose.lift_mm",
    ]
    assert "pose.lift_mm: given twice\n" in err
    assert err.endswith("3 faults; nothing was rendered.\n")


def test_value_of_a_setting_is_read_as_in_a_file():
    scene = cli._ready_scene(
        GOOD, ["machine.focus_mm=[30, 60]", "coupling=water", "machine.flat_field=false"]
    )

    assert scene.scan.focus_mm == (30.0, 60.0)
    assert scene.phantom.coupling == "water"
    assert scene.receive.flat_field is False


def test_own_fault_names_the_command(monkeypatch, capsys):
    def broken(_):
        raise ZeroDivisionError("no depth")

    monkeypatch.setattr(cli, "read_scene", broken)

    assert cli.main(["check", "my scene.yaml"]) == 3
    assert capsys.readouterr().err.splitlines() == [
        "echowright: this is a fault of the program, not of the scene: ZeroDivisionError: no depth",
        "To repeat it: echowright check 'my scene.yaml'",
    ]


SMALL = """\
title: Straw in a small block
phantom:
  background: gelatine
  solids:
    - {name: straw, shape: tube, from_mm: [0, -20, 8], to_mm: [0, 20, 8], radius_mm: 2, tissue: water}
probe: {kind: linear, elements: 32, pitch_mm: 0.3, frequency_mhz: 4}
machine: {depth_mm: 14, pixel_mm: 0.2}
"""


@pytest.fixture
def small(tmp_path):
    file = tmp_path / "small.yaml"
    file.write_text(SMALL)
    return file


def test_render_writes_picture_arrays_and_manifest(small, tmp_path, capsys):
    out = tmp_path / "made" / "here"

    assert (
        cli.main(["render", str(small), "--out", str(out), "--seed", "4", "--set", "machine.gain_db=6"]) == 0
    )
    assert capsys.readouterr().out.splitlines() == [
        f"wrote {out}/small.{kind}" for kind in ("png", "npz", "json")
    ]
    assert sorted(file.name for file in out.iterdir()) == ["small.json", "small.npz", "small.png"]
    arrays = np.load(out / "small.npz")
    assert (np.asarray(Image.open(out / "small.png")) == arrays["image"]).all()
    manifest = json.loads((out / "small.json").read_text())["manifest"]
    assert manifest["seed"] == {"tissue": 4, "noise": 4}
    assert manifest["scene"]["machine"]["gain_db"] == 6


def test_render_as_json_with_overlay_and_without_a_class(small, tmp_path, capsys):
    out = tmp_path / "out"
    words = ["render", str(small), "--out", str(out), "--json", "--overlay", "--without", "direct"]

    assert cli.main(words) == 0
    written = json.loads(capsys.readouterr().out)["written"]
    assert [Path(name).name for name in written] == [
        "small.png",
        "small.npz",
        "small.json",
        "small.overlay.png",
    ]
    assert json.loads((out / "small.json").read_text())["manifest"]["without"] == ["direct"]
    assert not np.load(out / "small.npz")["share_direct"].any()


@pytest.mark.parametrize("writer", ["write_png", "_write_npz", "_write_json"])
def test_files_are_written_whole_or_not_at_all(writer, small, tmp_path, monkeypatch, capsys):
    def full(*_):
        raise OSError(28, "No space left on device")

    out = tmp_path / "out"
    monkeypatch.setattr(store, writer, full)

    assert cli.main(["render", str(small), "--out", str(out)]) == 2
    assert "No space left on device" in capsys.readouterr().err
    assert list(out.iterdir()) == []


def test_explain(small, capsys):
    """At the front wall of the straw, 6 mm deep, its echo comes first and straight."""
    assert cli.main(["explain", str(small), "--at", "0", "6", "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)
    assert set(rows[0]) == {"class", "level_db", "path", "points_mm"}
    assert rows[0]["class"] == "direct"
    assert "straw" in rows[0]["path"]
    assert rows == sorted(rows, key=lambda row: -row["level_db"])

    assert cli.main(["explain", str(small), "--at", "0", "6"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{rows[0]['level_db']:7.1f} dB  direct: {rows[0]['path']}"
    assert len(lines) == len(rows)


@pytest.mark.parametrize("point", [("500", "6"), ("0", "-1"), ("nan", "6")])
def test_explain_out_of_view(point, small, capsys):
    assert cli.main(["explain", str(small), "--at", *point]) == 2
    assert "is out of view" in capsys.readouterr().err


def test_fault_of_the_renderer_names_the_command(small, tmp_path, monkeypatch, capsys):
    class Broken:
        @staticmethod
        def render(*_, **__):
            raise RuntimeError("line 3, ray 7: no energy is left")

    monkeypatch.setattr(cli, "_renderer", lambda: Broken)
    words = ["render", str(small), "--out", str(tmp_path / "out"), "--set", "machine.focus_mm=[5, 10]"]

    assert cli.main(words) == 3
    err = capsys.readouterr().err
    assert "this is a fault of the program" in err
    assert shlex.split(err.splitlines()[-1].removeprefix("To repeat it: ")) == ["echowright", *words]
    assert not (tmp_path / "out").exists()


def test_interrupted(monkeypatch):
    def stop(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "read_scene", stop)

    assert cli.main(["check", GOOD]) == 130


@pytest.mark.parametrize("compiled", [False, True])
def test_first_compilation_is_announced(compiled, tmp_path, monkeypatch, capsys):
    """An empty folder says as little as none: a first run that failed leaves one."""
    folder = tmp_path / "kernels"
    (folder / "trace").mkdir(parents=True)
    if compiled:
        (folder / "trace" / "rays.nbi").write_bytes(b"")
    monkeypatch.setattr("renderer.jit.cache_folder", lambda: folder)
    cli._renderer()

    out, err = capsys.readouterr()
    assert out == ""
    wanted = "Compiling the kernels for the first time; this takes about a minute.\n"
    assert err == ("" if compiled else wanted)


HEAVY = ("numba", "matplotlib", "skimage")
LIGHT_COMMANDS = [
    ["--help"],
    ["render", "--help"],
    ["check", GOOD],
    ["check", BAD],
    ["list"],
    ["schema"],
    ["schema", "--page"],
    ["copy", "nonsuch"],
    ["render", BAD],
    ["render", GOOD, "--set", "machine.gian_db=4"],
    ["render", GOOD, "--without", "miror"],
]


@pytest.mark.parametrize("words", LIGHT_COMMANDS, ids=" ".join)
def test_light_commands_load_no_kernels(words):
    """What renders nothing starts fast, on the error paths too."""
    code = (
        "import sys, renderer.cli; renderer.cli.main(sys.argv[2:]);"
        "print(sorted(set(sys.argv[1].split(',')) & set(sys.modules)), file=sys.stderr)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, ",".join(HEAVY), *words], capture_output=True, text=True, check=True
    )

    assert run.stderr.splitlines()[-1] == "[]"


def test_module_is_the_command():
    run = subprocess.run(
        [sys.executable, "-m", "renderer", "check", BAD], capture_output=True, text=True, check=False
    )

    assert run.returncode == 1
    assert run.stderr.endswith("1 fault; nothing was rendered.\n")
    assert run.stdout == ""


def test_schema_command(capsys):
    assert cli.main(["schema"]) == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))
    assert cli.main(["schema", "--page"]) == 0
    assert capsys.readouterr().out.startswith("# Scene files")


def test_list_and_copy(capsys, tmp_path, monkeypatch):
    """With a folder of our own in place of the shipped scenes."""
    folder = tmp_path / "shipped"
    folder.mkdir()
    (folder / "balloon.yaml").write_bytes(Path(GOOD).read_bytes())
    monkeypatch.setattr("renderer.scene.shipped.scene_folders", lambda: [folder])
    target = tmp_path / "mine"
    target.mkdir()

    assert cli.main(["list"]) == 0
    assert capsys.readouterr().out == "balloon  Water balloon in a deep block\n"
    assert cli.main(["list", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)[0]["name"] == "balloon"
    assert cli.main(["copy", "balloon", "--out", str(target)]) == 0
    assert (target / "balloon.yaml").read_bytes() == Path(GOOD).read_bytes()
    assert cli.main(["check", "balloon"]) == 0
    capsys.readouterr()
    assert cli.main(["copy", "balloon", "--out", str(target)]) == 2
    assert "is there already; nothing was written" in capsys.readouterr().err
    assert cli.main(["copy", "baloon", "--out", str(target)]) == 1
    assert "no shipped scene is called 'baloon'. Did you mean 'balloon'?" in capsys.readouterr().err
    assert [file.name for file in target.iterdir()] == ["balloon.yaml"]


def test_shipped_scenes_are_good(capsys):
    """Whatever is shipped can be read."""
    names = shipped_scene_names()

    assert not names or cli.main(["check", *names]) == 0
    assert capsys.readouterr().err == ""


def test_help_says_what_pictures_are_not_for(capsys):
    assert cli.main(["--help"]) == 0
    assert "not for diagnosis" in " ".join(capsys.readouterr().out.split())
