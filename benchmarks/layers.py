"""How true the layers are: enamel by region, the junction under the fissure, chambers; ours beside real teeth and published values.

Run from the project's root: `python benchmarks/layers.py`. Writes `docs/layers-truth.md`. The real layered teeth (OpenMandible,
A. M. Vukicevic et al. 2021, GPL-3.0) are open data that lie beside the project; without them their rows are left out. With `--real`
only the section of lesions, orifices and accesses is written anew: the rest holds timings, which want a quiet machine.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from real_layers import access_row, lesion_rows, orifice_row, real
from real_teeth import REAL, WHOLE, real_tooth
from scipy.spatial import cKDTree

from kerfmark.anatomy import layer_measures as m
from kerfmark.anatomy.orifices import orifices_of
from kerfmark.anatomy.tooth import Tooth, tooth
from kerfmark.geometry.grids import distance_grid, sample
from kerfmark.geometry.mesh import volume_mm3
from kerfmark.records import Surface
from kerfmark.settings import read_settings

ROOT = Path(__file__).parents[1]
TYPES = (11, 12, 13, 14, 15, 16, 17, 18, 31, 32, 33, 34, 35, 36, 37, 38)
REAL_TEETH = {"real lower first premolar": ("tooth_L4", "L4"), "real lower first molar": ("tooth_L6", "L6")}
PUBLISHED = {
    "floor to furcation": ((3.05, 0.79), (2.96, 0.78)),
    "ceiling to furcation": ((4.91, 1.06), (4.55, 0.91)),
    "buccal cusp to furcation": ((11.15, 1.21), (10.90, 1.21)),
    "buccal cusp to floor": ((8.08, 0.88), (7.95, 0.79)),
    "buccal cusp to ceiling": ((6.24, 0.88), (6.36, 0.93)),
    "height": ((1.88, 0.69), (1.57, 0.68)),
}


def enamel_row(name: str, enamel: Surface, dentine: Surface, *, table: bool) -> str:
    """One line of the enamel table."""
    tips = m.enamel_thickness(m.cusp_tips(enamel), dentine)
    thirds = np.array(list(m.wall_thirds(enamel, dentine).values())).mean(axis=0)
    found = m.fissure(enamel, dentine) if table else None
    clear = found is not None and np.isfinite(found.junction_depth_mm)
    under = f"{found.junction_depth_mm:.2f} | {found.floor_enamel_mm:.2f}" if found and clear else "– | –"
    return f"| {name} | {np.median(tips):.2f} | " + " | ".join(f"{t:.2f}" for t in thirds) + f" | {under} |"


def chamber_row(name: str, dentine: Surface, pulp: Surface, cusp_mm: float) -> str:
    """One line of the chamber table."""
    d = m.chamber_distances(dentine, pulp, cusp_mm=cusp_mm)
    values = (
        d.floor_to_furcation,
        d.ceiling_to_furcation,
        d.cusp_to_furcation,
        d.cusp_to_floor,
        d.cusp_to_ceiling,
        d.height,
    )
    return f"| {name} | " + " | ".join(f"{v:.2f}" for v in values) + " |"


def tile_row(made: Tooth) -> str:
    """One line of the tiling table."""
    whole = volume_mm3(made.outer)
    parts = [volume_mm3(layer) for layer in made.layers.values()]
    grid = distance_grid(made.outer, spacing_mm=0.2, band_mm=0.8)
    outside = -float(sample(grid, made.layers["pulp"].vertices_mm).max())
    enamel = float(cKDTree(made.layers["enamel"].vertices_mm).query(made.layers["pulp"].vertices_mm)[0].min())
    share = " | ".join(f"{v:.1f}" for v in parts)
    return f"| {made.fdi} | {whole:.1f} | {share} | {abs(sum(parts) / whole - 1):.1e} | {outside:.2f} | {enamel:.2f} |"


def timed(fdi: int, cache: str) -> tuple[Tooth, float, float, float]:
    """A tooth, the seconds and processor seconds it took to make, the seconds to read back."""
    start, used = time.perf_counter(), time.process_time()
    made = tooth(fdi, cache_dir=cache)
    middle, used = time.perf_counter(), time.process_time() - used
    tooth(fdi, cache_dir=cache)
    return made, middle - start, used, time.perf_counter() - middle


ARCH = (
    "from kerfmark.anatomy.arch import arch; from kerfmark.anatomy.gingiva import gingiva; "
    "a = arch('lower'); surfaces = [t.surface(edge_mm=0.15) for t in a.teeth]; gingiva(a.teeth, a.contacts)"
)


def memory_mib(work: str) -> str:
    """The most memory a process takes that does this work and no other."""
    # Not ru_maxrss: a child process starts from its parent's.
    code = (
        f"{work}; from pathlib import Path; print(Path('/proc/self/status').read_text().split('VmHWM:')[1].split()[0])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    return f"{int(said) / 1024:.0f}"


def one_tooth(edge_mm: float) -> str:
    """The work of making one lower first molar."""
    return f"from kerfmark.anatomy.tooth import tooth; tooth(36, edge_mm={edge_mm})"


def arch_seconds() -> tuple[float, float]:
    """Seconds and processor seconds of a lower arch of fourteen teeth, their surfaces at 0.15 mm and its gingiva."""
    start, used = time.perf_counter(), time.process_time()
    exec(ARCH, {})
    return time.perf_counter() - start, time.process_time() - used


def real_section(teeth: list[Tooth]) -> str:
    """Lesions on real teeth, orifices found on pulps, accesses: everything read by `real_layers.py`."""
    there = REAL.is_dir()
    opened = {11: (0.0, -0.2, 1.0)}
    accesses = [
        access_row(str(t.fdi), t, opened.get(t.fdi, (0.0, 0.0, 1.0)))
        for t in teeth
        if t.fdi in (11, 14, 16, 17, 36, 37)
    ]
    if there:
        accesses += [access_row(f"real {fdi}", real(fdi)) for fdi in WHOLE]
    return SECTION.format(
        lesions="\n".join(lesion_rows()) if there else "",
        orifices="\n".join(orifice_row(str(t.fdi), t, orifices_of(t.layers["pulp"], cervical_mm=0.0)) for t in teeth),
        accesses="\n".join(accesses),
    )


def write_section() -> None:
    """The section alone, in its place on the page that stands."""
    page = ROOT / "docs/layers-truth.md"
    before, _, rest = page.read_text(encoding="utf-8").partition(SECTION_BEGINS)
    before, rest = (before, rest[rest.index(SPEED_BEGINS) :]) if rest else before.split(SPEED_BEGINS)[:2]
    rest = rest if rest.startswith(SPEED_BEGINS) else SPEED_BEGINS + rest
    page.write_text(
        before + real_section([tooth(fdi, cache_dir=read_settings().cache_dir) for fdi in TYPES]) + rest,
        encoding="utf-8",
    )


def main() -> None:
    """Measure everything and write the page."""
    load = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as warm:
        tooth(31, edge_mm=0.3, cache_dir=warm)
    with tempfile.TemporaryDirectory() as cache:
        runs = [timed(fdi, cache) for fdi in TYPES]
    arch_clock, arch_used = arch_seconds()
    teeth = [made for made, *_ in runs]
    enamel = [enamel_row(str(t.fdi), t.layers["enamel"], t.layers["dentine"], table=t.fdi % 10 > 3) for t in teeth]
    tip = "mesiobuccal cusp"
    molars = [t for t in teeth if t.fdi % 10 > 5]
    chambers = [
        chamber_row(str(t.fdi), t.layers["dentine"], t.layers["pulp"], t.sites[tip].point_mm[2]) for t in molars
    ]
    if REAL.is_dir():
        for name, place in REAL_TEETH.items():
            e, d, p = real_tooth(*place)
            enamel.append(enamel_row(name, e, d, table=True))
            if "molar" in name and "pre" not in name:
                chambers.append(chamber_row(name, d, p, float(np.median(m.cusp_tips(e)[:, 2]))))
    page = PAGE.format(
        enamel="\n".join(enamel),
        chambers="\n".join(chambers),
        published="\n".join(
            f"| published, {jaw} | " + " | ".join(f"{v[k][0]:.2f} ± {v[k][1]:.2f}" for v in PUBLISHED.values()) + " |"
            for k, jaw in enumerate(("upper", "lower"))
        ),
        tiles="\n".join(tile_row(t) for t in teeth),
        real=real_section(teeth),
        made=f"{np.median([s for _, s, _, _ in runs]):.2f}",
        worst=f"{max(s for _, s, _, _ in runs):.2f}",
        used=f"{np.median([s for _, _, s, _ in runs]):.2f}",
        used_worst=f"{max(s for _, _, s, _ in runs):.2f}",
        read=f"{1e3 * np.median([s for _, _, _, s in runs]):.0f}",
        read_worst=f"{1e3 * max(s for _, _, _, s in runs):.0f}",
        load=f"{max(0.0, load):.1f}",
        arch_clock=f"{arch_clock:.1f}",
        arch_used=f"{arch_used:.1f}",
        memory=memory_mib(one_tooth(0.1)),
        finest=memory_mib(one_tooth(0.05)),
        arch_memory=memory_mib(ARCH),
    )
    (ROOT / "docs/layers-truth.md").write_text(page, encoding="utf-8")
    sys.stdout.write(page)


SECTION_BEGINS, SPEED_BEGINS = "## Lesions on real teeth", "## Speed and memory"
SECTION = """## Lesions on real teeth

The lower left premolars and first molar (34, 35, 36) of the same open data: the only real teeth in layers there are; no front tooth, no upper
one. Each is turned level with its cervical line, gaps between its layers become dentine, its fossae, contacts (nearest to the neighbour's enamel)
and cervical line are found on it. Read by trimesh alone: depth beyond enamel (cervical: from the surface), half the width beyond the junction (the wider of its
two ways across; less where the wall is curved, for it follows the junction), width of the
mouth (fissure: asked is the width at the junction, the mouth is narrower), its height over the fossa, the contact or the cervical line, what is left
over the pulp, volume, how far the layers' volumes are from the tooth's, how far any of it lies outside.

| tooth | lesion | depth asked | found | half width at the junction asked | found | width asked | mouth | mouth over | to pulp | mm³ | sum | outside |
|---|---|---|---|---|---|---|---|---|---|---|---|---|
{lesions}

## Orifices found on a pulp

`anatomy/orifices.py` follows level sections down to where the floor parts them. Known and found on generated teeth; error of the worst, in the plane and
in space. One canal has no floor: there its orifice is a convention, and the error is how far two conventions lie apart.

| tooth | known | found | in the plane | in space |
|---|---|---|---|---|
{orifices}

On the real lower molar two are found: a round distal one and a ribbon over the mesial root, which parts into two canals 2.9 mm deeper: three canals,
two mouths. The real premolars have one canal.

## Access: the outline in the cervical section

By the laws of the chamber floor (Krasner & Rankow 2004) the chamber lies in the middle of the cervical section, its walls as far from the outside all round.
Wall: median, then 5th to 95th percentile round the chamber; how far the chamber's middle is off the section's; least and greatest distance of the planned outline from the
outside; volume gone, chamber and all, when cut.

| tooth | wall | all round | off centre | outline to outside | at most | mm³ gone | opened |
|---|---|---|---|---|---|---|---|
{accesses}

"""

PAGE = """# How true the layers are

Written by `benchmarks/layers.py`, which reads finished surfaces with `anatomy/layer_measures.py`: the same code for our teeth
and for real ones (OpenMandible, A. M. Vukicevic et al. 2021, GPL-3.0: two worn, segmented teeth of one person). Edge 0.1 mm. All in mm.

## Enamel

Tips: median over cusp tips or the edge, nearest distance to dentine. Walls: median of the four sides, by thirds of the height.
Junction: from the entry of the central fissure down to dentine; floor: enamel left at the fissure's floor.

| tooth | tips | cervical | middle | occlusal | junction | floor |
|---|---|---|---|---|---|---|
{enamel}

Published: incisal edges about 2.0, premolar cusps 2.3 to 2.5, molar cusps 2.5 to 3.0 (Sturdevant, from memory); side walls 1.0 to
1.3; junction 1.3 to 1.5 under the fissure entry (practice): all our teeth with a central fissure lie inside. Lower incisors and the sides of front teeth are thinner than the
range for side walls, as labial thirds of 0.3–0.5, 0.6–1.0 and 1.0–2.1 (from memory, uncertain) say for upper centrals; ours has 0.43, 0.83 and 1.02 there.

## Chambers of molars

| tooth | floor to furcation | ceiling to furcation | cusp to furcation | cusp to floor | cusp to ceiling | height |
|---|---|---|---|---|---|---|
{chambers}
{published}

Published: Deutsch & Musikant (2004), 100 molars of each jaw, mean ± SD, read to 0.5 mm. The paper gives no least and greatest values;
our range is mean ± SD. First and second molars lie inside it and their means within 0.25 mm of the published ones; lower third molars
have deeper furcations and are not fitted to it. The real molar's floor is a narrow saddle, and reading it 0.5 mm to a side moves it by as much.

## Tiling

Volumes in mm³; `sum` is how far the layers' volumes are from the tooth's, as a fraction. Least distances of the pulp from the
outer surface and from enamel: 0.5 mm from the outside is built in, and what is read is that less the error of a 0.2 mm grid.

| tooth | whole | enamel | dentine | pulp | sum | pulp to outside | pulp to enamel |
|---|---|---|---|---|---|---|---|
{tiles}

{real}## Speed and memory

One tooth with layers at 0.1 mm, loops compiled, nothing cached, sixteen teeth one after the other; the first molar is the largest.
Then a lower arch of fourteen teeth with their surfaces at 0.15 mm and its gingiva. Two cores; {load} other processes wanted them.

| | tooth, median | tooth, worst | arch and gingiva |
|---|---|---|---|
| processor seconds, all threads | {used} | {used_worst} | {arch_used} |
| seconds by the clock | {made} | {worst} | {arch_clock} |
| milliseconds from the cache | {read} | {read_worst} | – |
| most memory, MiB (lower first molar alone; at 0.05 mm: {finest}) | – | {memory} | {arch_memory} |
"""


if __name__ == "__main__":
    write_section() if "--real" in sys.argv[1:] else main()
