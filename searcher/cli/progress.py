"""A word on the screen while something takes long; on a terminal a moving line, else one line a step."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def showing_progress(quiet: bool) -> Iterator[Callable[[str], None]]:
    """A function that says which step has begun, with the time it takes; on a terminal as a moving line."""
    if quiet:
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("starting", total=None)

        def step(name: str) -> None:
            progress.update(task, description=name)
            if not console.is_terminal:
                console.print(f"... {name}", highlight=False, markup=False)

        yield step


@contextmanager
def showing_transfers(quiet: bool) -> Iterator:
    """A function for (product, bytes, bytes in all or None), called from several threads; draws bars."""
    from rich.console import Console
    from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeElapsedColumn())
    with Progress(
        *columns, console=console, transient=True, disable=quiet or not console.is_terminal
    ) as bars:
        tasks: dict = {}

        def tell(product: str, done: int, total: int | None) -> None:
            if product not in tasks:
                tasks[product] = bars.add_task(product, total=None)
            bars.update(tasks[product], completed=done, total=total)

        yield tell
