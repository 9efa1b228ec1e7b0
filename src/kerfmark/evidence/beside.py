"""What stands beside the table: a panel's judgements, and actions agreed."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

from kerfmark.errors import InputError, printable
from kerfmark.evidence.answer import Action, Panel
from kerfmark.evidence.small_tables import csv_text, rows_of_text

__all__ = ["ACTION_COLUMNS", "PANEL_COLUMNS", "actions_of", "panel_of", "read_actions", "read_panel"]

ACTION_COLUMNS: Final = ("about", "action", "owner", "by")
PANEL_COLUMNS: Final = ("method", "judge", "item", "value", "count")


def read_actions(path: Path) -> tuple[Action, ...]:
    """Actions agreed, from a CSV with the columns about, action, owner, by.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing or unknown, or an action has no owner.
    """
    return actions_of(csv_text(path, what="a CSV of actions"), name=path.name)


def actions_of(text: str, *, name: str) -> tuple[Action, ...]:
    """Actions agreed, from a CSV's text; as `read_actions`."""
    rows, name = rows_of_text(text, ACTION_COLUMNS, row="an action", name=name), printable(name)
    actions = tuple(Action(*((row[column] or "").strip() for column in ACTION_COLUMNS)) for row in rows)
    for at, action in enumerate(actions, start=2):
        if not action.action or not action.owner:
            raise InputError(
                f"{name}, row {at}: action or owner is empty, expected what is to be done and by whom. Add it."
            )
    return actions


def read_panel(path: Path) -> Panel:
    """A panel's judgements from a CSV with columns method, judge, item, value, count.

    Raises
    ------
    InputError
        If the file cannot be read, a method is unknown, or a judge has not judged every item.
    """
    return panel_of(csv_text(path, what="a panel's file in CSV"), name=path.name)


def panel_of(text: str, *, name: str) -> Panel:
    """A panel's judgements from a CSV's text; as `read_panel`."""
    name = printable(name)
    try:
        parsed = [
            (
                r["method"].strip(),
                r["judge"].strip(),
                r["item"].strip(),
                float(r["value"]),
                float(r.get("count") or "nan"),
            )
            for r in csv.DictReader(text.splitlines())
        ]
    except (csv.Error, KeyError, ValueError, AttributeError, TypeError) as why:
        found = f"no column {why.args[0]}" if isinstance(why, KeyError) else printable(why, limit=80)
        raise InputError(
            f"{name}: not a panel's file ({found}), expected columns method, judge, item, value and, for ebel, count. Correct it."
        ) from why
    if not parsed:
        raise InputError(f"{name}: no judgement, expected one row a judgement: {', '.join(PANEL_COLUMNS)}. Add them.")
    unknown = {m for m, *_ in parsed} - {"angoff", "ebel", "hofstee"}
    if unknown:
        raise InputError(
            f"{name}: method '{printable(sorted(unknown)[0], limit=40)}', expected angoff, ebel or hofstee. Correct it."
        )
    return Panel(_angoff(parsed, name), _ebel(parsed, name), _hofstee(parsed, name))


_Rows = list[tuple[str, str, str, float, float]]


def _angoff(parsed: _Rows, name: str) -> list[list[float]]:
    own = {(judge, item): value for method, judge, item, value, _ in parsed if method == "angoff"}
    judges, items = sorted({j for j, _ in own}), sorted({i for _, i in own})
    missing = [(j, i) for j in judges for i in items if (j, i) not in own]
    if missing:
        raise InputError(
            f"{name}: judge {printable(missing[0][0])} has no angoff value for item {printable(missing[0][1])}. Ask and add it."
        )
    return [[own[j, i] for i in items] for j in judges]


def _ebel(parsed: _Rows, name: str) -> list[tuple[float, float]]:
    cells: dict[str, list[tuple[float, float]]] = {}
    for method, _, item, value, count in parsed:
        if method == "ebel":
            if not (0.0 <= value <= 1.0 and count > 0.0):
                raise InputError(
                    f"{name}: ebel cell {printable(item)} has share {value:g} and count {count:g}, expected 0 to 1 and above 0. Correct it."
                )
            cells.setdefault(item, []).append((count, value))
    return [(own[0][0], sum(v for _, v in own) / len(own)) for own in cells.values()]


def _hofstee(parsed: _Rows, name: str) -> dict[str, float]:
    wanted = ("cut_min", "cut_max", "fail_min", "fail_max")
    own = {w: [v for m, _, i, v, _ in parsed if m == "hofstee" and i == w] for w in wanted}
    if not any(own.values()):
        return {}
    missing = [w for w in wanted if not own[w]]
    if missing:
        raise InputError(f"{name}: hofstee has no {missing[0]}, expected {', '.join(wanted)}. Add it.")
    return {w: sum(values) / len(values) for w, values in own.items()}
