"""Trade words to an entry: in any order, in any case, with numbers and places among them.

What is not understood as kind, number, place or hour becomes the note (of fish: the species).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from searcher.errors import SearcherError
from searcher.tables import (
    BIRDS,
    BITE,
    COLOR_CHANGE,
    DEBRIS,
    FISH,
    NOTHING,
    TEMPERATURE,
    TEMPERATURE_BREAK,
    TROLLED,
    WEED_LINE,
    say_name,
)
from searcher.units import f_to_c, from_unit

#: kind -> what it is called (common practice, no source)
WORDS = {
    WEED_LINE: (*("weed line", "weedline", "weed", "weeds", "sargassum", "grass line", "grass", "wl", "w"),),
    DEBRIS: ("debris", "flotsam", "log", "pallet", "board", "rubbish", "tree", "d"),
    COLOR_CHANGE: (
        *("colour change", "color change", "colour line", "color line", "colour", "color", "cc"),
        *("rip line", "tide rip", "tide line", "rip"),
    ),
    TEMPERATURE_BREAK: ("temperature break", "temp break", "break", "edge", "tb"),
    TEMPERATURE: ("water temperature", "water temp", "temperature", "temp", "sst", "t"),
    BIRDS: ("birds", "bird", "terns", "shearwaters", "gannets", "frigate", "frigates", "b"),
    BITE: (
        *("bite", "bites", "strike", "strikes", "hookup", "hookups", "hook up", "hit", "x"),
        *("lost one", "lost", "missed"),
    ),
    FISH: ("fish", "caught", "boated", "landed", "f"),
    NOTHING: ("nothing", "blank", "none", "no bites", "no bite", "n"),
    TROLLED: ("trolled", "troll"),
}
#: fish said without the word: species -> names
SPECIES = {
    "dolphinfish": ("dolphinfish", "dolphin", "mahi mahi", "mahimahi", "mahi", "dorado", "dollies", "dolly"),
    "yellowfin tuna": ("yellowfin tuna", "yellowfin", "yft"),
    "blackfin tuna": ("blackfin tuna", "blackfin", "bft"),
    "wahoo": ("wahoo", "ono"),
}
FLYING = {"low": ("low", "working", "diving", "frenzy"), "high": ("high", "hi", "very high", "circling")}
NUMERALS = {
    "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8,
    "nine": 9, "ten": 10, "dozen": 12, "twenty": 20,
}  # fmt: skip
#: words that say nothing by themselves
FILLERS = ("a", "an", "at", "in", "of", "the", "and", "with", "from", "to", "on", "flying", "is", "x")
CLOCK = re.compile(
    r"(?<![\w:.])(?:([01]?\d|2[0-3])[:h]([0-5]\d)|([01]\d|2[0-3])([0-5]\d)(?:h|hrs)?)\s*([ap]m)?(?![\w:]|\.\d)",
    re.IGNORECASE,
)
#: a clock time with its date, as it is asked for where a trip has that time on two days
DATED = re.compile(r"(?<![\w-])(\d{4}-\d\d-\d\d)(?:T|\s+)(?=\d{1,2}[:h]?\d\d)", re.IGNORECASE)
WARMTH = re.compile(
    r"(?<![\w.,])(-?\d{1,3}(?:[.,]\d+)?)\s*(?:[°º˚]|deg(?:rees?)?\b\.?)?\s*(C\b|F\b|celsius\b|fahrenheit\b|℃|℉)",
    re.IGNORECASE,
)
#: a length astern or of a line is no depth
DEEP = re.compile(
    r"(?<![\w.])(\d{1,5}(?:\.\d+)?)\s*(m|metres|meters|ft|feet|fathoms?|fm)\b"
    r"(?!\s*(?:back|lines?|long|astern|behind|rope|wide)\b)",
    re.IGNORECASE,
)
#: sizes, weights, ways and ordinals, which count nothing
MEASURED = re.compile(
    r"(?<![\w.])\d+(?:[.,]\d+)?\s*(?:kg|kilos?|lbs?|pounds?|oz|cm|mm|m|metres|meters|ft|feet|nmi?|miles?|kn|kts?|"
    r"knots?|st|nd|rd|th)\b",
    re.IGNORECASE,
)
#: "3x mahi", "mahi x3": so many
TIMES = re.compile(r"(?<!\w)(?:(\d+)x|x(\d+))(?!\w)", re.IGNORECASE)
DEPTH_UNITS = {"metres": "m", "meters": "m", "feet": "ft", "fathoms": "fathom", "fm": "fathom"}
NUMBER = re.compile(r"(?<![\w.:])\d+(?:[.:]\d+)?(?![.:]?\d)")
#: what makes a number a remark: "12kg", "2 boats", but not "710 low"
REMARK = re.compile(r"[^\W\d_]|\s*(?:kg|kilos?|lbs?|pounds?|cm|in|inch(?:es)?)\b")
#: nobody counts more, but birds and what floats, in fifties
MOST_COUNTED = 99
SWARMS = (BIRDS, DEBRIS)
DAY = timedelta(days=1)
#: a clock may be fast by so much
AHEAD = timedelta(minutes=10)


@dataclass
class Said:
    """What a text says: the fields of an entry that were in it, and clock times in order."""

    kind: str
    count: int | None = None
    value: float = np.nan
    flying: str = ""
    species: str = ""
    note: str = ""
    depth: float = np.nan
    clocks: tuple[tuple[int, int] | datetime, ...] = ()


def parse_words(text: str, *, unit: str = "", shortest: int = 1, typed: bool = False) -> Said:
    """What trade words say, a place in them taken out before (`places.find_place`).

    `unit` ("C" or "F") holds for a temperature without one; words of fewer letters than `shortest` name no
    kind. Raises `SearcherError` where there is no kind, or more than one; and where words were `typed` as an
    entry, for a number that says nothing (a time that is none) and for what was not seen ("no weed").
    """
    warmth, deep = WARMTH.search(text), DEEP.search(text)
    rest = DEEP.sub(" ", WARMTH.sub(" ", text))
    clocks, rest = _take_clocks(rest)
    rest = TIMES.sub(r" \1\2 ", rest)
    measured, rest = MEASURED.findall(rest), MEASURED.sub(" ", rest)
    tokens = re.findall(r"-?\d+(?:\.\d+)?|[^\W\d_]+(?:['’-][^\W\d_]+)*", rest.casefold())
    words = {kind: [word for word in said if len(word) >= shortest] for kind, said in WORDS.items()}
    kinds, tokens = _take(tokens, words)
    species, tokens = _take(tokens, SPECIES)
    kinds = kinds or ([FISH] if species else [TEMPERATURE] if warmth else [])
    if len(kinds) != 1 or len(species) > 1:
        raise _no_one_kind(text, species if len(species) > 1 else kinds, tokens)
    said = Said(kinds[0], clocks=clocks, species=species[0] if species else "")
    if warmth:
        given = float(warmth[1].replace(",", "."))
        said.value = given if warmth[2][0].upper() in "C℃" else float(f_to_c(given))
    if deep:
        said.depth = parse_depth(deep[0])
    if said.kind == BIRDS:
        flying, tokens = _take(tokens, FLYING)
        said.flying = flying[0] if flying else ""
    _take_numbers(said, tokens, unit)
    said.note = " ".join(filter(None, (said.note, *measured)))
    if typed:
        _check_typed(said, text, rest)
    return said


def _take_clocks(text: str) -> tuple[tuple[tuple[int, int] | datetime, ...], str]:
    """The clock times of a text in order, those that have a date with it; and the text without them."""
    days = {match.end(): match[1] for match in DATED.finditer(text)}
    text = DATED.sub(lambda match: " " * len(match[0]), text)  # every clock stays where it was
    found = [(days.get(match.start()), _clock(match)) for match in CLOCK.finditer(text)]
    clocks = tuple(clock if day is None else _on_day(day, *clock) for day, clock in found)
    return clocks, CLOCK.sub(" ", text)


def _on_day(day: str, hour: int, minute: int) -> datetime:
    try:
        return datetime.fromisoformat(f"{day} {hour:02d}:{minute:02d}")
    except ValueError as error:
        raise SearcherError("date not understood", given=day, expected="such as 2026-01-17") from error


def _check_typed(said: Said, text: str, rest: str) -> None:
    """Refuse what would be kept as the opposite of what was meant, or under a time that was not."""
    if re.search(r"\b(?:no|without)\b", said.note.casefold() or said.species.casefold()):
        raise SearcherError(
            "an entry says what was seen",
            given=repr(text.strip()),
            expected="the thing that was there, or 'nothing' and the hours of a stretch that was trolled",
            hint="Such as: searcher log nothing 08:10 08:55 box 2. Remarks go in --note",
        )
    if said.kind == TEMPERATURE and np.isnan(said.value):
        raise SearcherError(
            "a temperature needs its figure and unit",
            given=repr(text.strip()),
            expected="such as 24.6C or 76.3F",
        )
    loose = [] if said.kind == TEMPERATURE else _loose_numbers(said, rest)
    odd = (
        said.count is not None
        and said.count > MOST_COUNTED
        and (said.kind not in SWARMS or said.count % 50 != 0)
    )
    if loose or odd:
        raise SearcherError(
            "a number that was not understood",
            given=f"{loose[0] if loose else said.count} in {text.strip()!r}",
            expected="a time as 07:10 or 0710, a count (of fish or bites up to 99), 24.6C, 180 m",
            hint="Remarks with numbers go in --note",
        )


def _loose_numbers(said: Said, rest: str) -> list[str]:
    """Numbers that are neither a count nor part of a remark: "7.10", "710", "26:10", "at 7" are no times."""
    found = []
    for match in NUMBER.finditer(rest):
        number, after = match[0], rest[match.end() :]
        few = len(number) <= 2 and re.match(r"\s+[^\W\d_]", after)
        noted = ":" in number or number in said.note.split()
        hour = said.kind != TEMPERATURE and re.search(r"\bat\s*$", rest[: match.start()], re.IGNORECASE)
        if not few and (hour or (noted and not REMARK.match(after))):
            found.append(number)
    return found


def _take_numbers(said: Said, tokens: list[str], unit: str) -> None:
    """The count (or a temperature without its unit), and what is left as the note."""
    left = []
    for token in tokens:
        number = NUMERALS.get(token)
        if number is None and re.fullmatch(r"\d+", token):
            number = int(token)
        if said.kind == TEMPERATURE and np.isnan(said.value) and unit and _is_number(token):
            said.value = float(token) if unit == "C" else float(f_to_c(float(token)))
        elif number is not None and said.count is None and said.kind in (BIRDS, BITE, FISH, DEBRIS):
            said.count = number
        elif token not in FILLERS:
            left.append(token)
    note = " ".join(left)
    if said.kind == FISH and not said.species:
        said.species, note = note, ""
    said.note = note


def _is_number(token: str) -> bool:
    return re.fullmatch(r"-?\d+(?:\.\d+)?", token) is not None


def _take(tokens: list[str], names: Mapping[str, Sequence[str]]) -> tuple[list[str], list[str]]:
    """What of `names` some tokens say (each once, in order), the longest phrase first; and what is left."""
    phrases = [(phrase.split(), what) for what, said in names.items() for phrase in said]
    phrases.sort(key=lambda item: -len(item[0]))
    found: list[tuple[int, str]] = []
    tokens = list(tokens)
    for words, what in phrases:
        size = len(words)
        for start in range(len(tokens) - size + 1):
            if tokens[start : start + size] == words:
                found.append((start, what))
                tokens[start : start + size] = [""] * size
    ordered = list(dict.fromkeys(what for _, what in sorted(found)))
    return ordered, [token for token in tokens if token]


def _no_one_kind(text: str, kinds: list[str], tokens: list[str]) -> SearcherError:
    names = [words[0] for words in WORDS.values()]
    if kinds:
        return SearcherError(
            "one thing in each entry",
            given=f"{text.strip()!r}, which says {' and '.join(map(say_name, kinds))}",
            expected=f"one of: {', '.join(names)}",
            hint="Make two entries, or put the rest in --note",
        )
    # nothing is what no slip of the hand should turn a fish into
    known = [word for kind, words in WORDS.items() if kind != NOTHING for word in words]
    known += [word for words in SPECIES.values() for word in words]
    near = [close for token in tokens for close in difflib.get_close_matches(token, known, 1, 0.7)]
    return SearcherError(
        "no trade word",
        given=repr(text.strip()),
        expected=f"one of: {', '.join(names)}",
        hint=f"Did you mean {near[0]!r}?" if near else "",
    )


def parse_depth(text: str, *, unit: str = "m") -> float:
    """Depth (m) of "180 m", "600ft" or "100 fathoms"; a number alone is in `unit` ("m", "ft", "fathom")."""
    match = DEEP.fullmatch(text.strip())
    if match:
        name = match[2].casefold()
        return from_unit(float(match[1]), DEPTH_UNITS.get(name, name))
    if _is_number(text.strip()):
        return from_unit(float(text), unit)
    raise SearcherError("depth not understood", given=repr(text), expected="such as 180m, 600ft or 100fm")


def _clock(match: re.Match[str]) -> tuple[int, int]:
    """Hour (0 to 23) and minute of a clock time as it was found."""
    hour, minute = int(match[1] or match[3]), int(match[2] or match[4])
    if match[5] and 1 <= hour <= 12:
        hour = hour % 12 + 12 * (match[5].casefold() == "pm")
    return hour, minute


def parse_clock(text: str) -> tuple[int, int] | datetime:
    """Hour and minute of 08:10, or a moment of "2026-01-17 08:10" (local time unless it says otherwise)."""
    match = CLOCK.fullmatch(text.strip())
    if match:
        return _clock(match)
    try:
        if len(text.strip()) > len("2026-01-17"):
            return datetime.fromisoformat(text.strip())
    except ValueError:
        pass
    raise SearcherError("time not understood", given=repr(text), expected='08:10 or "2026-01-17 08:10"')


def place_clock(
    clock: tuple[int, int] | datetime,
    *,
    timezone: str,
    first: datetime,
    last: datetime,
    now: datetime,
    trip: tuple[datetime, datetime] | None = None,
) -> datetime:
    """The moment (UTC-aware) of a local clock time within `first` to `last`, around the hours of the `trip`.

    At sea (`now` lies between them) it is the latest of that clock time which is not ahead by more than ten
    minutes; afterwards or before, the one nearest the middle. Raises `SearcherError` where there is none, and
    where the trip itself has two.
    """
    zone = ZoneInfo(timezone)
    if isinstance(clock, datetime):
        moments = [clock if clock.tzinfo else clock.replace(tzinfo=zone)]
        given = _say(moments[0], zone)
    else:
        day = first.astimezone(zone).replace(hour=clock[0], minute=clock[1], second=0, tzinfo=None)
        moments = [moment for k in range(-1, 4) for moment in _moments(day + k * DAY, zone)]
        given = f"{clock[0]:02d}:{clock[1]:02d}"
    at_sea = first <= now <= last
    latest = min(last, now + AHEAD) if at_sea else last
    inside = [moment for moment in moments if first <= moment <= latest]
    if not inside:
        raise SearcherError(
            "time outside the trip",
            given=given,
            expected=f"local time from {_say(first, zone)} to {_say(latest, zone)}",
            hint="Give the time it was seen, such as 08:10, or mend [window] in trip.toml",
        )
    begin, end = trip or (first, last)
    own = [moment for moment in inside if begin <= moment <= end]
    if len(own) > 1 and not at_sea:
        raise SearcherError(
            "a time that the trip has on two days",
            given=given,
            expected=f"with the date, such as {own[0].astimezone(zone):%Y-%m-%dT%H:%M}",
        )
    middle = first + (last - first) / 2
    return max(inside) if at_sea else min(inside, key=lambda moment: abs(moment - middle))


def _moments(local: datetime, zone: ZoneInfo) -> list[datetime]:
    """The moments of a local time: two in the night when clocks go back, none where they skip it."""
    both = {local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(moment for moment in both if moment.astimezone(zone).replace(tzinfo=None, fold=0) == local)


def _say(moment: datetime, zone: ZoneInfo) -> str:
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"
