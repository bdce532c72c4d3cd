"""Random scenes: whatever is described, a picture comes out, with truth that fits it."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import renderer

TISSUES = [
    "fat",
    "water",
    "liver",
    "muscle",
    "stone",
    "steel",
    "air",
    "bone",
    "cyst fluid",
    "acrylic",
    "gelatine",
]


def number(low, high):
    """Numbers as people write them: two decimals."""
    return st.floats(low, high).map(lambda v: round(v, 2))


def place(z_low=4.0, z_high=34.0):
    """A point of the phantom under the probe."""
    return st.tuples(number(-12, 12), number(-4, 4), number(z_low, z_high)).map(list)


@st.composite
def solid(draw, name):
    """One solid of any shape."""
    tissue = draw(st.sampled_from(TISSUES))
    kind = draw(
        st.sampled_from(
            [
                "slab",
                "box",
                "ellipsoid",
                "tube",
                "chain",
                "prism",
                "sheet",
                "cap",
                "needle",
                "wire",
                "bead",
                "grains",
            ]
        )
    )
    row = {"name": name, "shape": kind, "tissue": tissue}
    if kind == "slab":
        return row | {
            "top_mm": draw(number(2, 34)),
            "thickness_mm": draw(number(0.2, 10)),
            "tilt_deg": draw(number(-30, 30)),
        }
    if kind == "box":
        turn = draw(st.tuples(number(-40, 40), number(-40, 40), number(-40, 40)).map(list))
        return row | {
            "centre_mm": draw(place()),
            "size_mm": [draw(number(0.5, 20)) for _ in range(3)],
            "rotate_deg": turn,
        }
    if kind == "ellipsoid":
        return row | {"centre_mm": draw(place()), "radii_mm": [draw(number(0.5, 12)) for _ in range(3)]}
    if kind == "tube":
        a, b = draw(place()), draw(place())
        return row | {
            "from_mm": [a[0], -20, a[2]],
            "to_mm": [b[0], 20, b[2]],
            "radius_mm": draw(number(0.4, 5)),
        }
    if kind == "prism":
        x, z, w, h = draw(number(-12, 8)), draw(number(3, 30)), draw(number(1, 12)), draw(number(1, 8))
        return row | {"outline_mm": [[x, z], [x + w, z + 0.3 * h], [x + 0.6 * w, z + h]], "y_mm": [-20, 20],
                      "rounded": draw(st.booleans())}  # fmt: skip
    if kind == "sheet":
        z = draw(number(6, 32))
        return row | {"curve_mm": [[-15, z], [0, z - draw(number(0, 4))], [15, z + 1]], "thickness_mm": draw(number(0.05, 2)),
                      "behind": draw(st.sampled_from(["air", "water", "fat"]))}  # fmt: skip
    if kind == "cap":
        cap = {
            "centre_mm": [0, 0, draw(number(30, 60))],
            "radius_mm": draw(number(10, 25)),
            "half_angle_deg": 50,
        }
        return row | {"shape": "sheet", "cap": cap, "thickness_mm": 0.5}
    if kind == "needle":
        return row | {
            "tip_mm": draw(place()),
            "angle_deg": draw(number(5, 80)),
            "length_mm": 40,
            "diameter_mm": 0.8,
            "bevel_deg": draw(number(0, 75)),
            "hollow": draw(st.booleans()),
        }
    if kind == "chain":
        a, b, c = draw(place()), draw(place()), draw(place())
        points = [[-14, a[1], a[2]], [b[0] / 3, b[1], b[2]], [14, c[1], c[2]]]
        return row | {"points_mm": points, "radius_mm": [draw(number(0.4, 3)) for _ in range(3)]}
    if kind == "grains":
        region = {
            "shape": "ellipsoid",
            "centre_mm": draw(place()),
            "radii_mm": [draw(number(2, 8)) for _ in range(3)],
        }
        return row | {
            "region": region,
            "count": draw(st.integers(1, 40)),
            "diameter_mm": draw(number(0.05, 0.4)),
        }
    if kind == "wire":
        a, b = draw(place()), draw(place())
        return row | {"from_mm": a, "to_mm": [b[0] + 1, b[1] + 9, b[2]], "diameter_mm": 0.1}
    return row | {"at_mm": draw(place()), "diameter_mm": draw(number(0.1, 2))}


@st.composite
def scenes(draw):
    """A small scene: up to five solids, one of two probes, any pose."""
    solids = [draw(solid(f"s{i}")) for i in range(draw(st.integers(0, 5)))]
    probe = draw(st.sampled_from([
        {"kind": "linear", "elements": 64, "pitch_mm": 0.3, "frequency_mhz": 6, "bandwidth_percent": 60, "height_mm": 5,
         "lens_focus_mm": 22},
        {"kind": "convex", "elements": 64, "pitch_mm": 0.45, "radius_mm": 40, "frequency_mhz": 4, "bandwidth_percent": 65,
         "height_mm": 8, "lens_focus_mm": 30},
    ]))  # fmt: skip
    machine = {
        "depth_mm": 38, "focus_mm": draw(st.sampled_from([[18], [10, 28]])), "lines": 24, "pixel_mm": 0.3,
        "steer_deg": draw(st.sampled_from([0, 0, 12])), "prf_hz": draw(st.sampled_from(["auto", 4000, 16000])),
    }  # fmt: skip
    pose = {
        "rock_deg": draw(number(-15, 15)),
        "fan_deg": draw(number(-10, 10)),
        "slide_mm": draw(number(-5, 5)),
    }
    background = draw(st.sampled_from(["gelatine", "gelatine", "liver", "water"]))
    return {"title": "random", "phantom": {"background": background, "solids": solids}, "probe": probe,
            "machine": machine, "pose": pose, "seed": draw(st.integers(0, 99))}  # fmt: skip


def look(tree):
    """Render a scene and hold its picture and truth to what every scene must keep."""
    frame = renderer.render(renderer.parse_scene(tree))
    seen = frame.in_view
    assert seen.any()
    assert np.isfinite(frame.level_db[seen]).all()
    assert np.isnan(frame.level_db[~seen]).all()
    # A perfect mirror square on at the focus lies near +28 dB; caustics may add to that, not without end
    assert np.abs(frame.lines).max() < 10 ** (45 / 20)
    legend = frame.truth.legend
    assert frame.truth.there.shape == frame.image.shape
    assert set(np.unique(frame.truth.there[seen])) <= set(legend)
    assert (frame.truth.there[~seen] == 65535).all()
    assert set(np.unique(frame.truth.seen[seen])) <= {*legend, 65535}
    total = sum(frame.truth.share.values())
    np.testing.assert_allclose(total[seen], 1.0, atol=1e-4)
    for echo in frame.echoes:
        assert np.isfinite(echo.level_db)


COMMON = {
    "deadline": None,
    "derandomize": True,
    "database": None,
    "phases": [Phase.generate],  # a frame takes seconds: shrinking would take hours
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.data_too_large],
}


@settings(max_examples=25, **COMMON)
@given(scenes())
def test_random_scenes(tree):
    """Some random scenes."""
    look(tree)


@pytest.mark.slow
@settings(max_examples=int(os.environ.get("RANDOM_SCENES", "300")), **COMMON)
@given(scenes())
def test_many_random_scenes(tree):
    """Three hundred random scenes, or as many as the environment's RANDOM_SCENES says."""
    look(tree)
