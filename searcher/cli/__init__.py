"""The command line: one verb per step, each on a trip folder."""

from __future__ import annotations

import gc
import io
import json
import sys

import typer

from searcher.cli import again, at_sea, desk, evening, morning  # noqa: F401 (each brings its verbs)
from searcher.cli.verbs import app
from searcher.errors import SearcherError

__all__ = ["app", "main"]

#: what the command is called in its help, however it was started
NAME = "searcher"
#: the verbs as a day needs them, for `--help`
MORNING = ["demo", "new", "sources", "fetch", "check", "scan", "plan", "brief", "desk"]
ORDER = [*MORNING, "log", "rerank", "review"]
PLACES = {verb: place for place, verb in enumerate(ORDER)}
app.registered_commands.sort(
    key=lambda verb: PLACES.get(str(verb.name or getattr(verb.callback, "__name__", "")), len(ORDER))
)


def main() -> None:
    """Entry point: a user's error is one message and exit code 2; a bug still shows its traceback.

    What a stream cannot write (a degree sign, into a file under an old code page) becomes a question mark.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        app(prog_name=NAME)
    except SearcherError as error:
        typer.echo(f"searcher: {error}", err=True)
        if "--json" in sys.argv:  # a program that reads standard output is told there as well
            typer.echo(json.dumps({"error": str(error), "problems": error.problems}))
        sys.exit(2)
    finally:
        gc.freeze()  # else all there is would be looked through before the process ends, for a quarter second
