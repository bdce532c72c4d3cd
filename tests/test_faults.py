"""Faults of probe and machine: what each does to the picture, and no more."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer.flow import echoes_of, receive_settings, trace_job
from renderer.probe.faults import MachineFaults, WeakElements, element_strengths, window_mean
from renderer.receive.interference import crosstalk_lines, interference_lines
from tests import closed_forms as cf

QUIET = {"clutter": False, "secondary": False}


def gel(faults, *, solids=(), probe=None, machine=None, **more):
    """A gelatine block on the linear probe, with faults."""
    settings = {"depth_mm": 30, "focus_mm": [20], **(machine or {})}
    return cf.scene(list(solids), probe={**cf.PROBE, **(probe or {})}, machine=settings, faults=faults,
                    physics=QUIET, **more)  # fmt: skip


def level_by_line(made, depth_mm, half_mm=2.0):
    """Mean level of the direct echoes of every line round a depth, dB, (L,)."""
    view, _, depth, names = cf.lines_of(made)
    near = np.abs(depth - depth_mm) < half_mm
    return 10 * np.log10((np.abs(view.iq[names.index("direct")][:, near]) ** 2).mean(1) + 1e-30)


def test_a_sound_probe_has_no_strengths():
    made = gel({})
    assert element_strengths(made.probe, made.faults, 0, 1) == ()
    assert made.faults == MachineFaults()


def test_strengths_of_elements():
    """Each fault takes the elements that it names: numbers from 1 at the left, channels in turn."""
    made = gel({"dead_elements": [1, 128], "weak_elements": [{"first": 10, "last": 12, "loss_db": 20}],
                "lost_channels": {"first": 2, "last": 3}, "air_gap": [{"from_mm": 18.0, "to_mm": 18.5}]},
               probe={"channels": 64})  # fmt: skip
    s = np.array(element_strengths(made.probe, made.faults, 0, 1))

    assert np.flatnonzero(s == 0).tolist() == [0, 1, 2, 65, 66, 124, 125, 127]
    assert s[9:12] == pytest.approx(0.1)
    assert (np.delete(s, [0, 1, 2, 9, 10, 11, 65, 66, 124, 125, 127]) == 1).all()


def test_weak_elements_darken_lines_as_the_closed_form_says():
    """Level of speckle under a weak group against the mean strength of both apertures: 1.5 dB.

    Right at the transmit focus, where all elements add up in phase. 1.5 dB: speckle of 4 mm on one line has some 25
    cells, on the nine lines of the mean some 60 independent ones, 0.6 dB; the rest is that a dip in the aperture
    also widens the beam, which the mean strength at the focus does not tell.
    """
    weak = gel({"weak_elements": [{"first": 60, "last": 69, "loss_db": 30}]})
    middle = slice(60, 69)
    drop = level_by_line(weak, 20.0) - level_by_line(gel({}), 20.0)
    view, _, depth, _ = cf.lines_of(weak)
    told = view.fault_db[:, np.argmin(np.abs(depth - 20.0))]

    assert drop[middle].mean() == pytest.approx(told[middle].mean(), abs=1.5)
    assert told[middle].mean() < -6
    assert np.abs(drop[:20]).max() < 1e-3  # whose aperture does not reach the group
    assert np.abs(told[:20]).max() < 1e-9


def test_dead_elements_are_darkest_at_the_face():
    """A streak that fades with depth, as the aperture grows past it (common practice, no source)."""
    dead = gel({"dead_elements": list(range(60, 68))})
    drop = [
        (level_by_line(dead, z, 1.0) - level_by_line(gel({}), z, 1.0))[61:66].mean()
        for z in (4.0, 10.0, 25.0)
    ]
    assert drop[0] < drop[1] - 6 < drop[2] - 8
    assert drop[2] < -1


def test_effect_and_its_mask():
    frame = renderer.render(gel({"dead_elements": list(range(60, 68))}))
    mask = frame.truth.mask("fault")
    near = np.abs(frame.x_mm) < 0.5

    assert mask[np.ix_((frame.z_mm > 2) & (frame.z_mm < 5), near)].all()
    assert not mask[:, np.abs(frame.x_mm) > 12].any()


def test_mean_over_an_aperture_is_a_plain_mean_for_whole_elements():
    probe = gel({}).probe
    strength = np.arange(128.0)
    mean = window_mean(strength, probe, np.array([0.0]), np.array([0.6]), np.array(0.0))
    assert mean[0] == pytest.approx(63.5)


def test_lost_sensitivity_lowers_echoes_and_not_the_noise():
    a, b = (receive_settings(gel({"sensitivity_db": db})) for db in (0, -12))
    assert (a.output_db - b.output_db, a.noise_db - b.noise_db) == (12, 0)


def test_stuck_slider():
    """The same picture as with the slider set there, whatever it is set to."""
    stuck = gel({"stuck_slider": {"slider": 4, "gain_db": -15}}, machine={"tgc_db": [0, 0, 0, 9, 0, 0, 0, 0]})
    put = gel({}, machine={"tgc_db": [0, 0, 0, -15, 0, 0, 0, 0]})
    assert (renderer.render(stuck).image == renderer.render(put).image).all()


def test_a_lost_line_is_black_and_alone():
    sound, lost = renderer.render(gel({})), renderer.render(gel({"lost_lines": [50]}))
    column = int(
        np.argmin(np.abs(lost.x_mm - (49.5 - 64) * 0.3))
    )  # the pixel may lie a twentieth of a line beside
    far = np.abs(lost.x_mm - lost.x_mm[column]) > 1.0

    assert np.nanmedian(lost.level_db[:, column] - sound.level_db[:, column]) < -15
    assert (lost.image[:, far] == sound.image[:, far]).all()


def test_loose_cable_flickers_and_comes_again():
    """Other wires are open in each frame; the same frame of the same seed has the same ones."""
    made = gel({"loose_cable": {"first": 40, "last": 90, "open_chance": 0.5}})
    sets = [trace_job(made, 0.0, number).elements for number in (0, 1, 0)]

    assert sets[0] == sets[2] != sets[1]
    open_share = np.mean(np.array([trace_job(made, 0.0, n).elements for n in range(20)])[:, 39:90] == 0)
    assert open_share == pytest.approx(0.5, abs=0.06)  # four standard deviations of 1020 draws
    assert (np.array(sets[0])[:39] == 1).all()


def test_steady_interference_has_its_level_in_the_band():
    """A source at the centre is heard at its level, one a standard deviation beside it at exp(-1/2)."""
    time, start = np.arange(600) * 0.06, np.arange(4) * 70.0
    for off, want_db in ((0.0, -60.0), (1.9, -60.0 - 4.343)):
        lines = interference_lines(
            time, start, frequency_mhz=7.5 + off, level_db=-60.0, burst_us=None, every_us=None, centre_mhz=7.5,
            sigma_mhz=1.9,
        )  # fmt: skip
        middle = 20 * np.log10(np.abs(lines[:, 100:500]))
        assert middle == pytest.approx(np.full_like(middle, want_db), abs=0.05)


def test_bursts_come_at_their_period_and_drift():
    """Bursts 13 us apart, in lines that begin 70 us apart (5.38 periods): each begins where the clock says."""
    time, start = np.arange(900) * 0.06, np.arange(3) * 70.0
    lines = interference_lines(
        time,
        start,
        frequency_mhz=7.5,
        level_db=0.0,
        burst_us=2.0,
        every_us=13.0,
        centre_mhz=7.5,
        sigma_mhz=1.9,
    )
    for line, begin in zip(np.abs(lines), start, strict=True):
        rises = time[np.flatnonzero((line[1:] >= 0.5) & (line[:-1] < 0.5))]
        phase = (rises + begin) % 13.0
        away = np.minimum(phase, 13.0 - phase)
        assert len(rises) >= 3
        assert away[1:].max() < 0.12  # two samples


def test_interference_is_a_class_of_its_own_and_knows_no_output():
    source = {"interference": {"frequency_mhz": 7.5, "level_db": -70}}
    loud, soft = (renderer.render(gel(source, machine={"output_db": db})) for db in (0, -20))
    change = soft.truth.share["interference"] / (1 - soft.truth.share["interference"])
    before = loud.truth.share["interference"] / (1 - loud.truth.share["interference"])
    inside = (loud.z_mm > 12) & (loud.z_mm < 28)
    ratio = 10 * np.log10(np.median((change / before)[inside]))

    assert ratio == pytest.approx(20, abs=0.5)  # echoes fell by 20 dB, the source did not
    clean = renderer.render(gel(source), without=["interference"])
    assert (clean.image == renderer.render(gel({})).image).all()


def test_crosstalk_runs_aside_at_its_speed_and_level():
    """One echo on one line: on the n-th beside it, n gaps later at the speed, falling by exp(-gap / reach) a gap."""
    iq = np.zeros((41, 400), np.complex64)
    t = np.arange(400) * 0.06
    iq[20] = np.exp(-0.5 * ((t - 8.0) / 0.1) ** 2)
    leaked = crosstalk_lines(iq, 0.3, 0.06, level_db=-30, reach_mm=4, speed_mm_per_us=1.0, centre_mhz=7.5)
    for n in (1, 5, 12):
        for line in (20 - n, 20 + n):
            size = np.abs(leaked[line])
            assert t[size.argmax()] == pytest.approx(8.0 + 0.3 * n, abs=0.06)
            want = -30 - 8.686 * 0.3 / 4 * (n - 1)
            assert 20 * math.log10(size.max()) == pytest.approx(want, abs=0.6)  # a peak between two samples
    assert np.abs(leaked[20]).max() < 1e-5


def test_classes_of_faults_add_up():
    faults = {"interference": {"frequency_mhz": 7}, "crosstalk": {}, "dead_elements": [5, 70]}
    frame = renderer.render(gel(faults))
    total = sum(frame.truth.share.values())
    assert total[frame.in_view] == pytest.approx(1, abs=1e-5)
    assert np.nanmax(frame.truth.share["crosstalk"]) > 0


def test_refocusing_keeps_faults():
    """Echoes are kept from change to change by all that they depend on, faults included."""
    a, b = gel({"dead_elements": [64]}), gel({})
    assert echoes_of(trace_job(a, 0.0)) is not echoes_of(trace_job(b, 0.0))
    assert WeakElements(1, 2, 3.0) == WeakElements(1, 2, 3.0)
