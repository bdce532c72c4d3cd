"""The tissue table: every number with its range, its source and how sure it is.

Backscatter is the mean picture level relative to the reference tissue, which is set at the level
of normal liver. Where a solid is so strong a reflector that what shows is its surface and not
its inside, the inside is given no echoes (``-inf`` dB): metals, glass and castings are uniform on
the scale of a wavelength, and in air and inflated lung sound does not get far enough to return.
Bone and stone keep a weak inside, since their first millimetre does return some sound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from renderer.tissue.sources import Sourced, choice, derived, memory, practice, read

NONE = -math.inf


@dataclass(frozen=True)
class TissueRow:
    """One row of the table. ``loss_table_db_cm`` replaces the power law where that does not fit."""

    name: str
    speed_m_s: Sourced
    density_kg_m3: Sourced
    attenuation_db_cm_mhz: Sourced
    attenuation_power: Sourced
    backscatter_db: Sourced
    texture: str | None = None
    loss_table_db_cm: tuple[tuple[float, float], ...] | None = None
    note: str = ""


ANECHOIC = choice(NONE, NONE, NONE, "anechoic by definition of a clear fluid")
UNIFORM = choice(NONE, NONE, NONE, "uniform on the scale of a wavelength; what shows is the surface")
OPAQUE = choice(NONE, NONE, NONE, "sound does not come back out of it; what shows is the surface")
LINEAR = practice(1.0, 0.9, 1.2)
SQUARE = memory(2.0, 2.0, 2.0, "viscous loss of a fluid")

# The loss law of the agar material of IEC 61391-1, 0.40 f + 0.0076 f², over the band of probes.
AGAR_MHZ = (0.5, 1.0, 2.0, 3.5, 5.0, 7.5, 10.0, 15.0, 20.0, 28.0, 40.0)
AGAR_LOSS = tuple((f, 0.40 * f + 0.0076 * f * f) for f in AGAR_MHZ)

BODY = (
    TissueRow(
        "lung",
        memory(650, 440, 1000, "Duck1990"),
        memory(400, 200, 500, "Duck1990"),
        read(40, 20, 50, "Diag2023"),
        memory(1.0, 0.6, 1.0),
        OPAQUE,
        note="Inflated. The loss of lung is unsettled in the literature.",
    ),
    TissueRow(
        "fat",
        read(1450, 1430, 1490, "Rumack"),
        read(928, 910, 950, "Bioeng2025"),
        read(0.6, 0.48, 0.8, "Diag2023"),
        memory(1.0, 1.0, 1.1),
        memory(-3, -6, 0),
        texture="fat",
        note="Its level depends on the region of the body.",
    ),
    TissueRow(
        "blood",
        read(1570, 1560, 1590, "Rumack"),
        memory(1060, 1050, 1065, "Duck1990"),
        read(0.15, 0.14, 0.2, "Diag2023"),
        memory(1.2, 1.2, 1.3, "Szabo2014"),
        practice(-25, -30, -20),
    ),
    TissueRow(
        "liver",
        read(1570, 1535, 1635, "MM2012"),
        memory(1060, 1050, 1070, "Duck1990"),
        read(0.5, 0.4, 0.7, "Diag2023"),
        memory(1.05, 1.0, 1.1),
        choice(0, 0, 0, "the reference tissue is set at the level of normal liver"),
        texture="liver",
    ),
    TissueRow(
        "fatty liver",
        memory(1540, 1520, 1570),
        memory(1050, 1030, 1060),
        read(0.8, 0.64, 0.98, "Itoh1988"),
        memory(1.05, 1.0, 1.1),
        read(11.3, 6, 12, "Lu1999"),
        texture="liver",
    ),
    TissueRow(
        "kidney",
        read(1560, 1530, 1590, "Rumack"),
        memory(1050, 1040, 1060, "Duck1990"),
        read(1.0, 0.4, 1.0, "Diag2023"),
        memory(1.0, 1.0, 1.1),
        memory(-4, -6, -3),
        texture="cortex",
        note="The loss depends on direction and is in doubt; about 0.6 for the cortex.",
    ),
    TissueRow(
        "spleen",
        read(1567, 1537, 1597, "MM2012"),
        memory(1054, 1045, 1065),
        read(0.4, 0.37, 0.5, "Diag2023"),
        memory(1.3, 1.0, 1.3, "Szabo2014"),
        memory(-2, -6, 1),
        texture="pulp",
        note="Lower than liver in the laboratory, as bright as liver in the clinic.",
    ),
    TissueRow(
        "muscle",
        read(1580, 1517, 1630, "Rumack"),
        memory(1050, 1040, 1070, "measured 1058 by Bioeng2025"),
        read(1.0, 0.57, 1.4, "Diag2023"),
        memory(1.05, 1.0, 1.1),
        memory(-3, -10, -3),
        texture="muscle",
        note="Across the fibres; along them the loss is about 1.4 and the level about -10 dB.",
    ),
    TissueRow(
        "tendon",
        read(1750, 1654, 1852, "MM2012"),
        read(1120, 1075, 1166, "Bioeng2025"),
        practice(4.7, 1.57, 4.7),
        memory(1.1, 1.0, 1.2),
        memory(12, 10, 15, "Crass1988"),
        texture="tendon",
        note="The level is for a beam square on to the fibres.",
    ),
    TissueRow(
        "skin",
        read(1620, 1595, 1730, "MM2012"),
        read(1110, 1079, 1183, "Bioeng2025"),
        read(0.35, 0.35, 3.5, "Diag2023"),
        memory(1.0, 1.0, 1.5),
        memory(6, 3, 12),
        texture="skin",
        note="The loss is in doubt; sources above 10 MHz give more.",
    ),
    TissueRow(
        "cartilage",
        read(1650, 1565, 1770, "MM2012"),
        memory(1100, 1090, 1120),
        memory(5, 2, 6),
        LINEAR,
        memory(-20, -30, -15),
        note="Hyaline cartilage looks nearly black.",
    ),
    TissueRow(
        "brain",
        read(1560, 1540, 1580, "MM2012"),
        memory(1040, 1030, 1050, "Duck1990"),
        memory(0.6, 0.5, 0.9, "Szabo2014"),
        memory(1.3, 1.0, 1.3, "Szabo2014"),
        memory(-6, -10, -3),
        texture="gland",
    ),
    TissueRow(
        "breast",
        read(1510, 1430, 1570, "MM2012"),
        memory(1020, 990, 1050),
        read(0.75, 0.5, 1.5, "Diag2023"),
        memory(1.5, 1.0, 1.5, "Szabo2014"),
        memory(0, -3, 3),
        texture="gland",
    ),
    TissueRow(
        "myocardium",
        read(1575, 1526, 1623, "MM2012"),
        memory(1060, 1050, 1070),
        read(0.52, 0.4, 0.9, "Diag2023"),
        memory(1.0, 1.0, 1.1),
        memory(-4, -8, -2, "below liver by FeiShung1985"),
        texture="muscle",
    ),
    TissueRow(
        "bile",
        memory(1540, 1500, 1590, "Duck1990"),
        memory(1015, 1005, 1030, "Duck1990"),
        memory(0.05, 0.01, 0.1, "Duck1990"),
        memory(1.5, 1.0, 2.0),
        ANECHOIC,
    ),
    TissueRow(
        "urine",
        memory(1551, 1530, 1560, "Verma2005"),
        memory(1015, 1003, 1030),
        memory(0.005, 0.004, 0.006, "Verma2005"),
        memory(1.7, 1.6, 2.0, "Verma2005"),
        ANECHOIC,
        note="At 37 °C.",
    ),
    TissueRow(
        "cyst fluid",
        read(1550, 1547, 1553, "Gooding"),
        memory(1010, 1000, 1020),
        memory(0.01, 0.005, 0.05),
        memory(1.7, 1.5, 2.0),
        ANECHOIC,
        note="Follicular fluid at 37.3 °C.",
    ),
    TissueRow(
        "vessel wall",
        memory(1600, 1560, 1660),
        memory(1075, 1050, 1110),
        memory(1.5, 0.8, 3.0),
        LINEAR,
        memory(4, 0, 8),
    ),
    TissueRow(
        "fascia",
        memory(1650, 1600, 1750),
        memory(1110, 1080, 1130),
        memory(3.0, 1.5, 4.7),
        LINEAR,
        memory(10, 5, 15),
        texture="fascia",
    ),
    TissueRow(
        "bone",
        read(3500, 3000, 4080, "MM2012"),
        read(1900, 1800, 2200, "MM2012"),
        memory(7, 1, 15, "Culjat2010"),
        LINEAR,
        memory(-6, -20, 0),
        note="Cortical. Shear waves are not modelled.",
    ),
    TissueRow(
        "stone",
        read(3500, 3148, 4159, "Stones"),
        read(1800, 1563, 1995, "Stones"),
        memory(10, 5, 20),
        LINEAR,
        memory(-6, -20, 0),
    ),
    TissueRow(
        "cholesterol stone",
        memory(1900, 1700, 2200),
        memory(1060, 1000, 1100),
        memory(10, 5, 20),
        LINEAR,
        memory(0, -10, 5),
        note="Little is certain about it; an example to be changed.",
    ),
    TissueRow(
        "soft tissue",
        read(1540, 1540, 1540, "Rumack"),
        memory(1043, 1040, 1060, "Culjat2010"),
        practice(0.5, 0.3, 0.7),
        LINEAR,
        choice(0, 0, 0, "an average tissue at the reference level"),
        texture="soft",
    ),
)

BENCH = (
    TissueRow(
        "air",
        derived(343.3, 330, 345, "ideal gas at 20 °C"),
        derived(1.204, 1.18, 1.29, "ideal gas at 20 °C"),
        memory(1.6, 1.6, 12),
        memory(2.0, 1.0, 2.0),
        OPAQUE,
        note="The loss is in doubt (textbooks say 7.5 to 12); reflection at its surface is what counts.",
    ),
    TissueRow(
        "water",
        derived(1482.35, 1482.3, 1482.4, "IAPWS95"),
        derived(998.21, 998.1, 998.3, "IAPWS95"),
        read(0.0022, 0.0021, 0.0023, "Diag2023"),
        SQUARE,
        ANECHOIC,
        note="At 20 °C.",
    ),
    TissueRow(
        "water 37C",
        derived(1523.66, 1523.6, 1523.7, "IAPWS95"),
        derived(993.33, 993.2, 993.4, "IAPWS95"),
        memory(0.0014, 0.0013, 0.0015, "between the values at 30 and 40 °C of Pinkerton 1949"),
        SQUARE,
        ANECHOIC,
    ),
    TissueRow(
        "lard",
        memory(1455, 1430, 1490),
        memory(920, 900, 950),
        memory(0.9, 0.5, 1.8),
        memory(1.0, 1.0, 1.5),
        memory(-10, -20, -3),
        note="Solid lard at room temperature, taken to be like fat but more even.",
    ),
    TissueRow(
        "gelatine",
        read(1540, 1520, 1650, "Madsen1978"),
        choice(1040, 1000, 1060, "the reference tissue; near Madsen1978"),
        read(0.5, 0.2, 1.5, "Madsen1978"),
        memory(1.0, 1.0, 1.1),
        choice(0, 0, 0, "the reference tissue of every level here"),
        note="With graphite or starch stirred in. The reference tissue.",
    ),
    TissueRow(
        "agar",
        memory(1540, 1525, 1555, "IEC61391; 1547.4 measured by Sun2012"),
        memory(1040, 1030, 1060, "IEC61391"),
        memory(0.4076, 0.40, 0.55, "IEC61391"),
        LINEAR,
        choice(0, 0, 0, "made to look like the reference tissue"),
        loss_table_db_cm=AGAR_LOSS,
        texture="block",
        note="Loss 0.40 f + 0.0076 f² dB/cm, f in MHz.",
    ),
    TissueRow(
        "oil gel",
        read(1490, 1460, 1540, "Madsen1982"),
        read(960, 920, 1000, "Madsen1982"),
        read(0.6, 0.1, 2.0, "Madsen1982"),
        LINEAR,
        memory(-3, -6, 0),
    ),
    TissueRow(
        "urethane",
        memory(1450, 1433, 1467, "spread over 10 to 35 °C by Browne2003"),
        memory(1000, 980, 1050),
        read(0.6, 0.5, 0.7, "Browne2003"),
        read(1.0, 1.0, 1.8, "Browne2003"),
        choice(0, 0, 0, "made to look like the reference tissue"),
        texture="block",
    ),
    TissueRow(
        "gel",
        memory(1500, 1480, 1620),
        memory(1000, 990, 1020),
        memory(0.05, 0.02, 0.6),
        memory(1.0, 1.0, 2.0),
        ANECHOIC,
        note="Coupling gel on a water base; solid standoffs are faster and lossier (Sensors2023).",
    ),
    TissueRow(
        "steel",
        practice(5790, 5660, 5790),
        practice(7910, 7800, 8000),
        memory(0.0, 0.0, 0.1),
        LINEAR,
        UNIFORM,
        note="Speed for longitudinal waves (E494).",
    ),
    TissueRow(
        "aluminium",
        read(6300, 6229, 6375, "MetalSpeeds"),
        read(2700, 2690, 2800, "MetalSpeeds"),
        read(0.02, 0.014, 0.15, "Sensors2023"),
        LINEAR,
        UNIFORM,
    ),
    TissueRow(
        "titanium",
        read(6240, 6100, 6520, "MetalSpeeds"),
        read(4540, 4400, 4550, "MetalSpeeds"),
        read(0.2, 0.15, 0.70, "Sensors2023"),
        LINEAR,
        UNIFORM,
    ),
    TissueRow(
        "acrylic",
        practice(2670, 2670, 2760),
        practice(1180, 1170, 1200),
        memory(2.0, 1.0, 2.5),
        LINEAR,
        UNIFORM,
    ),
    TissueRow(
        "plastic",
        memory(2000, 1950, 2700),
        memory(950, 900, 1050),
        memory(4.0, 1.0, 12),
        LINEAR,
        UNIFORM,
        note="Like polyethylene, of which straws and tubes are made.",
    ),
    TissueRow(
        "latex",
        memory(1550, 1500, 1650),
        memory(950, 920, 1000),
        memory(5.0, 2.0, 10),
        memory(1.0, 1.0, 1.5),
        UNIFORM,
        note="Skin of a balloon, unfilled.",
    ),
    TissueRow(
        "glass",
        read(5640, 5570, 5710, "MetalSpeeds"),
        read(2500, 2200, 2600, "MetalSpeeds"),
        memory(0.0, 0.0, 0.1),
        LINEAR,
        UNIFORM,
    ),
    TissueRow(
        "silicone",
        memory(1000, 960, 1485),
        memory(970, 960, 1100),
        memory(7.0, 1.0, 8.0),
        memory(1.5, 1.0, 1.6),
        UNIFORM,
        note="Depends on the grade.",
    ),
)

ROWS: tuple[TissueRow, ...] = BODY + BENCH
