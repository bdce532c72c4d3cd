"""Closed forms against what the renderer shows: one function a case, each a list of rows.

Used by the tests (with tolerances) and by ``python -m tests.study_closed_forms`` (which prints the table).
The formulas are the geometry of mirrors, layers and prisms (any textbook of acoustics or optics), and
exact unfoldings: a path by way of a plane mirror is the straight path of the mirrored phantom.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

import renderer
from tests.twins import displayed_depth_mm, mirror_point, needle_angle_rad, prism_exit_rad
from tests.twins_waves import aperture_field, waves_past

C = 1.54  # mm/us, speed of the reference tissue and of the machine
PROBE = {
    "kind": "linear", "elements": 128, "pitch_mm": 0.3, "frequency_mhz": 7.5, "bandwidth_percent": 60,
    "height_mm": 5, "lens_focus_mm": 25,
}  # fmt: skip
SIGMA = 0.6 * 7.5 / (2 * math.sqrt(2 * math.log(2)))
NP_PER_CM_MHZ = 1 / 8.685889638


@dataclass(frozen=True)
class Row:
    """One comparison: positions in mm or levels in dB."""

    case: str
    unit: str
    expected: float
    measured: float

    @property
    def error(self) -> float:
        """Measured minus expected."""
        return self.measured - self.expected


def scene(
    solids: list[dict[str, Any]], *, tissues: Any = None, machine: Any = None, **more: Any
) -> renderer.Scene:
    """A small scene on the linear probe; the coupling is the background's tissue."""
    background = more.pop("background", "gelatine")
    phantom = {"background": background, "coupling": background, "solids": solids}
    if tissues:
        phantom["tissues"] = tissues
    base = {"depth_mm": 55, "focus_mm": [25], "noise_db": -160}
    tree = {"title": "closed form", "phantom": phantom, "probe": more.pop("probe", PROBE), "seed": 5, **more}
    return renderer.parse_scene({**tree, "machine": {**base, **(machine or {})}})


@lru_cache(maxsize=8)
def lines_of(made: renderer.Scene) -> tuple[Any, np.ndarray, np.ndarray, tuple[str, ...]]:
    """Frame, level (K, L, T) by class after gain, and depth (T,)."""
    from renderer.flow import _gain_db, echoes_of, trace_job

    view = echoes_of(trace_job(made, made.scan.steer_rad))
    level = 20 * np.log10(np.abs(view.iq) + 1e-15) + _gain_db(made, view)
    return view, level, 0.5 * made.scan.assumed_speed_mm_per_us * view.plan.time_us, view.class_names


def peak(made: renderer.Scene, class_name: str, depth_mm: float, *, x_mm: float | None = None, reach_mm: float = 0.6,
         x_reach_mm: float = 2.5) -> tuple[float, float, float]:  # fmt: skip
    """Level, depth and place of a class's strongest echo near a depth (and place), by a parabola in dB."""
    view, level, depth, names = lines_of(made)
    part = level[names.index(class_name)]
    lines = np.arange(len(part))
    x = view.plan.face_mm
    if x_mm is not None:
        lines = np.flatnonzero(np.abs(x - x_mm) < x_reach_mm)
    else:
        lines = np.array([len(part) // 2])
    samples = np.flatnonzero(np.abs(depth - depth_mm) < reach_mm)
    block = part[np.ix_(lines, samples)]
    i, j = np.unravel_index(block.argmax(), block.shape)
    l, t = lines[i], samples[j]
    if 0 < t < part.shape[1] - 1:
        a, b, c = part[l, t - 1 : t + 2]
        shift = 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else 0.0
    else:
        shift = 0.0
    place = float(x[l])
    if 0 < i < len(lines) - 1:
        a, b, c = part[l - 1 : l + 2, t]
        place += 0.5 * (a - c) / (a - 2 * b + c) * float(x[1] - x[0]) if a - 2 * b + c < 0 else 0.0
    return float(part[l, t]), float(depth[t] + shift * (depth[1] - depth[0])), place


def band_loss_db(loss_np_per_mhz: float, frequency_mhz: float = 7.5, sigma: float = SIGMA) -> float:
    """Level of a Gaussian band after a two-way loss of x nepers per MHz: -x f0 + x^2 s^2 / 2, in dB."""
    x = loss_np_per_mhz
    return 8.685889638 * (-x * frequency_mhz + 0.5 * x * x * sigma * sigma)


def reverberation() -> list[Row]:
    """Orders of a thick plate at 12 mm against the direct echo of the same plate at (k + 1) d, times R^k F^k.

    The fourth of acrylic is too faint to be followed; that of steel is not.
    """
    rows = []
    for tissue, z2, orders in (("acrylic", 1.18 * 2.67, (1, 2, 3)), ("steel", 7.91 * 5.79, (1, 2, 3, 4))):
        plate = {"name": "plate", "shape": "slab", "bottomless": True, "tissue": tissue}
        machine = {"depth_mm": 12 * (orders[-1] + 1) + 6}
        near = scene([{**plate, "top_mm": 12}], machine=machine)
        z1 = 1.04 * 1.54
        step_db = 20 * math.log10((z2 - z1) / (z2 + z1)) - 12
        for k in orders:
            d = 12.0 * (k + 1)
            level, depth, _ = peak(near, "reverberation", d)
            direct, _, _ = peak(scene([{**plate, "top_mm": d}], machine=machine), "direct", d)
            rows += [
                Row(f"reverberation {k} of {tissue}, depth", "mm", d, depth),
                Row(f"reverberation {k} of {tissue}, level", "dB", direct + k * step_db, level),
            ]
    return rows


def plane_mirror(tilt_deg: float) -> list[Row]:
    """Wire before a tilted air mirror against the same wire at its mirror image without the mirror."""
    wire = {"name": "wire", "shape": "wire", "diameter_mm": 0.1, "tissue": "steel"}
    mirror = {
        "name": "mirror",
        "shape": "slab",
        "top_mm": 26,
        "bottomless": True,
        "tilt_deg": tilt_deg,
        "tissue": "air",
    }
    t = math.radians(tilt_deg)
    x, z = (-2.0 if tilt_deg else 0.0), 16.0
    image = mirror_point(np.array([x, z]), np.array([0.0, 26.0]), np.array([-math.sin(t), math.cos(t)]))
    made = scene([mirror, {**wire, "from_mm": [x, -20, z], "to_mm": [x, 20, z]}], machine={"focus_mm": [36]})
    far = scene(
        [{**wire, "from_mm": [image[0], -20, image[1]], "to_mm": [image[0], 20, image[1]]}],
        machine={"focus_mm": [36]},
    )
    want, depth0, place0 = peak(far, "direct", image[1], x_mm=image[0])
    level, depth, place = peak(made, "mirror", image[1], x_mm=image[0])
    name = f"mirror, {tilt_deg:g} degrees"
    return [
        Row(f"{name}, depth", "mm", float(image[1]), depth),
        Row(f"{name}, place", "mm", float(image[0]), place),
        Row(f"{name}, level", "dB", want, level),
    ]


BAND = ((0.0, 0.53333), (1.3556, 0.22207), (-1.3556, 0.22207), (2.857, 0.01126), (-2.857, 0.01126))


def focused_slit(distance_mm: float, focus_mm: float, half_mm: float, frequency_mhz: float, hamming: bool) -> complex:  # fmt: skip
    """Field on the axis of a focused slit: its Fresnel integral (Goodman, Fourier Optics; from memory)."""
    x = np.linspace(-half_mm, half_mm, 2001)
    weight = 0.54 + 0.46 * np.cos(math.pi * x / half_mm) if hamming else np.ones_like(x)
    turn = math.pi * frequency_mhz / C * x * x * (1 / distance_mm - 1 / focus_mm)
    return complex(
        (weight * np.exp(-1j * turn)).sum() * (x[1] - x[0]) * math.sqrt(frequency_mhz / C / distance_mm)
    )


def mirror_gain_db(to_mirror_mm: float, on_mm: float, power_per_mm: float, focus_mm: float) -> float:
    """Level of a point seen in a curved mirror re the same path by way of a plane one, in the picture plane.

    The ray matrix of the path, with the mirror's -power between the two legs, has A = 1 - power L2 and
    B = L1 + L2 (1 - power L1); the field on its axis is that at B / A without the mirror, over root A (ABCD law of a Huygens
    integral; Siegman, Lasers, ch. 20, from memory). Apertures and receive focus are those of the displayed depth;
    mean over the band after the loss of the path (Gauss-Hermite).
    """
    a = 1 - power_per_mm * on_mm
    b = to_mirror_mm + on_mm * (1 - power_per_mm * to_mirror_mm)
    shown = to_mirror_mm + on_mm
    centre = 7.5 - 2 * 0.5 * NP_PER_CM_MHZ * shown / 10 * SIGMA**2

    def both(distance: float) -> complex:
        total = 0j
        for step, weight in BAND:
            f = centre + step * SIGMA
            sent = focused_slit(distance, focus_mm, focus_mm / 6, f, False)
            total += weight * sent * focused_slit(distance, shown, shown / 4, f, True)
        return total

    return 20 * math.log10(abs(both(b / a)) / abs(a) / abs(both(shown)))


def curved_mirror(radius_mm: float, line_mm: float) -> list[Row]:
    """Wire on the turned line of a cylinder of air (negative radius: before the hollow side), seen in it.

    The line at ``line_mm`` meets the mirror, turns by the law of reflection, and reaches the wire 10 mm on: shown
    straight on at the same path. Power of the mirror in its plane of incidence: -2 / (R cos i) (Coddington; from
    memory). Level: the same wire without the mirror, at the place shown, and ``mirror_gain_db``.
    """
    middle = 26 + radius_mm
    to_mirror = middle - math.copysign(math.sqrt(radius_mm**2 - line_mm**2), radius_mm)
    normal = np.array([line_mm, to_mirror - middle]) / radius_mm
    cosine = -float(normal[1])
    at = np.array([line_mm, to_mirror]) + 10 * (np.array([0.0, 1.0]) + 2 * cosine * normal)
    shown = to_mirror + 10
    axis = {"from_mm": [0, -60, middle], "to_mm": [0, 60, middle], "radius_mm": abs(radius_mm)}
    mirror = [{"name": "mirror", "shape": "tube", "tissue": "air", **axis}]
    if radius_mm < 0:
        mirror = [{"name": "mirror", "shape": "slab", "top_mm": 10, "bottomless": True, "tissue": "air"},
                  {"name": "bowl", "shape": "tube", "tissue": "gelatine", **axis}]  # fmt: skip

    def wire(x: float, z: float) -> dict[str, Any]:
        ends = {"from_mm": [x, -20, z], "to_mm": [x, 20, z]}
        return {"name": "wire", "shape": "wire", "diameter_mm": 0.1, "tissue": "steel", **ends}

    machine = {"focus_mm": [36]}
    made = scene([*mirror, wire(float(at[0]), float(at[1]))], machine=machine)
    plain, _, _ = peak(scene([wire(line_mm, shown)], machine=machine), "direct", shown, x_mm=line_mm)
    level, depth, place = peak(made, "mirror", shown, x_mm=line_mm)
    want = plain + mirror_gain_db(to_mirror, 10, -2 / (radius_mm * cosine), 36)
    name = f"mirror of {radius_mm:g} mm, line {line_mm:g} mm"
    return [
        Row(f"{name}, depth", "mm", shown, depth),
        Row(f"{name}, place", "mm", line_mm, place),
        Row(f"{name}, level", "dB", want, level),
    ]


def near_wire_in_a_mirror() -> list[Row]:
    """Wire 8 mm from the face in a plane mirror at 26 mm: the picture of a wire at 44 mm (unfolding; exact)."""
    wire = {"name": "wire", "shape": "wire", "diameter_mm": 0.1, "tissue": "steel"}
    mirror = {"name": "mirror", "shape": "slab", "top_mm": 26, "bottomless": True, "tissue": "air"}
    near = {**wire, "from_mm": [0.15, -20, 8], "to_mm": [0.15, 20, 8]}
    far = {**wire, "from_mm": [0.15, -20, 44], "to_mm": [0.15, 20, 44]}
    machine = {"focus_mm": [36]}
    want, _, _ = peak(scene([far], machine=machine), "direct", 44, x_mm=0.15)
    level, depth, _ = peak(scene([mirror, near], machine=machine), "mirror", 44, x_mm=0.15)
    return [
        Row("mirror, wire near the face, depth", "mm", 44.0, depth),
        Row("mirror, wire near the face, level", "dB", want, level),
    ]


def speed_step() -> list[Row]:
    """Plate under lard and beside it: shown deeper by t (c / c_lard - 1)."""
    lard = {
        "name": "lard",
        "shape": "box",
        "centre_mm": [-15, 0, 15],
        "size_mm": [26, 80, 20],
        "tissue": "lard",
    }
    made = scene(
        [lard, {"name": "line", "shape": "slab", "top_mm": 40, "bottomless": True, "tissue": "acrylic"}]
    )
    speed = dict(made.phantom.materials)["lard"].speed_mm_per_us
    _, plain, _ = peak(made, "direct", 40, x_mm=12, x_reach_mm=2)
    want = displayed_depth_mm([(20.0, speed), (20.0, C)], C)
    _, shown, _ = peak(made, "direct", want, x_mm=-12, x_reach_mm=2)
    return [
        Row("speed step, beside", "mm", 40.0, plain),
        Row("speed step, under lard", "mm", float(want), shown),
    ]


def doubling() -> list[Row]:
    """Wire under two prisms: two copies, each displaced by the thin edge's deviation."""
    c0, c1, angle = 1.45, 1.58, math.radians(30.0)
    tissues = {
        "slow": {"like": "gelatine", "speed_m_s": 1450, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1},
        "fast": {"like": "gelatine", "speed_m_s": 1580, "density_kg_m3": 1000, "attenuation_db_cm_mhz": 0.1},
    }
    rise = 20 * math.tan(angle)
    prisms = [
        {"name": "left", "shape": "prism", "outline_mm": [[-20, 20], [-20, 20 - rise], [0, 20]], "y_mm": [-30, 30], "tissue": "fast"},
        {"name": "right", "shape": "prism", "outline_mm": [[0, 20], [20, 20 - rise], [20, 20]], "y_mm": [-30, 30], "tissue": "fast"},
    ]  # fmt: skip
    wire = {
        "name": "wire",
        "shape": "wire",
        "from_mm": [0, -20, 80],
        "to_mm": [0, 20, 80],
        "diameter_mm": 0.2,
        "tissue": "steel",
    }
    made = scene(
        [*prisms, wire], tissues=tissues, background="slow",
        machine={"depth_mm": 95, "focus_mm": [78], "assumed_speed_m_s": 1450, "frequency_mhz": 6, "transmit_f_number": 5,
                 "receive_f_number": 5},
    )  # fmt: skip
    phi = prism_exit_rad(angle, c0, c1, c0)
    # The line at x meets the prism, leaves its base bent by phi and reaches the wire at x = 60 tan(phi) (and a little inside)
    rows = []
    for side, sign in (("left", -1), ("right", 1)):
        x = sign * 60 * math.tan(phi)
        _, _, place = peak(made, "direct", 79.5, x_mm=x, reach_mm=2.0, x_reach_mm=2.0)
        rows.append(Row(f"doubling, {side} copy", "mm", x, place))
    return rows


def range_ambiguity() -> list[Row]:
    """Deep wire at a high pulse rate: shown at d mod c / (2 PRF)."""
    quiet = {"clear": {"like": "gelatine", "attenuation_db_cm_mhz": 0.05}}
    made = scene(
        [{"name": "plate", "shape": "slab", "top_mm": 92, "bottomless": True, "tissue": "steel"}], tissues=quiet,
        background="clear", machine={"depth_mm": 50, "prf_hz": 12000, "focus_mm": [40]},
    )  # fmt: skip
    want = 92 - 1540 / (2 * 12000) * 1000
    _, depth, _ = peak(made, "range_ambiguity", want, reach_mm=1.5)
    return [Row("range ambiguity, depth", "mm", want, depth)]


def mean_level(made: renderer.Scene, x_mm: tuple[float, float], z_mm: tuple[float, float]) -> float:
    """Mean intensity of a window on the lines, dB."""
    view, level, depth, _ = lines_of(made)
    power = 10 ** (level / 10)
    lines = (view.plan.face_mm > x_mm[0]) & (view.plan.face_mm < x_mm[1])
    samples = (depth > z_mm[0]) & (depth < z_mm[1])
    return float(10 * np.log10(power[:4].sum(0)[np.ix_(lines, samples)].mean()))


def loss_between(alpha: float, a_mm: float, b_mm: float) -> float:
    """Level at depth b less level at a for a loss in dB/(cm MHz), from the band integral, dB."""
    x = [2 * alpha * NP_PER_CM_MHZ * d / 10 for d in (a_mm, b_mm)]
    return band_loss_db(x[1]) - band_loss_db(x[0])


def enhancement() -> list[Row]:
    """Behind 20 mm of less and of more loss than the background, against the band integral (same speed)."""
    rows = []
    for name, alpha in (("enhancement", 0.2), ("absorber", 0.8)):
        body = {"like": "gelatine", "attenuation_db_cm_mhz": alpha, "backscatter_db": 0}
        box = {
            "name": "body",
            "shape": "box",
            "centre_mm": [0, 0, 20],
            "size_mm": [60, 80, 20],
            "tissue": "body",
        }
        made, plain = scene([box], tissues={"body": body}), scene([])
        x = 2 * NP_PER_CM_MHZ * np.array([0.5 * 3.6, 0.5 * 1.6 + alpha * 2.0])
        want = band_loss_db(float(x[1])) - band_loss_db(float(x[0]))
        got = mean_level(made, (-12, 12), (34, 38)) - mean_level(plain, (-12, 12), (34, 38))
        rows.append(Row(f"{name}, 20 mm at {alpha} dB/(cm MHz)", "dB", want, got))
    return rows


def level_with_depth() -> list[Row]:
    """Fall of tissue level from 12 to 36 mm for two losses, less that of the reference (the flat field)."""
    rows = []
    plain = scene([])
    for alpha in (0.3, 0.7):
        made = scene(
            [], tissues={"own": {"like": "gelatine", "attenuation_db_cm_mhz": alpha}}, background="own"
        )
        want = loss_between(alpha, 12, 36) - loss_between(0.5, 12, 36)
        windows = [((-15, 15), (z - 2, z + 2)) for z in (12, 36)]
        got = [mean_level(made, *w) - mean_level(plain, *w) for w in windows]
        rows.append(Row(f"level 12 to 36 mm at {alpha} dB/(cm MHz)", "dB", want, got[1] - got[0]))
    return rows


def needle_bend() -> list[Row]:
    """Slope of a straight wire in lard: tan b' = tan b c / c_lard, between two places of it."""
    from_mm, to_mm = [-12, 0, 20], [12, 0, 20 + 24 * math.tan(math.radians(12))]
    made = scene([{"name": "wire", "shape": "wire", "from_mm": from_mm, "to_mm": to_mm, "diameter_mm": 0.15, "tissue": "steel"}],
                 background="lard")  # fmt: skip
    speed = dict(made.phantom.materials)["lard"].speed_mm_per_us
    depths = []
    for x in (-8.0, 8.0):
        z = displayed_depth_mm([(20 + (x + 12) * math.tan(math.radians(12)), speed)], C)
        depths.append(peak(made, "direct", float(z), x_mm=x, reach_mm=1.5, x_reach_mm=0.2)[1])
    want = needle_angle_rad(math.radians(12), speed, C)
    got = math.atan2(depths[1] - depths[0], 16.0)
    return [Row("oblique wire in lard, depth over 16 mm", "mm", 16 * math.tan(want), 16 * math.tan(got))]


def seen_past(at_mm: float, radius_mm: float, depth_mm: float, focus_mm: float, *, waves: bool) -> float:
    """What a stopped cylinder leaves of the speckle at a depth, dB: integral of |T R|^2 with and without it.

    Transmit F/3 with its own focus, receive F/2 (Hamming) focused at the depth, three frequencies about the 7 MHz
    that the band's centre has drifted to. With ``waves`` by one-way waves past the cylinder, else by the cone of
    the aperture: straight ways that pass it or not, without diffraction at its edge.
    """
    x = (np.arange(4096) - 2047.5) * 0.02
    seen = np.abs(x) < 3.0
    beams = ((focus_mm / 6, focus_mm, 0.0), (depth_mm / 4, depth_mm, 0.46))
    energy = np.zeros(2)
    for f in (6.2, 7.0, 7.8):
        for k, radius in enumerate((radius_mm, 0.0)):
            both = np.ones(seen.sum(), complex)
            for half, aim, window in beams:
                if waves:
                    start = aperture_field(
                        x,
                        f,
                        C,
                        half_mm=half,
                        focus_mm=aim,
                        shape=lambda u, w=window: 1 - w + w * np.cos(np.pi * u),
                    )
                    both *= waves_past(start, 0.02, 0.1, C, f, depth_mm, x, at_mm, radius)[seen]
                    continue
                a = np.linspace(-half, half, 801)
                u = x[seen][:, None]
                passes = np.abs(u + (a - u) * (depth_mm - at_mm) / depth_mm) > radius
                phase = 2 * np.pi * f / C * (np.hypot(u - a, depth_mm) - np.hypot(a, aim))
                weight = 1 - window + window * np.cos(np.pi * a / half)
                both *= (passes * weight * np.exp(1j * phase)).sum(1)
            energy[k] += float((np.abs(both) ** 2).sum())
    return 10 * math.log10(energy[0] / energy[1])


def pebble_shadow() -> list[Row]:
    """Level of the speckle at four depths behind a pebble on the line, against waves past it; four seeds.

    And against the cone of the aperture, which leaves out that waves bend round the pebble and that what they
    bring there is out of step.
    """
    pebble = {"name": "pebble", "shape": "tube", "from_mm": [0, -30, 20], "to_mm": [0, 30, 20], "radius_mm": 1.5,
              "tissue": "stone"}  # fmt: skip
    depths, powers = (26.0, 32.0, 40.0, 48.0), np.zeros((2, 4))
    for seed in range(4):
        for k, solids in enumerate(([pebble], [])):
            made = scene(solids, machine={"focus_mm": [30]}, seed=seed)
            levels = [mean_level(made, (-0.35, 0.35), (z - 1.5, z + 1.5)) for z in depths]
            powers[k] += 10 ** (np.array(levels) / 10)
    got = np.maximum(10 * np.log10(powers[0] / powers[1]), -30.0)
    return [
        Row(
            f"pebble shadow at {z:g} mm, {how}",
            "dB",
            max(seen_past(20.0, 1.5, z, 30.0, waves=how == "waves"), -30.0),
            float(g),
        )
        for how in ("waves", "cone")
        for z, g in zip(depths, got, strict=True)
    ]


CASES = (
    reverberation, lambda: plane_mirror(0.0), lambda: plane_mirror(10.0), lambda: plane_mirror(20.0),
    lambda: curved_mirror(60.0, 0.15), lambda: curved_mirror(30.0, 4.05), lambda: curved_mirror(-60.0, 0.15),
    near_wire_in_a_mirror, speed_step, doubling, range_ambiguity, enhancement, level_with_depth, pebble_shadow, needle_bend,
)  # fmt: skip


def all_rows() -> list[Row]:
    """Every case."""
    return [row for case in CASES for row in case()]
