"""What readings, limits and rulings are called and how their numbers are written, on every page and sheet."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from math import ceil, floor, inf, isfinite, log10
from typing import Final

from kerfmark.records import Limits2, RulingWord

__all__ = [
    "SIDE_WORDS",
    "answer",
    "decimals_for",
    "family_of",
    "limits_of",
    "limits_text",
    "mark",
    "name_of",
    "number",
    "ruling_counts",
    "significant",
    "unit_sign",
    "with_unit",
]

SIDE_WORDS: Final = {"left": "material left", "over": "cut too far"}

_UNITS: Final = {
    "deg": "°",
    "um": "µm",
    "mm2": "mm²",
    "mm3": "mm³",
    "1": "",
    "mm3/s": "mm³/s",
    "n": "N",
    "bits/s": "bit/s",
}
_DECIMALS: Final = {"deg": 1, "°": 1, "mm": 2, "um": 0, "µm": 0, "mm2": 2, "mm²": 2, "mm3": 2, "mm³": 2, "1": 2, "s": 0}

# Reading: family, name. Where a family's readings differ only in where, the name is left to it.
_NAMES: Final[dict[str, tuple[str, str]]] = {
    "crown.total_occlusal_convergence_deg": ("Convergence", "Convergence"),
    "crown.taper_deg": ("Convergence", "Taper"),
    "crown.path_of_insertion": ("Path of insertion", "Path"),
    "crown.undercut_depth_mm": ("Path of insertion", "Deepest undercut"),
    "crown.undercut_area_mm2": ("Path of insertion", "Undercut area"),
    "crown.occlusal_reduction_mm": ("Occlusal reduction", "Reduction"),
    "crown.axial_reduction_mm": ("Axial reduction", "Reduction"),
    "crown.finish_line_width_mm": ("Finish line", "Width"),
    "crown.finish_line_form": ("Finish line", "Form"),
    "crown.margin_smoothness_um": ("Finish line", "Smoothness"),
    "crown.margin_to_gingiva_mm": ("Finish line", "Above gingiva"),
    "crown.margin_continuity": ("Finish line", "Continuity"),
    "crown.height_mm": ("Walls", "Height"),
    "crown.height_to_base_ratio": ("Walls", "Height to base"),
    "crown.limiting_convergence_deg": ("Walls", "Limiting convergence"),
    "crown.occluso_axial_radius_mm": ("Walls", "Line angle radius"),
    "crown.facial_two_plane_deg": ("Walls", "Two planes, facial"),
    "crown.wall_roughness_um": ("Walls", "Roughness"),
    "crown.neighbour.damage_depth_mm": ("Neighbours", "Damage depth"),
    "crown.neighbour.damage_volume_mm3": ("Neighbours", "Damage volume"),
    "crown.neighbour.damage_area_mm2": ("Neighbours", "Damage area"),
    "process.duration_s": ("How it was done", "Time in all"),
    "process.cutting_s": ("How it was done", "Time cutting"),
    "process.path_mm": ("How it was done", "Way of the tip"),
    "process.sparc": ("How it was done", "Smoothness, SPARC"),
    "process.ldlj": ("How it was done", "Smoothness, LDLJ"),
    "process.tremor_um_rms": ("How it was done", "Tremor, 6 to 12 Hz, rms"),
    "process.force_mean_n": ("How it was done", "Force, mean"),
    "process.force_peak_n": ("How it was done", "Force, greatest"),
    "process.force_sd_n": ("How it was done", "Force, spread"),
    "process.removal_rate_mm3_s": ("How it was done", "Removal rate"),
    "process.pauses": ("How it was done", "Pauses over 1 s"),
    "process.reorientation_deg": ("How it was done", "Turns of the axis, sum"),
    "process.entries_outside": ("How it was done", "Cuts outside the envelope"),
    "process.mirror_s": ("How it was done", "Time with the mirror"),
    "process.neck_flexion_deg": ("How it was done", "Lean of the neck"),
    "line.time_s": ("Line", "Time in contact"),
    "line.steering_bits_per_s": ("Line", "Steering"),
    "implant.entry_deviation_mm": ("Against the plan", "Entry, off the plan"),
    "implant.apex_deviation_mm": ("Against the plan", "Apex, off the plan"),
    "implant.depth_deviation_mm": ("Against the plan", "Depth, off the plan"),
    "implant.lateral_deviation_mm": ("Against the plan", "Entry, sideways"),
    "implant.angle_deg": ("Against the plan", "Angle to the plan"),
    "implant.oversize_mm": ("Against the plan", "Wider than the drill"),
    "implant.canal_clearance_mm": ("Kept clear of", "To the canal"),
    "implant.root_clearance_mm": ("Kept clear of", "To the root"),
    "implant.implant_clearance_mm": ("Kept clear of", "To the next implant"),
    "implant.sinus_clearance_mm": ("Kept clear of", "To the sinus"),
    "implant.plate_thickness_mm": ("Kept clear of", "Bone outside"),
    "implant.breach": ("Kept clear of", "Opened"),
    "implant.bone_density": ("Bone", "Mean grey round the plan"),
    "implant.prosthetic_axis_deg": ("Against the plan", "Axis to the crown's axis"),
    "implant.drill_order": ("How it was done", "Drills used in order"),
    "implant.contact_time_s": ("How it was done", "Time in bone"),
    "surface.deviation_mm": ("Whole piece", "Deviation"),
    "surface.removed_mm3": ("Whole piece", "Removed"),
    "block.target_cleared": ("Block", "Target cleared"),
    "block.left_mm3": ("Block", "Material left"),
    "block.overcut_mm3": ("Block", "Cut too far"),
    "line.lateral_rms_mm": ("Line", "Off the line, rms"),
    "line.lateral_95_mm": ("Line", "Off the line, 95 %"),
    "line.lateral_max_mm": ("Line", "Off the line, greatest"),
    "line.depth_mean_mm": ("Line", "Depth, mean"),
    "line.depth_sd_mm": ("Line", "Depth, spread"),
    "line.width_sd_mm": ("Line", "Width, spread"),
    "cavity.isthmus_to_intercuspal": ("Outline", "Isthmus to intercuspal"),
    "cavity.isthmus_width_mm": ("Outline", "Isthmus width"),
    "cavity.outline_area_mm2": ("Outline", "Outline area"),
    "cavity.outline_overlap": ("Outline", "Outline overlap"),
    "cavity.extension_mm": ("Outline", "Extension"),
    "cavity.marginal_ridge_mm": ("Outline", "Marginal ridge"),
    "cavity.pulpal_depth_mm": ("Depth", "Pulpal depth"),
    "cavity.axial_depth_mm": ("Depth", "Axial depth"),
    "cavity.gingival_depth_mm": ("Depth", "Gingival depth"),
    "cavity.floor_flatness_um": ("Floor and walls", "Flatness"),
    "cavity.floor_tilt_deg": ("Floor and walls", "Tilt"),
    "cavity.wall_angle_deg": ("Floor and walls", "Wall"),
    "cavity.cavosurface_angle_deg": ("Floor and walls", "Cavosurface"),
    "cavity.internal_radius_mm": ("Floor and walls", "Internal radius"),
    "cavity.box_width_mm": ("Box", "Box width"),
    "cavity.axial_wall_height_mm": ("Box", "Axial wall height"),
    "cavity.gingival_floor_mm": ("Box", "Gingival floor"),
    "cavity.proximal_clearance_mm": ("Box", "Clearance"),
    "cavity.bevel_width_mm": ("Bevel", "Bevel width"),
    "cavity.bevel_angle_deg": ("Bevel", "Bevel angle"),
    "cavity.caries_left_mm3": ("Tissue", "Decay left"),
    "cavity.caries_left_thickness_mm": ("Tissue", "Decay left, thickness"),
    "cavity.sound_removed_mm3": ("Tissue", "Sound tissue lost"),
    "cavity.unsupported_enamel_mm3": ("Tissue", "Unsupported enamel"),
    "cavity.remaining_dentine_mm": ("Tissue", "Remaining dentine"),
    "cavity.pulp_exposed_mm2": ("Tissue", "Pulp exposed"),
    "cavity.neighbour.damage_depth_mm": ("Neighbours", "Damage depth"),
    "cavity.neighbour.damage_volume_mm3": ("Neighbours", "Damage volume"),
    "cavity.neighbour.damage_area_mm2": ("Neighbours", "Damage area"),
}
_PLACES: Final = {"dej": "at the junction", "bed": ""}
_ABUTMENT: Final = re.compile(r"(\d\d)/")
_FAMILIES: Final = {
    "crown.neighbour": "Neighbours",
    "cavity.neighbour": "Neighbours",
    "crown.abutments": "Abutments",
    "process": "How it was done",
    "surface": "Whole piece",
    "access": "Access",
    "implant": "Implant bed",
    "line": "Line",
    "block": "Block",
    "cavity": "Cavity",
    "crown": "Crown",
}
_SUFFIXES: Final = ("_mm3_s", "_bits_per_s", "_um_rms", "_mm3", "_mm2", "_mm", "_um", "_deg", "_s", "_n")
_STATS: Final = {
    "median": "",
    "p05": "5 % point",
    "p95": "95 % point",
    "min": "least",
    "max": "greatest",
    "mean": "mean",
    "p01": "1 % point",
    "p50": "",
    "p99": "99 % point",
    "excess": "excess",
}


def family_of(reading: str) -> str:
    """The heading a criterion stands under."""
    if reading in _NAMES:
        return _NAMES[reading][0]
    return next((title for start, title in _FAMILIES.items() if reading.startswith(start)), "Whole piece")


def name_of(
    reading: str,
    where: str | None,
    stat: str | None,
    *,
    alone: bool = False,
    say: Callable[[str], str] = str,
) -> str:
    """What a criterion is called: its quantity, where, and which statistic if it is not the median.

    `alone` adds what the family heading says, for places without the heading; `say` gives the reader's words for English
    ones, part by part (a site's own name stays).

    >>> name_of("crown.finish_line_width_mm", "distal", "median")
    'Width, distal'
    >>> name_of("crown.occlusal_reduction_mm", "central groove", "p05")
    'Central groove, 5 % point'
    >>> name_of("crown.finish_line_width_mm", "distal", None, alone=True)
    'Finish line width, distal'
    """
    what = _NAMES[reading][1] if reading in _NAMES else _plain(reading)
    family = family_of(reading)
    place = say(_place_word(where)) if where else ""
    if reading == "access.straight_line_deg" and where:
        place = say("orifice {number}").format(number=where)
    parts = [say(what), place]
    if reading == "crown.occlusal_reduction_mm" and where:
        parts = [say(what), place] if alone else [place[:1].upper() + place[1:]]
    elif alone and family in ("Finish line", "Axial reduction"):
        parts[0] = say(f"{family} {what.lower()}" if family == "Finish line" else family)
    named = _STATS.get(stat or "", stat or "")
    return ", ".join(part for part in (*parts, say(named) if named else "") if part)


def _place_word(where: str | None) -> str:
    """A place as said: of a bed's sides the side alone, of an abutment's the tooth and the side."""
    return _PLACES.get(where or "", _ABUTMENT.sub(r"\1 ", (where or "").removeprefix("bed/").replace("_", " ")))


def _plain(reading: str) -> str:
    last = reading.rsplit(".", 1)[-1]
    for suffix in _SUFFIXES:
        last = last.removesuffix(suffix) if last.endswith(suffix) and last != suffix else last
    words = last.replace("_", " ")
    return words[:1].upper() + words[1:]


def unit_sign(unit: str) -> str:
    """The unit as shown: µm, °, mm²; nothing for a pure number."""
    return _UNITS.get(unit, unit)


def decimals_for(unit: str, limits: Limits2, u: float | None) -> int:
    """How many decimals a reading and its limits are shown with.

    By the unit; one more where a limit is below 0.1, and enough that U = 2 u does not read as nothing.
    """
    decimals = _DECIMALS.get(unit, 2)
    finite = [abs(limit) for limit in limits if isfinite(limit) and limit != 0.0]
    if finite and unit not in ("deg", "um", "s") and max(finite) < 0.1:
        decimals += 1
    if u is not None and u > 0.0:
        decimals = max(decimals, min(decimals + 2, ceil(-log10(2.0 * u) - 0.3)))
    return decimals


def number(value: float, decimals: int, *, sign: bool = False) -> str:
    """A number as written: rounded once, a true minus, no minus before nothing.

    >>> number(-0.004, 2), number(-1.25, 1), number(0.38, 2, sign=True)
    ('0.00', '−1.2', '+0.38')
    """
    shown = f"{value:+.{decimals}f}" if sign else f"{value:.{decimals}f}"
    if not shown.strip("+-0."):
        shown = shown.lstrip("+-")
    return shown.replace("-", "−")


def mark(percent: float) -> str:
    """A mark as written: whole where it is, else to a tenth, so that none is rounded onto another's side of the pass line.

    >>> mark(62.5), mark(80.0)
    ('62.5', '80')
    """
    return number(percent, 0 if abs(percent - round(percent)) < 0.05 else 1)


def with_unit(shown: str, unit: str) -> str:
    """The number and its unit; no space before a degree."""
    sign = unit_sign(unit)
    return shown + (sign if sign == "°" or not sign else f" {sign}")


def limits_text(limits: Limits2, decimals: int) -> str:
    """Limits as printed, in their own order: `6.0 – 16.0`, `≤ 0.030`, `≥ 3.50`.

    >>> limits_text((float("-inf"), 0.03), 3)
    '≤ 0.030'
    """
    low, high = limits
    enough = max([decimals, *(_places(limit) for limit in limits)])
    if low == -inf and high == inf:
        return "none"
    if low == -inf:
        return f"≤ {number(high, enough)}"
    if high == inf:
        return f"≥ {number(low, enough)}"
    return f"{number(low, enough)} – {number(high, enough)}"


def _places(limit: float) -> int:
    """Decimals needed to print a limit without changing it, at most four."""
    if not isfinite(limit):
        return 0
    return next((n for n in range(5) if abs(round(limit, n) - limit) < 1e-9), 4)


YES_NO: Final = {
    "access.perforation": ("none", "perforated"),
    "implant.breach": ("none", "opened"),
    "implant.drill_order": ("not in order", "in order"),
}
"""What 0 and 1 mean where a reading answers yes or no."""


def answer(reading: str, value: float) -> str | None:
    """A yes or no in words; None for a reading that is a number.

    >>> answer("access.perforation", 0.0), answer("access.wall_left_mm", 1.2)
    ('none', None)
    """
    words = YES_NO.get(reading)
    return None if words is None else words[value > 0.5]


def limits_of(reading: str, limits: Limits2, decimals: int, *, say: Callable[[str], str] = str) -> str:
    """A reading's limits as printed; of a yes or no, which it has to be.

    >>> limits_of("access.perforation", (float("-inf"), 0.5), 2)
    'none'
    """
    wanted = answer(reading, 0.0 if limits[0] == -inf else 1.0)
    return limits_text(limits, decimals) if wanted is None else say(wanted)


def ruling_counts(words: Sequence[RulingWord], *, say: Callable[[str], str] = str) -> str:
    """How many of each ruling, in a fixed order: `16 met, 4 not met, 3 too close`.

    >>> ruling_counts(["met", "too close to call", "met"])
    '2 met, 1 too close'
    """
    order = ("met", "not met", "too close to call", "not measurable")
    short = {"too close to call": "too close"}
    counts = (f"{words.count(word)} {say(short.get(word, word))}" for word in order if word in words)
    return ", ".join(counts) or say("none")


def significant(value: float, digits: int = 2) -> str:
    """A small positive number to so many significant digits, for budgets.

    >>> significant(0.01234), significant(12.6)
    ('0.012', '13')
    """
    if value <= 0.0:
        return "0"
    return number(value, max(0, digits - 1 - floor(log10(value))))
