"""Fetched files in a trip's data folder: whole or not there, known again, and young enough or not.

Beside `mur.nc` stands `mur.nc.json`: what was asked, when, which valid times came, and the size and SHA-256
of the file. By these a file is known as fetched; one that is not, or was changed since, is the user's and is
never written over or removed. Files on their way are `.fetch-*`; only the holder of the folder's lock makes
them, and its children, who leave a second after it, so whoever holds it next may remove what a killed run
left.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from searcher.errors import SourceError
from searcher.geo import Region, near_longitude
from searcher.sources.asking import Request

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

UNDER_WAY = ".fetch-"
#: what is locked on Windows, where a folder cannot be
LOCK_FILE = ".fetch-lock"
#: a request is met by an older one that fell short by no more than this, degrees
NEAR = 1e-6


@dataclass(frozen=True)
class Record:
    """What is known of a fetched file. Times are ISO 8601, UTC; `start` and `end` are what was asked for."""

    product: str
    dataset: str
    address: str
    variables: tuple[str, ...]
    region: Region
    start: str | None
    end: str | None
    retrieved: str
    times: tuple[str, ...]
    size: int
    sha256: str
    replaces: str  # SHA-256 of the file before, which may still be there after a kill
    licence: str
    credit: str

    def is_of(self, digest: str) -> bool:
        """Whether a file with this SHA-256 is one that was fetched."""
        return digest in (self.sha256, self.replaces)

    def valid_times(self) -> tuple[np.datetime64, ...]:
        """The valid times of the file."""
        return tuple(np.datetime64(time, "ns") for time in self.times)

    def age(self, now: np.datetime64) -> float:
        """Seconds since it was fetched."""
        return float((now - np.datetime64(self.retrieved, "ns")) / np.timedelta64(1, "s"))


@contextmanager
def hold_folder(folder: Path) -> Iterator[None]:
    """Make a folder if there is none, hold it alone, and clear what a killed run left under way in it.

    A folder that was made and stayed empty is removed again. Raises `SourceError` where another run holds it.
    """
    is_new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SourceError(
            f"{folder} cannot be made: {error.strerror}", expected="a folder for data"
        ) from error
    with _lock(folder):
        clear_under_way(folder)
        try:
            yield
        finally:
            clear_under_way(folder)
    if is_new and not any(folder.iterdir()):
        folder.rmdir()


@contextmanager
def _lock(folder: Path) -> Iterator[None]:
    """Hold a folder alone, by a lock that ends with the process, however it ends."""
    handle = _open_to_lock(folder)
    try:
        if not _take_lock(handle):
            raise SourceError(f"another fetch is at work in {folder}", hint="Wait for it to end")
        yield
    finally:
        os.close(handle)
        with suppress(OSError):  # another fetch has opened it
            (folder / LOCK_FILE).unlink(missing_ok=True)


def _open_to_lock(folder: Path) -> int:
    """A handle of a folder itself, on Windows of a file in it."""
    if sys.platform != "win32":
        return os.open(folder, os.O_RDONLY)
    try:
        return os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT)
    except OSError as error:
        raise SourceError(f"{folder} takes no file: {error.strerror}") from error


def _take_lock(handle: int) -> bool:
    """Lock a handle; False where another run has it."""
    try:
        if sys.platform == "win32":
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:  # a disk over a network that knows no locks
        pass
    return True


def clear_under_way(folder: Path) -> None:
    """Remove what a run left half done. Hold the folder for this."""
    for path in folder.glob(f"{UNDER_WAY}*"):
        if path.name != LOCK_FILE:
            with suppress(OSError):  # a folder of that name, or a file in use: not ours, or not now
                path.unlink()


def path_of(folder: Path, product: str) -> Path:
    """Where the file of a product stands."""
    return folder / f"{product}.nc"


def under_way(folder: Path, product: str) -> Path:
    """Where the file of a product is made."""
    return folder / f"{UNDER_WAY}{product}.partial.nc"


def find_record(folder: Path, product: str) -> Record | None:
    """The record of a product's file; None where it was never fetched, or the user has put another there."""
    path = path_of(folder, product)
    record = _read_record(_beside(path))
    if record is None or not path.exists() or path.stat().st_size != record.size:
        return None
    return record if digest_of(path) == record.sha256 else None


def check_place(folder: Path, product: str) -> None:
    """Raise `SourceError` where a file that was not fetched stands in the place of a product's file."""
    path = path_of(folder, product)
    if path.exists():
        record = _read_record(_beside(path))
        if record is None or not record.is_of(digest_of(path)):
            raise SourceError(
                f"{path} is not as it was fetched, and is left alone",
                hint="Rename it to keep it, or remove it to have it fetched",
            )


def place(
    part: Path, folder: Path, request: Request, times: Iterable[np.datetime64], now: np.datetime64
) -> Record:
    """Move a checked file to its place, its record first: after a kill in between the old file is known."""
    path = path_of(folder, request.product.id)
    check_place(folder, request.product.id)
    product = request.product
    record = Record(
        product=product.id,
        dataset=product.dataset,
        address=product.address,
        variables=product.variables,
        region=request.region,
        start=_say(request.start),
        end=_say(request.end),
        retrieved=_write(now),
        times=tuple(_write(time) for time in times),
        size=part.stat().st_size,
        sha256=digest_of(part),
        replaces=digest_of(path) if path.exists() else "",
        licence=product.licence,
        credit=product.credit,
    )
    beside = part.with_suffix(".json")
    beside.write_text(json.dumps(asdict(record), indent=1) + "\n", encoding="utf-8")
    for written in (part, beside):
        _settle(written)
    beside.replace(_beside(path))
    part.replace(path)
    return record


def covers(record: Record, request: Request) -> bool:
    """Whether an earlier request asked for all that this one asks for."""
    product, region = request.product, request.region
    same = (record.dataset, record.address) == (product.dataset, product.address)
    if not same or not set(product.variables) <= set(record.variables):
        return False
    held = Region(*record.region)
    turn = near_longitude(region.west, held.centre.lon) - region.west
    inside = (
        held.west <= region.west + turn + NEAR
        and region.east + turn <= held.east + NEAR
        and held.south <= region.south + NEAR
        and region.north <= held.north + NEAR
    )
    if request.start is None or request.end is None:
        return inside
    if record.start is None:
        return False
    first, last = np.datetime64(record.start, "ns"), np.datetime64(record.end, "ns")
    return bool(inside and first <= request.start and request.end <= last)


def digest_of(path: Path) -> str:
    """SHA-256 of a file."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _beside(path: Path) -> Path:
    return path.with_name(f"{path.name}.json")


def _read_record(path: Path) -> Record | None:
    try:
        row = json.loads(path.read_text(encoding="utf-8"))
        row["region"] = Region(*row["region"])
        row["variables"], row["times"] = tuple(row["variables"]), tuple(row["times"])
        return Record(**row)
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _settle(path: Path) -> None:
    """Have a file on the disk before its name says that it is there."""
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def _say(time: np.datetime64 | None) -> str | None:
    return None if time is None else _write(time)


def _write(time: np.datetime64) -> str:
    return str(time.astype("datetime64[s]"))
