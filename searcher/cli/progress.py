"""A word on the screen while something takes long; on a terminal a moving line, else one line a step."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import typer

READING, DRAWING, WRITING = "reading the data", "drawing the map and writing the page", "writing"
PLANNING = {READING: 2.0, "reach": 0.5, "fronts": 2.0, "boxes": 2.0, "route": 4.0}
#: seconds that the steps of a verb take on a laptop, in their order, until it has run on this machine
USUAL = {
    "demo": {"making an invented sea off a real coast": 6.0, **PLANNING, DRAWING: 6.0},
    "brief": {**PLANNING, DRAWING: 6.0},
    "plan": {**PLANNING, WRITING: 0.5},
}
#: the first run on a machine says so itself, and is no measure of the next
FIRST_USE = "preparing for first use"
#: less than this is not worth a word, s
SHORTEST = 2.0
#: a machine is taken to be so much faster or slower than known, at most
FASTEST, SLOWEST = 0.2, 5.0


class Stages:
    """The steps of a run: how long each took, and from those of the last run how long is left."""

    def __init__(self, known: Mapping[str, float], clock: Callable[[], float] = time.monotonic):
        self.known = dict(known)
        self.clock = clock
        self.taken: dict[str, float] = {}
        self.name = ""
        self.begun = clock()

    def begin(self, name: str) -> None:
        """Note that a step begins, and so the one before has ended; "" at the end of all."""
        now = self.clock()
        if self.name:
            self.taken[self.name] = self.taken.get(self.name, 0.0) + now - self.begun
        self.name, self.begun = name, now

    def left(self) -> float | None:
        """Seconds that are likely left; None where the step under way is not known."""
        if self.name not in self.known:
            return None
        names = list(self.known)
        ahead = sum(
            self.known[name] for name in names[names.index(self.name) + 1 :] if name not in self.taken
        )
        pace = self.pace()
        return max(pace * self.known[self.name] - (self.clock() - self.begun), 0.0) + pace * ahead

    def pace(self) -> float:
        """How slow this run is beside what is known, by the steps that are done."""
        done = [name for name in self.taken if name in self.known]
        usual, taken = sum(self.known[name] for name in done), sum(self.taken[name] for name in done)
        return min(max(taken / usual, FASTEST), SLOWEST) if usual > 0 else 1.0

    def learned(self) -> dict[str, float]:
        """What this run teaches of the next."""
        return {name: round(spent, 2) for name, spent in self.taken.items() if not name.startswith(FIRST_USE)}


def say_left(seconds: float | None) -> str:
    """Time left, as coarse as it is known: about 40 s left; "" where it is not known or nearly none."""
    if seconds is None or seconds < SHORTEST:
        return ""
    if seconds < 90:
        return f"about {max(round(seconds / 5) * 5, 2)} s left"
    return f"about {round(seconds / 60)} min left"


@contextmanager
def showing_progress(quiet: bool) -> Iterator[Callable[[str], None]]:
    """A function that says which step has begun; on a terminal as a moving line with the time left."""
    verb = running_verb()
    stages = Stages(recall(verb))
    if quiet:
        yield stages.begin
    else:
        with _drawing(stages) as step:
            yield step
    stages.begin("")
    remember(verb, stages.learned())


@contextmanager
def _drawing(stages: Stages) -> Iterator[Callable[[str], None]]:
    from rich.console import Console
    from rich.progress import Progress, ProgressColumn, SpinnerColumn, TextColumn, TimeElapsedColumn
    from rich.text import Text

    class TimeLeft(ProgressColumn):
        def render(self, _: object) -> Text:
            return Text(say_left(stages.left()))

    console = Console(stderr=True)
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn(), TimeLeft())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("starting", total=None)

        def step(name: str) -> None:
            stages.begin(name)
            progress.update(task, description=name)
            if not console.is_terminal:
                console.print(f"... {name}", highlight=False, markup=False)

        yield step


def running_verb() -> str:
    """The verb on the command line; "" where there is none."""
    words = [word for word in sys.argv[1:] if not word.startswith("-")]
    return words[0] if words and words[0].isalpha() else ""


def times_path() -> Path:
    """Where the times of the last runs are kept, in the place this system has for such things."""
    return Path(typer.get_app_dir("searcher")) / "times.json"


def recall(verb: str) -> dict[str, float]:
    """Seconds each step of a verb took when it last ran here, else usually."""
    with suppress(OSError, ValueError, TypeError, AttributeError, KeyError):
        times = json.loads(times_path().read_text(encoding="utf-8"))[verb]
        return {str(name): float(spent) for name, spent in times.items()}
    return USUAL.get(verb, {})


def remember(verb: str, taken: Mapping[str, float]) -> None:
    """Keep the times of a run; where that cannot be done nothing is lost."""
    from searcher.errors import SearcherError
    from searcher.files import write_text

    if not verb or sum(taken.values()) < SHORTEST:
        return
    path, times = times_path(), {}
    with suppress(OSError, ValueError):
        times = json.loads(path.read_text(encoding="utf-8"))
    with suppress(OSError, SearcherError):
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = times if isinstance(times, dict) else {}
        write_text(path, json.dumps(kept | {verb: dict(taken)}, indent=1) + "\n")


@contextmanager
def showing_transfers(quiet: bool) -> Iterator[Callable[[str, int, int | None], None]]:
    """A function for (product, bytes, bytes in all or None), called from several threads; draws bars."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        Progress,
        TaskID,
        TextColumn,
        TimeElapsedColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        DownloadColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(
        *columns, console=console, transient=True, disable=quiet or not console.is_terminal
    ) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(product: str, done: int, total: int | None) -> None:
            if product not in tasks:
                tasks[product] = bars.add_task(product, total=None)
            bars.update(tasks[product], completed=done, total=total)

        yield tell
