import pytest

from edge.field.bus_health import DeviceFault, condition_of_bus, duration
from edge.status import Category, Reason


def fault(device, reason=Reason.NO_REPLY, waits=True, limit=300.0):
    return DeviceFault(device, reason, waits, limit)


def words(port=Reason.OK, asked=5, failing=()):
    condition = condition_of_bus("rs485", port, 30.0, asked, failing)
    assert condition.part == "bus rs485"
    return condition.category, condition.found, condition.doing


@pytest.mark.parametrize(
    ("asked", "found"),
    [(0, "no device asked yet"), (1, "1 device answers"), (5, "5 devices answer")],
)
def test_a_sound_bus(asked, found):
    assert words(asked=asked) == (Category.NORMAL, found, "")


def test_a_port_that_is_away():
    assert words(Reason.PORT_ABSENT) == (
        Category.FAILURE,
        "the serial port is not there",
        "tries again every 30 s at least",
    )


def test_one_device_of_five():
    assert words(failing=[fault("loops")]) == (
        Category.FAILURE,
        "1 of 5 devices fails: loops (no reply within the time-out)",
        "asks again every 5 min at least; the other devices are asked as ever",
    )


def test_all_of_them():
    assert words(asked=1, failing=[fault("loops", waits=False)]) == (
        Category.FAILURE,
        "1 of 1 device fails: loops (no reply within the time-out)",
        "asks again as ever",
    )


def test_the_longest_pause_is_the_one_that_counts():
    failing = [fault("a", limit=60.0), fault("b", limit=7200.0), fault("c", limit=0.0)]
    assert words(asked=3, failing=failing)[2] == "asks again every 2 h at least"


def test_many_are_not_all_named():
    found = words(asked=9, failing=[fault(f"d{n}") for n in range(7)])[1]
    assert found.startswith("7 of 9 devices fail: d0 (")
    assert found.endswith("d3 (no reply within the time-out) and 3 more")


def test_a_device_that_is_busy_is_no_failure():
    busy = fault("pump", Reason.DEVICE_BUSY, waits=False)
    assert words(failing=[busy])[0] is Category.FUNCTION_CHECK
    assert words(failing=[busy, fault("loops")])[0] is Category.FAILURE


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.5, "0.5 s"), (30, "30 s"), (90, "1.5 min"), (7200, "2 h")]
)
def test_durations(seconds, text):
    assert duration(seconds) == text
