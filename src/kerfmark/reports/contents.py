"""What a report of one piece says, in words and numbers, before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from math import isfinite
from typing import TYPE_CHECKING, TypeAlias

from kerfmark.exercise.rules import abutment_teeth
from kerfmark.records import Alignment, Assessment, Limits2, Reading, Remark, Ruling
from kerfmark.reports import wording
from kerfmark.reports.sides import Side, effective_limits, guarded, side_of_large
from kerfmark.settings import Limits

if TYPE_CHECKING:
    from kerfmark.exercise.folder import LoadedExercise

__all__ = ["CAUTION", "Cell", "CriterionLine", "Family", "PieceContents", "contents_of", "families_of"]

ReadingKey: TypeAlias = tuple[str, str | None, str | None]

CAUTION = "Exercises only, nothing here is for use on patients."
TREATED = ("access.", "implant.")
"""Families whose words a reader could take for advice on a patient: their pages say more."""


@dataclass(frozen=True, slots=True, eq=False)
class CriterionLine:
    """One criterion of one piece: its balloon's number, its reading and ruling, and how they are written.

    `side_of_large` says what a large value means; `failed_side` on which side the reading lies outside its limits. `say`
    gives the reader's words for English ones.
    """

    number: int
    name: str
    full_name: str
    limits: Limits2
    reading: Reading
    ruling: Ruling
    ask: str | None
    definition: str
    side_of_large: Side
    failed_side: Side
    decimals: int
    say: Callable[[str], str] = str

    @property
    def state(self) -> str:
        """The balloon's form: `met`, `notmet`, `close` or `none`."""
        return {"met": "met", "not met": "notmet", "too close to call": "close"}.get(self.ruling.ruling, "none")

    @property
    def value_text(self) -> str:
        """The value alone, or a dash where nothing was measured."""
        if self.reading.value is None:
            return "–"
        answer = wording.answer(self.reading.id, self.reading.value)
        return wording.number(self.reading.value, self.decimals) if answer is None else self.say(answer)

    @property
    def expanded_text(self) -> str:
        """± U with its unit, U = 2 u (95 %); empty where it is not known."""
        if self.reading.value is None or self.reading.id in wording.YES_NO:
            return ""
        if not self.reading.u:  # not known, or worked out from what is exact
            return wording.with_unit("", self.reading.unit)
        return wording.with_unit(f"± {wording.number(2 * self.reading.u, self.decimals)}", self.reading.unit)

    @property
    def limits_text(self) -> str:
        """The printed limits, in their own order; of a yes or no, which it has to be."""
        return wording.limits_of(self.reading.id, self.limits, self.decimals, say=self.say)

    @property
    def side_words(self) -> str:
        """`material left`, `cut too far`, or nothing."""
        words = wording.SIDE_WORDS.get(self.failed_side or "", "")
        return self.say(words) if words else ""

    @property
    def probability_text(self) -> str:
        """The probability of lying inside the limits, never as a bare 0 or 1."""
        p = self.ruling.probability_inside
        if p is None:
            return self.say("not known")
        return "< 0.001" if p < 0.001 else "> 0.999" if p > 0.999 else wording.number(p, 3)

    @property
    def aloud(self) -> str:
        """The row as one sentence."""
        ruling = self.say(self.ruling.ruling)
        if self.reading.value is None:
            return f"{self.full_name}: {ruling}, {self.say(self.reading.reason or 'no reading')}."
        shown = f"{self.value_text} {self.expanded_text}".strip()
        return f"{self.full_name}: {', '.join(part for part in (shown, self.limits_words, ruling, self.side_words) if part)}."

    @property
    def limits_words(self) -> str:
        """The limits as read aloud."""
        if self.reading.id in wording.YES_NO:
            return self.say("wanted: {answer}").format(answer=self.limits_text)
        low, high = (wording.number(x, self.decimals) if isfinite(x) else "" for x in self.limits)
        if low and high:
            return self.say("limits {low} to {high}").format(low=low, high=high)
        if high:
            return self.say("at most {high}").format(high=high)
        return self.say("at least {low}").format(low=low) if low else self.say("no limits")


@dataclass(frozen=True, slots=True)
class Cell:
    """A labelled cell of the title block: its label, its figure, and a quieter addition."""

    label: str
    figure: str
    more: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """Criteria under one heading, and how their rulings count."""

    title: str
    counts: str
    lines: tuple[CriterionLine, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PieceContents:
    """A whole report in words and numbers."""

    title: str
    piece_name: str
    source: str
    simulated: bool
    has_tooth: bool
    cells: tuple[Cell, ...]
    about: tuple[Cell, ...]
    families: tuple[Family, ...]
    remarks: tuple[Remark, ...]
    made_from: tuple[tuple[str, str], ...]
    outcome_text: str

    @property
    def caution(self) -> str:
        """What the foot of page and sheets says."""
        near = any(line.ruling.reading.startswith(TREATED) for line in self.lines)
        return f"Training only, not for treatment. {CAUTION}" if near else CAUTION

    @property
    def sided(self) -> bool:
        """Whether any strip has a side on which material is left or the cut went too far, so that a heading says which."""
        return any(any(guarded(line.limits, line.side_of_large)) for line in self.lines)

    @property
    def lines(self) -> tuple[CriterionLine, ...]:
        """Every criterion, in the order of the balloons."""
        return tuple(line for family in self.families for line in family.lines)


def _is_simulated(assessment: Assessment, *told: str) -> bool:
    """Whether the piece says of itself that it is simulated, or whoever handed it in does."""
    remarks = (*assessment.remarks, *assessment.piece.remarks)
    return any(r.code == "simulated" for r in remarks) or any("simulated" in text.lower() for text in told)


def contents_of(
    assessment: Assessment, loaded: LoadedExercise, *, labels: Mapping[str, str] | None = None
) -> PieceContents:
    """The report's words and numbers.

    Criteria keep the exercise's order within their families; families stand in order of their first criterion. What is
    not applicable to a piece has no row.

    Parameters
    ----------
    assessment : Assessment
    loaded : LoadedExercise
        The exercise it was assessed against: title, pass rule, questions.
    labels : mapping, optional
        What to call things, by `piece`, `learner`, `source`; anything further (a sitting, a school) stands in the head.

    Returns
    -------
    contents : PieceContents
    """
    given = dict(labels or {})
    families = _families(assessment, loaded)
    source = given.pop("source", _source_words(assessment))
    piece_name = given.pop("piece", assessment.piece.sha256[:10])
    return PieceContents(
        title=loaded.exercise.title,
        piece_name=piece_name,
        source=source,
        has_tooth=loaded.exercise.tooth is not None,
        simulated=_is_simulated(assessment, source, piece_name),
        cells=_cells(
            assessment, loaded, families, piece_name=piece_name, source=source, learner=given.pop("learner", None)
        ),
        about=tuple(Cell(label, figure) for label, figure in given.items()),
        families=families,
        remarks=tuple(dict.fromkeys((*assessment.remarks, *assessment.piece.remarks))),
        made_from=_made_from(assessment),
        outcome_text=_outcome_text(assessment),
    )


def _families(assessment: Assessment, loaded: LoadedExercise) -> tuple[Family, ...]:
    asks = {(c.reading, c.where, c.stat): c.ask for c in loaded.exercise.criteria}
    return families_of(assessment.rulings, assessment.readings, asks)


def families_of(
    rulings: Sequence[Ruling],
    readings: Iterable[Reading],
    asks: Mapping[ReadingKey, str | None],
    *,
    say: Callable[[str], str] = str,
) -> tuple[Family, ...]:
    """Criteria under their headings, in order of each family's first; a criterion's number is its place in the exercise.

    Parameters
    ----------
    rulings : sequence of Ruling
        All of the exercise, in its order, so that a number means the same criterion on every piece; what is not
        applicable has no line.
    readings : iterable of Reading
    asks : mapping of (id, where, stat) to str or None
        What the learner is asked.
    say : callable
        The reader's words for English ones.
    """
    taken = {reading.key: reading for reading in readings}
    grouped: dict[str, list[CriterionLine]] = {}
    for number, ruling in enumerate(rulings, 1):
        if ruling.ruling == "not applicable":
            continue
        key = (ruling.reading, ruling.where, ruling.stat)
        line = _line(number, ruling, taken.get(key) or _absent(ruling), asks.get(key), say)
        grouped.setdefault(wording.family_of(ruling.reading), []).append(line)
    return tuple(
        Family(say(title), wording.ruling_counts([line.ruling.ruling for line in lines], say=say), tuple(lines))
        for title, lines in grouped.items()
    )


def _absent(ruling: Ruling) -> Reading:
    """A stand-in that says so where an assessment was stored without a reading."""
    return Reading(ruling.reading, ruling.where, ruling.stat, None, "", None, "not_measurable", "no reading was kept")


def _line(number: int, ruling: Ruling, reading: Reading, ask: str | None, say: Callable[[str], str]) -> CriterionLine:
    limits = effective_limits(ruling.reading, ruling.limits, ruling.stat)
    side = side_of_large(ruling.reading, ruling.stat)
    return CriterionLine(
        number=number,
        name=wording.name_of(ruling.reading, ruling.where, ruling.stat, say=say),
        full_name=wording.name_of(ruling.reading, ruling.where, ruling.stat, alone=True, say=say),
        limits=limits,
        reading=reading,
        ruling=ruling,
        ask=ask,
        definition=_definitions().get(ruling.reading, ""),
        side_of_large=side,
        failed_side=_failed_side(reading, limits, side),
        decimals=wording.decimals_for(reading.unit, limits, reading.u),
        say=say,
    )


@cache
def _definitions() -> dict[str, str]:
    """What each reading is, in one line, as the measuring code says it."""
    from kerfmark.measurement import MEASURES

    return {
        measure.id: f"{measure.definition[:1].upper()}{measure.definition[1:].rstrip('.')}." for measure in MEASURES
    }


def _failed_side(reading: Reading, limits: Limits2, side: Side) -> Side:
    if reading.value is None or side is None or limits[0] <= reading.value <= limits[1]:
        return None
    other: Side = "left" if side == "over" else "over"
    return side if reading.value > limits[1] else other


def _cells(
    assessment: Assessment,
    loaded: LoadedExercise,
    families: tuple[Family, ...],
    *,
    piece_name: str,
    source: str,
    learner: str | None,
) -> tuple[Cell, ...]:
    alignment = assessment.piece.alignment
    tooth = ", ".join(map(str, abutment_teeth(loaded.exercise) or (loaded.exercise.tooth or "",)))
    words = [line.ruling.ruling for family in families for line in family.lines]
    return (
        Cell("exercise", loaded.exercise.title, tooth if tooth not in loaded.exercise.title else ""),
        Cell("piece", piece_name),
        *([Cell("learner", learner)] if learner else []),
        Cell("source", source),
        _aligned(assessment, alignment),
        Cell("rulings", wording.ruling_counts(words)),
        Cell(
            "mark",
            _mark_text(assessment),
            f"pass line {loaded.exercise.pass_.minimum_percent:g}, {_outcome_text(assessment)}",
        ),
    )


def _aligned(assessment: Assessment, alignment: Alignment) -> Cell:
    """How a scan was laid over the exercise; of a motion, what it was carried in by."""
    motion = assessment.piece.motion
    if assessment.piece.kind == "plan":
        return Cell("aligned", "as planned", "in the exercise's own coordinates")
    if motion is None:
        fit = f"overlap {alignment.overlap:.2f} of {alignment.points_used} points"
        return Cell("aligned", f"{alignment.rms_um:.0f} µm rms", fit)
    if motion.u_position_um == motion.u_angle_deg == 0.0:
        return Cell("aligned", "as recorded", "in the exercise's own frame")
    return Cell("aligned", "by the rig", f"u {motion.u_position_um:g} µm, {motion.u_angle_deg:g}°")


def _mark_text(assessment: Assessment) -> str:
    percent = assessment.mark.percent
    return "not given" if percent is None else f"{wording.mark(percent)} of 100"


def _outcome_text(assessment: Assessment) -> str:
    outcome = {"pass": "pass", "fail": "not passed", "refer": "waits for examiner"}[assessment.mark.outcome]
    critical = len(assessment.mark.critical_not_met)
    return f"{outcome}, {critical} critical not met" if critical else outcome


def _source_words(assessment: Assessment) -> str:
    return {"scan": "scan", "motion": "recorded motion", "volume": "volume", "plan": "plan"}[assessment.piece.kind]


def _setting_words(name: str) -> str:
    name = {"limits": "a file may hold at most", "unit": "unit told beside the file"}.get(name, name)
    return name.replace("noise_um", "noise u, µm").replace("trueness_um", "trueness u, µm").replace("_", " ")


def _setting_value(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{_setting_words(str(name))} {part}" for name, part in value.items())
    if isinstance(value, float):
        return f"{value:.4g}"
    return "none" if value is None else str(value)


def _made_from(assessment: Assessment) -> tuple[tuple[str, str], ...]:
    """What is needed to make the report again: versions, hashes, settings; how large files may be only where that was changed."""
    usual = asdict(Limits())
    return (
        ("kerfmark", assessment.kerfmark),
        ("exercise", assessment.exercise_id),
        ("exercise version", assessment.exercise_version),
        ("piece sha256", assessment.piece.sha256),
        *((_setting_words(n), _setting_value(value)) for n, value in assessment.settings.items() if value != usual),
    )
