"""The catalogue: public ocean grids as rows of `catalogue.toml`, and the rows a user adds.

A row says what a product is, where it is served and how to ask for it; nothing in the program knows a
product by name. `catalogue.toml` explains the keys.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
import pandas as pd
from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic import model_validator as model_check

from searcher.errors import SourceError
from searcher.geo import Region, near_longitude
from searcher.sea import NODES

#: what a user calls the file with own rows, in the trip folder
OWN_ROWS = "sources.toml"
PROTOCOLS = ("griddap", "opendap", "copernicus", "file")


def _read_duration(value: object) -> float:
    """Seconds of "24 h", "30 min", "1 d"."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(s|min|h|d)\s*", value) if isinstance(value, str) else None
    if match is None:
        raise ValueError(f'given {value!r}, expected a time with its unit, such as "24 h"')
    return float(match[1]) * {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}[match[2]]


def _check_box(box: Region) -> Region:
    west, south, east, north = box
    if not (west < east <= west + 360 and -90 <= south < north <= 90):
        raise ValueError(f"given {list(box)}, expected [west, south, east, north] in degrees")
    return box


if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

    Node = str  # a type checker wants literals written out
    Protocol = str
else:
    Node, Protocol = Literal[tuple(NODES)], Literal[PROTOCOLS]
Text = Annotated[str, Field(min_length=1)]
Duration = Annotated[float, BeforeValidator(_read_duration)]
Box = Annotated[Region, AfterValidator(_check_box)]


class Product(BaseModel):
    """One public grid. Times in seconds, the grid step and the box in degrees."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_]*$")]
    title: Text
    field: Node
    protocol: Protocol
    address: str = ""
    dataset: Text
    variables: Annotated[tuple[Text, ...], Field(min_length=1)]
    units: tuple[Text, ...]
    beside: tuple[Text, ...] = ()
    grid: Annotated[float, Field(gt=0, le=5)]
    time_step: Duration | None = None
    latency: Duration
    run_step: Duration | None = None
    box: Box
    surface: float | None = None
    licence: Text
    credit: Text
    token: str = ""
    note: str = ""
    checked: Text

    @model_check(mode="after")
    def _check_row(self) -> Product:
        if len(self.units) != len(self.variables):
            raise ValueError(
                f"units: {len(self.units)} given, expected one for each of {len(self.variables)} variables"
            )
        if (self.time_step is None) != (self.field == "depth"):
            raise ValueError("time_step: expected for every field but depth")
        if self.protocol != "copernicus" and not re.match(r"https?://[^/\s]+", self.address):
            raise ValueError(f"address: given {self.address!r}, expected one that begins with https://")
        try:
            self.locate(np.datetime64("2000-01-01"))
        except (KeyError, IndexError, ValueError) as error:
            raise ValueError(
                f"address: only {{dataset}} and {{time:...}} are filled in, given {error}"
            ) from None
        return self

    @property
    def runs(self) -> float | None:
        """Seconds between the runs or files that the address names by time; None where it names no time."""
        return (self.run_step or self.time_step) if "{time" in self.address else None

    def locate(self, time: np.datetime64) -> str:
        """The address, with the time of a run or file filled in."""
        return self.address.format(dataset=self.dataset, time=pd.Timestamp(time))


def read_catalogue(extra: str | os.PathLike[str] | None = None) -> tuple[Product, ...]:
    """All products, those of a user's file included.

    `extra` is a TOML file of rows, or a folder in which `sources.toml` is looked for. A row with the id of a
    built-in product changes the keys it gives. Raises `SourceError` with every fault of the file.
    """
    rows = _built_in()
    path = _own_file(extra)
    if path is None:
        return tuple(_check_rows("catalogue.toml", rows))
    own = _read_rows(path)
    changed = {
        name: {**rows.get(name, {}), **row} if isinstance(row, dict) else row for name, row in own.items()
    }
    products = {product.id: product for product in _check_rows("catalogue.toml", rows)}
    products |= {product.id: product for product in _check_rows(str(path), changed)}
    return tuple(products.values())


def find_products(ids: Sequence[str], *, extra: str | os.PathLike[str] | None = None) -> tuple[Product, ...]:
    """The products of some ids, in their order. Raises `SourceError` naming every id that is not known."""
    known = {product.id: product for product in read_catalogue(extra)}
    wanted = tuple(dict.fromkeys([ids] if isinstance(ids, str) else ids))
    faults = []
    for name in wanted:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            faults.append(
                f"no product {name!r} in the catalogue" + (f", did you mean {near[0]!r}?" if near else "")
            )
    if faults:
        hint = f"  known: {', '.join(known)}"
        raise SourceError.of_problems("products", [*faults[:-1], f"{faults[-1]}\n{hint}"])
    return tuple(known[name] for name in wanted)


def list_products(region: Region, *, extra: str | os.PathLike[str] | None = None) -> list[dict[str, Any]]:
    """A row for each product that covers some of a region, the finest of a field first.

    Keys: id, field, title, protocol, step (°), time_step and latency (s; None for what does not change),
    covers (share of the region, 0..1), licence, credit, note, checked.

    >>> rows = list_products(Region(152.0, -32.0, 156.0, -29.0))
    >>> [(row["id"], row["step"]) for row in rows if row["field"] == "temperature"][:2]
    [('mur', 0.01), ('acspo', 0.02)]
    """
    rows = []
    for product in read_catalogue(extra):
        covers = share_of(region, product.box)
        if covers > 0:
            rows.append(
                {
                    "id": product.id,
                    "field": product.field,
                    "title": product.title,
                    "protocol": product.protocol,
                    "step": product.grid,
                    "time_step": product.time_step,
                    "latency": product.latency,
                    "covers": covers,
                    "licence": product.licence,
                    "credit": product.credit,
                    "note": product.note,
                    "checked": product.checked,
                }
            )
    order = list(NODES)
    return sorted(rows, key=lambda row: (order.index(row["field"]), row["step"]))


def share_of(region: Region, box: Region) -> float:
    """Share of a region (in square degrees) that lies in a box, 0..1, whatever turn its longitudes are in."""
    width = sum(max(east - west, 0.0) for west, east in overlaps(region, box))
    height = max(min(region.north, box.north) - max(region.south, box.south), 0.0)
    area = (region.east - region.west) * (region.north - region.south)
    return min(width * height / area, 1.0) if area > 0 else 0.0


def overlaps(region: Region, box: Region) -> list[tuple[float, float]]:
    """The stretches of longitude, in the turn of `box`, that a region shares with it; west to east as seen
    from the region, so that a region over the seam of the box gives two."""
    near = near_longitude(region.west, (box.west + box.east) / 2) - region.west
    stretches = []
    for turn in (near - 360.0, near, near + 360.0):
        west, east = max(region.west + turn, box.west), min(region.east + turn, box.east)
        if west < east:
            stretches.append((west, east, west - turn))
    return [(west, east) for west, east, _ in sorted(stretches, key=lambda stretch: stretch[2])]


@lru_cache(maxsize=1)
def _built_in() -> dict[str, dict[str, Any]]:
    return tomllib.loads((files("searcher.sources") / "catalogue.toml").read_text(encoding="utf-8"))


def _own_file(extra: str | os.PathLike[str] | None) -> Path | None:
    if extra is None:
        return None
    path = Path(extra)
    if path.is_dir():
        path = path / OWN_ROWS
        return path if path.exists() else None
    return path


def _read_rows(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}", expected="a TOML file of products") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SourceError(f"{path} is not TOML: {error}") from error


def _check_rows(where: str, rows: Mapping[str, object]) -> list[Product]:
    products, faults = [], []
    for name, row in rows.items():
        if not isinstance(row, dict):
            faults.append(f"{name}: given {row!r}, expected a table [{name}] of a product")
            continue
        try:
            products.append(Product(id=name, **row))
        except ValidationError as error:
            faults += [f"[{name}] {_tell_fault(fault)}" for fault in error.errors()]
        except TypeError:
            faults.append(f"[{name}] id: the name of the table is the id, leave this key out")
    if faults:
        raise SourceError.of_problems(where, faults)
    return products


def _tell_fault(fault: ErrorDetails) -> str:
    key = ".".join(str(part) for part in fault["loc"])
    if fault["type"] == "extra_forbidden":
        near = difflib.get_close_matches(key, Product.model_fields, n=1)
        return f"{key}: unknown key" + (f", did you mean {near[0]}?" if near else "")
    if fault["type"] == "missing":
        return f"{key}: missing"
    text = fault["msg"].removeprefix("Value error, ")
    if not key:
        return text
    given = "" if text.startswith("given") else f", given {fault['input']!r}"
    return f"{key}: {text}{given}"
