"""A case to be explained, and its explanation; what the makers of explanations share.

Everything is in the frame of the probe, mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from renderer.flow import echoes_of, trace_job
from renderer.frame.frame import Echo, Frame
from renderer.probe.plan import view_angles, world_from_probe
from renderer.scene.scene import Scene
from renderer.teach.findings import Finding
from renderer.teach.paths import Follower, Leg, Path
from renderer.teach.words import Words
from renderer.trace.echoes import ViewEchoes

Place = tuple[float, float]
NEAR_MM = 1.5  # an echo belongs to a patch if it is shown this near to it
SHORT_MM = 0.3  # legs shorter than this are told with their neighbour


@dataclass(frozen=True)
class Cause:
    """What a cause drawing shows.

    ``main`` is the path whose legs are numbered, ``others`` are drawn beside it. ``true_mm`` and
    ``shown_mm`` are pairs, place by place. ``formulas`` are lines of text with the numbers filled in.
    ``echoes`` are the rows of the frame's table that the pairs belong to, pair by pair, where it lists
    them: the table says which echo is explained, but both places come from the path that is followed.
    """

    finding: Finding
    main: Path
    others: tuple[Path, ...]
    true_mm: tuple[Place, ...]
    shown_mm: tuple[Place, ...]
    formulas: tuple[str, ...]
    echoes: tuple[Echo, ...] = ()


@dataclass(frozen=True)
class Case:
    """All that the explanation of one finding is made from."""

    scene: Scene
    frame: Frame
    follower: Follower
    finding: Finding
    words: Words

    @property
    def assumed(self) -> float:
        """Speed that the machine assumes, mm/us."""
        return self.scene.scan.assumed_speed_mm_per_us

    @property
    def interval_us(self) -> float:
        """Time between two pulses."""
        return float(self.frame.manifest["pulse_interval_us"])

    def true_place(self, echo: Echo) -> Place:
        """Where an echo of the table truly comes from, in the frame of the probe; NaN if its place in the world,
        told without y, does not tell that.
        """
        rotation, shift = world_from_probe(self.scene.pose)
        within = rotation[np.ix_([0, 2], [0, 2])]
        if abs(np.linalg.det(within)) < 0.05:  # the picture lies along y
            return math.nan, math.nan
        x, z = np.linalg.solve(within, np.asarray(echo.true_mm) - shift[[0, 2]])
        return float(x), float(z)

    def to_probe(self, place_mm: Iterable[float]) -> Place:
        """A place of the world in the frame of the probe."""
        rotation, shift = world_from_probe(self.scene.pose)
        p = rotation.T @ (np.asarray(list(place_mm), float) - shift)
        return float(p[0]), float(p[2])

    def regions(self, name: str) -> list[int]:
        """Ids of a solid: itself, its wall and its far side."""
        wanted = (name, f"{name}.wall", f"{name}.behind")
        return [n for n, region in self.frame.truth.legend.items() if region.name in wanted]

    def tissue(self, region: int) -> str:
        """Tissue of a region."""
        return self.frame.truth.legend[region].tissue

    def region_said(self, region: int) -> str:
        """Name of a region as it is said."""
        r = self.frame.truth.legend[region]
        return self.words.solid(r.name, r.tissue)


def follower_of(scene: Scene, view: ViewEchoes) -> Follower:
    """What follows rays through a scene's traced view."""
    return Follower(view, scene.probe.face_reflection_db)


def tidy(legs: Sequence[Leg], tissue_of: Callable[[int], str]) -> list[Leg]:
    """Legs as they are told: pieces in one tissue, and very short ones, joined with what follows."""
    told: list[Leg] = []
    for leg in legs:
        last = told[-1] if told else None
        joins = last is not None and last.event == "passes" and (
            tissue_of(last.region) == tissue_of(leg.region) or min(last.length_mm, leg.length_mm) < SHORT_MM
        )  # fmt: skip
        if last is None or not joins:
            told.append(leg)
            continue
        longer = leg if leg.length_mm >= last.length_mm else last
        told[-1] = replace(
            leg, start_mm=last.start_mm, region=longer.region, length_mm=last.length_mm + leg.length_mm,
            time_us=last.time_us + leg.time_us, loss_db=last.loss_db + leg.loss_db + last.end_db,
        )  # fmt: skip
    return told


def listed(case: Case, origin_class: str, regions: Sequence[int] = ()) -> list[Echo]:
    """Echoes of the table that are shown within a finding's patch, strongest first; of some regions if said."""
    names = {case.frame.truth.legend[n].name for n in regions}
    return [
        e for e in case.frame.echoes
        if e.origin_class == origin_class and (not names or e.solid in names) and on_patch(case, e.displayed_mm)
    ]  # fmt: skip


def on_patch(case: Case, place: Place) -> bool:
    """Whether a place of the picture lies on the finding, or next to it."""
    rows, columns = np.nonzero(case.finding.mask)
    x, z = case.frame.x_mm[columns], case.frame.z_mm[rows]
    return bool((np.hypot(x - place[0], z - place[1]) < NEAR_MM).any())


def middle_of(case: Case) -> Place:
    """The pixel of the patch nearest to its mean."""
    rows, columns = np.nonzero(case.finding.mask)
    k = int(np.argmin(np.hypot(rows - rows.mean(), columns - columns.mean())))
    return float(case.frame.x_mm[columns[k]]), float(case.frame.z_mm[rows[k]])


def range_line(case: Case, time_us: float, depth_mm: float) -> str:
    """The range equation with its numbers: depth as half of speed times time."""
    return case.words("formula.range", c=case.assumed, time=time_us, depth=depth_mm)


def angle_of(leg: Leg) -> float:
    """Angle of a leg to straight down, rad, positive to the right."""
    return math.atan2(leg.end_mm[0] - leg.start_mm[0], leg.end_mm[1] - leg.start_mm[1])


def traced_view(scene: Scene, seed: int | None = None) -> ViewEchoes:
    """The traced plain view of a scene, from the tracer's store where the picture has just been made."""
    seeded = scene if seed is None else replace(scene, seed_tissue=seed)
    return echoes_of(trace_job(seeded, view_angles(scene.scan)[0]))
