import asyncio

import pytest
import structlog

from edge.clock import SystemClock
from edge.host.supervise import CrashLoopError, UnexpectedEndError, Watched, supervise
from edge.status import Category


@pytest.fixture(autouse=True)
def logs():
    with structlog.testing.capture_logs() as logs:
        yield logs


class NoWaiting(SystemClock):
    def __init__(self):
        self.now, self.slept = 0.0, []

    def monotonic(self):
        return self.now

    async def sleep(self, seconds):
        self.slept.append(seconds)


class Task:
    """A task that crashes so many times, each run taking some seconds, and then may end."""

    def __init__(self, clock, crashes, seconds=0.0):
        self.clock, self.crashes, self.seconds = clock, crashes, seconds
        self.runs = 0

    async def __call__(self):
        self.runs += 1
        self.clock.now += self.seconds
        if self.runs <= self.crashes:
            raise RuntimeError("defect")

    def may_end(self):
        return self.runs > self.crashes


async def test_a_crashed_task_is_started_again():
    clock = NoWaiting()
    task = Task(clock, 2)
    await supervise("bus rs485", task, clock, may_end=task.may_end)
    assert task.runs == 3
    assert clock.slept == [1.0, 2.0]


async def test_a_task_that_keeps_crashing_ends_the_daemon():
    clock = NoWaiting()
    task = Task(clock, 100)
    with pytest.raises(CrashLoopError, match="bus rs485") as caught:
        await supervise("bus rs485", task, clock)
    assert str(caught.value.__cause__) == "defect"
    assert task.runs == 5


async def test_a_task_that_ends_untold_counts_as_crashed(logs):
    clock = NoWaiting()
    with pytest.raises(CrashLoopError) as caught:
        await supervise("journal", Task(clock, 0), clock)
    assert isinstance(caught.value.__cause__, UnexpectedEndError)
    assert [(e["event"], e["task"]) for e in logs] == [("task crashed", "journal")] * 5
    assert clock.slept == [1.0, 2.0, 4.0, 8.0]


async def test_a_task_that_crashes_on_its_way_out_is_asked_to_end_again():
    clock = NoWaiting()
    task = Task(clock, 1)
    await supervise("publisher", task, clock, may_end=lambda: True)
    assert task.runs == 2


async def test_crashes_far_apart_are_forgiven():
    clock = NoWaiting()
    task = Task(clock, 11, seconds=200)
    await supervise("bus rs485", task, clock, may_end=task.may_end)
    assert task.runs == 12
    assert max(clock.slept) <= 8.0


async def test_cancelling_is_no_crash():
    started = asyncio.Event()

    async def run():
        started.set()
        await asyncio.Event().wait()

    watched = Watched(NoWaiting())
    task = asyncio.create_task(supervise("bus rs485", run, NoWaiting(), watched=watched))
    await started.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert watched.conditions() == []


async def test_crashes_are_remembered_in_words():
    clock = NoWaiting()
    watched, task = Watched(clock), Task(clock, 3)
    assert watched.conditions() == []
    await supervise("bus rs485", task, clock, may_end=task.may_end, watched=watched)
    (waiting,) = watched.conditions()
    assert (waiting.part, waiting.category) == ("task bus rs485", Category.FAILURE)
    assert waiting.found == (
        "a defect in the program stopped it 3 times, last by RuntimeError: defect"
    )
    assert waiting.doing == "starts again in 4 s"
    clock.now = 124.0
    (running,) = watched.conditions()
    assert running.category is Category.MAINTENANCE_REQUIRED
    assert running.doing == "runs again since 2 min; the log has the details"
    clock.now = 3604.0
    assert watched.conditions() == []


def test_a_crash_without_a_message_is_named_by_its_kind():
    watched = Watched(NoWaiting())
    watched.crashed("journal", KeyError(), 1.0)
    assert watched.conditions()[0].found.endswith("stopped it once, last by KeyError")
