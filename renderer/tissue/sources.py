"""Where the numbers of the tissue table come from: citations by short key, and how sure each is."""

from __future__ import annotations

from dataclasses import dataclass

CITATIONS = {
    "Rumack": "Rumack and Levine, Diagnostic Ultrasound, chart of propagation speeds in the artefact appendix",
    "MM2012": "Mechanics of Materials 2012;44:174, table 3 (PMC3233242), compiled from Goss, Chivers and Mast",
    "Diag2023": "Diagnostics 2023;13:855, table 4 (PMC10001275), attenuation at 1 MHz",
    "Bioeng2025": "Bioengineering 2025;12(9):946, appendix A, measured density and speed (mean and SD)",
    "Sensors2023": "Sensors 2023;23:5942, table A2 (PMC10346919)",
    "Lu1999": "Lu, Zagzebski and Lee 1999, Ultrasound in Medicine and Biology 25:1047",
    "Itoh1988": "Itoh et al. 1988, Journal of Clinical Ultrasound, attenuation of liver and spleen in vivo",
    "FeiShung1985": "Fei and Shung 1985, J. Acoust. Soc. Am. 78:871, order of backscatter of bovine tissues",
    "Gooding": "Gooding et al., speed of sound in follicular fluid, Human Reproduction",
    "Stones": "A simple method for fabricating artificial kidney stones of different physical properties (abstract)",
    "Madsen1978": "Madsen et al. 1978, Medical Physics, water-based gels with graphite",
    "Madsen1982": "Madsen et al. 1982, oil-in-gelatin dispersions",
    "Browne2003": "Browne et al. 2003, Ultrasound in Medicine and Biology 29:1053",
    "Sun2012": "Sun et al. 2012, Ultrasound in Medicine and Biology 38, measured agar material",
    "MetalSpeeds": "Material Sound Velocities, and Table of Ultrasonic Properties (two published speed tables)",
    "IAPWS95": "IAPWS-95 equation of state of water; agrees with Marczak 1997 and Bilaniuk and Wong 1993",
    "Crass1988": "Crass, van de Vegte and Harkavy 1988, Radiology 167:499, tendon echogenicity and angle",
    "Duck1990": "Duck 1990, Physical Properties of Tissue",
    "Szabo2014": "Szabo 2014, Diagnostic Ultrasound Imaging: Inside Out, 2nd ed., appendix B",
    "Culjat2010": "Culjat et al. 2010, Ultrasound in Medicine and Biology 36:861",
    "Verma2005": "Verma, Humphrey and Duck 2005, Ultrasound in Medicine and Biology 31:1375",
    "IEC61391": "IEC 61391-1, annex on tissue-mimicking material",
    "E494": "ASTM E494, table X3.1",
    "definition": "follows from how the material is defined here",
}

CERTAINTIES = {
    "read": "read in the cited source, or a round number inside the range that was read there",
    "derived": "computed from the cited formula",
    "practice": "common practice, no source",
    "memory": "from memory; believed right, the source was not at hand",
    "choice": "chosen here; the reason is given",
}


@dataclass(frozen=True)
class Sourced:
    """A number with the range that is quoted for it, where it comes from and how sure it is.

    ``certainty`` is a key of ``CERTAINTIES``, ``source`` a key of ``CITATIONS`` or a few words.
    """

    value: float
    low: float
    high: float
    source: str
    certainty: str


def read(value: float, low: float, high: float, source: str) -> Sourced:
    """A number read in the cited source, or a round one inside the range read there."""
    return Sourced(value, low, high, source, "read")


def derived(value: float, low: float, high: float, source: str) -> Sourced:
    """A number computed from the cited formula."""
    return Sourced(value, low, high, source, "derived")


def practice(value: float, low: float, high: float) -> Sourced:
    """A number of the trade for which no source can be named."""
    return Sourced(value, low, high, "", "practice")


def memory(value: float, low: float, high: float, source: str = "") -> Sourced:
    """A number written from memory, whatever book it is believed to stand in."""
    return Sourced(value, low, high, source, "memory")


def choice(value: float, low: float, high: float, why: str) -> Sourced:
    """A number that was chosen here, with the reason in place of a source."""
    return Sourced(value, low, high, why, "choice")
