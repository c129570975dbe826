"""Statements of gaps: round trips, the written form, and bytes from nowhere."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.readings import Gap, WhyGone
from edge.uplink.stated_gaps import GapsError, Statement, decode_gaps, encode_gaps

times = st.integers(0, 4 * 10**12)
numbers = st.tuples(st.integers(1, 2**62), st.integers(0, 2**20))


@st.composite
def gaps(draw: st.DrawFn) -> Gap:
    first, more = draw(numbers)
    why = draw(st.sampled_from(WhyGone))
    since, until = draw(st.none() | times), draw(st.none() | times)
    return Gap(first, first + more, why, since, until, draw(times))


@given(st.lists(gaps(), max_size=5))
def test_every_gap_comes_back(stated: list[Gap]) -> None:
    payload = encode_gaps(stated, "ash-creek-2", "9f2c")
    assert decode_gaps(payload) == Statement("ash-creek-2", "9f2c", stated)


def test_the_written_form() -> None:
    gap = Gap(1200, 1399, WhyGone.DROPPED, 1_772_346_600_000, None, 1_772_346_600_001)
    assert json.loads(encode_gaps([gap], "ash-creek-2", "9f2c")) == {
        "station": "ash-creek-2",
        "journal": "9f2c",
        "gaps": [
            {
                "first": 1200,
                "last": 1399,
                "why": "dropped",
                "since": "2026-03-01T06:30:00.000Z",
                "until": None,
                "noted": "2026-03-01T06:30:00.001Z",
            }
        ],
    }


@pytest.mark.parametrize("utc_ms", [-1, 10**18])
def test_a_time_that_no_calendar_has_is_not_known(utc_ms: int) -> None:
    payload = encode_gaps([Gap(1, 2, WhyGone.DAMAGED, utc_ms, utc_ms, 0)], "a", "")
    assert decode_gaps(payload).gaps == [Gap(1, 2, WhyGone.DAMAGED, None, None, 0)]


plain = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5)
FIELDS = ["station", "journal", "gaps", "first", "last", "why", "since", "until", "noted"]


def is_explained(payload: bytes) -> bool:
    try:
        return bool(decode_gaps(payload).station)
    except GapsError as error:
        return bool(str(error))


@given(st.binary(max_size=200) | st.recursive(plain, lambda x: st.lists(x) | st.dictionaries(
    st.sampled_from(FIELDS), x)).map(lambda found: json.dumps(found).encode()))  # fmt: skip
def test_bytes_from_nowhere_are_a_statement_or_an_error_in_words(payload: bytes) -> None:
    assert is_explained(payload)


@given(gaps(), st.sampled_from(FIELDS), plain)
def test_a_statement_with_one_field_spoilt(gap: Gap, name: str, value: object) -> None:
    spoilt = json.loads(encode_gaps([gap], "ash-creek-2", "9f2c"))
    (spoilt if name in spoilt else spoilt["gaps"][0])[name] = value
    assert is_explained(json.dumps(spoilt).encode())


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("station", ""),
        ("journal", 7),
        ("first", True),
        ("first", 0),
        ("last", 1),
        ("last", 2**63),
        ("why", "because"),
        ("since", "2026-03-01T06:30:00"),
        ("noted", None),
    ],
)
def test_what_makes_no_sense_is_refused(name: str, value: object) -> None:
    said = json.loads(encode_gaps([Gap(5, 9, WhyGone.LOST, None, None, 0)], "a", "9f2c"))
    (said if name in said else said["gaps"][0])[name] = value
    with pytest.raises(GapsError):
        decode_gaps(json.dumps(said).encode())
