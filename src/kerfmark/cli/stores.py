"""Options of the commands that open a store, and opening it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from kerfmark.errors import InputError, printable

if TYPE_CHECKING:
    from kerfmark.storage import Store

__all__ = ["FilesOption", "StoreOption", "open_existing", "open_from"]

StoreOption: TypeAlias = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="STORE",
        help="Folder, sqlite:///FILE or postgresql://USER@HOST/NAME; KERFMARK_STORE if left out.",
    ),
]
FilesOption: TypeAlias = Annotated[
    str | None,
    typer.Option(
        "--files",
        metavar="PLACE",
        help="Folder or fsspec address of the store's files; KERFMARK_FILES, else beside the database.",
    ),
]


def open_from(store: str | None, files: str | None) -> Store:
    """The store that was named, or the one of the settings."""
    from kerfmark.settings import read_settings
    from kerfmark.storage import open_store

    settings = read_settings()
    return open_store(store or settings.store, files or settings.files)


def open_existing(store: str | None, files: str | None) -> Store:
    """As `open_from`, of a store that is there already: a folder without one is refused, and none is made in it.

    Raises
    ------
    InputError
        If the folder holds no store.
    """
    from kerfmark.settings import read_settings
    from kerfmark.storage import is_store

    address = store or read_settings().store
    if not is_store(address):
        raise InputError(
            f"{printable(address)}: holds no store, expected a folder with kerfmark.db in it, or a database's address. Check the path."
        )
    return open_from(address, files)
