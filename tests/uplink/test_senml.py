"""Packs: RFC 8428's own examples, exact round trips, and bytes from nowhere."""

import json
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.readings import Journalled
from edge.status import Quality, Reason
from edge.uplink.senml import SenmlError, decode, encode, resolve

UNITS = {"level": "m", "head": "Pa", "flow.total": "m3", "battery": "V", "spare": ""}
GOOD, UNCERTAIN, BAD = (
    [reason for reason in Reason if reason.quality is quality] for quality in Quality
)


def records(payload: bytes) -> list[dict[str, object]]:
    return json.loads(payload)


# Most journals look regular: channels take turns. Some look like anything at all.
values = st.one_of(
    st.tuples(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(GOOD + UNCERTAIN)),
    st.tuples(st.none(), st.sampled_from(BAD)),
)
steps = st.one_of(st.just(1), st.integers(1, 50))


@st.composite
def journals(draw: st.DrawFn) -> list[Journalled]:
    seq = draw(st.integers(1, 2**40))
    rows = []
    for _ in range(draw(st.integers(1, 40))):
        value, reason = draw(values)
        series = draw(st.sampled_from(sorted(UNITS)))
        utc_ms = draw(
            st.one_of(st.integers(1_700_000_000_000, 1_700_000_900_000), st.integers(0, 4 * 10**12))
        )
        rows.append(Journalled(seq, series, utc_ms, value, reason))
        seq += draw(steps)
    return rows


@given(journals())
def test_every_reading_comes_back_exactly(readings: list[Journalled]) -> None:
    pack = decode(encode(readings, "ash:creek-2", UNITS, "9f2c"))
    assert pack.readings == readings
    assert pack.journal == "9f2c"
    assert (pack.station, pack.first, pack.last) == (
        "ash:creek-2",
        readings[0].seq,
        readings[-1].seq,
    )
    for sent, received in zip(readings, pack.readings, strict=True):
        if sent.value is not None:
            assert isinstance(received.value, float)
            assert math.copysign(1, sent.value) == math.copysign(1, received.value)


@given(journals())
def test_general_readers_find_name_unit_time_and_value(readings: list[Journalled]) -> None:
    found = {
        (one["n"], one.get("u", ""), round(one["t"] * 1000), one.get("v"))
        for one in resolve(records(encode(readings, "ash-creek-2", UNITS)))
    }
    assert found == {
        (f"ash-creek-2:{r.series}", UNITS[r.series], r.utc_ms, r.value) for r in readings
    }


@given(st.binary(max_size=400))
def test_bytes_from_nowhere_are_an_error_in_words(payload: bytes) -> None:
    with pytest.raises(SenmlError):
        decode(payload)


LABELS = ["bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "t", "v", "vs", "s", "st"]
LABELS += ["seq", "step", "first", "last", "journal"]
texts = st.sampled_from(["", "a:b", "m", "open-loop", "saturated-low", "9:", "\ud800"])
plain = st.none() | st.booleans() | st.integers() | st.floats() | texts
json_values = plain | st.lists(plain, max_size=2) | st.dictionaries(texts, plain, max_size=2)


def is_explained(payload: bytes) -> bool:
    """Tell whether bytes are read as a pack or else refused in words."""
    try:
        return bool(decode(payload).readings)
    except SenmlError as error:
        return bool(str(error))


@given(st.lists(st.dictionaries(st.sampled_from(LABELS), json_values, max_size=9), max_size=4))
def test_json_from_nowhere_is_a_pack_or_an_error_in_words(found: list[dict[str, object]]) -> None:
    assert is_explained(json.dumps(found).encode())


@given(journals(), st.data())
def test_a_pack_with_one_field_spoilt_is_a_pack_or_an_error_in_words(
    readings: list[Journalled], data: st.DataObject
) -> None:
    spoilt = records(encode(readings, "ash-creek-2", UNITS))
    record = data.draw(st.sampled_from(spoilt))
    record[data.draw(st.sampled_from(LABELS))] = data.draw(json_values)
    assert is_explained(json.dumps(spoilt).encode())


# ------------------------------------------------------------------------------ the written form


def regular(rounds: int, series: tuple[str, ...] = ("level", "head")) -> list[Journalled]:
    rows = []
    for number in range(rounds * len(series)):
        turn, place = divmod(number, len(series))
        utc_ms = 1_772_346_600_000 + 60_000 * turn
        rows.append(Journalled(1 + number, series[place], utc_ms, number / 8, Reason.OK))
    return rows


def test_a_pack_is_channel_major_and_says_shared_things_once() -> None:
    assert encode(regular(3), "ash-creek-2", UNITS).decode() == (
        '[{"first":1,"last":6,"bn":"ash-creek-2:level","bt":1772346600,"bu":"m","seq":1,"step":2,'
        '"v":0},{"t":60,"v":0.25},{"t":120,"v":0.5},'
        '{"bn":"ash-creek-2:head","bt":1772346600,"bu":"Pa","seq":2,"step":2,'
        '"v":0.125},{"t":60,"v":0.375},{"t":120,"v":0.625}]'
    )


def test_a_break_in_the_numbers_costs_one_field() -> None:
    rows = [row for row in regular(5) if row.seq not in {5, 6}]
    written = records(encode(rows, "ash-creek-2", UNITS))
    assert [record.get("seq") for record in written] == [1, None, 7, None, 2, None, 8, None]
    assert [record.get("step") for record in written] == [2, None, None, None, 2, None, None, None]


def test_status_on_the_wire() -> None:
    rows = [
        Journalled(7, "level", 1_772_346_600_250, 1.5, Reason.SATURATED_LOW),
        Journalled(8, "level", 1_772_346_601_000, None, Reason.OPEN_LOOP),
    ]
    uncertain, bad = records(encode(rows, "ash-creek-2", UNITS))
    assert {key: uncertain[key] for key in ("t", "v", "st")} == {
        "t": 0.25,
        "v": 1.5,
        "st": "saturated-low",
    }
    assert bad == {"t": 1, "vs": "open-loop"}


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan, None])
def test_no_number_is_made_up_for_a_value_that_is_none(value: float | None) -> None:
    rows = [Journalled(1, "level", 0, value, Reason.OK)]
    (received,) = decode(encode(rows, "a", UNITS)).readings
    assert (received.value, received.reason) == (None, Reason.NOT_A_NUMBER)


def test_a_bad_reading_goes_without_its_number() -> None:
    rows = [Journalled(1, "level", 0, 4.0, Reason.OPEN_LOOP)]
    assert "v" not in records(encode(rows, "a", UNITS))[0]


def test_a_series_without_unit_does_not_inherit_one() -> None:
    rows = [
        Journalled(1, "level", 0, 1.0, Reason.OK),
        Journalled(2, "unheard-of", 0, 1.0, Reason.OK),
        Journalled(3, "spare", 0, 1.0, Reason.OK),
    ]
    found = {one["n"]: one.get("u") for one in resolve(records(encode(rows, "a", UNITS)))}
    assert found == {"a:level": "m", "a:unheard-of": None, "a:spare": None}


@pytest.mark.parametrize(
    ("value", "written"),
    [(13.0, b"13"), (-2.0, b"-2"), (0.1, b"0.1"), (-0.0, b"-0.0"), (1e22, b"1e+22")],
)
def test_numbers_are_written_short_and_exact(value: float, written: bytes) -> None:
    payload = encode([Journalled(1, "level", 0, value, Reason.OK)], "a", {})
    assert payload.endswith(b'"v":' + written + b"}]")


def test_a_regular_hour_is_small() -> None:
    """Four channels, an hour: with base fields about 22 bytes a reading, against 43 without."""
    noise = random.Random(5)
    rows = [
        row._replace(value=round(noise.uniform(0, 100), 3))
        for row in regular(60, ("level", "head", "flow.total", "battery"))
    ]
    assert len(encode(rows, "ash-creek-2", UNITS)) / len(rows) < 23


def test_an_empty_pack_is_not_written() -> None:
    with pytest.raises(ValueError, match="at least one reading"):
        encode([], "ash-creek-2", UNITS)


# ----------------------------------------------------------------------------- what is malformed

ONE = {"bn": "a:level", "bt": 1772346600, "bu": "m", "first": 1, "last": 1, "seq": 1, "v": 1}


def test_the_pattern_of_the_malformed_cases_is_itself_well_formed() -> None:
    assert decode(json.dumps([ONE]).encode()).readings == [
        Journalled(1, "level", 1_772_346_600_000, 1.0, Reason.OK)
    ]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"bn": "level"}, "id of one station"),
        ({"bn": ":level"}, "not a SenML name"),
        ({"bn": "a:le vel"}, "not a SenML name"),
        ({"bn": 3}, "'bn' is not a text"),
        ({"bt": "now"}, "'bt' is not a number"),
        ({"bt": True}, "'bt' is not a number"),
        ({"bt": 10**400}, "'bt' is not a number, or too large"),
        ({"t": 1e300}, "no time of a measurement"),
        ({"v": "7"}, "'v' is not a number"),
        ({"v": 1e999}, "'v' is not a number, or too large"),
        ({"bv": 1.5e308, "v": 1.5e308}, "'v' is not a number, or too large"),
        ({"vs": "open-loop"}, "neither a number nor a text, or both"),
        ({"st": "open-loop"}, "no reason known here"),
        ({"st": "tired"}, "no reason known here"),
        ({"seq": 0}, "'seq' is not a positive whole number"),
        ({"seq": 1.0}, "'seq' is not a positive whole number"),
        ({"seq": True}, "'seq' is not a positive whole number"),
        ({"seq": 2**63, "last": 2**63}, "'seq' is not a positive whole number"),
        ({"step": -1}, "'step' is not a positive whole number"),
        ({"seq": 2}, "outside the pack's range"),
        ({"first": 2, "last": 2}, "outside the pack's range"),
        ({"first": None}, "'first' is not a positive whole number"),
        ({"bver": 11}, "newer than 10"),
        ({"must_": 1}, "must be understood"),
    ],
)
def test_malformed_fields_are_named(change: dict[str, object], why: str) -> None:
    with pytest.raises(SenmlError, match=why):
        decode(json.dumps([ONE | change]).encode())


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b"", "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"[" + b"9" * 5000 + b"]", "not JSON"),
        (b"{}", "not a JSON array"),
        (b"[]", "not a JSON array"),
        (b"[1]", "not an array of JSON objects"),
    ],
)
def test_what_is_no_array_of_objects_is_explained(payload: bytes, why: str) -> None:
    with pytest.raises(SenmlError, match=why):
        decode(payload)


@pytest.mark.parametrize(
    ("second", "why"),
    [
        ({"v": 2}, "cannot be told"),
        ({"bn": "b:level", "seq": 2, "v": 2}, "one station"),
        ({"seq": 2}, "neither a number"),
    ],
)
def test_malformed_second_records_are_explained(second: dict[str, object], why: str) -> None:
    with pytest.raises(SenmlError, match=why):
        decode(json.dumps([ONE | {"last": 2}, second]).encode())


def test_a_first_record_without_a_number_is_explained() -> None:
    unnumbered = {key: value for key, value in ONE.items() if key != "seq"}
    with pytest.raises(SenmlError, match="cannot be told"):
        decode(json.dumps([unnumbered]).encode())


# ----------------------------------------------------------------------- RFC 8428's own examples


def test_multiple_measurements_of_the_rfc_resolve_as_printed_there() -> None:
    """RFC 8428, section 5.1.3, and its resolved form in section 5.1.4."""
    name = "urn:dev:ow:10e2073a01080063"
    pack = json.loads(
        """[
        {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},
        {"u":"lat","v":60.07965},
        {"t":60,"v":20.3},
        {"u":"lon","t":60,"v":24.30622},
        {"u":"lat","t":60,"v":60.07965},
        {"t":120,"v":20.7},
        {"u":"lon","t":120,"v":24.30623},
        {"u":"lat","t":120,"v":60.07966},
        {"u":"%EL","t":150,"v":98},
        {"t":180,"v":21.2},
        {"u":"lon","t":180,"v":24.30628},
        {"u":"lat","t":180,"v":60.07967}]"""
    )
    printed = [
        ("%RH", 1.320067464e9, 20),
        ("lon", 1.320067464e9, 24.30621),
        ("lat", 1.320067464e9, 60.07965),
        ("%RH", 1.320067524e9, 20.3),
        ("lon", 1.320067524e9, 24.30622),
        ("lat", 1.320067524e9, 60.07965),
        ("%RH", 1.320067584e9, 20.7),
        ("lon", 1.320067584e9, 24.30623),
        ("lat", 1.320067584e9, 60.07966),
        ("%EL", 1.320067614e9, 98),
        ("%RH", 1.320067644e9, 21.2),
        ("lon", 1.320067644e9, 24.30628),
        ("lat", 1.320067644e9, 60.07967),
    ]
    assert resolve(pack) == [{"n": name, "u": u, "t": t, "v": v} for u, t, v in printed]


def test_several_names_and_times_before_the_base_time() -> None:
    """RFC 8428, section 5.1.2: current at a time and at each second for the 5 seconds before."""
    pack = json.loads(
        """[
        {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
         "n":"voltage","u":"V","v":120.1},
        {"n":"current","t":-5,"v":1.2},
        {"n":"current","v":1.7}]"""
    )
    base = "urn:dev:ow:10e2073a0108006:"
    assert resolve(pack) == [
        {"n": base + "voltage", "u": "V", "t": 1276020076.001, "v": 120.1},
        {"n": base + "current", "u": "A", "t": 1276020071.001, "v": 1.2},
        {"n": base + "current", "u": "A", "t": 1276020076.001, "v": 1.7},
    ]


def test_texts_booleans_and_data_have_no_value() -> None:
    """RFC 8428, section 5.1.5."""
    pack = json.loads(
        """[
        {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
        {"n":"label","vs":"Machine Room"},
        {"n":"open","vb":false},
        {"n":"nfc-reader","vd":"aGkgCg"}]"""
    )
    base = "urn:dev:ow:10e2073a01080063:"
    assert resolve(pack) == [
        {"n": base + "temp", "u": "Cel", "t": 0, "v": 23.1},
        {"n": base + "label", "t": 0, "vs": "Machine Room"},
        {"n": base + "open", "t": 0, "vb": False},
        {"n": base + "nfc-reader", "t": 0, "vd": "aGkgCg"},
    ]


def test_base_value_and_base_sum_are_added() -> None:
    """RFC 8428, section 4.5.4: a missing one of the two counts as zero."""
    pack = [{"bn": "a", "bv": 10, "bs": 5, "v": 1}, {"s": 2}, {"vs": "x"}]
    assert resolve(pack) == [
        {"n": "a", "t": 0, "v": 11, "s": 5},
        {"n": "a", "t": 0, "v": 10, "s": 7},
        {"n": "a", "t": 0, "vs": "x", "s": 5},
    ]
