"""The error tree and how its messages read."""

from __future__ import annotations

import pytest

from searcher import errors
from searcher.errors import NoData, OutOfReach, SearcherError, SourceError, StaleData, TableError, TripError


def test_a_message_says_given_expected_and_what_to_do():
    error = TripError("reserve", given=1.5, expected="a share from 0 to 0.9", hint="Change it")
    assert str(error) == "reserve; given 1.5; expected a share from 0 to 0.9. Change it"
    assert (error.given, error.expected, error.hint, error.problems) == (
        1.5,
        "a share from 0 to 0.9",
        "Change it",
        (),
    )


def test_a_given_of_zero_is_said():
    assert str(TripError("tank", given=0, expected="a volume over 0")) == (
        "tank; given 0; expected a volume over 0"
    )


@pytest.mark.parametrize(("problems", "count"), [(["a"], "1 problem"), (["a", "b"], "2 problems")])
def test_several_problems_have_a_line_each(problems, count):
    error = TableError.of_problems("fronts table", problems)
    assert type(error) is TableError
    assert str(error).splitlines() == [f"fronts table: {count}", *(f"  - {text}" for text in problems)]
    assert error.problems == tuple(problems)


def test_one_handler_catches_all():
    for name in errors.__all__:
        assert issubclass(getattr(errors, name), SearcherError)
    with pytest.raises(SearcherError, match="too far"):
        raise OutOfReach("too far")


def test_what_a_source_did_not_give_is_a_source_error():
    assert issubclass(NoData, SourceError)
    assert issubclass(StaleData, SourceError)
    assert not issubclass(NoData, StaleData)


def test_the_tree_in_the_docstring_is_the_tree():
    for name in errors.__all__:
        assert name in errors.__doc__
