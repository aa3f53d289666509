"""Species profiles: data with sources, and every fault of a bad one at once."""

from __future__ import annotations

import tomllib
from importlib.resources import files

import numpy as np
import pytest

from searcher.errors import TripError
from searcher.profile import PIECES, SETTINGS, read_profile

TEXT = (files("searcher") / "profiles" / "dolphinfish.toml").read_text(encoding="utf-8")


@pytest.fixture
def write(tmp_path):
    def written(text: str) -> str:
        (tmp_path / "own.toml").write_text(text, encoding="utf-8")
        return "own.toml"

    return written


def test_the_profile_that_comes_along_is_the_file():
    profile, raw = read_profile("dolphinfish"), tomllib.loads(TEXT)
    assert profile.name == "dolphinfish"
    for piece in PIECES:
        assert profile.weight(piece) == raw[piece]["weight"]
        assert profile.spread(piece) == raw[piece]["sd"]
        for key in SETTINGS.get(piece, ()):
            assert profile.setting(piece, key) == raw[piece][key]


def test_every_weight_has_a_spread_and_a_source():
    """No figure without a source, and none that claims to be exact."""
    raw = tomllib.loads(TEXT)
    for section in (*PIECES, "base"):
        assert len(raw[section]["source"]) > 20
        assert raw[section]["sd"] > 0


def test_temperatures_are_those_published():
    """24-28 °C: Marín-Enríquez & Muhlia-Melo 2018, Fish. Bull. 116:9-20 (abstract)."""
    profile = read_profile("dolphinfish")
    assert (profile.setting("temperature", "low"), profile.setting("temperature", "high")) == (24.0, 28.0)


def test_chlorophyll_is_that_published():
    """Mostly below 0.1-0.2 mg/m³: Farrell et al. 2014, Fish. Res. 151:177-190 (abstract)."""
    assert 0.1 <= read_profile("dolphinfish").setting("color", "clear") <= 0.2


def test_a_profile_of_ones_own_beside_the_trip_file(write, tmp_path):
    name = write(TEXT.replace('name = "dolphinfish"', 'name = "my fish"').replace("low = 24.0", "low = 21.5"))
    profile = read_profile(name, tmp_path)
    assert profile.name == "my fish"
    assert profile.setting("temperature", "low") == 21.5
    assert read_profile(str(tmp_path / name)).setting("temperature", "low") == 21.5


def test_every_fault_at_once(write, tmp_path):
    bad = (
        TEXT.replace("low = 24.0", 'low = "warm"')
        .replace("clear = 0.2", "# clear")
        .replace("[depth]", "[deep]")
    )
    with pytest.raises(TripError, match=r"own\.toml: 3 problems") as caught:
        read_profile(write(bad), tmp_path)
    assert sorted(problem.split(":")[0] for problem in caught.value.problems) == [
        "[color] clear",
        "[depth]",
        "[temperature] low",
    ]
    assert "given 'warm', expected a number" in str(caught.value)


def test_a_file_that_is_not_toml(write, tmp_path):
    with pytest.raises(TripError, match=r"own\.toml is not valid TOML: .*line 1"):
        read_profile(write("weight = = 3"), tmp_path)


@pytest.mark.parametrize("species", ["unicorn", "missing.toml"])
def test_an_unknown_species_is_told_which_there_are(species, tmp_path):
    with pytest.raises(TripError, match=rf"no such profile; given {species}.*dolphinfish, .*\.toml file"):
        read_profile(species, tmp_path)


def test_a_section_that_is_a_number_is_a_fault_like_others(write, tmp_path):
    name = write("break = 3\n" + TEXT.replace("[break]", "[broken]"))
    with pytest.raises(TripError, match=r"\[break\]: given 3, expected a section"):
        read_profile(name, tmp_path)


def test_true_is_no_number(write, tmp_path):
    with pytest.raises(TripError, match=r"\[color\] clear: given True"):
        read_profile(write(TEXT.replace("clear = 0.2", "clear = true")), tmp_path)


@pytest.mark.parametrize("value", ["nan", "inf", "-1.0"])
def test_a_spread_must_be_a_size(write, tmp_path, value):
    with pytest.raises(TripError, match=r"\[temperature\] sd: given"):
        read_profile(
            write(TEXT.replace("weight = 1.0\nsd = 0.3", f"weight = 1.0\nsd = {value}", 1)), tmp_path
        )


def test_trips_learned_from_are_a_list_of_texts(write, tmp_path):
    def named(given: str) -> str:
        return write(TEXT.replace('name = "dolphinfish"', f'name = "dolphinfish"\nlearned = {given}'))

    assert read_profile(named('["a1", "b2"]'), tmp_path).learned == ["a1", "b2"]
    assert read_profile(write(TEXT), tmp_path).learned == []
    for given in ("3", '"a1"', "[3]"):
        with pytest.raises(TripError, match=r"learned: given .*, expected a list of texts"):
            read_profile(named(given), tmp_path)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            "[[1.0, 0.2], [0.2, 1.0]]",
            r"correlation: given an array of \(2, 2\), expected 11 rows of 11 numbers",
        ),
        ('"none"', "correlation: "),
        (str((2 * np.eye(11)).tolist()), "correlation: not one of weights that can be"),
        (
            str((1 - 2 * (np.arange(11)[:, None] != np.arange(11))).tolist()),
            "correlation: not one of weights",
        ),
    ],
)
def test_correlations_that_cannot_be(write, tmp_path, given, words):
    text = TEXT.replace('name = "dolphinfish"', f'name = "dolphinfish"\ncorrelation = {given}')
    with pytest.raises(TripError, match=words):
        read_profile(write(text), tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("low = 24.0", "low = 29.0", r"\[temperature\] low: given 29.0, expected no more than high, 28"),
        (
            "low = 24.0",
            "low = 24.0\nread = 2026-01-05",
            r"\[temperature\] read: given 2026-01-05, expected text",
        ),
    ],
)
def test_what_a_plan_could_not_use_is_refused_when_it_is_read(write, tmp_path, old, new, said):
    name = write(TEXT.replace(old, new, 1))
    with pytest.raises(TripError, match=said):
        read_profile(name, tmp_path)


def test_a_profile_as_other_editors_save_it(write, tmp_path):
    name = write(TEXT)
    (tmp_path / name).write_bytes(b"\xef\xbb\xbf" + TEXT.encode())
    assert read_profile(name, tmp_path) == read_profile("dolphinfish")
    (tmp_path / name).write_bytes(TEXT.encode("cp1252", "replace"))
    with pytest.raises(TripError, match=r"own\.toml is not plain text in UTF-8"):
        read_profile(name, tmp_path)
