"""Truth of a frame, from the same trace as the picture. Every layer is made when it is asked for."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import ndimage

from renderer.frame import truth_kernels as tk
from renderer.frame.convert import ScanMap, nearest_picture, soft_picture
from renderer.frame.echo_table import echo_table
from renderer.frame.frame import OUTSIDE_ID, Echo, Region, Truth
from renderer.frame.grid import PictureGrid
from renderer.receive.grey import displayed_floor_db
from renderer.receive.settings import ReceiveSettings
from renderer.trace import bands, direct
from renderer.trace import tables as tb
from renderer.trace.echoes import DIRECT_CLASSES, SECONDARY_CLASSES, ViewEchoes
from renderer.trace.edge_of_field import edge_of_field_db
from renderer.trace.secondary import SPECULAR
from renderer.trace.sheets import N_SAMPLE, Q_REGION, Q_X, Q_Y, Q_Z

Array = np.ndarray

PLACELESS = ("clutter", "main_bang", "interference", "crosstalk")
SHEET_RATIO = 100.0  # a class this much stronger (energy) than its strongest contribution is a sheet's
FAINTEST_DB = 20.0  # what lies this far below black is not told of at a point

# Where an effect's mask begins; dB against the same path through the background.
THRESHOLDS = {
    "shadow": -3.0,
    "enhancement": 3.0,
    "edge_shadow": -3.0,
    "focusing": 3.0,
    "focal_band": 3.0,
    "fault": -3.0,
    "edge_of_field": -3.0,
    "anisotropy": -3.0,
    "speed": 0.5,  # mm
    "refraction": 0.5,  # mm
}


class ViewTruth:
    """Layers of the truth of one frame; a layer is worked out once, on first use.

    Shares and energies take in all views; everything else is told in the first (the plain) view.
    """

    def __init__(
        self, views: Sequence[ViewEchoes], gain_db: Array, receive: ReceiveSettings, grid: PictureGrid, scan: ScanMap,
        without: tuple[str, ...],
    ) -> None:  # fmt: skip
        self.views, self.gain_db, self.receive, self.grid, self.scan = views, gain_db, receive, grid, scan
        self.without = without
        self.first = views[0]

    # --- energy ---------------------------------------------------------------------------------
    @cached_property
    def energy(self) -> dict[str, Array]:
        """Energy of every class averaged over the local cell, on the picture, after gain; noise included."""
        total: dict[str, Array] = {}
        output = 10 ** (self.receive.output_db / 10)
        for number, (view, gain) in enumerate(zip(self.views, self.gain_db, strict=True)):
            power = 10 ** (gain / 10)
            for name, iq in zip(view.class_names, view.iq, strict=True):
                silent = name in self.without or not iq.any()
                if silent:
                    total.setdefault(name, np.zeros(self.scan.in_view.shape, np.float32))
                    continue
                cell = smooth_over_cell(iq.real**2 + iq.imag**2, view) * (power * output)
                picture = np.nan_to_num(soft_picture(cell.astype(np.float32), self.scan, number))
                total[name] = total.get(name, 0.0) + picture
            noise = np.broadcast_to(power * 10 ** (self.receive.noise_db / 10), view.iq.shape[1:])
            picture = np.nan_to_num(soft_picture(noise.astype(np.float32), self.scan, number))
            total["noise"] = total.get("noise", 0.0) + picture
        return total

    def share(self) -> dict[str, Array]:
        """Share of every class in the energy of the pixel's cell, NaN out of view; they add up to 1."""
        whole = sum(self.energy.values())
        outside = ~self.scan.in_view
        shares = {}
        for name, energy in self.energy.items():
            share = np.divide(energy, whole, out=np.zeros_like(whole), where=whole > 0).astype(np.float32)
            share[outside] = np.nan
            shares[name] = share
        return shares

    # --- geometry -------------------------------------------------------------------------------
    def there(self) -> Array:
        """Region at each pixel's centre in the picture plane."""
        there = np.empty(self.scan.in_view.shape, np.uint16)
        tk.region_picture(
            *self.first.phantom.solids, self.grid.x_mm, self.grid.z_mm, self.scan.in_view, there
        )
        return there

    @cached_property
    def central(self) -> tuple[Array, Array]:
        """Region that the central ray saw, and where that was in the probe frame."""
        shape = self.scan.in_view.shape
        seen, origin = np.empty(shape, np.uint16), np.empty((*shape, 3), np.float32)
        v = self.first
        tk.central_picture(
            v.traced.nodes, v.traced.n_nodes, self.scan.line[0], self.scan.sample[0], v.plan.sample_us,
            self.scan.in_view, v.view.lines, v.view.assumed, self.grid.x_mm, self.grid.z_mm, seen, origin,
        )  # fmt: skip
        return seen, origin

    def to_world(self, points_mm: Array) -> Array:
        """Points of the probe frame in the world, any shape (..., 3)."""
        p = self.first.phantom
        return np.asarray(points_mm @ p.rotation + p.shift_mm, np.float32)

    # --- strongest contribution -----------------------------------------------------------------
    @cached_property
    def strongest(self) -> dict[str, Array]:
        """Region, place (probe frame), via and order of the strongest contribution, on the lines (L, T)."""
        v = self.first
        keep_direct = "direct" not in self.without
        zero = np.zeros_like(v.best)
        sizes = [v.best if keep_direct else zero, v.traced.surface_best**2 if keep_direct else zero]
        if v.secondary is not None:
            for k, name in enumerate(SECONDARY_CLASSES):
                sizes.append(self._secondary_size(k) if name not in self.without else zero)
        by_lobe = len(sizes)
        sizes.append(v.lobe_best**2 if not {"side_lobe", "grating_lobe"} <= set(self.without) else zero)
        half = max(1, int(round(v.view.pulse.sigma_us * 1.18 / v.view.fine_us)))
        shape = v.iq.shape[1:]
        winner, group = np.empty(shape, np.int64), np.empty(shape, np.int64)
        tk.strongest_in_cell(np.stack(sizes), half, winner, group)
        none = winner < 0
        line = np.arange(shape[0])[:, None]
        at = np.maximum(winner, 0)
        code = v.best_index[line, at].astype(np.int64)
        surface = -1 - v.traced.surface_index[line, at].astype(np.int64)
        code = np.where(group == 1, surface, code)
        code = np.where(group == by_lobe, -1 - v.lobe_index[line, at].astype(np.int64), code)
        tag = np.zeros(shape, np.int64)
        if v.secondary is not None:
            turned = (group >= 2) & (group < by_lobe)
            late = np.where(turned, group - 2, 0)
            code = np.where(turned, v.secondary.index[line, late, at], code)
            tag = np.where(turned, v.secondary.tag[line, late, at], 0)
        region, place = self._describe(code)
        none |= self._placeless()
        region[none], place[none] = OUTSIDE_ID, np.nan
        tag[none] = 0
        rings = self._ringing()
        if rings is not None:
            region[rings >= 0], place[rings >= 0], tag[rings >= 0] = rings[rings >= 0], np.nan, 0
        return {
            "region": region, "place": place, "via": (tag // 256).astype(np.uint16),
            "order": np.minimum(tag % 256, 255).astype(np.uint8), "line": line, "winner": winner, "group": group,
        }  # fmt: skip

    def _class_power(self, names: Sequence[str]) -> Array:
        """Power of classes on the lines, those aside that are left out, (L, T)."""
        v = self.first
        kept = [v.iq[v.class_names.index(name)] for name in names if name not in self.without]
        return np.asarray(sum((np.abs(iq) ** 2 for iq in kept), np.zeros(v.iq.shape[1:], np.float32)))

    def _placeless(self) -> Array:
        """Where most of the energy has no one place that it comes from: haze, ring of the face, interference."""
        power = self._class_power(PLACELESS)
        return power > self._class_power([n for n in self.first.class_names if n not in PLACELESS])

    def _ringing(self) -> Array | None:
        """Region of the gas that rings where that is most of the energy, else -1, (L, T)."""
        v = self.first
        if v.ringing is None or (v.ringing < 0).all():
            return None
        power = self._class_power(["ring_down"])
        rest = self._class_power([n for n in v.class_names if n != "ring_down"])
        region = v.ringing[:, : 2 * power.shape[1] : 2]
        return np.where(power > rest, region, -1)

    def _secondary_size(self, k: int) -> Array:
        """Squared size of what is strongest in a secondary class, (L, T').

        A smooth surface is summed from samples that are each far weaker than a scatterer. Where the class is
        heard a hundred times as strong as the strongest single contribution, which scatterers do not reach, its
        samples stand for the whole surface, and count as much as is heard.
        """
        v = self.first
        assert v.secondary is not None
        best, code = v.secondary.best[:, k], v.secondary.index[:, k]
        heard = np.abs(v.iq[v.class_names.index(SECONDARY_CLASSES[k])] / v.scale) ** 2
        heard = np.repeat(heard, 2, axis=1)
        heard = np.pad(heard, ((0, 0), (0, max(best.shape[1] - heard.shape[1], 0))))[:, : best.shape[1]]
        sample = (code < 0) & (code > SPECULAR // 2) & (best > 0)
        return np.where(sample & (heard > SHEET_RATIO * best), heard, best)

    def _describe(self, code: Array) -> tuple[Array, Array]:
        """Region and place of contributions by their code (see ``renderer.trace.secondary``)."""
        v = self.first
        region = np.full(code.shape, OUTSIDE_ID, np.uint16)
        place = np.full((*code.shape, 3), np.nan, np.float32)
        point = code >= 0
        p = code[point]
        region[point] = v.points.region[p]
        place[point] = np.stack([v.points.x_mm[p], v.points.y_mm[p], v.points.z_mm[p]], -1)
        sample = (code < 0) & (code > SPECULAR // 2)
        q = -1 - code[sample]
        rows = v.traced.samples[q] if len(v.traced.samples) else np.zeros((len(q), N_SAMPLE))
        region[sample] = rows[:, Q_REGION]
        place[sample] = rows[:, [Q_X, Q_Y, Q_Z]]
        specular = code <= SPECULAR // 2
        region[specular] = SPECULAR - code[specular]
        return region, place

    def source_mm(self) -> Array:
        """Place of the strongest contribution in the world, nearest line and sample."""
        place = self.strongest["place"]
        n = place.shape[0] * place.shape[1]
        index = nearest_picture(np.arange(n, dtype=np.int32).reshape(place.shape[:2]), self.scan, -1)
        picture = self.to_world(place.reshape(-1, 3)[np.maximum(index, 0)])
        picture[index < 0] = np.nan
        return picture

    # --- effects --------------------------------------------------------------------------------
    @cached_property
    def line_effects(self) -> dict[str, Array]:
        """Effects on the lines, dB, (L, T)."""
        v = self.first
        plain = direct.trace_view(
            v.view, plain_of(v), np.zeros((0, N_SAMPLE)), end_us=float(v.plan.time_us[-1]) + 2.0
        )
        time = v.plan.time_us
        att, whole = np.zeros(v.iq.shape[1:]), np.zeros(v.iq.shape[1:])
        sigma = v.view.pulse.sigma_mhz
        for line in range(v.plan.n_lines):
            a, b = v.traced.nodes[line, : v.traced.n_nodes[line]], plain.nodes[line, : plain.n_nodes[line]]
            loss_db = 10 * np.log10(np.maximum(a[:, tb.N_LOSS_RATIO], 1e-12))
            slope = np.interp(a[:, tb.N_S], b[:, tb.N_S], b[:, tb.N_LOSS_SLOPE])
            f0 = v.view.pulse.frequency_mhz
            rise = [
                bands.band_rise(x, sigma, f0) - bands.band_rise(y, sigma, f0)
                for x, y in zip(a[:, tb.N_LOSS_SLOPE], slope, strict=True)
            ]
            loss_db += 20 / math.log(10) * np.array(rise)
            gain = np.interp(a[:, tb.N_S], b[:, tb.N_S], 10 * np.log10(np.maximum(b[:, tb.N_GAIN], 1e-30)))
            gain_db = 10 * np.log10(np.maximum(a[:, tb.N_GAIN], 1e-30)) - gain
            att[line] = np.interp(time, a[:, tb.N_TIME], np.maximum(loss_db, -80.0))
            whole[line] = np.interp(time, a[:, tb.N_TIME], np.maximum(gain_db, -80.0))
        lens = whole - att
        # The beam's own gain along the line against its median, where the machine leaves it in
        own = -v.flat_field_db + np.median(v.flat_field_db)
        band = np.broadcast_to(0.0 if self.receive.flat_field else own, att.shape)
        fault = np.zeros_like(att) if v.fault_db is None else v.fault_db
        return {
            "fault": fault, "shadow": np.minimum(att, 0), "enhancement": np.maximum(att, 0), "edge_shadow": np.minimum(lens, 0),
            "focusing": np.maximum(lens, 0), "focal_band": np.maximum(band, 0),
            "edge_of_field": edge_of_field_db(v.view), "anisotropy": self._fibres(),
        }  # fmt: skip

    def _fibres(self) -> Array:
        """Level of fibrous tissues by the angle of the central ray to their fibres, dB, (L, T); 0 elsewhere.

        As the key ``anisotropy`` of a tissue says it. What sheets of a texture do with the angle is not in it.
        """
        v = self.first
        drop = np.zeros(v.iq.shape[1:])
        if (v.phantom.fibres[:, 1] > 0).any():
            tk.fibre_lines(v.traced.nodes, v.traced.n_nodes, v.phantom.fibres, v.plan.sample_us, drop)
        return drop

    def effect_db(self) -> dict[str, Array]:
        """Effects on the picture, dB (+ brighter), NaN out of view."""
        return {name: soft_picture(e.astype(np.float32), self.scan) for name, e in self.line_effects.items()}

    def displacement_mm(self) -> dict[str, Array]:
        """How far things are shown from where they are, mm, displayed minus true.

        ``speed`` (H, W): along the line, + = too deep: shown depth minus the length of the ray's path.
        ``refraction`` (H, W, 2): x and z, what the bending of the ray adds. NaN where the ray has ended.
        """
        _, origin = self.central
        v = self.first
        path = self._path_picture()
        depth = 0.5 * v.view.assumed * np.maximum(self.scan.sample[0], 0) * v.plan.sample_us
        speed = (depth - path).astype(np.float32)
        direction = self._direction_picture()
        shown = np.stack(np.broadcast_arrays(self.grid.x_mm[None, :], self.grid.z_mm[:, None]), -1)
        rest = shown - origin[..., [0, 2]] - speed[..., None] * direction
        # Where the middle ray has ended nothing is shown of what lies there
        speed[~np.isfinite(origin[..., 0])] = np.nan
        return {"speed": speed, "refraction": rest.astype(np.float32)}

    def _path_picture(self) -> Array:
        """Length of the central ray's path at each pixel, mm."""
        v = self.first
        path = np.full(v.iq.shape[1:], np.nan, np.float32)
        for line in range(v.plan.n_lines):
            nodes = v.traced.nodes[line, : v.traced.n_nodes[line]]
            alive = ~np.isnan(nodes[:, tb.N_CTIME])
            place = nodes[alive][:, [tb.N_CX, tb.N_CY, tb.N_CZ]]
            if not len(place):
                continue
            start = np.linalg.norm(place[0] - v.plan.line_origin_mm[line])
            length = start + np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(place, axis=0), axis=1))])
            t = nodes[alive, tb.N_CTIME]
            values = np.interp(v.plan.time_us, np.concatenate([[0], t]), np.concatenate([[0], length]))
            values[v.plan.time_us > t[-1]] = np.nan
            path[line] = values
        return soft_picture(path, self.scan)

    def _direction_picture(self) -> Array:
        """Direction (x, z) of the scan line at each pixel."""
        v = self.first
        parts = [
            soft_picture(
                np.repeat(v.plan.line_direction[:, [k]], v.iq.shape[2], 1).astype(np.float32), self.scan
            )
            for k in (0, 2)
        ]
        return np.stack(parts, -1)

    # --- words ----------------------------------------------------------------------------------
    def explain(self, x_mm: float, z_mm: float) -> list[dict[str, Any]]:
        """Contributions to the picture at a point, strongest first.

        What lies more than 20 dB below black is left out, but for the strongest.
        """
        j = int(np.argmin(np.abs(self.grid.x_mm - x_mm)))
        i = int(np.argmin(np.abs(self.grid.z_mm - z_mm)))
        line = int(np.clip(round(float(self.scan.line[0, i, j])), 0, self.first.plan.n_lines - 1))
        t = int(np.clip(round(float(self.scan.sample[0, i, j])), 0, self.first.iq.shape[2] - 1))
        told_db = min(
            displayed_floor_db(self.receive) - FAINTEST_DB,
            10 * math.log10(max(1e-30, *(float(e[i, j]) for e in self.energy.values()))),
        )
        rows = []
        for name, energy in self.energy.items():
            e = float(energy[i, j])
            if e <= 0 or 10 * math.log10(e) < told_db:
                continue
            words, points = self._path_words(name, line, t)
            level = 10 * math.log10(e)
            rows.append({"class": name, "level_db": level, "path": words, "points_mm": points})
        return sorted(rows, key=lambda row: -row["level_db"])

    def _ring_words(self, line: int, window: slice) -> str:
        """Which gas rings on a line."""
        v = self.first
        found = v.ringing[line, window] if v.ringing is not None else np.zeros(0, int)
        found = found[found >= 0]
        if not len(found):
            return "from neighbouring lines"
        return f"face - {v.phantom.painted.regions[int(found[0])].name}, which rings - face"

    def _path_words(self, name: str, line: int, t: int) -> tuple[str, list[list[float]]]:
        """The way of the strongest contribution of a class near a sample, in words and as points (world)."""
        v = self.first
        start = self.to_world(v.plan.line_origin_mm[line]).tolist()
        if name in WITHOUT_PATH:
            return WITHOUT_PATH[name], []
        legend = v.phantom.painted.regions
        half = max(1, int(round(v.view.pulse.sigma_us * 1.18 / v.view.fine_us)))
        window = slice(max(0, 2 * t - half), 2 * t + half + 1)
        tag, code = 0, None
        if name in DIRECT_CLASSES:
            point = int(np.argmax(v.best[line, window])) + window.start
            sheet = int(np.argmax(v.traced.surface_best[line, window])) + window.start
            code = int(v.best_index[line, point])
            if name == "direct" and v.traced.surface_best[line, sheet] ** 2 > v.best[line, point]:
                code = -1 - int(v.traced.surface_index[line, sheet])
            lobe = int(np.argmax(v.lobe_best[line, window])) + window.start
            if name == "side_lobe" and v.lobe_best[line, lobe] ** 2 > v.best[line, point]:
                code = -1 - int(v.lobe_index[line, lobe])
        elif name == "grating_lobe":
            lobe = int(np.argmax(v.lobe_best[line, window])) + window.start
            code = -1 - int(v.lobe_index[line, lobe])
        elif name == "ring_down":
            return self._ring_words(line, window), [start]
        elif v.secondary is not None and name in SECONDARY_CLASSES:
            k = SECONDARY_CLASSES.index(name)
            best = int(np.argmax(v.secondary.best[line, k, window])) + window.start
            if v.secondary.best[line, k, best] > 0:
                code, tag = int(v.secondary.index[line, k, best]), int(v.secondary.tag[line, k, best])
        if code is None:
            return "from neighbouring lines", []
        region, place = self._describe(np.array([code]))
        source = legend[int(region[0])].name if region[0] < len(legend) else "unknown"
        via, order = tag // 256, tag % 256
        turn = legend[via].name if via < len(legend) else "unknown"
        words = {
            "mirror": f"face - {turn} - {source} - {turn} - face",
            "reverberation": f"face - {turn} - (to and fro {times(order)}) - {source} - face",
            "multipath": f"face - {turn} - {source} - face, home another way",
            "range_ambiguity": f"face - {source} - face, from the pulse before",
            "grating_lobe": f"face - {source} - face, by a grating lobe",
            "side_lobe": f"face - {source} - face, by a side lobe",
        }.get(name, f"face - {source} - face")
        points = [start]
        if np.isfinite(place).all():
            points.append(self.to_world(place[0]).tolist())
        return words, points


# What has no path to be told
WITHOUT_PATH = {
    "noise": "made in the receiver",
    "interference": "from a source outside, heard by the receiver",
    "crosstalk": "echoes of other lines, leaked along the array",
    "main_bang": "the pulse rings on at the face",
    "clutter": "scattered more than once in the tissue round about",
}


def times(count: int) -> str:
    """How often, in words."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def plain_of(view: ViewEchoes) -> Any:
    """The view's phantom with nothing but its background."""
    p = view.phantom
    kinds, rows, outline, spans, region, traced = p.solids
    return replace(
        p,
        solids=(kinds, rows, outline, spans, region, np.zeros_like(traced)),
        media=np.repeat(p.media[:1], len(p.media), 0),
    )


def smooth_over_cell(energy: Array, view: ViewEchoes) -> Array:
    """Energy averaged over the local two-way -6 dB resolution cell, (L, T).

    Along the line over the pulse, across it over the beam, whose width in lines changes with depth.
    """
    axial = max(1, int(round(2.355 * view.view.pulse.sigma_us / view.plan.sample_us)))
    cell = ndimage.uniform_filter1d(energy.astype(np.float32), axial, axis=1, mode="nearest")
    width = beam_width_lines(view)
    n = energy.shape[0]
    sums = np.concatenate([np.zeros((1, cell.shape[1])), np.cumsum(cell, axis=0, dtype=np.float64)])
    lines = np.arange(n)[:, None]
    half = np.round(0.5 * (width - 1)).astype(int)[None, :]
    low, high = np.clip(lines - half, 0, n), np.clip(lines + half + 1, 0, n)
    columns = np.arange(cell.shape[1])[None, :]
    return np.asarray((sums[high, columns] - sums[low, columns]) / (high - low), np.float32)


def beam_width_lines(view: ViewEchoes) -> Array:
    """Two-way -6 dB width of the beam in line spacings, by sample, (T,)."""
    m = view.view.settings
    s = 0.5 * view.view.assumed * view.plan.time_us
    wavelength = view.view.assumed / m[bands.S_F0]
    width = wavelength * np.maximum(m[bands.S_RX_F], s / (2 * m[bands.S_CHANNEL_HALF]))
    return np.asarray(np.maximum(width / view.plan.line_spacing_mm(s), 1.0))


def frame_truth(
    views: Sequence[ViewEchoes], gain_db: Array, receive: ReceiveSettings, grid: PictureGrid, scan: ScanMap,
    level_db: Array, floor_db: float, without: tuple[str, ...],
) -> tuple[Truth, Callable[[], tuple[Echo, ...]], Callable[[float, float], Any]]:  # fmt: skip
    """The truth of a frame, the maker of its echo table, and the function that explains a point."""
    made = ViewTruth(views, gain_db, receive, grid, scan, without)
    legend: Mapping[int, Region] = {
        number: Region(region.name, region.tissue)
        for number, region in enumerate(views[0].phantom.painted.regions)
    }
    truth = Truth(
        {
            "there": made.there,
            "seen": lambda: made.central[0],
            "origin_mm": lambda: made.to_world(made.central[1]),
            "source": lambda: nearest_picture(made.strongest["region"], scan, OUTSIDE_ID),
            "source_mm": made.source_mm,
            "via": lambda: nearest_picture(made.strongest["via"], scan, 0),
            "order": lambda: nearest_picture(made.strongest["order"], scan, 0),
            "share": made.share,
            "effect_db": made.effect_db,
            "displacement_mm": made.displacement_mm,
        },
        legend=legend,
        level_db=level_db,
        floor_db=floor_db,
        thresholds=THRESHOLDS,
    )
    return truth, lambda: echo_table(made, truth, level_db), made.explain
