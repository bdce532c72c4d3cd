"""The parts of a scene: phantom, switches and remedies, and mappings that cannot be changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from renderer.tissue.materials import Material
from renderer.tissue.solids import Aberration, Solid


class Frozen(dict[str, Any]):
    """A mapping that cannot be changed. It can be compared, hashed, pickled and written as JSON."""

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        raise TypeError("a scene cannot be changed; with_settings gives a new one")

    __setitem__ = __delitem__ = clear = pop = popitem = setdefault = update = __ior__ = _refuse

    def __hash__(self) -> int:  # type: ignore[override]
        """A hash of the pairs, whatever their order."""
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[Any, ...]:
        """What pickle needs, since items cannot be set one by one."""
        return type(self), (dict(self),)


def freeze(value: Any) -> Any:
    """A plain tree that cannot be changed: mappings frozen, lists as tuples."""
    if isinstance(value, Mapping):
        return Frozen({key: freeze(item) for key, item in value.items()})
    return tuple(freeze(item) for item in value) if isinstance(value, list | tuple) else value


def thaw(value: Any) -> Any:
    """A copy of a frozen tree that can be changed: dicts and lists."""
    if isinstance(value, Mapping):
        return {key: thaw(item) for key, item in value.items()}
    return [thaw(item) for item in value] if isinstance(value, list | tuple) else value


@dataclass(frozen=True)
class Phantom:
    """A background with solids in it, under a coupling medium.

    ``materials`` has every tissue that the scene uses or describes, by name. A later solid covers
    an earlier one.
    """

    background: str
    coupling: str
    materials: Mapping[str, Material]
    solids: tuple[Solid, ...] = ()
    aberration: Aberration | None = None


@dataclass(frozen=True)
class PhysicsSwitches:
    """What of the physics is at work; switched off for what-if pictures."""

    refraction: bool = True
    speed: bool = True
    attenuation: bool = True
    secondary: bool = True
    lobes: bool = True
    texture: bool = True
    clutter: bool = True


@dataclass(frozen=True)
class Sweep:
    """A setting that is run through evenly spaced values."""

    path: str
    start: float
    stop: float
    n_steps: int


@dataclass(frozen=True)
class Remedy:
    """Something to change so that an artefact gives way: new settings, or a sweep of one."""

    name: str
    why: str
    set: Mapping[str, Any] | None = None
    try_sweep: Sweep | None = None
