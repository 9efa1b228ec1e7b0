"""Whether examiners agree with one another and with the instrument, and one device with the next."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from kerfmark.errors import EvidenceError
from kerfmark.evidence.answer import GROUP_LEAST, Answer, Cell, Claim, Figure, Grid, Options, Verdict
from kerfmark.evidence.examiners import drift, pair_grid
from kerfmark.evidence.ratings import piece_codes, ratings_of, spread_on_one_piece
from kerfmark.evidence.table import Table
from kerfmark.statistics.alpha import krippendorff_alpha
from kerfmark.statistics.categories import gwet, pass_fail_agreement
from kerfmark.statistics.clustered import clustered_mean
from kerfmark.statistics.comparison import BlandAltman, bland_altman, concordance, equivalence, repeatability
from kerfmark.statistics.estimates import Estimate, FloatArray
from kerfmark.statistics.icc import icc

__all__ = ["agreement"]

POINTS_MOST = 1500


def agreement(table: Table, options: Options, rng: np.random.Generator) -> Answer:
    """Agreement between examiners, of examiners with readings, and between devices.

    Raises
    ------
    EvidenceError
        If no piece was judged twice in any way.
    """
    last = table.last_attempts()
    parts = [part for part in _parts(table, last, options, rng) if part is not None]
    grids = tuple(grid for part in parts for grid in part.grids)
    if not grids:
        raise EvidenceError(
            "no piece was judged twice: by two examiners, by an examiner and the instrument, or by two devices. Have some pieces judged again."
        )
    return Answer(
        "agreement", "Do examiners and readings agree?", " ".join(p.said for p in parts if p.said) or "See the tables.", grids=grids,
        figures=tuple(f for p in parts for f in p.figures), claims=tuple(c for p in parts for c in p.claims),
        methods=tuple(m for p in parts for m in p.methods), flags=tuple(f for p in parts for f in p.flags),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Part:
    """One way in which pieces were judged twice."""

    grids: tuple[Grid, ...]
    said: str = ""
    figures: tuple[Figure, ...] = ()
    claims: tuple[Claim, ...] = ()
    methods: tuple[str, ...] = ()
    flags: tuple[str, ...] = ()


def _parts(table: Table, last: Table, options: Options, rng: np.random.Generator) -> Iterator[_Part | None]:
    yield _between_examiners(last, options, rng)
    yield _against_measured(last, options)
    if (pairs := pair_grid(last)) is not None:
        yield _Part((pairs[0],), figures=pairs[1])
    yield _again(table)
    if (rulings := _rulings(last)) is not None:
        words = "Rulings: too close to call is left out; kappa never stands without AC1 and the agreement on each side; criteria taken as independent."
        yield _Part((rulings,), methods=(words,))
    if (devices := _devices(table)) is not None:
        words = "Devices: same piece and criterion read by both; equivalent within a tenth of the criterion's width, two one-sided tests."
        yield _Part((devices,), methods=(words,))


def _between_examiners(last: Table, options: Options, rng: np.random.Generator) -> _Part | None:
    whole = last.said_by("examiner", whole=True)
    rows: list[tuple[Cell, ...]] = []
    methods: list[str] = []
    sentence, claim = (
        "",
        Claim("Examiners agree with one another", "not shown", "no piece was marked by two examiners", "agreement"),
    )
    table, whose = ratings_of(whole.where(~np.isnan(whole.number("score"))), "score", "examiner")
    if len(table) >= GROUP_LEAST:
        single, within = _single(table, whose, options, rng), spread_on_one_piece(table)
        rows += [
            ("marks, one examiner", len(table), single),
            ("spread of examiners on one piece, SD, points", len(table), within),
            (
                "smallest difference of two marks that is more than error, points",
                len(table),
                1.96 * np.sqrt(2) * within,
            ),
        ]
        methods.append(single.method[0].upper() + single.method[1:] + ", marks.")
        sentence = f"Two examiners' marks of one piece agree to {single.value:.2f} ({single.lower:.2f} to {single.upper:.2f}), n {len(table)}."
        claim = _agree(single, len(table))
    grades, whose = ratings_of(whole.where(~np.isnan(whole.number("grade"))), "grade", "examiner")
    levels = np.unique(grades[~np.isnan(grades)])
    if len(grades) >= GROUP_LEAST and len(levels) > 1:
        found = gwet((grades[:, :, None] == levels).sum(axis=1), weights="quadratic", people=whose)
        rows.append(("overall views, quadratic weights", len(grades), found))
        methods.append("Overall views: " + found.method + ".")
    if not rows:
        return None
    said = "1 is full agreement. The spread says how far one examiner's mark lies from another's, in points."
    grid = Grid(
        "Examiners with one another", ("", "pieces judged twice", "agreement (95 %)"), tuple(rows), (0, 0, 2), said
    )
    return _Part((grid,), sentence, claims=(claim,), methods=tuple(methods))


def _agree(single: Estimate, n: int) -> Claim:
    verdict: Verdict = "stands" if single.lower >= 0.75 else "with limits" if single.value >= 0.5 else "not shown"
    because = f"{single.value:.2f}, 95 % {single.lower:.2f} to {single.upper:.2f}, n {n}"
    return Claim("Examiners agree with one another", verdict, because, "agreement")


def _single(table: FloatArray, whose: NDArray[np.str_], options: Options, rng: np.random.Generator) -> Estimate:
    """ICC(2,1) where every piece has every examiner; else alpha, which allows gaps."""
    if not np.isnan(table).any() and table.shape[1] > 2:
        return icc(table, form="2,1")
    return krippendorff_alpha(table, scale="interval", people=whose, draws=options.draws, rng=rng)


def _again(table: Table) -> _Part | None:
    """Each examiner's first and second marking of the same pieces: repeatability and drift."""
    rows_of = table.said_by("examiner", whole=True)
    rows_of = rows_of.where(~np.isnan(rows_of.number("score")) & (rows_of.number("repeat") <= 2))
    rows: list[tuple[Cell, ...]] = []
    for name in np.unique(rows_of["examiner"]) if len(rows_of) else ():
        own = rows_of.where(rows_of["examiner"] == name)
        twice, _ = ratings_of(own, "score", "repeat")
        if len(twice) < 5 or twice.shape[1] != 2:
            continue
        moved = clustered_mean(twice[:, 1] - twice[:, 0], None)
        rows.append((str(name), len(twice), repeatability(twice[:, 0], twice[:, 1])[0], moved))
    if not rows:
        return None
    header = ("examiner", "pieces marked twice", "SD within a piece, points", "drift (95 %)")
    said = "Drift: second less first mark; 0 inside the interval means none is shown."
    figures, flags, charted = drift(table)
    methods = ["The same examiner again: the first and second marking of the same piece, drift is second less first."]
    methods += [charted] if charted else []
    grid = Grid("The same examiner again", header, tuple(rows), (0, 0, 1, 1), said)
    return _Part((grid,), figures=figures, methods=tuple(methods), flags=tuple(flags))


def _against_measured(last: Table, options: Options) -> _Part | None:
    rows: list[tuple[Cell, ...]] = []
    first: tuple[BlandAltman, FloatArray, FloatArray, str, str] | None = None
    for column, unit in (("value", ""), ("score", "points")):
        whole = column == "score"
        theirs, ours = (last.said_by(s, whole=whole) for s in ("examiner", "measured"))
        for name, (pair, whose) in _paired(theirs, ours, column).items():
            if len(pair) < GROUP_LEAST:
                continue
            found = bland_altman(pair[:, 0], pair[:, 1], people=whose)
            label = "mark of the piece" if whole else name
            try:
                agreed: Cell = concordance(pair[:, 0], pair[:, 1])
            except EvidenceError as why:
                agreed = str(why)
            decimals = 1 if whole else 3
            bias, lower, upper = (
                f"{e.value:+.{decimals}f} ({e.lower:+.{decimals}f} to {e.upper:+.{decimals}f})"
                for e in (found.bias, found.lower_limit, found.upper_limit)
            )
            rows.append((label, found.n, bias, lower, upper, agreed))
            if first is None or whole:
                first = (found, pair[:, 0], pair[:, 1], label, unit)
    if first is None:
        return None
    found, theirs_, ours_, label, unit = first
    grid = Grid("Examiners less readings", ("", "n", "bias (95 %)", "lower limit", "upper limit", "concordance"), tuple(rows), (0, 0, 2, 2, 2, 2),
                "Limits hold 95 % of single differences.")  # fmt: skip
    mean, low, high = found.bias, found.lower_limit.value, found.upper_limit.value
    sentence = f"On the {label}, examiners lie {mean.value:+.1f} from the reading on average; a single piece may differ by {low:+.1f} to {high:+.1f}."
    small = abs(mean.value) <= options.margin and max(abs(mean.lower), abs(mean.upper)) <= options.margin
    because = f"bias {mean.value:+.1f}, single pieces {low:+.1f} to {high:+.1f}, n {found.n}"
    claim = Claim("Examiners and readings agree", "with limits" if small else "not shown", because, "agreement")
    words = (
        "Limits of agreement: bias ± 1.96 SD of the differences, examiners' mean less measured; t intervals over learners. "
        "Concordance: z interval, pieces taken as independent."
    )
    return _Part((grid,), sentence, (_difference_plot(found, theirs_, ours_, label, unit),), (claim,), (words,))


def _difference_plot(found: BlandAltman, theirs: FloatArray, ours: FloatArray, label: str, unit: str) -> Figure:
    keep = np.linspace(0, len(theirs) - 1, min(len(theirs), POINTS_MOST)).astype(int)
    data = {
        "mean": ((theirs + ours) / 2)[keep].tolist(), "difference": (theirs - ours)[keep].tolist(), "bias": found.bias.value,
        "lower": found.lower_limit.value, "upper": found.upper_limit.value, "unit": unit,
    }  # fmt: skip
    thinned = f", {len(keep)} shown" if len(keep) < len(theirs) else ""
    caption = f"{label}: examiners' mean less measured on the mean of both, {found.n} pieces{thinned}"
    return Figure("agreement", caption, data)


def _paired(theirs: Table, ours: Table, column: str) -> dict[str, tuple[FloatArray, NDArray[np.str_]]]:
    """Mean of examiners and mean of readings for each piece that has both, by exercise and criterion (or all marks together)."""
    theirs = theirs.where(~np.isnan(theirs.number(column)))
    ours = ours.where(~np.isnan(ours.number(column)))
    if not len(theirs) or not len(ours):
        return {}
    both = Table({name: np.concatenate([theirs[name], ours[name]]) for name in theirs.columns})
    piece = piece_codes(both, "learner", "exercise", "attempt", "criterion")
    side = np.r_[np.zeros(len(theirs), dtype=int), np.ones(len(ours), dtype=int)]
    at = piece * 2 + side
    count = np.bincount(at, minlength=2 * (piece.max() + 1)).reshape(-1, 2)
    mean = np.bincount(at, weights=both.number(column), minlength=count.size).reshape(-1, 2) / np.maximum(count, 1)
    first = np.unique(piece, return_index=True)[1]
    criterion = both["criterion"][first].astype(str)
    names = (
        criterion
        if column == "score"
        else np.char.add(np.char.add(both["exercise"][first].astype(str), ": "), criterion)
    )
    full = np.all(count > 0, axis=1)
    whose = both["learner"][first].astype(str)
    return {str(name): (mean[own], whose[own]) for name in np.unique(names[full]) for own in [full & (names == name)]}


def _rulings(last: Table) -> Grid | None:
    theirs, ours = (last.said_by(s, whole=False) for s in ("examiner", "measured"))
    pairs = [(r, c) for r, c in zip(*_matched_rulings(theirs, ours), strict=True)]
    if len(pairs) < GROUP_LEAST:
        return None
    counts = np.zeros((2, 2))
    for one, other in pairs:
        counts[int(one != "met"), int(other != "met")] += 1
    found = pass_fail_agreement(counts)
    rows: list[tuple[Cell, ...]] = [
        ("both met, examiner only, reading only, neither", ", ".join(f"{int(v)}" for v in counts.ravel())),
        ("equal rulings", found.percent), ("agreement on met", found.on_pass), ("agreement on not met", found.on_fail),
        ("kappa", found.kappa), ("AC1", found.ac1),
    ]  # fmt: skip
    said = "Equal rulings alone flatter where most are met: kappa and AC1 take out what chance would give."
    return Grid(
        "Examiners' rulings against readings", ("", f"{len(pairs)} criteria ruled by both"), tuple(rows), (0, 2), said
    )


def _matched_rulings(theirs: Table, ours: Table) -> tuple[list[str], list[str]]:
    def keyed(rows: Table) -> dict[tuple[str, ...], str]:
        kept = rows.where(np.isin(rows["ruling"], ("met", "not met")))
        names = ("learner", "exercise", "attempt", "criterion")
        return {
            key: str(ruling)
            for *key_, ruling in zip(*(kept[n].astype(str) for n in names), kept["ruling"], strict=True)
            if (key := tuple(key_))
        }

    a, b = keyed(theirs), keyed(ours)
    both = [key for key in a if key in b]
    return [a[key] for key in both], [b[key] for key in both]


def _devices(table: Table) -> Grid | None:
    rows_of = table.said_by("measured", whole=False)
    rows_of = rows_of.where((rows_of["device"] != "") & ~np.isnan(rows_of.number("value")))
    rows: list[tuple[Cell, ...]] = []
    for criterion in np.unique(rows_of["criterion"]) if len(rows_of) else ():
        own = rows_of.where(rows_of["criterion"] == criterion)
        names = np.unique(own["device"])
        if len(names) < 2:
            continue
        widths = own.number("upper") - own.number("lower")
        width = float(np.nanmedian(widths)) if np.isfinite(widths).any() else float("nan")
        read, _ = ratings_of(own, "value", "device")
        for a, b in combinations(range(len(names)), 2):
            pair = read[~np.isnan(read[:, [a, b]]).any(axis=1)][:, [a, b]] if len(read) else np.zeros((0, 2))
            if len(pair) >= GROUP_LEAST and width > 0:
                rows.append((f"{criterion}: {names[a]} less {names[b]}", len(pair), *_equal(pair, width)))
    if not rows:
        return None
    said = "Equivalent: the 90 % interval of the bias lies within the margin. Not shown is not the same as different."
    return Grid(
        "Devices on the same piece",
        ("", "n", "bias (90 %)", "margin ±", "equivalent"),
        tuple(rows),
        (0, 0, 3, 3, 0),
        said,
    )


def _equal(pair: FloatArray, width: float) -> tuple[Cell, ...]:
    try:
        found = equivalence(pair[:, 0], pair[:, 1], margin=0.1 * width)
    except EvidenceError as why:
        return (str(why), 0.1 * width, "cannot be said")
    return (found.difference, found.margin, "shown" if found.shown else "not shown")
