"""`kerfmark backup` and `kerfmark restore`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from kerfmark.cli.saying import Progress
from kerfmark.cli.stores import FilesOption, StoreOption, open_existing, open_from
from kerfmark.outputs import check_targets

__all__ = ["backup", "restore"]


def backup(
    target: Annotated[Path, typer.Argument(metavar="FILE", help="The zip to write.")],
    store: StoreOption = None,
    files: FilesOption = None,
) -> None:
    """Write the whole store into one zip, as it stands at one moment, while it is in use."""
    from kerfmark.storage import backup as write_backup

    check_targets((target,))
    progress = Progress()
    opened = open_existing(store, files)
    try:
        held = write_backup(opened, target, progress=progress)
    finally:
        progress.done()
        opened.close()
    typer.echo(f"{held.rows} rows and {held.files} files ({held.bytes / 2**20:.1f} MiB) are in {target}.")
    typer.echo(f"audit log: {held.entries} entries, head {held.head}")


def restore(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A zip that `kerfmark backup` wrote.")],
    store: StoreOption = None,
    files: FilesOption = None,
) -> None:
    """Put a backup into an empty store, on either database, and prove it; nothing is ever written over."""
    from kerfmark.storage import restore as read_backup

    progress = Progress()
    opened = open_from(store, files)
    try:
        held = read_backup(opened, source, progress=progress)
    finally:
        progress.done()
        opened.close()
    typer.echo(f"{held.rows} rows and {held.files} files are restored to {opened.address}, and the audit log proves.")
    typer.echo(f"audit log: {held.entries} entries, head {held.head}")
