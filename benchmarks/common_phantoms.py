"""The readings common to every family, on the cut blocks: removed volumes and deviation from the target."""

from __future__ import annotations

from block_phantoms import BLOCK, POCKETS, Blank, Key, prepared, volumes

from kerfmark.geometry.solids import difference

# Of the pocket "deep" the floor (three tenths of the area) lies 0.25 mm too deep and the distal, lingual and buccal walls
# (six tenths) stand 0.1 mm too far in. Of the pocket "short and wide" the floor (a third of the area) stands 0.2 mm high, the buccal wall (a fifth) is 0.15 mm
# too far out, and the other three walls (nearly half) are where they should be.
KNOWN: dict[str, dict[Key, float]] = {
    "short and wide": {
        ("surface.deviation_mm", None, "p01"): -0.15,
        ("surface.deviation_mm", None, "p05"): -0.15,
        ("surface.deviation_mm", None, "p50"): 0.0,
        ("surface.deviation_mm", None, "p95"): 0.2,
        ("surface.deviation_mm", None, "p99"): 0.2,
    },
    "deep": {
        ("surface.deviation_mm", None, "p05"): -0.25,
        ("surface.deviation_mm", None, "p95"): 0.1,
        ("surface.deviation_mm", None, "p99"): 0.1,
    },
    "as planned": {("surface.deviation_mm", None, f"p{at:02d}"): 0.0 for at in (1, 5, 50, 95, 99)},
}


def blanks(edge_mm: float = 0.15) -> dict[str, Blank]:
    """Every pocket with the volumes gone, and where they are plain, the percentiles of its deviation."""
    common = prepared()
    return {
        name: Blank(common, difference(BLOCK, pocket.solid()), volumes(pocket) | KNOWN.get(name, {}), edge_mm)
        for name, pocket in POCKETS.items()
    }
