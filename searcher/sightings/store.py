"""The log on disk: `trip.db`, one SQLite table that any program can read.

Every entry is one transaction, on the disk before the call returns (`synchronous=EXTRA` with a rollback
journal: the file system is told to flush the journal, the file and the folder; https://www.sqlite.org/
pragma.html#pragma_synchronous). A process killed at any moment therefore loses at most the entry it was about
to write, and never damages an earlier one (https://www.sqlite.org/atomiccommit.html). Nothing is erased:
what is taken back is marked `deleted`.
"""

from __future__ import annotations

import hashlib
import operator
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from searcher.errors import SearcherError, TableError
from searcher.sightings.entry import TYPED, Sighting, tabulate
from searcher.tables import SIGHTING_KINDS, TROLLED

NAME = "trip.db"
#: of the table below; a file with a greater one was made by a later searcher
VERSION = 1
#: "srch", so that `file` and others can tell whose database it is
APPLICATION = 0x73726368
#: what to do where SQLite will not have a file
WAY_OUT: dict[type[sqlite3.Error], str] = {
    sqlite3.OperationalError: "Is the disk full, or is another program at it? Try again",
    sqlite3.DatabaseError: "Move it away, and the next entry begins a new log; keep it, a SQLite program may "
    "still get entries out of it",
}
#: and where an entry is none: as `take_back` marks it
MEND_IT = "Mend it in a SQLite program, or: UPDATE sightings SET deleted = datetime() WHERE id = {}"
KINDS = ", ".join(f"'{kind}'" for kind in SIGHTING_KINDS)
SCHEMA = f"""
CREATE TABLE sightings (
    id      INTEGER PRIMARY KEY AUTOINCREMENT,
    mark    TEXT NOT NULL UNIQUE,               -- tells entries apart: a file read twice adds none
    entered TEXT NOT NULL,                      -- when it was written here, UTC, ISO 8601
    time    TEXT NOT NULL,                      -- when it was seen; of a stretch, its start; UTC, ISO 8601
    "end"   TEXT NOT NULL,                      -- of a stretch, its end; else the same
    kind    TEXT NOT NULL CHECK (kind IN ({KINDS})),
    count   INTEGER CHECK (count > 0),          -- birds, bites or fish; NULL where not said
    value   REAL,                               -- temperature of the water, °C
    flying  TEXT NOT NULL CHECK (flying IN ('', 'low', 'high')),
    species TEXT NOT NULL,
    depth   REAL CHECK (depth > 0),             -- of the bottom, m
    note    TEXT NOT NULL,
    source  TEXT NOT NULL,                      -- 'typed', 'typed, placed by the plan', or a plotter's file
    place   TEXT NOT NULL,                      -- WKT, longitude latitude, WGS84
    deleted TEXT                                -- when it was taken back, UTC; NULL while it stands
)"""
COLUMNS = ("time", "end", "kind", "count", "value", "flying", "species", "depth", "note", "source", "place")
QUOTED = ", ".join(f'"{name}"' for name in COLUMNS)
AGAIN = "UPDATE sightings SET deleted = NULL, entered = ? WHERE mark = ? AND deleted IS NOT NULL"
INSERT = f"INSERT OR IGNORE INTO sightings (mark, entered, {QUOTED}) VALUES (?, ?{', ?' * len(COLUMNS)})"


class Added(NamedTuple):
    """What became of entries given: how many are new, and how many were in the log already."""

    new: int
    known: int


def log_path(path: str | os.PathLike[str]) -> Path:
    """The log of a trip folder; a path to a file is taken as it is."""
    path = Path(path)
    return path / NAME if path.is_dir() else path


def add_sighting(path: str | os.PathLike[str], sighting: Sighting) -> int:
    """Store one entry in the log of a trip folder (or in a file); return its number.

    When it returns the entry is on the disk. Raises `TableError` where the file cannot be written or
    is no log.
    """
    with _writing(path) as database:
        cursor = database.execute(INSERT, (os.urandom(16).hex(), _now(), *_row(sighting)))
        return int(cursor.lastrowid or 0)


def add_sightings(path: str | os.PathLike[str], sightings: Iterable[Sighting]) -> Added:
    """Store entries read from a plotter's file, all or none; those that are in the log already add nothing.

    Of tracks trolled that overlap in time only the longer stands: one that has grown since it was last read
    takes the place of its own beginning. What was typed stands beside them, whichever is longer.
    """
    new = known = 0
    with _writing(path) as database:
        for sighting in sightings:
            row = _row(sighting)
            if _is_track(sighting) and _is_covered(database, sighting):
                known += 1
                continue
            mark = hashlib.sha256(repr((row[:-2], row[-1])).encode()).hexdigest()[:32]
            added = database.execute(AGAIN, (_now(), mark)).rowcount  # what was taken back may be read again
            added = added or database.execute(INSERT, (mark, _now(), *row)).rowcount
            new, known = new + added, known + 1 - added
    return Added(new, known)


def take_back(path: str | os.PathLike[str]) -> Sighting | None:
    """Mark the last entry that stands as deleted and return it; None where there is none."""
    if not log_path(path).is_file():
        return None
    with _writing(path) as database:
        rows = database.execute(_select("deleted IS NULL ORDER BY id DESC LIMIT 1")).fetchall()
        for number, *_ in rows:
            database.execute("UPDATE sightings SET deleted = ? WHERE id = ?", (_now(), number))
        return next(iter(_entries(rows, log_path(path))), None)


def read_sightings(path: str | os.PathLike[str], *, deleted: bool = False) -> gpd.GeoDataFrame:
    """The entries that stand (or those taken back), by time: `searcher.tables.SIGHTINGS`, and their `id`.

    A folder without a log gives an empty table. Raises `TableError` where the file is no log, and for entries
    that another program made or changed to what none can be.
    """
    rows = []
    if log_path(path).is_file():
        with _open(path) as database:
            if not _is_made(database):
                return tabulate([], id=[])
            state = "NOT NULL" if deleted else "NULL"
            rows = database.execute(_select(f"deleted IS {state} ORDER BY time, id")).fetchall()
    return tabulate(_entries(rows, log_path(path)), id=np.array([row[0] for row in rows], dtype=int))


def _is_track(sighting: Sighting) -> bool:
    return sighting.kind == TROLLED and sighting.source not in TYPED


def _is_covered(database: sqlite3.Connection, track: Sighting) -> bool:
    """Whether a longer track trolled stands at the same time; shorter ones are marked as deleted."""
    others = database.execute(
        'SELECT id, time, "end" FROM sightings WHERE kind = ? AND source NOT IN (?, ?) AND time < ? '
        'AND "end" > ? AND deleted IS NULL',
        (TROLLED, *TYPED, _iso(track.end), _iso(track.time)),
    ).fetchall()
    longest = max((_seconds(start, end) for _, start, end in others), default=-1.0)
    if longest >= track.duration:
        return True
    database.executemany(
        "UPDATE sightings SET deleted = ? WHERE id = ?", [(_now(), number) for number, *_ in others]
    )
    return False


@contextmanager
def _writing(path: str | os.PathLike[str]) -> Iterator[sqlite3.Connection]:
    """A transaction on a log, made where there is none; on the disk when the block ends, or not at all."""
    with _open(path) as database:
        database.execute("BEGIN IMMEDIATE")
        if not _is_made(database):
            database.execute(SCHEMA)
            database.execute(f"PRAGMA user_version = {VERSION}")
            database.execute(f"PRAGMA application_id = {APPLICATION}")
        yield database
        database.execute("COMMIT")


@contextmanager
def _open(path: str | os.PathLike[str]) -> Iterator[sqlite3.Connection]:
    """A connection to a log of ours; an open transaction is rolled back when it closes."""
    file = log_path(path)
    try:
        with closing(sqlite3.connect(file, timeout=10.0, isolation_level=None)) as database:
            database.execute("PRAGMA synchronous = EXTRA")
            (version,) = database.execute("PRAGMA user_version").fetchone()
            tables = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
            if version > VERSION or (tables and ("sightings",) not in tables):
                raise TableError(
                    f"{file} is no log that this version reads",
                    given=f"version {version}",
                    expected=f"a table 'sightings' of version {VERSION}",
                    hint="Move it away, or read it with the version of searcher that made it",
                )
            yield database
    except sqlite3.Error as error:
        raise TableError(
            f"{file} cannot be read or written as a log: {error}",
            hint="Nothing was written. " + WAY_OUT.get(type(error), WAY_OUT[sqlite3.DatabaseError]),
        ) from error


def _is_made(database: sqlite3.Connection) -> bool:
    """Whether the table is there; a file whose making was cut short is empty."""
    return database.execute("PRAGMA user_version").fetchone() != (0,)


def _select(condition: str) -> str:
    return f"SELECT id, {QUOTED} FROM sightings WHERE {condition}"


def _row(sighting: Sighting) -> tuple[Any, ...]:
    """The values of `COLUMNS`; positions to 1e-7°, about a centimetre."""
    number = [None if np.isnan(value) else float(value) for value in (sighting.value, sighting.depth)]
    count = None if sighting.count is None else int(sighting.count)
    place = shapely.to_wkt(sighting.place, rounding_precision=7)
    times = (_iso(sighting.time), _iso(sighting.end))
    said = (sighting.note, sighting.source, place)
    return (*times, sighting.kind, count, number[0], sighting.flying, sighting.species, number[1], *said)


def _entries(rows: Iterable[Sequence[Any]], file: Path) -> list[Sighting]:
    """The entries of rows of `id` and `COLUMNS`; one error that names every odd row."""
    found, problems = [], []
    for number, *row in rows:
        try:
            found.append(_entry(row))
        except SearcherError as error:
            said = "; ".join(error.problems) or str(error)
            problems.append(f"entry {number}: {said}. {MEND_IT.format(number)}")
    if problems:
        raise TableError.of_problems(str(file), problems)
    return found


def _entry(row: Sequence[Any]) -> Sighting:
    """The entry of a row of `COLUMNS`; SearcherError where another program made it what none can be."""
    values = {}
    for name, value in zip(COLUMNS, row, strict=True):
        try:
            values[name] = READ.get(name, str)(value)
        except (ValueError, TypeError, AttributeError, shapely.errors.GEOSException) as error:
            raise SearcherError(f"{name}: {value!r} is not understood") from error
    return Sighting(**values)


def _number(value: Any) -> float:
    return np.nan if value is None else float(value)


def _count(value: Any) -> int | None:
    return None if value is None else operator.index(value)


def _time(value: Any) -> np.datetime64:
    return np.datetime64(value.removesuffix("Z"), "ns")


#: how the values of columns are read that are no text
READ: dict[str, Callable[[Any], Any]] = {
    "time": _time,
    "end": _time,
    "count": _count,
    "value": _number,
    "depth": _number,
    "place": shapely.from_wkt,
}


def _iso(time: np.datetime64 | None) -> str:
    return f"{np.datetime64(time, 's')}Z"  # type: ignore[call-overload]  # numpy's types know no unit here


def _seconds(start: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(start)).total_seconds()


def _now() -> str:
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
