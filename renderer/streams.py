"""One seed in, an independent random stream for every purpose and index out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from renderer.errors import SettingError

# The numbers are part of every picture that was ever made: add at the end, never renumber.
PURPOSES = {
    "scatterers": 1,
    "electronic_noise": 2,
    "texture": 3,
    "surfaces": 4,
    "clutter": 5,
    "main_bang": 6,
    "grains": 7,
    "machine_faults": 8,
    "series": 9,
    "datasets": 10,
}

MAX_SEED = 2**32 - 1


@dataclass(frozen=True)
class Streams:
    """Random streams of one seed, keyed by purpose and index.

    Neighbouring seeds are unrelated, 0 is a seed like any other, and neither the order of the
    calls nor the number of workers changes what a stream gives.

    Raises
    ------
    SettingError
        If the seed is no whole number in 0..4294967295.
    """

    seed: int

    def __post_init__(self) -> None:
        whole = isinstance(self.seed, int | np.integer) and not isinstance(self.seed, bool)
        if not whole or not 0 <= self.seed <= MAX_SEED:
            raise SettingError(f"seed must be a whole number in 0..{MAX_SEED}, got {self.seed!r}")

    def __call__(self, purpose: str, *index: int) -> np.random.Generator:
        """A fresh generator for a purpose and an index, such as a line, or a frame and a line."""
        return np.random.default_rng(self._sequence(purpose, *index))

    def key(self, purpose: str) -> int:
        """A 64-bit number for hashes that count instead of drawing (position in, number out)."""
        return int(self._sequence(purpose).generate_state(1, np.uint64)[0])

    def _sequence(self, purpose: str, *index: int) -> np.random.SeedSequence:
        number = PURPOSES[purpose]
        return np.random.SeedSequence(int(self.seed), spawn_key=(number, *(int(i) for i in index)))
