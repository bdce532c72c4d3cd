"""Slow, plain references: the beam as a direct sum over the array, and rules of geometry.

Nothing here is shared with the renderer. Time runs as exp(+i omega t), so a wave that has gone a
path r carries exp(-i k r). Coordinates are the probe's: x along the face, y out of the picture,
z into the body; mm, µs, MHz, mm/µs, radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# ---- the array, element by element -------------------------------------------------------------


@dataclass(frozen=True)
class ArrayTwin:
    """Elements of an array: rectangles of one width and height, with a fixed elevation lens.

    ``radius_mm`` infinite is a flat face. ``gap`` is the part of the pitch that does not sound.
    ``height_mm`` 0 makes line elements: the two-dimensional problem, whose field falls as
    1/sqrt(r). Elements are cut along the face into ``n_sub`` patches; None takes as many as keep
    them within a quarter wave. ``obliquity`` multiplies each patch by the cosine to its normal (a
    soft baffle).
    """

    n_elements: int
    pitch_mm: float
    radius_mm: float = np.inf
    height_mm: float = 0.0
    lens_focus_mm: float = np.inf
    gap: float = 0.0
    n_sub: int | None = None
    n_elevation: int = 1
    obliquity: bool = True

    def face(self, wavelength_mm):
        """Places along the face (E,), mm, of the patches, one element after the other."""
        n_sub = self.n_sub or int(np.ceil(4.0 * self.pitch_mm / wavelength_mm - 1e-9))
        centre = (np.arange(self.n_elements) - (self.n_elements - 1) / 2) * self.pitch_mm
        offset = ((np.arange(n_sub) + 0.5) / n_sub - 0.5) * self.pitch_mm * (1.0 - self.gap)
        return (centre[:, None] + offset[None, :]).ravel()

    def centres(self, wavelength_mm):
        """Places along the face (E,), mm, of the centre of each patch's own element: what a channel is delayed by."""
        n_sub = len(self.face(wavelength_mm)) // self.n_elements
        return np.repeat((np.arange(self.n_elements) - (self.n_elements - 1) / 2) * self.pitch_mm, n_sub)

    def at(self, face_mm):
        """Points (x, z) and normals (x, z) of places along the face, (..., 2) each."""
        face_mm = np.asarray(face_mm, float)
        if np.isinf(self.radius_mm):
            zero = 0.0 * face_mm
            return np.stack([face_mm, zero], -1), np.stack([zero, zero + 1.0], -1)
        s, c = np.sin(face_mm / self.radius_mm), np.cos(face_mm / self.radius_mm)
        return self.radius_mm * np.stack([s, c - 1.0], -1), np.stack([s, c], -1)

    def elevation(self):
        """Elevation places (Y,), mm, at the middle of equal strips."""
        if self.height_mm == 0.0:
            return np.zeros(1)
        return ((np.arange(self.n_elevation) + 0.5) / self.n_elevation - 0.5) * self.height_mm


@dataclass(frozen=True)
class LineTwin:
    """One picture line: its place on the face, steering, and how it sends and listens.

    Apertures are as wide as depth over F-number allows, within ``least_half_mm`` and
    ``channel_half_mm``, and end where the array ends; the windows span the width before that cut.
    With ``receive_focus_mm`` None the receive focus follows the echo (dynamic focus), at the depth
    that the assumed speed gives for it.
    """

    face_mm: float
    focus_mm: float
    transmit_f_number: float
    receive_f_number: float
    steer_rad: float = 0.0
    transmit_window: str = "none"
    receive_window: str = "hamming"
    receive_focus_mm: float | None = None
    assumed_speed: float = 1.54
    least_half_mm: float = 0.0
    channel_half_mm: float = np.inf


def window(name, u):
    """Apodisation at relative places -1..1 of the aperture; 0 beyond (Harris 1978, from memory)."""
    c = np.cos(np.pi * u)
    shape = {"none": 1.0 + 0.0 * u, "hamming": 0.54 + 0.46 * c, "hann": 0.5 + 0.5 * c}[name]
    return np.where(np.abs(u) <= 1.0, shape, 0.0)


def line_frame(array, line):
    """Origin (2,) and direction (2,) of a line, as (x, z)."""
    origin, normal = array.at(line.face_mm)
    s, c = np.sin(line.steer_rad), np.cos(line.steer_rad)
    return origin, np.array([c * normal[0] + s * normal[1], c * normal[1] - s * normal[0]])


def one_way(
    array, line, f_number, focus_mm, points_mm, frequency_mhz, speed, *, shape="none", alpha_db_cm_mhz=0.0
):
    """Field of a focused aperture at points, one frequency, (P,) complex.

    ``points_mm`` (P, 3); ``focus_mm`` one depth along the line, or one for each point (P,). Delays
    are those of the assumed speed, one for each element (a patch far from the centre of its own element
    is out of step: the directivity of an element); the waves travel at ``speed`` and lose ``alpha_db_cm_mhz`` times
    frequency along each patch's own path. The mean over the patches of an element, summed over
    elements.
    """
    points_mm = np.atleast_2d(points_mm)
    focus_mm = np.broadcast_to(np.asarray(focus_mm, float), (len(points_mm),))
    origin, direction = line_frame(array, line)
    face = array.face(speed / frequency_mhz)
    place, normal = array.at(face)
    driven, _ = array.at(array.centres(speed / frequency_mhz))
    focus = origin + focus_mm[:, None] * direction  # (P, 2)
    half = np.clip(focus_mm / (2.0 * f_number), line.least_half_mm, line.channel_half_mm)[:, None]
    weight = window(shape, (face[None, :] - line.face_mm) / half)  # (P, E)
    ahead_us = (
        np.linalg.norm(focus[:, None] - driven[None], axis=-1) - focus_mm[:, None]
    ) / line.assumed_speed
    omega = 2.0 * np.pi * frequency_mhz
    loss = alpha_db_cm_mhz * frequency_mhz * np.log(10.0) / 200.0  # nepers a mm
    flat = points_mm[:, None, [0, 2]] - place[None]  # (P, E, 2)
    total = np.zeros(len(points_mm), complex)
    heights = array.elevation()
    for y in heights:
        r = np.sqrt(np.sum(flat**2, axis=-1) + (points_mm[:, None, 1] - y) ** 2)
        lens_us = 0.0
        if np.isfinite(array.lens_focus_mm) and array.height_mm > 0.0:
            lens_us = (np.hypot(array.lens_focus_mm, y) - array.lens_focus_mm) / line.assumed_speed
        spread = r**-0.5 if array.height_mm == 0.0 else 1.0 / r
        if array.obliquity:
            spread = spread * np.maximum(np.sum(flat * normal[None], axis=-1) / r, 0.0)
        wave = np.exp(1j * omega * (ahead_us + lens_us - r / speed) - loss * r)
        total += np.sum(weight * spread * wave, axis=1)
    return total * array.n_elements / (len(face) * len(heights))


def slit_field(height_mm, lens_focus_mm, points_mm, frequency_mhz, *, speed=1.54, assumed_speed=1.54, n=400):
    """One-way elevation factor of a slit with a lens, (P,) complex: the Fresnel integral over the slit.

    Times the field of line elements (``height_mm`` 0) at the same x and z with y = 0 it is the field
    of the whole array, where x and y separate: small angles, the same distance z for all elements.
    """
    _, y, z = np.atleast_2d(points_mm).T
    s = ((np.arange(n) + 0.5) / n - 0.5) * height_mm
    lens_us = (
        (np.hypot(lens_focus_mm, s) - lens_focus_mm) / assumed_speed if np.isfinite(lens_focus_mm) else 0.0
    )
    late_us = (y[:, None] - s) ** 2 / (2.0 * z[:, None] * speed)
    return np.exp(2j * np.pi * frequency_mhz * (lens_us - late_us)).mean(axis=1) / np.sqrt(z)


def element_sum_beam(array, line, points_mm, frequency_mhz, *, speed=1.54, alpha_db_cm_mhz=0.0):
    """Two-way amplitude of point scatterers at one frequency, (P,) complex: transmit times receive."""
    points_mm = np.atleast_2d(points_mm)
    listening_mm = line.receive_focus_mm
    if listening_mm is None:
        listening_mm = ways_mm(array, line, points_mm) / speed * line.assumed_speed
    medium = {"frequency_mhz": frequency_mhz, "speed": speed, "alpha_db_cm_mhz": alpha_db_cm_mhz}
    send, listen = line.transmit_window, line.receive_window
    sent = one_way(array, line, line.transmit_f_number, line.focus_mm, points_mm, shape=send, **medium)
    return sent * one_way(array, line, line.receive_f_number, listening_mm, points_mm, shape=listen, **medium)


def ways_mm(array, line, points_mm):
    """Distance of points from the origin of the line, (P,), mm."""
    origin, _ = line_frame(array, line)
    return np.sqrt(np.sum((points_mm[:, [0, 2]] - origin) ** 2, axis=1) + points_mm[:, 1] ** 2)


def element_sum_echo(
    array,
    line,
    points_mm,
    centre_mhz,
    bandwidth,
    time_us,
    *,
    speed=1.54,
    alpha_db_cm_mhz=0.0,
    n_frequencies=41,
):
    """Baseband echo of each of several points, (P, T) complex, for a Gaussian two-way pulse.

    ``bandwidth`` is the full width of the spectrum at -6 dB over the centre frequency; ``time_us``
    is (T,), or (P, T) for times of their own. A lone echo of delay tau is the pulse's envelope at
    t - tau (peak 1) times exp(-i omega_0 tau). The window of times round the echo must be shorter
    than n_frequencies / (7 standard deviations).
    """
    sd = centre_mhz * bandwidth / np.sqrt(8.0 * np.log(2.0))
    frequency = centre_mhz + np.linspace(-3.5, 3.5, n_frequencies) * sd
    spectrum = np.exp(-0.5 * ((frequency - centre_mhz) / sd) ** 2)
    spectrum /= spectrum.sum()
    time_us = np.atleast_2d(time_us)
    total = np.zeros((len(np.atleast_2d(points_mm)), time_us.shape[1]), complex)
    for f, s in zip(frequency, spectrum, strict=True):
        if f > 0.0:  # a band wider than 67 % reaches down to nothing
            beam = element_sum_beam(array, line, points_mm, f, speed=speed, alpha_db_cm_mhz=alpha_db_cm_mhz)
            total += s * beam[:, None] * np.exp(2j * np.pi * (f - centre_mhz) * time_us)
    return total


def element_sum_profile(
    array, line, points_mm, centre_mhz, bandwidth, *, speed=1.54, alpha_db_cm_mhz=0.0, n_frequencies=41
):
    """Peak of each point's echo over time, (P,): what a wire shows on a line of the picture."""
    points_mm = np.atleast_2d(points_mm)
    sd = centre_mhz * bandwidth / np.sqrt(8.0 * np.log(2.0))
    delay_us = 2.0 * ways_mm(array, line, points_mm) / speed
    time_us = delay_us[:, None] + np.linspace(-0.5, 0.5, 41) / sd
    echo = element_sum_echo(
        array, line, points_mm, centre_mhz, bandwidth, time_us, speed=speed, alpha_db_cm_mhz=alpha_db_cm_mhz,
        n_frequencies=n_frequencies,
    )  # fmt: skip
    return np.abs(echo).max(axis=1)


# ---- rules of geometry -------------------------------------------------------------------------


def mirror_point(point, on_plane, normal):
    """Image of a point in a plane: P - 2 ((P - Q) . n) n. The echo is shown there."""
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    point = np.asarray(point, float)
    return point - 2.0 * np.sum((point - on_plane) * normal, axis=-1, keepdims=True) * normal


def mirror_of_line(origin, direction, on_plane, normal, way_behind):
    """Where a line goes that turns at a plane, and where its echo is shown.

    Returns the true place of a target ``way_behind`` beyond the plane along the turned line, and
    the place on the straight line at the same range.
    """
    direction = np.asarray(direction, float) / np.linalg.norm(direction)
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    s = np.dot(np.subtract(on_plane, origin), normal) / np.dot(direction, normal)
    turned = direction - 2.0 * np.dot(direction, normal) * normal
    met = origin + s * direction
    return met + way_behind * turned, met + way_behind * direction


def reverberation_depth_mm(depth_mm, order):
    """Displayed depth of reverberation ``order`` between the face and a surface: (order + 1) d."""
    return (order + 1) * depth_mm


def reverberation_amplitude(reflection, face_reflection, order):
    """Amplitude of reverberation ``order`` re its surface's own echo, loss and spreading aside."""
    return (reflection * face_reflection) ** order


def between_depth_mm(first_mm, second_mm, order):
    """Displayed depth of reverberation ``order`` between two surfaces: d2 + k (d2 - d1)."""
    return second_mm + order * (second_mm - first_mm)


def band_spacing_mm(thickness_mm, speed, assumed_speed=1.54):
    """Displayed spacing of the echoes inside a plate or wire: thickness times c_assumed / c."""
    return thickness_mm * assumed_speed / speed


def prism_exit_rad(face_tilt_rad, speed_before, speed_inside, speed_after):
    """Angle to the vertical after a tilted entry and a level exit, for a beam that came straight down.

    Positive bends towards the thick side's normal of entry; a faster prism gives a positive angle.
    """
    inside = face_tilt_rad - np.arcsin(speed_inside / speed_before * np.sin(face_tilt_rad))
    return -np.arcsin(speed_after / speed_inside * np.sin(inside))


def critical_angle_rad(speed_before, speed_after):
    """Angle of total reflection: asin(c1 / c2), for c2 > c1."""
    return np.arcsin(speed_before / speed_after)


def edge_shadow_mm(radius_mm, speed_outside, speed_inside):
    """Width of the strip at each side of a faster cylinder that is totally reflected: R (1 - c1/c2)."""
    return radius_mm * max(0.0, 1.0 - speed_outside / speed_inside)


def cylinder_deviation_rad(impact, speed_outside, speed_inside):
    """Total bending of a ray through a cylinder, 2 (t_inside - t_outside), at impact b/R."""
    return 2.0 * (np.arcsin(speed_inside / speed_outside * impact) - np.arcsin(impact))


def lobe_copy_depth_mm(point_x_mm, point_z_mm, line_x_mm):
    """Depth at which a strong point shows on another line of a flat array: its range from there."""
    return np.hypot(point_z_mm, line_x_mm - point_x_mm)


def grating_angle_rad(pitch_mm, wavelength_mm, steer_rad=0.0, order=1):
    """Direction of a grating lobe: sin t = sin t_steer + m lambda / p."""
    return np.arcsin(np.sin(steer_rad) + order * wavelength_mm / pitch_mm)


def displayed_depth_mm(layers, assumed_speed=1.54):
    """Displayed depth behind layers (thickness mm, speed): the sum of thickness times c_assumed / c."""
    return sum(thickness * assumed_speed / speed for thickness, speed in layers)


def needle_angle_rad(angle_rad, speed, assumed_speed=1.54):
    """Displayed slope of a straight needle: tan b' = tan b times c_assumed / c."""
    return np.arctan(np.tan(angle_rad) * assumed_speed / speed)


def bayonet_step_mm(thickness_mm, speed_here, speed_there, assumed_speed=1.54):
    """Step in a needle between columns of two tissues: z c_assumed (1/c_there - 1/c_here)."""
    return thickness_mm * assumed_speed * (1.0 / speed_there - 1.0 / speed_here)
