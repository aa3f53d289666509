"""The verb `desk`: a page on this machine alone, for the morning's what-ifs."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from searcher.cli.progress import showing_progress
from searcher.cli.say import print_notes
from searcher.cli.verbs import HERE, AsJson, Folder, Quiet, app, load_trip_sea


@app.command()
def desk(
    folder: Folder = HERE,
    port: Annotated[int, typer.Option(help="Port to listen on; 0 takes a free one.", min=0, max=65535)] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page.")] = True,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Try what-ifs on a page that only this machine can open. The route follows.

    Fuel, hours, bait, target and boxes can be changed; nothing leaves the machine.

    \b
    Example: searcher desk saturday/

    Listens on 127.0.0.1 only, and only whoever has the address with its token may come in. Ctrl-C ends it.
    """
    from searcher.trip import read_trip

    trip = read_trip(folder)
    with showing_progress(quiet or as_json) as step:
        step("reading the data")
        sea, notes = load_trip_sea(trip)
        print_notes(notes)
        from searcher.desk.guard import Served
        from searcher.desk.page import Page
        from searcher.desk.whatif import Desk
        from searcher.desk.wishes import wishes_of
        from searcher.ready import prepare_kernels

        # a port that is taken is told before anything is planned
        served = Served(lambda doc: Page(made, first).fill(doc), port=port)
        prepare_kernels(step)
        step("planning")
        made = Desk(trip, sea)
        first = made.plan(wishes_of(trip))
    if as_json:
        typer.echo(json.dumps({"address": served.address}))
    else:
        typer.echo(served.address if quiet else f"open {served.address}\nCtrl-C ends it.")
    if browser:
        import webbrowser

        webbrowser.open(served.address)
    try:
        served.run()
    except KeyboardInterrupt:
        if not (as_json or quiet):
            typer.echo("ended")
