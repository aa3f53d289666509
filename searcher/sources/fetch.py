"""Products of the catalogue into a folder: fetched, found there young enough, or failed with one line.

::

    ids ── find ──> products ── ask ──> request ──┬── young enough in the folder ──> cached
        (catalogue)           (asking)            └── griddap, opendap, copernicus, file ──┐
                                                                                           v
                failed <── one line <── check what arrived (arrival) ── place (store) ──> fetched

Several products come at once, each in a thread of its own. None spoils another, and a folder is as it was
where nothing good arrived.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from searcher.errors import NoData, SourceError
from searcher.geo import Region
from searcher.sources.arrival import LOCK, check_arrival, check_kind, sign_file
from searcher.sources.asking import Request, ask_newest, make_request
from searcher.sources.catalogue import Product, find_products, share_of
from searcher.sources.copernicus import fetch_copernicus
from searcher.sources.griddap import fetch_griddap
from searcher.sources.layers import IMAGES, Hours
from searcher.sources.opendap import Curved, cut_dataset, fetch_opendap
from searcher.sources.opening import UNREADABLE, open_raw, why_unreadable
from searcher.sources.store import (
    Record,
    check_place,
    covers,
    find_record,
    hold_folder,
    path_of,
    place,
    under_way,
)
from searcher.sources.tell import tell_box, tell_time
from searcher.sources.web import Progress, Web

AT_ONCE = 4
#: how long Ctrl-C may go unheard, s: on Windows no wait without a limit hears it
SOON = 0.2


@dataclass(frozen=True)
class Fetched:
    """What became of one product. `status` is "fetched", "cached" or "failed".

    `path` is the file to read, also where a new fetch failed and an older file is still there; `retrieved`
    (datetime64, UTC) is when it was fetched, `times` are its valid times. `problem` is one line where it
    failed, `note` what else is to be known (age, hours that are missing).
    """

    product: str
    status: str
    path: Path | None = None
    retrieved: np.datetime64 | None = None
    times: tuple[np.datetime64, ...] = ()
    problem: str = ""
    note: str = ""


@dataclass(frozen=True)
class _Job:
    """What is the same for all products of one call."""

    region: Region
    window: Hours
    folder: Path
    max_age: float | None
    now: np.datetime64
    progress: Progress | None
    web: Web | None = None  # where no server is to be asked


def fetch_products(
    ids: Sequence[str],
    region: Region,
    window: Hours,
    folder: str | os.PathLike[str],
    *,
    offline: bool = False,
    max_age: float | None = None,
    progress: Progress | None = None,
    extra: str | os.PathLike[str] | None = None,
    timeout: float = 30.0,
    tries: int = 4,
    now: np.datetime64 | None = None,
) -> list[Fetched]:
    """Fetch products of the catalogue for a region and a window of time; one `Fetched` for each, in order.

    `window` has `start` and `end` (datetime64, UTC). Files are written to `folder` as ID.nc with a record
    ID.nc.json. A file fetched less than `max_age` seconds ago (default: the product's time step) for the same
    place and hours is not fetched again. `offline` asks no server and gives what is there, with its age.
    `progress` is called with (id, bytes so far, bytes in all or None), from several threads. `extra` is a
    file of own catalogue rows, or a folder with sources.toml. A server may be silent for `timeout` seconds;
    what may pass is tried `tries` times.

    Raises `SourceError` for an unknown id, a faulty file of rows, a folder, proxy or certificates that cannot
    be used; whatever goes wrong with one product is its own `problem`.
    """
    products = find_products(ids, extra=extra)
    now = np.datetime64("now") if now is None else now
    folder = Path(folder)
    if not products:
        return []
    job = _Job(region, window, folder, max_age, now.astype("datetime64[ns]"), progress)
    if offline:
        return [_fetch(product, job) for product in products]
    with (
        Web(timeout=timeout, tries=tries) as web,
        hold_folder(folder),
        ThreadPoolExecutor(min(AT_ONCE, len(products))) as pool,
    ):
        futures = [pool.submit(_fetch, product, replace(job, web=web)) for product in products]
        try:
            while wait(futures, timeout=SOON).not_done:
                pass
            return [future.result() for future in futures]
        except BaseException:
            web.stop.set()  # Ctrl-C: children end now, a transfer with its next piece or the longest silence
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def _fetch(product: Product, job: _Job) -> Fetched:
    record = None
    try:
        request = make_request(product, job.region, job.window, job.now)
        record = find_record(job.folder, product.id)
        if record is not None and (job.web is None or _is_fresh(record, request, job)):
            return _use(record, request, job)
        if job.web is None:
            raise NoData(f"{product.id} is not in {job.folder}", hint="Fetch it while there is a network")
        _check_before(request, job)
        fresh = _bring(request, job, job.web)
    except SourceError as error:
        return _fail(product, record, job, error)
    except OSError as error:  # a full disk, a folder that may not be written: this product's trouble alone
        told = SourceError(f"{product.id} cannot be kept in {job.folder}: {error.strerror or error}")
        return _fail(product, record, job, told)
    return _found("fetched", fresh, request, job)


def _is_fresh(record: Record, request: Request, job: _Job) -> bool:
    """Whether a file need not be fetched again. One of a day to come says that a clock was wrong."""
    if not covers(record, request):
        return False
    longest = request.product.time_step if job.max_age is None else job.max_age
    return longest is None or 0.0 <= record.age(job.now) < longest


def _check_before(request: Request, job: _Job) -> None:
    """What can be told without asking the server."""
    product = request.product
    if share_of(job.region, product.box) == 0.0:
        raise NoData(
            f"{product.id} does not cover the region",
            given=tell_box(job.region),
            expected=tell_box(product.box),
        )
    check_place(job.folder, product.id)


def _bring(request: Request, job: _Job, web: Web) -> Record:
    """Fetch into a file under way, check it, and put it in its place."""
    product = request.product
    part = under_way(job.folder, product.id)

    def tell(done: int, total: int | None) -> None:
        if job.progress is not None:
            job.progress(product.id, done, total)

    tell(0, None)
    if product.protocol == "griddap":
        box = fetch_griddap(request, part, web, tell)
    elif product.protocol == "opendap":
        box = fetch_opendap(request, part, web, latest=_latest(job))
    elif product.protocol == "copernicus":
        box = fetch_copernicus(request, part, web)
    else:
        box = fetch_file(request, part, web, latest=_latest(job), tell=tell)
    times = check_arrival(part, request, box)
    sign_file(part, product)
    size = part.stat().st_size
    record = place(part, job.folder, request, times, job.now)
    tell(size, size)
    return record


def _latest(job: _Job) -> np.datetime64:
    """Runs and files are looked for up to now, for a trip in the past up to its departure."""
    return min(job.now, job.window.start)


def fetch_file(
    request: Request,
    path: Path,
    web: Web,
    *,
    latest: np.datetime64,
    tell: Callable[[int, int | None], None] | None = None,
) -> Region:
    """Write the window of a request, cut from one whole file of a server, to `path`; the box it got.

    Where the address names a time, the newest file that is there is taken.
    """
    product = request.product
    token = os.environ.get(product.token, "") if product.token else ""
    if product.token and not token:
        raise SourceError(
            f"{product.id} needs a bearer token in the environment variable {product.token}",
            hint="Make one in your account with the provider",
        )
    whole = path.with_suffix(".whole.nc")
    ask_newest(product, latest, lambda url: web.download(url, whole, token=token, tell=tell))
    check_kind(whole)
    with LOCK:
        try:
            with open_raw(whole) as data:
                return cut_dataset(data, request, path)
        except Curved:
            whole.replace(path)  # kept whole; the reading of files can make a regular grid of it
            return request.region
        except (*UNREADABLE, ValueError) as error:
            raise SourceError(why_unreadable(whole, error)) from error
        finally:
            whole.unlink(missing_ok=True)


def _use(record: Record, request: Request, job: _Job) -> Fetched:
    if not covers(record, request):
        found = _found("cached", record, request, job)
        return replace(found, note=f"fetched for another place or other hours; {found.note}")
    return _found("cached", record, request, job)


def _found(status: str, record: Record, request: Request, job: _Job) -> Fetched:
    notes = [_tell_age(record, job.now)] if status == "cached" else []
    notes += _tell_gap(record, request, job)
    return Fetched(
        request.product.id,
        status,
        path_of(job.folder, request.product.id),
        np.datetime64(record.retrieved, "ns"),
        record.valid_times(),
        note="; ".join(notes),
    )


def _fail(product: Product, record: Record | None, job: _Job, error: SourceError) -> Fetched:
    problem = " ".join(str(error).split())
    if record is None:
        return Fetched(product.id, "failed", problem=problem)
    return Fetched(
        product.id,
        "failed",
        path_of(job.folder, product.id),
        np.datetime64(record.retrieved, "ns"),
        record.valid_times(),
        problem=problem,
        note=f"the file {_tell_age(record, job.now)} is kept",
    )


def _tell_gap(record: Record, request: Request, job: _Job) -> list[str]:
    """In words, how far the newest time of a file falls short of the trip."""
    times = record.valid_times()
    if not times:
        return []
    is_picture = request.product.field in IMAGES
    needed = job.window.start if is_picture else job.window.end
    short = float((needed - times[-1]) / np.timedelta64(1, "h"))
    if is_picture:
        return [f"newest {short:.0f} h before departure"] if short > 0 else []
    return [f"ends {short:.0f} h before the trip does"] if short > 1 else []


def _tell_age(record: Record, now: np.datetime64) -> str:
    age = record.age(now)
    if age < 0.0:
        return f"fetched on {tell_time(np.datetime64(record.retrieved))} by a clock ahead of this one"
    return f"fetched {age / 60:.0f} min ago" if age < 3600 else f"fetched {age / 3600:.0f} h ago"
