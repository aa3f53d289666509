"""The verb of the evening: `review`, the plan against the log."""

from __future__ import annotations

import json

import typer

from searcher.cli.say import print_paths
from searcher.cli.verbs import HERE, AsJson, Folder, Quiet, app


@app.command()
def review(folder: Folder = HERE, as_json: AsJson = False, quiet: Quiet = False) -> None:
    """Hold the plan against the log. Lines met, encounters expected and met, how warm the sea was.

    Example: searcher review saturday/

    Writes review.txt, review.png and review.json. With [learn] from_log = true in trip.toml, later plans
    weigh the evidence by the reviewed trips of the season. Nothing leaves the machine.
    """
    from searcher.findings import review_facts, say_review, write_review
    from searcher.keep import open_plan
    from searcher.reviewing import review as review_plan
    from searcher.sightings import read_sightings

    plan = open_plan(folder)
    found = review_plan(plan, read_sightings(folder))
    paths = write_review(found, plan.trip.folder)
    if as_json:
        typer.echo(json.dumps(review_facts(found), indent=1))
    elif not quiet:
        for text in say_review(found):
            typer.echo(text)
        print_paths(paths)
