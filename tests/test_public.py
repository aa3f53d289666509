"""The names people build on, with their parameters and defaults, as promised in `public_api.txt`.

The file is the promise and the code is checked against it. To change the promise on purpose, write the file
anew, look at what changed in it, and keep it with the change::

    python tests/test_public.py
"""

from __future__ import annotations

import difflib
import inspect
import re
from pathlib import Path

import pytest

import searcher

PROMISED = Path(__file__).parent / "public_api.txt"
ON_PURPOSE = (
    "The public interface is no longer what tests/public_api.txt promises. If that is not meant, change the "
    "code back: others call it so. If it is meant, run `python tests/test_public.py` and keep the new file "
    "with the change."
)
#: what a number may be measured in, or counted as, in a docstring
UNIT = re.compile(
    r"(?<![\w/'])(m|s|L|1/s|m/s|°C?|degrees|metres|seconds|inches|hours?|days|share|per hour|counts?|times"
    r"|relative|encounters)(?!\w)",
    re.IGNORECASE,
)
#: how far from a parameter's name its unit may stand, characters
NEAR = 160


def call_of(value: object) -> str:
    """Parameters and defaults of something that can be called, without annotations: `(trip, *, at=None)`."""
    signature = inspect.signature(value)
    plain = [each.replace(annotation=inspect.Parameter.empty) for each in signature.parameters.values()]
    return str(signature.replace(parameters=plain, return_annotation=inspect.Signature.empty))


def public_lines() -> list[str]:
    """A line for every public name, and for every public method and property of the public classes."""
    lines = []
    for name in searcher.__all__:
        value = getattr(searcher, name)
        lines.append(f"{name}{call_of(value)}")
        if inspect.isclass(value):
            for member in sorted(vars(value)):
                held = inspect.getattr_static(value, member)
                if member.startswith("_"):
                    continue
                if inspect.isfunction(held):
                    lines.append(f"{name}.{member}{call_of(held)}")
                elif isinstance(held, property):
                    lines.append(f"{name}.{member}")
    return lines


def unmeasured(name: str, value: object) -> list[str]:
    """Parameters that are fractional numbers and whose unit the docstring does not give near their name.

    Of a class, the comments beside its fields count as well.
    """
    words = inspect.getsource(value) if inspect.isclass(value) else inspect.getdoc(value) or ""
    text = " ".join(words.split())
    faults = []
    for parameter in inspect.signature(value).parameters.values():
        if not re.match(r"float\b", str(parameter.annotation)):
            continue
        places = [match.start() for match in re.finditer(rf"\b{parameter.name}\b", text)]
        if not any(UNIT.search(text[max(0, at - NEAR) : at + NEAR]) for at in places):
            faults.append(f"{name}: {parameter.name}")
    return faults


def test_promise_is_kept():
    was, now = PROMISED.read_text(encoding="utf-8").splitlines(), public_lines()
    change = "\n".join(difflib.unified_diff(was, now, "promised", "found", lineterm="", n=0))
    assert not change, f"{ON_PURPOSE}\n{change}"


@pytest.mark.parametrize("name", searcher.__all__)
def test_public_names_are_documented(name):
    value = getattr(searcher, name)
    own = value.__doc__ or ""
    # a dataclass without a docstring is given one that only repeats its signature
    assert own.strip(), f"searcher.{name} has no docstring"
    assert not own.startswith(f"{name}("), f"searcher.{name} has no docstring"
    assert not unmeasured(name, value), "give the unit of these numbers beside their names in the docstring"


def test_the_check_bites():
    def bare(distance: float, *, at=None):
        """Something with a distance, of which nothing more is said."""

    def measured(distance: float):
        """Something with a distance (m)."""

    assert call_of(bare) == "(distance, *, at=None)"
    assert unmeasured("bare", bare) == ["bare: distance"]
    assert unmeasured("measured", measured) == []


if __name__ == "__main__":
    PROMISED.write_text("".join(f"{line}\n" for line in public_lines()), encoding="utf-8")
