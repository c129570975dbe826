import asyncio
import contextlib
import sqlite3

import pytest
import structlog

from edge.clock import SystemClock
from edge.journal.journal import Journal, JournalError
from edge.journal.retention import Retention
from edge.journal.writer import JournalWriter
from edge.readings import Reading, Series
from edge.units import UNITS

KEEP_ALL = Retention(keep_ms=400 * 86_400_000, size_limit=10**9)


class ImpatientClock(SystemClock):
    """Real time, but nobody has to wait for it: a sleep only lets the others run."""

    async def sleep(self, seconds):
        await asyncio.sleep(min(seconds, 0.01))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "ash-creek.sqlite"


@contextlib.asynccontextmanager
async def running(path, retention=KEEP_ALL):
    journal = Journal(path, [Series("level", UNITS["ft"])])
    writer = JournalWriter(journal, retention, ImpatientClock())
    writer.grown = asyncio.Queue()
    writer.on_growth = writer.grown.put_nowait
    note, writer.failed = writer._note, asyncio.Event()

    def noted(failing):
        note(failing)
        if failing:
            writer.failed.set()

    writer._note = noted
    task = asyncio.create_task(writer.run())
    yield writer
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await writer.close()


def levels(count):
    return [Reading("level", i, float(i)) for i in range(count)]


async def test_submitted_rounds_are_committed_and_told(path):
    async with running(path) as writer:
        writer.submit(levels(3), {"flow": {"channel": {"total": 1.5}}})
        assert await writer.grown.get() == 3
        assert writer.newest == 3
        assert [r.value for r in await writer.fetch(1, 9)] == [0.0, 1.0, 2.0]
    journal = Journal(path)
    assert journal.states() == {"flow": {"channel": {"total": 1.5}}}
    journal.close()


async def test_closing_commits_what_is_left(path):
    async with running(path) as writer:
        writer.submit(levels(2), {})
        writer.acknowledge(1, 1)
    journal = Journal(path)
    assert (journal.newest, list(journal.sent)) == (2, [(1, 1)])
    journal.close()


async def test_acknowledgements_are_kept_even_when_nothing_else_comes(path):
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        writer.acknowledge(1, 1)
        assert await writer.grown.get() == 1
        db = sqlite3.connect(path)
        assert list(db.execute("SELECT first, last FROM sent")) == [(1, 1)]
        db.close()
        assert list(writer.sent) == [(1, 1)]


async def test_a_disk_that_cannot_be_written_loses_nothing(path):
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        with locked(writer, path):
            writer.submit(levels(2), {"flow": {"total": 5.0}})
            await writer.failed.wait()
            writer.submit(levels(3), {})
        assert await writer.grown.get() == 6
        assert writer.lost == 0
        assert [r.value for r in await writer.fetch(1, 9)] == [0, 0, 1, 0, 1, 2]
        assert writer._failing == ""


@contextlib.contextmanager
def locked(writer, path):
    """Hold the journal's write lock, as a disk that takes nothing would."""
    writer._journal._db.execute("PRAGMA busy_timeout = 0")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    yield
    other.execute("COMMIT")
    other.close()


async def test_too_much_for_memory_lets_the_oldest_go_and_counts(path, monkeypatch):
    monkeypatch.setattr("edge.journal.writer._MOST_HELD", 5)
    async with running(path) as writer:
        with locked(writer, path):
            writer.submit(levels(4), {})
            await writer.failed.wait()
            writer.submit(levels(3), {})
            assert writer.lost == 2
        assert await writer.grown.get() == 5
        assert [r.value for r in await writer.fetch(1, 9)] == [2, 3, 0, 1, 2]


async def test_a_failing_commit_whose_waiter_is_cancelled_loses_nothing(path):
    async with running(path) as writer:
        with locked(writer, path):
            writer.submit(levels(1), {})
            waiting = asyncio.create_task(writer.flush())
            await asyncio.sleep(0)
            waiting.cancel()
            await writer.failed.wait()
        assert await writer.grown.get() == 1


async def test_a_defect_in_a_commit_keeps_the_readings(path):
    async with running(path) as writer:
        writer._journal._ids.clear()
        writer.submit(levels(2), {})
        with pytest.raises(KeyError):
            await writer.flush()
        writer._journal._ids["level"] = 1
        assert await writer.flush()
        assert [r.value for r in await writer.fetch(1, 9)] == [0, 1]


async def test_readings_that_cannot_be_kept_at_the_end_are_told(path):
    with structlog.testing.capture_logs() as logs:
        async with running(path) as writer:
            writer.submit(levels(1), {})
            await writer.grown.get()
            writer._journal._db.execute("PRAGMA query_only = 1")
            writer.submit(levels(3), {})
    lost = [e for e in logs if e["event"].startswith("readings lost")]
    assert [(e["log_level"], e["n"]) for e in lost] == [("critical", 3)]


async def test_a_page_that_cannot_be_read_is_a_journal_error(path):
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        writer._journal._db.execute("ALTER TABLE reading RENAME TO gone")
        with pytest.raises(JournalError, match="readings 1 to 1: no such table"):
            await writer.fetch(1, 1)
        writer._journal._db.execute("ALTER TABLE gone RENAME TO reading")


async def test_unsent_readings_deleted_for_space_are_told(path):
    dropped = asyncio.Queue()
    journal = Journal(path, [Series("level", UNITS["ft"])])
    journal.append(levels(100))
    journal.close()
    async with running(path, Retention(keep_ms=10**15, size_limit=1000)) as writer:
        writer.on_drop = lambda first, last: dropped.put_nowait((first, last))
        writer.submit(levels(1), {})
        assert await dropped.get() == (1, 100)
        assert [r.seq for r in await writer.fetch(1, 999)] == [101]
    async with running(path) as again:
        assert list(again.sent) == [(1, 100)]  # nobody will look for them


async def test_pruning_that_fails_is_noted_not_fatal(path, monkeypatch):
    def fail(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr("edge.journal.writer.prune", fail)
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        await writer.failed.wait()
        writer.submit(levels(1), {})
        assert await writer.grown.get() == 2
