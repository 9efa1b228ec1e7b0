"""Whether a bed, or a plan, opened what was to stay closed."""

from __future__ import annotations

from collections.abc import Iterable

from kerfmark.measurement.budget import measured, unmeasured
from kerfmark.measurement.implant.case import Case
from kerfmark.measurement.implant.clearances import (
    canal_clearance_mm,
    plate_thickness_mm,
    root_clearance_mm,
    sinus_clearance_mm,
)
from kerfmark.records import Component, Reading

__all__ = ["breach"]

HALF = 0.5
"""Limits on a breach are put at one half, between 0 and 1."""


def breach(case: Case) -> tuple[Reading, ...]:
    """`implant.breach`: 1 where the bed (of a plan: the plan) reaches into the canal, a root or the sinus, or out of the bone.

    Its uncertainty is such that a limit of one half is kept with the probability that the clearance is above 0.
    """
    sources = {
        "canal": canal_clearance_mm(case),
        "root": root_clearance_mm(case),
        "sinus": sinus_clearance_mm(case),
        "plate": plate_thickness_mm(case),
    }
    return tuple(_breach(where, readings, of_bed=case.own_plan is None) for where, readings in sources.items())


def _breach(where: str, readings: Iterable[Reading], *, of_bed: bool) -> Reading:
    ours = [r for r in readings if (r.where or "").startswith("bed") == of_bed]
    known = [r for r in ours if r.value is not None and r.u is not None]
    if not known:
        first = ours[0]
        return unmeasured("implant.breach", first.reason or "", unit="1", where=where, status=first.status)
    least = min(known, key=lambda r: r.value or 0.0)
    value, u = float(least.value or 0.0), float(least.u or 0.0)
    budget = (Component("clearance", HALF * u / max(abs(value), 1e-6)),)
    assert least.witness is not None
    return measured("implant.breach", float(value < 0.0), unit="1", budget=budget, witness=least.witness, where=where)
