"""The log on disk: `trip.db`, one SQLite table that any program can read.

Every entry is one transaction, on the disk before the call returns (`synchronous=EXTRA` with a rollback
journal: the file system is told to flush the journal, the file and the folder; https://www.sqlite.org/
pragma.html#pragma_synchronous). A process killed at any moment therefore loses at most the entry it was about
to write, and never damages an earlier one (https://www.sqlite.org/atomiccommit.html). Nothing is erased:
what is taken back is marked `deleted`.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import shapely

from searcher.errors import TableError
from searcher.sightings.entry import Sighting, tabulate
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

    Of trolled stretches that overlap in time only the longer stands: a track that has grown since it was last
    read takes the place of its own beginning.
    """
    new = known = 0
    with _writing(path) as database:
        for sighting in sightings:
            row = _row(sighting)
            if sighting.kind == TROLLED and _is_covered(database, sighting):
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
        for number, *row in rows:
            database.execute("UPDATE sightings SET deleted = ? WHERE id = ?", (_now(), number))
            return _entry(row)
    return None


def read_sightings(path: str | os.PathLike[str], *, deleted: bool = False) -> gpd.GeoDataFrame:
    """The entries that stand (or those taken back), by time: `searcher.tables.SIGHTINGS`, and their `id`.

    A folder without a log gives an empty table. Raises `TableError` where the file is no log.
    """
    rows = []
    if log_path(path).is_file():
        with _open(path) as database:
            if not _is_made(database):
                return tabulate([], id=[])
            state = "NOT NULL" if deleted else "NULL"
            rows = database.execute(_select(f"deleted IS {state} ORDER BY time, id")).fetchall()
    return tabulate([_entry(row[1:]) for row in rows], id=np.array([row[0] for row in rows], dtype=int))


def _is_covered(database: sqlite3.Connection, stretch: Sighting) -> bool:
    """Whether a longer trolled stretch stands at the same time; shorter ones are marked as deleted."""
    others = database.execute(
        "SELECT id, time, \"end\" FROM sightings WHERE kind = ? AND source <> 'typed' AND time < ? "
        'AND "end" > ? AND deleted IS NULL',
        (TROLLED, _iso(stretch.end), _iso(stretch.time)),
    ).fetchall()
    longest = max((_seconds(start, end) for _, start, end in others), default=-1.0)
    if longest >= stretch.duration:
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


def _entry(row: Sequence[Any]) -> Sighting:
    """The entry of a row of `COLUMNS`."""
    values = dict(zip(COLUMNS, row, strict=True))
    values["place"] = shapely.from_wkt(values["place"])
    for name in ("time", "end"):
        values[name] = np.datetime64(values[name].removesuffix("Z"), "ns")
    for name in ("value", "depth"):
        values[name] = np.nan if values[name] is None else values[name]
    return Sighting(**values)


def _iso(time: np.datetime64 | None) -> str:
    return f"{np.datetime64(time, 's')}Z"  # type: ignore[call-overload]  # numpy's types know no unit here


def _seconds(start: str, end: str) -> float:
    return (datetime.fromisoformat(end) - datetime.fromisoformat(start)).total_seconds()


def _now() -> str:
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
