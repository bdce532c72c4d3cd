"""Every text that a figure shows, in one table, so that it can be said in another language.

A translation is a mapping with the same keys; keys that it leaves out are taken from English. What
stands in braces is filled in. Names of solids and tissues are those of the scene.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from string import Formatter
from typing import Any

from renderer.errors import SettingError

ENGLISH: Mapping[str, str] = {
    "caution": (
        "Synthetic picture, for teaching and research. Not for diagnosis, and not to set a machine by. "
        "Local protocols, the maker's manual and licensed practice come first."
    ),
    # Numbers
    "cm": "{value:.1f} cm",
    "mm": "{value:.1f} mm",
    "us": "{value:.1f} µs",
    "db": "{value:+.1f} dB",
    "level": "{value:.1f}",
    "depth_axis": "cm",
    "focus": "focus",
    "marked_end": "left end",
    # Solids
    "background": "background",
    "coupling": "coupling",
    "face": "face",
    "wall": "wall of the {solid}",
    "behind": "far side of the {solid}",
    "copy": "{solid}, copy {number} of {count}",
    "more": "… and {count} more, in the notes",
    "more.legs": "… and {count} more legs",
    # Settings, where their keys do not say it well enough; the unit comes from the key's ending
    "setting.pose.slide": "slide of the probe",
    "setting.pose.lift": "lift of the probe",
    "setting.pose.rock": "rock of the probe",
    "setting.pose.fan": "fan of the probe",
    "setting.pose.turn": "turn of the probe",
    "setting.machine.tgc": "TGC sliders",
    "setting.machine.tgc_slope": "slope of the TGC",
    "setting.machine.prf": "pulse repetition frequency",
    "setting.machine.output": "output power",
    "setting.machine.steer": "steering",
    "setting.machine.compound": "angles of compounding",
    "setting.machine.view": "edges of the view",
    "setting.probe.lens_focus": "focus of the probe's lens",
    "setting.unit": "{name}, {unit}",
    "setting.of": "{name} of the {owner}",
    "setting.place": "{name} [{place}]",
    "unit.mm": "mm",
    "unit.deg": "degrees",
    "unit.db": "dB",
    "unit.mhz": "MHz",
    "unit.hz": "Hz",
    "unit.m_s": "m/s",
    "unit.um": "µm",
    "unit.us": "µs",
    "unit.percent": "%",
    "unit.kg_m3": "kg/m³",
    "unit.db_cm": "dB/cm",
    "unit.db_cm_mhz": "dB/(cm MHz)",
    "unit.per_mm3": "per mm³",
    # Classes of false echoes
    "class.direct": "{solid}",
    "class.mirror": "mirror image of the {solid}",
    "class.reverberation": "reverberation {order}: {turn} and {solid}",
    "class.reverberation.own": "reverberation {order} of the {solid}",
    "class.reverberation.inside": "reverberation {order} inside the {solid}",
    "class.reverberation.cloud": "haze: {solid} again, by way of the {turn}",
    "class.multipath": "{solid}, by a longer way",
    "class.range_ambiguity": "{solid}, from the pulse before",
    "class.beam_width": "{solid}, smeared by the width of the beam",
    "class.side_lobe": "{solid}, by a side lobe",
    "class.grating_lobe": "{solid}, by a grating lobe",
    "class.ring_down": "{solid} ringing on",
    "class.slice_thickness": "{solid}, from beside the picture plane",
    "class.other": "{solid}: {name}",
    # Effects
    "effect.shadow": "shadow of the {solid}",
    "effect.enhancement": "enhancement behind the {solid}",
    "effect.edge_shadow": "edge shadow of the {solid}",
    "effect.focusing": "brighter by focusing of the {solid}",
    "effect.beam_width": "{solid}: shown {shown:.1f} mm wide, the width of the beam",
    "effect.focal_band": "focal band",
    "effect.edge_of_field": "darker: the aperture ends with the array",
    "effect.anisotropy": "{solid}: darker where its fibres lie aslant to the beam",
    "effect.speed": "{solid}: what lies below is shown {size} too {way}",
    "effect.refraction": "{solid}: what lies below is shown up to {size} off",
    "both": "{one} and {other}",
    "left": "left",
    "right": "right",
    "deep": "deep",
    "shallow": "shallow",
    # Names of classes and effects by themselves
    "name.direct": "true echoes",
    "name.noise": "noise",
    "name.mirror": "mirror images",
    "name.reverberation": "reverberation",
    "name.multipath": "multipath echoes",
    "name.range_ambiguity": "echoes of the pulse before",
    "name.beam_width": "smear of the beam's width",
    "name.side_lobe": "side lobes",
    "name.grating_lobe": "grating lobes",
    "name.ring_down": "ring-down",
    "name.clutter": "haze of multiple scattering",
    "name.main_bang": "ring of the pulse at the face",
    "name.interference": "interference from outside",
    "name.crosstalk": "crosstalk between elements",
    "name.fault": "weak or dead elements",
    "name.slice_thickness": "smear of the slice's thickness",
    "name.shadow": "shadow",
    "name.enhancement": "enhancement",
    "name.edge_shadow": "edge shadow",
    "name.focusing": "focusing",
    "name.focal_band": "focal banding",
    "name.edge_of_field": "dark edges of the field",
    "name.anisotropy": "anisotropy of fibres",
    "name.speed": "speed error",
    "name.refraction": "refraction",
    # Plain and reveal
    "plain.title": "What do you see?",
    "plain.alt": "Synthetic ultrasound picture, {depth} deep, without labels.",
    "labelled.alt": "{title}. Synthetic ultrasound picture, {depth} deep. Labelled: {labels}.",
    "reveal.key": "Outlined",
    # Cause
    "cause.title": "How it came about: {finding}",
    "cause.alt": "{title}. Paths of the sound over the outlines of the phantom. {formula}",
    "cause.legs": "The way of the sound",
    "cause.leg": "{number}  {medium}",
    "cause.head": "leg|through|length|time|loss|at its end",
    "cause.out_and_back": "there; the same way back takes as long again",
    "cause.sum": "out and home: {time}",
    "cause.once": "in all: {time}",
    "cause.numbers": "In numbers",
    "cause.true": "truly here",
    "cause.shown": "shown here",
    "cause.machine": "What the machine reckons",
    "cause.reflects": "turned by the {name} {db}",
    "cause.passes": "into the {name} {db}",
    "cause.face": "turned by the face {db}",
    "cause.scatters": "answered by the {name}",
    "cause.arrives": "heard at the face",
    "cause.straight": "straight, as the machine takes it",
    "cause.none": "This scene has no false echo or effect to draw the cause of.",
    "cause.undrawn": "{name}: no single way in the plane of the picture tells it, and none is drawn.",
    # Formulas
    "formula.range": "shown depth = ½ · {c:.2f} mm/µs · {time:.2f} µs = {depth:.1f} mm",
    "formula.order": "{count} × {spacing:.1f} mm = {depth:.1f} mm: whole multiples of the spacing",
    "formula.sum": "legs: {terms} = {time:.1f} µs",
    "formula.mirror": "straight on behind the {turn}: as far as the turned way is long",
    "formula.speed": "Σ thickness · assumed / true speed = {terms} = {depth:.1f} mm, and not {true:.1f} mm",
    "formula.late": "{time:.1f} µs − {interval:.1f} µs to the next pulse = {rest:.1f} µs: shown at {depth:.1f} mm, and not at {true:.1f} mm",
    "formula.refraction": "bent by {angle:.1f}°: shown {offset:.1f} mm to the {side} of where it is",
    "formula.multipath": "three or more legs, other ways out and home: {length:.1f} mm in all, half of it shown",
    "formula.shadow": "two ways through: {loss:.0f} dB; at {depth:.0f} mm the picture shows {effect:+.0f} dB",
    "formula.enhancement": "two ways, {path:.0f} mm at {alpha_in:.2f} in place of {alpha_out:.2f} dB/(cm MHz), {f:.1f} MHz: {gain:+.1f} dB",
    "formula.edge_shadow": "rays that meet the edge at {angle:.0f}° leave bent by {bend:.1f}°: few reach the strip behind it",
    "formula.edge_of_field": (
        "listening at {depth:.0f} mm: depth / F-number = {whole:.1f} mm of aperture, of which {have:.1f} mm lie on the "
        "array; sending and listening {effect:+.0f} dB"
    ),
    "formula.anisotropy": (
        "{angle:.1f}° off square to the fibres: −{drop:.0f} dB · min(1, {angle:.1f}° / {half:.0f}°)² = {effect:.1f} dB"
    ),
    "formula.beam_width": (
        "listening alone, at −6 dB: {factor:.1f} · wavelength · depth / aperture = "
        "{factor:.1f} · {wave:.2f} mm · {number:.1f} = {width:.1f} mm; in the picture {measured:.1f} mm"
    ),
    # Remedy
    "remedy.title": "{name}: {why}",
    "remedy.before": "before",
    "remedy.after": "after: {name}",
    "remedy.changed": "Changed",
    "remedy.setting": "{name}: {old} → {new}",
    "remedy.default": "default",
    "remedy.gain": "What it does",
    "remedy.worse": "What got worse",
    "remedy.nothing_worse": "nothing that was measured",
    "remedy.class_db": "{name}: {change:+.1f} dB",
    "remedy.class_gone": "{name}: gone",
    "remedy.class_new": "{name}: not there before",
    "remedy.area": "{name}: {old:.0f} mm² → {new:.0f} mm² of the picture",
    "remedy.area_new": "{name}: {new:.0f} mm² of the picture, not there before",
    "remedy.shift": "{name} where it was: {old:.1f} mm → {new:.1f} mm",
    "remedy.shift.most": "{name}: {old:.1f} mm → {new:.1f} mm at most",
    "remedy.shift.elsewhere": "{name} elsewhere: {old:.1f} mm → {new:.1f} mm",
    "remedy.level": "{name}, brightness there: {change:+.1f} dB",
    "remedy.copies": "{solid}: shown {old} times → {new} times",
    "remedy.once": "{solid}: shown {old} times → once",
    "remedy.moves": "{finding}: moves by {false:.1f} mm in the phantom; the {solid} itself by {true:.1f} mm",
    "remedy.direct_falls": "true echoes: {change:+.1f} dB",
    "remedy.penetration": "depth down to the noise: {old:.0f} mm → {new:.0f} mm",
    "remedy.out_of_view": "no longer in view: {names}",
    "remedy.scale": "Both pictures on one grey scale; nothing is rescaled.",
    "remedy.tried": "best of {count} values tried, {start:g} to {stop:g}",
    "remedy.alt": "{title}. Before and after: {name}. {changes}",
    "remedy.none": "This scene names no remedy.",
    # Notes
    "notes.title": "Notes to {title}",
    "notes.labels": "Labels",
    "notes.echoes": "Echoes",
    "notes.columns": "solid|kind|order|true depth, cm|shown depth, cm|delay, µs|level, dB|why",
    "notes.cause": "Cause",
    "notes.remedy": "Remedy",
    "why.direct": "½ · c · t",
    "why.reverberation": "{count} × {spacing:.1f} mm",
    "why.mirror": "as deep behind the {turn} as it lies before it",
    "why.multipath": "half of a longer way",
    "why.range_ambiguity": "t − {interval:.1f} µs",
    "why.speed": "½ · c · t; the true speeds differ from {c:.2f} mm/µs",
    "why.other": "beside the middle of the beam",
    # Sweep
    "sweep.title": "{title}: {path}",
    "sweep.values": "{path} = {value}",
    "sweep.share": "share of the picture's energy, %",
    "sweep.level": "mean level, dB",
    "sweep.clipped": "pixels at the end of the scale, %",
    "sweep.grey": "difference of grey to what is beside it",
    "name.black": "black",
    "name.white": "white",
    "sweep.contrast": "contrast, dB",
    "sweep.cnr": "CNR",
    "sweep.gcnr": "gCNR",
    "sweep.width": "width at −6 dB, mm",
    "sweep.penetration": "depth down to the noise, mm",
    "sweep.place_x": "place in the phantom, x, mm",
    "sweep.place_z": "place in the phantom, depth, mm",
    "sweep.true": "{solid}, true echo",
    "sweep.alt": "{title}. {count} pictures, {path} from {start} to {stop}.",
    "sweep.help": "Drag the slider, or use the arrow keys. Home and End go to the ends.",
    "sweep.play": "Play",
    "sweep.stop": "Stop",
    "sweep.now": "Readings",
    "sweep.frame": "Picture {number} of {count}",
}


class Words:
    """Texts by key, from a translation where it has them, else in English.

    Raises
    ------
    SettingError
        If a translation has a key that is not known, or fills in something that is not given.
    """

    def __init__(self, table: Mapping[str, str] | None = None) -> None:
        table = dict(table or {})
        for key, text in table.items():
            if key not in ENGLISH:
                raise SettingError(f"words: unknown key {key!r}")
            extra = _fields(text) - _fields(ENGLISH[key])
            if extra:
                raise SettingError(f"words: {key!r} has nothing called {sorted(extra)[0]!r}")
        self._table = {**ENGLISH, **table}

    def __call__(self, key: str, **values: Any) -> str:
        """The text of a key with its values filled in."""
        return self._table[key].format(
            **{k: _Number(v) if isinstance(v, float) else v for k, v in values.items()}
        )

    def has(self, key: str) -> bool:
        """Whether there is a text of this key."""
        return key in self._table

    def name(self, name: str) -> str:
        """Name of an origin class, an effect or a displacement."""
        return self._table.get(f"name.{name}", name.replace("_", " "))

    def setting(self, path: str) -> str:
        """A setting path as it is said, with its unit: ``pose.rock_deg`` as "rock of the probe, degrees"."""
        path, bracket, place = path.partition("[")
        owner, _, key = path.rpartition(".")
        units = (k.removeprefix("unit.") for k in self._table if k.startswith("unit."))
        unit = max((u for u in units if key.endswith(f"_{u}")), key=len, default="")
        key = key.removesuffix(f"_{unit}") if unit else key
        told = f"setting.{owner}.{key}"
        name = self(told) if self.has(told) else key.replace("_", " ")
        if owner.startswith(("solids.", "tissues.")):
            name = self("setting.of", name=name, owner=owner.partition(".")[2])
        if bracket:
            name = self("setting.place", name=name, place=place.rstrip("]"))
        return self("setting.unit", name=name, unit=self(f"unit.{unit}")) if unit else name

    def both(self, names: Sequence[str]) -> str:
        """One name, or two of them."""
        return self("both", one=names[0], other=names[1]) if len(names) > 1 else names[0]

    def solid(self, name: str, tissue: str = "") -> str:
        """Name of a region of the phantom as it is said: the background by its tissue."""
        if name in ("background", "coupling"):
            return tissue or self(name)
        for ending in ("wall", "behind"):
            if name.endswith(f".{ending}"):
                return self(ending, solid=name.removesuffix(f".{ending}"))
        return name


class _Number(float):
    """A number that is written with a minus sign, not with a hyphen."""

    def __format__(self, form: str) -> str:
        return float(self).__format__(form).replace("-", "−")


def _fields(text: str) -> set[str]:
    """Names that a text fills in."""
    return {name for _, name, _, _ in Formatter().parse(text) if name}
