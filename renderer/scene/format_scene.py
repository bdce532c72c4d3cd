"""The format table of a scene file: the top level, physics, remedies and seeds."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import Field, Tag

from renderer.scene.format_base import ByKind, Model, Name, Sentence, TissueName
from renderer.scene.format_faults import FaultsRow
from renderer.scene.format_machine import MachineRow, PoseRow, ProbeRow
from renderer.scene.format_solids import AnySolid
from renderer.scene.format_tissues import TissueFields
from renderer.scene.names import SHOWABLE, Showable

SeedNumber = Annotated[int, Field(ge=0, le=2**32 - 1)]


class AberrationRow(Model):
    """Delays that uneven layers right under the probe add to its elements, as of a body wall."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "Smooth noise along the face, anchored in the phantom, alike on the way there and back: the beam loses focus and "
            "level. Layers that are drawn as solids aberrate by themselves; this stands for those that are not. Off with "
            "`physics.refraction: false`; paths that are turned do not feel it, nor do lobes."
        ),
    )
    delay_ns: float = Field(ge=0, le=200, description="standard deviation of the delay, one way")
    length_mm: float = Field(ge=1, le=50, description="scale of the delays along the face")


class PhantomRow(Model):
    """What is scanned: a background with solids in it, under a coupling medium."""

    notes: ClassVar[tuple[str, ...]] = (
        (
            "A solid that lies across z = 0 also covers the coupling there. Regions are told apart by the name of "
            "their solid; a wall is NAME.wall, the far side of a sheet NAME.behind."
        ),
    )
    background: TissueName = Field(description="tissue that fills all of z >= 0 around the solids")
    coupling: TissueName = Field(
        default="gel", description="tissue of z < 0 and of the gap under a lifted probe"
    )
    aberration: AberrationRow | None = Field(default=None, description="uneven delays right under the probe")
    tissues: Annotated[dict[Name, TissueFields], Field(max_length=100)] = Field(
        default={}, description="the scene's own tissues by name"
    )
    solids: Annotated[list[AnySolid], Field(max_length=500)] = Field(
        default=[], description="solids in order; a later one covers an earlier one"
    )


class PhysicsRow(Model):
    """Switches for what-if pictures; all are on where nothing is said."""

    refraction: bool = Field(default=True, description="sound bends where the speed changes")
    speed: bool = Field(default=True, description="tissues have their own speeds; false: the assumed speed")
    attenuation: bool = Field(
        default=True, description="tissues have their own loss; false: the background's"
    )
    secondary: bool = Field(default=True, description="paths with more than one reflection")
    lobes: bool = Field(
        default=True, description="side and grating lobes of wires and beads far off the beam"
    )
    texture: bool = Field(default=True, description="structure above the speckle")
    clutter: bool = Field(default=True, description="haze of multiple scattering")


class RemedyRow(Model):
    """Something to change so that the artefact gives way."""

    one_of: ClassVar[tuple[tuple[str, ...], ...]] = (("set", "try"),)
    name: Sentence = Field(description="what is done")
    why: Sentence = Field(description="why it helps")
    set: Annotated[dict[str, Any], Field(min_length=1, max_length=20)] | None = Field(
        default=None, description="setting paths with their new values: one picture"
    )
    try_: (
        Annotated[
            dict[str, Annotated[list[float], Field(min_length=3, max_length=3)]],
            Field(min_length=1, max_length=1),
        ]
        | None
    ) = Field(default=None, alias="try", description="one setting path with [from, to, steps]: a sweep")


class SeedRow(Model):
    """Seeds of what is random; the same seed gives the same picture."""

    tissue: SeedNumber = Field(default=1, description="speckle and texture")
    noise: SeedNumber = Field(default=1, description="electronic noise")


class SceneRow(Model):
    """A scene file."""

    title: Sentence = Field(description="what the scene is")
    shows: Annotated[list[Showable], Field(max_length=len(SHOWABLE))] = Field(
        default=[], description="classes or effects that the scene exists to show"
    )
    phantom: PhantomRow = Field(description="what is scanned")
    probe: ProbeRow = Field(description="the probe")
    pose: PoseRow = Field(default=PoseRow(), description="where the probe is")
    machine: MachineRow = Field(default=MachineRow(), description="settings of the machine")
    faults: FaultsRow = Field(default=FaultsRow(), description="faults of the probe and the machine")
    physics: PhysicsRow = Field(default=PhysicsRow(), description="switches for what-if pictures")
    remedies: Annotated[list[RemedyRow], Field(max_length=16)] = Field(
        default=[], description="what can be done about the artefact"
    )
    seed: Annotated[Annotated[SeedNumber, Tag("<number>")] | Annotated[SeedRow, Tag("<mapping>")], ByKind] = (
        Field(default=1, description="one number, or one for the tissue and one for the noise")
    )
