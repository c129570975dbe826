import asyncio
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.clock import SystemClock, iso_utc, next_slot, wait_for_event
from edge.status import BY_CODE, BY_SLUG, Category, Quality, Reason, modbus_exception, worst

reasons = st.lists(st.sampled_from(Reason))


def test_codes_and_slugs_are_unique():
    assert len(BY_CODE) == len(BY_SLUG) == len(list(Reason))


def test_codes_that_stand_in_journals_never_change():
    assert {r.code: r.slug for r in Reason} == {
        0: "ok",
        10: "saturated-low",
        11: "saturated-high",
        12: "under-range",
        13: "over-range",
        20: "open-loop",
        21: "loop-failure-low",
        22: "loop-failure-high",
        30: "no-earlier-count",
        31: "not-a-number",
        32: "counter-reset",
        33: "below-table",
        34: "above-table",
        35: "head-too-low",
        36: "head-too-high",
        37: "stuck",
        38: "changed-too-fast",
        39: "implausible-jump",
        40: "no-reply",
        41: "bad-checksum",
        42: "short-frame",
        43: "wrong-unit",
        44: "wrong-reply",
        45: "port-absent",
        46: "port-denied",
        47: "port-unusable",
        48: "no-connection",
        49: "silent",
        50: "internal",
        51: "babble",
        52: "gpio-absent",
        53: "gpio-denied",
        54: "gpio-unusable",
        55: "gpio-unsupported",
        56: "not-as-switched",
        61: "illegal-function",
        62: "illegal-address",
        63: "illegal-value",
        64: "device-failure",
        66: "device-busy",
        68: "memory-parity",
        70: "gateway-path",
        71: "gateway-target",
        79: "other-exception",
        80: "many-rollovers",
        81: "gap-in-total",
        82: "incomplete",
        83: "part-of-period",
        84: "estimated",
        85: "below-tank",
        86: "above-tank",
        87: "water-too-cold",
        88: "water-too-warm",
        89: "transducer-dry",
        90: "no-input-yet",
        91: "input-too-old",
        92: "no-drawdown",
        93: "no-rest-level-yet",
        94: "out-of-domain",
        95: "too-few-samples",
        100: "time-unsure",
        101: "thinned",
        102: "counted-while-down",
        110: "shed",
        111: "no-supply",
        112: "battery-unknown",
    }


# NAMUR NE 107: failure, function check, out of specification, maintenance required (from memory).
@pytest.mark.parametrize("reason", list(Reason))
def test_category_and_quality_agree(reason):
    assert (reason.category is Category.NORMAL) == (reason is Reason.OK)
    assert (reason.quality is Quality.GOOD) == (reason is Reason.OK)
    assert reason.text


@given(reasons, reasons)
def test_status_never_improves(some, more):
    assert worst(*some, *more).quality >= worst(*some).quality
    assert worst(*some).quality == max((r.quality for r in some), default=Quality.GOOD)


# Modbus Application Protocol V1.1b3, section 7.
@pytest.mark.parametrize(
    ("code", "reason"),
    [
        (1, Reason.ILLEGAL_FUNCTION),
        (2, Reason.ILLEGAL_ADDRESS),
        (3, Reason.ILLEGAL_VALUE),
        (4, Reason.DEVICE_FAILURE),
        (5, Reason.DEVICE_BUSY),
        (6, Reason.DEVICE_BUSY),
        (8, Reason.MEMORY_PARITY),
        (10, Reason.GATEWAY_PATH),
        (11, Reason.GATEWAY_TARGET),
        (7, Reason.OTHER_EXCEPTION),
        (200, Reason.OTHER_EXCEPTION),
    ],
)
def test_exception_codes_of_the_standard(code, reason):
    assert modbus_exception(code) is reason


@given(st.integers(0, 2**42), st.integers(1, 86_400_000))
def test_the_next_slot_is_the_first_multiple_after(now, interval):
    slot = next_slot(now, interval)
    assert slot % interval == 0
    assert now < slot <= now + interval


@given(st.integers(0, 4_102_444_800_000))
def test_iso_times_read_back(utc_ms):
    back = datetime.fromisoformat(iso_utc(utc_ms))
    assert round((back - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1000) == utc_ms


async def test_the_system_clock_tells_both_times():
    clock = SystemClock()
    utc, mono = clock.utc_ms(), clock.monotonic()
    await clock.sleep(-5)
    await clock.sleep(0.001)
    assert clock.monotonic() > mono
    assert clock.utc_ms() >= utc > 1_700_000_000_000


async def test_waiting_for_an_event_ends_with_the_event_or_with_time():
    clock, event = SystemClock(), asyncio.Event()
    assert not await wait_for_event(event, clock, 0)
    asyncio.get_running_loop().call_soon(event.set)
    assert await wait_for_event(event, clock, 3600)
    assert await wait_for_event(event, clock, 3600)


def test_a_busy_device_is_not_something_that_computing_waits_for():
    assert Reason.NO_EARLIER_COUNT.passes_by_itself
    assert not Reason.DEVICE_BUSY.passes_by_itself
    assert not Reason.OK.passes_by_itself
