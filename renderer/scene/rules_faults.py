"""Rules between the keys of the faults, and of harmonic pictures."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

from renderer.scene.format_machine import ProbeRow
from renderer.scene.names import show
from renderer.scene.tree import Found, Path
from renderer.scene.view import View

HARMONIC_SENT = 2 / 3  # of the probe's frequency, where the frequency is not said


def fault_ranges(view: View) -> Iterator[Found]:
    """First comes before last, and neither counts past the end of the probe."""
    elements = view.number("probe", "elements")
    channels = view.number("probe", "channels") or elements
    places: list[tuple[Path, float | None, str]] = [
        (("faults", "loose_cable"), elements, "elements"),
        (("faults", "lost_channels"), channels, "channels"),
    ]
    for i in range(len(view.rows("faults", "weak_elements"))):
        places.append((("faults", "weak_elements", i), elements, "elements"))
    for place, most, what in places:
        first, last = view.number(*place, "first"), view.number(*place, "last")
        if first is not None and last is not None and last < first:
            yield Found((*place, "last"), f"{show(last)} comes before the first, {show(first)}")
        elif last is not None and most is not None and last > most:
            yield Found((*place, "last"), f"{show(last)} is more than the {show(most)} {what} of the probe")
    for i, number in enumerate(view.rows("faults", "dead_elements")):
        if elements is not None and isinstance(number, int) and number > elements:
            message = f"{show(number)} is more than the {show(elements)} elements of the probe"
            yield Found(("faults", "dead_elements", i), message)


def fault_pieces(view: View) -> Iterator[Found]:
    """A piece of the face has a left and a right end."""
    for key in ("delamination", "air_gap"):
        for i in range(len(view.rows("faults", key))):
            low, high = view.number("faults", key, i, "from_mm"), view.number("faults", key, i, "to_mm")
            if low is not None and high is not None and high <= low:
                yield Found(("faults", key, i, "to_mm"), f"{show(high)} does not lie right of {show(low)}")


def bursts(view: View) -> Iterator[Found]:
    """A source in bursts has their length and their period."""
    row = view.mapping("faults", "interference")
    given = [key for key in ("burst_us", "every_us") if key in row]
    if len(given) == 1:
        other = "every_us" if given == ["burst_us"] else "burst_us"
        yield Found(("faults", "interference", given[0]), f"needs {other} beside it")
    burst = view.number("faults", "interference", "burst_us")
    every = view.number("faults", "interference", "every_us")
    if burst is not None and every is not None and burst >= every:
        message = f"{show(burst)} is not shorter than every_us ({show(every)})"
        yield Found(("faults", "interference", "burst_us"), message)


def harmonic_in_band(view: View) -> Iterator[Found]:
    """Of a harmonic picture, both the sent frequency and twice that lie where the probe still works."""
    if view.at("machine", "harmonic", default=False) is not True:
        return
    centre = view.number("probe", "frequency_mhz")
    width = view.number(
        "probe", "bandwidth_percent", default=ProbeRow.model_fields["bandwidth_percent"].default
    )
    if centre is None or width is None:
        return
    sent = view.number("machine", "frequency_mhz") or HARMONIC_SENT * centre
    half = centre * width / 200 * math.sqrt(2)  # a Gaussian is at -12 dB there
    if sent < centre - half - 1e-9 or 2 * sent > centre + half + 1e-9:
        low, high = f"{max(centre - half, 0):.4g}", f"{centre + half:.4g}"
        message = f"sent at {sent:.4g} and heard at {2 * sent:.4g} MHz, outside {low}..{high} where the probe works at -12 dB"
        yield Found(("machine", "harmonic"), message)


FAULT_RULES: tuple[Callable[[View], Iterator[Found]], ...] = (
    fault_ranges,
    fault_pieces,
    bursts,
    harmonic_in_band,
)
