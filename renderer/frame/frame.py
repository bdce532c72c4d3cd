"""A rendered frame: the picture, the lines that it was made from, and the truth about it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from renderer.errors import SettingError

CAUTION = (
    "Synthetic picture, for teaching and research. Not for diagnosis, and not to set a machine by. "
    "Local protocols, the maker's manual and licensed practice come first."
)

BACKGROUND_ID = 0
OUTSIDE_ID = 65535

# A pixel belongs to an origin class that holds at least this share of its energy.
MASK_SHARE = 0.5

# Layers of the truth that hold one array each, and those that hold one array a name.
SINGLE_LAYERS = ("there", "seen", "origin_mm", "source", "source_mm", "via", "order")
NAMED_LAYERS = ("share", "effect_db", "displacement_mm")


def read_only(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """A view of an array that cannot be written through."""
    view = np.asarray(array).view()
    view.flags.writeable = False
    return view


@dataclass(frozen=True)
class Region:
    """A region of the phantom in a legend: the solid's name and its tissue."""

    name: str
    tissue: str


@dataclass(frozen=True)
class Echo:
    """One echo of a named solid: where it truly is, where it is shown, and how it came there."""

    solid: str
    origin_class: str
    order: int
    true_mm: tuple[float, float]
    displayed_mm: tuple[float, float]
    level_db: float
    delay_us: float
    path: str

    def as_row(self) -> dict[str, Any]:
        """The echo as a mapping for tables and files; the class is under ``class``."""
        return {
            "solid": self.solid,
            "class": self.origin_class,
            "order": self.order,
            "true_mm": list(self.true_mm),
            "displayed_mm": list(self.displayed_mm),
            "level_db": self.level_db,
            "delay_us": self.delay_us,
            "path": self.path,
        }


class Truth:
    """Where everything in a picture came from; each layer is made when it is first asked for.

    Parameters
    ----------
    layers
        Layer name (``there``, ``seen``, ``origin_mm``, ``source``, ``source_mm``, ``via``,
        ``order``, ``share``, ``effect_db``, ``displacement_mm``) to a function without arguments
        that makes it: an array (H, W) or (H, W, 3), or for the last three a mapping from name to
        array. It is called at most once. A layer that is not listed does not exist for the frame.
    legend
        Region id to name and tissue.
    level_db, floor_db
        Level picture, and the level at and below which it is black.
    thresholds
        Effect or displacement name to the value from which its mask begins: at or above a
        positive one, at or below a negative one; displacements count by length.
    """

    there: npt.NDArray[np.uint16]
    seen: npt.NDArray[np.uint16]
    origin_mm: npt.NDArray[np.float32]
    source: npt.NDArray[np.uint16]
    source_mm: npt.NDArray[np.float32]
    via: npt.NDArray[np.uint16]
    order: npt.NDArray[np.uint8]
    share: Mapping[str, npt.NDArray[np.float32]]
    effect_db: Mapping[str, npt.NDArray[np.float32]]
    displacement_mm: Mapping[str, npt.NDArray[np.float32]]

    def __init__(
        self,
        layers: Mapping[str, Callable[[], Any]],
        *,
        legend: Mapping[int, Region],
        level_db: npt.NDArray[np.float32],
        floor_db: float,
        thresholds: Mapping[str, float] | None = None,
    ) -> None:
        self.legend = dict(legend)
        self.thresholds = dict(thresholds or {})
        self.floor_db = floor_db
        self._level_db = level_db
        self._makers = dict(layers)
        self._lock = threading.RLock()

    @property
    def layer_names(self) -> tuple[str, ...]:
        """Names of the layers that the frame has, in the order of the class docstring."""
        return tuple(name for name in (*SINGLE_LAYERS, *NAMED_LAYERS) if name in self._makers)

    def __getattr__(self, name: str) -> Any:
        """Make a layer on first use. Reached only while the instance does not hold it yet."""
        if name.startswith("_") or name not in self._makers:
            raise AttributeError(f"this truth has no layer {name!r}")
        with self._lock:
            if name not in self.__dict__:
                self.__dict__[name] = _locked(self._makers[name]())
            return self.__dict__[name]

    def mask(self, name: str, visible: bool = True) -> npt.NDArray[np.bool_]:
        """Pixels of an origin class, an effect or a displacement, (H, W) bool.

        A class owns the pixels where it holds at least half of the energy and, unless
        ``visible`` is false, where the picture is above black. Effects and displacements begin
        at their threshold; ``visible`` does not touch them, for a shadow is black by nature.

        Raises
        ------
        SettingError
            If no class, effect or displacement has this name.
        """
        if name in self._named("share"):
            mask = self.share[name] >= MASK_SHARE
            return mask & (self._level_db > self.floor_db) if visible else mask
        for layer in ("effect_db", "displacement_mm"):
            if name in self._named(layer) and name in self.thresholds:
                return _beyond(getattr(self, layer)[name], self.thresholds[name])
        raise SettingError(f"no mask is called {name!r}; there are: {', '.join(self.mask_names())}")

    def mask_names(self) -> tuple[str, ...]:
        """Every name that ``mask`` knows: classes first, then effects and displacements."""
        effects = (*self._named("effect_db"), *self._named("displacement_mm"))
        return (*self._named("share"), *(name for name in effects if name in self.thresholds))

    def _named(self, layer: str) -> Mapping[str, npt.NDArray[np.float32]]:
        """A layer that holds one array a name; empty where the frame has none."""
        return getattr(self, layer) if layer in self._makers else {}


class _NamedArrays(Mapping[str, npt.NDArray[Any]]):
    """Read-only arrays by name, which nobody can add to."""

    def __init__(self, arrays: Mapping[str, npt.NDArray[Any]]) -> None:
        self._arrays = {name: read_only(array) for name, array in arrays.items()}

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self._arrays[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._arrays)

    def __len__(self) -> int:
        return len(self._arrays)


def _locked(layer: Any) -> Any:
    """A made layer, read-only."""
    return _NamedArrays(layer) if isinstance(layer, Mapping) else read_only(layer)


def _beyond(values: npt.NDArray[np.float32], threshold: float) -> npt.NDArray[np.bool_]:
    """Where values reach a threshold, in its direction; vectors (..., 2) count by length."""
    size = np.linalg.norm(values, axis=-1) if values.ndim == 3 else values
    return size <= threshold if threshold < 0 else size >= threshold


@dataclass(frozen=True, eq=False)
class Frame:
    """One B-mode frame with everything that is known about it. Arrays are read-only.

    ``image`` (H, W) uint8 grey; ``x_mm`` (W,), ``z_mm`` (H,) pixel centres in the probe frame;
    ``in_view`` (H, W) where there is a picture; ``level_db`` (H, W) float32 re full scale, NaN
    out of view. ``lines`` (L, T) complex64 are the echoes before noise and gain, in units of
    full scale (of a compound picture: the unsteered view); ``views`` (V, L, T) are all of them.
    ``time_us`` (T,) is counted from the centre of the pulse leaving the face;
    ``line_origin_mm`` and ``line_direction`` (L, 3) are those of ``lines``. ``echoes`` is the
    table of echoes, ``manifest`` what is needed to make the frame again.
    """

    image: npt.NDArray[np.uint8]
    x_mm: npt.NDArray[np.float64]
    z_mm: npt.NDArray[np.float64]
    in_view: npt.NDArray[np.bool_]
    level_db: npt.NDArray[np.float32]
    lines: npt.NDArray[np.complex64]
    views: npt.NDArray[np.complex64]
    time_us: npt.NDArray[np.float64]
    line_origin_mm: npt.NDArray[np.float64]
    line_direction: npt.NDArray[np.float64]
    truth: Truth
    manifest: Mapping[str, Any]
    echo_maker: Callable[[], tuple[Echo, ...]] = field(repr=False)
    explainer: Callable[[float, float], Any] = field(repr=False)

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if isinstance(value, np.ndarray):
                object.__setattr__(self, name, read_only(value))

    @cached_property
    def echoes(self) -> tuple[Echo, ...]:
        """Table of the echoes of named solids; made when first asked for."""
        return self.echo_maker()

    def explain(self, x_mm: float, z_mm: float) -> Any:
        """What contributes to the picture at a point: classes with dB, and paths.

        Raises
        ------
        SettingError
            If the point is out of view.
        """
        row = _pixel_index(self.z_mm, z_mm)
        column = _pixel_index(self.x_mm, x_mm)
        if row is None or column is None or not self.in_view[row, column]:
            raise SettingError(f"the point x {x_mm:g} mm, z {z_mm:g} mm is out of view")
        return self.explainer(x_mm, z_mm)


def _pixel_index(centres_mm: npt.NDArray[np.float64], position_mm: float) -> int | None:
    """Index of the pixel that a position falls into; None beyond the first and last edge."""
    pixel_mm = centres_mm[1] - centres_mm[0]
    place = (position_mm - centres_mm[0]) / pixel_mm + 0.5
    inside = np.isfinite(place) and 0.0 <= place < len(centres_mm)
    return int(place) if inside else None
