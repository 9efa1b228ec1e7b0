"""What one table of an exercise asks of another. Field by field stands in `tables`."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import replace

from kerfmark.errors import InputError, printable
from kerfmark.exercise.faults import Fault, listed, nearest, nearest_phrase, shown, toml_place
from kerfmark.exercise.tables import Criterion, ExerciseTables, Frame
from kerfmark.exercise.vocabulary import STATISTICS, VOCABULARY, Term
from kerfmark.instruments import instrument

__all__ = ["abutment_teeth", "faults_of", "layer_names", "statistic_of", "term_in", "wheres_of"]

TISSUES = ("enamel", "dentine", "caries", "pulp", "bone", "cortical", "cancellous")
NO_TOOTH = ("line", "block")
LARGEST_TILT_DEG = 10.0
TARGET_NEEDS = {
    "crown": (),
    "cavity": (("outline", "clear"),),
    "access": (("outline",), ("orifices",)),
    "implant": (("implant",),),
    "line": (("line",), ("depth_mm",), ("width_mm",)),
    "block": (("surface", "clear"),),
}


def faults_of(exercise: ExerciseTables) -> list[Fault]:
    """Everything wrong between the tables, in the order of the file."""
    checks = (
        _tooth, _subject, _frame, _target, _instruments, _abutments, _sites, _weights, _criteria, _outcomes,
    )  # fmt: skip
    return [fault for check in checks for fault in check(exercise)]


def _tooth(exercise: ExerciseTables) -> Iterator[Fault]:
    family = exercise.family
    if family in NO_TOOTH and exercise.tooth is not None:
        yield Fault("tooth", f"is {exercise.tooth}", f"none in the family '{family}'", "Leave the key out.")
    if family not in NO_TOOTH and exercise.tooth is None:
        yield Fault("tooth", "is missing", "an FDI number such as 46", "Add the key.")
    if family == "cavity" and exercise.cavity_class is None:
        yield Fault("cavity_class", "is missing", "a class from 1 to 5", "Add the key.")
    if family != "cavity" and exercise.cavity_class is not None:
        yield Fault(
            "cavity_class", f"is {exercise.cavity_class}", f"none in the family '{family}'", "Leave the key out."
        )


def layer_names(exercise: ExerciseTables) -> tuple[str, ...]:
    """Names of the layers, from surfaces and from the labels of a volume, each once."""
    return tuple(dict.fromkeys((*exercise.subject.layers, *exercise.subject.labels.values())))


def _subject(exercise: ExerciseTables) -> Iterator[Fault]:
    subject = exercise.subject
    if subject.surface is None and subject.volume is None:
        yield Fault(
            "[subject] surface", "is missing", "the name of a surface file, or a volume", "Add surface or volume."
        )
    if subject.labels and subject.volume is None:
        yield Fault(
            "[subject] labels",
            "is given without a volume",
            "labels only beside a label volume",
            "Add volume or leave labels out.",
        )
    if subject.series is not None and subject.volume is None:
        yield Fault(
            "[subject] series",
            "is given without a volume",
            "series only beside a folder of DICOM slices",
            "Add volume or leave series out.",
        )
    for name in layer_names(exercise):
        where = f"[subject] layers.{printable(name, limit=60)}" if name in subject.layers else "[subject] labels"
        if name in ("all", "other") or not name or not name.isprintable() or len(name) > 60:
            yield Fault(
                where, f"names a layer {shown(name)}", "a short name other than 'all' and 'other'", "Rename the layer."
            )
        elif exercise.family not in NO_TOOTH and name not in TISSUES:
            hint = f" ({nearest_phrase(name, TISSUES)})" if nearest(name, TISSUES) else ""
            yield Fault(
                where, f"names a layer {shown(name)}", f"one of {', '.join(TISSUES)}{hint}", "Rename the layer."
            )


def facial_tilt_deg(frame: Frame) -> float:
    """How far the facial direction is from a right angle to the occlusal one, degrees."""
    up, out = frame.occlusal, frame.facial
    lengths = math.hypot(*up) * math.hypot(*out)
    cosine = (
        math.fsum((u / math.hypot(*up)) * (v / math.hypot(*out)) for u, v in zip(up, out, strict=True))
        if lengths
        else 1.0
    )
    return math.degrees(math.asin(min(1.0, abs(cosine))))


def _frame(exercise: ExerciseTables) -> Iterator[Fault]:
    yield from _tilt_fault(exercise.frame, "[frame] facial")


def _tilt_fault(frame: Frame, place: str) -> Iterator[Fault]:
    tilt_deg = facial_tilt_deg(frame)
    if tilt_deg > LARGEST_TILT_DEG:
        yield Fault(
            place,
            f"leans {tilt_deg:.1f} degrees from a right angle to occlusal",
            f"at most {LARGEST_TILT_DEG:g} degrees",
            "Correct facial or occlusal.",
        )


def _target(exercise: ExerciseTables) -> Iterator[Fault]:
    target = exercise.target
    for choice in TARGET_NEEDS[exercise.family]:
        if all(getattr(target, key) is None for key in choice):
            yield Fault(
                f"[target] {choice[0]}",
                "is missing",
                f"{' or '.join(choice)} in the family '{exercise.family}'",
                "Add it.",
            )
    if target.axis is not None and exercise.family != "access":
        yield Fault(
            "[target] axis", f"stands in the family '{exercise.family}'", "the family 'access'", "Leave it out."
        )
    names = layer_names(exercise)
    if target.clear is not None and target.clear not in names:
        yield Fault(
            "[target] clear",
            f"is {shown(target.clear)}",
            f"the name of a layer ({nearest_phrase(target.clear, names)})",
            "Correct it.",
        )
    if target.implant is not None and math.dist(target.implant.entry, target.implant.apex) == 0.0:
        yield Fault("[target] implant.apex", "is the entry point itself", "another point", "Correct entry or apex.")


def _instruments(exercise: ExerciseTables) -> Iterator[Fault]:
    own = {entry.name: entry.profile_mm for entry in exercise.instruments}
    yield from _doubled("instruments", "name", [entry.name for entry in exercise.instruments])
    for index, name in enumerate(exercise.permitted.instruments):
        try:
            instrument(name, own=own)
        except InputError as error:
            found, _, hint = str(error).partition(", expected ")
            expected, _, do = hint.partition(". ")
            yield Fault(
                toml_place(("permitted", "instruments", index)),
                found.removeprefix(f"instrument {shown(name)} "),
                expected,
                do,
            )


def _doubled(table: str, key: str, names: list[str]) -> Iterator[Fault]:
    first: dict[str, int] = {}
    for index, name in enumerate(names):
        if name in first:
            place = toml_place((table, index, key))
            yield Fault(
                place,
                f"is {shown(name)}, as in [[{table}]] {first[name] + 1}",
                "each name once",
                "Rename or remove one.",
            )
        first.setdefault(name, index)


def abutment_teeth(exercise: ExerciseTables) -> tuple[int, ...]:
    """FDI numbers of a bridge's abutments, the exercise's own tooth first; empty for a single tooth."""
    if not exercise.abutments or exercise.tooth is None:
        return ()
    return (exercise.tooth, *(entry.tooth for entry in exercise.abutments))


def _abutments(exercise: ExerciseTables) -> Iterator[Fault]:
    if exercise.abutments and exercise.family != "crown":
        yield Fault("[[abutments]]", f"stands in the family '{exercise.family}'", "the family 'crown'", "Leave it out.")
    first = {exercise.tooth: "tooth"}
    for index, entry in enumerate(exercise.abutments):
        if entry.tooth in first:
            place = toml_place(("abutments", index, "tooth"))
            yield Fault(place, f"is {entry.tooth}, as {first[entry.tooth]}", "each tooth once", "Correct or remove it.")
        first.setdefault(entry.tooth, f"in [[abutments]] {index + 1}")
        yield from _tilt_fault(entry, toml_place(("abutments", index, "facial")))


def _sites(exercise: ExerciseTables) -> Iterator[Fault]:
    yield from _doubled("sites", "name", [site.name for site in exercise.sites])


def _weights(exercise: ExerciseTables) -> Iterator[Fault]:
    total = math.fsum(criterion.weight for criterion in exercise.criteria)
    if total == 0.0:
        yield Fault("[[criteria]] weight", "adds up to 0", "a sum above 0", "Give at least one criterion a weight.")
    if math.isinf(total):
        yield Fault("[[criteria]] weight", "adds up to infinity", "a finite sum", "Give smaller weights.")


def term_in(term: Term, exercise: ExerciseTables) -> Term:
    """A term as this exercise takes it: on a bridge a crown reading's `where` begins with its abutment, as `36/BL` or `36`.

    Readings of named sites need no number, as a site lies on one abutment; those of all abutments together, and of the
    neighbours on either side of the bridge, have none.
    """
    teeth = abutment_teeth(exercise)
    whole = ".abutments." in term.id or ".neighbour." in term.id
    if not teeth or term.family != "crown" or term.pool is not None or whole:
        return term
    words = tuple(f"{tooth}/{where}" for tooth in teeth for where in term.wheres) or tuple(map(str, teeth))
    return replace(term, wheres=words, where_needed=True)


def wheres_of(term: Term, exercise: ExerciseTables) -> tuple[str, ...]:
    """The words a reading's `where` takes in this exercise: its fixed ones, then those the exercise supplies."""
    pools = {
        None: (),
        "site": tuple(site.name for site in exercise.sites),
        "layer": layer_names(exercise),
        "orifice": tuple(str(number + 1) for number in range(len(exercise.target.orifices or ()))),
        "instrument": exercise.permitted.instruments or tuple(entry.name for entry in exercise.instruments),
    }
    return (*term.wheres, *pools[term.pool])


def statistic_of(criterion: Criterion) -> str | None:
    """The statistic that names the reading: None for one that is a single number, whose median is itself."""
    term = VOCABULARY.get(criterion.reading)
    return None if term is not None and not term.stats and criterion.stat in ("median", "mean") else criterion.stat


def _criteria(exercise: ExerciseTables) -> Iterator[Fault]:
    first: dict[tuple[str, str | None, str | None], int] = {}
    for index, criterion in enumerate(exercise.criteria):
        term = VOCABULARY.get(criterion.reading)
        if term is None:
            hint = nearest_phrase(criterion.reading, VOCABULARY, count=2, most=3)
            yield Fault(
                toml_place(("criteria", index, "reading")),
                f"is {shown(criterion.reading)}",
                f"a known reading ({hint})",
                "Correct it.",
            )
            continue
        yield from _criterion(exercise, criterion, term_in(term, exercise), index=index)
        key = (criterion.reading, criterion.where, statistic_of(criterion))
        if key in first:
            place = toml_place(("criteria", index))
            yield Fault(
                place,
                f"repeats [[criteria]] {first[key] + 1}: {_spoken(key)}",
                "each reading, where and stat once",
                "Remove one.",
            )
        first.setdefault(key, index)


def _outcomes(exercise: ExerciseTables) -> Iterator[Fault]:
    for index, criterion in enumerate(exercise.criteria):
        if criterion.outcome is not None and criterion.outcome not in exercise.outcomes:
            place = toml_place(("criteria", index, "outcome"))
            known = nearest_phrase(criterion.outcome, exercise.outcomes) if exercise.outcomes else "there are none yet"
            yield Fault(place, f"is {shown(criterion.outcome)}", f"one of outcomes ({known})", "Correct it or add it to outcomes.")  # fmt: skip


def _spoken(key: Iterable[str | None]) -> str:
    return " ".join(printable(part, limit=60) for part in key if part is not None)


def _criterion(exercise: ExerciseTables, criterion: Criterion, term: Term, *, index: int) -> Iterator[Fault]:
    yield from _where_fault(criterion, term, wheres_of(term, exercise), index=index)
    place = toml_place(("criteria", index, "stat"))
    stat = statistic_of(criterion)
    if stat is None and term.stats and term.stat_needed:
        yield Fault(place, "is missing", f"one of {', '.join(term.stats)} for {term.id}", "Add the key.")
    elif stat is not None and not term.stats:
        yield Fault(place, f"is {shown(stat)}", f"none, as {term.id} is a single number", "Leave the key out.")
    elif stat is not None and stat not in term.stats:
        known = f" ({nearest_phrase(stat, term.stats)})" if stat not in STATISTICS else ""
        yield Fault(place, f"is {shown(stat)}", f"one of {', '.join(term.stats)} for {term.id}{known}", "Correct it.")
    if ".abutments." in term.id and not exercise.abutments:
        place = toml_place(("criteria", index, "reading"))
        yield Fault(place, f"is '{term.id}' on a single tooth", "it where [[abutments]] names a second one", "Add it.")
    if term.family == "process" and exercise.source.kind != "motion":
        place = toml_place(("criteria", index, "reading"))
        yield Fault(
            place,
            f"is '{term.id}' with [source] kind '{exercise.source.kind}'",
            "the source 'motion'",
            "Change one of the two.",
        )


def _where_fault(criterion: Criterion, term: Term, words: tuple[str, ...], *, index: int) -> Iterator[Fault]:
    place = toml_place(("criteria", index, "where"))
    choice = listed(words) if words else f"a name of this exercise's {term.pool}s, of which it has none"
    if criterion.where is None and term.must_say_where:
        yield Fault(
            place, "is missing", f"one of {choice} for {term.id}" if words else f"{choice}, for {term.id}", "Add it."
        )
    elif criterion.where is not None and not term.takes_where:
        yield Fault(
            place, f"is {shown(criterion.where)}", f"none, as {term.id} has only one place", "Leave the key out."
        )
    elif criterion.where is not None and criterion.where not in words:
        hint = nearest_phrase(criterion.where, words) if words else choice
        yield Fault(place, f"is {shown(criterion.where)}", f"a place of {term.id} ({hint})", "Correct it.")
