"""The command line: one verb per step, each on a trip folder."""

from __future__ import annotations

import sys

import typer

from searcher.cli.at_sea import app
from searcher.errors import SearcherError

__all__ = ["app", "main"]


def main() -> None:
    """Entry point: a user's error is one message and exit code 2; a bug still shows its traceback."""
    try:
        app()
    except SearcherError as error:
        typer.echo(f"searcher: {error}", err=True)
        sys.exit(2)
