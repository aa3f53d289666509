"""Files that appear whole or not at all: written beside their place, then renamed into it."""

from __future__ import annotations

import glob
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from searcher.errors import SearcherError

#: what a trip is called in its folder; here, since the built-in sea writes one and knows nothing of `trip`
TRIP_FILE = "trip.toml"
#: how netCDF begins what it says of a full disk, in a plain RuntimeError
NETCDF = "NetCDF: "
DAY = 86400.0


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A path to write beside `path`; it takes that name if all goes well and is removed if not.

    Of several that write one name at once each has a path of its own, and what ends last stands. Where
    `path` is a link, the file it leads to is replaced. Raises `SearcherError` where there is no folder for
    it, or where it cannot be written.
    """
    path = Path(path)
    if not path.parent.is_dir():
        raise SearcherError(f"no folder {path.parent} to write {path.name} in", hint="Make it first")
    place = Path(os.path.realpath(path))
    _sweep(place)
    partial = place.with_name(f".{place.name}.{os.getpid()}-{os.urandom(4).hex()}.partial")
    try:
        yield partial
        partial.replace(place)
    except OSError as error:
        raise _unwritten(path, error.strerror or str(error)) from error
    except RuntimeError as error:
        if not str(error).startswith(NETCDF):
            raise
        raise _unwritten(path, f"{error}. Is the disk full?") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def _sweep(place: Path) -> None:
    """Remove what runs that were killed while they wrote a file left beside it, a day ago or more."""
    with suppress(OSError):
        for left in place.parent.glob(f".{glob.escape(place.name)}.*.partial"):
            if time.time() - left.stat().st_mtime > DAY:
                left.unlink()


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write UTF-8 text with plain line ends, whole or not at all."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="\n")
    return Path(path)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """A folder and those above it, made where they are not; `SearcherError` where they cannot be."""
    path = Path(path)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SearcherError(f"the folder {path} cannot be made: {error.strerror or error}") from error
    return path


def _unwritten(path: Path, reason: str) -> SearcherError:
    return SearcherError(f"{path} cannot be written: {reason}")
