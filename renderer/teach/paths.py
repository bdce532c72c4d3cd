"""Paths of the sound, leg by leg, followed again through the same phantom as the picture's own trace.

A path is told by the line that it leaves on and by what turns it: surfaces, or the face. It is
followed with the tracer's own kernels, so that its legs are those that made the echo. Everything is
in the frame of the probe.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from renderer.tissue.outlines import MAX_HITS
from renderer.trace import bands, rays
from renderer.trace.branches import FACE, FACE_SLACK_MM, face_distance, reflect_row, whole_widths
from renderer.trace.echoes import ViewEchoes
from renderer.trace.lines import central_ray

Array = npt.NDArray[np.float64]
NP_TO_DB = 20.0 / math.log(10.0)
REACH_FACTOR = 2.0  # a path may be this much longer than the picture is deep, each way and turn
DARK = 1e-9  # amplitude at which a path ends


@dataclass(frozen=True)
class Leg:
    """A straight piece of a path in one medium.

    ``loss_db`` is what the medium takes on the way (at the pulse's centre), ``end_db`` what the surface
    at its end takes: by reflection of what is turned, by passage of what goes on. ``event`` is
    ``passes``, ``turned``, ``face``, ``target`` or ``arrives``; ``at`` the region behind the surface.
    """

    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    region: int
    length_mm: float
    time_us: float
    loss_db: float
    end_db: float
    event: str
    at: int


@dataclass(frozen=True)
class Path:
    """Legs in their order. ``there_and_back``: the sound comes home by the same legs."""

    legs: tuple[Leg, ...]
    line: float
    origin_mm: tuple[float, float]
    direction: tuple[float, float]
    there_and_back: bool
    miss_mm: float = 0.0

    @property
    def time_us(self) -> float:
        """Time from the face and back to it."""
        once = sum(leg.time_us for leg in self.legs)
        return 2 * once if self.there_and_back else once

    @property
    def length_mm(self) -> float:
        """Length of the way out and home."""
        once = sum(leg.length_mm for leg in self.legs)
        return 2 * once if self.there_and_back else once

    @property
    def loss_db(self) -> float:
        """What media and surfaces take, out and home."""
        once = sum(leg.loss_db + leg.end_db for leg in self.legs)
        return 2 * once if self.there_and_back else once

    @property
    def end_mm(self) -> tuple[float, float]:
        """Where the last leg ends."""
        return self.legs[-1].end_mm

    def shown_depth_mm(self, assumed_mm_per_us: float, *, late_us: float = 0.0) -> float:
        """Depth down the line at which a machine shows the echo.

        It takes the echo to have gone straight down the line to a depth s and straight from there to
        the part of the face where it is heard: s + |E - O - s d| = c t. Heard where it was sent, that
        is s = c t / 2.
        """
        run = assumed_mm_per_us * (self.time_us - late_us)
        if self.there_and_back:
            return 0.5 * run
        gx, gz = self.end_mm[0] - self.origin_mm[0], self.end_mm[1] - self.origin_mm[1]
        along = gx * self.direction[0] + gz * self.direction[1]
        return (run * run - gx * gx - gz * gz) / (2 * (run - along))

    def shown_mm(self, assumed_mm_per_us: float, *, late_us: float = 0.0) -> tuple[float, float]:
        """Where a machine shows the echo."""
        depth = self.shown_depth_mm(assumed_mm_per_us, late_us=late_us)
        return self.origin_mm[0] + depth * self.direction[0], self.origin_mm[1] + depth * self.direction[1]


class Follower:
    """Follows rays through the phantom of a traced view."""

    def __init__(self, view: ViewEchoes, face_db: float = 0.0) -> None:
        self.view, self.face_db, self.assumed = view, face_db, float(view.view.assumed)
        self.solids, self.media = view.phantom.solids, view.phantom.media
        self.region_of = view.phantom.painted.region
        self.settings = view.view.settings
        self.refract = bool(self.settings[bands.S_REFRACT] > 0)
        self.radius = float(self.settings[bands.S_RADIUS])
        lines = view.view.lines
        self.lines = np.asarray(lines, float)
        far = 0.5 * view.view.assumed * float(view.plan.time_us[-1])
        self.reach = REACH_FACTOR * max(far, view.view.samples_mm)
        self._hits = np.empty(MAX_HITS)

    def surfaces_of(self, region: int) -> list[int]:
        """Primitives that bound a region."""
        return [int(s) for s in np.flatnonzero(self.region_of == region)]

    def line_at(self, place_mm: tuple[float, float]) -> float:
        """The line, in fractions of a line, that a place of the picture lies on."""
        x, z, dx, dz = self.lines.T
        off = (place_mm[0] - x) * dz - (place_mm[1] - z) * dx
        k = int(np.clip(np.searchsorted(-off, 0.0), 1, len(off) - 1))
        return float(np.clip(k - 1 + off[k - 1] / (off[k - 1] - off[k]), 0, len(off) - 1))

    def start(self, line: float) -> tuple[float, float, float, float]:
        """Origin and direction (x, z, dx, dz) of a line, also between two."""
        k = int(min(max(math.floor(line), 0), len(self.lines) - 2))
        a, b, w = self.lines[k], self.lines[k + 1], line - k
        if self.radius > 1e8:
            x, z, dx, dz = (1 - w) * a + w * b
        else:  # on the arc, as the face is
            angle = (1 - w) * math.atan2(a[0], a[1] + self.radius) + w * math.atan2(b[0], b[1] + self.radius)
            x, z = self.radius * math.sin(angle), self.radius * (math.cos(angle) - 1)
            turn = (1 - w) * math.atan2(a[2], a[3]) + w * math.atan2(b[2], b[3])
            dx, dz = math.sin(turn), math.cos(turn)
        norm = math.hypot(dx, dz)
        return float(x), float(z), float(dx / norm), float(dz / norm)

    def _first(self, line: float) -> tuple[Array, int]:
        x, z, dx, dz = self.start(line)
        seg = np.zeros((rays.MAX_SEGMENTS, rays.N_COLUMNS))
        n = central_ray(
            seg, np.array([x, z, dx, dz]), self.solids, self.media, self.reach, DARK, self.refract, rays.WHOLE_BEAM,
            self._hits, whole_widths(self.settings),
        )  # fmt: skip
        return seg, int(n)

    def _next(self, row: Array) -> tuple[Array, int]:
        seg = np.zeros((rays.MAX_SEGMENTS, rays.N_COLUMNS))
        seg[0] = row
        reach = self.reach + row[rays.PATH]
        n = rays.trace_ray(
            seg, self.solids, self.media, reach, DARK, self.refract, rays.WHOLE_BEAM, self._hits,
            whole_widths(self.settings),
        )  # fmt: skip
        return seg, int(n)

    def to_face(self, line: float, turns: Sequence[int], time_us: float) -> Path | None:
        """The path of a line that is turned by these surfaces (or the face) in turn and comes back to the face.

        A solid's surface can be met at its front and at its back: of all such paths the one is given
        whose time is nearest to ``time_us``. None if there is no path.
        """
        best = None
        for legs, seg, n in self._after(line, turns):
            last = self._to_face(seg, n, "arrives")
            if last is not None:
                path = self._path(line, [*legs, *last], there_and_back=False)
                shown = path.shown_depth_mm(self.assumed)
                if best is None or abs(shown - 0.5 * self.assumed * time_us) < best[0]:
                    best = abs(shown - 0.5 * self.assumed * time_us), path
        return best[1] if best else None

    def to_point(self, line: float, turns: Sequence[int], point_mm: tuple[float, float]) -> Path | None:
        """The path of a line, turned by these surfaces, up to where it passes nearest to a point, and back.

        ``miss_mm`` tells how far the point lies from it, positive to the left of the way.
        """
        paths = [self._nearest(line, *found, point_mm) for found in self._after(line, turns)]
        return max(
            paths, key=lambda p: (p.loss_db if abs(p.miss_mm) < 3.0 else -1e3, -abs(p.miss_mm)), default=None
        )

    def _nearest(
        self, line: float, legs: list[Leg], seg: Array, n: int, point_mm: tuple[float, float]
    ) -> Path:
        best, where = math.inf, (0, 0.0, 0.0)
        for k in range(n):
            px, pz, dx, dz = seg[k, rays.PX], seg[k, rays.PZ], seg[k, rays.DX], seg[k, rays.DZ]
            along = (point_mm[0] - px) * dx + (point_mm[1] - pz) * dz
            along = float(min(max(along, 0.0), min(seg[k, rays.LENGTH], 1e6)))
            gx, gz = point_mm[0] - px - along * dx, point_mm[1] - pz - along * dz
            if math.hypot(gx, gz) < best - 1e-9:
                best, where = math.hypot(gx, gz), (k, along, gx * dz - gz * dx)
        k, along, side = where
        own = self._pieces(seg, k, along, "target")
        return replace(
            self._path(line, [*legs, *own], there_and_back=True), miss_mm=math.copysign(best, side)
        )

    def to_solid(self, line: float, turns: Sequence[int], regions: Sequence[int]) -> Path | None:
        """The path of a line, turned by these surfaces, up to the first surface of these regions, and back."""
        for legs, seg, n in self._after(line, turns):
            for k in range(n):
                if seg[k, rays.LENGTH] < 1e8 and self.region_of[int(seg[k + 1, rays.SURFACE])] in regions:
                    own = self._pieces(seg, k, float(seg[k, rays.LENGTH]), "target")
                    own[-1] = replace(own[-1], at=int(self.region_of[int(seg[k + 1, rays.SURFACE])]))
                    return self._path(line, [*legs, *own], there_and_back=True)
        return None

    def to_depth(self, line: float, length_mm: float) -> Path:
        """The path of a line straight into the phantom for a length, or to where it ends, and back."""
        seg, n = self._first(line)
        for k in range(n):
            if seg[k, rays.PATH] + seg[k, rays.LENGTH] >= length_mm or k == n - 1:
                break
        along = min(length_mm - seg[k, rays.PATH], seg[k, rays.LENGTH])
        return self._path(line, self._pieces(seg, k, float(along), "target"), there_and_back=True)

    def _after(self, line: float, turns: Sequence[int]) -> Iterator[tuple[list[Leg], Array, int]]:
        """Legs up to the last turn, and the segments that follow it, for every way to meet the turns."""
        first, n = self._first(line)
        yield from self._onwards([], first, n, list(turns))

    def _onwards(
        self, legs: list[Leg], seg: Array, n: int, turns: list[int]
    ) -> Iterator[tuple[list[Leg], Array, int]]:
        if not turns:
            yield legs, seg, n
            return
        turn, rest = turns[0], turns[1:]
        if turn == FACE:
            part = self._to_face(seg, n, "face")
            if part is not None:
                row = self._off_face(seg, len(part) - 1)
                yield from self._onwards([*legs, *part], *self._next(row), rest)
            return
        for k in self._meetings(seg, n, turn):
            part = self._pieces(seg, k, float(seg[k, rays.LENGTH]), "turned")
            reflection = abs(float(seg[k + 1, rays.REFLECTION]))
            part[-1] = replace(part[-1], end_db=_db(reflection), at=int(self.region_of[turn]))
            row = np.zeros(rays.N_COLUMNS)
            reflect_row(row, seg, k, np.zeros((2, rays.N_COLUMNS)))
            yield from self._onwards([*legs, *part], *self._next(row), rest)

    def _meetings(self, seg: Array, n: int, surface: int) -> Iterator[int]:
        """Segments that end at a surface, before the face comes."""
        for k in range(n):
            if 0.0 < face_distance(seg[k], self.radius) <= seg[k, rays.LENGTH] + FACE_SLACK_MM:
                return
            if seg[k, rays.LENGTH] < 1e8 and int(seg[k + 1, rays.SURFACE]) == surface:
                yield k

    def _to_face(self, seg: Array, n: int, event: str) -> list[Leg] | None:
        """Legs of a ray up to the face."""
        for k in range(n):
            at = float(face_distance(seg[k], self.radius))
            if 0.0 < at <= seg[k, rays.LENGTH] + FACE_SLACK_MM:
                part = self._pieces(seg, k, at, event)
                part[-1] = replace(part[-1], end_db=self.face_db if event == "face" else 0.0)
                return part
        return None

    def _off_face(self, seg: Array, k: int) -> Array:
        """The ray after the face has sent it back, as the tracer does it."""
        work = np.zeros((2, rays.N_COLUMNS))
        work[0] = seg[k]
        at = float(face_distance(seg[k], self.radius))
        rays.advance(work, 0, at)
        x, z = work[1, rays.PX], work[1, rays.PZ]
        nx, nz = 0.0, -1.0
        if self.radius < 1e8:
            norm = math.hypot(x, z + self.radius)
            nx, nz = -x / norm, -(z + self.radius) / norm
        work[1, rays.NX], work[1, rays.NY], work[1, rays.NZ] = nx, 0.0, nz
        work[1, rays.BEND] = 1.0 / self.radius if self.radius < 1e8 else 0.0
        work[1, rays.BEND_Y] = 0.0
        cos_i = work[1, rays.DX] * nx + work[1, rays.DZ] * nz
        c = seg[k, rays.SPEED]
        rays.turn_ray(work, 1, nx, 0.0, nz, c, c, cos_i, cos_i, rays.BACK)
        return np.array(work[1])

    def _pieces(self, seg: Array, last: int, length: float, event: str) -> list[Leg]:
        """Legs of the segments up to one, which is cut to a length and ends in an event."""
        legs = []
        for k in range(last + 1):
            cut = length if k == last else float(seg[k, rays.LENGTH])
            a = seg[k]
            end = (float(a[rays.PX] + cut * a[rays.DX]), float(a[rays.PZ] + cut * a[rays.DZ]))
            passes = k < last
            after = int(seg[k + 1, rays.REGION]) if passes else int(a[rays.REGION])
            legs.append(
                Leg(
                    start_mm=(float(a[rays.PX]), float(a[rays.PZ])), end_mm=end, region=int(a[rays.REGION]),
                    length_mm=cut, time_us=cut / float(a[rays.SPEED]),
                    loss_db=-NP_TO_DB * cut * float(a[rays.ALPHA]),
                    end_db=_db(abs(seg[k + 1, rays.AMPLITUDE] / a[rays.AMPLITUDE])) if passes else 0.0,
                    event="passes" if passes else event, at=after,
                )
            )  # fmt: skip
        return legs

    def _path(self, line: float, legs: list[Leg], *, there_and_back: bool) -> Path:
        x, z, dx, dz = self.start(line)
        return Path(tuple(legs), line, (x, z), (dx, dz), there_and_back)


def lines_through(follower: Follower, turns: Sequence[int], point_mm: tuple[float, float]) -> list[Path]:
    """All paths by which a point answers on the middle ray of a line: by way of ``turns``, out and home alike.

    The miss is looked at on every line; between two lines where it changes sign it is brought to
    zero. Jumps at the edges of solids are no paths, and are left out.
    """
    misses = [follower.to_point(float(l), turns, point_mm) for l in range(len(follower.lines))]
    found = []
    for l in range(len(misses) - 1):
        a, b = misses[l], misses[l + 1]
        if a is None or b is None or a.miss_mm * b.miss_mm > 0.0:
            continue
        path = _between(follower, turns, point_mm, float(l), float(l + 1), a.miss_mm)
        if path is not None:
            found.append(path)
    return found


def _between(
    follower: Follower,
    turns: Sequence[int],
    point_mm: tuple[float, float],
    low: float,
    high: float,
    at_low: float,
) -> Path | None:
    """The path between two lines that meets a point, by halving; None if there is a jump instead."""
    path = None
    for _ in range(40):
        middle = 0.5 * (low + high)
        path = follower.to_point(middle, turns, point_mm)
        if path is None:
            return None
        if path.miss_mm * at_low > 0.0:
            low = middle
        else:
            high = middle
    return path if path is not None and abs(path.miss_mm) < 0.02 else None


def _db(ratio: float) -> float:
    """Amplitude ratio in dB, not below -200."""
    return 20.0 * math.log10(max(ratio, 1e-10))
