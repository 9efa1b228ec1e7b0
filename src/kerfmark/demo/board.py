"""What a simulated board has beside its table: criteria with outcomes and sources, a panel's judgements, actions agreed."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Final

__all__ = ["ACTIONS", "PANEL", "content_text", "rows_text"]

ANGOFF: Final = (
    (58, 55, 49, 60, 52, 47, 56, 50),
    (55, 57, 52, 58, 50, 45, 54, 48),
    (62, 58, 50, 63, 57, 52, 60, 55),
    (54, 52, 46, 57, 49, 44, 53, 47),
    (57, 56, 51, 59, 53, 48, 57, 51),
    (60, 54, 48, 61, 55, 50, 55, 52),
)
EBEL: Final = (
    ("needed, easy", 0.75, 10),
    ("needed, hard", 0.55, 14),
    ("useful, easy", 0.60, 8),
    ("useful, hard", 0.40, 8),
)
BOX: Final = (("cut_min", 48.0), ("cut_max", 60.0), ("fail_min", 0.05), ("fail_max", 0.35))
PANEL: Final = (
    ("method", "judge", "item", "value", "count"),
    *(("angoff", f"J{j}", str(i), str(value), "") for j, own in enumerate(ANGOFF, 1) for i, value in enumerate(own, 1)),
    *(("ebel", "J1", item, str(share), str(count)) for item, share, count in EBEL),
    *(("hofstee", "J1", item, str(value), "") for item, value in BOX),
)
"""Judgements of six invented judges."""

ACTIONS: Final = (
    ("about", "action", "owner", "by"),
    (
        "Examiners E2 and E6",
        "mark three reference pieces together before the next sitting",
        "L. Moreau (invented)",
        "2027-01-15",
    ),
    ("scanner B", "calibrate on the reference block and read the twelve pieces again", "workshop", "2026-12-04"),
    ("roughness", "ask whether the limit still tells learners apart", "criteria group", "2027-02-01"),
)
OUTCOMES: Final = {
    "margin width": ("O1 margin", "3", "no", "school's handbook, invented"),
    "depth": ("O2 reduction", "3", "yes", "school's handbook, invented"),
    "taper": ("O3 form", "2", "no", "school's handbook, invented"),
    "roughness": ("O4 surface", "1", "no", "teaching practice, no source at hand"),
}


def content_text(exercises: Sequence[str], criteria: Sequence[tuple[str, float, float]]) -> str:
    """Every criterion of every exercise with its outcome, weight and source, as the text of a CSV file."""
    header = ("exercise", "criterion", "outcome", "lower", "upper", "weight", "critical", "source")
    rows = []
    for exercise in exercises:
        for name, lower, upper in criteria:
            outcome, weight, critical, source = OUTCOMES[name]
            rows.append((exercise, name, outcome, f"{lower:g}", f"{upper:g}", weight, critical, source))
    return rows_text((header, *rows))


def rows_text(rows: Sequence[Sequence[str]]) -> str:
    """Rows as the text of a CSV file."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()
