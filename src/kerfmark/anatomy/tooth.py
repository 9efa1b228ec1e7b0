"""A whole tooth: its outer form, its layers, its named places. `tooth` is the door."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from kerfmark.anatomy.depth import Depths, depths_of
from kerfmark.anatomy.enamel import enamel_field
from kerfmark.anatomy.form import NamedSite, ToothForm, outer_surface, tooth_form
from kerfmark.anatomy.kept import keep, kept
from kerfmark.anatomy.layering import cut_enamel, with_cavity
from kerfmark.anatomy.notation import as_fdi, mesial_sign, same_form, tooth_kind
from kerfmark.anatomy.pulp import Pulp, chamber_levels, pulp_of
from kerfmark.anatomy.root_paths import ONE_CANAL, furcation, root_paths, split_paths
from kerfmark.anatomy.tissues import PulpPlan, enamel_plan, pulp_plan
from kerfmark.errors import InputError
from kerfmark.records import FloatArray, Surface

__all__ = ["EDGES_MM", "NamedSite", "Tooth", "mirrored_surface", "tooth"]

EDGES_MM = (0.05, 0.3)
"""Edge lengths offered: at 0.05 mm a molar takes about 1 GiB while it is made; beyond 0.3 mm fissures are lost."""


@dataclass(frozen=True, slots=True, eq=False)
class Tooth:
    """A tooth with its layers, in the tooth frame (`docs/conventions.md`).

    Attributes
    ----------
    fdi : int
    seed : int or None
    mesial_sign : int
        +1 where mesial lies on +x, −1 where on −x.
    outer : Surface
        Crown and roots, closed.
    layers : mapping of str to Surface
        `enamel`, `dentine`, `pulp`: closed, tiling the tooth. The pulp is a cavity of the dentine.
    sites : mapping of str to NamedSite
        Cusp tips, pits, ridges, contacts, apices, furcation, orifices, …
    lines : mapping of str to (k, 3) float array, mm
        Grooves, ridges, the cervical line, canals.
    orifices : mapping of str to (3,) float array, mm
        Where canals leave the chamber, by canal.
    cervical_line_mm : (k, 3) float array, mm
        The closed border of crown and root.
    """

    fdi: int
    seed: int | None
    mesial_sign: int
    outer: Surface
    layers: Mapping[str, Surface]
    sites: Mapping[str, NamedSite]
    lines: Mapping[str, FloatArray]
    orifices: Mapping[str, FloatArray]
    cervical_line_mm: FloatArray


def tooth(
    fdi: int | str, *, seed: int | None = None, edge_mm: float = 0.1, cache_dir: str | Path | None = None
) -> Tooth:
    """A tooth with its layers, made from numbers.

    Parameters
    ----------
    fdi : int or str
        ISO 3950 number.
    seed : int, optional
        Varies sizes and shape inside published scatter; None is the table's tooth.
    edge_mm : float, mm
        About the edge length of its surfaces, 0.05 to 0.3.
    cache_dir : path, optional
        Where made teeth are kept by fdi, seed, edge and the version of what makes them.

    Returns
    -------
    tooth : Tooth
        The same to the bit each time; right and left are exact mirror images.

    Raises
    ------
    InputError
        If the tooth, seed or edge length is not one that can be made.
    """
    code = as_fdi(fdi)
    _check(seed, edge_mm)
    form = same_form(code)
    held = kept(cache_dir, form, seed, edge_mm)
    made = _from_parts(form, seed, held) if held is not None else _made(form, seed, edge_mm)
    if held is None and cache_dir is not None:
        keep(cache_dir, form, seed, edge_mm, _parts(made))
    return made if code == form else _mirrored(made, code)


def mirrored_surface(surface: Surface) -> Surface:
    """The mirror image in x, faces turned so that they still look outward."""
    return Surface(surface.vertices_mm * [-1.0, 1.0, 1.0], np.ascontiguousarray(surface.faces[:, ::-1]))


def _check(seed: int | None, edge_mm: float) -> None:
    if seed is not None and (isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < 2**32):
        raise InputError(
            f"seed is {seed!r}, expected a whole number from 0 to 4294967295, or none. Choose one of them."
        )
    if not EDGES_MM[0] <= edge_mm <= EDGES_MM[1]:
        raise InputError(
            f"edge_mm is {edge_mm:g}, expected {EDGES_MM[0]} to {EDGES_MM[1]} mm: finer needs more than 1 GiB of memory, "
            "coarser loses the fissures. Choose a length in between."
        )


def _made(fdi: int, seed: int | None, edge_mm: float) -> Tooth:
    form = tooth_form(fdi, seed=seed)
    outer = outer_surface(form, edge_mm=edge_mm)
    table = [s.point_mm[:2] for s in form.sites.values() if s.role.endswith("cusp") or s.role == "marginal_ridge"]
    depths = depths_of(outer, table_mm=np.array(table) if _has_table(fdi) else None)
    line = form.cervical_line_mm
    field = enamel_field(depths, plan=enamel_plan(fdi), cusps_mm=_cusps(form), cervical_line_mm=line)
    with ThreadPoolExecutor(1) as beside:
        # The pulp asks nothing of the cut: made beside it, on the second core.
        waiting = beside.submit(_pulp, form, depths, pulp_plan(fdi))
        outer, enamel, rest = cut_enamel(outer, field, bottom_mm=float(line[:, 2].min()) - 0.8, edge_mm=edge_mm)
        pulp, roof = waiting.result()
    layers = {"enamel": enamel, "dentine": with_cavity(rest, pulp.surface), "pulp": pulp.surface}
    lines = dict(form.lines) | {_of(name, "canal"): canal for name, canal in pulp.canals_mm.items()}
    return Tooth(fdi, seed, 1, outer, layers, _sites(form, pulp, roof), lines, dict(pulp.orifices), line)


def _sites(form: ToothForm, pulp: Pulp, roof: FloatArray | None) -> dict[str, NamedSite]:
    sites = dict(form.sites)
    for canal, at in pulp.orifices.items():
        sites[_of(canal, "orifice")] = NamedSite(_of(canal, "orifice"), "orifice", at)
    if roof is not None:
        sites["furcation"] = NamedSite("furcation", "furcation", roof)
    return sites


def _of(canal: str, what: str) -> str:
    """`mesiobuccal orifice`; in a tooth with one canal just `orifice`."""
    return what if canal == ONE_CANAL else f"{canal} {what}"


def _has_table(fdi: int) -> bool:
    return tooth_kind(fdi) in ("premolar", "molar")


def _cusps(form: ToothForm) -> list[FloatArray]:
    return [s.point_mm for s in form.sites.values() if s.role.endswith("cusp")] if _has_table(form.fdi) else []


def _pulp(form: ToothForm, depths: Depths, plan: PulpPlan) -> tuple[Pulp, FloatArray | None]:
    apices = {name: site.point_mm for name, site in form.sites.items() if site.role == "apex"}
    paths = root_paths(depths, apices, top_mm=-1.5)
    roof = furcation(depths, paths)
    buccal = [s.point_mm[2] for n, s in form.sites.items() if "buccal" in n and s.role.endswith("cusp")]
    levels = chamber_levels(
        plan, furcation_mm=None if roof is None else float(roof[2]), cusp_mm=max(buccal, default=None)
    )
    lines = {name: _up_to(path, levels[1]) for name, path in split_paths(paths, plan.canals).items()}
    return pulp_of(depths, plan=plan, levels_mm=levels, horns_mm=_horn_aims(form), paths_mm=lines), roof


def _horn_aims(form: ToothForm) -> list[FloatArray]:
    """Cusp tips; the corners of an incisal edge; a canine's one tip."""
    if _has_table(form.fdi):
        return _cusps(form)
    edge = form.lines.get("incisal edge")
    if edge is not None:
        return [edge[len(edge) // 8], edge[-1 - len(edge) // 8]]
    return [site.point_mm for site in form.sites.values() if site.role == "incisal_edge"]


def _up_to(path: FloatArray, level_mm: float) -> FloatArray:
    """A path from the top down that starts at a level: cut there, or carried straight up to it."""
    if path[0, 2] < level_mm:
        return np.vstack([[path[0, 0], path[0, 1], level_mm], path])
    kept_part: FloatArray = path[path[:, 2] <= level_mm]
    return kept_part


def _mirrored(made: Tooth, fdi: int) -> Tooth:
    flip = np.array([-1.0, 1.0, 1.0])
    return replace(
        made,
        fdi=fdi,
        mesial_sign=mesial_sign(fdi),
        outer=mirrored_surface(made.outer),
        layers={name: mirrored_surface(layer) for name, layer in made.layers.items()},
        sites={name: NamedSite(s.name, s.role, s.point_mm * flip) for name, s in made.sites.items()},
        lines={name: line * flip for name, line in made.lines.items()},
        orifices={name: at * flip for name, at in made.orifices.items()},
        cervical_line_mm=made.cervical_line_mm * flip,
    )


def _parts(made: Tooth) -> dict[str, np.ndarray]:
    """The tooth as named arrays, to be kept."""
    surfaces = {"outer": made.outer} | {f"layer:{name}": layer for name, layer in made.layers.items()}
    parts: dict[str, np.ndarray] = {f"{name}:vertices": s.vertices_mm for name, s in surfaces.items()}
    parts |= {f"{name}:faces": s.faces for name, s in surfaces.items()}
    parts |= {f"site:{s.role}:{name}": s.point_mm for name, s in made.sites.items()}
    parts |= {f"line:{name}": line for name, line in made.lines.items()}
    parts |= {f"orifice:{name}": at for name, at in made.orifices.items()}
    return parts | {"cervical": made.cervical_line_mm}


def _from_parts(fdi: int, seed: int | None, parts: Mapping[str, np.ndarray]) -> Tooth:
    def surface(name: str) -> Surface:
        return Surface(parts[f"{name}:vertices"], parts[f"{name}:faces"])

    def named(kind: str) -> dict[str, np.ndarray]:
        return {key.split(":", 1)[1]: value for key, value in parts.items() if key.startswith(f"{kind}:")}

    sites = {key.split(":", 1)[1]: (key.split(":", 1)[0], at) for key, at in named("site").items()}
    return Tooth(
        fdi, seed, 1, surface("outer"),
        {name: surface(f"layer:{name}") for name in ("enamel", "dentine", "pulp")},
        {name: NamedSite(name, role, at) for name, (role, at) in sites.items()},
        named("line"), named("orifice"), parts["cervical"],
    )  # fmt: skip
