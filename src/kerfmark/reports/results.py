"""An assessment as the JSON of `docs/results.md`, and as a few lines for a terminal."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from kerfmark.records import Assessment, Component, Reading, Ruling, Witness

__all__ = ["as_json", "as_json_text", "summary_lines"]


def as_json(assessment: Assessment) -> dict[str, Any]:
    """The assessment as plain values: no NaN, no Infinity; an open limit is None.

    Parameters
    ----------
    assessment : Assessment

    Returns
    -------
    values : dict
        As `docs/results.md` says; fields beyond those fixed there are added, never renamed.
    """
    alignment = assessment.piece.alignment
    values = {
        "kerfmark": assessment.kerfmark,
        "exercise": {"id": assessment.exercise_id, "version": assessment.exercise_version},
        "piece": {"sha256": assessment.piece.sha256, "kind": assessment.piece.kind},
        "alignment": {
            "matrix": alignment.matrix,
            "rms_um": alignment.rms_um,
            "overlap": alignment.overlap,
            "covariance": alignment.covariance,
            "points_used": alignment.points_used,
        },
        "readings": [_reading(r) for r in assessment.readings],
        "rulings": [_ruling(r) for r in assessment.rulings],
        "mark": {
            "percent": assessment.mark.percent,
            "outcome": assessment.mark.outcome,
            "critical_not_met": assessment.mark.critical_not_met,
            "referred": assessment.mark.referred,
        },
        "warnings": [
            {"code": r.code, "where": r.where, "message": r.message}
            for r in (*assessment.remarks, *assessment.piece.remarks)
        ],
        "settings": assessment.settings,
        **_motion(assessment),
    }
    plain = _plain(values)
    assert isinstance(plain, dict)
    return plain


def _motion(assessment: Assessment) -> dict[str, Any]:
    """What is said of a recorded piece besides its readings: how it was sampled, and what happened."""
    motion = assessment.piece.motion
    if motion is None:
        return {}
    step = np.diff(motion.time_s)
    return {
        "motion": {
            "samples": len(motion.time_s),
            "duration_s": motion.time_s[-1] - motion.time_s[0],
            "rate_hz": 1.0 / np.median(step) if len(step) else None,
            "unseen_s": motion.unseen_s,
            "instruments": motion.instruments,
        },
        "events": [
            {
                "kind": event.kind,
                "side": event.side,
                "start_s": event.start_s,
                "end_s": event.end_s,
                "point_mm": event.point_mm,
                "depth_mm": event.depth_mm,
            }
            for event in assessment.events
        ],
    }


def as_json_text(assessment: Assessment) -> str:
    """The assessment as JSON text, one reading or ruling a line."""
    return "{" + ",\n ".join(f"{_text(key)}: {_lines(value)}" for key, value in as_json(assessment).items()) + "}"


def _lines(value: Any) -> str:
    """A list of objects one a line, anything else on one line."""
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return "[\n  " + ",\n  ".join(_text(entry) for entry in value) + "\n ]"
    return _text(value)


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def summary_lines(assessment: Assessment) -> list[str]:
    """What a person wants to see first: each criterion with reading ± U (U = 2 u), limits and ruling, then the mark."""
    readings = {r.key: r for r in assessment.readings}
    lines = [
        f"{assessment.exercise_id}  aligned {assessment.piece.alignment.rms_um:.1f} µm rms, {100 * assessment.piece.alignment.overlap:.0f} % overlap"
    ]
    for ruling in assessment.rulings:
        name = " ".join(x for x in (ruling.reading, ruling.where, ruling.stat) if x)
        lines.append(
            f"  {name:<58} {_shown(readings.get((ruling.reading, ruling.where, ruling.stat))):>22}  {_limits(ruling):>16}  {ruling.ruling}"
        )
    percent = "no percentage" if assessment.mark.percent is None else f"{assessment.mark.percent:.1f} of 100"
    lines.append(
        f"  mark {percent}, {assessment.mark.outcome}"
        + "".join(f"; critical not met: {c}" for c in assessment.mark.critical_not_met)
    )
    return lines


def _reading(reading: Reading) -> dict[str, Any]:
    return {
        "id": reading.id,
        "where": reading.where,
        "stat": reading.stat,
        "value": reading.value,
        "unit": reading.unit,
        "u": reading.u,
        "status": reading.status,
        "reason": reading.reason,
        "budget": [_component(c) for c in reading.budget],
        "witness": None if reading.witness is None else _witness(reading.witness),
    }


def _component(component: Component) -> dict[str, Any]:
    return {"source": component.source, "u": component.u}


def _witness(witness: Witness) -> dict[str, Any]:
    """The drawn geometry; long point sets are thinned to 200, since the file is for people and programs, not an archive of points."""
    every = max(1, math.ceil(len(witness.points_mm) / 200))
    return {
        "kind": witness.kind,
        "segments_mm": witness.segments_mm,
        "points_mm": witness.points_mm[::every],
        "curves_mm": [curve[:: max(1, math.ceil(len(curve) / 200))] for curve in witness.curves_mm],
        "plane": None if witness.plane is None else witness.plane.name,
    }


def _ruling(ruling: Ruling) -> dict[str, Any]:
    return {
        "reading": ruling.reading,
        "where": ruling.where,
        "stat": ruling.stat,
        "limits": list(ruling.limits),
        "probability_inside": ruling.probability_inside,
        "ruling": ruling.ruling,
        "weight": ruling.weight,
        "critical": ruling.critical,
    }


def _plain(value: Any) -> Any:
    """Arrays to lists, numpy numbers to Python's, what is not finite to None."""
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, np.ndarray):
        shown = value.round(6) if value.ndim > 2 or value.size > 36 else value
        return shown.tolist() if np.isfinite(shown).all() else _plain(shown.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _shown(reading: Reading | None) -> str:
    if reading is None or reading.value is None:
        return "not measured" if reading is None else reading.status.replace("_", " ")
    digits = 2 if reading.unit in ("mm", "mm2", "mm3", "1") else 1
    return f"{reading.value:.{digits}f} ± {2 * (reading.u or 0.0):.{digits}f} {reading.unit}"


def _limits(ruling: Ruling) -> str:
    low, high = ruling.limits
    if math.isinf(low):
        return f"≤ {high:g}"
    return f"≥ {low:g}" if math.isinf(high) else f"{low:g} to {high:g}"
