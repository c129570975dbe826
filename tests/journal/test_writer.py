import asyncio
import contextlib
import sqlite3

import pytest
import structlog

from edge.clock import SystemClock
from edge.journal.journal import Journal, JournalError
from edge.journal.retention import Retention
from edge.journal.timing import PORTION
from edge.journal.writer import JournalWriter
from edge.readings import Gap, Stamp, WhyGone
from edge.status import Category, Reason
from tests.journal.parts import SERIES, levels

KEEP_ALL = Retention(keep_ms=400 * 86_400_000, size_limit=10**9)


# Far longer than anything here takes; it bounds what a defect costs.
_PATIENCE = 30.0


class ImpatientClock(SystemClock):
    """Real time, but nobody has to wait for it: a sleep only lets the others run."""

    async def sleep(self, seconds):
        await asyncio.sleep(min(seconds, 0.01))


@contextlib.asynccontextmanager
async def running(path, retention=KEEP_ALL):
    journal = Journal(path, SERIES)
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
    async with asyncio.timeout(_PATIENCE):
        yield writer
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await writer.close()


async def ask(writer, query):
    """Put a query to the journal where it may be used: in its thread."""
    return await writer._thread.call(lambda: writer._journal._db.execute(query).fetchall())


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
            assert "2 are lost" in writer.condition().found
        assert await writer.grown.get() == 7
        assert [(r.seq, r.value) for r in await writer.fetch(1, 9)] == [
            (3, 2), (4, 3), (5, 0), (6, 1), (7, 2),
        ]  # fmt: skip
        (gap,) = writer.untold()
        assert (gap.first, gap.last, gap.why) == (1, 2, WhyGone.LOST)
        assert (gap.since_ms, gap.until_ms) == (0, 1000)
        assert list(writer.sent) == [(1, 2)]
        writer.told(gap)
        assert writer.untold() == []
    journal = Journal(path)
    assert (len(journal.gaps()), journal.untold) == (1, [])
    journal.close()


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
    assert writer.lost == 3


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
    journal = Journal(path, SERIES)
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
    def fail(*_, **_named):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr("edge.journal.writer.prune", fail)
    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        await writer.failed.wait()
        writer.submit(levels(1), {})
        assert await writer.grown.get() == 2


# ------------------------------------------------------------------------------ untimed readings


async def test_readings_without_a_time_are_kept_and_not_offered(path):
    here = Stamp("here", 5)
    async with running(path) as writer:
        writer.submit(levels(2), {}, here)
        await writer.grown.get()
        assert (writer.newest, writer.sendable) == (2, 0)
        writer.submit(levels(1), {}, here)
        writer.give_true_time("here", 1_000_005)
        await until(writer, lambda: writer.sendable == 3)
        writer.submit(levels(1), {}, here)  # was under way when the time became known
        assert await writer.flush()
        times = [r.utc_ms for r in await writer.fetch(1, 9)]
        assert times == [1_000_000, 1_001_000, 1_000_000, 1_000_000]


async def test_the_true_time_waits_for_a_disk_that_takes_it(path):
    here = Stamp("here", 0)
    async with running(path) as writer:
        writer.submit(levels(1), {}, here)
        await writer.grown.get()
        with locked(writer, path):
            writer.submit(levels(1), {}, here)
            await writer.failed.wait()
            writer.give_true_time("here", 50)
            writer.submit(levels(1), {})
            assert not await writer.flush()
            assert writer.sendable == 0
        await until(writer, lambda: writer.sendable == 3)
        assert [r.utc_ms for r in await writer.fetch(1, 9)] == [50, 50, 0]


async def test_rounds_are_committed_although_the_true_time_cannot_be_given(path):
    """As on a disk that has room for a round, but not for a portion of what has no time yet."""
    here = Stamp("here", 0)
    with structlog.testing.capture_logs() as logs:
        async with running(path) as writer:
            writer.submit(levels(3), {}, here)
            await writer.grown.get()
            await ask(writer, _NO_CHANGE)
            writer.give_true_time("here", 50)
            await until(writer, lambda: not writer.condition().sound)
            assert writer.condition().found == (
                "3 readings cannot be given their true time (no room)"
            )
            assert writer.condition().category is Category.FAILURE
            for number in (4, 5, 6):
                writer.submit(levels(1), {})
                await until(writer, lambda number=number: writer.newest == number)
            assert (writer.sendable, writer.lost) == (0, 0)
            await ask(writer, "DROP TRIGGER no_change")
            await until(writer, lambda: writer.sendable == 6)
            assert writer.condition().sound
            assert [r.utc_ms for r in await writer.fetch(1, 9)] == [50, 1050, 2050, 0, 0, 0]
    told = [e["event"] for e in logs if "time" in e["event"]]
    assert told == ["readings cannot be given their true time", "readings got their time"]


_NO_CHANGE = """
    CREATE TRIGGER no_change BEFORE UPDATE OF utc_ms ON reading
    BEGIN SELECT raise(ABORT, 'no room'); END"""


async def test_the_true_time_is_given_in_portions_with_rounds_between_them(path, monkeypatch):
    async with running(path) as writer:
        writer.submit(levels(3 * PORTION), {}, Stamp("here", 0))
        await writer.grown.get()
        give, seen = writer._journal.give_true_time, []

        def and_a_round_comes_in(*known):
            seen.append((writer._journal.newest, writer._journal.sendable))
            writer._loop.call_soon_threadsafe(writer.submit, levels(1), {})
            return give(*known)

        writer._loop = asyncio.get_running_loop()
        monkeypatch.setattr(writer._journal, "give_true_time", and_a_round_comes_in)
        writer.give_true_time("here", 50)
        await until(writer, lambda: writer.sendable == 3 * PORTION + 3)
        assert [sendable for _, sendable in seen] == [0, PORTION, 2 * PORTION]
        assert [newest for newest, _ in seen] == [3 * PORTION + k for k in range(3)]
        (last,) = await writer.fetch(3 * PORTION, 3 * PORTION)
        assert last.utc_ms == (3 * PORTION - 1) * 1000 + 50


async def test_on_the_way_out_all_get_their_time(path):
    async with running(path) as writer:
        writer.submit(levels(2 * PORTION), {}, Stamp("here", 0))
        await writer.grown.get()
        writer.give_true_time("here", 50)
    journal = Journal(path)
    assert journal.untimed == []
    journal.close()


async def test_an_older_copy_whose_readings_had_no_time_gets_it(path, tmp_path):
    async with running(path) as writer:
        writer.submit(levels(2), {}, Stamp("here", 0))
        await writer.grown.get()
        await ask(writer, f"VACUUM INTO '{tmp_path / 'copy'}'")
        writer.give_true_time("here", 50)
        await until(writer, lambda: writer.sendable == 2)
        (tmp_path / "copy").replace(path)
        writer.submit(levels(1), {})
        await until(writer, lambda: writer.newest == 3 and writer.sendable == 3)
        assert [r.utc_ms for r in await writer.fetch(1, 9)] == [50, 1050, 0]


async def test_nothing_goes_by_age_before_the_time_is_known(path):
    """By a clock that is decades ahead everything is old."""
    journal = Journal(path, SERIES)
    journal.append(levels(100))
    journal.append([], acknowledged=[(1, 100)])
    journal.close()
    async with running(path, Retention(keep_ms=1, size_limit=10**9)) as writer:
        writer.submit(levels(1), {}, Stamp("here", 0))
        await writer.grown.get()
        await until(writer, lambda: writer._next_prune > writer._clock.monotonic())
        assert len(await writer.fetch(1, 100)) == 100
        writer.give_true_time("here", 0)
        writer._next_prune = 0
        writer.submit(levels(1), {})
        await until(writer, lambda: writer._thread.standing.held == 2)
        assert await writer.fetch(1, 100) == []


async def until(writer, holds):
    """Wait for what comes with a commit, or with one that fails."""
    while not holds():
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(writer.grown.get(), 0.02)


# ---------------------------------------------------------------------------------------- damage


async def test_a_damaged_reading_is_put_on_record(path):
    gone = []
    async with running(path) as writer:
        writer.submit(levels(5), {})
        await writer.grown.get()
        writer.on_drop = lambda first, last: gone.append((first, last))
        await ask(writer, "UPDATE reading SET value = 77 WHERE seq IN (2, 3, 5)")
        assert [r.seq for r in await writer.fetch(1, 9)] == [1, 4]
        assert [(g.first, g.last, g.why, g.since_ms, g.until_ms) for g in writer.untold()] == [
            (2, 3, WhyGone.DAMAGED, 0, 3000),
            (5, 5, WhyGone.DAMAGED, 3000, None),
        ]
        assert gone == [(2, 2), (3, 3), (5, 5)]
        assert [r.seq for r in await writer.fetch(1, 9)] == [1, 4]
        writer.submit(levels(1), {})
        assert await writer.grown.get() == 6


async def test_a_damaged_reading_that_cannot_be_put_on_record_is_not_passed_over(path):
    """It would count as sent."""
    async with running(path) as writer:
        writer.submit(levels(3), {})
        await writer.grown.get()
        await ask(writer, "UPDATE reading SET value = 77 WHERE seq = 2")
        with locked(writer, path), pytest.raises(JournalError, match="locked"):
            await writer.fetch(1, 3)


async def test_a_file_damaged_while_it_is_open_is_salvaged(path):
    dropped = []
    async with running(path) as writer:
        writer.submit(levels(3000), {"flow": {"total": 1}})
        await writer.grown.get()
        writer.acknowledge(1, 10)
        await writer.flush()
        identity, sent = writer.identity, writer.sent
        await ask(writer, "PRAGMA wal_checkpoint(TRUNCATE)")
        await ask(writer, "PRAGMA cache_size = 0")
        content = bytearray(path.read_bytes())
        middle = len(content) // 2 // 4096 * 4096
        content[middle : middle + 4096] = bytes(4096)
        path.write_bytes(content)
        writer.on_drop = lambda first, last: dropped.append((first, last))
        writer.acknowledge(11, 12)
        with pytest.raises(JournalError, match="malformed"):
            await writer.fetch(1, 3000)
        assert writer.identity == identity
        assert writer.newest > 3000
        assert dropped[-1][1] == writer.newest
        assert writer.sent is not sent
        assert next(iter(writer.sent)) == (1, 12)
        condition = writer.condition()
        assert condition.category is Category.MAINTENANCE_REQUIRED
        assert "salvaged" in condition.found
        assert 2500 < len(await writer.fetch(1, 3000)) < 3000
        before = writer.newest
        writer.submit(levels(1), {})
        assert await writer.flush()
        assert writer.newest == before + 1


async def test_a_rescue_that_fails_is_tried_again(path, monkeypatch):
    tries = []

    def fail(_):
        tries.append(1)
        raise JournalError("no room")

    async with running(path) as writer:
        writer.submit(levels(1), {})
        await writer.grown.get()
        with monkeypatch.context() as patch:
            patch.setattr("edge.journal.opening.rescue", fail)
            patch.setattr(writer._journal, "append", malformed)
            writer.submit(levels(2), {})
            await writer.failed.wait()
            assert not await writer.flush()
        assert tries
        assert await writer.grown.get() == 3


def malformed(*_args, **_named):
    error = sqlite3.DatabaseError("database disk image is malformed")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    raise error


# ------------------------------------------------------------------- files that come and go


async def test_a_journal_that_was_deleted_is_put_back(path):
    async with running(path) as writer:
        writer.submit(levels(2), {})
        await writer.grown.get()
        identity = writer.identity
        path.unlink()
        writer.submit(levels(1), {})
        await writer.failed.wait()
        assert await writer.grown.get() == 3
        assert writer.identity == identity
    journal = Journal(path)
    assert [r.value for r in journal.fetch(1, 9)] == [0, 1, 0]
    journal.close()


async def test_another_file_in_its_place_is_gone_on_with(path, tmp_path):
    other = Journal(tmp_path / "other.sqlite", SERIES)
    other.append(levels(4))
    other.close()
    async with running(path) as writer:
        writer.submit(levels(9), {})
        await writer.grown.get()
        writer.acknowledge(1, 9)
        other.path.replace(path)
        writer.submit(levels(1), {})
        await writer.failed.wait()
        assert await writer.grown.get() == 5
        assert writer.identity == other.identity
        assert list(writer.sent) == []  # what was acknowledged were numbers of the other


async def test_an_older_copy_in_its_place_uses_no_number_twice(path, tmp_path):
    async with running(path) as writer:
        writer.submit(levels(2), {})
        await writer.grown.get()
        await ask(writer, f"VACUUM INTO '{tmp_path / 'copy'}'")
        writer.submit(levels(3), {})
        await writer.grown.get()
        (tmp_path / "copy").replace(path)
        writer.submit(levels(1), {})
        await writer.failed.wait()
        assert await writer.grown.get() == 6
        assert [(g.first, g.last, g.why) for g in writer.untold()] == [(3, 5, WhyGone.DAMAGED)]
        assert [r.seq for r in await writer.fetch(1, 9)] == [1, 2, 6]


async def test_a_handle_gone_stale_is_opened_anew_and_nothing_kept_twice(path, monkeypatch):
    """A commit that reports an error may be on the disk once the medium is back."""
    monkeypatch.setattr("edge.journal.mending._FAILURES_TO_REOPEN", 2)
    async with running(path) as writer:
        journal = writer._journal
        append, reopen = journal.append, journal.reopen

        def written_but_failing(*args, **named):
            if journal.newest == 0:
                append(*args, **named)
                journal.newest = 0
            raise sqlite3.OperationalError("disk I/O error")

        def back():
            reopen()
            monkeypatch.setattr(journal, "append", append)

        monkeypatch.setattr(journal, "append", written_but_failing)
        monkeypatch.setattr(journal, "reopen", back)
        writer.submit(levels(2), {})
        await writer.failed.wait()
        journal.newest = 0
        writer.submit(levels(1, start=50), {})
        while writer.newest < 3:
            await writer.grown.get()
        assert [r.utc_ms for r in await writer.fetch(1, 9)] == [0, 1000, 50_000]


async def test_a_kept_commit_is_recognised_once_the_time_is_known(path, monkeypatch):
    monkeypatch.setattr("edge.journal.mending._FAILURES_TO_REOPEN", 2)
    here = Stamp("here", 0)
    async with running(path) as writer:
        journal = writer._journal
        append, reopen = journal.append, journal.reopen

        def written_but_failing(*args, **named):
            if journal.newest == 0:
                append(*args, **named)
                journal.newest, journal.untimed = 0, []
                writer.give_true_time("here", 50)
            raise sqlite3.OperationalError("disk I/O error")

        def back():
            reopen()
            monkeypatch.setattr(journal, "append", append)

        monkeypatch.setattr(journal, "append", written_but_failing)
        monkeypatch.setattr(journal, "reopen", back)
        writer.submit(levels(2), {}, here)
        await writer.failed.wait()
        writer.submit(levels(1), {})
        await until(writer, lambda: writer.newest >= 3 and writer.sendable >= 3)
        assert [r.utc_ms for r in await writer.fetch(1, 9)] == [50, 1050, 0]


async def test_a_file_that_cannot_be_looked_into_is_not_taken_for_the_one_before(
    path, tmp_path, monkeypatch
):
    other = Journal(tmp_path / "other.sqlite", SERIES)
    other.append(levels(2))
    other.close()
    async with running(path) as writer:
        writer.submit(levels(9), {})
        await writer.grown.get()
        before = writer.identity
        journal = writer._journal
        look = journal.nothing_to_send

        def once():
            monkeypatch.setattr(journal, "nothing_to_send", look)
            raise sqlite3.OperationalError("disk I/O error")

        monkeypatch.setattr(journal, "nothing_to_send", once)
        other.path.replace(path)
        writer.acknowledge(1, 9)
        writer.submit(levels(1), {})
        await writer.failed.wait()
        with pytest.raises(JournalError, match="closed"):
            await writer.fetch(1, 9)
        assert writer.identity == before
        await until(writer, lambda: writer.newest == 3)
        assert writer.identity == other.identity
        assert list(writer.sent) == []
        assert await ask(writer, "SELECT * FROM sent") == []


async def test_a_rescue_goes_on_when_nobody_waits_for_it_any_more(path, monkeypatch):
    async with running(path) as writer:
        writer.submit(levels(5), {})
        await writer.grown.get()
        monkeypatch.setattr("edge.journal.writer.take_out_damaged", malformed)
        fetching = asyncio.create_task(writer.fetch(1, 5))
        rescue, begun = writer._journal.rescue, asyncio.Event()

        def rescue_begun():
            loop.call_soon_threadsafe(begun.set)
            rescue()

        loop = asyncio.get_running_loop()
        monkeypatch.setattr(writer._journal, "rescue", rescue_begun)
        await begun.wait()
        fetching.cancel()
        writer.submit(levels(1), {})
        assert await writer.flush()
        assert writer.newest > 1_000_000
        assert writer.newest - 1 in writer.sent


async def test_a_full_disk_is_made_room_on(path):
    """Pages of the file that its limit leaves, as a disk does its blocks."""
    async with running(path, Retention(keep_ms=10**15, size_limit=10**9)) as writer:
        writer.submit(levels(20_000), {})
        await writer.grown.get()
        writer.acknowledge(1, 20_000)
        await writer.flush()
        quarantine = path.with_name(f"{path.name}.damaged-20260301T063000Z")
        quarantine.touch()
        ((pages,),) = await ask(writer, "PRAGMA page_count")
        await ask(writer, f"PRAGMA max_page_count = {pages + 1}")
        writer.submit(levels(4000), {})
        await writer.failed.wait()
        while writer.newest < 24_000:
            await writer.grown.get()
        assert len(await writer.fetch(20_001, 24_000)) == 4000
        assert writer.lost == 0
        assert not quarantine.exists()


# ------------------------------------------------------------------------------------- condition


async def test_how_the_journal_is_in_words(path):
    async with running(path) as writer:
        writer.submit(levels(3), {})
        await writer.grown.get()
        sound = writer.condition()
        assert sound.sound
        assert sound.found.startswith("3 readings, 0.0 of 1000 MB; 3 not sent yet")
        writer.acknowledge(1, 3)
        assert writer.condition().found.endswith("all sent up to number 3")
        with locked(writer, path):
            writer.submit(levels(2), {})
            await writer.failed.wait()
            failing = writer.condition()
        assert failing.category is Category.FAILURE
        assert failing.found == "cannot be written (database is locked); 2 readings wait in memory"
        assert failing.doing == "tried again every 5 s"
        await writer.grown.get()


async def test_a_full_journal_says_what_it_does_about_it(path):
    by_minute = [one.__class__("level", k * 60_000, 1.0) for k, one in enumerate(levels(200))]
    async with running(path, Retention(10**15, 1000, 3_600_000)) as writer:
        done = asyncio.Event()
        writer.on_drop = lambda *_: done.set()
        writer.submit(by_minute, {})
        await done.wait()
        condition = writer.condition()
        assert condition.category is Category.OUT_OF_SPECIFICATION
        assert condition.found.startswith("full (0.0 of 0 MB); ")
        assert condition.doing == "the oldest readings not sent are deleted, on record"


async def test_thinned_readings_go_on_being_offered(path):
    journal = Journal(path, SERIES)
    journal.append([r.__class__("level", k * 60_000, 1.0) for k, r in enumerate(levels(9000))])
    size = journal.bytes_used()
    journal.close()
    with structlog.testing.capture_logs() as logs:
        async with running(path, Retention(10**15, int(0.8 * size), 3_600_000)) as writer:
            writer.submit(levels(1, start=9000 * 60), {})
            await writer.grown.get()
            while not writer.untold():
                await writer.flush()
                await ask(writer, "SELECT 1")  # a turn of the thread
            rows = await writer.fetch(1, 5000)
            assert {r.reason for r in rows} >= {Reason.THINNED}
            assert 1 not in writer.sent
            (gap, *_) = writer.untold()
            assert isinstance(gap, Gap)
            assert gap.why is WhyGone.THINNED
    assert [e for e in logs if "are thinned" in e["event"]]
