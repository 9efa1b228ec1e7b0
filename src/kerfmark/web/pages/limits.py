"""The limits bench: a limit is moved, and every stored piece is ruled anew at once."""

from __future__ import annotations

from math import inf, isfinite
from typing import Any
from urllib.parse import urlencode

import numpy as np
from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from kerfmark.errors import InputError
from kerfmark.marking import Code
from kerfmark.records import Limits2
from kerfmark.reports import wording
from kerfmark.reports.contents import Cell
from kerfmark.reports.sides import side_of_large
from kerfmark.sittings.exercises import exercise, exercises
from kerfmark.sittings.limits import Ruled, change_limits
from kerfmark.sittings.rights import may, require_anywhere
from kerfmark.web.benches import Held, Trial
from kerfmark.web.drawings.bench import BenchReadings, bench_svg, small_bench_svg
from kerfmark.web.drawings.marks import marks_svg
from kerfmark.web.gate import Filled, Visit, Visiting
from kerfmark.web.rendering import page, part
from kerfmark.web.sheets import criterion_names, for_both_widths, thin_balloon

__all__ = ["limits_of_query", "router", "trial_text"]

router = APIRouter()
MOVES = 8
WIDE, NARROW = 560.0, 360.0
"""Of the drawings, px: for a page and for a phone."""


@router.get("/limits")
def choose(visit: Visiting) -> Response:
    """Which exercise."""
    require_anywhere(visit.actor, "limits.see")
    lines = [
        (line, len(visit.server.benches.of(visit.store, visit.actor, line.id).bench.pieces))
        for line in exercises(visit.store, visit.actor)
    ]
    return page(visit.visitor, "limits.html", lines=lines)


@router.get("/limits/{exercise_id}")
def show(
    request: Request, visit: Visiting, exercise_id: str, c: int = 1, t: str = "", done: str = "", n: int = 0
) -> Response:
    """The bench."""
    require_anywhere(visit.actor, "limits.see")
    held = visit.server.benches.of(visit.store, visit.actor, exercise_id)
    said = (
        visit.visitor.words.count("%(n)d piece was marked anew.", "%(n)d pieces were marked anew.", n)
        if done == "changed"
        else None
    )
    return page(
        visit.visitor,
        "bench.html",
        **_content(visit, exercise_id, held, c, limits_of_query(t, request.query_params)),
        said=said,
    )


@router.get("/limits/{exercise_id}/trial")
def trial(request: Request, visit: Visiting, exercise_id: str, c: int = 1, t: str = "") -> Response:
    """Only what moves with a limit."""
    require_anywhere(visit.actor, "limits.see")
    held = visit.server.benches.of(visit.store, visit.actor, exercise_id)
    return part(
        visit.visitor,
        "bench_parts.html",
        **_content(visit, exercise_id, held, c, limits_of_query(t, request.query_params)),
    )


@router.post("/limits/{exercise_id}/change")
def change(visit: Visiting, exercise_id: str, form: Filled) -> Response:
    """Put the limits on trial into force for one sitting."""
    held = visit.server.benches.of(visit.store, visit.actor, exercise_id)
    tried = Trial(limits_of_query(form.text("t"), {}).limits)
    limits = [tried.limits.get(c.number, c.limits) for c in held.bench.criteria]
    marked = change_limits(
        visit.store,
        visit.actor,
        form.needed("sitting", most=40),
        limits if tried.limits else None,
        reason=form.text("reason"),
    )
    return RedirectResponse(f"/limits/{exercise_id}?done=changed&n={marked}", status_code=303)


def limits_of_query(t: str, query: Any) -> Trial:
    """The trial out of `t` (`3:0.8:1.25,5::0.05`) and the fields of the criterion in hand.

    Examples
    --------
    >>> limits_of_query("3:0.8:1.25,5::0.05", {}).limits
    {3: (0.8, 1.25), 5: (-inf, 0.05)}
    """
    limits: dict[int, Limits2] = {}
    for entry in t.split(",")[:200] if t else []:
        number, low, high = ([*entry.split(":"), "", ""])[:3]
        if not number.isdigit():
            raise InputError(f"t holds '{entry[:20]}', expected NUMBER:LOW:HIGH. Open the page again.")
        limits[int(number)] = _limit(low, -inf), _limit(high, inf)
    if str(query.get("c", "")).isdigit() and ("low" in query or "high" in query):
        limits[int(query["c"])] = _limit(query.get("low", ""), -inf), _limit(query.get("high", ""), inf)
    for at, (lower, upper) in limits.items():
        if not lower < upper:
            raise InputError(
                f"criterion {at}: the lower limit {lower:g} is not below the upper {upper:g}. Move one of them."
            )
    return Trial(limits)


def trial_text(tried: Trial) -> str:
    """A trial as it stands in an address."""
    return ",".join(f"{n}:{_shown(low)}:{_shown(high)}" for n, (low, high) in sorted(tried.limits.items()))


def _limit(text: str, absent: float) -> float:
    text = text.strip().replace(",", ".").replace("−", "-")
    if not text:
        return absent
    try:
        value = float(text)
    except ValueError as error:
        raise InputError(f"a limit is '{text[:20]}', expected a number. Correct it.") from error
    if not isfinite(value):
        raise InputError("a limit is not finite, expected a number, or nothing where it is open. Correct it.")
    return value


def _shown(limit: float) -> str:
    return repr(limit) if isfinite(limit) else ""


def _content(visit: Visit, exercise_id: str, held: Held, chosen: int, tried: Trial) -> dict[str, Any]:
    words, bench = visit.visitor.words, held.bench
    chosen = chosen if 1 <= chosen <= len(bench.criteria) else 1
    now = bench.ruled(*tried.of(bench)) if tried.limits else held.before
    names = criterion_names(bench.criteria, words)
    benches = {c.number: _readings(held, now, tried, c.number, names[c.number]) for c in bench.criteria}
    in_hand = benches[chosen]
    line = exercise(visit.store, visit.actor, exercise_id).line
    t = trial_text(tried)
    passing = [int(np.sum(r.least_outcome)) for r in (held.before, now)]
    referred = [int(np.sum(r.most_outcome & ~r.least_outcome)) for r in (held.before, now)]
    return {
        "exercise_id": exercise_id,
        "line": line,
        "n": len(bench.pieces),
        "cells": [
            Cell(
                words("exercise"),
                line.title,
                words("a trial, nothing changed yet") if tried.limits else words("as in the exercise"),
            ),
            Cell(words("readings"), words("{n} pieces").format(n=len(bench.pieces))),
            Cell(words("met at"), f"{bench.pass_.met_at:g}"),
            Cell(words("pass line"), f"{bench.pass_.minimum_percent:g}"),
        ],
        "chosen": chosen,
        "name": names[chosen],
        "unit": wording.unit_sign(in_hand.unit),
        "limits": [
            (side, _field(in_hand, side)) for side in ("low", "high") if isfinite(in_hand.before[side == "high"])
        ],
        "step": _step(in_hand),
        "drawing": for_both_widths(lambda width: bench_svg(in_hand, width=width), wide=WIDE, narrow=NARROW)
        if len(bench.pieces)
        else "",
        "rows": [_row(benches[c.number], c.number, names, exercise_id, t, chosen) for c in bench.criteria],
        "does": _does(in_hand, passing, referred, visit),
        "marks": for_both_widths(
            lambda width: marks_svg(
                held.before.percent,
                now.percent,
                bench.pass_.minimum_percent,
                label=words("Marks, before and with these limits"),
                width=width,
            ),
            wide=WIDE,
            narrow=NARROW,
        ),
        "moves": _moves(held, now),
        "sites": _by_site(held, now),
        "power": _power(in_hand),
        "t": t,
        "others": trial_text(Trial({n: pair for n, pair in tried.limits.items() if n != chosen})),
        "sittings": [s for s in held.open_sittings if may(visit.actor, "limits.change", s.site_id)],
    }


def _readings(held: Held, now: Ruled, tried: Trial, number: int, name: str) -> BenchReadings:
    criterion, at = held.bench.criteria[number - 1], number - 1
    known = held.bench.u[:, at][np.isfinite(held.bench.u[:, at])]
    return BenchReadings(
        name=name,
        unit=criterion.unit,
        decimals=wording.decimals_for(
            criterion.unit, criterion.limits, float(np.median(known)) if len(known) else None
        ),
        side=side_of_large(criterion.reading, criterion.stat),
        before=criterion.limits,
        now=tried.limits.get(number, criterion.limits),
        value=held.bench.values[:, at],
        u=held.bench.u[:, at],
        code_before=held.before.code[:, at],
        code_now=now.code[:, at],
        met_at=held.bench.pass_.met_at,
    )


def _field(in_hand: BenchReadings, side: str) -> dict[str, str]:
    now, first = (pair[side == "high"] for pair in (in_hand.now, in_hand.before))
    return {"value": f"{now:g}", "first": f"{first:g}"}


def _step(in_hand: BenchReadings) -> str:
    return f"{10.0**-in_hand.decimals:g}"


def _row(
    bench: BenchReadings, number: int, names: dict[int, str], exercise_id: str, t: str, chosen: int
) -> dict[str, Any]:
    power = _power(bench)
    return {
        "number": number,
        "balloon": thin_balloon(number),
        "name": names[number],
        "limits": wording.limits_text(bench.now, bench.decimals),
        "drawing": small_bench_svg(bench),
        "met": int(np.sum(bench.code_now == Code.MET)),
        "power": power,
        "here": number == chosen,
        "href": f"/limits/{exercise_id}?{urlencode({'c': number, 't': t})}",
    }


def _power(bench: BenchReadings) -> dict[str, Any]:
    """The band's width over 4 u, of the median reading."""
    known = bench.u[np.isfinite(bench.u)]
    u = float(np.median(known)) if len(known) else None
    width = bench.now[1] - bench.now[0]
    power = None if not u or not isfinite(width) else width / (4.0 * u)
    return {
        "u": "–" if u is None else wording.with_unit(wording.number(2 * u, bench.decimals), bench.unit),
        "text": "–" if u is None else "∞" if power is None else f"{power:.1f}",
        "weak": power is not None and power < 1.0,
        "open": not isfinite(width),
    }


def _does(in_hand: BenchReadings, passing: list[int], referred: list[int], visit: Visit) -> list[tuple[str, int, int]]:
    """What the limits do: name, before, now."""
    words = visit.visitor.words
    rows = [
        (words(name), int(np.sum(in_hand.code_before == code)), int(np.sum(in_hand.code_now == code)))
        for name, code in (("met", Code.MET), ("too close to call", Code.TOO_CLOSE), ("not met", Code.NOT_MET))
    ]
    return [*rows, (words("pieces that pass"), *passing), (words("to an examiner"), *referred)]  # type: ignore[list-item]


def _moves(held: Held, now: Ruled) -> list[dict[str, Any]]:
    """Pieces whose outcome changes, nearest to the pass line first."""
    changed = (held.before.least_outcome != now.least_outcome) | (held.before.most_outcome != now.most_outcome)
    line = held.bench.pass_.minimum_percent
    at = sorted(np.flatnonzero(changed).tolist(), key=lambda k: abs(float(np.nan_to_num(now.percent[k])) - line))[
        :MOVES
    ]
    return [
        {
            "id": held.bench.pieces[k],
            "name": held.names.get(held.bench.pieces[k], held.bench.pieces[k][:6]),
            "before": _percent(held.before.percent[k]),
            "now": _percent(now.percent[k]),
            "words": "would pass"
            if now.least_outcome[k]
            else "to an examiner"
            if now.most_outcome[k]
            else "would not pass",
        }
        for k in at
    ]


def _percent(value: float) -> str:
    return f"{value:.0f}" if np.isfinite(value) else "–"


def _by_site(held: Held, now: Ruled) -> list[tuple[str, int, int, int]]:
    """Pieces that pass by site: name, n, before, now; only where there are two sites of five pieces at least."""
    named = np.array([held.sites.get(piece_id, "") for piece_id in held.bench.pieces])
    found = [(str(site), named == site) for site in np.unique(named) if site]
    rows = [
        (site, int(own.sum()), int(held.before.least_outcome[own].sum()), int(now.least_outcome[own].sum()))
        for site, own in found
        if own.sum() >= 5
    ]
    return rows if len(rows) > 1 else []
