import ctypes
from pathlib import Path

import pytest

from edge.host import kernel_time
from edge.host.station_clock import AlwaysSynchronised, KernelTime, StationClock
from edge.readings import Sample, Stamp
from edge.status import Category
from edge.timekeeper import What
from hw_fakes.clock import ManualClock

NOW = 1_793_491_200_000  # 2026-11-01
HOUR, DAY = 3_600_000, 86_400_000


class Host:
    """A computer that says of its clock what it is told to."""

    boot = "boot-1"

    def __init__(self, synchronised=False):
        self.is_synchronised = synchronised

    def synchronised(self):
        return self.is_synchronised


# --- the kernel


def test_the_kernel_names_this_boot():
    assert kernel_time.boot_id() == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert KernelTime().boot == kernel_time.boot_id()


def test_the_kernel_is_asked_and_not_told(monkeypatch):
    """The layout of struct timex in <linux/timex.h>: longs, whatever their width."""
    long = ctypes.sizeof(ctypes.c_long)
    assert kernel_time._Timex.status.offset == 5 * long
    assert ctypes.sizeof(kernel_time._Timex) >= 208

    def kernel(state, status):
        def adjtimex(reference):
            timex = ctypes.cast(reference, ctypes.POINTER(kernel_time._Timex)).contents
            assert bytes(timex) == bytes(ctypes.sizeof(timex))
            timex.status = status
            return state

        return lambda: adjtimex

    # adjtimex(2): TIME_OK 0, TIME_ERROR 5, failure -1; STA_PLL 0x0001, STA_UNSYNC 0x0040.
    for state, status, expected in [
        (0, 0x2001, True),
        (5, 0x0040, False),
        (0, 0x0040, False),
        (5, 0x0001, False),
        (-1, 0x0000, False),
        (1, 0x0001, True),  # TIME_INS: a leap second at the end of the day
    ]:
        monkeypatch.setattr(kernel_time, "_adjtimex", kernel(state, status))
        assert kernel_time.synchronised() is expected


def test_this_kernel_answers_without_a_fault():
    timex = kernel_time._Timex()
    state = kernel_time._adjtimex()(ctypes.byref(timex))
    assert state in range(6)
    assert timex.maxerror >= 0
    assert KernelTime().synchronised() == (state != 5 and not timex.status & 0x40)


def test_where_there_is_no_such_kernel_nothing_is_known(monkeypatch, tmp_path):
    monkeypatch.setattr(kernel_time, "_BOOT_ID", tmp_path / "none")
    monkeypatch.setattr(kernel_time.ctypes, "CDLL", lambda name: object())
    kernel_time._adjtimex.cache_clear()
    try:
        assert not kernel_time.synchronised()
    finally:
        kernel_time._adjtimex.cache_clear()
    assert kernel_time.boot_id() == ""
    # Readings of two runs must not be taken for those of one boot.
    assert KernelTime().boot != KernelTime().boot


# --- the clock


async def test_time_is_provisional_until_it_is_known():
    base, host = ManualClock(NOW), Host()
    clock = StationClock(base, host, newest_ms=NOW + DAY)
    await base.advance(10.0)
    assert clock.look() is None
    assert not clock.trusted
    assert clock.stamp == Stamp("boot-1", NOW + DAY + 1)
    assert clock.utc_ms() == NOW + DAY + 1 + 10_000
    before = Sample("level", clock.utc_ms(), clock.monotonic(), 5.0)

    base.step(2 * DAY)
    await base.advance(10.0)
    host.is_synchronised = True
    found = clock.look()
    assert found.what is What.TRUSTED
    assert clock.trusted
    assert clock.stamp is None
    assert clock.utc_ms() == base.utc_ms() == NOW + 2 * DAY + 20_000
    # The true offset less the provisional one is what everything is moved by.
    assert clock.offset_ms - (NOW + DAY + 1) == found.by_ms
    assert clock.restamped(before) == Sample("level", NOW + 2 * DAY + 10_000, 10.0, 5.0)


async def test_a_sample_with_its_true_time_is_left_as_it_is():
    clock = StationClock(ManualClock(NOW), AlwaysSynchronised())
    clock.look()
    sample = Sample("level", clock.utc_ms(), clock.monotonic(), 5.0)
    assert clock.restamped(sample) is sample


async def test_it_is_a_clock_like_any_other():
    base = ManualClock(NOW)
    clock = StationClock(base, AlwaysSynchronised())
    await clock.sleep(0)
    await base.advance(5.0)
    assert (clock.monotonic(), clock.utc_ms()) == (5.0, NOW + 5000)
    assert clock.utc_of(2.0) == NOW + 2000
    assert clock.boot != StationClock(base, AlwaysSynchronised()).boot


@pytest.mark.parametrize("taking", [[1.0, 0.0], [1.0, 0.0002, 2.0, 2.0, 2.0], [2.0, 0.0]])
def test_the_two_scales_are_read_at_once_or_read_again(taking):
    class Interrupted(ManualClock):
        """The computer does something else for some seconds between the two readings."""

        def utc_ms(self):
            self._now += taking.pop(0)
            return super().utc_ms()

    clock = StationClock(Interrupted(NOW), AlwaysSynchronised())
    assert (clock.offset_ms, taking) == (NOW, [])


def test_the_kernel_is_asked_before_the_clock_is_read():
    """Else a clock set in between would be read as it was, and believed as it is."""
    base = ManualClock(NOW)

    class SetMeanwhile(Host):
        def synchronised(self):
            base.step(DAY)
            return True

    clock = StationClock(base, SetMeanwhile())
    clock.look()
    assert clock.utc_ms() == NOW + DAY


# --- in words


async def test_how_a_clock_is_that_nobody_sets():
    base = ManualClock(NOW)
    clock = StationClock(base, Host())
    assert clock.condition().category is Category.FUNCTION_CHECK
    clock.look()
    await base.advance(3 * 3600)
    condition = clock.condition()
    assert (condition.part, condition.category) == ("clock", Category.MAINTENANCE_REQUIRED)
    assert condition.found == (
        "the time has been unknown for 3 h 0 min: no time server has set the computer's clock "
        "since it was switched on"
    )
    assert condition.doing.startswith("readings are kept, and will be sent with their true time")
    assert 'trust = "plausible" under [clock]' in condition.doing


async def test_a_station_that_has_said_so_is_not_told_to():
    base = ManualClock(NOW)
    clock = StationClock(base, Host(), "plausible", newest_ms=NOW + DAY)
    clock.look()
    await base.advance(3 * 3600)
    condition = clock.condition()
    assert "behind the newest reading" in condition.found
    assert "plausible" not in condition.doing


async def test_how_a_clock_is_that_can_be_trusted():
    base, host = ManualClock(NOW), Host(synchronised=True)
    clock = StationClock(base, host)
    clock.look()
    assert clock.condition().sound
    assert clock.condition().found == "set by a time server"
    host.is_synchronised = False
    await base.advance(10 * 3600)
    clock.look()
    assert clock.condition().sound
    assert clock.condition().found == (
        "set by a time server, last 10 h 0 min ago; runs by itself since"
    )
    plausible = StationClock(base, host, "plausible")
    plausible.look()
    assert plausible.condition().found == "believed as plausible"


@pytest.mark.parametrize(("by", "way"), [(2 * HOUR, "ahead"), (-2 * HOUR, "behind")])
def test_a_clock_set_by_hand_is_told_to_whoever_looks(by, way):
    base, host = ManualClock(NOW), Host(synchronised=True)
    clock = StationClock(base, host)
    clock.look()
    host.is_synchronised = False
    base.step(by)
    assert clock.look().what is What.NOT_FOLLOWED
    condition = clock.condition()
    assert condition.category is Category.OUT_OF_SPECIFICATION
    assert f"2 h 0 min {way}" in condition.found
    assert clock.utc_ms() == NOW


async def test_an_earlier_run_of_the_boot_has_found_the_time():
    base, host = ManualClock(NOW), Host()
    known = Stamp(host.boot, NOW)
    clock = StationClock(base, host, known=known)
    assert clock.trusted
    assert clock.look() is None
    assert clock.stamp is None
    assert clock.utc_ms() == NOW
    assert clock.condition().sound
    assert "before the daemon was started" in clock.condition().found
    assert not StationClock(base, host, known=Stamp("another boot", NOW)).trusted
