"""How much memory a scene would take, before any is taken."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from renderer.probe.plan import view_stretch_mm, view_turns_rad, whole_view
from renderer.probe.transducer import Probe, ScanSettings
from renderer.scene.names import show
from renderer.scene.parts import Phantom
from renderer.scene.tree import Found

LIMIT_BYTES = 2_000_000_000
MAX_PIXELS = 4096
PIXELS_PER_DEPTH = 768

SCATTERERS_PER_CELL = 10
BYTES_PER_SCATTERER = 24  # place, amplitude and cell, and room to sort them
BYTES_PER_PIXEL = 160  # grey, level, ids, places, and a share for each class
BYTES_PER_SAMPLE = 8
N_CLASSES = 14
SAMPLES_PER_PERIOD = 3.0


@dataclass(frozen=True)
class Estimate:
    """Bytes that the large arrays of a picture take, by what they hold."""

    lines_bytes: float
    scatterer_bytes: float
    picture_bytes: float

    @property
    def total_bytes(self) -> float:
        """All of them together."""
        return self.lines_bytes + self.scatterer_bytes + self.picture_bytes


def pixel_mm(scan: ScanSettings) -> float:
    """The size of a pixel: the one that is set, or one that suits the depth."""
    return scan.depth_mm / PIXELS_PER_DEPTH if scan.pixel_mm is None else scan.pixel_mm


def view_edges(probe: Probe, scan: ScanSettings) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where the picture's edges leave the face (x, mm), and the angles to the axis between which its lines lie."""
    stretch, turns = view_stretch_mm(probe, scan), view_turns_rad(probe, scan)
    steer = max((abs(angle) for angle in scan.compound_rad), default=abs(scan.steer_rad))
    radius = probe.radius_mm
    if radius is None:
        return stretch, (turns[0] - steer, turns[1] + steer)
    low, high = (min(max(place / radius, -math.pi / 2), math.pi / 2) for place in stretch)
    return (radius * math.sin(low), radius * math.sin(high)), (low - steer, high + steer)


def view_width_mm(probe: Probe, scan: ScanSettings) -> float:
    """The greatest width of the picture."""
    (left, right), (low, high) = view_edges(probe, scan)
    low, high = max(low, -math.pi / 2), min(high, math.pi / 2)
    return max(right, right + scan.depth_mm * math.sin(high)) - min(
        left, left + scan.depth_mm * math.sin(low)
    )


def view_height_mm(probe: Probe, scan: ScanSettings) -> float:
    """The height of the picture, at most: the depth, and what a convex face takes above it."""
    if probe.radius_mm is None:
        return scan.depth_mm
    ends = [place / probe.radius_mm for place in view_stretch_mm(probe, scan)]
    half_arc = min(max(abs(end) for end in ends), math.pi / 2)
    return scan.depth_mm + probe.radius_mm * (1 - math.cos(half_arc))


def estimate(phantom: Phantom, probe: Probe, scan: ScanSettings) -> Estimate:
    """The memory of echo lines, scatterers and picture, within a factor of about two."""
    speed = scan.assumed_speed_mm_per_us
    samples = 2 * scan.depth_mm / speed * scan.frequency_mhz * SAMPLES_PER_PERIOD
    views = max(len(scan.compound_rad), 1)
    lines = scan.n_lines * samples * views * N_CLASSES * BYTES_PER_SAMPLE
    rows, columns = (
        side / pixel_mm(scan) for side in (view_height_mm(probe, scan), view_width_mm(probe, scan))
    )
    scatterers = _n_scatterers(phantom, probe, scan) * BYTES_PER_SCATTERER
    return Estimate(lines, scatterers, rows * columns * BYTES_PER_PIXEL)


def _n_scatterers(phantom: Phantom, probe: Probe, scan: ScanSettings) -> float:
    """Scatterers in the slice that the beam runs through."""
    speed = scan.assumed_speed_mm_per_us
    wavelength_mm = speed / scan.frequency_mhz
    elevation_f = max(probe.lens_focus_mm / probe.height_mm, 0.5)
    pulse_mm = speed / (2 * probe.bandwidth * probe.frequency_mhz)
    cell_mm3 = 1.2 * wavelength_mm * scan.receive_f_number * wavelength_mm * elevation_f * pulse_mm
    given = [m.scatterers_per_mm3 for m in phantom.materials.values() if m.scatterers_per_mm3 is not None]
    per_mm3 = max([SCATTERERS_PER_CELL / cell_mm3, *given])
    whole = whole_view(probe, scan)  # they are drawn beside a part of the view, too
    width = view_width_mm(probe, whole) + (probe.n_elements * probe.pitch_mm if probe.sector_rad else 0.0)
    return width * scan.depth_mm * probe.height_mm * per_mm3


def size_faults(phantom: Phantom, probe: Probe, scan: ScanSettings) -> Iterator[Found]:
    """Faults of a picture that is too large, with what to change."""
    width, height = view_width_mm(probe, scan), view_height_mm(probe, scan)
    size = pixel_mm(scan)
    rows, columns = math.ceil(height / size), math.ceil(width / size)
    if max(rows, columns) > MAX_PIXELS:
        least = max(width, height) / MAX_PIXELS
        message = (
            f"{show(round(size, 4))} would make a picture of {rows} x {columns} pixels; at most {MAX_PIXELS} either way. "
            f"Raise pixel_mm to {math.ceil(least * 1000) / 1000:g} or more, or lower depth_mm"
        )
        yield Found(("machine", "pixel_mm"), message)
        return
    need = estimate(phantom, probe, scan)
    if need.total_bytes > LIMIT_BYTES:
        yield Found(("machine",), _memory_message(need))


def _memory_message(need: Estimate) -> str:
    parts = {
        "the echo lines. Lower lines, depth_mm or frequency_mhz, or the number of compound_deg": need.lines_bytes,
        "the scatterers. Lower frequency_mhz, depth_mm or scatterers_per_mm3": need.scatterer_bytes,
        "the picture. Raise pixel_mm, or lower depth_mm": need.picture_bytes,
    }
    most = max(parts, key=lambda part: parts[part])
    return (
        f"the picture would need about {need.total_bytes / 1e9:.1f} GB of memory; at most "
        f"{LIMIT_BYTES / 1e9:.0f} GB are allowed. Most of it is for {most}"
    )
