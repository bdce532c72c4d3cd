"""What an uneven tissue does on the way: delays right under the probe, and loss that varies from place to place."""

from __future__ import annotations

import math

import numpy as np
import pytest

import renderer
from renderer.flow import trace_job
from renderer.tissue.hashing import value_noise
from renderer.trace import direct
from renderer.trace import tables as tb
from renderer.trace.echoes import start_view
from renderer.trace.sheets import N_SAMPLE
from renderer.trace.uneven_loss import FINER, STREAM, with_uneven_loss

F_MHZ = 5.0
LOSSY = {"like": "gelatine", "attenuation_db_cm_mhz": 0.8}


def block(*, phantom=None, tissue=None, **parts):
    """A block of one tissue under a linear probe of many elements."""
    return renderer.parse_scene({
        "title": "Even or not", "seed": 4,
        "phantom": {"background": "stuff", "tissues": {"stuff": tissue or LOSSY}, **(phantom or {})},
        "probe": {"kind": "linear", "elements": 256, "pitch_mm": 0.25, "frequency_mhz": F_MHZ, "bandwidth_percent": 25,
                  "height_mm": 6, "lens_focus_mm": 40},
        "machine": {"depth_mm": 60, "focus_mm": [40], "lines": 64, "transmit_f_number": 1.5, "receive_f_number": 1.5,
                    "apodisation": "none"},
        **parts,
    })  # fmt: skip


def traced(scene):
    """Job, packed phantom, view and traced lines without surfaces."""
    job = trace_job(scene, 0.0)
    phantom, view = start_view(job)
    end_us = float(view.plan.time_us[-1])
    return job, phantom, view, direct.trace_view(view, phantom, np.zeros((0, N_SAMPLE)), end_us=end_us)


def at_focus(lines):
    """T R on the axis at the focus, (L,) complex, of the lines whose aperture lies on the array."""
    values = []
    for l in range(16, 48):
        nodes = lines.nodes[l, : lines.n_nodes[l]]
        i = int(np.abs(nodes[:, tb.N_S] - 40.0).argmin())
        place = (np.linspace(-1, 1, lines.tables.shape[2]) * nodes[i, tb.N_HALF]) + nodes[i, tb.N_U]
        row = lines.tables[l, i]
        phase = np.exp(-2j * np.pi * F_MHZ * nodes[i, tb.N_TIME])
        axis = np.interp(0.0, place, row.real) + 1j * np.interp(0.0, place, row.imag)
        values.append(axis * phase)
    return np.array(values)


@pytest.mark.parametrize("delay_ns", [10, 20])
def test_uneven_delays_cost_level_at_the_focus(delay_ns):
    """The mean amplitude of a focus behind a phase screen falls by exp(-s^2 / 2) on each way, s = 2 pi f delay.

    Marechal's and Ruze's law, as in Born and Wolf, Principles of Optics (from memory). With N independent patches
    of the screen in the aperture the two ways are not independent; 0.6 dB covers that (N about 9) and the mean over
    lines and seeds (32 and 12 of them). The law is one of the field, so the complex values are averaged.
    """
    plain = at_focus(traced(block())[3]).mean()
    means = []
    for seed in range(12):
        scene = block(phantom={"aberration": {"delay_ns": delay_ns, "length_mm": 3}}, seed=seed)
        means.append(at_focus(traced(scene)[3]).mean())
    wanted_db = -20 * math.log10(math.e) * (2 * math.pi * F_MHZ * delay_ns * 1e-3) ** 2
    assert 20 * math.log10(abs(np.mean(means) / plain)) == pytest.approx(wanted_db, abs=0.6)


def test_delays_stay_in_the_wall():
    """A probe slid by four elements meets the same delays four elements on; without refraction there are none."""
    wall = {"aberration": {"delay_ns": 15, "length_mm": 5}}
    here = traced(block(phantom=wall))[2].settings
    slid = traced(block(phantom=wall, pose={"slide_mm": 1.0}))[2].settings
    assert np.abs(here[-256:]).max() > 0.005
    assert here[-252:] == pytest.approx(slid[-256:-4], abs=1e-12)
    off = traced(block(phantom=wall, physics={"refraction": False}))[2].settings
    assert len(off) == len(here) - 257 - 256


def uneven(spread, **parts):
    """A block with an uneven loss."""
    loss = {"length_mm": 6, "spread_percent": spread}
    return block(tissue={**LOSSY, "texture": {"loss": loss}}, **parts)


def test_uneven_loss_is_the_field_along_the_line():
    """Tables against a plain sum of the field along a line, step by step; 3e-3: steps of the nodes."""
    job, phantom, view, lines = traced(uneven(30))
    changed = with_uneven_loss(view, phantom, dict(job.materials), lines, job.key)
    alpha = 0.8 * F_MHZ / 10 / 8.685889638  # nepers a mm
    g = 0.3 / math.sqrt(2)
    for l in (5, 40):
        n = lines.n_nodes[l]
        s = lines.nodes[l, :n, tb.N_S]
        x = view.lines[l, 0]
        fine = np.arange(0.0, s[-1], 0.02)
        field = [
            math.exp(
                g * value_noise(np.uint64(job.key) + np.uint64(STREAM), x / 6, 0.0, z / 6)
                + g
                * value_noise(np.uint64(job.key) + np.uint64(STREAM + 1), x / 6 / FINER, 0.0, z / 6 / FINER)
                - g * g
            )
            for z in fine
        ]
        extra = np.interp(s, fine, np.cumsum(alpha * (np.array(field) - 1) * 0.02))
        gain = np.abs(changed.tables[l, :n, 20]) / np.abs(lines.tables[l, :n, 20])
        assert -0.5 * np.log(gain)[s < 60] == pytest.approx(extra[s < 60], abs=0.02)
        assert np.abs(extra).max() > 0.05


def test_uneven_loss_keeps_the_mean():
    """Over many lines and seeds the loss is that of the tissue: mean 1 of the field, within three standard errors."""
    extras = []
    for seed in range(12):
        job, phantom, view, lines = traced(uneven(30, seed=seed))
        changed = with_uneven_loss(view, phantom, dict(job.materials), lines, job.key)
        for l in (4, 24, 44, 60):  # more than a length apart
            last = lines.n_nodes[l] - 8
            ratio = np.abs(changed.tables[l, last, 20]) / np.abs(lines.tables[l, last, 20])
            extras.append(-0.5 * math.log(ratio))
    extras = np.array(extras)
    assert extras.std() > 0.05
    assert abs(extras.mean()) < 3 * extras.std() / math.sqrt(len(extras))


def test_uneven_loss_goes_with_the_texture_and_leaves_the_truth():
    """`physics.texture: false` takes it away, and no effect of the truth speaks of it."""
    small = {"machine": {"depth_mm": 30, "focus_mm": [20], "lines": 16}}
    with_it, without = renderer.render(uneven(30, **small)), renderer.render(block(**small))
    off = renderer.render(uneven(30, physics={"texture": False}, **small))
    assert np.array_equal(off.lines, without.lines)
    assert not np.array_equal(with_it.lines, without.lines)
    for name, effect in with_it.truth.effect_db.items():
        assert np.allclose(effect, without.truth.effect_db[name], atol=1e-3, equal_nan=True), name


def test_aberration_can_be_set_like_any_setting():
    """As a whole, or key by key; what is missing or unknown is said."""
    plain = block()
    whole = plain.with_settings({"aberration": {"delay_ns": 30, "length_mm": 8}})
    by_key = plain.with_settings({"aberration.delay_ns": 30, "phantom.aberration.length_mm": 8})
    assert whole.phantom.aberration == by_key.phantom.aberration
    assert whole.phantom.aberration.delay_us == pytest.approx(0.03)
    with pytest.raises(renderer.SettingError, match="aberration.length_mm: is missing"):
        plain.with_settings({"aberration.delay_ns": 3})
    with pytest.raises(renderer.SettingError, match="Did you mean 'delay_ns'"):
        plain.with_settings({"aberration.dely_ns": 3})
