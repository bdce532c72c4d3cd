"""Switching a part of the physics off takes away its effect, and no more."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests import closed_forms as cf
from tests.twins import prism_exit_rad

QUARTER_WAVE_MM = 0.25 * 1.54 / 7.5


def power_of(made):
    """Power of each class (K,), and class names."""
    view, _, _, names = cf.lines_of(made)
    return (np.abs(view.iq) ** 2).sum((1, 2)), names


def wire(x, z, diameter=0.2):
    """A steel wire across the picture plane."""
    return {"name": "wire", "shape": "wire", "from_mm": [x, -20, z], "to_mm": [x, 20, z], "diameter_mm": diameter,
            "tissue": "steel"}  # fmt: skip


def test_no_secondary_classes_without_secondary_paths():
    """A plate that reverberates, mirrors and answers the pulse before: all of it gone, the direct picture kept."""
    plate = {"name": "plate", "shape": "slab", "top_mm": 12, "bottomless": True, "tissue": "acrylic"}
    machine = {"depth_mm": 40, "prf_hz": 14000, "focus_mm": [20]}
    clear = {"clear": {"like": "gelatine", "attenuation_db_cm_mhz": 0.1}}
    scenes = [
        cf.scene([plate], tissues=clear, background="clear", machine=machine, physics={"secondary": on})
        for on in (True, False)
    ]
    (on, names), (off, _) = (power_of(made) for made in scenes)
    secondary = [names.index(n) for n in ("multipath", "mirror", "reverberation", "range_ambiguity")]

    assert on[names.index("reverberation")] > 1e-4 * on[0]
    assert on[names.index("mirror")] > 1e-6 * on[0]
    assert (off[secondary] == 0.0).all()
    # Without them nothing is listened to beyond the picture: tables and sheets end earlier, and their steps lie
    # elsewhere (up to 5e-4 of the plate's peak, in places)
    assert off[0] == pytest.approx(on[0], rel=1e-5)


def prisms(**physics):
    """The two prisms before a wire of ``closed_forms.doubling``, with parts of the physics off."""
    rise = 20 * math.tan(math.radians(30.0))
    tissues = {"slow": {"like": "gelatine", "speed_m_s": 1450, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1},
               "fast": {"like": "gelatine", "speed_m_s": 1580, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1}}  # fmt: skip
    left = [[-20, 20], [-20, 20 - rise], [0, 20]]
    right = [[-x, z] for x, z in left][::-1]
    solids = [{"name": n, "shape": "prism", "outline_mm": o, "y_mm": [-30, 30], "tissue": "fast"}
              for n, o in (("left", left), ("right", right))]  # fmt: skip
    machine = {"depth_mm": 95, "focus_mm": [78], "assumed_speed_m_s": 1450, "frequency_mhz": 6, "transmit_f_number": 5,
               "receive_f_number": 5}  # fmt: skip
    return cf.scene([*solids, wire(0, 80)], tissues=tissues, background="slow", machine=machine,
                    physics={**physics, "secondary": False})  # fmt: skip


def profile(made, depth_mm, reach_mm):
    """Strongest level of each line within a range of depths, dB, and the places of the lines."""
    view, level, depth, _ = cf.lines_of(made)
    return view.plan.face_mm, level[0][:, np.abs(depth - depth_mm) < reach_mm].max(1)


def test_a_doubled_wire_is_one_wire_without_refraction_and_speed():
    """Two copies 6 mm apart with both; one, in the middle, without.

    Place within half a beam width (0.55 mm, as in the closed form of the doubling).
    """
    x, level = profile(prisms(), 79.5, 2.0)
    middle = level[np.abs(x) < 0.5].max()
    for side in (x < -1.5, x > 1.5):
        assert level[side].max() > middle + 6.0
    assert_one_wire(prisms(refraction=False, speed=False))


def assert_one_wire(made):
    """A wire in the middle, and nothing like it beside."""
    x, level = profile(made, 79.5, 2.0)
    assert abs(x[level.argmax()]) < 0.55
    assert level[np.abs(x) > 2.2].max() < level.max() - 20.0


def test_a_doubled_wire_is_one_wire_without_refraction():
    """Refraction alone switched off undoes the doubling."""
    assert_one_wire(prisms(refraction=False))


def behind_a_wedge(**physics):
    """Place of a wire at x = 0, 28 mm below a wide wedge of a faster tissue, and where Snell has it."""
    tissues = {"fast": {"like": "gelatine", "speed_m_s": 1750, "density_kg_m3": 915}}
    tilt = math.radians(11.0)
    outline = [[-25, 22], [-25, 22 - 50 * math.tan(tilt)], [25, 22]]
    wedge = {"name": "wedge", "shape": "prism", "outline_mm": outline, "y_mm": [-40, 40], "tissue": "fast"}
    made = cf.scene([wedge, wire(0, 50)], tissues=tissues, machine={"depth_mm": 58, "focus_mm": [48]},
                    physics={**physics, "secondary": False})  # fmt: skip
    x, level = profile(made, 49.6, 1.2)
    power = np.where(level > level.max() - 6, 10 ** (level / 10), 0.0)
    # Bent towards the thin edge (right): the line that reaches the wire starts left of it
    inside = math.asin(1.75 / 1.54 * math.sin(tilt)) - tilt
    exit_rad = -prism_exit_rad(-tilt, 1.54, 1.75, 1.54)
    thickness = (25 + 28 * math.tan(exit_rad)) * math.tan(tilt)
    return float((x * power).sum() / power.sum()), -28 * math.tan(exit_rad) - thickness * math.tan(inside)


def test_a_wire_behind_a_wedge_is_displaced():
    """Shown L tan(phi) aside and a little for the way inside (Snell).

    0.15 mm: a seventh of a beam width (1 mm).
    """
    got, want = behind_a_wedge()
    assert want < -0.5
    assert got == pytest.approx(want, abs=0.15)


def test_a_wire_behind_a_wedge_goes_back_without_refraction_and_speed():
    """In its own place: 0.1 mm, a tenth of a beam width."""
    assert behind_a_wedge(refraction=False, speed=False)[0] == pytest.approx(0.0, abs=0.1)


def test_a_wire_behind_a_wedge_goes_back_without_refraction():
    """Refraction alone switched off puts the wire back."""
    assert behind_a_wedge(refraction=False)[0] == pytest.approx(0.0, abs=0.1)


def test_speed_error_goes_without_speed():
    """Under 20 mm of lard a plate shows 1.17 mm too deep (range equation); without speeds where it is."""
    lard = {
        "name": "lard",
        "shape": "box",
        "centre_mm": [0, 0, 15],
        "size_mm": [60, 80, 20],
        "tissue": "lard",
    }
    line = {"name": "line", "shape": "slab", "top_mm": 40, "bottomless": True, "tissue": "acrylic"}
    depths = {}
    for on in (True, False):
        made = cf.scene([lard, line], physics={"speed": on, "secondary": False})
        depths[on] = cf.peak(made, "direct", 40.6, reach_mm=1.5)[1]
    speed = dict(made.phantom.materials)["lard"].speed_mm_per_us

    assert depths[True] == pytest.approx(20 + 20 * 1.54 / speed, abs=QUARTER_WAVE_MM)
    assert depths[False] == pytest.approx(40.0, abs=QUARTER_WAVE_MM)


def test_enhancement_goes_without_attenuation():
    """Behind 20 mm of fluid tissue is brighter by the band integral; without differences of loss it is as beside.

    0.35 dB: three standard errors of the mean intensity (see the enhancement in ``test_physics``).
    """
    fluid = {"fluid": {"like": "gelatine", "attenuation_db_cm_mhz": 0.1, "backscatter_db": 0}}
    box = {
        "name": "body",
        "shape": "box",
        "centre_mm": [0, 0, 20],
        "size_mm": [60, 80, 20],
        "tissue": "fluid",
    }
    x = 2 * cf.NP_PER_CM_MHZ * np.array([0.5 * 3.6, 0.5 * 1.6 + 0.1 * 2.0])
    want = cf.band_loss_db(float(x[1])) - cf.band_loss_db(float(x[0]))
    plain = cf.mean_level(cf.scene([], physics={"secondary": False}), (-12, 12), (34, 38))
    got = {
        on: cf.mean_level(
            cf.scene([box], tissues=fluid, physics={"attenuation": on, "secondary": False}),
            (-12, 12),
            (34, 38),
        )
        for on in (True, False)
    }

    assert got[True] - plain == pytest.approx(want, abs=0.35)
    assert got[False] - plain == pytest.approx(0.0, abs=0.05)


def test_equal_level_at_every_depth_without_attenuation():
    """A lossless gel under the slope that fits none: level falls nowhere; with loss as the integral says.

    Without differences of loss a layered phantom is the even one: 0.5 dB, as for the reference tissue.
    """
    layers = [{"name": f"layer {i}", "shape": "slab", "top_mm": 8 + 9 * i, "thickness_mm": 9, "tissue": t}
              for i, t in enumerate(("thin", "thick", "thin", "thick"))]  # fmt: skip
    tissues = {
        "thin": {"like": "gelatine", "attenuation_db_cm_mhz": 0.1},
        "thick": {"like": "gelatine", "attenuation_db_cm_mhz": 1.2},
    }
    made = cf.scene(layers, tissues=tissues, physics={"attenuation": False, "secondary": False})
    lossy = cf.scene(layers, tissues=tissues, physics={"secondary": False})
    for z in (12, 21, 30, 39):
        assert cf.mean_level(made, (-15, 15), (z - 2, z + 2)) == pytest.approx(-38.0, abs=0.5)
    # With the loss on, by the band integral through the layers against the even loss that the slope fits. 1 dB: 0.5
    # dB for the speckle of a millimetre's window, the rest for the beam of the band that has drifted down.
    windows = ((19, 23), (24.9, 25.9))
    levels = [cf.mean_level(lossy, (-15, 15), window) for window in windows]
    want = [
        10 * np.log10(np.mean([10 ** (layered_db(z) / 10) for z in np.linspace(*window, 41)]))
        for window in windows
    ]
    assert levels[0] - levels[1] == pytest.approx(want[0] - want[1], abs=1.0)
    assert want[0] - want[1] > 3.0


def layered_db(depth_mm):
    """Level in the layers of the test above re the even reference tissue, by the band integral."""
    ends, alphas = (0, 8, 17, 26, 35, 44), (0.5, 0.1, 1.2, 0.1, 1.2)
    ways = [
        (min(depth_mm, b) - a, alpha)
        for a, b, alpha in zip(ends, ends[1:], alphas, strict=False)
        if depth_mm > a
    ]
    nepers = sum(2 * way / 10 * alpha for way, alpha in ways) * cf.NP_PER_CM_MHZ
    return cf.band_loss_db(nepers) - cf.band_loss_db(2 * 0.5 * depth_mm / 10 * cf.NP_PER_CM_MHZ)
