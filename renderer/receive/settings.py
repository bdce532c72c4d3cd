"""The settings of the receive chain."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class ReceiveSettings:
    """The controls between the received echoes and the grey picture, in the order of the chain."""

    output_db: float = 0.0
    noise_db: float = -106.0
    gain_db: float = 0.0
    tgc_slope_db_cm_mhz: float = 0.5
    flat_field: bool = True
    tgc_db: tuple[float, ...] = (0.0,) * 8
    lateral_gain_db: tuple[float, ...] = (0.0,) * 8
    dynamic_range_db: float = 64.0
    reject_db: float | None = None  # levels below are black; None: nothing is rejected
    grey_map: Literal["soft", "linear"] = "soft"
    edge_enhancement: float = 0.0
    persistence: float = 0.0
