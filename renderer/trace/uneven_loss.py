"""Loss that varies within a tissue: soft streaks along the lines behind it.

What a texture calls `loss` is laid over the traced lines: the loss along each line's middle ray is that of the
tissue times a log-normal field of mean 1 that lies still in the tissue. A whole beam feels about what its middle
does, as long as the field is as coarse as the beam is wide; the band is left where it is. Paths that are turned do
not feel it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from renderer.jit import row_kernel
from renderer.tissue.hashing import value_noise
from renderer.tissue.materials import Material
from renderer.tissue.presets import texture_recipe
from renderer.trace import tables as tb
from renderer.trace.direct import TracedLines, View
from renderer.trace.phantom import PackedPhantom
from renderer.trace.rays import R_LOSS

Array = np.ndarray

FINER = 0.36  # the second scale of the field, re its first
STREAM = 211  # of the field among those of the tissue


def with_uneven_loss(
    view: View, phantom: PackedPhantom, materials: Mapping[str, Material], traced: TracedLines, key: int
) -> TracedLines:
    """Traced lines with the unevenness of the loss of their tissues; the same object where there is none.

    ``key``: of the tissue. Tables and surfaces are scaled by exp(-2 e), e the extra one-way loss in nepers at the
    pulse centre, from the face to that depth.
    """
    fields = np.zeros((len(phantom.painted.regions), 2))
    for g, region in enumerate(phantom.painted.regions):
        recipe = texture_recipe(materials[region.tissue].texture)
        if recipe is not None and recipe.loss is not None:
            fields[g] = recipe.loss.length_mm, recipe.loss.spread
    if not fields.any():
        return traced
    extra = np.zeros(traced.nodes.shape[:2])
    add_up(
        traced.nodes,
        traced.n_nodes,
        phantom.media,
        fields,
        phantom.rotation,
        phantom.shift_mm,
        np.uint64(key),
        extra,
    )
    times = view.fine_us * np.arange(view.n_fine)
    surfaces = np.stack(
        [
            np.exp(-2 * np.interp(times, n[:k, tb.N_TIME], e[:k]))
            for n, e, k in zip(traced.nodes, extra, traced.n_nodes)
        ]
    )
    return replace(
        traced, tables=traced.tables * np.exp(-2 * extra)[:, :, None].astype(np.float32),
        surface_fine=traced.surface_fine * np.repeat(surfaces, 2, axis=1).astype(np.float32),
    )  # fmt: skip


@row_kernel("nodes")
def add_up(start, stop, nodes, n_nodes, media, fields, rotation, shift, key, extra):
    """Extra one-way loss from the face to every node, nepers, into extra (L, N).

    ``fields`` (G, 2): length in mm and spread of each region's field, 0 where its loss is even.
    """
    for l in range(start, stop):
        total, before, rate_before = 0.0, 0.0, 0.0
        for n in range(n_nodes[l]):
            node = nodes[l, n]
            region, rate = int(node[tb.N_SEEN]), 0.0
            if region != 65535 and fields[region, 1] > 0.0:
                x = y = z = 0.0
                for q in range(3):
                    c = node[tb.N_CX + q]
                    x, y, z = x + rotation[q, 0] * c, y + rotation[q, 1] * c, z + rotation[q, 2] * c
                per_mm, g = 1.0 / fields[region, 0], fields[region, 1] / math.sqrt(2.0)
                x, y, z = (x + shift[0]) * per_mm, (y + shift[1]) * per_mm, (z + shift[2]) * per_mm
                n1 = value_noise(key + np.uint64(STREAM), x, y, z)
                n2 = value_noise(key + np.uint64(STREAM + 1), x / FINER, y / FINER, z / FINER)
                # A cell's noise has light tails, and the mean of its exponential is a little below that of a normal law
                rate = media[region, R_LOSS] * (math.exp(g * (n1 + n2) - g * g) - 1.0)
            total += 0.5 * (rate + rate_before) * (node[tb.N_S] - before)
            before, rate_before = node[tb.N_S], rate
            extra[l, n] = total
