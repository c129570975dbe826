import json
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from edge.journal import rebuild as rebuilding
from edge.journal import room, salvage
from edge.journal.about import About, SeriesRow, about
from edge.journal.damaged import DamagedFile
from edge.journal.errors import JournalError
from edge.journal.journal import Journal
from edge.journal.layout import APPLICATION_ID
from edge.journal.pages import LEAF_TABLE, Tree, kind, table_rows
from edge.journal.ranges import RangeSet
from edge.journal.rebuild import RESERVE
from edge.journal.rows import Row
from edge.journal.thinning import Thinned
from edge.readings import Condense, Gap, Journalled, Reading, Series, Stamp, WhyGone
from edge.status import Reason
from edge.units import UNITS

SERIES = [
    Series("level", UNITS["ft"]),
    Series("flow.day", UNITS["gal"], condense=Condense.KEEP),
]
STATES = {
    "flow": {"channel": {"tally": {"pulses": 7, "raw": 2**64 - 1}}},
    "long": {"x": "y" * 9000},
}
OK = Reason.OK
PAGE = 4096
COUNT = 3000
HOUR = 3_600_000


@pytest.fixture
def path(tmp_path):
    return tmp_path / "well.sqlite"


def levels(count, start=0):
    return [Reading("level", (start + i) * 1000, i / 3) for i in range(count)]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Journals that several tests begin with: "empty"; "closed"; "cut", as by a power cut."""
    directory = tmp_path_factory.mktemp("made")
    salvage._lay_out(directory / "empty")
    shutil.copyfile(directory / "empty", directory / "closed")
    journal = Journal(directory / "closed", SERIES)
    journal.append(levels(COUNT), STATES, [(1, 1000)])
    journal.close()
    shutil.copyfile(directory / "empty", directory / "open")
    journal = Journal(directory / "open", SERIES)
    for number in range(20):
        journal.append(levels(30, number * 30), {"flow": {"round": number}})
    copy(directory / "open", directory / "cut")
    journal.close()
    return directory


def copy(source, target):
    for ending in ("", "-wal", "-about", "-lock"):
        if Path(f"{source}{ending}").exists():
            shutil.copyfile(f"{source}{ending}", f"{target}{ending}")


@pytest.fixture
def quickly_laid_out(made, monkeypatch):
    """A new journal is had by a copy of one, rather than by another process."""
    monkeypatch.setattr(salvage, "_lay_out", lambda path: shutil.copyfile(made / "empty", path))


@pytest.fixture
def journal(path, made, quickly_laid_out):
    """A journal of 3000 readings, the first 1000 sent, that was closed in an orderly way."""
    copy(made / "closed", path)
    journal = Journal(path, SERIES)
    journal.close()
    return journal


def changed(path, change):
    """Open a journal, change it as told, close it."""
    journal = Journal(path, SERIES)
    change(journal)
    journal.close()


def check(holds):
    assert holds


def root(path, name):
    with closing(sqlite3.connect(path)) as db:
        query = "SELECT rootpage FROM sqlite_schema WHERE name = ?"
        return db.execute(query, (name,)).fetchone()[0]


def leaves(path, table):
    first = root(path, table)
    with DamagedFile(path) as file:
        tree = Tree(first, file.shape, file.page, bytearray(file.count + 1))
        return [number for number, page in tree.pages() if kind(page, number) == LEAF_TABLE]


def overwrite(path, *numbers, content=bytes(PAGE)):
    with path.open("r+b") as file:
        for number in numbers:
            file.seek((number - 1) * PAGE)
            file.write(content)


def salvaged(path):
    """Salvage within this process, and return what it says."""
    return salvage._salvage(path)


def held(path):
    journal = Journal(path, SERIES)
    try:
        assert journal.rescued is None
        found = {one.seq: one for one in journal.fetch(1, journal.newest)}
        return found, journal.gaps(), journal
    finally:
        journal.close()


def as_written(count, start=1):
    return {
        seq: Journalled(seq, "level", (seq - 1) * 1000, (seq - 1) / 3, Reason.OK)
        for seq in range(start, start + count)
    }


def test_a_sound_journal_comes_out_as_it_was(journal, path):
    assert salvage.rescue(path) == salvage.Rescued(
        COUNT, COUNT, next(path.parent.glob("well.sqlite.damaged-*Z"))
    )
    again = Journal(path, SERIES)
    assert again.identity == journal.identity
    assert {one.seq: one for one in again.fetch(1, COUNT)} == as_written(COUNT)
    assert again.states() == STATES
    assert again.sent == RangeSet([(1, 1000)])
    assert again.condensing() == {1: Condense.MEAN, 2: Condense.KEEP}
    again.close()


def test_no_number_is_given_out_twice(journal, path):
    salvaged(path)
    _, gaps, again = held(path)
    assert again.newest == COUNT + RESERVE
    beyond = gaps[-1]
    assert (beyond.first, beyond.last) == (COUNT + 1, COUNT + RESERVE)
    assert (beyond.why, beyond.since_ms) == (WhyGone.DAMAGED, (COUNT - 1) * 1000)
    assert again.untold == gaps


@pytest.mark.parametrize("content", [bytes(PAGE), bytes(range(256)) * 16, b"\x0d" + b"\xff" * 4095])
def test_what_a_lost_page_held_is_on_record(journal, path, content):
    page = leaves(path, "reading")[15]
    overwrite(path, page, content=content)
    told = salvaged(path)
    found, gaps, _ = held(path)
    lost = gaps[0]
    missing = lost.last - lost.first + 1
    assert 50 < missing < 250
    assert found == {
        seq: one for seq, one in as_written(COUNT).items() if not lost.first <= seq <= lost.last
    }
    assert (lost.since_ms, lost.until_ms) == ((lost.first - 2) * 1000, lost.last * 1000)
    assert (told["readings"], told["expected"]) == (COUNT - missing, COUNT)
    assert told["lacking"] == []


@pytest.mark.parametrize("name", ["reading", "sqlite_schema"])
def test_leaves_without_their_root_are_found(journal, path, name):
    overwrite(path, 1 if name == "sqlite_schema" else root(path, name))
    told = salvaged(path)
    found, _, again = held(path)
    assert found == as_written(COUNT)
    assert again.identity == journal.identity
    assert (told["readings"], told["expected"]) == (COUNT, COUNT)


def test_a_changed_value_is_not_believed(journal, path):
    page = leaves(path, "reading")[3]
    with path.open("r+b") as file:
        file.seek(page * PAGE - 3)  # within the row that stands last on the page, the first of it
        byte = file.read(1)[0]
        file.seek(page * PAGE - 3)
        file.write(bytes([byte ^ 4]))
    assert salvaged(path)["readings"] == COUNT - 1


@pytest.mark.parametrize("table", ["series", "identity"])
def test_what_the_note_beside_it_says_is_enough(journal, path, table):
    overwrite(path, root(path, table))
    told = salvaged(path)
    found, _, again = held(path)
    assert found == as_written(COUNT)
    assert again.identity == journal.identity
    assert "identity" not in told["lacking"]
    kinds = {1: Condense.MEAN, 2: Condense.KEEP}
    changed(path, lambda journal: check(journal.condensing() == kinds))


def test_readings_of_a_series_nobody_can_name_are_lost(journal, path):
    overwrite(path, root(path, "series"))
    Path(f"{path}-about").unlink()
    told = salvaged(path)
    assert (told["readings"], told["expected"], told["lacking"]) == (0, 2000, ["series"])


def test_without_an_identity_it_is_another_journal(journal, path, monkeypatch):
    monkeypatch.undo()  # the copies of a new journal all have the same
    overwrite(path, root(path, "identity"))
    Path(f"{path}-about").unlink()
    told = salvaged(path)
    _, _, again = held(path)
    assert again.identity != journal.identity
    assert again.sent == RangeSet()
    assert told["lacking"] == ["identity"]


def test_without_what_was_sent_all_is_sent_again(journal, path):
    overwrite(path, root(path, "sent"))
    assert salvaged(path)["lacking"] == ["sent"]
    found, _, again = held(path)
    assert again.sent == RangeSet()
    assert found == as_written(COUNT)


def test_what_channels_remembered_is_missed(journal, path):
    overwrite(path, root(path, "state"))
    told = salvaged(path)
    assert told["lacking"] == ["state"]
    assert salvage.Rescued(1, 2, path, ("state",)).words == (
        "the journal's file was damaged: 1 of 2 readings were salvaged, the damaged file is kept"
        " as well.sqlite; what some channels had to remember, such as totals, is older or gone"
    )
    assert held(path)[2].rescued is None


def test_what_was_let_go_does_not_come_back(journal, path):
    def let_go(journal):
        journal.delete_sent(1, 1000)
        journal.record_gap(Gap(1001, 2000, WhyGone.DROPPED, 0, 9, 77))

    changed(path, let_go)
    salvaged(path)
    found, gaps, _ = held(path)
    assert found == as_written(1000, start=2001)
    assert gaps[0] == Gap(1001, 2000, WhyGone.DROPPED, 0, 9, 77)
    assert len(gaps) == 2


def test_what_was_thinned_stays_thinned_though_its_page_is_lost(journal, path):
    """The condensed rows are on the pages that are lost; the old ones lie on pages now free."""

    def thin(journal):
        gone = [seq for seq in range(1001, 2000) if seq != 1500]
        rows = [Row(1500, 1, 1_499_000, 1.5, Reason.THINNED.code)]
        journal.thin(Gap(1001, 1999, WhyGone.THINNED, 0, 9, 77), Thinned(changed=rows, gone=gone))

    changed(path, thin)
    overwrite(path, root(path, "reading"))
    salvaged(path)
    found, gaps, _ = held(path)
    assert [seq for seq in found if 1001 <= seq <= 1999] == [1500]
    assert found[1500].reason is Reason.THINNED
    assert gaps[0].why is WhyGone.THINNED


def test_untimed_readings_go_on_waiting(journal, path):
    stamp = Stamp("boot-1", 500)
    changed(path, lambda journal: journal.append(levels(10, COUNT), stamp=stamp))
    overwrite(path, leaves(path, "reading")[3])
    salvaged(path)
    assert held(path)[2].untimed == [(COUNT + 1, COUNT + 10, stamp)]


def test_the_time_is_unsure_where_nobody_knows_whether_it_was_put_right(
    path, made, quickly_laid_out
):
    shutil.copyfile(made / "empty", path)
    journal = Journal(path, SERIES)
    journal.append(levels(10), stamp=Stamp("boot-1", 500))
    journal.append([Reading("level", 1, None, Reason.NO_REPLY)], {"flow": {"round": 1}})
    cut = path.with_name("cut")
    copy(path, cut)
    journal.close()
    # A bit of the log's last frame but one: whatever page it is of, an earlier one stands now.
    flip(Path(f"{cut}-wal"), -(24 + PAGE) - 30)
    told = salvaged(cut)
    found, _, again = held(cut)
    assert again.untimed == []
    assert found[1].reason is Reason.TIME_UNSURE
    assert "untimed" not in told["lacking"]


@pytest.fixture
def cut(path, made, quickly_laid_out):
    """A journal whose readings are all in the log still: 20 transactions of 30 each."""
    copy(made / "cut", path)
    return path


def flip(file, at):
    content = bytearray(file.read_bytes())
    content[at] ^= 8
    file.write_bytes(content)


def test_a_damaged_log_is_told_from_one_that_a_power_cut_left(cut):
    log = Path(f"{cut}-wal")
    assert not salvage.log_breaks_off(cut)
    whole = log.read_bytes()
    for length in (0, 31, 32, 100, len(whole) // 2, len(whole) - 1):
        log.write_bytes(whole[:length])
        assert not salvage.log_breaks_off(cut)
    log.write_bytes(whole)
    flip(log, len(whole) - 100)  # the last transaction: not safe yet, for all that can be known
    assert not salvage.log_breaks_off(cut)
    flip(log, len(whole) // 2)
    assert salvage.log_breaks_off(cut)


def test_one_bit_of_the_log_does_not_cost_what_was_committed_after_it(cut):
    log = Path(f"{cut}-wal")
    flip(log, log.stat().st_size // 2)
    journal = Journal(cut, SERIES)
    assert journal.rescued
    assert journal.rescued.readings == 600
    assert journal.states() == {"flow": {"round": 19}}
    assert {one.seq: one for one in journal.fetch(1, 600)}.keys() == set(range(1, 601))
    journal.close()


def timed(path, made):
    """Lay out a journal whose readings got their time in the log, as a power cut leaves it.

    Returns the offset in the log of the newest frame of a leaf of readings.
    """
    at_work = path.with_name("at-work")
    shutil.copyfile(made / "empty", at_work)
    journal = Journal(at_work, SERIES)
    journal.append(levels(1500), {"flow": {"round": 0}}, stamp=Stamp("boot-1", 0))
    journal.give_true_time("boot-1", HOUR)
    for number in range(1, 5):
        journal.append(levels(1, 9 * HOUR), {"flow": {"round": number}})
    copy(at_work, path)
    journal.close()
    page = sorted(leaves(at_work, "reading"))[4]
    return newest_frame(path, page)


def newest_frame(path, page):
    log = Path(f"{path}-wal").read_bytes()
    step = 24 + PAGE
    starts = range(32, len(log), step)
    return max(at for at in starts if int.from_bytes(log[at : at + 4], "big") == page)


def test_an_older_version_of_a_damaged_page_is_not_taken_for_what_was_committed(
    path, made, quickly_laid_out
):
    at = timed(path, made)
    log = Path(f"{path}-wal")
    content = bytearray(log.read_bytes())
    content[at + 24 + 2000 : at + 24 + 3000] = bytes(1000)
    log.write_bytes(content)
    told = salvaged(path)
    assert (told["readings"], told["lacking"]) == (1504, [])
    found = list(held(path)[0].values())
    provisional = [one for one in found if one.utc_ms < HOUR]
    assert 20 < len(provisional) < 200
    assert {one.reason for one in provisional} == {Reason.TIME_UNSURE}
    assert {one.reason for one in found if one.utc_ms >= HOUR} == {Reason.OK}


def test_a_page_nobody_knows_makes_all_times_unsure_that_were_put_right(
    path, made, quickly_laid_out
):
    at = timed(path, made)
    log = Path(f"{path}-wal")
    content = bytearray(log.read_bytes())
    content[at : at + 24] = bytes(24)
    log.write_bytes(content)
    salvaged(path)
    found = list(held(path)[0].values())
    assert len(found) == 1504
    assert {one.reason for one in found if one.utc_ms < HOUR} == {Reason.TIME_UNSURE}


def test_an_older_state_is_said_to_be_older(cut):
    with DamagedFile(cut) as file:
        schema = table_rows(file.page(1), 1, file.shape, file.page)
        page = next(values[3] for _, values in schema if values[1] == "state")
    flip(Path(f"{cut}-wal"), newest_frame(cut, page) + 24 + PAGE - 3)
    assert salvaged(cut)["lacking"] == ["state"]
    changed(cut, lambda journal: check(journal.states() == {"flow": {"round": 18}}))


def test_the_first_page_of_the_log_is_not_needed(cut):
    flip(Path(f"{cut}-wal"), newest_frame(cut, 1) + 24 + 200)
    assert (salvaged(cut)["readings"], held(cut)[2].identity) == (600, about(cut).identity)


def test_a_log_too_long_is_left_to_sqlite(cut, monkeypatch):
    log = Path(f"{cut}-wal")
    flip(log, log.stat().st_size // 2)
    monkeypatch.setattr(salvage, "_LONGEST_LOG", log.stat().st_size - 1)
    assert not salvage.log_breaks_off(cut)


def test_what_was_never_committed_is_not_brought_back(cut):
    """The log without its last frame: the transaction that was under way at the power cut."""
    log = Path(f"{cut}-wal")
    log.write_bytes(log.read_bytes()[: -(24 + PAGE)])
    assert salvaged(cut)["readings"] == 570


def test_a_log_whose_file_is_gone_is_salvaged(cut):
    cut.unlink()
    told = salvaged(cut)
    assert told["readings"] == 600
    assert len(held(cut)[0]) == 600


class PowerCutError(Exception):
    pass


@pytest.mark.parametrize("after", range(8))
def test_it_goes_on_wherever_a_power_cut_interrupts_it(cut, monkeypatch, after):
    steps = iter(range(after))

    def stops(call):
        def step(*arguments):
            if next(steps, None) is None:
                raise PowerCutError
            return call(*arguments)

        return step

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", stops(Path.rename))
        patch.setattr(salvage, "put_in_place", stops(salvage.put_in_place))
        patch.setattr(salvage, "flush", stops(salvage.flush))
        try:
            salvaged(cut)
        except PowerCutError:
            assert after < 7
        else:
            assert after == 7
    interrupted = not cut.exists()
    assert salvage.unfinished(cut) == interrupted
    journal = Journal(cut, SERIES)
    assert bool(journal.rescued) == interrupted
    assert len(journal.fetch(1, 600)) == 600
    journal.close()
    # Once more, for what a later damage finds beside the journal.
    assert salvaged(cut)["readings"] == 600
    left = {file.name for file in cut.parent.glob("well.sqlite*")}
    assert len([name for name in left if name.startswith("well.sqlite.damaged")]) <= 2
    assert not salvage.unfinished(cut)


def test_only_the_newest_damaged_file_is_kept_and_it_is_never_salvaged_again(journal, path):
    os.utime(path, (1_000_000_000, 1_000_000_000))
    first = salvaged(path)["quarantine"]
    assert first == "well.sqlite.damaged-20010909T014640Z"
    second = salvaged(path)["quarantine"]
    assert [file.name for file in path.parent.glob("*.damaged*")] == [second]
    path.unlink()
    assert not salvage.unfinished(path)
    salvage.discard_quarantine(path)
    assert not list(path.parent.glob("*.damaged*"))


def test_what_is_kept_beside_a_sound_journal_goes_where_the_disk_is_full(journal, path):
    salvaged(path)
    for ending in (".damaged", ".damaged-wal", ".replaced", ".layout-2"):
        Path(f"{path}{ending}").touch()
    salvage.discard_kept(path)
    assert {file.name for file in path.parent.iterdir()} == {
        f"{path.name}{ending}" for ending in ("", "-lock", "-about", ".layout-2")
    }


def test_noise_leaves_a_new_journal(path, quickly_laid_out):
    path.write_bytes(os.urandom(20 * PAGE))
    told = salvaged(path)
    assert (told["readings"], told["expected"]) == (0, 0)
    _, gaps, again = held(path)
    assert (again.newest, gaps) == (0, [])


@pytest.fixture
def free(path, monkeypatch):
    """Say how many bytes are free, but for those of damaged files that were deleted meanwhile."""

    def say(size):
        def usage(_):
            kept = sum(file.stat().st_size for file in path.parent.glob("*.damaged-*"))
            return whole._replace(free=size - kept)

        whole = shutil.disk_usage(path.parent)
        monkeypatch.setattr(shutil, "disk_usage", usage)

    return say


def test_where_the_disk_has_no_room_only_what_must_be_sent_is_salvaged(journal, path, free):
    free(room.of_all(path) - 1)
    assert salvaged(path)["readings"] == 2000
    assert min(held(path)[0]) == 1001


def test_without_any_room_nothing_is_begun(journal, path, free):
    earlier = path.with_name(f"{path.name}.damaged-20010909T014640Z")
    earlier.write_bytes(b"x")
    before = path.read_bytes()
    free(room.of_unsent(path) - 1)
    with pytest.raises(
        OSError, match=r"the disk is too full: 0\.3 MB are needed, 0\.3 MB are free"
    ):
        salvaged(path)
    assert path.read_bytes() == before
    assert earlier.exists()
    assert not salvage.unfinished(path)


def test_an_earlier_damaged_file_makes_room_only_where_it_must(journal, path, free, monkeypatch):
    earlier = path.with_name(f"{path.name}.damaged-20010909T014640Z")
    earlier.write_bytes(bytes(99_999))
    kept = []
    rebuild = rebuilding.rebuild

    def watched(*arguments, **options):
        kept.append(earlier.exists())
        return rebuild(*arguments, **options)

    monkeypatch.setattr(rebuilding, "rebuild", watched)
    free(room.of_unsent(path) + 99_999)
    salvaged(path)
    assert not earlier.exists()
    salvage.discard_quarantine(path)
    earlier.write_bytes(bytes(99_999))
    free(room.of_unsent(path) + 99_998)
    salvaged(path)
    assert kept == [True, False]


def test_what_has_to_be_kept_fits_into_what_is_asked_for(journal, path):
    """Sent or not: the estimates are those of the file that comes of it, and not far above it."""
    unsent, everything = room.of_unsent(path), room.of_all(path)
    size = path.stat().st_size
    salvaged(path)
    assert path.stat().st_size <= everything <= size + 300_000
    assert unsent < everything - size // 4


def test_what_cannot_be_done_says_why(journal, path):
    path.with_name("well.sqlite.salvaged").mkdir()
    with pytest.raises(
        JournalError, match=r"well\.sqlite: damaged, and could not be salvaged: .*irectory"
    ):
        salvage.rescue(path)
    path.with_name("well.sqlite.salvaged").rmdir()
    assert salvage.rescue(path).readings == COUNT


def test_a_journal_of_an_older_layout_is_salvaged(path, quickly_laid_out):
    with closing(sqlite3.connect(path)) as db:
        db.executescript(f"""
            CREATE TABLE series (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, unit TEXT);
            CREATE TABLE reading (seq INTEGER PRIMARY KEY, series INTEGER, utc_ms INTEGER,
                value REAL, status INTEGER) STRICT;
            CREATE TABLE sent (first INTEGER PRIMARY KEY, last INTEGER NOT NULL) STRICT;
            CREATE TABLE dropped (first INTEGER PRIMARY KEY, last INTEGER NOT NULL,
                utc_ms INTEGER NOT NULL, why TEXT NOT NULL) STRICT;
            CREATE TABLE state (channel TEXT PRIMARY KEY, state TEXT NOT NULL)
                STRICT, WITHOUT ROWID;
            INSERT INTO series VALUES (1, 'level', 'm');
            INSERT INTO dropped VALUES (1, 5, 77, 'size limit');
            INSERT INTO sent VALUES (6, 8);
            INSERT INTO state VALUES ('flow', '{{"a": 1}}');
            PRAGMA application_id = {APPLICATION_ID};
            PRAGMA user_version = 2""")
        rows = [(seq, 1, seq * 1000, float(seq), 0) for seq in range(6, 1000)]
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", [*rows, (1001, 1, 5, 1, 255)])
        db.commit()
    told = salvaged(path)
    found, gaps, again = held(path)
    assert found == {n: Journalled(n, "level", n * 1000, float(n), OK) for n in range(6, 1000)}
    assert gaps[0] == Gap(1, 5, WhyGone.DROPPED, None, None, 77)
    assert again.sent == RangeSet([(6, 8)])
    assert told["lacking"] == []
    changed(path, lambda journal: check(journal.states() == {"flow": {"a": 1}}))


def test_the_note_is_kept_up_to_date_and_believed_only_when_whole(journal, path):
    note = about(path)
    assert note == About(
        journal.identity,
        {1: SeriesRow("level", "m", "mean"), 2: SeriesRow("flow.day", "m3", "keep")},
    )
    file = Path(f"{path}-about")
    text = file.read_text()
    file.write_text(text.replace("flow.day", "flow.dax"))
    assert about(path) is None
    changed(path, lambda _: None)
    assert about(path) == note
    file.unlink()
    assert about(path) is None


def test_the_command_says_what_came_of_it(journal, path, monkeypatch, capsys):
    monkeypatch.setattr("sys.argv", ["salvage", str(path)])
    salvage.main()
    assert json.loads(capsys.readouterr().out)["readings"] == COUNT
    monkeypatch.setattr("sys.argv", ["salvage", str(path / "nowhere")])
    with pytest.raises(SystemExit, match="Not a directory"):
        salvage.main()
