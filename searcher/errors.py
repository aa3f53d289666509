"""Errors a user can cause or must know of, as one tree.

::

    SearcherError
    ├── TripError        the trip file says something impossible or unknown
    ├── SeaError         a sea breaks the contract of `searcher.sea`
    ├── TableError       a table breaks the contract of `searcher.tables`
    ├── SourceError      a file or a server did not give what was asked
    │   ├── NoData       it answered, with nothing for this place and time
    │   └── StaleData    it answered, with something too old to steer by
    └── OutOfReach       the boat cannot do what was asked and come home

A message says what was given, what was expected and what to do. The same facts are kept as
attributes: `given`, `expected`, `hint`, and `problems` where several were found at once.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "NoData",
    "OutOfReach",
    "SeaError",
    "SearcherError",
    "SourceError",
    "StaleData",
    "TableError",
    "TripError",
]


class SearcherError(Exception):
    """Base of every error this package raises on purpose."""

    def __init__(
        self,
        message: str,
        *,
        given: object = None,
        expected: object = None,
        hint: str = "",
        problems: Sequence[str] = (),
    ) -> None:
        self.given = given
        self.expected = expected
        self.hint = hint
        self.problems = tuple(problems)
        parts = [message]
        if given is not None:
            parts.append(f"given {given}")
        if expected is not None:
            parts.append(f"expected {expected}")
        text = "; ".join(parts)
        stop = "" if text.endswith("?") else "."
        super().__init__(f"{text}{stop} {hint}" if hint else text)

    @classmethod
    def of_problems(cls, where: str, problems: Sequence[str], *, hint: str = "") -> SearcherError:
        """One error for everything that is wrong with one thing, a line per problem, and what to do below."""
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        lines = "\n".join(f"  - {problem}" for problem in problems)
        error = cls("\n".join(filter(None, [f"{where}: {count}", lines, hint])), problems=problems)
        error.hint = hint
        return error


class TripError(SearcherError):
    """The trip file says something impossible or unknown."""


class SeaError(SearcherError):
    """A sea breaks the contract of `searcher.sea`."""


class TableError(SearcherError):
    """A table breaks the contract of `searcher.tables`."""


class SourceError(SearcherError):
    """A file or a server did not give what was asked."""


class NoData(SourceError):
    """The source answered, with nothing for this place and time."""


class StaleData(SourceError):
    """The source answered, with something too old to steer by."""


class OutOfReach(SearcherError):
    """The boat cannot do what was asked and come home with its reserve."""
