"""Readings as a SenML pack (RFC 8428, JSON), and back again, number for number.

Theory of operation. A pack is written channel-major, so that what a channel's records share is said
once, in base fields, and a record is little more than a time and a value::

    [{"journal":"9f2c41d07be8a356","first":41,"last":46,
      "bn":"ash-creek-2:level","bt":1772346600,"bu":"m","seq":41,"step":2,"v":13.7},
     {"t":60,"v":13.62},
     {"t":120,"vs":"open-loop"},
     {"bn":"ash-creek-2:battery","bt":1772346600,"bu":"V","seq":42,"step":2,"v":12.6},
     {"t":60,"v":12.6},
     {"t":120,"v":11.2,"st":"under-range"}]

The name is ``{station id}:{series}``; ``bt`` is in whole seconds since 1970, ``t`` in seconds after
it, exact to the millisecond. A sum of the two below 2**28 would mean "relative to now" (section
4.5.3); a small ``t`` by itself does not. The unit is the registered name of the base unit.

*Status.* A good reading has ``v``. An uncertain one has ``v`` and ``st``, the slug of its reason. A
bad one has no number, and none is made up: it has ``vs``, the slug of its reason, and no ``v``. The
base unit belongs to numbers; a text has none.

*Numbering.* Every reading has a number of its own in the station's journal, and a receiver can tell
it: ``seq`` gives the number of a record, and a record without one has the number of the record
before it plus the ``step`` last given. The channels of a station take turns, so a channel's numbers
mostly rise by the same step and few records need a ``seq``. Because single readings are numbered, a
duplicate is a duplicate however the packs are cut the second time. The first record of the pack
also says which numbers it spans, ``first`` to ``last``, both included, and in which ``journal``
they are numbered: a station that was given a new one begins at 1 again.

``journal``, ``first``, ``last``, ``seq``, ``step`` and ``st`` are extension fields: their labels do
not end in "_", so a receiver that does not know them passes over them (section 4.4).
"""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from edge.readings import Journalled
from edge.status import BY_SLUG, Quality, Reason

Record = Mapping[str, Any]

# Section 4.5.1.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_VERSION = 10

_LARGEST_NUMBER = 2**63 - 1  # of a reading: what SQLite can number
_MOST_SECONDS = 2**53 // 1000  # beyond this a float of milliseconds is no longer exact
_LARGEST_WHOLE = 2**53


class SenmlError(ValueError):
    """A payload is not a pack of readings; says why."""


@dataclass(frozen=True, slots=True)
class Pack:
    """What one message brought: readings of one station in the order of their numbers.

    ``first`` and ``last`` are the numbers the sender says the pack spans, ``journal`` the identity
    of the journal they are numbered in, "" when it does not say.
    """

    station: str
    first: int
    last: int
    readings: list[Journalled]
    journal: str = ""


def encode(
    readings: Sequence[Journalled], station_id: str, units: Mapping[str, str], journal: str = ""
) -> bytes:
    """Write readings, in rising order of their numbers, as one pack.

    ``units`` gives the SenML unit of each series; a series that has none may be missing in it or
    have "". ``journal`` is the identity of their journal, "" to leave it out. Raises
    ValueError when there are no readings: SenML knows no empty pack.
    """
    if not readings:
        raise ValueError("a pack holds at least one reading")
    by_series: dict[str, list[Journalled]] = {}
    for reading in readings:
        by_series.setdefault(reading.series, []).append(reading)
    # A base unit cannot be taken back, so the series without a unit come before all others.
    in_order = sorted(by_series, key=lambda series: bool(units.get(series)))
    records: list[dict[str, Any]] = []
    for series in in_order:
        records += _series_records(f"{station_id}:{series}", units.get(series), by_series[series])
    head: dict[str, Any] = {"first": readings[0].seq, "last": readings[-1].seq}
    records[0] = ({"journal": journal} if journal else {}) | head | records[0]
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def decode(payload: bytes) -> Pack:
    """Read a pack written by `encode`, whoever re-ordered its fields on the way.

    Raises SenmlError for anything else, whatever the bytes.
    """
    records = _parse(payload)
    resolved = resolve(records)
    numbers = _numbers(records)
    first, last = _whole(records[0], "first"), _whole(records[0], "last")
    stations = {record["n"].rpartition(":")[0] for record in resolved}
    if len(stations) != 1 or "" in stations:
        raise SenmlError("the names do not all begin with the id of one station and a colon")
    readings = [_reading(*pair) for pair in zip(numbers, resolved, strict=True)]
    readings.sort(key=lambda reading: reading.seq)
    if not first <= readings[0].seq <= readings[-1].seq <= last:
        raise SenmlError(f"a reading's number lies outside the pack's range, {first} to {last}")
    return Pack(stations.pop(), first, last, readings, _text(records[0], "journal", ""))


def resolve(records: Sequence[Record]) -> list[dict[str, Any]]:
    """Apply the base fields of a pack to its records (RFC 8428, section 4.6), in the pack's order.

    Times are left as they are summed; fields that SenML does not define are passed on. Raises
    SenmlError when a field is not of the kind it must be, when a name is not allowed, and when a
    field must be understood and is not.
    """
    resolved = []
    base: dict[str, Any] = {"bn": "", "bt": 0, "bver": _VERSION}
    for record in records:
        for label in record:
            if label.endswith("_"):
                raise SenmlError(f"the field {label!r} must be understood, and is not")
        base |= {label: value for label, value in record.items() if label[:1] == "b"}
        if _number(base, "bver") > _VERSION:
            raise SenmlError(f"SenML version {base['bver']} is newer than {_VERSION}")
        one = {label: value for label, value in record.items() if label[:1] != "b"}
        one["n"] = _text(base, "bn") + _text(record, "n", "")
        if not _NAME.fullmatch(one["n"]):
            raise SenmlError(f"{one['n']!r} is not a SenML name")
        if "u" not in one and "bu" in base:
            one["u"] = _text(base, "bu")
        one["t"] = _number(base, "bt") + _number(record, "t", 0)
        if "v" in one or ("bv" in base and not {"vs", "vb", "vd"} & one.keys()):
            one["v"] = _sum(base, "bv", record, "v")
        if "s" in one or "bs" in base:
            one["s"] = _sum(base, "bs", record, "s")
        resolved.append(one)
    return resolved


# ------------------------------------------------------------------------------------- writing


def _series_records(
    name: str, unit: str | None, readings: Sequence[Journalled]
) -> Iterator[dict[str, Any]]:
    base_s = readings[0].utc_ms // 1000
    # The step that leaves the fewest records in need of a number of their own.
    steps = Counter(after.seq - before.seq for before, after in pairwise(readings))
    step = steps.most_common(1)[0][0] if steps else 0
    expected = None
    for reading in readings:
        record: dict[str, Any] = {}
        if expected is None:
            record = {"bn": name, "bt": base_s} | ({"bu": unit} if unit else {})
        if reading.seq != expected:
            record["seq"] = reading.seq
        if expected is None and step:
            record["step"] = step
        expected = reading.seq + step
        if since_ms := reading.utc_ms - 1000 * base_s:
            record["t"] = _shortest(since_ms / 1000)
        yield record | _value_fields(reading)


def _value_fields(reading: Journalled) -> dict[str, Any]:
    value, reason = reading.value, reading.reason
    if value is None or not math.isfinite(value):
        # A number that is none cannot be sent, whatever its status says.
        bad = reason if reason.quality is Quality.BAD else Reason.NOT_A_NUMBER
        return {"vs": bad.slug}
    if reason.quality is Quality.BAD:
        return {"vs": reason.slug}
    status = {} if reason.quality is Quality.GOOD else {"st": reason.slug}
    return {"v": _shortest(value)} | status


def _shortest(value: float) -> float | int:
    """Return the number in the form that JSON writes shortest, without changing it."""
    whole = value.is_integer() and abs(value) < _LARGEST_WHOLE
    negative_zero = value == 0 and math.copysign(1, value) < 0
    return int(value) if whole and not negative_zero else value


# ------------------------------------------------------------------------------------- reading


def _parse(payload: bytes) -> list[Record]:
    try:
        records = json.loads(payload.decode("utf-8"))
    except (ValueError, RecursionError):
        raise SenmlError("not JSON in UTF-8") from None
    if not isinstance(records, list) or not records:
        raise SenmlError("not a JSON array with something in it")
    if not all(isinstance(record, dict) for record in records):
        raise SenmlError("not an array of JSON objects")
    return records


def _numbers(records: Sequence[Record]) -> list[int]:
    numbers = []
    before = step = None
    for record in records:
        if "step" in record:
            step = _whole(record, "step")
        if "seq" in record:
            before = _whole(record, "seq")
        elif before is None or step is None:
            raise SenmlError("a record's number is not given, and cannot be told from another's")
        else:
            before += step
        numbers.append(before)
    return numbers


def _reading(number: int, record: Record) -> Journalled:
    series = record["n"].rpartition(":")[2]
    seconds = record["t"]
    if abs(seconds) > _MOST_SECONDS:
        raise SenmlError(f"{seconds!r} is no time of a measurement")
    utc_ms = round(seconds * 1000)
    if "v" in record and "vs" not in record:
        reason = _reason(record, "st", Quality.UNCERTAIN) if "st" in record else Reason.OK
        return Journalled(number, series, utc_ms, float(_number(record, "v")), reason)
    if "vs" in record and "v" not in record:
        return Journalled(number, series, utc_ms, None, _reason(record, "vs", Quality.BAD))
    raise SenmlError("a record has neither a number nor a text, or both")


def _reason(record: Record, label: str, quality: Quality) -> Reason:
    reason = BY_SLUG.get(_text(record, label))
    if reason is None or reason.quality is not quality:
        raise SenmlError(f"{record[label]!r} in {label!r} is no reason known here")
    return reason


def _sum(base: Record, base_label: str, record: Record, label: str) -> float:
    # A missing part is left out, not added as nought: -0.0 + 0 is no longer -0.0.
    parts = [(base, base_label), (record, label)]
    present = [_number(fields, name) for fields, name in parts if name in fields]
    return present[0] if len(present) == 1 else sum(present)


def _text(fields: Record, label: str, default: str | None = None) -> str:
    value = fields.get(label, default)
    if not isinstance(value, str):
        raise SenmlError(f"{label!r} is not a text")
    return value


def _number(fields: Record, label: str, default: float | None = None) -> float:
    value = fields.get(label, default)
    if isinstance(value, int | float) and not isinstance(value, bool):
        try:
            if math.isfinite(value):
                return value
        except OverflowError:
            pass
    raise SenmlError(f"{label!r} is not a number, or too large a one")


def _whole(fields: Record, label: str) -> int:
    value = fields.get(label)
    if not isinstance(value, int) or isinstance(value, bool) or not 0 < value <= _LARGEST_NUMBER:
        raise SenmlError(f"{label!r} is not a positive whole number")
    return value
