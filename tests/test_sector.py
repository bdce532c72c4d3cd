"""Sector probes against geometry and the direct element sum, and the probes that scenes name."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import renderer
from renderer.flow import trace_job
from renderer.measure.widths import width_at
from renderer.scene.probe_presets import PRESETS
from renderer.trace import direct
from renderer.trace.echoes import start_view
from tests import closed_forms as cf
from tests.engine_beams import peaks, twins_of
from tests.twins import element_sum_profile

SECTOR = {"kind": "sector", "elements": 64, "pitch_mm": 0.27, "frequency_mhz": 2.8, "bandwidth_percent": 70,
          "height_mm": 13, "lens_focus_mm": 75, "sector_deg": 80}  # fmt: skip
ANGLES_DEG = (-34.0, -20.0, 0.0, 12.0, 27.0, 36.0)
STILL = {"still": {"like": "gelatine", "backscatter_db": "none"}}


def wire(name, range_mm, angle_deg):
    """A thin wire across the picture at a range and an angle from the middle of the face."""
    a = math.radians(angle_deg)
    x, z = range_mm * math.sin(a), range_mm * math.cos(a)
    return {
        "name": name,
        "shape": "wire",
        "from_mm": [x, -60, z],
        "to_mm": [x, 60, z],
        "diameter_mm": 0.1,
        "tissue": "steel",
    }


def sector_scene(solids, *, background="still", **machine):
    settings = {"depth_mm": 110, "focus_mm": [70], "transmit_f_number": 4, "lines": 161} | machine
    return cf.scene(solids, tissues=STILL, background=background, probe=SECTOR, machine=settings)


def lines_at(made, angles_rad):
    """Baseband echoes (L, T) of wires and surfaces on lines at given angles, and depth along the lines (T,)."""
    phantom, view = start_view(trace_job(made, 0.0))
    zero = np.zeros(len(angles_rad))
    direction = np.column_stack([np.sin(angles_rad), zero, np.cos(angles_rad)])
    plan = replace(view.plan, line_origin_mm=np.zeros((len(zero), 3)), line_direction=direction, face_mm=zero)
    lines = np.ascontiguousarray(np.hstack([plan.line_origin_mm[:, [0, 2]], direction[:, [0, 2]]]))
    view = replace(view, plan=plan, lines=lines)
    samples = direct.view_samples(view, phantom, 0)
    traced = direct.trace_view(view, phantom, samples, end_us=float(plan.time_us[-1]) + 2.0)
    return direct.shape(view, traced.surface_fine), 0.5 * view.assumed * plan.time_us


def test_lines_leave_one_point_over_the_sector():
    """The plan: all from the middle of the face, evenly in angle, and the picture ends at half the sector each side."""
    frame = renderer.render(sector_scene([], depth_mm=40, focus_mm=[20], lines=40))
    angle = np.degrees(np.arctan2(frame.line_direction[:, 0], frame.line_direction[:, 2]))

    assert (frame.line_origin_mm == 0).all()
    assert angle == pytest.approx(-40 + 2 * (np.arange(40) + 0.5), abs=1e-9)
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    inside = (np.abs(np.degrees(np.arctan2(x, z))) < 40) & (np.hypot(x, z) < 40) & (z > 0)
    # Pixels on the rim, and the few round the tip, may fall on either side
    near = (np.abs(np.abs(np.degrees(np.arctan2(x, z))) - 40) * np.hypot(x, z) < 9) | (
        np.abs(np.hypot(x, z) - 40) < 0.15
    )
    assert (frame.in_view == inside)[~near].all()
    assert np.mean(frame.in_view != inside) < 0.01


def test_wires_are_shown_where_they_are():
    """Brightest pixel by each wire: along the line within 0.15 mm (two pixels of 0.075), across within half a line
    spacing and a pixel. Depth = c t / 2 from the middle of the face: time zero."""
    wires = [wire(f"w{i}", 45 + 11 * i, angle) for i, angle in enumerate(ANGLES_DEG)]
    frame = renderer.render(sector_scene(wires, pixel_mm=0.075, noise_db=-180))
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    level = np.where(frame.in_view, frame.level_db, -np.inf)
    for i, angle_deg in enumerate(ANGLES_DEG):
        r, a = 45 + 11 * i, math.radians(angle_deg)
        at = x - r * math.sin(a), z - r * math.cos(a)
        spot = np.where(np.hypot(*at) < 4, level, -np.inf)
        row, column = np.unravel_index(spot.argmax(), spot.shape)
        along = at[0][row, column] * math.sin(a) + at[1][row, column] * math.cos(a)
        across = at[0][row, column] * math.cos(a) - at[1][row, column] * math.sin(a)
        assert abs(along) < 0.15
        assert abs(across) < 0.5 * r * math.radians(80 / 161) + 0.075


def missed(range_mm, angle_deg, reason):
    """A place at which the widths are known to miss, with the reason."""
    return pytest.param(
        range_mm, angle_deg, marks=pytest.mark.xfail(strict=True, raises=AssertionError, reason=reason)
    )


EDGE = "6 to 8 % narrow at -6 dB before the transmit focus: the beamlets smear the Fresnel edge of the even aperture"
DEEP = "11 to 13 % narrow at -20 dB: the band has sunk to 2 MHz, and its lowest tenth is cut off"
TURNED = "6 % narrow at -6 dB: elements are given the directivity of the centre frequency for the whole band"


@pytest.mark.parametrize(
    ("range_mm", "angle_deg"),
    [
        (70.0, 0.0), (95.0, 0.0), (70.0, 18.0), missed(40.0, 0.0, EDGE), missed(40.0, 18.0, EDGE), missed(40.0, 35.0, EDGE),
        missed(95.0, 18.0, DEEP), missed(95.0, 35.0, DEEP), missed(70.0, 35.0, TURNED),
    ],
)  # fmt: skip
def test_width_of_a_wire_is_that_of_the_element_sum(range_mm, angle_deg):
    """Angular profile of a wire, line by line, against the direct sum over the elements with each line's delays.

    5 % at -6 dB and 10 % at -20 dB, as for linear and convex arrays (test_wires.py), which miss for the same reasons.
    """
    made = sector_scene([wire("w", range_mm, angle_deg)])
    here = math.radians(angle_deg)
    wave = 1.54 / 2.8
    reach = (2.4 * wave * max(2.0, range_mm / 17.28) + abs(range_mm - 70) / 9) / range_mm / math.cos(here)
    angles = here + np.linspace(-reach, reach, 41)
    iq, depth = lines_at(made, angles)
    got = peaks(iq, depth, np.full(41, range_mm))
    array, line = twins_of(made, n_sub=3)
    point = np.array([[range_mm * math.sin(here), 0.0, range_mm * math.cos(here)]])
    alpha = dict(made.phantom.materials)["still"].attenuation_db_cm_mhz
    want = np.array([
        element_sum_profile(array, replace(line, steer_rad=a), point, 2.8, 0.7, alpha_db_cm_mhz=alpha, n_frequencies=21)[0]
        for a in angles
    ])  # fmt: skip
    levels = [20 * np.log10(np.maximum(a / a.max(), 1e-6)) for a in (got, want)]
    for drop, share in ((20 * math.log10(2), 0.05), (20.0, 0.10)):
        measured, summed = (width_at(angles, level, drop).width for level in levels)
        assert measured == pytest.approx(summed, rel=share)


def test_a_steered_line_hears_less():
    """A wire at the same range and at a larger angle is weaker, as its elements turn away from it: by the two-way
    directivity of an element, sinc^2(pitch sin t / wavelength), and the aperture that shrinks with the cosine.
    Held to the element sum, within 1.5 dB."""
    level, summed = [], []
    for angle_deg in (0.0, 20.0, 38.0):
        made = sector_scene([wire("w", 70, angle_deg)])
        here = math.radians(angle_deg)
        iq, depth = lines_at(made, np.array([here]))
        level.append(20 * math.log10(peaks(iq, depth, np.array([70.0]))[0]))
        array, line = twins_of(made, n_sub=3)
        point = np.array([[70 * math.sin(here), 0.0, 70 * math.cos(here)]])
        beam = element_sum_profile(
            array, replace(line, steer_rad=here), point, 2.8, 0.7, alpha_db_cm_mhz=0.5, n_frequencies=21
        )
        summed.append(20 * math.log10(beam[0]))
    assert level[0] > level[1] > level[2]
    assert np.diff(level) == pytest.approx(np.diff(summed), abs=1.5)


def test_left_is_the_mirror_of_right():
    """Wires at mirrored places are heard alike: 1e-3 of the strongest, single precision and the order of sums."""
    angles = np.radians(np.linspace(-39, 39, 41))
    left, _ = lines_at(sector_scene([wire("w", 60, -25), wire("v", 80, 10)]), angles)
    right, _ = lines_at(sector_scene([wire("w", 60, 25), wire("v", 80, -10)]), angles)

    assert np.abs(np.abs(left) - np.abs(right[::-1])).max() < 1e-3 * np.abs(left).max()


def test_truth_of_a_sector_is_geometry():
    """Region at each pixel's centre; and seen where it is, in one speed throughout, but within half a line of a border."""
    body = {
        "name": "body",
        "shape": "tube",
        "from_mm": [20, -40, 60],
        "to_mm": [20, 40, 60],
        "radius_mm": 9,
        "tissue": "fluid",
    }
    tissues = {"fluid": {"like": "gelatine", "backscatter_db": "none"}}
    made = cf.scene(
        [body], tissues=tissues, probe=SECTOR, machine={"depth_mm": 100, "focus_mm": [60], "lines": 161}
    )
    frame = renderer.render(made)
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    away = np.hypot(x - 20, z - 60) - 9
    view = frame.in_view

    assert ((frame.truth.there == 1) == (away < 0))[view].all()
    sure = view & (np.abs(away) > 0.5 * np.radians(80 / 161) * 100 + 0.3)
    assert ((frame.truth.seen == 1) == (away < 0))[sure].all()
    inside, around = view & (away < -2.5), view & (away > 3) & (away < 9)
    assert frame.level_db[inside].mean() < frame.level_db[around].mean() - 20


def test_reference_tissue_sits_at_its_level_straight_ahead():
    """Mean -38 dB re full scale near the middle line at every depth (the factory curve is traced there); towards the
    edges it falls, and by less than 6 dB. Mean power over 10 degrees and 20 mm: some 200 cells, 0.3 dB; limit 1 dB."""
    frame = renderer.render(sector_scene([], background="gelatine", noise_db=-180))
    x, z = np.meshgrid(frame.x_mm, frame.z_mm)
    r, a = np.hypot(x, z), np.degrees(np.arctan2(x, z))

    def level(low_mm, low_deg, high_deg):
        on = (
            frame.in_view & (r > low_mm) & (r < low_mm + 20) & (np.abs(a) >= low_deg) & (np.abs(a) < high_deg)
        )
        return 10 * math.log10(np.mean(10 ** (frame.level_db[on] / 10)))

    for low_mm in (20, 40, 60, 80):
        assert level(low_mm, 0, 8) == pytest.approx(-38, abs=1.0)
        assert -6 < level(low_mm, 32, 39) - level(low_mm, 0, 8) < 0.5


def test_a_plate_answers_on_the_line_that_meets_it_square_on():
    """A slab tilted by 18 degrees: its strongest echo lies on the line at that angle, at the distance of the plane from
    the middle of the face (geometry); half a line spacing, and 0.15 mm of depth."""
    tilt = math.radians(18)
    plate = {
        "name": "p",
        "shape": "slab",
        "top_mm": 60 / math.cos(tilt),
        "thickness_mm": 30,
        "tilt_deg": 18,
        "tissue": "steel",
    }
    made = sector_scene([plate])
    # Positive tilt lowers the right side: the normal from the face points to the left
    angles = np.radians(np.linspace(-30, 30, 241))
    iq, depth = lines_at(made, angles)
    line, at = np.unravel_index(np.abs(iq).argmax(), iq.shape)

    assert angles[line] == pytest.approx(-tilt, abs=math.radians(0.5))
    assert depth[at] == pytest.approx(60, abs=0.15)


def test_reverberation_is_heard_on_every_line():
    """A plate square on to the middle line: at twice its depth (0.35 mm: half a pulse, and the plate's own thickness
    behind it) on all lines that meet it nearly so, and by turns weaker to both sides.

    The border of the coupling lies in the face, and rounding must not decide which of them an echo meets first.
    """
    plate = {
        "name": "p",
        "shape": "box",
        "centre_mm": [0, 0, 40.5],
        "size_mm": [40, 60, 1],
        "tissue": "acrylic",
    }
    made = sector_scene([plate], focus_mm=[80], lines=160)
    view, level, depth, names = cf.lines_of(made)
    near = (depth > 79) & (depth < 83)
    angle = np.degrees(np.arctan2(view.plan.line_direction[:, 0], view.plan.line_direction[:, 2]))
    heard = level[names.index("reverberation")][np.abs(angle) < 5][:, near].max(1)
    middle = len(heard) // 2

    assert np.abs(np.diff(heard)).max() < 6
    assert (np.diff(heard[: middle - 1]) > 0).all()
    assert (np.diff(heard[middle + 1 :]) < 0).all()


# ---- probes by name ------------------------------------------------------------------------------

TEN_LINES = """\
title: A straw in ten lines
phantom:
  background: gelatine
  solids:
    - {name: straw, shape: tube, from_mm: [0, -40, 25], to_mm: [0, 40, 25], radius_mm: 3, tissue: water}
probe: {preset: NAME}
"""


@pytest.mark.parametrize("name", PRESETS)
def test_a_preset_is_all_that_a_scene_needs(name):
    scene = renderer.parse_scene(TEN_LINES.replace("NAME", name))
    preset = PRESETS[name]

    assert scene.probe.kind == preset.probe["kind"]
    assert scene.scan.depth_mm == preset.machine["depth_mm"]
    assert scene.scan.focus_mm == (preset.machine["depth_mm"] / 2,)
    # Lateral lobes: elements at most a wavelength apart, and half of one where lines are steered far (textbook: sin t =
    # wavelength / pitch - sin t_steer; e.g. Szabo, Diagnostic Ultrasound Imaging, from memory)
    wave = 1.54 / preset.probe["frequency_mhz"]
    assert preset.probe["pitch_mm"] <= (0.5 if preset.probe["kind"] == "sector" else 1.31) * wave


def test_what_a_scene_says_goes_before_its_preset():
    text = TEN_LINES.replace(
        "{preset: NAME}", "{preset: deep convex, radius_mm: 50}\nmachine: {depth_mm: 100, focus_mm: 70}"
    )
    scene = renderer.parse_scene(text)
    settings = {
        "probe.preset": "shallow linear",
        "probe.radius_mm": None,
        "machine.depth_mm": None,
        "machine.focus_mm": None,
    }
    other = scene.with_settings(settings)

    assert (scene.probe.radius_mm, scene.scan.depth_mm, scene.scan.focus_mm) == (50.0, 100.0, (70.0,))
    assert other.digest == renderer.parse_scene(TEN_LINES.replace("NAME", "shallow linear")).digest
    assert dict(scene.tree["probe"]) == {"preset": "deep convex", "radius_mm": 50}


@pytest.mark.parametrize("name", PRESETS)
def test_a_preset_is_its_keys_written_out(name):
    """Two ways to say it, one picture (sector and linear probes are traced with fewer lines here, for speed)."""
    preset = PRESETS[name]
    tree = {
        "title": "t", "phantom": {"background": "gelatine", "solids": []}, "probe": {"preset": name}, "machine": {"lines": 24},
    }  # fmt: skip
    long = tree | {"probe": preset.probe, "machine": preset.machine | {"lines": 24}}
    a, b = renderer.render(renderer.parse_scene(tree)), renderer.render(renderer.parse_scene(long))

    assert (a.image == b.image).all()
    assert a.image[a.in_view].std() > 5
