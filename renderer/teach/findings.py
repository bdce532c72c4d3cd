"""What there is to point at in a picture: named solids, false echoes, and effects.

Everything is read from the truth of the frame: solids where the picture shows them, false echoes
where an origin class holds the pixels, effects where they pass their threshold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from renderer.errors import SettingError
from renderer.frame.frame import BACKGROUND_ID, OUTSIDE_ID, Frame
from renderer.measure.position import picture_peak
from renderer.measure.widths import width_at
from renderer.teach.words import Words

Mask = npt.NDArray[np.bool_]

# Classes that are pointed at wherever they show; the others only where the scene is there to show them.
ALWAYS = ("range_ambiguity", "ring_down", "reverberation", "mirror", "multipath", "grating_lobe")
TURNED = ("reverberation", "mirror", "multipath")
ONLY_SHOWN = (
    "beam_width",
    "side_lobe",
    "slice_thickness",
    "clutter",
    "interference",
    "crosstalk",
    "main_bang",
)
EFFECTS = (
    "shadow", "enhancement", "edge_shadow", "focusing", "focal_band", "edge_of_field", "anisotropy", "speed",
    "refraction",
)  # fmt: skip

SMALLEST_MM2 = 1.5  # a false echo must cover this much, after grains are joined
JOIN_MM = 0.7  # grains of speckle nearer than this are one patch
SMALLEST_EFFECT_MM2 = 6.0
SMALLEST_NARROW_MM2 = 0.25
SMOOTH_MM = 0.35  # spurs thinner than twice this are left out of an outline
MOST_OF_A_KIND = 3
MOST_FALSE = 8
ABOVE_BLACK_DB = 4.0  # a false echo whose mean is nearer to black cannot be seen by a learner
CLEARLY_DB = 10.0  # the same where the scene is not there to show the class
BEAM_MM = 4.0  # half width of what the beam itself makes of a wire, at most
SKIRT_DB = 20.0
WIRE_MM = 0.7  # what is pointed at of something too thin for pixels
APART_MM = 0.6  # shown this far from where it is, a solid gets a second outline
APART_SHARE = 0.2  # if that holds for this share of what is seen of it
LATE_MM = 8.0  # an echo of the pulse before comes from at least this far beyond the place it is shown at
LISTED_MM = 1.0  # a listed echo belongs to a patch if it is shown this near to it
SECOND_OWNER = 0.3  # share of a patch from which a second solid is named with the first
HEARD_SHARE = (
    0.03  # a copy must be heard in this share of its pixels; of a straw full of water only the wall is
)
COPY_GAP = 1.4  # two patches are copies if together they are this much wider than the solid


@dataclass(frozen=True, eq=False)
class Finding:
    """One thing to point at.

    ``kind`` is ``solid``, ``class`` or ``effect``; ``name`` the class or effect, or the solid's name.
    ``mask`` (H, W) covers it; ``true_mask`` is where it truly is, if that is elsewhere. ``weight``
    orders findings: the energy of a false echo, the strength of an effect.
    """

    kind: str
    name: str
    solid: str
    text: str
    mask: Mask
    order: int = 0
    via: str = ""
    weight: float = 0.0
    outline: bool = True
    true_mask: Mask | None = None


def find_all(frame: Frame, shows: Sequence[str], words: Words) -> list[Finding]:
    """Solids first, then false echoes, strongest first, then effects that the scene exists to show."""
    solids = list(solid_findings(frame, words))
    false = sorted(class_findings(frame, shows, words), key=lambda f: -f.weight)
    effects = [f for name in EFFECTS if name in shows for f in effect_findings(frame, name, words)]
    if "beam_width" in shows and (smeared := smeared_findings(frame, solids, words)):
        false = [f for f in false if f.name != "beam_width"]
        effects += smeared
    return [*solids, *false[:MOST_FALSE], *effects]


def pixel_mm(frame: Frame) -> float:
    """Side of a pixel, mm."""
    return float(frame.x_mm[1] - frame.x_mm[0])


def named_regions(frame: Frame) -> dict[int, str]:
    """Region id to name of each solid: background, coupling and walls left out."""
    legend = frame.truth.legend
    return {
        number: region.name
        for number, region in legend.items()
        if number not in (BACKGROUND_ID, OUTSIDE_ID)
        and region.name != "coupling"
        and not region.name.endswith((".wall", ".behind"))
    }


def joined(mask: Mask, radius_px: float) -> Mask:
    """A mask whose gaps up to a radius are closed."""
    if not mask.any():
        return mask
    n = int(np.ceil(radius_px)) + 1
    padded = np.pad(mask, n)
    near = ndimage.distance_transform_edt(~padded) <= radius_px
    return np.asarray((ndimage.distance_transform_edt(near) > radius_px)[n:-n, n:-n])


def opened(mask: Mask, radius_px: float) -> Mask:
    """A mask without what is thinner than twice a radius."""
    core = ndimage.distance_transform_edt(np.pad(mask, 1))[1:-1, 1:-1] > radius_px
    return np.asarray((ndimage.distance_transform_edt(~core) <= radius_px) & mask)


def patches(mask: Mask, smallest_px: float) -> list[Mask]:
    """Connected patches of a mask, largest first, without small ones."""
    number, count = ndimage.label(mask, structure=np.ones((3, 3)))
    sizes = np.bincount(number.ravel(), minlength=count + 1)[1:]
    order = [int(k) for k in np.argsort(-sizes, kind="stable") if sizes[k] >= smallest_px]
    return [number == k + 1 for k in order]


# --- solids -----------------------------------------------------------------------------------------


def solid_findings(frame: Frame, words: Words) -> Iterator[Finding]:
    """Each named solid where the picture shows it; a solid shown twice gives two findings."""
    for number, name in named_regions(frame).items():
        mask = _shown(frame, number, name)
        if mask is None:
            continue
        there = frame.truth.there == number
        copies = _copies(frame, number, mask, there)
        moved = there if copies or _apart(mask, there, frame) else None
        if not copies:
            yield Finding("solid", name, name, name, mask, outline=False, true_mask=moved)
            continue
        for k, patch in enumerate(copies):
            text = words("copy", solid=name, number=k + 1, count=len(copies))
            yield Finding("solid", name, name, text, patch, order=k + 1, outline=False, true_mask=moved)


def _shown(frame: Frame, number: int, name: str) -> Mask | None:
    """Pixels where a solid is seen: its inside, or its bright line, or a spot at its echo; None: not at all."""
    truth, least = frame.truth, SMALLEST_MM2 / pixel_mm(frame) ** 2
    inside = (truth.seen == number) & frame.in_view
    if inside.sum() >= least:
        return np.asarray(inside)
    own = (name, f"{name}.wall", f"{name}.behind")
    echo = next((e for e in frame.echoes if e.solid in own and e.origin_class == "direct"), None)
    if echo is None:
        return None
    at = spot(frame, echo.displayed_mm, WIRE_MM)
    line = (truth.source == number) & truth.mask("direct") & frame.in_view
    if at is not None and np.count_nonzero(truth.there == number) < least:
        # A wire or a bead: its skirts and lobes, far beside and below it, are not where it is seen
        bright = frame.level_db >= np.nanmax(frame.level_db[at]) - SKIRT_DB
        line &= bright & np.asarray(spot(frame, echo.displayed_mm, BEAM_MM))
    for patch in patches(joined(line, JOIN_MM / pixel_mm(frame)), least):
        if at is not None and (patch & at).any():
            return np.asarray(patch & frame.in_view)
    return at


def spot(frame: Frame, place_mm: tuple[float, float], radius_mm: float) -> Mask | None:
    """A small disc round a place of the picture; None out of view."""
    disc = np.hypot(frame.x_mm[None, :] - place_mm[0], frame.z_mm[:, None] - place_mm[1]) <= radius_mm
    disc &= frame.in_view
    return disc if disc.any() else None


def _copies(frame: Frame, number: int, mask: Mask, there: Mask) -> list[Mask]:
    """Patches of a solid that is shown more than once, from left to right; empty if it is not."""
    parts = patches(mask, max(0.15 * mask.sum(), SMALLEST_MM2 / pixel_mm(frame) ** 2))
    # A ray bent far aside may meet a solid again where next to nothing of it comes back
    near = ndimage.distance_transform_edt(~_heard(frame, number)) * pixel_mm(frame) <= JOIN_MM
    parts = [p for p in parts if np.count_nonzero(p & near) > HEARD_SHARE * np.count_nonzero(p)]
    if len(parts) < 2 or not there.any():
        return []
    width = np.count_nonzero(there.any(axis=0))
    shown = sum(np.count_nonzero(p.any(axis=0)) for p in parts)
    whole = np.flatnonzero(mask.any(axis=0))
    spread = whole[-1] - whole[0] + 1
    if shown < COPY_GAP * width or spread < 1.8 * width:
        return []
    return sorted(parts, key=lambda p: float(np.argwhere(p)[:, 1].mean()))


def _heard(frame: Frame, number: int) -> Mask:
    """Pixels above black that true echoes of a solid own."""
    truth = frame.truth
    name = truth.legend[number].name
    own = [n for n, r in truth.legend.items() if r.name in (name, f"{name}.wall", f"{name}.behind")]
    return np.asarray(np.isin(truth.source, own) & truth.mask("direct"))


def _apart(mask: Mask, there: Mask, frame: Frame) -> bool:
    """Whether a solid is shown well away from where it is."""
    if not there.any():
        return False
    away = ndimage.distance_transform_edt(~there)[mask] * pixel_mm(frame)
    # Of a long thin solid only a part may be seen: that is not elsewhere
    return bool(np.mean(away > APART_MM) > APART_SHARE)


def smeared_findings(frame: Frame, solids: Sequence[Finding], words: Words) -> list[Finding]:
    """Of all solids that are too thin for pixels, the one that is shown widest and the one shown narrowest."""
    found = []
    for solid in solids:
        echo = next((e for e in frame.echoes if e.solid == solid.name and e.origin_class == "direct"), None)
        number = next(n for n, name in named_regions(frame).items() if name == solid.name)
        if echo is None or (frame.truth.there == number).sum() * pixel_mm(frame) ** 2 > SMALLEST_MM2:
            continue
        try:
            width, mask = shown_width(frame, echo.displayed_mm)
        except SettingError:  # lost in speckle or noise
            continue
        text = words("effect.beam_width", solid=solid.name, shown=width)
        found.append(Finding("effect", "beam_width", solid.name, text, mask, weight=width))
    found.sort(key=lambda f: -f.weight)
    return found[:1] + found[1:][-1:]


def shown_width(frame: Frame, place_mm: tuple[float, float]) -> tuple[float, Mask]:
    """Width across of the echo at a place, 6 dB below its top, mm; and the pixels above that.

    Raises
    ------
    SettingError
        If the echo does not stand out by 6 dB on both sides.
    """
    peak = picture_peak(frame.level_db, frame.x_mm, frame.z_mm, near_mm=place_mm, within_mm=1.0)
    row = int(np.argmin(np.abs(frame.z_mm - peak.z_mm)))
    near = np.abs(frame.x_mm - peak.x_mm) < 8.0
    width = width_at(frame.x_mm[near], frame.level_db[row, near], 6.0)
    close = np.hypot(frame.x_mm[None, :] - peak.x_mm, frame.z_mm[:, None] - peak.z_mm) < 2 * width.width + 0.5
    return float(width.width), np.asarray(
        (np.nan_to_num(frame.level_db, nan=-300) > peak.level_db - 6.0) & close
    )


# --- false echoes -----------------------------------------------------------------------------------


def class_findings(frame: Frame, shows: Sequence[str], words: Words) -> Iterator[Finding]:
    """False echoes by class, source and order: the largest patches of each."""
    truth = frame.truth
    energy = np.where(frame.in_view, 10.0 ** (np.nan_to_num(frame.level_db, nan=-300.0) / 10.0), 0.0)
    for name in truth.share:
        if name not in ALWAYS and not (name in ONLY_SHOWN and name in shows):
            continue
        owned = np.asarray(truth.mask(name) & frame.in_view)
        known = owned & _told(frame, name)
        found = [
            f
            for part in _groups(frame, name, known)
            for f in _patch_findings(frame, name, part, energy, words, name in shows)
        ]
        yield from found
        rest = owned & ~known
        for finding in found:
            rest &= ~finding.mask
        yield from _listed_findings(frame, name, rest, energy, words, name in shows, {f.text for f in found})


def _told(frame: Frame, name: str) -> Mask:
    """Where the strongest contribution is one of the class: elsewhere source and via are those of another."""
    if name in TURNED:
        return np.asarray(frame.truth.via > 0)
    if name == "range_ambiguity":
        away = np.linalg.norm(frame.truth.source_mm - frame.truth.origin_mm, axis=-1)
        return np.asarray(~(away < LATE_MM))  # specular paths have no place
    return np.ones(frame.in_view.shape, bool)


def _groups(frame: Frame, name: str, known: Mask) -> Iterator[Mask]:
    """Pixels of one source, and of one order where the class has orders."""
    truth = frame.truth
    for source in np.unique(truth.source[known]):
        part = known & (truth.source == source)
        if name != "reverberation":
            yield part
            continue
        for order in np.unique(truth.order[part]):
            yield part & (truth.order == order)


def _listed_findings(
    frame: Frame,
    name: str,
    rest: Mask,
    energy: npt.NDArray[np.float64],
    words: Words,
    wanted: bool,
    said: set[str],
) -> Iterator[Finding]:
    """Patches whose pixels do not tell their source, named by the strongest echo of the table that lies on them."""
    size = pixel_mm(frame)
    rows = [e for e in frame.echoes if e.origin_class == name]
    for patch in patches(joined(rest, JOIN_MM / size), SMALLEST_MM2 / size**2)[:MOST_OF_A_KIND]:
        near = ndimage.distance_transform_edt(~patch) * size
        for echo in rows:
            i = int(np.argmin(np.abs(frame.z_mm - echo.displayed_mm[1])))
            j = int(np.argmin(np.abs(frame.x_mm - echo.displayed_mm[0])))
            if near[i, j] > LISTED_MM or abs(frame.z_mm[i] - echo.displayed_mm[1]) > LISTED_MM:
                continue
            region = next(r for r in frame.truth.legend.values() if r.name == echo.solid)
            solid = words.solid(region.name, region.tissue)
            text = class_text(words, name, solid, "", echo.order, region.name == "background")
            if text in said or not _visible(frame, patch & rest, energy, wanted):
                break
            weight = float((energy * np.nan_to_num(frame.truth.share[name]))[patch & rest].sum())
            yield Finding(
                "class",
                name,
                solid,
                text,
                patch & frame.in_view,
                echo.order,
                "",
                weight * (1e3 if wanted else 1),
            )
            break


def _visible(frame: Frame, pixels: Mask, energy: npt.NDArray[np.float64], wanted: bool) -> bool:
    """Whether a patch is bright enough to be pointed at."""
    mean_db = 10 * np.log10(max(float(energy[pixels].mean()), 1e-30))
    return bool(mean_db >= frame.truth.floor_db + (ABOVE_BLACK_DB if wanted else CLEARLY_DB))


def _patch_findings(
    frame: Frame, name: str, part: Mask, energy: npt.NDArray[np.float64], words: Words, wanted: bool
) -> Iterator[Finding]:
    """Findings of one group of pixels: same class, source and order."""
    size, first, truth = pixel_mm(frame), 0.0, frame.truth
    narrow = name in ONLY_SHOWN  # these are small by nature, and pointed at only where they are the point
    whole = joined(part, JOIN_MM / size)
    smooth = opened(whole, SMOOTH_MM / size)
    if not narrow and smooth.sum() > 0.5 * whole.sum():  # thin lines would vanish
        whole = smooth
    least = SMALLEST_NARROW_MM2 if narrow else SMALLEST_MM2
    for patch in patches(whole, least / size**2)[:MOST_OF_A_KIND]:
        pixels = patch & part
        filled = np.count_nonzero(pixels) / np.count_nonzero(patch)
        if filled < (0.05 if narrow else 0.25) or not _visible(frame, pixels, energy, wanted):
            continue
        source, via, order = (
            int(np.bincount(layer[pixels]).argmax()) for layer in (truth.source, truth.via, truth.order)
        )
        weight = float((energy * np.nan_to_num(truth.share[name]))[pixels].sum())
        # What a mirror shows of itself is its own thickness; a weaker second patch needs no label of its own
        if (name == "mirror" and via == source) or weight < 0.3 * first:
            continue
        first = max(first, weight)
        solid, turn = region_name(frame, source, words), region_name(frame, via, words) if via else ""
        text = class_text(words, name, solid, turn, order, source == BACKGROUND_ID)
        yield Finding(
            "class", name, solid, text, patch & frame.in_view, order, turn, weight * (1e3 if wanted else 1)
        )


def region_name(frame: Frame, number: int, words: Words) -> str:
    """Name of a region as it is said."""
    region = frame.truth.legend.get(number)
    return words.solid(region.name, region.tissue) if region else words("background")


def class_text(words: Words, name: str, solid: str, turn: str, order: int, background: bool) -> str:
    """Label of a false echo."""
    if name == "reverberation":
        if background:
            return words("class.reverberation.cloud", solid=solid, turn=turn or solid)
        key = "class.reverberation.own" if turn in ("", solid) else "class.reverberation"
        return words(key, order=order, turn=turn, solid=solid)
    key = f"class.{name}" if words.has(f"class.{name}") else "class.other"
    return words(key, solid=solid, name=words.name(name))


# --- effects ----------------------------------------------------------------------------------------


def effect_findings(frame: Frame, name: str, words: Words) -> list[Finding]:
    """The strongest patches of an effect or displacement, each with the solid that it belongs to."""
    if name not in frame.truth.mask_names():
        return []
    size = pixel_mm(frame)
    values = effect_values(frame, name)
    mask = np.asarray(frame.truth.mask(name)) & frame.in_view
    if name in ("speed", "refraction"):
        mask &= frame.truth.seen != OUTSIDE_ID
    found = []
    for patch in patches(opened(mask, 0.35 / size), SMALLEST_EFFECT_MM2 / size**2):
        weight = float(np.nansum(np.abs(values[patch])))
        owners = _owners(frame, patch)
        text = _effect_text(frame, name, words.both(owners), patch, words)
        found.append(Finding("effect", name, owners[0], text, patch, weight=weight))
    found.sort(key=lambda f: -f.weight)
    least = 0.3 if name in ("speed", "refraction") else 0.08
    return [f for f in found[:MOST_OF_A_KIND] if f.weight > least * found[0].weight]


def effect_values(frame: Frame, name: str) -> npt.NDArray[np.float32]:
    """Size of an effect (dB) or displacement (mm) by pixel, signed where it has a sign."""
    if name in frame.truth.effect_db:
        return frame.truth.effect_db[name]
    values = frame.truth.displacement_mm[name]
    return np.linalg.norm(values, axis=-1) if values.ndim == 3 else values


def _owners(frame: Frame, patch: Mask) -> list[str]:
    """The solid that a patch lies behind, the first met on the way to the probe, by most of its pixels; or two of them.

    A patch can lie behind two solids that stand side by side.
    """
    there, names = frame.truth.there, named_regions(frame)
    large = 0.5 * np.count_nonzero(frame.in_view)
    owners = [n for n in names if 0 < np.count_nonzero(there == n) < large]
    rows, columns = np.nonzero(patch)
    some = np.linspace(0, len(rows) - 1, min(len(rows), 300)).astype(int)
    x, z = frame.x_mm[columns[some]], frame.z_mm[rows[some]]
    origin, direction = frame.line_origin_mm[:, [0, 2]], frame.line_direction[:, [0, 2]]
    off = (x[:, None] - origin[:, 0]) * direction[:, 1] - (z[:, None] - origin[:, 1]) * direction[:, 0]
    line = np.abs(off).argmin(axis=1)
    hits = np.zeros(len(some), int)
    for step in np.arange(0.0, float(frame.z_mm[-1]), 0.5):
        i = np.round((z - step * direction[line, 1] - frame.z_mm[0]) / pixel_mm(frame)).astype(int)
        j = np.round((x - step * direction[line, 0] - frame.x_mm[0]) / pixel_mm(frame)).astype(int)
        inside = (i >= 0) & (j >= 0) & (i < there.shape[0]) & (j < there.shape[1])
        region = np.where(
            inside, there[np.clip(i, 0, there.shape[0] - 1), np.clip(j, 0, there.shape[1] - 1)], 0
        )
        hits = np.where((hits == 0) & np.isin(region, owners), region, hits)
    votes = np.bincount(hits[hits > 0], minlength=1)
    order = [int(k) for k in np.argsort(-votes, kind="stable")[:2] if votes[k] > SECOND_OWNER * votes.sum()]
    return [names[k] for k in order] or ["background"]


def _effect_text(frame: Frame, name: str, solid: str, patch: Mask, words: Words) -> str:
    if name in ("speed", "refraction"):
        values = effect_values(frame, name)[patch]
        largest = float(np.nanpercentile(np.abs(values), 95))
        way = words("deep") if np.nanmedian(values) > 0 else words("shallow")
        return words(f"effect.{name}", solid=solid, size=words("mm", value=largest), way=way)
    return words(f"effect.{name}", solid=solid)
