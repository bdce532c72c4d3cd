"""Errors, units and random streams."""

import math
import pickle

import numpy as np
import pytest

from renderer import units
from renderer.errors import Fault, RendererError, SceneError, SettingError, TraceError
from renderer.streams import PURPOSES, Streams


def test_error_tree():
    assert issubclass(SceneError, RendererError)
    assert issubclass(SceneError, ValueError)
    assert issubclass(SettingError, RendererError)
    assert issubclass(SettingError, ValueError)
    assert issubclass(TraceError, RendererError)
    assert issubclass(TraceError, RuntimeError)


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (
            Fault("a.yaml", 14, "probe.elements", "0 is outside 1..1024"),
            "a.yaml:14: probe.elements: 0 is outside 1..1024",
        ),
        (Fault("a.yaml", None, "", "there is no such file"), "a.yaml: there is no such file"),
        (Fault(None, 3, "probe", "is missing"), "line 3: probe: is missing"),
        (Fault(None, None, "probe", "is missing"), "probe: is missing"),
    ],
)
def test_fault_in_one_line(fault, text):
    assert str(fault) == text


def test_scene_error_keeps_its_faults_across_processes():
    faults = (Fault("a", 1, "b", "c"), Fault("a", 2, "d", "e"))
    error = pickle.loads(pickle.dumps(SceneError(faults)))

    assert error.faults == faults
    assert str(error) == "a:1: b: c\na:2: d: e"


def test_units():
    """8.685889638 dB is one neper: 20 log10 e."""
    assert units.DB_PER_NEPER == pytest.approx(8.685889638, abs=5e-10)
    assert units.mm_per_us_from_m_s(1540) == pytest.approx(1.54, rel=1e-15)
    assert units.m_s_from_mm_per_us(1.54) == pytest.approx(1540, rel=1e-15)
    assert units.rad_from_deg(180) == pytest.approx(math.pi, rel=1e-15)
    assert units.deg_from_rad(math.pi / 2) == pytest.approx(90, rel=1e-15)
    assert units.amplitude_from_db(-20) == pytest.approx(0.1, rel=1e-15)
    assert units.amplitude_from_db(-math.inf) == 0.0
    assert units.db_from_amplitude(0.0) == -math.inf
    assert units.db_from_amplitude(10.0) == pytest.approx(20.0, rel=1e-15)
    assert units.us_from_hz(5000) == pytest.approx(200.0, rel=1e-15)
    assert units.hz_from_us(200) == pytest.approx(5000.0, rel=1e-15)
    assert units.hz_from_mhz(3.5) == 3.5e6
    assert units.mhz_from_hz(3.5e6) == 3.5
    assert units.mm_from_um(250) == pytest.approx(0.25, rel=1e-15)
    assert units.cm_from_mm(25) == 2.5
    assert units.fraction_from_percent(60) == pytest.approx(0.6, rel=1e-15)
    assert units.db_per_mm_from_db_per_cm(5) == 0.5


def test_stream_depends_on_seed_purpose_and_index_alone():
    first = Streams(7)("electronic_noise", 3).random(4)
    other = Streams(7)
    other("scatterers", 1).random(1000)

    assert np.array_equal(other("electronic_noise", 3).random(4), first)


def test_streams_differ():
    """Every seed, purpose and index has its own stream; 0 is a seed like any other."""
    draws = {
        (seed, purpose, index): Streams(seed)(purpose, *index).random()
        for seed in (0, 1, 2)
        for purpose in PURPOSES
        for index in ((), (0,), (1,), (0, 1), (1, 0))
    }

    assert len(set(draws.values())) == len(draws)


def test_neighbouring_seeds_are_unrelated():
    """Correlation of 4000 pairs lies within four standard errors of none."""
    a, b = (Streams(seed)("scatterers").standard_normal(4000) for seed in (5, 6))

    assert abs(np.corrcoef(a, b)[0, 1]) < 4 / math.sqrt(4000)


def test_keys_are_64_bit_numbers_of_their_own():
    keys = [Streams(seed).key(purpose) for seed in range(20) for purpose in PURPOSES]

    assert len(set(keys)) == len(keys)
    assert all(0 <= key < 2**64 for key in keys)
    assert max(keys) > 2**63


def test_purpose_numbers_are_fixed():
    """Old pictures depend on them."""
    assert (PURPOSES["scatterers"], PURPOSES["electronic_noise"]) == (1, 2)
    assert len(set(PURPOSES.values())) == len(PURPOSES)


@pytest.mark.parametrize("seed", [-1, 2**32, 1.5, True, "7", None])
def test_seed_of_the_wrong_kind(seed):
    with pytest.raises(SettingError, match="seed must be a whole number in 0..4294967295"):
        Streams(seed)
