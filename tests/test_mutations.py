"""Damaged scenes give a scene or clean faults, nothing else, and quickly."""

import json
import random
import re
import time
from pathlib import Path

import pytest
import yaml

from renderer.errors import SceneError, SettingError
from renderer.scene import parse_scene
from renderer.scene.scene import Scene

FOLDER = Path(__file__).parent / "good_phantoms"
TEXTS = [file.read_text() for file in sorted(FOLDER.glob("*.yaml"))]
MAPPINGS = [json.dumps(yaml.safe_load(text)) for text in TEXTS]

# Far above the few milliseconds of a reading, so that a loaded machine does not fail the test.
LONGEST_S = 5.0

# Words that only the machinery behind the check would use.
LEAKS = re.compile(
    r"pydantic|validation error|Input should|Field required|NoneType|\bdict\b|\bstr\b|\bfloat\b|\bint\b|\bbool\b"
    r"|<class|object at 0x|Traceback|Row\b|<number>|<word>|<mapping>|<list>"
)
ODD = [
    0, -1, 1, 2.5, 1e9, -1e9, 1e-9, 10**20, float("nan"), float("inf"), True, False, None, "", "none", "auto",
    "water", "nonsuch", "1e3", "5 mm", "straw", [], {}, [[]], [0], [1, 2, 3], [1, "2", None], {"a": 1},
    {"shape": "slab"}, {"like": "water"}, "slab", "x" * 3000, "a.b", "ü", "\x00", ["fat"] * 9,
]  # fmt: skip
TOKENS = [
    "0", "-1", "1e3", "010", "0x1F", "12:30", "on", "no", "~", ".nan", "-.inf", "1_0", "2026-01-01", "[", "]", "{",
    "}", ":", ": ", "- ", "#", "&a ", "*a", "!!float ", "<<: {}", "\t", "\n", "'", '"', "%", "@", "|", ">", "?",
    "---\n", "...\n", "99999999999999999999", "mm", "\u2028", "é", "{}", "[]", "null",
]  # fmt: skip


def damaged_text(rng: random.Random) -> str:
    """A good text with one to three random injuries."""
    text = rng.choice(TEXTS)
    for _ in range(rng.randint(1, 3)):
        kind = rng.randrange(6)
        at = rng.randrange(len(text) + 1)
        lines = text.split("\n")
        row = rng.randrange(len(lines))
        if kind == 0:
            text = text[:at] + rng.choice(TOKENS) + text[at:]
        elif kind == 1:
            text = text[:at] + text[at + rng.randint(1, 12) :]
        elif kind == 2:
            text = "\n".join(lines[:row] + lines[row + 1 :])
        elif kind == 3:
            text = "\n".join([*lines[:row], lines[row], *lines[row:]])
        elif kind == 4:
            words = list(re.finditer(r"[\w.\-]+", text)) or [re.compile("").search(text)]
            word = rng.choice(words)
            text = text[: word.start()] + rng.choice(TOKENS) + text[word.end() :]
        else:
            text = text[:at]
    return text


def damaged_mapping(rng: random.Random) -> object:
    """A good mapping in which one to three values were replaced, removed or renamed."""
    scene = json.loads(rng.choice(MAPPINGS))
    for _ in range(rng.randint(1, 3)):
        node = scene
        while True:
            keys = list(node) if isinstance(node, dict) else list(range(len(node)))
            if not keys:
                break
            key = rng.choice(keys)
            below = node[key]
            if isinstance(below, dict | list) and rng.random() < 0.8:
                node = below
                continue
            kind = rng.randrange(4)
            if kind == 0:
                del node[key]
            elif kind == 1 and isinstance(node, dict):
                node[str(key) + rng.choice(["x", " ", "_mm"])] = node.pop(key)
            else:
                node[key] = rng.choice(ODD)
            break
    return scene


def check_clean(faults, text):
    """Faults are in one line each, in plain words, and point into the text."""
    assert faults
    n_lines = len(re.split(r"\r\n|[\n\r\x85\u2028\u2029]", text)) if text is not None else 0
    for fault in faults:
        assert fault.message
        assert len(str(fault).splitlines()) == 1, fault
        assert not LEAKS.search(re.sub(r"'[^']*'", "", fault.message)), fault
        assert fault.line is None or 1 <= fault.line <= n_lines, fault


def try_text(seed):
    text = damaged_text(random.Random(seed))
    start = time.perf_counter()
    try:
        assert isinstance(parse_scene(text, FOLDER), Scene)
    except SceneError as error:
        check_clean(error.faults, text)
    assert time.perf_counter() - start < LONGEST_S


def try_mapping(seed):
    mapping = damaged_mapping(random.Random(seed))
    start = time.perf_counter()
    try:
        assert isinstance(parse_scene(mapping, FOLDER), Scene)
    except SceneError as error:
        check_clean(error.faults, None)
    assert time.perf_counter() - start < LONGEST_S


def try_setting(seed):
    rng = random.Random(seed)
    scene = parse_scene(rng.choice(TEXTS), FOLDER)
    root = rng.choice(
        ["machine", "pose", "probe", "physics", "seed", "solids", "tissues", "coupling", "phantom", "x"]
    )
    names = [solid.name for solid in scene.phantom.solids] + [
        "water",
        "focus_mm",
        "gain_db",
        "solids",
        "noise",
        "",
    ]
    keys = [
        "radius_mm",
        "tissue",
        "surface.wave_mm",
        "speed_m_s",
        "cap.radius_mm",
        "like",
        "",
        "..",
        "texture.octaves",
    ]
    path = ".".join([root, rng.choice(names), rng.choice(keys)][: rng.randint(1, 3)])
    try:
        assert isinstance(scene.with_settings({path: rng.choice(ODD)}), Scene)
    except SettingError as error:
        assert str(error)
        assert len(str(error).splitlines()) == 1
        assert not LEAKS.search(re.sub(r"'[^']*'", "", str(error)))


ATTEMPTS = {"text": try_text, "mapping": try_mapping, "setting": try_setting}


@pytest.mark.parametrize("kind", ATTEMPTS)
def test_damaged_scenes(kind):
    for seed in range(200):
        ATTEMPTS[kind](seed)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ATTEMPTS)
def test_many_damaged_scenes(kind):
    for seed in range(1000, 3000):
        ATTEMPTS[kind](seed)


def test_damage_is_felt():
    """The injuries are real: most damaged scenes are refused, and some still pass."""
    refused = 0
    for seed in range(200):
        try:
            parse_scene(damaged_text(random.Random(seed)), FOLDER)
        except SceneError:
            refused += 1

    assert 100 < refused < 200
