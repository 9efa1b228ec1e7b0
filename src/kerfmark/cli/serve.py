"""`kerfmark serve`."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["serve"]


def serve(
    store_at: Annotated[
        str | None,
        typer.Option("--store", metavar="ADDRESS", help="Folder, sqlite:///FILE or postgresql://USER@HOST/NAME."),
    ] = None,
    files_at: Annotated[
        str | None,
        typer.Option("--files", metavar="ADDRESS", help="Where files are kept, if not beside the database."),
    ] = None,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="Where to listen; others only behind TLS.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(metavar="NUMBER", help="Port; 0 takes a free one.", min=0, max=65535)] = 8750,
    public_url: Annotated[
        str | None,
        typer.Option(
            "--public-url", metavar="URL", help="https://HOST as people type it, where a TLS proxy stands in front."
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(metavar="N", help="Processes that measure, each one piece at a time; 0: none here.", min=0),
    ] = None,
) -> None:
    """Serve the pages and the API of a school until stopped (see `docs/server.md`)."""
    from kerfmark.settings import read_serving, read_settings
    from kerfmark.web.serving import serve_store

    serve_store(
        read_settings(),
        read_serving(public_url=public_url),
        store_at=store_at,
        files_at=files_at,
        host=host,
        port=port,
        workers=workers,
        say=typer.echo,
    )
