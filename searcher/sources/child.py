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
import threading
import time
import warnings
from collections.abc import Callable
from subprocess import PIPE
from typing import Any

from searcher.errors import SourceError
from searcher.sources.web import Passing

START = """import os, pickle, sys
parent = os.getppid()
sys.path[:] = pickle.load(sys.stdin.buffer)
from searcher.sources.child import work
work(parent)"""
#: a child is asked for its outcome, and asks for its parent, every so often, s
SOON, SELDOM = 0.1, 1.0


def run_child(function: Callable[..., Any], *arguments: Any, limit: float, stop: threading.Event) -> Any:
    """What a module-level function makes of some arguments, both picklable, within `limit` seconds.

    Raises `SourceError` as the function does, and once `stop` is set; `Passing` for errors of the libraries
    beneath.
    """
    job = pickle.dumps(sys.path) + pickle.dumps((function.__module__, function.__qualname__, arguments))
    with subprocess.Popen([sys.executable, "-c", START], stdin=PIPE, stdout=PIPE, stderr=PIPE) as child:
        try:
            said, complaints = _listen(child, job, limit, stop)
        except BaseException:
            child.kill()
            raise
    if child.returncode != 0 or not said:
        last = complaints.decode(errors="replace").strip().splitlines()[-1:]
        raise SourceError(f"the reading of the answer ended with code {child.returncode}: {''.join(last)}")
    kind, value = pickle.loads(said)
    if kind == "done":
        return value
    raise (Passing if kind == "again" else SourceError)(value)


def _listen(
    child: subprocess.Popen[bytes], job: bytes, limit: float, stop: threading.Event
) -> tuple[bytes, bytes]:
    """What a child that was given a job says to the end, on both its outputs."""
    until, given = time.monotonic() + limit, job
    while True:
        try:
            return child.communicate(given, timeout=SOON)
        except subprocess.TimeoutExpired as error:
            given = b""  # it goes on with what it was given
            if stop.is_set():
                raise SourceError("stopped") from error
            if time.monotonic() > until:
                raise SourceError(f"no whole answer within {limit:.0f} s, given up") from error


def work(parent: int) -> None:
    """The child's part: one job from standard input, its outcome to standard output, all else to neither.

    It leaves when its parent is no longer the process `parent`, which has ended then (not so on Windows).
    """
    threading.Thread(target=_leave_with, args=(parent,), daemon=True).start()
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


def _leave_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(SELDOM)
    os._exit(1)


def _one_line(error: Exception) -> str:
    said = getattr(error, "strerror", None) or str(error)
    return " ".join(said.split())[:300]
