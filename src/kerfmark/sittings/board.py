"""What a board says beside the marks: a panel's judgements, earlier cohorts, actions agreed; and the pass line somebody stands for.

Each stands for one exercise (or all of them) at the sites whose evidence whoever wrote it may see, and is asked of together with
the marks of just those.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Final, Literal, get_args

from kerfmark.errors import ConflictError, InputError, MissingError, printable
from kerfmark.sittings.rights import Actor, require_anywhere
from kerfmark.sittings.table import evidence_content, evidence_table, holds_simulated
from kerfmark.storage import Store, Transaction
from kerfmark.storage import schema as kept

if TYPE_CHECKING:
    from kerfmark.evidence import Action, ContentLine, Evidence, Options, Panel
    from kerfmark.evidence.table import Table

__all__ = [
    "Beside",
    "PaperKind",
    "PaperLine",
    "SignedLine",
    "add_paper",
    "ask",
    "beside",
    "papers",
    "sign_line",
    "signed_lines",
    "withdraw_paper",
]

PaperKind = Literal["panel", "earlier", "actions"]
KINDS: Final[tuple[str, ...]] = get_args(PaperKind)
PAPER_BYTES: Final = 64 * 2**20
NAME_LIMIT, REASON_LIMIT = 100, 2000


@dataclass(frozen=True, slots=True)
class PaperLine:
    """A paper as lists show it."""

    id: str
    kind: str
    name: str
    rows: int
    made_at: datetime
    made_by: str


@dataclass(frozen=True, slots=True)
class SignedLine:
    """A pass line with who stands for it and why; `basis` is what it was chosen from."""

    method: str
    percent: float
    se: float | None
    reason: str
    person: str
    made_at: datetime
    basis: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Beside:
    """What is asked together with the marks.

    Attributes
    ----------
    panel : Panel or None
    earlier : mapping of str to Table
        Earlier cohorts by what they are called.
    actions : tuple of Action
    line : SignedLine or None
        The last one signed.
    """

    panel: Panel | None
    earlier: Mapping[str, Table]
    actions: tuple[Action, ...]
    line: SignedLine | None


def add_paper(store: Store, actor: Actor, kind: PaperKind, text: str, *, exercise: str = "", name: str = "") -> str:
    """Put a paper beside the marks, read and checked first; returns its id.

    A new panel takes the place of the one before, a new cohort that of the cohort of the same name; actions are added.

    Parameters
    ----------
    kind : str
        `panel`, `earlier` or `actions`.
    text : str
        A CSV of `docs/evidence/data.md`.
    exercise : str
        Whose marks; empty: of all exercises.
    name : str
        What an earlier cohort is called.

    Raises
    ------
    InputError
        If the CSV is not what it has to be; the sentence names the row.
    RightsError
        If the actor signs evidence nowhere.
    """
    require_anywhere(actor, "evidence.sign")
    name = name.strip() or {"panel": "panel", "actions": "actions"}.get(kind, "")
    if kind not in KINDS or not name or len(name) > NAME_LIMIT or len(text.encode()) > PAPER_BYTES:
        raise InputError(
            f"name: {len(name)} characters, expected 1 to {NAME_LIMIT}, such as the year of the cohort; and a table of at most "
            f"{PAPER_BYTES >> 20} MiB. Correct it."
        )
    _read(kind, text, name)
    with store.write() as tx:
        if kind != "actions":
            for old in _papers(tx, actor, exercise):
                if old.kind == kind and (kind == "panel" or old.name == name):
                    old.withdrawn_at = tx.now
        row = kept.BoardPaper(
            id=kept.new_id(), kind=kind, exercise=exercise, sites=_sites(actor), name=name, content=text, made_by=actor.person_id, made_at=tx.now
        )  # fmt: skip
        tx.add(row)
        tx.say(
            str(actor), f"{kind} put beside the evidence", f"paper {row.id}", sha256=sha256(text.encode()).hexdigest()
        )
        return row.id


def withdraw_paper(store: Store, actor: Actor, paper_id: str) -> None:
    """Take a paper back; it stays in the store and is asked of no more."""
    require_anywhere(actor, "evidence.sign")
    with store.write() as tx:
        row = tx.get(kept.BoardPaper, paper_id)
        if row is None or row.sites != _sites(actor):
            raise MissingError("there is no such paper. Choose one of the list.")
        if row.withdrawn_at is not None:
            raise ConflictError("the paper was taken back before.")
        row.withdrawn_at = tx.now
        tx.say(str(actor), f"{row.kind} taken back", f"paper {row.id}")


def papers(store: Store, actor: Actor, *, exercise: str = "") -> list[PaperLine]:
    """The papers that stand beside the marks of an exercise, in the order they came.

    Raises
    ------
    RightsError
        If the actor sees evidence nowhere.
    """
    require_anywhere(actor, "evidence.see")
    with store.read() as tx:
        return [
            PaperLine(p.id, p.kind, p.name, len(p.content.splitlines()) - 1, p.made_at, _person(tx, p.made_by))
            for p in _papers(tx, actor, exercise)
        ]


def beside(store: Store, actor: Actor, *, exercise: str = "") -> Beside:
    """What stands beside the marks of an exercise, read and ready to be asked with them.

    Raises
    ------
    RightsError
        If the actor sees evidence nowhere.
    """
    require_anywhere(actor, "evidence.see")
    with store.read() as tx:
        found = [(p.kind, p.name, p.content) for p in _papers(tx, actor, exercise)]
        lines = _lines(tx, actor, exercise)
    made = {kind: [(name, _read(kind, text, name)) for of, name, text in found if of == kind] for kind in KINDS}
    return Beside(
        panel=made["panel"][-1][1] if made["panel"] else None,
        earlier=dict(made["earlier"]),
        actions=tuple(action for _, actions in made["actions"] for action in actions),
        line=lines[-1] if lines else None,
    )


def ask(
    store: Store,
    actor: Actor,
    *,
    options: Options,
    exercise: str = "",
    panel: Panel | None = None,
    content: Sequence[ContentLine] = (),
    earlier: Mapping[str, Table] | None = None,
    actions: Sequence[Action] = (),
    progress: Callable[[str], None] = lambda _: None,
) -> Evidence:
    """Every question asked of the store's marks of an exercise, with what stands beside them.

    What is given here takes the place of what the store holds. A signed pass line decides, as it is worked out today; the report says
    where it stood when it was signed. One whose method can no longer be used, since its panel was taken back, decides nothing.

    Raises
    ------
    EvidenceError
        If there is no piece at all.
    RightsError
        If the actor sees evidence nowhere.
    """
    from kerfmark.evidence import gather

    table = evidence_table(store, actor, exercises=[exercise] if exercise else None)
    asked = content or evidence_content(store, actor, exercises=[exercise] if exercise else None)
    found = beside(store, actor, exercise=exercise)
    options = replace(options, simulated=options.simulated or holds_simulated(store))
    chosen = options if options.chosen or found.line is None else _as_signed(options, found.line)

    def gathered(wanted: Options) -> Evidence:
        return gather(
            table, panel=panel or found.panel, content=asked, earlier=earlier or found.earlier, actions=actions or found.actions,
            options=wanted, progress=progress,
        )  # fmt: skip

    if chosen is options:
        return gathered(options)
    try:
        return gathered(chosen)
    except InputError:
        return gathered(options)


def _as_signed(options: Options, line: SignedLine) -> Options:
    why = f"{line.reason.rstrip('.')} (signed on {line.made_at:%Y-%m-%d}, when it stood at {line.percent:.1f})"
    return replace(options, chosen=line.method, reason=why, signed=line.person)


def sign_line(
    store: Store, actor: Actor, *, exercise: str = "", method: str, percent: float, se: float | None, reason: str, basis: Mapping[str, Any]
) -> str:  # fmt: skip
    """Stand for a pass line, with the reason; returns its id. An earlier one stays, and counts no more.

    Parameters
    ----------
    method : str
        As the evidence names it.
    percent, se : float
        Where it stands, and its standard error.
    reason : str
        Why this one and none of the others.
    basis : mapping
        What it was chosen from: every line there was, the digest of the table, draws, seed.

    Raises
    ------
    InputError
        If no reason is given.
    RightsError
        If the actor signs evidence nowhere, or is no person.
    """
    require_anywhere(actor, "evidence.sign")
    reason = reason.strip()
    if not reason or len(reason) > REASON_LIMIT:
        raise InputError(
            f"reason: {len(reason)} characters, expected 1 to {REASON_LIMIT}: why this line and not another, for whoever appeals. Write it."
        )
    with store.write() as tx:
        row = kept.ChosenLine(
            id=kept.new_id(), exercise=exercise, sites=_sites(actor), method=method, percent=percent, se=se, reason=reason,
            person_id=actor.person_id, basis=dict(basis), made_at=tx.now,
        )  # fmt: skip
        tx.keep(
            row,
            actor=str(actor),
            action="pass line signed",
            about=f"line {row.id}",
            method=printable(method, limit=60),
            percent=percent,
        )
        return row.id


def signed_lines(store: Store, actor: Actor, *, exercise: str = "") -> list[SignedLine]:
    """Every pass line signed for an exercise, oldest first; the last one counts."""
    require_anywhere(actor, "evidence.see")
    with store.read() as tx:
        return _lines(tx, actor, exercise)


def _lines(tx: Transaction, actor: Actor, exercise: str) -> list[SignedLine]:
    rows = tx.all(
        kept.ChosenLine, kept.ChosenLine.exercise == exercise, kept.ChosenLine.sites == _sites(actor), order=[kept.ChosenLine.made_at]
    )  # fmt: skip
    return [SignedLine(r.method, r.percent, r.se, r.reason, _person(tx, r.person_id), r.made_at, r.basis) for r in rows]


def _papers(tx: Transaction, actor: Actor, exercise: str) -> Sequence[kept.BoardPaper]:
    table = kept.BoardPaper
    where = table.exercise == exercise, table.sites == _sites(actor), table.withdrawn_at.is_(None)
    return tx.all(table, *where, order=[table.made_at])


def _sites(actor: Actor) -> str:
    """The sites an actor sees evidence of, as they are written down; empty: all."""
    found = actor.sites("evidence.see")
    return "" if actor.program or None in found else " ".join(sorted(str(site) for site in found))


def _person(tx: Transaction, person_id: str | None) -> str:
    row = None if person_id is None else tx.get(kept.Person, person_id)
    return "the program" if row is None else row.name or row.code


def _read(kind: str, text: str, name: str) -> Any:
    """A paper's text as what is asked of it."""
    from kerfmark.evidence import actions_of, panel_of, table_from_text

    if kind == "panel":
        return panel_of(text, name="panel")
    return actions_of(text, name="actions") if kind == "actions" else table_from_text(text, name=name)
