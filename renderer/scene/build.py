"""From checked rows of the format to the frozen types of the engine; the only place units change."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from renderer.probe.faults import (
    Crosstalk,
    FacePiece,
    Interference,
    LooseCable,
    MachineFaults,
    WeakElements,
)
from renderer.probe.transducer import Pose, Probe, ScanSettings
from renderer.receive.settings import ReceiveSettings
from renderer.scene.format_faults import FaultsRow
from renderer.scene.format_machine import SECTOR_DEG, MachineRow, PoseRow, ProbeRow
from renderer.scene.format_scene import PhantomRow, RemedyRow, SceneRow, SeedRow
from renderer.scene.format_solids import (
    BeadRow,
    BoxBody,
    CapRow,
    ChainBody,
    ClosedRow,
    EllipsoidBody,
    GrainsRow,
    ImageRow,
    NeedleRow,
    PrismBody,
    SheetRow,
    SlabRow,
    SolidBase,
    SolidRow,
    SurfaceRow,
    TubeBody,
    WireRow,
)
from renderer.scene.format_tissues import SheetsRow, TextureRow, TissueFields, VesselsRow
from renderer.scene.label_pictures import LabelPicture
from renderer.scene.parts import Frozen, Phantom, PhysicsSwitches, Remedy, Sweep, freeze
from renderer.scene.rules_faults import HARMONIC_SENT
from renderer.tissue.materials import Anisotropy, Material
from renderer.tissue.presets import Octave, Orientation, Sheets, TextureRecipe, UnevenLoss, Vessels
from renderer.tissue.solids import (
    Aberration,
    Bead,
    Box,
    Cap,
    Chain,
    Closed,
    Ellipsoid,
    Grains,
    LabelImage,
    Needle,
    Point2,
    Point3,
    Prism,
    Shape,
    Sheet,
    Slab,
    Solid,
    Surface,
    Tube,
    Wire,
)
from renderer.tissue.table import material, material_names
from renderer.units import fraction_from_percent, mm_per_us_from_m_s, rad_from_deg, us_from_ns

LUMEN_TISSUE = "water"  # what fills a hollow needle
FAN_LINES = {"convex": 192, "sector": 160}
MIN_LINES, MAX_LINES = 2, 512


def build_phantom(row: PhantomRow, pictures: Mapping[int, LabelPicture]) -> Phantom:
    """The phantom with every tissue that it uses or describes; label pictures by the place of their solid."""
    names = {row.background, row.coupling, *row.tissues}
    for solid in row.solids:
        if isinstance(solid, ImageRow):
            names |= set(solid.tissues.values())
            continue
        others = (getattr(solid, "wall_tissue", None), getattr(solid, "behind", None))
        names |= {solid.tissue, *(name for name in others if name)}
        if getattr(solid, "hollow", False):
            names.add(LUMEN_TISSUE)
    materials = {name: build_material(name, row.tissues) for name in sorted(names)}
    solids = tuple(build_solid(solid, pictures.get(i)) for i, solid in enumerate(row.solids))
    wall = row.aberration
    aberration = None if wall is None else Aberration(us_from_ns(wall.delay_ns), wall.length_mm)
    return Phantom(row.background, row.coupling, Frozen(materials), solids, aberration)


def build_material(name: str, own: dict[str, TissueFields], below: bool = False) -> Material:
    """A tissue by name: the scene's own, or a shipped one.

    ``below`` asks for the shipped tissue behind an own tissue of the same name.
    """
    if below or name not in own:
        return material(name)
    row = own[name]
    if row.like is None:
        base = Material(name, 0.0, 0.0, 0.0)
    else:
        shipped = row.like == name and name in material_names()
        base = build_material(row.like, own, below=shipped)
    return Material(
        name=name,
        speed_mm_per_us=base.speed_mm_per_us if row.speed_m_s is None else mm_per_us_from_m_s(row.speed_m_s),
        density_kg_m3=_or(row.density_kg_m3, base.density_kg_m3),
        backscatter_db=_backscatter(row.backscatter_db, base.backscatter_db),
        scatterers_per_mm3=_or(row.scatterers_per_mm3, base.scatterers_per_mm3),
        texture=base.texture if row.texture is None else _texture(row.texture),
        anisotropy=base.anisotropy if row.anisotropy is None else _anisotropy(row),
        **_loss(row, base),
    )


def _or(value: Any, default: Any) -> Any:
    return default if value is None else value


def _backscatter(value: float | str | None, default: float) -> float:
    if value is None:
        return default
    return -math.inf if isinstance(value, str) else value


def _texture(value: str | TextureRow) -> str | TextureRecipe:
    if isinstance(value, str):
        return value
    turned, loss = value.orientation, value.loss
    return TextureRecipe(
        tuple(Octave(item.length_mm, item.contrast_db, item.across_mm) for item in value.octaves),
        tuple(_sheets(item) for item in value.sheets),
        tuple(_vessels(item) for item in value.vessels),
        Orientation(rad_from_deg(turned.direction_deg), rad_from_deg(turned.turn_deg)),
        None if loss is None else UnevenLoss(loss.length_mm, fraction_from_percent(loss.spread_percent)),
    )


def _sheets(row: SheetsRow) -> Sheets:
    return Sheets(
        pattern=row.pattern,
        size_mm=_point3(row.size_mm),
        contrast_db=row.contrast_db,
        kept=fraction_from_percent(row.kept_percent),
        thickness_mm=row.thickness_mm,
        wave_mm=row.wave_mm,
        patchiness_db=row.patchiness_db,
    )


def _vessels(row: VesselsRow) -> Vessels:
    return Vessels(
        radius_mm=row.trunk_radius_mm,
        least_mm=row.least_radius_mm,
        length_mm=row.trunk_length_mm,
        spacing_mm=row.spacing_mm,
        wall_db=row.wall_db,
        blood_db=row.lumen_db,
    )


def _anisotropy(row: TissueFields) -> Anisotropy | None:
    fall = row.anisotropy
    if fall is None:
        return None
    return Anisotropy(rad_from_deg(fall.direction_deg), fall.drop_db, rad_from_deg(fall.half_angle_deg))


def _loss(row: TissueFields, base: Material) -> dict[str, Any]:
    """The loss as fields of a material: what is said anew replaces the whole law or table of the base."""
    if row.attenuation_db_cm is not None:
        table = sorted((float(mhz), db_cm) for mhz, db_cm in row.attenuation_db_cm.items())
        return {"attenuation_db_cm_mhz": 0.0, "attenuation_power": 1.0, "loss_table_db_cm": tuple(table)}
    if row.attenuation_db_cm_mhz is not None:
        power = 1.0 if base.loss_table_db_cm else base.attenuation_power
        return {
            "attenuation_db_cm_mhz": row.attenuation_db_cm_mhz,
            "attenuation_power": _or(row.attenuation_power, power),
            "loss_table_db_cm": None,
        }
    return {
        "attenuation_db_cm_mhz": base.attenuation_db_cm_mhz,
        "attenuation_power": _or(row.attenuation_power, base.attenuation_power),
        "loss_table_db_cm": base.loss_table_db_cm,
    }


def build_solid(row: SolidRow | ImageRow, picture: LabelPicture | None = None) -> Solid:
    """A solid with its shape, turned into radians. Labels have tissues of their own; the first stands for them."""
    if isinstance(row, ImageRow):
        assert picture is not None, "label pictures are read before a scene is built"
        labels = _labels(row, picture)
        return Solid(row.name, labels, labels.tissues[0][1], **_common(row))
    return Solid(
        name=row.name,
        shape=build_shape(row),
        tissue=row.tissue,
        wall_mm=getattr(row, "wall_mm", None) or 0.0,
        wall_tissue=getattr(row, "wall_tissue", None),
        behind=getattr(row, "behind", None),
        **_common(row),
    )


def _common(row: SolidBase) -> dict[str, Any]:
    """What solids of all shapes have."""
    turn = _point3([rad_from_deg(angle) for angle in row.rotate_deg])
    return {"rotate_rad": turn, "surface": _surface(row.surface)}


def build_shape(row: SolidBase) -> Shape:
    """The geometry of a solid."""
    match row:
        case BoxBody() | EllipsoidBody() | TubeBody() | ChainBody() | PrismBody():
            return _closed(row)
        case GrainsRow():
            rings = row.ring_down
            own = None if rings is None else (rings.frequency_mhz, rings.decay_us)
            return Grains(_closed(row.region), row.count, row.diameter_mm, ring_down=own)
        case SlabRow():
            thickness_mm = math.inf if row.thickness_mm is None else row.thickness_mm
            return Slab(row.top_mm, thickness_mm, rad_from_deg(row.tilt_deg))
        case WireRow():
            return Wire(_point3(row.from_mm), _point3(row.to_mm), row.diameter_mm)
        case BeadRow():
            return Bead(_point3(row.at_mm), row.diameter_mm)
        case SheetRow():
            return _sheet(row)
        case NeedleRow():
            return _needle(row)
    raise AssertionError(f"no geometry for {type(row)}")


def _closed(row: ClosedRow) -> Closed:
    match row:
        case BoxBody():
            return Box(_point3(row.centre_mm), _point3(row.size_mm))
        case EllipsoidBody():
            radii = row.radii_mm if isinstance(row.radii_mm, list) else [row.radii_mm] * 3
            return Ellipsoid(_point3(row.centre_mm), _point3(radii))
        case TubeBody():
            return Tube(_point3(row.from_mm), _point3(row.to_mm), row.radius_mm)
        case ChainBody():
            radii = row.radius_mm if isinstance(row.radius_mm, list) else [row.radius_mm] * len(row.points_mm)
            return Chain(tuple(_point3(point) for point in row.points_mm), tuple(float(r) for r in radii))
        case PrismBody():
            return Prism(_points(row.outline_mm), _point2(row.y_mm), row.rounded)


def _labels(row: ImageRow, picture: LabelPicture) -> LabelImage:
    tissues = sorted((int(label), tissue) for label, tissue in row.tissues.items())
    place, along = _point2(row.origin_mm), _point2(row.y_mm)
    return LabelImage(picture.pixels, picture.columns, picture.pixel_mm, place, along, tuple(tissues))


def _sheet(row: SheetRow) -> Sheet:
    curve = None if row.curve_mm is None else _points(row.curve_mm)
    cap = None if row.cap is None else _cap(row.cap)
    return Sheet(row.thickness_mm, curve, cap, _point2(row.y_mm), row.rounded)


def _cap(row: CapRow) -> Cap:
    return Cap(_point3(row.centre_mm), row.radius_mm, rad_from_deg(row.half_angle_deg))


def _needle(row: NeedleRow) -> Needle:
    return Needle(
        tip_mm=_point3(row.tip_mm),
        angle_rad=rad_from_deg(row.angle_deg),
        length_mm=row.length_mm,
        diameter_mm=row.diameter_mm,
        out_of_plane_rad=rad_from_deg(row.out_of_plane_deg),
        bevel_rad=rad_from_deg(row.bevel_deg),
        hollow=row.hollow,
    )


def _surface(row: SurfaceRow) -> Surface:
    return Surface(row.roughness_um, row.wave_mm, row.wave_length_mm)


def _point3(values: list[float]) -> Point3:
    x, y, z = values
    return float(x), float(y), float(z)


def _point2(values: list[float]) -> Point2:
    a, b = values
    return float(a), float(b)


def _points(values: list[list[float]]) -> tuple[Point2, ...]:
    return tuple(_point2(point) for point in values)


def build_probe(row: ProbeRow) -> Probe:
    """The probe."""
    return Probe(
        kind=row.kind,
        n_elements=row.elements,
        pitch_mm=row.pitch_mm,
        frequency_mhz=row.frequency_mhz,
        bandwidth=fraction_from_percent(row.bandwidth_percent),
        height_mm=row.height_mm,
        lens_focus_mm=row.lens_focus_mm,
        radius_mm=row.radius_mm,
        face_reflection_db=row.face_reflection_db,
        n_channels=row.channels,
        main_bang_db=None if isinstance(row.main_bang_db, str) else row.main_bang_db,
        sector_rad=rad_from_deg(_or(row.sector_deg, SECTOR_DEG)) if row.kind == "sector" else None,
    )


def build_pose(row: PoseRow) -> Pose:
    """The pose, in radians."""
    turns = (row.rock_deg, row.fan_deg, row.turn_deg)
    return Pose(row.slide_mm, row.lift_mm, *(rad_from_deg(angle) for angle in turns))


def build_scan(row: MachineRow, probe: ProbeRow) -> ScanSettings:
    """What is sent and how it is listened to, with the defaults that depend on probe and depth."""
    lines = (
        FAN_LINES[probe.kind] if probe.kind in FAN_LINES else min(max(probe.elements, MIN_LINES), MAX_LINES)
    )
    focus = [row.depth_mm / 2] if row.focus_mm is None else row.focus_mm
    return ScanSettings(
        n_lines=_or(row.lines, lines),
        depth_mm=row.depth_mm,
        frequency_mhz=listened_mhz(row, probe),
        focus_mm=tuple(focus) if isinstance(focus, list) else (focus,),
        transmit_f_number=row.transmit_f_number,
        receive_f_number=row.receive_f_number,
        apodisation=row.apodisation,
        assumed_speed_mm_per_us=mm_per_us_from_m_s(row.assumed_speed_m_s),
        prf_hz=None if isinstance(row.prf_hz, str) else row.prf_hz,
        steer_rad=rad_from_deg(row.steer_deg),
        compound_rad=tuple(rad_from_deg(angle) for angle in row.compound_deg or ()),
        pixel_mm=row.pixel_mm,
        harmonic=row.harmonic,
        clutter_db=row.clutter_db,
        view_mm=None if row.view_mm is None else _point2(row.view_mm),
        view_rad=None if row.view_deg is None else _point2([rad_from_deg(angle) for angle in row.view_deg]),
    )


def listened_mhz(row: MachineRow, probe: ProbeRow) -> float:
    """Frequency that is listened to: that of the pulse, or twice that."""
    if row.harmonic:
        return 2 * float(_or(row.frequency_mhz, HARMONIC_SENT * probe.frequency_mhz))
    return float(_or(row.frequency_mhz, probe.frequency_mhz))


def build_faults(row: FaultsRow) -> MachineFaults:
    """The faults of probe and machine."""
    loose = [FacePiece(p.from_mm, p.to_mm, p.loss_db, p.ring_db) for p in row.delamination]
    gaps = [FacePiece(p.from_mm, p.to_mm, p.loss_db, 0.0, gap=True) for p in row.air_gap]
    cable, channels, slider = row.loose_cable, row.lost_channels, row.stuck_slider
    source, leak = row.interference, row.crosstalk
    return MachineFaults(
        dead_elements=tuple(row.dead_elements),
        weak_elements=tuple(WeakElements(w.first, w.last, w.loss_db) for w in row.weak_elements),
        loose_cable=None if cable is None else LooseCable(cable.first, cable.last, cable.open_chance),
        lost_channels=None if channels is None else (channels.first, channels.last),
        face=(*loose, *gaps),
        lost_lines=tuple(row.lost_lines),
        sensitivity_db=row.sensitivity_db,
        interference=None
        if source is None
        else Interference(source.frequency_mhz, source.level_db, source.burst_us, source.every_us),
        crosstalk=None
        if leak is None
        else Crosstalk(leak.level_db, leak.reach_mm, mm_per_us_from_m_s(leak.speed_m_s)),
        stuck_slider=None if slider is None else (slider.slider, slider.gain_db),
    )


def build_receive(row: MachineRow) -> ReceiveSettings:
    """The settings of the receive chain."""
    return ReceiveSettings(
        output_db=row.output_db,
        noise_db=row.noise_db,
        gain_db=row.gain_db,
        tgc_slope_db_cm_mhz=row.tgc_slope_db_cm_mhz,
        flat_field=row.flat_field,
        tgc_db=tuple(row.tgc_db),
        lateral_gain_db=tuple(row.lateral_gain_db),
        dynamic_range_db=row.dynamic_range_db,
        reject_db=row.reject_db,
        grey_map=row.grey_map,
        edge_enhancement=row.edge_enhancement,
        persistence=row.persistence,
    )


def build_physics(row: SceneRow) -> PhysicsSwitches:
    """The switches of the physics."""
    return PhysicsSwitches(**row.physics.model_dump())


def build_remedy(row: RemedyRow) -> Remedy:
    """A remedy with its settings or its sweep."""
    if row.try_ is None:
        return Remedy(row.name, row.why, set=freeze(row.set))
    path, (start, stop, steps) = next(iter(row.try_.items()))
    return Remedy(row.name, row.why, try_sweep=Sweep(path, start, stop, int(steps)))


def seeds(row: SceneRow) -> tuple[int, int]:
    """Seeds of the tissue and of the noise."""
    if isinstance(row.seed, SeedRow):
        return row.seed.tissue, row.seed.noise
    return row.seed, row.seed
