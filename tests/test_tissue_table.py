"""The shipped tissues: every default in its range, water against published values, and the loss laws."""

import math

import numpy as np
import pytest

from renderer.errors import SettingError
from renderer.tissue.materials import Material
from renderer.tissue.presets import TEXTURE_PRESETS
from renderer.tissue.rows import ROWS
from renderer.tissue.sources import CERTAINTIES, CITATIONS
from renderer.tissue.table import REFERENCE_TISSUE, material, material_names, tissue_row
from renderer.trace.bands import band_level

NAMES = [
    "air",
    "lung",
    "fat",
    "lard",
    "water",
    "water 37C",
    "blood",
    "liver",
    "fatty liver",
    "kidney",
    "spleen",
    "muscle",
    "tendon",
    "skin",
    "cartilage",
    "brain",
    "breast",
    "myocardium",
    "bile",
    "urine",
    "cyst fluid",
    "vessel wall",
    "fascia",
    "bone",
    "stone",
    "cholesterol stone",
    "steel",
    "aluminium",
    "titanium",
    "acrylic",
    "plastic",
    "latex",
    "glass",
    "silicone",
    "gelatine",
    "agar",
    "oil gel",
    "urethane",
    "gel",
    "soft tissue",
]

COLUMNS = ("speed_m_s", "density_kg_m3", "attenuation_db_cm_mhz", "attenuation_power", "backscatter_db")


def test_names():
    assert sorted(NAMES) == list(material_names())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
@pytest.mark.parametrize("column", COLUMNS)
def test_number_has_range_source_and_certainty(row, column):
    number = getattr(row, column)

    assert number.low <= number.value <= number.high
    assert number.certainty in CERTAINTIES
    if number.certainty == "read":
        assert number.source in CITATIONS
    if number.certainty == "practice":
        assert number.source == ""
    if number.certainty == "choice":
        assert number.source


@pytest.mark.parametrize("name", NAMES)
def test_material_carries_the_row(name):
    row, tissue = tissue_row(name), material(name)

    assert tissue.speed_mm_per_us == pytest.approx(row.speed_m_s.value / 1000, rel=1e-12)
    assert tissue.density_kg_m3 == row.density_kg_m3.value
    assert tissue.backscatter_db == row.backscatter_db.value
    assert tissue.texture is None or tissue.texture in TEXTURE_PRESETS


def test_unknown_tissue():
    with pytest.raises(SettingError, match="no tissue is called 'marzipan'"):
        material("marzipan")


@pytest.mark.parametrize(
    ("name", "speed_m_s", "density_kg_m3"), [("water", 1482.35, 998.21), ("water 37C", 1523.66, 993.33)]
)
def test_water_against_iapws95(name, speed_m_s, density_kg_m3):
    """IAPWS-95 (Wagner and Pruss) at 20 and 37 °C and normal pressure; values to two decimals."""
    tissue = material(name)

    assert tissue.speed_mm_per_us * 1000 == pytest.approx(speed_m_s, abs=0.005)
    assert tissue.density_kg_m3 == pytest.approx(density_kg_m3, abs=0.005)


@pytest.mark.parametrize(("name", "temperature_c"), [("water", 20.0), ("water 37C", 37.0)])
def test_water_against_marczak(name, temperature_c):
    """Marczak 1997, polynomial of fifth order; the three published routes agree within 0.05 m/s."""
    k = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)
    speed_m_s = sum(c * temperature_c**i for i, c in enumerate(k))

    assert material(name).speed_mm_per_us * 1000 == pytest.approx(speed_m_s, abs=0.05)


def test_reference_tissue():
    """The reference tissue: 1540 m/s, 1040 kg/m³, 0.5 dB/(cm MHz), 0 dB; Madsen et al. 1978 for the speed."""
    tissue = material(REFERENCE_TISSUE)

    assert (tissue.speed_mm_per_us, tissue.density_kg_m3, tissue.attenuation_db_cm_mhz) == (1.54, 1040.0, 0.5)
    assert (tissue.attenuation_power, tissue.backscatter_db) == (1.0, 0.0)
    assert tissue.loss_db_per_mm(5.0) == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize(
    ("frequency_mhz", "loss_db_cm"),
    [(2, 0.83), (3.5, 1.493), (5, 2.190), (7.5, 3.428), (10, 4.760), (15, 7.710)],
)
def test_agar_follows_its_law(frequency_mhz, loss_db_cm):
    """0.40 f + 0.0076 f² dB/cm (IEC 61391-1, annex; the law is from memory, its values computed)."""
    assert material("agar").loss_db_per_mm(frequency_mhz) * 10 == pytest.approx(loss_db_cm, abs=0.001)


def test_agar_between_the_steps_of_its_table():
    """Log-log chords of a law that bends little, and steps of at most a factor of two: within 0.5 %."""
    for frequency_mhz in (0.7, 1.4, 2.7, 6.2, 12.0, 24.0, 33.0):
        law = 0.40 * frequency_mhz + 0.0076 * frequency_mhz**2
        assert material("agar").loss_db_per_mm(frequency_mhz) * 10 == pytest.approx(law, rel=5e-3)


def test_fatty_liver_is_lossier_and_brighter_than_liver():
    """Order found by Lu, Zagzebski and Lee 1999, and by Itoh et al. 1988."""
    liver, fatty = material("liver"), material("fatty liver")

    assert fatty.attenuation_db_cm_mhz > liver.attenuation_db_cm_mhz
    assert fatty.backscatter_db - liver.backscatter_db == pytest.approx(11.3, abs=0.05)


def test_speeds_are_ordered_as_taught():
    """Rumack and Levine: air, fat, water, the average, liver, kidney, blood, muscle, bone; ties allowed."""
    order = ["air", "fat", "water", "soft tissue", "kidney", "blood", "muscle", "bone"]
    speeds = [material(name).speed_mm_per_us for name in order]

    assert speeds == sorted(speeds)


@pytest.mark.parametrize(
    ("name", "impedance_mrayl"),
    [
        ("water", 1.4797),
        ("fat", 1.346),
        ("liver", 1.664),
        ("bone", 6.65),
        ("steel", 45.80),
        ("acrylic", 3.151),
    ],
)
def test_impedance(name, impedance_mrayl):
    """Density times speed, of the rounded values; four digits."""
    assert material(name).impedance_mrayl == pytest.approx(impedance_mrayl, rel=5e-4)


@pytest.mark.parametrize("name", ["air", "lung", "steel", "glass", "water", "bile", "cyst fluid"])
def test_no_echoes_from_inside(name):
    assert material(name).backscatter_db == -math.inf


@pytest.mark.parametrize("name", [*NAMES, "power 2"])
def test_no_way_through_a_tissue_makes_sound_louder(name):
    """Level of the whole band after a loss: never above what was sent, and less the longer the way.

    Energy is not made (physics); tried for every tissue, at all usual frequencies and bandwidths.
    """
    made = Material("gas", 0.6, 200.0, 4.0, attenuation_power=2.0) if name == "power 2" else material(name)
    for frequency in (1.0, 2.5, 5.0, 10.0, 18.0):
        loss, slope = made.loss_np_per_mm(frequency), made.loss_slope_np_per_mm_mhz(frequency)
        for bandwidth in (0.2, 0.6, 1.0):
            sigma = bandwidth * frequency / 2.355
            levels = [
                band_level(2 * loss * s, 2 * slope * s, sigma, frequency) for s in (0.1, 1, 10, 50, 200)
            ]
            assert all(level <= 1.0 for level in levels)
            assert (np.diff(levels) <= 0).all()
