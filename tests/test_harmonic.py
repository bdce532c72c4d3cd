"""Harmonic pictures: sent at one frequency, heard at twice that."""

from __future__ import annotations

import numpy as np
import pytest

from renderer.flow import receive_settings
from renderer.measure.widths import width_at
from tests import closed_forms as cf
from tests.engine_beams import peaks, surface_lines, twins_of
from tests.test_wires import HALF_DB, wire_scene
from tests.twins import one_way, ways_mm

SENT = 5.0


def harmonic_sum(made, face, depth_mm, *, n_frequencies=31):
    """Peak of a wire's harmonic echo on lines along the face, (L,): sent field squared at f / 2 times heard field at f.

    Directly over the elements, for each frequency of the band. A square has grown with the distance, and a beam that
    spreads in one plane has an amplitude that goes with the root of the frequency, its square with the frequency.
    """
    wire = np.stack([-face, 0 * face, 0 * face + depth_mm], axis=1)
    array, line = twins_of(made, n_sub=3)
    alpha = dict(made.phantom.materials)["still"].attenuation_db_cm_mhz
    scan = made.scan
    sd = made.probe.frequency_mhz * made.probe.bandwidth / np.sqrt(8 * np.log(2))
    frequency = scan.frequency_mhz + np.linspace(-3, 3, n_frequencies) * sd
    spectrum = np.exp(-0.5 * ((frequency - scan.frequency_mhz) / sd) ** 2)
    way = ways_mm(array, line, wire)
    time = 2 * way[:, None] / 1.54 + np.linspace(-0.5, 0.5, 41) / sd
    total = 0
    for f, s in zip(frequency, spectrum, strict=True):
        if f < 0.5:
            continue
        medium = {"speed": 1.54, "alpha_db_cm_mhz": alpha}
        sent = one_way(array, line, line.transmit_f_number, line.focus_mm, wire, 0.5 * f, **medium)
        heard = one_way(array, line, line.receive_f_number, way, wire, f, shape=line.receive_window, **medium)
        beam = s * np.sqrt(f) * way * sent**2 * heard
        total = total + beam[:, None] * np.exp(2j * np.pi * (f - scan.frequency_mhz) * time)
    return np.abs(total).max(axis=1)


def harmonic_scene(depth_mm, *, harmonic=True, **machine):
    """A wire under the middle line in still tissue."""
    settings = {"harmonic": harmonic, "frequency_mhz": SENT, "receive_f_number": 3, "depth_mm": 45, **machine}
    return wire_scene({**cf.PROBE, "bandwidth_percent": 70}, 25, (depth_mm,), 0, alpha=0.3, **settings)


def profile(made, depth_mm, n=61, reach=2.6):
    face = np.linspace(-reach, reach, n)
    iq, depth = surface_lines(made, face)
    return face, peaks(iq, depth, np.hypot(depth_mm, face)), harmonic_sum(made, face, depth_mm)


BEFORE_FOCUS = (
    "8.2 % narrow at -6 dB: the smeared Fresnel edge of the even aperture (see test_wires), squared"
)


@pytest.mark.parametrize(
    "depth_mm",
    [
        pytest.param(15, marks=pytest.mark.xfail(strict=True, raises=AssertionError, reason=BEFORE_FOCUS)),
        25,
        35,
    ],
)
def test_width_against_a_direct_sum(depth_mm):
    """Two-way width at -6 dB within 8 % and at -20 dB within 12 % of the direct sum.

    The square doubles what the smear of the beamlets does to the sent field (see ``test_wires``).
    """
    face, got, want = profile(harmonic_scene(depth_mm), depth_mm)
    for drop, rel in ((HALF_DB, 0.08), (20.0, 0.12)):
        a, b = (width_at(face, 20 * np.log10(np.maximum(p / p.max(), 1e-6)), drop).width for p in (got, want))
        assert a == pytest.approx(b, rel=rel)


def test_narrower_and_cleaner_than_the_sent_beam():
    """Narrower than a picture at the sent frequency, and lower beside the beam."""
    face, harmonic, _ = profile(harmonic_scene(25), 25)
    iq, depth = surface_lines(harmonic_scene(25, harmonic=False), face)
    plain = peaks(iq, depth, np.hypot(25, face))
    h, p = (20 * np.log10(np.maximum(x / x.max(), 1e-6)) for x in (harmonic, plain))

    assert width_at(face, h, HALF_DB).width < 0.75 * width_at(face, p, HALF_DB).width
    beside = (np.abs(face) > 1.2) & (np.abs(face) < 2.0)
    assert h[beside].max() < p[beside].max() - 6


def test_frequencies():
    """Listens at twice what it sends; where nothing is said it sends at two thirds of the probe's frequency."""
    assert harmonic_scene(25).scan.frequency_mhz == 2 * SENT
    made = cf.scene([], machine={"harmonic": True})
    assert made.scan.frequency_mhz == pytest.approx(2 * 2 / 3 * 7.5)
    plain = cf.scene([])
    assert receive_settings(made).noise_db == receive_settings(plain).noise_db + 15


def test_tissue_keeps_its_level():
    """Reference tissue at -38 dB as always (1.5 dB of speckle in the window), but for the first fifth of the focus."""
    _, level, depth, names = cf.lines_of(cf.scene([], machine={"harmonic": True}, physics={"clutter": False}))
    speckle = 10 ** (level[names.index("direct"), 20:108] / 10)
    for z in (12, 25, 40):
        near = np.abs(depth - z) < 3
        assert 10 * np.log10(speckle[:, near].mean()) == pytest.approx(-38, abs=1.5)
    assert 10 * np.log10(speckle[:, (depth > 0.5) & (depth < 1.5)].mean()) < -41


def test_less_haze_of_layers_near_the_face():
    """Reverberation between face and a layer close to it is weaker, re tissue, than in a plain picture."""
    fat = {"name": "fat", "shape": "slab", "top_mm": 4, "thickness_mm": 3, "tissue": "fat"}
    levels = []
    for harmonic in (False, True):
        made = cf.scene(
            [fat],
            probe={**cf.PROBE, "bandwidth_percent": 70},
            machine={"harmonic": harmonic, "depth_mm": 30, "frequency_mhz": SENT},
        )
        view, level, depth, names = cf.lines_of(made)
        near = (depth > 7.5) & (depth < 11)
        power = [
            10 * np.log10((10 ** (level[names.index(n)][:, near] / 10)).mean())
            for n in ("reverberation", "direct")
        ]
        levels.append(power[0] - power[1])
    assert levels[1] < levels[0] - 6
