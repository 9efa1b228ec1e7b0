"""Draw the store's tables from the program's own models: `python docs/make_store.py` writes docs/pictures/store.svg.

A box a table, in the order in which they build on one another; `→` names the table a column points to, a bold name is the key; the frame of a kept table
is wide.
"""

from __future__ import annotations

from pathlib import Path

from kerfmark.reports import tokens
from kerfmark.reports.canvas import NARROW, WIDE, line, num, svg, text
from kerfmark.storage.schema import KEPT, Base

PICTURE = Path(__file__).parent / "pictures" / "store.svg"
COLUMNS = (
    ("who", ("people", "grants", "traits", "sign_ins", "one_time_links", "tokens", "station_keys", "sites")),
    ("what is cut, when, where", ("exercise_versions", "criteria", "sittings", "seats", "appointments", "releases")),
    ("what was handed in and measured", ("pieces", "assessments", "readings", "drawings", "jobs", "blobs")),
    ("how it is ruled and marked", ("markings", "rulings", "examinations", "examinations_criteria", "signatures", "rereadings", "rereadings_values", "calibrations")),
    ("what people say; the log", ("own_views", "own_views_criteria", "reflections", "notes", "appeals", "chosen_lines", "board_papers", "school_settings", "audit")),
)  # fmt: skip
"""Every table, once: a test fails where one is missing."""
WIDTH, GUTTER, EDGE = 232.0, 18.0, 12.0
HEAD, ROW, FOOT, GAP = 20.0, 14.0, 5.0, 10.0
TOP = 52.0
FONT = "Barlow Semi Condensed, Arial Narrow, Helvetica, Arial, sans-serif"


def drawn() -> str:
    """The whole picture as SVG."""
    body, height = "", 0.0
    for at, (title, names) in enumerate(COLUMNS):
        x, y = EDGE + at * (WIDTH + GUTTER), TOP
        body += text(x, TOP - 10, title, size=13, weight=600)
        for name in names:
            box, tall = _table(name, x, y)
            body, y = body + box, y + tall + GAP
        height = max(height, y)
    width = 2 * EDGE + len(COLUMNS) * (WIDTH + GUTTER) - GUTTER
    paper = f'<rect width="{num(width)}" height="{num(height)}" fill="@sheet"/>'
    words = "bold: the key · → the table a column points to · wide frame: only ever added to, its rows' digests stand in the audit log"
    body = paper + text(EDGE, 20, words, size=12, fill="@ink2") + body
    return tokens.painted(
        svg(width, height, body, label="The tables of the store and their columns", font_family=FONT), for_page=False
    )


def _table(name: str, x: float, y: float) -> tuple[str, float]:
    """One table's box and how tall it is."""
    table = Base.metadata.tables[name]
    kept = name in {one.__tablename__ for one in KEPT}
    tall = HEAD + ROW * len(table.columns) + FOOT
    frame = f'<rect x="{num(x)}" y="{num(y)}" width="{num(WIDTH)}" height="{num(tall)}" fill="none" stroke="@ink" stroke-width="{WIDE if kept else NARROW}"/>'
    body = frame + line(x, y + HEAD, x + WIDTH, y + HEAD) + text(x + 8, y + 14, name, size=13, weight=600)
    body += text(x + WIDTH - 8, y + 14, "kept", size=12, anchor="end", fill="@ink2") if kept else ""
    for at, column in enumerate(table.columns):
        base = y + HEAD + ROW * at + 11
        body += text(x + 8, base, column.name, size=11, weight=600 if column.primary_key else 400)
        to = next((key.column.table.name for key in column.foreign_keys), None)
        body += "" if to is None else text(x + WIDTH - 8, base, f"→ {to}", size=11, anchor="end", fill="@ink2")
    return body, tall


if __name__ == "__main__":
    PICTURE.write_text(drawn() + "\n", encoding="utf-8")
