"""What a tissue is to sound: speed, density, loss and backscatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from renderer.tissue.presets import TextureRecipe
from renderer.units import DB_PER_NEPER, MM_PER_CM


@dataclass(frozen=True)
class Anisotropy:
    """Backscatter that falls when the beam leaves the perpendicular of the fibres.

    The level falls by ``drop_db`` once the beam is ``half_angle_rad`` or more away from the
    perpendicular of the fibre direction, which lies in the picture plane.
    """

    direction_rad: float
    drop_db: float
    half_angle_rad: float


LOWEST_BAND = 0.35  # the centre of the pulse's band never drifts below this part of the nominal one
STEEPEST_TANGENT = 0.9  # of the loss itself: what may be taken off it, down to the lowest frequency


@dataclass(frozen=True)
class Material:
    """One tissue or material, as a fluid: shear waves in solids are not modelled.

    ``backscatter_db`` is the mean picture level relative to the reference tissue (``-inf`` for
    an anechoic medium). ``loss_table_db_cm``, when given, replaces the power law.
    """

    name: str
    speed_mm_per_us: float
    density_kg_m3: float
    attenuation_db_cm_mhz: float
    attenuation_power: float = 1.0
    loss_table_db_cm: tuple[tuple[float, float], ...] | None = None  # (MHz, dB/cm), ascending
    backscatter_db: float = 0.0
    scatterers_per_mm3: float | None = None  # None: fully developed speckle
    texture: str | TextureRecipe | None = None  # a preset by name, or a recipe
    anisotropy: Anisotropy | None = None

    @property
    def impedance_mrayl(self) -> float:
        """Characteristic impedance, density times speed, MRayl."""
        return self.density_kg_m3 * self.speed_mm_per_us * 1e-3

    def loss_db_per_mm(self, frequency_mhz: float) -> float:
        """One-way amplitude loss at a frequency, dB/mm.

        A table is interpolated linearly in log-log, and continued by its end slopes.
        """
        if self.loss_table_db_cm is None:
            plain_db_cm = self.attenuation_db_cm_mhz * frequency_mhz**self.attenuation_power
            return float(plain_db_cm) / MM_PER_CM
        mhz, db_cm = np.array(self.loss_table_db_cm).T
        if len(mhz) == 1:
            return float(db_cm[0] * frequency_mhz / mhz[0]) / MM_PER_CM
        log_f, log_a = np.log(mhz), np.log(np.maximum(db_cm, 1e-9))
        i = int(np.clip(np.searchsorted(log_f, np.log(frequency_mhz)) - 1, 0, len(mhz) - 2))
        slope = (log_a[i + 1] - log_a[i]) / (log_f[i + 1] - log_f[i])
        return float(np.exp(log_a[i] + slope * (np.log(frequency_mhz) - log_f[i]))) / MM_PER_CM

    def loss_np_per_mm(self, frequency_mhz: float) -> float:
        """One-way amplitude loss at a frequency, Np/mm."""
        return self.loss_db_per_mm(frequency_mhz) / DB_PER_NEPER

    def loss_slope_np_per_mm_mhz(self, frequency_mhz: float) -> float:
        """Slope of the one-way loss against frequency, Np/(mm MHz): what shifts the spectrum.

        The tracer follows the loss along a straight line down to ``LOWEST_BAND`` of the frequency. Where the
        tangent of a steep law would come near no loss there, or below, the chord stands in for it.
        """
        step = 0.01 * frequency_mhz
        rise = self.loss_np_per_mm(frequency_mhz + step) - self.loss_np_per_mm(frequency_mhz - step)
        tangent, way = rise / (2 * step), (1 - LOWEST_BAND) * frequency_mhz
        here = self.loss_np_per_mm(frequency_mhz)
        if tangent * way < STEEPEST_TANGENT * here:
            return tangent
        return (here - self.loss_np_per_mm(LOWEST_BAND * frequency_mhz)) / way
