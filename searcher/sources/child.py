"""Work for the netCDF library in a process of its own.

The netCDF and HDF5 libraries are not safe in threads, and a request they have under way cannot be given up. A
child can be ended at any moment, and several can run at once.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
import warnings
from collections.abc import Callable
from typing import Any

from searcher.errors import SourceError
from searcher.sources.web import Passing

START = """import pickle, sys
sys.path[:] = pickle.load(sys.stdin.buffer)
from searcher.sources.child import work
work()"""


def run_child(function: Callable[..., Any], *arguments: Any, limit: float) -> Any:
    """What a module-level function makes of some arguments, both picklable, within `limit` seconds.

    Raises `SourceError` as the function does, `Passing` for errors of the libraries beneath.
    """
    job = pickle.dumps(sys.path) + pickle.dumps((function.__module__, function.__qualname__, arguments))
    try:
        done = subprocess.run([sys.executable, "-c", START], input=job, capture_output=True, timeout=limit)
    except subprocess.TimeoutExpired as error:
        raise SourceError(f"no whole answer within {limit:.0f} s, given up") from error
    if done.returncode != 0 or not done.stdout:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
        raise SourceError(f"the reading of the answer ended with code {done.returncode}: {''.join(last)}")
    kind, value = pickle.loads(done.stdout)
    if kind == "done":
        return value
    raise (Passing if kind == "again" else SourceError)(value)


def work() -> None:
    """The child's part: one job from standard input, its outcome to standard output, all else to neither."""
    outcome = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not mix with the outcome
    module, name, arguments = pickle.load(sys.stdin.buffer)
    warnings.simplefilter("ignore")
    try:
        answer = ("done", getattr(importlib.import_module(module), name)(*arguments))
    except SourceError as error:
        answer = ("failed", str(error))
    except (OSError, RuntimeError) as error:
        answer = ("again", _one_line(error))
    except Exception as error:  # whatever a library makes of an answer it does not understand
        answer = ("failed", f"the answer cannot be read: {type(error).__name__}: {_one_line(error)}")
    with outcome:
        pickle.dump(answer, outcome)


def _one_line(error: Exception) -> str:
    said = getattr(error, "strerror", None) or str(error)
    return " ".join(said.split())[:300]
