"""Constants and the only unit conversions.

Inside, lengths are mm, times µs, frequencies MHz, speeds mm/µs, angles radians, levels dB of
amplitude. Files use the units of the trade (m/s, degrees, Hz, percent) and are converted once,
where a scene is read.
"""

from __future__ import annotations

import math

DB_PER_NEPER = 20.0 / math.log(10.0)
"""8.685889638 dB per neper, for amplitudes."""

MM_PER_CM = 10.0
MM_PER_UM = 1e-3
US_PER_S = 1e6
HZ_PER_MHZ = 1e6
MM_PER_M = 1e3


def mm_per_us_from_m_s(speed_m_s: float) -> float:
    """A speed in mm/µs, from m/s: 1540 m/s is 1.54 mm/µs."""
    return speed_m_s * MM_PER_M / US_PER_S


def m_s_from_mm_per_us(speed_mm_per_us: float) -> float:
    """A speed in m/s, from mm/µs."""
    return speed_mm_per_us * US_PER_S / MM_PER_M


def rad_from_deg(angle_deg: float) -> float:
    """An angle in radians, from degrees."""
    return math.radians(angle_deg)


def deg_from_rad(angle_rad: float) -> float:
    """An angle in degrees, from radians."""
    return math.degrees(angle_rad)


def amplitude_from_db(level_db: float) -> float:
    """An amplitude ratio, from its level in dB; minus infinity gives 0."""
    return float(10.0 ** (level_db / 20.0))


def db_from_amplitude(amplitude: float) -> float:
    """The level of an amplitude ratio in dB; 0 gives minus infinity."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else -math.inf


def hz_from_mhz(frequency_mhz: float) -> float:
    """A frequency in Hz, from MHz."""
    return frequency_mhz * HZ_PER_MHZ


def mhz_from_hz(frequency_hz: float) -> float:
    """A frequency in MHz, from Hz."""
    return frequency_hz / HZ_PER_MHZ


def us_from_hz(rate_hz: float) -> float:
    """The interval between events in µs, from their rate in Hz."""
    return US_PER_S / rate_hz


def us_from_ns(time_ns: float) -> float:
    """Microseconds from nanoseconds."""
    return time_ns * 1e-3


def hz_from_us(interval_us: float) -> float:
    """The rate of events in Hz, from their interval in µs."""
    return US_PER_S / interval_us


def mm_from_um(length_um: float) -> float:
    """A length in mm, from µm."""
    return length_um * MM_PER_UM


def cm_from_mm(length_mm: float) -> float:
    """A length in cm, as people read it, from mm."""
    return length_mm / MM_PER_CM


def fraction_from_percent(percent: float) -> float:
    """A fraction, from percent."""
    return percent / 100.0


def db_per_mm_from_db_per_cm(loss_db_cm: float) -> float:
    """A loss in dB/mm, from dB/cm."""
    return loss_db_cm / MM_PER_CM
