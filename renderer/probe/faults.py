"""Faults of probe and machine, and what they do to the strength of every element and every line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from renderer.probe.transducer import Probe

Array = np.ndarray

DEAD = 1e-3  # an element at or below -60 dB: nothing of it is seen in a picture


@dataclass(frozen=True)
class WeakElements:
    """Elements first to last, from 1 at the left end, that send and hear ``loss_db`` less."""

    first: int
    last: int
    loss_db: float


@dataclass(frozen=True)
class LooseCable:
    """Elements whose wires break contact: in each frame each of them is open with a chance."""

    first: int
    last: int
    open_chance: float


@dataclass(frozen=True)
class FacePiece:
    """A piece of the face with a loss for each passage, and with a ring of its own: a loose lens, or a gap of air.

    ``ring_db`` is the level of its ring re that of a face in contact; ``gap``: air between face and body.
    """

    from_mm: float
    to_mm: float
    loss_db: float
    ring_db: float
    gap: bool = False


@dataclass(frozen=True)
class Interference:
    """A source outside that the receiver hears: its frequency, level, and bursts (None: it never pauses)."""

    frequency_mhz: float
    level_db: float
    burst_us: float | None = None
    every_us: float | None = None


@dataclass(frozen=True)
class Crosstalk:
    """Echoes that run along the array from element to element: level at a neighbour, reach (e-fold) and speed."""

    level_db: float
    reach_mm: float
    speed_mm_per_us: float


@dataclass(frozen=True)
class MachineFaults:
    """All faults of a scene; none by default."""

    dead_elements: tuple[int, ...] = ()
    weak_elements: tuple[WeakElements, ...] = ()
    loose_cable: LooseCable | None = None
    lost_channels: tuple[int, int] | None = None
    face: tuple[FacePiece, ...] = ()
    lost_lines: tuple[int, ...] = ()
    sensitivity_db: float = 0.0
    interference: Interference | None = None
    crosstalk: Crosstalk | None = None
    stuck_slider: tuple[int, float] | None = None  # which of the eight, from 1, and its gain in dB


def element_places_mm(probe: Probe) -> Array:
    """Places of the element centres along the face from its middle, (E,) mm."""
    return (np.arange(probe.n_elements) - 0.5 * (probe.n_elements - 1)) * probe.pitch_mm


def element_strengths(probe: Probe, faults: MachineFaults, frame: int, key: int) -> tuple[float, ...]:
    """One-way strength of every element, 1 for a sound one; empty where all are sound.

    ``frame`` and ``key`` (of the fault's random stream) decide which wires of a loose cable are open. A lost
    channel takes with it every element that it serves in turn: number modulo the channels.
    """
    n = probe.n_elements
    strength = np.ones(n)
    number = np.arange(1, n + 1)
    for weak in faults.weak_elements:
        strength[(number >= weak.first) & (number <= weak.last)] *= 10 ** (-weak.loss_db / 20)
    for piece in faults.face:
        place = element_places_mm(probe)
        strength[(place >= piece.from_mm) & (place <= piece.to_mm)] *= 10 ** (-piece.loss_db / 20)
    if faults.lost_channels is not None:
        first, last = faults.lost_channels
        channel = (number - 1) % (probe.n_channels or n) + 1
        strength[(channel >= first) & (channel <= last)] = 0.0
    if faults.loose_cable is not None:
        cable = faults.loose_cable
        broken = np.random.Generator(np.random.Philox(key=[key, frame])).random(n) < cable.open_chance
        strength[broken & (number >= cable.first) & (number <= cable.last)] = 0.0
    strength[[e - 1 for e in faults.dead_elements]] = 0.0
    strength[strength <= DEAD] = 0.0
    return () if (strength == 1.0).all() else tuple(strength.tolist())


def window_mean(strength: Array, probe: Probe, middle_mm: Array, half_mm: Array, hamming: Array) -> Array:
    """Mean strength of the elements in apertures, (N,), raised cosine weights 1 - h + h cos; exact for whole elements.

    ``hamming`` h is 0 for an even aperture, 0.46 for Hamming, 0.5 for Hann.
    """
    place = element_places_mm(probe)
    off = (place[None, :] - middle_mm[:, None]) / half_mm[:, None]
    inside = np.clip((1.0 - np.abs(off)) * half_mm[:, None] / probe.pitch_mm + 0.5, 0.0, 1.0)
    weight = inside * (1.0 - hamming + hamming * np.cos(math.pi * np.clip(off, -1, 1)))
    return np.asarray(weight @ strength / np.maximum(weight.sum(1), 1e-9))


def line_gain_db(faults: MachineFaults, n_lines: int) -> Array:
    """Gain of each line by its faults, dB, (L,): a lost line is black, noise and all."""
    gain = np.zeros(n_lines)
    gain[[line - 1 for line in faults.lost_lines if line <= n_lines]] = -300.0
    return gain
