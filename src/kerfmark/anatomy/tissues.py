"""How thick enamel is and where the pulp lies, tooth by tooth: starting values, each with where it comes from.

Marks: *seen* — read on a page that quotes the source; *memory* — recalled from the named source, check it before a
school relies on it; *practice* — common teaching practice, no source at hand; *fitted* — chosen here so that what is
measured on the finished tooth falls inside the published range beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from kerfmark.anatomy.notation import is_primary, is_upper, position, same_form, tooth_kind

__all__ = ["EnamelPlan", "PulpPlan", "enamel_plan", "pulp_plan"]


@dataclass(frozen=True, slots=True)
class EnamelPlan:
    """Enamel by region.

    Attributes
    ----------
    side_mm : float, mm
        What the side walls tend to, high above the cervical line.
    rise_mm : float, mm
        Height above the cervical line over which they reach 63 % of it: thickness = side · (1 − exp(−height / rise)).
    top_mm : float, mm
        Under cusp tips and incisal edges, along the long axis.
    fissure_mm : float, mm
        From the entry of a fissure down to the dentine; what a fissure takes of it is enamel missing at its floor.
    distal_more : float
        How much thicker the distal wall is than the mesial, as a fraction.
    """

    side_mm: float
    rise_mm: float
    top_mm: float
    fissure_mm: float
    distal_more: float
    lingual_less: float = 0.0


@dataclass(frozen=True, slots=True)
class PulpPlan:
    """Where the pulp lies.

    Attributes
    ----------
    wall_mm : float, mm
        Dentine and enamel beside the chamber at the cervical line, the same all round (Krasner & Rankow 2004).
    ceiling_mm : float, mm
        Ceiling of the chamber above the origin of the tooth frame (the cervical line's centre).
    height_mm : float
        Chamber height in teeth whose chamber has a floor; 0 where it passes into the canal without one.
    horn_mm : float, mm
        How far horns rise above the ceiling.
    canal_mm : float, mm
        Radius of a canal at its orifice; it tapers to `tip_mm`.
    tip_mm : float, mm
        Radius at the end of the canal.
    least_mm : float, mm
        Least distance from the pulp to the outer surface, everywhere; canals end this far short of the apex.
    canals : mapping-like tuple of (root, number)
        Roots that hold more than one canal.
    """

    wall_mm: float
    ceiling_mm: float
    height_mm: float
    horn_mm: float
    canal_mm: float = 0.42
    tip_mm: float = 0.16
    least_mm: float = 0.5
    canals: tuple[tuple[str, int], ...] = ()


# Side walls 1.0 to 1.3 mm in the middle third (seen, weak), incisors thinner towards the neck: labial 0.3–0.5, 0.6–1.0,
# 1.0–2.1 mm by thirds (memory, uncertain). Tops: incisal about 2.0, premolars 2.3–2.5, molars 2.5–3.0 mm (Sturdevant,
# memory). Fissure: dentine 1.3–1.5 mm below the entry (practice; a 1.5 mm floor lies 0.1–0.2 mm into dentine, seen).
# Distal walls are thicker (Stroud et al. 1998, seen). Rise: fitted. Primary walls at most 1 mm (seen, weak).
_ENAMEL = {
    "incisor": EnamelPlan(side_mm=1.05, rise_mm=3.2, top_mm=1.8, fissure_mm=1.2, distal_more=0.10, lingual_less=0.45),
    "canine": EnamelPlan(side_mm=1.15, rise_mm=3.0, top_mm=2.0, fissure_mm=1.2, distal_more=0.08, lingual_less=0.30),
    "premolar": EnamelPlan(side_mm=1.35, rise_mm=2.3, top_mm=2.45, fissure_mm=1.55, distal_more=0.06),
    "molar": EnamelPlan(side_mm=1.45, rise_mm=2.1, top_mm=2.75, fissure_mm=1.68, distal_more=0.06),
}

# Cusps and fissures whose shape makes what is measured on the finished tooth differ from its kind's: fitted.
_ENAMEL_OF = {
    11: {"side_mm": 1.19},
    14: {"fissure_mm": 1.67, "top_mm": 2.10},
    15: {"fissure_mm": 1.71, "top_mm": 2.23},
    34: {"top_mm": 2.00},
    35: {"fissure_mm": 1.34},
}

# Walls: 2 to 3 mm of dentine and enamel in the cervical third of mature front teeth (practice), as much as a thin neck
# allows. Molars: ceiling at the cervical line, 6.2–6.4 mm under the buccal cusp, height 1.88 and 1.57 mm, floor 3 mm
# above the furcation (Deutsch & Musikant 2004, seen). Upper first premolars: ceiling 6.9 mm under the cusp (same group,
# 2005, memory).
_PULP = {
    11: PulpPlan(wall_mm=2.15, ceiling_mm=2.6, height_mm=0.0, horn_mm=1.2, canal_mm=0.55),
    12: PulpPlan(wall_mm=1.75, ceiling_mm=2.2, height_mm=0.0, horn_mm=0.9),
    13: PulpPlan(wall_mm=2.05, ceiling_mm=2.8, height_mm=0.0, horn_mm=1.2, canal_mm=0.55),
    14: PulpPlan(wall_mm=1.85, ceiling_mm=1.6, height_mm=3.4, horn_mm=1.4),
    15: PulpPlan(wall_mm=1.85, ceiling_mm=1.6, height_mm=0.0, horn_mm=1.4),
    16: PulpPlan(wall_mm=2.50, ceiling_mm=0.6, height_mm=1.9, horn_mm=1.3),
    17: PulpPlan(wall_mm=2.05, ceiling_mm=0.4, height_mm=1.9, horn_mm=1.2),
    18: PulpPlan(wall_mm=2.00, ceiling_mm=0.2, height_mm=1.8, horn_mm=0.9),
    31: PulpPlan(wall_mm=1.25, ceiling_mm=2.2, height_mm=0.0, horn_mm=0.7, canal_mm=0.32),
    32: PulpPlan(wall_mm=1.40, ceiling_mm=2.4, height_mm=0.0, horn_mm=0.7, canal_mm=0.34),
    33: PulpPlan(wall_mm=2.00, ceiling_mm=3.0, height_mm=0.0, horn_mm=1.2, canal_mm=0.50),
    34: PulpPlan(wall_mm=1.85, ceiling_mm=2.0, height_mm=0.0, horn_mm=1.4),
    35: PulpPlan(wall_mm=1.85, ceiling_mm=1.8, height_mm=0.0, horn_mm=1.4),
    36: PulpPlan(wall_mm=2.65, ceiling_mm=0.6, height_mm=1.6, horn_mm=1.3, canals=(("mesial", 2),)),
    37: PulpPlan(wall_mm=2.50, ceiling_mm=0.4, height_mm=1.6, horn_mm=1.2, canals=(("mesial", 2),)),
    38: PulpPlan(wall_mm=2.40, ceiling_mm=0.2, height_mm=1.5, horn_mm=0.9, canals=(("mesial", 2),)),
}


def enamel_plan(fdi: int) -> EnamelPlan:
    """Enamel of a tooth by region."""
    plan = replace(_ENAMEL[tooth_kind(fdi)], **_ENAMEL_OF.get(same_form(fdi), {}))
    if is_primary(fdi):
        return replace(plan, side_mm=0.8, top_mm=0.55 * plan.top_mm, fissure_mm=0.8)
    if position(fdi) >= 7:
        return replace(plan, side_mm=plan.side_mm + 0.1)
    if tooth_kind(fdi) == "incisor" and not is_upper(fdi):
        return replace(plan, side_mm=0.90, top_mm=1.8)
    return plan


def pulp_plan(fdi: int) -> PulpPlan:
    """Pulp of a tooth; primary teeth take the plan of the permanent tooth of like form, with thinner walls."""
    form = same_form(fdi)
    if not is_primary(form):
        return _PULP[form]
    like = _PULP[10 * (1 if is_upper(form) else 3) + (position(form) if position(form) <= 3 else 6)]
    return replace(like, wall_mm=0.72 * like.wall_mm, horn_mm=like.horn_mm + 0.2)
