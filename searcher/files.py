"""Files that appear whole or not at all: written beside their place, then renamed into it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from searcher.errors import SearcherError


@contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[Path]:
    """A path to write beside `path`; it takes that name if all goes well and is removed if not.

    Raises `SearcherError` where there is no folder for it, or where it cannot be written.
    """
    path = Path(path)
    partial = path.with_name(f".{path.name}.partial")
    if not path.parent.is_dir():
        raise SearcherError(f"no folder {path.parent} to write {path.name} in", hint="Make it first")
    try:
        yield partial
        partial.replace(path)
    except OSError as error:
        raise SearcherError(f"{path} cannot be written: {error.strerror or error}") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)


def write_text(path: str | os.PathLike[str], text: str) -> Path:
    """Write UTF-8 text with plain line ends, whole or not at all."""
    with whole_file(path) as partial:
        partial.write_text(text, encoding="utf-8", newline="\n")
    return Path(path)
