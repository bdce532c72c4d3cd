"""Scenes as they are read: complete faults, one scene however it is written, settings, and the schema."""

import copy
import json
import math
import pickle
import subprocess
import sys
import time
from pathlib import Path

import jsonschema
import pytest
import yaml

from renderer.errors import SceneError, SettingError
from renderer.scene import json_schema, parse_scene, read_scene, reference_page
from renderer.tissue.presets import Octave, Orientation, Sheets, Vessels
from renderer.tissue.solids import Box, Cap, Ellipsoid, Needle, Slab, Tube

FOLDER = Path(__file__).parent / "good_phantoms"
NAMES = ("linear_bench", "convex_bench", "sector_bench", "image_bench")
GOOD = {name: (FOLDER / f"{name}.yaml").read_text() for name in NAMES}
PLAIN = {name: json.dumps(yaml.safe_load(text)) for name, text in GOOD.items()}
BAD_EVERYWHERE = """\
title: ""
phantom:
  background: gelatin
  solids:
    - {name: plate, shape: box, centre_mm: [0, 0], size_mm: [30, 30, 1], tissue: steal}
    - {name: plate, shape: tube, radius_mm: 1e-3, wall_mm: 2}
probe: {kind: linear, elements: 0, pitch_mm: .inf, frequency_mhz: 7.5, colour: red}
machine: {depth_mm: 60, focus_mm: [90], frequency_mhz: 20, flat_field: on}
machine: {depth_mm: 50}
remedies:
  - {name: a, why: b}
"""


@pytest.fixture
def linear():
    """A scene with every key."""
    return parse_scene(GOOD["linear_bench"])


def faults_of(source):
    with pytest.raises(SceneError) as caught:
        parse_scene(source)
    return caught.value.faults


def test_all_faults_come_at_once_and_in_order():
    faults = faults_of(BAD_EVERYWHERE)

    assert [(fault.line, fault.path) for fault in faults] == [
        (1, "title"),
        (3, "phantom.background"),
        (5, "phantom.solids[0].centre_mm"),
        (5, "phantom.solids[0].tissue"),
        (6, "phantom.solids[1].radius_mm"),
        (6, "phantom.solids[1].tissue"),
        (6, "phantom.solids[1].from_mm"),
        (6, "phantom.solids[1].to_mm"),
        (6, "phantom.solids[1].name"),
        (6, "phantom.solids[1].wall_mm"),
        (7, "probe.pitch_mm"),
        (7, "probe.elements"),
        (7, "probe.colour"),
        (8, "machine.flat_field"),
        (8, "machine.frequency_mhz"),
        (8, "machine.focus_mm[0]"),
        (9, "machine"),
        (11, "remedies[0]"),
    ]


def test_fault_on_one_line():
    """File, line, path and message stand in one line; what is not known is left out."""
    assert str(faults_of("title: x\nprobe: 3\n")[0]) == "line 1: phantom: is missing; a mapping is wanted"
    assert str(faults_of({"title": "x", "phantom": {"background": "fat"}})[0]) == (
        "probe: is missing; a mapping is wanted"
    )


@pytest.mark.parametrize("name", GOOD)
def test_mapping_and_text_give_the_same_scene(name):
    text = GOOD[name]

    assert parse_scene(yaml.safe_load(text), FOLDER) == parse_scene(text, FOLDER)


def test_tuples_and_order_of_keys_do_not_matter(linear):
    mapping = yaml.safe_load(GOOD["linear_bench"])
    mapping["machine"]["focus_mm"] = tuple(mapping["machine"]["focus_mm"])
    turned = dict(reversed(mapping.items()))

    assert parse_scene(turned).digest == linear.digest
    assert parse_scene(turned) == linear


def test_reading_changes_nothing_in_the_mapping():
    mapping = yaml.safe_load(GOOD["linear_bench"])
    before = copy.deepcopy(mapping)
    parse_scene(mapping).with_settings({"machine.gain_db": 5})

    assert mapping == before


@pytest.mark.parametrize("source", [3, None, b"title: x", ["title"]])
def test_source_of_the_wrong_kind(source):
    with pytest.raises(SceneError, match="a scene is a YAML text or a mapping of keys"):
        parse_scene(source)


@pytest.mark.parametrize(
    ("value", "message"),
    [
        (float("nan"), "nan is not a finite number"),
        (float("inf"), "inf is not a finite number"),
        (None, "has no value"),
        (object(), "a text, a number, true or false, a list or a mapping is wanted here"),
        (b"50", "a text, a number, true or false, a list or a mapping is wanted here"),
        (10**30, "is absurdly large"),
        (1e-30, "is absurdly small"),
    ],
)
def test_values_that_no_file_could_hold(value, message):
    mapping = yaml.safe_load(GOOD["convex_bench"])
    mapping["machine"]["depth_mm"] = value
    (fault,) = faults_of(mapping)

    assert fault.path == "machine.depth_mm"
    assert message in fault.message


def test_mapping_that_holds_itself():
    mapping = yaml.safe_load(GOOD["convex_bench"])
    mapping["machine"]["self"] = mapping
    (fault,) = faults_of(mapping)

    assert "nested more than 40 levels deep" in fault.message


def test_units_are_converted_once(linear):
    """Degrees become radians, m/s mm/µs, percent a fraction; lengths stay."""
    solids = {solid.name: solid for solid in linear.phantom.solids}

    assert linear.scan.assumed_speed_mm_per_us == pytest.approx(1.54, rel=1e-12)
    assert linear.pose.rock_rad == pytest.approx(math.radians(2), rel=1e-12)
    assert linear.probe.bandwidth == pytest.approx(0.6, rel=1e-12)
    assert linear.scan.compound_rad == pytest.approx([-math.radians(8), 0, math.radians(8)], rel=1e-12)
    assert solids["layer"].shape == Slab(5.0, 2.0, math.radians(3))
    assert solids["floor"].shape == Slab(58.0, math.inf, 0.0)
    assert solids["plate"].shape == Box((0.0, 0.0, 12.5), (30.0, 30.0, 1.0))
    assert solids["plate"].rotate_rad == pytest.approx((0, math.radians(5), 0), rel=1e-12)
    assert solids["pebble"].shape == Ellipsoid((12.0, 0.0, 20.0), (3.0, 3.0, 3.0))
    assert solids["straw"].shape == Tube((8.0, -40.0, 30.0), (8.0, 40.0, 30.0), 3.0)
    assert solids["bowl"].shape.cap == Cap((0.0, 0.0, 20.0), -30.0, math.radians(15))
    assert solids["needle"].shape == Needle(
        (4.0, 0.0, 22.0), math.radians(30), 60.0, 0.8, math.radians(2), 0.0, True
    )
    assert solids["foil"].behind == "air"
    assert solids["plate"].surface.roughness_um == 3


def test_materials_of_a_scene(linear):
    """A tissue takes what it does not say from the one that it is like."""
    materials = linear.phantom.materials

    assert materials["firm gel"].speed_mm_per_us == pytest.approx(1.56, rel=1e-12)
    assert materials["firm gel"].density_kg_m3 == materials["gelatine"].density_kg_m3
    assert materials["foam"].backscatter_db == -math.inf
    assert materials["foam"].loss_db_per_mm(2.0) == pytest.approx(0.3 * 2**1.2, rel=1e-12)
    assert materials["measured gel"].loss_db_per_mm(5.0) == pytest.approx(0.24, rel=1e-12)
    assert materials["rope"].texture.octaves[0].contrast_db == 2
    septa = materials["lard with septa"].texture
    assert septa.octaves == (Octave(5, 2, 1.2),)
    assert septa.sheets == (Sheets("cells", (7.5, 13, 2.2), 20, 0.62, 0.05, 0.4, 5),)
    assert septa.vessels == (Vessels(2, 0.8, 10, 30, 3, -30),)
    assert septa.orientation == Orientation(math.radians(5), math.radians(90))
    assert materials["rope"].anisotropy.half_angle_rad == pytest.approx(math.radians(8), rel=1e-12)
    assert {"gel", "air", "skin", "latex"} & set(materials) == {"gel", "air", "skin"}


def test_hollow_needle_brings_its_water():
    """The tracer finds every tissue among the materials, also the one that fills a needle."""
    needle = "{name: n, shape: needle, tip_mm: [0, 0, 20], angle_deg: 30, length_mm: 60, diameter_mm: 1, tissue: steel}"
    text = (
        f"title: x\nphantom: {{background: gelatine, solids: [{needle}]}}\n"
        "probe: {kind: linear, elements: 64, pitch_mm: 0.3, frequency_mhz: 5}\n"
    )
    solid = parse_scene(text)

    assert set(solid.phantom.materials) == {"gelatine", "gel", "steel"}
    hollow = solid.with_settings({"solids.n.hollow": True})
    assert set(hollow.phantom.materials) == {"gelatine", "gel", "steel", "water"}


def test_defaults_follow_probe_and_depth():
    scene = parse_scene(GOOD["convex_bench"])
    flat = parse_scene(
        "title: x\nphantom: {background: fat}\nprobe: {kind: linear, elements: 96, pitch_mm: 0.3, frequency_mhz: 8}\n"
    )

    assert (scene.scan.n_lines, scene.scan.focus_mm, scene.scan.frequency_mhz) == (192, (60.0,), 3.5)
    assert scene.scan.prf_hz is None
    assert (flat.scan.n_lines, flat.scan.focus_mm, flat.scan.depth_mm) == (96, (30.0,), 60.0)
    assert (scene.seed_tissue, scene.seed_noise) == (3, 3)
    assert flat.phantom.coupling == "gel"


def test_scene_cannot_be_changed(linear):
    with pytest.raises(AttributeError):
        linear.title = "other"
    with pytest.raises(TypeError, match="with_settings gives a new one"):
        linear.tree["title"] = "other"
    with pytest.raises(TypeError, match="with_settings gives a new one"):
        linear.phantom.materials["fat"] = None


def test_scene_survives_a_process(linear):
    assert pickle.loads(pickle.dumps(linear)) == linear
    assert hash(linear) == hash(parse_scene(GOOD["linear_bench"]))


def test_digest_sees_every_setting_and_no_title(linear):
    assert linear.with_settings({"machine.gain_db": 4}).digest != linear.digest
    assert linear.with_settings({"machine.gain_db": 3.0}).digest == linear.digest
    assert parse_scene(GOOD["linear_bench"].replace("title: Block", "title: A block")).digest == linear.digest


SETTINGS = {
    "machine.focus_mm": ([40], lambda scene: scene.scan.focus_mm, (40.0,)),
    "machine.gain_db": (9, lambda scene: scene.receive.gain_db, 9.0),
    "pose.slide_mm": (12, lambda scene: scene.pose.slide_mm, 12.0),
    "probe.frequency_mhz": (8, lambda scene: scene.probe.frequency_mhz, 8.0),
    "physics.refraction": (False, lambda scene: scene.physics.refraction, False),
    "coupling": ("water", lambda scene: scene.phantom.coupling, "water"),
    "phantom.coupling": ("water", lambda scene: scene.phantom.coupling, "water"),
    "phantom.background": ("liver", lambda scene: scene.phantom.background, "liver"),
    "solids.straw.radius_mm": (4, lambda scene: scene.phantom.solids[4].shape.radius_mm, 4.0),
    "solids.no. 3 thread.diameter_mm": (0.2, lambda scene: scene.phantom.solids[9].shape.diameter_mm, 0.2),
    "solids.plate.surface.wave_mm": (0.4, lambda scene: scene.phantom.solids[1].surface.wave_mm, 0.4),
    "tissues.firm gel.backscatter_db": (
        "none",
        lambda scene: scene.phantom.materials["firm gel"].backscatter_db,
        -math.inf,
    ),
    "tissues.steel.density_kg_m3": (
        7000,
        lambda scene: scene.phantom.materials["steel"].density_kg_m3,
        7000.0,
    ),
    "seed.noise": (5, lambda scene: (scene.seed_tissue, scene.seed_noise), (7, 5)),
    "seed": (5, lambda scene: (scene.seed_tissue, scene.seed_noise), (5, 5)),
}


@pytest.mark.parametrize("path", SETTINGS)
def test_setting_there_and_back(path, linear):
    """A setting changes what it names, and setting the old value back gives the old scene."""
    value, look, wanted = SETTINGS[path]
    changed = linear.with_settings({path: value})

    assert look(changed) == wanted
    assert look(linear) != wanted
    old = look_up(linear.tree, path)
    if old is not None:
        assert changed.with_settings({path: old}).digest == linear.digest


def look_up(tree, path):
    """The value at a simple setting path, None where the path is not simple."""
    root, _, key = path.partition(".")
    return tree[root].get(key) if root in ("machine", "pose", "probe", "physics", "seed") and key else None


def test_settings_equal_the_same_words_in_the_file(linear):
    edited = GOOD["linear_bench"].replace("gain_db: 3\n", "gain_db: 11\n").replace("lift_mm: 1", "lift_mm: 2")

    assert linear.with_settings({"machine.gain_db": 11, "pose.lift_mm": 2}) == parse_scene(edited)


def test_none_brings_the_default_back(linear):
    assert linear.with_settings({"machine.pixel_mm": None}).scan.pixel_mm is None


def test_longest_name_is_meant():
    """With solids 'cup' and 'cup.lid', solids.cup.lid.diameter_mm is the lid's."""
    text = (
        "title: x\nphantom:\n  background: gelatine\n  solids:\n"
        "    - {name: cup, shape: bead, at_mm: [0, 0, 10], diameter_mm: 1, tissue: glass}\n"
        "    - {name: cup.lid, shape: bead, at_mm: [0, 0, 20], diameter_mm: 1, tissue: glass}\n"
        "probe: {kind: linear, elements: 64, pitch_mm: 0.3, frequency_mhz: 5}\n"
    )
    scene = parse_scene(text).with_settings({"solids.cup.lid.diameter_mm": 3, "solids.cup.diameter_mm": 2})

    assert [solid.shape.diameter_mm for solid in scene.phantom.solids] == [2.0, 3.0]


WRONG_SETTINGS = {
    "machine.gian_db": (3, "machine.gian_db: unknown setting. Did you mean 'gain_db'?"),
    "machne.gain_db": (3, "machne.gain_db: unknown setting. Did you mean 'machine'?"),
    "machine.gain_db": (900, "machine.gain_db: 900 is outside -80..80"),
    "machine.depth_mm": ("60", "machine.depth_mm: '60' is a text; a number in 5..400 is wanted"),
    "machine.pixel_mm": (0.01, "would make a picture of 6"),
    "machine": ({}, "machine: unknown setting. Known in machine: lines"),
    "solids.strow.radius_mm": (3, "solids.strow.radius_mm: unknown solid 'strow'. Did you mean 'straw'?"),
    "solids.straw": (3, "solids.straw: a key is missing behind the name of the solid"),
    "solids.straw.name": ("hose", "solids.straw.name: the name of a solid is no setting"),
    "solids.straw.radus_mm": (3, "solids.straw.radus_mm: unknown key. Did you mean 'radius_mm'?"),
    "solids.straw.radius_mm": (0.3, "solids.straw.wall_mm: 0.4 leaves no room inside"),
    "solids.straw.to_mm.2": (3, "solids.straw.to_mm.2: a list is set as a whole"),
    "tissues.gelatin.speed_m_s": (1500, "unknown tissue 'gelatin'. Did you mean 'gelatine'?"),
    "coupling": ("watr", "coupling: unknown tissue 'watr'. Did you mean 'water'?"),
    "coupling.speed_m_s": (1500, "coupling is the name of a tissue; nothing stands below it"),
    "probe.kind": ("convex", "probe: radius_mm is missing"),
    "seed.tissue": (-1, "seed.tissue: -1 is outside 0..4294967295"),
    "title": ("other", "title: unknown setting"),
    "": (1, "unknown setting"),
    3: (1, "a setting path is a text"),
}


@pytest.mark.parametrize("path", WRONG_SETTINGS)
def test_wrong_setting(path, linear):
    value, message = WRONG_SETTINGS[path]
    with pytest.raises(SettingError) as caught:
        linear.with_settings({path: value})

    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_settings_of_the_wrong_kind(linear):
    with pytest.raises(SettingError, match="settings are a mapping of paths to values"):
        linear.with_settings("machine.gain_db=3")


def test_schema_is_valid_and_takes_good_scenes():
    """The schema follows the published dialect: https://json-schema.org/draft/2020-12/schema."""
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)

    for text in GOOD.values():
        assert list(check.iter_errors(_with_text_keys(yaml.safe_load(text)))) == []


def _with_text_keys(value):
    return json.loads(json.dumps(value))


@pytest.mark.parametrize("change", ["unknown key", "too deep", "null", "both", "kind"])
def test_schema_refuses_what_the_reader_refuses(change):
    scene = _with_text_keys(yaml.safe_load(GOOD["linear_bench"]))
    if change == "unknown key":
        scene["machine"]["gian_db"] = 3
    if change == "too deep":
        scene["machine"]["depth_mm"] = 4000
    if change == "null":
        scene["machine"]["pixel_mm"] = None
    if change == "both":
        scene["phantom"]["solids"][0]["bottomless"] = True
    if change == "kind":
        scene["phantom"]["solids"][0]["shape"] = "slob"

    assert list(jsonschema.Draft202012Validator(json_schema()).iter_errors(scene))
    with pytest.raises(SceneError, match="gian_db|depth_mm|pixel_mm|bottomless|slob"):
        parse_scene(scene)


def numeric_places(schema, node, value, path=()):
    """Every number of a scene that has a range in the schema: path, least, most, and whether it is whole."""
    node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]] if "$ref" in node else node
    for key in ("oneOf", "anyOf"):
        for branch in node.get(key, ()):
            if jsonschema.Draft202012Validator({**branch, "$defs": schema["$defs"]}).is_valid(value):
                yield from numeric_places(schema, branch, value, path)
    if "minimum" in node and isinstance(value, int | float):
        yield path, node["minimum"], node["maximum"], node["type"] == "integer"
    if isinstance(value, dict):
        for key, item in value.items():
            others = [*node.get("patternProperties", {}).values(), node.get("additionalProperties")]
            below = node.get("properties", {}).get(key, others[0])
            if isinstance(below, dict):
                yield from numeric_places(schema, below, item, (*path, key))
    if isinstance(value, list) and "items" in node:
        for i, item in enumerate(value):
            yield from numeric_places(schema, node["items"], item, (*path, i))


def bounded_places():
    schema = json_schema()
    for name in GOOD:
        scene = json.loads(PLAIN[name])
        for place in numeric_places(schema, schema, scene):
            yield name, *place


def range_faults(name, path, value):
    """Faults that speak of the range at a path when a value is put there."""
    scene = json.loads(PLAIN[name])
    node = scene
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = value
    try:
        parse_scene(scene)
    except SceneError as error:
        wanted = [fault for fault in error.faults if fault.path == path_of(path)]
        return [fault for fault in wanted if " is outside " in fault.message and "band" not in fault.message]
    return []


def path_of(path):
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path)
    return text.removeprefix(".")


@pytest.mark.parametrize(("name", "path", "least", "most", "whole"), list(bounded_places()), ids=str)
def test_both_sides_of_every_bound(name, path, least, most, whole):
    """The bounds of the schema are those of the reader: in at the bound, out just beyond it."""
    step = 1 if whole else max(abs(least), abs(most)) * 1e-6

    assert not range_faults(name, path, least)
    assert not range_faults(name, path, most)
    assert range_faults(name, path, least - step)
    assert range_faults(name, path, most + step)


def test_every_numeric_key_is_tried():
    """No key with a range is left out of the test above."""
    schema = json_schema()
    tried = {part for _, path, *_ in bounded_places() for part in path if isinstance(part, str)}
    numeric = {
        key
        for definition in [schema, *schema["$defs"].values()]
        for key, row in definition.get("properties", {}).items()
        if '"minimum"' in json.dumps(row)
    }

    assert numeric - tried == set()
    assert len(tried) > 60


def test_reference_page_has_every_key():
    page, schema = reference_page(), json_schema()
    keys = {key for row in [schema, *schema["$defs"].values()] for key in row.get("properties", {})}

    assert [key for key in sorted(keys - {"shape"}) if f"`{key}`" not in page] == []
    assert "not for diagnosis" in page
    assert "| gelatine | speed, m/s | 1540 | 1520 to 1650 | Madsen1978 | read |" in page


def test_descriptions_stand_beside_every_key():
    schema = json_schema()
    bare = [
        key
        for row in [schema, *schema["$defs"].values()]
        for key, field in row.get("properties", {}).items()
        if "description" not in field and key != "shape"
    ]

    assert bare == []


def test_reading_is_quick():
    """A check takes 50 ms at most; 20 readings on a loaded machine leave room for one slow one."""
    parse_scene(GOOD["linear_bench"])
    times = []
    for _ in range(20):
        start = time.perf_counter()
        parse_scene(GOOD["linear_bench"])
        times.append(time.perf_counter() - start)

    assert sorted(times)[10] < 0.05


def test_checking_loads_no_kernels():
    code = (
        "import sys, renderer.cli; renderer.cli.main(['check', sys.argv[1]]);"
        "print(sorted({'numba', 'matplotlib', 'skimage', 'scipy'} & set(sys.modules)))"
    )
    file = FOLDER / "linear_bench.yaml"
    run = subprocess.run([sys.executable, "-c", code, str(file)], capture_output=True, text=True, check=True)

    assert run.stdout.splitlines() == [f"{file}: good", "[]"]


def test_file_scene_knows_its_name():
    scene = read_scene(FOLDER / "convex_bench.yaml")

    assert (scene.name, scene.file) == ("convex_bench", str(FOLDER / "convex_bench.yaml"))
