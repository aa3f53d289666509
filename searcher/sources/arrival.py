"""What arrived, before it becomes a file: is it netCDF, whole, the thing asked for, and believable?"""

from __future__ import annotations

import threading
from pathlib import Path

import netCDF4
import numpy as np

from searcher.errors import NoData, SourceError
from searcher.geo import Region
from searcher.sea import NODES
from searcher.sources.asking import Request
from searcher.sources.axes import share_covered
from searcher.sources.catalogue import Product
from searcher.sources.fields import Field
from searcher.sources.files import read_fields, survey_file
from searcher.sources.opening import KINDS, writing
from searcher.sources.tell import tell_box, tell_time
from searcher.sources.web import find_message

#: the netCDF library is not safe in threads: hold this while it is at work
LOCK = threading.Lock()
#: share of the box asked for that must be there
LEAST_COVER = 0.9


def check_kind(path: Path) -> None:
    """Raise `SourceError`, with the words of the answer, where it is not netCDF at all."""
    with open(path, "rb") as file:
        start = file.read(4096)
    if not start:
        raise SourceError("the answer is empty", expected="a netCDF file")
    if not start.startswith(KINDS):
        said = find_message(start.decode("utf-8", errors="replace"))
        raise SourceError("the answer is not a netCDF file", given=f"'{said}'")


def check_arrival(path: Path, request: Request, box: Region) -> tuple[np.datetime64, ...]:
    """The valid times (datetime64[ns]) of a file that arrived, none where it is static.

    Raises `SourceError` where it is damaged, lacks what was asked for, lies elsewhere in space or time than
    `box` and the hours of the request, or holds values past belief; `NoData` where it holds no value at all.
    """
    with LOCK:
        fields = _find_fields(path, request, box)
        _check_values(path, fields)
    if fields[0].times is None:
        return ()
    times = np.unique(np.concatenate([field.times for field in fields]))
    if request.end is not None and times[0] > request.end + _slack(request):
        raise SourceError(
            "the answer is of other hours than asked",
            given=tell_time(times[0]),
            expected=f"by {tell_time(request.end)}",
        )
    return tuple(times)


def sign_file(path: Path, product: Product) -> None:
    """Write the credit and the licence of a product into its file, where the file names none itself."""
    with LOCK, writing(path), netCDF4.Dataset(path, "a") as data:
        for name, text in (("credit", product.credit), ("license", product.licence)):
            if not str(getattr(data, name, "")).strip():
                data.setncattr(name, text)


def _slack(request: Request) -> np.timedelta64:
    """A server answers with the nearest time it has, which may lie past the end by half a step."""
    return np.timedelta64(round((request.product.time_step or 0.0) * 1e9), "ns")


def _find_fields(path: Path, request: Request, box: Region) -> list[Field]:
    node = request.product.field
    fields, problems, held = survey_file(path, box)
    fields = [field for field in fields if field.choice.node == node]
    ranks = {field.choice.rank for field in fields}
    whole = [
        [field for field in fields if field.choice.rank == rank]
        for rank in sorted(ranks)
        if {field.name for field in fields if field.choice.rank == rank} == set(NODES[node])
    ]
    if not whole:
        raise SourceError(
            "; ".join(problems)
            or f"the answer has no {node}; it has {', '.join(held) or 'no gridded variable'}"
        )
    for field in whole[0]:
        share = 0.0 if field.lat is None or field.lon is None else share_covered(box, field.lat, field.lon)
        if share < LEAST_COVER:
            raise SourceError(
                f"the answer covers {share:.0%} of the box asked for",
                given=tell_box(field.box),
                expected=tell_box(box),
            )
    return whole[0]


def _check_values(path: Path, fields: list[Field]) -> None:
    wanted = [(field, np.arange(1 if field.times is None else field.times.size)) for field in fields]
    try:
        arrays = read_fields(path, wanted, min_quality=0)
    except SourceError as error:
        raise SourceError("; ".join(error.problems)) from error
    for field, values in zip(fields, arrays, strict=True):
        if np.isnan(values).all():
            raise NoData(f"the answer holds no value of {field.variable}: all land, cloud or gap")
