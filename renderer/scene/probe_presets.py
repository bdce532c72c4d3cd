"""Probes by name, with defaults of the machine that suit them, so that a scene need not say them.

All numbers are common practice for probes of these kinds, no source; none is that of a certain product.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

PresetName = Literal["shallow linear", "deep convex", "heart sector"]


@dataclass(frozen=True)
class ProbePreset:
    """Keys of ``probe`` and ``machine`` that a preset fills in where a scene does not say them."""

    meant_for: str
    probe: dict[str, Any]
    machine: dict[str, Any]


PRESETS: dict[str, ProbePreset] = {
    "shallow linear": ProbePreset(
        "vessels, nerves, tendons, breast: the first 4 cm in fine detail",
        {"kind": "linear", "elements": 192, "pitch_mm": 0.2, "frequency_mhz": 10.0, "bandwidth_percent": 70.0,
         "height_mm": 4.0, "lens_focus_mm": 18.0},
        {"depth_mm": 40.0, "transmit_f_number": 2.5, "receive_f_number": 1.5},
    ),
    "deep convex": ProbePreset(
        "belly and womb: down to 16 cm through a wide window",
        {"kind": "convex", "elements": 128, "pitch_mm": 0.45, "radius_mm": 60.0, "frequency_mhz": 3.5,
         "bandwidth_percent": 65.0, "height_mm": 12.0, "lens_focus_mm": 70.0},
        {"depth_mm": 160.0, "transmit_f_number": 3.0, "receive_f_number": 2.0},
    ),
    "heart sector": ProbePreset(
        "heart: a wide view from between two ribs",
        {"kind": "sector", "elements": 64, "pitch_mm": 0.27, "frequency_mhz": 2.8, "bandwidth_percent": 70.0,
         "height_mm": 13.0, "lens_focus_mm": 75.0, "sector_deg": 80.0},
        {"depth_mm": 160.0, "transmit_f_number": 4.0, "receive_f_number": 2.0},
    ),
}  # fmt: skip
assert tuple(PRESETS) == get_args(PresetName)


def with_preset(tree: Any) -> Any:
    """A scene's tree with the keys of its probe's preset filled in; the tree itself stays as it is.

    A name that is no preset is left for the format table to refuse, and the first preset stands in, so that
    nothing is said to be missing beside it.
    """
    probe = tree.get("probe") if isinstance(tree, dict) else None
    if not isinstance(probe, dict) or "preset" not in probe:
        return tree
    name, machine = probe["preset"], tree.get("machine", {})
    preset = PRESETS.get(name if isinstance(name, str) else "", PRESETS["shallow linear"])
    filled = tree | {"probe": _fitting(preset.probe, probe) | probe}
    return filled | {"machine": preset.machine | machine} if isinstance(machine, dict) else filled


def _fitting(preset: dict[str, Any], given: dict[str, Any]) -> dict[str, Any]:
    """What a preset says of its probe; of another kind of face its radius and sector say nothing."""
    if given.get("kind", preset["kind"]) == preset["kind"]:
        return preset
    return {key: value for key, value in preset.items() if key not in ("radius_mm", "sector_deg")}
