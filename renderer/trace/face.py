"""What the face of the probe does by itself: its ring, and the faults of its elements along every line."""

from __future__ import annotations

import numpy as np

from renderer.probe.faults import element_places_mm, window_mean
from renderer.probe.main_bang import main_bang_lines
from renderer.probe.plan import ScanPlan
from renderer.trace import bands
from renderer.trace.beamlets import face_place
from renderer.trace.direct import harmonic_growth
from renderer.trace.phantom import PackedPhantom
from renderer.trace.rays import start_region

Array = np.ndarray

FOOT_MM = 1.0  # half width of the piece of the face whose ring a line hears
HAMMING = {"none": 0.0, "hamming": 0.46, "hann": 0.5}
LIGHT = 0.01  # a medium of less than this part of water's impedance is air
WATER_IMPEDANCE = 1.48
FIRST_LEG = (
    0.5  # of the way to what shows a secondary echo: where the sound that makes it turned at the latest
)


def main_bang(job, view, phantom: PackedPhantom, flat_field_db: Array) -> Array:
    """Ring of the pulse at the face, (L, T) complex64, 1 = full scale, before gain.

    The level is that in the picture at gain 0 with the machine's own curves: they are taken off here.
    """
    plan, scan = view.plan, job.scan
    if job.probe.main_bang_db is None:
        return np.zeros((plan.n_lines, len(plan.time_us)), np.complex64)
    depth_mm = 0.5 * scan.assumed_speed_mm_per_us * plan.time_us
    place = element_places_mm(job.probe)
    strength = np.array(job.elements) if job.elements else np.ones(job.probe.n_elements)
    gap, extra = np.zeros(len(place)), np.zeros(len(place))
    for piece in job.face_pieces:
        inside = (place >= piece.from_mm) & (place <= piece.to_mm)
        if piece.gap:
            gap[inside] = 1 - 10 ** (-piece.loss_db / 20)
            # The elements behind a gap are sound: it is the sound that does not get out
            strength = np.where(inside, 1.0, strength)
        else:
            extra[inside] = piece.ring_db
            strength = np.where(inside, 1.0, strength)
    gap[face_in_air(view, phantom, place)] = 1.0
    middle, half = plan.face_mm, np.full(plan.n_lines, max(FOOT_MM, job.probe.pitch_mm))
    lines = main_bang_lines(
        plan, depth_mm, level_db=job.probe.main_bang_db,
        wavelength_mm=scan.assumed_speed_mm_per_us / scan.frequency_mhz,
        sigma_samples=view.pulse.sigma_us / plan.sample_us, strength=foot(strength, job, middle, half) ** 2,
        bare=foot(gap, job, middle, half), extra_db=foot(extra, job, middle, half),
        rng=np.random.Generator(np.random.Philox(key=job.key + 6)),
    )  # fmt: skip
    slope_db = 2 * 0.5 * scan.frequency_mhz * depth_mm / 10.0
    return np.asarray(lines * 10 ** (-(flat_field_db + slope_db) / 20), np.complex64)


def foot(values: Array, job, middle_mm: Array, half_mm: Array) -> Array:
    """Mean of a value of the elements over the foot of every line, (L,)."""
    return window_mean(values, job.probe, middle_mm, half_mm, np.array(0.0))


def face_in_air(view, phantom: PackedPhantom, place: Array) -> Array:
    """Which elements stand in air, (E,) bool: the coupling, or a solid of gas at the face."""
    m = view.settings
    bare = np.zeros(len(place), bool)
    for i, a in enumerate(place):
        x, z, nx, nz = face_place(a, m[bands.S_RADIUS])
        region = start_region(phantom.solids, x, 0.0, z, nx, 0.0, nz)
        bare[i] = phantom.media[region, 1] < LIGHT * WATER_IMPEDANCE
    return bare


def element_fault_db(job, plan: ScanPlan) -> Array | None:
    """What weak and dead elements do to echoes along every line, dB two-way, (L, T); None for a sound probe.

    The mean strength of the elements in the sending aperture (even) times that of the listening aperture at each
    depth (with its weights), as it is for a target at the focus.
    """
    if not job.elements:
        return None
    scan, strength = job.scan, np.array(job.elements)
    depth = 0.5 * scan.assumed_speed_mm_per_us * plan.time_us
    least = min(2.0 * job.probe.pitch_mm, plan.channel_half_mm)
    total = np.zeros((plan.n_lines, len(depth)))
    which = np.clip(np.searchsorted(plan.focus_edges_mm, depth, side="right") - 1, 0, len(scan.focus_mm) - 1)
    coarse = np.linspace(0, len(depth) - 1, 80).astype(int)
    for line, face in enumerate(plan.face_mm):
        sent = []
        for focus in scan.focus_mm:
            half = np.array([np.clip(0.5 * focus / scan.transmit_f_number, least, plan.channel_half_mm)])
            sent.append(window_mean(strength, job.probe, np.array([face]), half, np.array(0.0))[0])
        half = np.clip(0.5 * depth[coarse] / scan.receive_f_number, least, plan.channel_half_mm)
        heard = window_mean(
            strength, job.probe, np.full(len(coarse), face), half, np.array(HAMMING[scan.apodisation])
        )
        heard = np.interp(np.arange(len(depth)), coarse, heard)
        total[line] = np.array(sent)[which] * heard
    return np.asarray(20 * np.log10(np.maximum(total, 1e-6)))


def secondary_factor(job, plan: ScanPlan, fault_db: Array | None) -> Array:
    """Amplitude of secondary echoes re those of a sound probe's own pulse, (L, T) or a number.

    They are followed by beams that know no single elements: faults count as for the direct echo of that depth. Of a
    harmonic they hold what had grown up to their first turn, half way or earlier: sound that has been reflected is too
    weak to make more.
    """
    factor: Array = np.ones((1, 1))
    if fault_db is not None:
        factor = factor * 10 ** (fault_db / 20)
    if job.scan.harmonic:
        focus = job.scan.focus_mm[0]
        leg = FIRST_LEG * 0.5 * job.scan.assumed_speed_mm_per_us * plan.time_us
        # A sheet beam that narrows towards the focus grows with the root of that, up to what diffraction allows
        at_focus = 1 / (harmonic_growth(job.scan, plan) * focus)
        sent = 1 / np.sqrt(np.maximum(np.abs(1 - leg / focus), at_focus**-2))
        factor = factor * np.minimum(leg / focus * sent / at_focus, 1.0)[None, :]
    return np.asarray(factor, np.float32)
