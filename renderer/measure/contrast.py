"""Contrast between two regions: in dB, against the speckle, and as overlap of histograms."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError
from renderer.measure.speckle import Measured

Array = npt.NDArray[np.floating]

# Bins of the pooled ranks for the overlap; more bins than this measure noise of the histogram.
OVERLAP_BINS = 64


def contrast_db(inside: Array, outside: Array, *, n_inside: float, n_outside: float) -> Measured:
    """Level of the mean intensity inside over that outside, dB, from envelopes.

    ``n_inside`` and ``n_outside`` are independent cells; the mean of n exponential intensities
    has a relative uncertainty of 1/sqrt(n).
    """
    ratio = float(
        np.mean(np.square(inside, dtype=np.float64)) / np.mean(np.square(outside, dtype=np.float64))
    )
    relative = np.sqrt(1.0 / n_inside + 1.0 / n_outside)
    return Measured(10.0 * float(np.log10(ratio)), 10.0 / float(np.log(10.0)) * float(relative))


def cnr(inside: Array, outside: Array) -> float:
    """Contrast-to-noise ratio of two regions: |m1 - m2| / sqrt(s1^2 + s2^2).

    Of whatever is handed in; the usual definition takes envelopes (Patterson and Foster 1983,
    from memory).
    """
    spread = np.sqrt(np.var(inside) + np.var(outside))
    if not spread > 0.0:
        raise SettingError("both regions are constant: there is no noise to compare with")
    return float(abs(np.mean(inside) - np.mean(outside)) / spread)


def generalised_cnr(inside: Array, outside: Array, *, n_inside: float, n_outside: float) -> Measured:
    """Generalised contrast-to-noise ratio: 1 minus the overlap of the two histograms, 0..1.

    Bins are quantiles of the pooled values, so that no monotone grey map changes it
    (Rodriguez-Molares et al. 2020, IEEE UFFC 67:745). The uncertainty is that of the fractions
    on either side of the best single threshold, for ``n_inside`` and ``n_outside`` cells.
    """
    first, second = np.sort(np.ravel(inside)), np.sort(np.ravel(outside))
    pooled = np.sort(np.concatenate([first, second]))
    edges = np.unique(pooled[np.linspace(0, pooled.size - 1, OVERLAP_BINS + 1).astype(int)])[1:-1]
    below_first = np.searchsorted(first, edges) / first.size
    below_second = np.searchsorted(second, edges) / second.size
    share_first = np.diff(below_first, prepend=0.0, append=1.0)
    share_second = np.diff(below_second, prepend=0.0, append=1.0)
    overlap = float(np.minimum(share_first, share_second).sum())
    best = int(np.argmax(np.abs(below_first - below_second))) if edges.size else 0
    p, q = (below_first[best], below_second[best]) if edges.size else (0.5, 0.5)
    variance = p * (1.0 - p) / n_inside + q * (1.0 - q) / n_outside
    return Measured(1.0 - overlap, float(np.sqrt(variance)))
