"""`kerfmark audit`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from kerfmark.cli.options import check_one_of
from kerfmark.cli.saying import Progress, say
from kerfmark.cli.stores import FilesOption, StoreOption, open_existing

if TYPE_CHECKING:
    from kerfmark.storage import Store

__all__ = ["audit"]


def audit(
    action: Annotated[
        str, typer.Argument(metavar="verify|log", help="Prove the audit log, or list its newest entries.")
    ] = "verify",
    store: StoreOption = None,
    files: FilesOption = None,
    head: Annotated[
        str | None,
        typer.Option("--head", metavar="HASH", help="A head written down earlier: the log must still hold that entry."),
    ] = None,
    with_files: Annotated[bool, typer.Option("--with-files", help="Also read every file that a row names.")] = False,
    number: Annotated[int, typer.Option("--last", metavar="N", help="How many entries `log` lists.", min=1)] = 20,
) -> None:
    """Prove that nothing in the audit log was changed, nor any mark behind its back. Exit 0 proved, 3 not."""
    check_one_of(action, ("verify", "log"), option="audit")
    opened = open_existing(store, files)
    try:
        if action == "log":
            _list(opened, number)
        elif not _verify(opened, head, with_files=with_files):
            raise typer.Exit(3)
    finally:
        opened.close()


def _list(opened: Store, number: int) -> None:
    from kerfmark.sittings.keeping import audit_entries
    from kerfmark.sittings.rights import PROGRAM

    for entry in reversed(audit_entries(opened, PROGRAM, limit=number)):
        typer.echo(f"{entry.seq:>8}  {entry.at[:19]}  {entry.actor:<28} {entry.action:<22} {entry.about}")


def _verify(opened: Store, head: str | None, *, with_files: bool) -> bool:
    from kerfmark.sittings.keeping import audit_holds, prove_audit, prove_store
    from kerfmark.sittings.rights import PROGRAM

    progress = Progress()
    progress("proving the audit log")
    whole = prove_store(opened, PROGRAM) if with_files else None
    proof = whole.audit if whole is not None else prove_audit(opened, PROGRAM)
    progress.done()
    faults = [*([proof.broken] if proof.broken else []), *proof.changed, *(whole.damaged if whole else ())]
    if head is not None and not audit_holds(opened, head):
        faults.append(f"no entry has the hash {head[:12]}: what was written after it, or it itself, was cut off")
    for fault in faults:
        say(f"fault: {fault}")
    typer.echo(f"{proof.entries} entries follow one another, head {proof.head}")
    if whole is not None:
        typer.echo(f"{whole.files} files were read; {whole.nobodys} are nobody's and go with the next sweep")
    typer.echo("the log proves" if not faults else f"NOT PROVED: {len(faults)} faults")
    return not faults
