"""An assessment kept in a scene, and read back as records so that the reports' own code draws from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import InputError
from kerfmark.records import (
    Alignment,
    Assessment,
    Component,
    Event,
    Mark,
    Piece,
    Reading,
    Remark,
    Ruling,
    SectionPlane,
    Witness,
)
from kerfmark.reports.results import as_json
from kerfmark.reports.scene.container import Container, read_container
from kerfmark.reports.scene.surfaces import surface_of_part

__all__ = ["assessment_facts", "read_scene"]

MOST_POINTS: Final = 400
"""Of a witness that is a cloud of points, as many are kept, evenly."""


def assessment_facts(assessment: Assessment) -> tuple[dict[str, Any], dict[str, NDArray[np.float32]]]:
    """The assessment as plain values, and the numbers of its witnesses in one array the values point into.

    Returns
    -------
    facts : dict
        As `docs/results.md` says, each witness as places in `witness`.
    loose : name → array
        `witness`: x, y, z, one after the other.
    """
    facts, packed = as_json(assessment), _Packed()
    for values, reading in zip(facts["readings"], assessment.readings, strict=True):
        values["witness"] = None if reading.witness is None else _witness_facts(reading.witness, packed)
    facts["noise_um"], facts["trueness_um"] = assessment.piece.noise_um, assessment.piece.trueness_um
    facts.setdefault("events", [])
    return facts, {"witness": packed.numbers()}


class _Packed:
    """Points (…, 3) put one after the other; each knows where it began and how many there are."""

    def __init__(self) -> None:
        self._parts: list[NDArray[np.float32]] = []
        self._count = 0

    def add(self, points: NDArray[Any]) -> list[int]:
        flat = np.asarray(points, dtype="<f4").reshape(-1, 3)
        self._parts.append(flat)
        self._count += len(flat)
        return [self._count - len(flat), len(flat)]

    def numbers(self) -> NDArray[np.float32]:
        return np.vstack([np.empty((0, 3), "<f4"), *self._parts]).reshape(-1)


def _witness_facts(witness: Witness, packed: _Packed) -> dict[str, Any]:
    every = max(1, math.ceil(len(witness.points_mm) / MOST_POINTS))
    plane = witness.plane
    return {
        "kind": witness.kind,
        "points": packed.add(witness.points_mm[::every]),
        "segments": packed.add(witness.segments_mm),
        "curves": [packed.add(curve) for curve in witness.curves_mm],
        "plane": None
        if plane is None
        else {"name": plane.name, **{k: [float(x) for x in getattr(plane, k)] for k in ("origin_mm", "across", "up")}},
    }


def read_scene(data: bytes) -> Assessment:
    """The assessment a scene was made from.

    What it was recorded by is not in a scene: the piece has no motion and no cut, neighbours as the view shows them, coordinates to
    float32, witnesses of points thinned to 400.

    Parameters
    ----------
    data : bytes
        From `scene_bytes`.

    Raises
    ------
    InputError
        If these are no such bytes, or a scene without readings.
    """
    container = read_container(data)
    if container.facts.get("plain", True) or "assessment" not in container.facts:
        raise InputError(
            "the scene is a plain one, expected one with readings. Read the scene that was kept when the piece was assessed."
        )
    return _assessment(container, container.facts["assessment"])


def _assessment(container: Container, facts: Mapping[str, Any]) -> Assessment:
    numbers = container.loose.get("witness", np.empty(0, "<f4")).reshape(-1, 3).astype(float)
    mark = facts["mark"]
    return Assessment(
        kerfmark=facts["kerfmark"],
        exercise_id=facts["exercise"]["id"],
        exercise_version=facts["exercise"]["version"],
        piece=_piece(container, facts),
        readings=tuple(_reading(values, numbers) for values in facts["readings"]),
        rulings=tuple(_ruling(values) for values in facts["rulings"]),
        mark=Mark(mark["percent"], mark["outcome"], tuple(mark["critical_not_met"]), tuple(mark["referred"])),
        remarks=tuple(Remark(r["code"], r["where"], r["message"]) for r in facts["warnings"]),
        settings=facts["settings"],
        events=tuple(_event(values) for values in facts["events"]),
    )


def _piece(container: Container, facts: Mapping[str, Any]) -> Piece:
    part, alignment = container.part("piece"), facts["alignment"]
    if part is None:
        raise InputError("the scene holds no piece, expected one. Make it again from the piece.")
    scanned = [p for p in container.parts if p.name.startswith("neighbour ") and p.facts.get("scanned")]
    return Piece(
        kind=facts["piece"]["kind"],
        sha256=facts["piece"]["sha256"],
        surface=surface_of_part(part),
        alignment=Alignment(
            np.array(alignment["matrix"], dtype=float),
            alignment["rms_um"],
            alignment["overlap"],
            np.array(alignment["covariance"], dtype=float),
            alignment["points_used"],
        ),
        noise_um=facts["noise_um"],
        trueness_um=facts["trueness_um"],
        neighbours={p.facts["side"]: surface_of_part(p) for p in scanned},
    )


def _reading(values: Mapping[str, Any], numbers: NDArray[np.float64]) -> Reading:
    return Reading(
        id=values["id"],
        where=values["where"],
        stat=values["stat"],
        value=values["value"],
        unit=values["unit"],
        u=values["u"],
        status=values["status"],
        reason=values["reason"],
        budget=tuple(Component(part["source"], part["u"]) for part in values["budget"]),
        witness=None if values["witness"] is None else _witness(values["witness"], numbers),
    )


def _witness(values: Mapping[str, Any], numbers: NDArray[np.float64]) -> Witness:
    def held(span: list[int]) -> NDArray[np.float64]:
        return numbers[span[0] : span[0] + span[1]]

    plane = values["plane"]
    return Witness(
        kind=values["kind"],
        points_mm=held(values["points"]),
        segments_mm=held(values["segments"]).reshape(-1, 2, 3),
        curves_mm=tuple(held(span) for span in values["curves"]),
        plane=None
        if plane is None
        else SectionPlane(plane["name"], *(np.array(plane[k], dtype=float) for k in ("origin_mm", "across", "up"))),
    )


def _ruling(values: Mapping[str, Any]) -> Ruling:
    low, high = values["limits"]
    limits = (-math.inf if low is None else float(low), math.inf if high is None else float(high))
    return Ruling(
        values["reading"],
        values["where"],
        values["stat"],
        limits,
        values["probability_inside"],
        values["ruling"],
        values["weight"],
        values["critical"],
    )


def _event(values: Mapping[str, Any]) -> Event:
    point = np.array(values["point_mm"], dtype=float)
    return Event(values["kind"], values["start_s"], values["end_s"], point, values["depth_mm"], values["side"])
