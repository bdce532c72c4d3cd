"""Side and grating lobes against the array factor and the direct sum over the elements."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import renderer
from renderer.flow import trace_job
from renderer.trace import direct
from renderer.trace import lobes as lb
from renderer.trace.echoes import start_view
from tests import closed_forms as cf
from tests.engine_beams import peaks, twins_of, view_at
from tests.test_wires import wire_scene
from tests.twins import element_sum_echo, grating_angle_rad, ways_mm

COARSE = {**cf.PROBE, "elements": 96, "pitch_mm": 0.4, "frequency_mhz": 5}


def wire_lines(made, face_mm):
    """All that lines at given places hear of wires: (L, T) complex, grating lobes alone (L, T), and depth."""
    phantom, view = view_at(made, face_mm)
    traced = direct.trace_view(
        view,
        phantom,
        lb.mark_targets(direct.view_samples(view, phantom, 0), phantom),
        end_us=float(view.plan.time_us[-1]) + 2.0,
    )
    lobes = lb.lobe_lines(view, traced)[0]
    whole = direct.shape(view, traced.surface_fine)
    parts = [direct.shape(view, np.ascontiguousarray(lobes[:, k])) for k in range(3)]
    return whole + sum(parts), parts[lb.GRATING], 0.5 * view.assumed * view.plan.time_us


def profiles(made, depth_mm, face, *, n_frequencies=161, reach_us=3.0):
    """Peak on lines at places along the face of a wire at (x under the middle line): renderer and element sum, dB."""
    x = depth_mm * math.tan(made.scan.steer_rad)
    wire = np.stack([x - face, 0 * face, 0 * face + depth_mm], axis=1)
    iq, grating, depth = wire_lines(made, face)
    got = peaks(iq, depth, np.sqrt((wire**2).sum(1)), reach_mm=reach_us)
    array, line = twins_of(made, n_sub=5)
    alpha = dict(made.phantom.materials)["still"].attenuation_db_cm_mhz
    delay = 2 * ways_mm(array, line, wire) / 1.54
    time = delay[:, None] + np.linspace(-reach_us, reach_us, 241)
    echo = element_sum_echo(array, line, wire, made.scan.frequency_mhz, made.probe.bandwidth, time,
                            alpha_db_cm_mhz=alpha, n_frequencies=n_frequencies)  # fmt: skip
    want = np.abs(echo).max(axis=1)
    middle = len(face) // 2
    return (
        20 * np.log10(got / got[middle]), 20 * np.log10(want / want[middle]),
        20 * np.log10(np.abs(grating).max(1) / got[middle] + 1e-12),
    )  # fmt: skip


@pytest.mark.parametrize("steer_deg", [0, 20])
def test_profile_of_a_wire_far_off_the_beam(steer_deg):
    """Out to 14 mm beside a wire, where it is heard above -60 dB of its middle: 1.5 dB rms, 3 dB at -40 dB and above.

    The lobes of the short pulse are a sum of many elements' edges; two descriptions of an element (its directivity,
    or a mean over patches) differ by some tenths of a dB, and the loss is taken as one for all elements.
    """
    made = wire_scene(COARSE, 25, (25,), steer_deg, alpha=0.1, depth_mm=60)
    face = np.linspace(-14, 14, 57)
    got, want, _ = profiles(made, 25, face)
    off = np.abs(face) > 2.0
    heard = off & (want > -60)

    assert heard.sum() >= (4 if steer_deg else 2)
    assert np.sqrt(np.mean((got - want)[heard] ** 2)) < 1.5
    strong = off & (want > -40)
    assert np.abs((got - want)[strong]).max(initial=0.0) < 3.0


@pytest.mark.parametrize("steer_deg", [10, 20])
def test_grating_lobe_angle_and_level(steer_deg):
    """Narrow band: strongest where sin t = sin t_steer - lambda / p, within 1.5 degrees; level as the element sum: 2 dB.

    1.5 degrees: directivity and spreading pull the top of the broad lobe towards the beam.
    """
    probe = {**COARSE, "pitch_mm": 0.6, "bandwidth_percent": 14}
    made = wire_scene(
        probe, 25, (25,), steer_deg, alpha=0.02, transmit_f_number=3, receive_f_number=3, depth_mm=60
    )
    angle = float(grating_angle_rad(0.6, 1.54 / 5, math.radians(steer_deg), order=-1))
    x = 25 * math.tan(math.radians(steer_deg))
    face = x - 25 * math.tan(angle) + np.linspace(-4, 4, 33)
    got, want, grating = profiles(
        made, 25, np.concatenate([face, [0.0], face]), n_frequencies=101, reach_us=6.0
    )
    best = face[grating[:33].argmax()]

    assert math.degrees(math.atan2(x - best, 25)) == pytest.approx(math.degrees(angle), abs=1.5)
    assert got[:33].max() == pytest.approx(want[:33].max(), abs=2.0)


def test_no_grating_lobe_where_an_element_has_its_null():
    """Straight ahead, elements as wide as the pitch have their first null just where the grating lobe would be.

    sin t = lambda / p is the first zero of sinc(p sin t / lambda). What is left stands on both sides of the null: as
    much as in the element sum, 2 dB, and 25 dB below that of a beam steered by 20 degrees.
    """
    probe = {**COARSE, "pitch_mm": 0.6, "bandwidth_percent": 14}
    tops = []
    for steer_deg in (0, 20):
        made = wire_scene(
            probe, 25, (25,), steer_deg, alpha=0.02, transmit_f_number=3, receive_f_number=3, depth_mm=60
        )
        angle = float(grating_angle_rad(0.6, 1.54 / 5, math.radians(steer_deg), order=-1))
        face = 25 * (math.tan(math.radians(steer_deg)) - math.tan(angle)) + np.linspace(-4, 4, 33)
        got, want, _ = profiles(
            made, 25, np.concatenate([face, [0.0], face]), n_frequencies=101, reach_us=6.0
        )
        tops.append((got[:33].max(), want[:33].max()))
    assert tops[0][0] == pytest.approx(tops[0][1], abs=2.0)
    assert tops[0][0] < tops[1][0] - 25


# One-way peak side lobes: Harris 1978, Proc IEEE 66:51, table 1 (-13, -32, -43 dB), to two digits by own sums
WINDOWS = {"none": (-13.26, 1.43), "hann": (-31.47, 2.36), "hamming": (-42.68, 4.5)}


@pytest.mark.parametrize("window", list(WINDOWS))
def test_side_lobes_of_apodised_apertures(window):
    """The array factor's peak side lobe, listening with the window and sending from a small aperture.

    The small sender's own fall (sinc^2 of its even aperture) is taken off. 1 dB for the even aperture and 3 dB for
    the windows: a row of Gaussian beamlets is the aperture smeared by its waist, and at -43 dB an error of 0.3 % of
    the aperture counts as 3 dB.
    """
    want_db, place = WINDOWS[window]
    probe = {**cf.PROBE, "elements": 256, "pitch_mm": 0.15, "bandwidth_percent": 8}
    made = wire_scene(
        probe,
        30,
        (30,),
        0,
        alpha=0.01,
        apodisation=window,
        transmit_f_number=20,
        receive_f_number=2.5,
        depth_mm=50,
    )
    unit = 1.54 / 7.5 * 2.5
    face = np.linspace(-9, 9, 145) * unit
    iq, _, depth = wire_lines(made, face)
    level = 20 * np.log10(peaks(iq, depth, np.hypot(30, face)))
    sine = face / np.hypot(30, face)
    level -= 20 * np.log10(np.abs(np.sinc(30 / 20 / (1.54 / 7.5) * sine)) + 1e-3)
    level -= level[len(face) // 2]
    beyond = (
        np.abs(face) > 0.8 * place * unit if window == "hamming" else np.abs(face) > (place - 0.35) * unit
    )
    beyond &= np.abs(face) < (place + 2.5) * unit

    assert level[beyond].max() == pytest.approx(want_db, abs=1.0 if window == "none" else 3.0)


def test_lobes_can_be_switched_off_and_are_classed():
    """A wire beside a cyst: its lobes are side lobes there, and gone with ``physics.lobes`` off."""
    solids = [
        {"name": "cyst", "shape": "ellipsoid", "centre_mm": [0, 0, 25], "radii_mm": [6, 20, 6], "tissue": "water"},
        {"name": "wire", "shape": "wire", "from_mm": [9, -40, 22], "to_mm": [9, 40, 22], "diameter_mm": 0.3, "tissue": "steel"},
    ]  # fmt: skip
    made = cf.scene(solids, physics={"secondary": False, "clutter": False}, machine={"apodisation": "none"})
    off = made.with_settings({"physics.lobes": False})
    view, level, depth, names = cf.lines_of(made)
    line = int(np.argmin(np.abs(view.plan.face_mm - 4.0)))
    at = np.abs(depth - math.hypot(22, 5)) < 1.0
    found = {n: level[names.index(n), line, at].max() for n in ("side_lobe", "grating_lobe")}
    _, without, _, _ = cf.lines_of(off)

    assert max(found.values()) > -75
    assert max(found.values()) > without[names.index("side_lobe"), line, at].max() + 10
    assert not cf.lines_of(off)[0].iq[names.index("grating_lobe")].any()


def test_a_lobe_has_its_source():
    """In fluid the copy's source is the wire, and the words name the lobe."""
    wire = {
        "name": "wire",
        "shape": "wire",
        "from_mm": [8, -40, 20],
        "to_mm": [8, 40, 20],
        "diameter_mm": 0.3,
        "tissue": "steel",
    }
    made = cf.scene([wire], background="water", probe={**COARSE, "bandwidth_percent": 30}, machine={"steer_deg": 20},
                    physics={"secondary": False})  # fmt: skip
    frame = renderer.render(made)
    mask = frame.truth.share["grating_lobe"] > 0.95
    mask &= frame.level_db > -45
    wire_id = next(i for i, region in frame.truth.legend.items() if region.name == "wire")

    assert mask.sum() > 500
    assert (
        frame.truth.source[mask] == wire_id
    ).mean() > 0.99  # not where a line that hears nothing is nearest
    row, column = (int(np.median(i)) for i in np.nonzero(mask))
    told = frame.explain(float(frame.x_mm[column]), float(frame.z_mm[row]))[0]
    assert told["class"] == "grating_lobe"
    assert told["path"] == "face - wire - face, by a grating lobe"


def test_elements_that_are_dead_are_left_out():
    """Half of the elements dead: the sum takes the others alone, each way about half as strong."""
    made = wire_scene(COARSE, 25, (25,), 0)
    half = tuple([1.0] * 48 + [0.0] * 48)
    job = trace_job(made, 0.0)
    sizes = []
    for elements in ((), half):
        phantom, view = start_view(replace(job, elements=elements))
        traced = direct.trace_view(
            view, phantom, lb.mark_targets(direct.view_samples(view, phantom, 0), phantom), end_us=60.0
        )
        sizes.append(np.abs(lb.lobe_lines(view, traced)[0][90]).max())
    assert sizes[1] < 0.05 * sizes[0]


def test_lobes_do_not_move_a_wire_in_the_table():
    """Of two wires at one depth each is listed at its own place, though the lobes of one pass through the other.

    Within a line's spacing (0.3 mm) of where it is.
    """
    wires = [
        {"name": f"wire {x}", "shape": "wire", "from_mm": [x, -20, 30], "to_mm": [x, 20, 30], "diameter_mm": 0.1, "tissue": "steel"}
        for x in (0, 10)
    ]  # fmt: skip
    frame = renderer.render(cf.scene(wires, machine={"depth_mm": 40, "focus_mm": [30]}))
    rows = {e.solid: e.displayed_mm for e in frame.echoes if e.origin_class == "direct" and "wire" in e.solid}

    assert set(rows) == {"wire 0", "wire 10"}
    for x in (0, 10):
        assert rows[f"wire {x}"] == pytest.approx((x, 30.0), abs=0.3)
