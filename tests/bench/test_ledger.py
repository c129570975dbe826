import dataclasses

import pytest

from edge.readings import Journalled
from edge.status import Reason
from edge.uplink.books import Books
from edge.uplink.senml import decode, encode
from hw_fakes.ledger import draw_up

ROWS = [
    Journalled(1, "level", 0, 3.0, Reason.OK),
    Journalled(2, "level", 1000, 3.4, Reason.OK),
    Journalled(3, "level", 2000, None, Reason.OPEN_LOOP),
]


def ledger(rows=ROWS, sent=(ROWS,), made=3, pulses=(7, 7), arrived=None, **more):
    books = Books()
    got = {}
    for pack in sent:
        new = books.enter(decode(encode(pack, "ash-creek-2", {})))
        got.update({r.seq: r for r in new})
    return draw_up(
        made,
        rows,
        books,
        got if arrived is None else arrived,
        truth=lambda _series, _utc_ms: 3.0,
        levels={"level": 30.0},
        pulses=pulses,
        malformed=more.get("malformed", 0),
        faults=more.get("faults", True),
        notes={"seed": 1},
        waiting=more.get("waiting", ()),
        energy=more.get("energy"),
    )


def test_an_account_that_adds_up():
    account = ledger(sent=(ROWS, ROWS[:2]))
    assert account.complaints() == []
    assert account.as_json() == {
        "made": 3,
        "journalled": 3,
        "arrived": 3,
        "waiting": 0,
        "unexplained": 0,
        "duplicates": 2,
        "gaps": 0,
        "unknown": 0,
        "altered": 0,
        "malformed": 0,
        "bad": 1,
        "bad_limit": 3,
        "by_status": {"ok": 2, "open-loop": 1},
        "pulses_world": 7,
        "pulses_station": 7,
        "level_rms_m": pytest.approx((0.4**2 / 2) ** 0.5),
        "level_worst_m": pytest.approx(0.4),
        "level_limit_m": 0.3,
        "seed": 1,
        "ok": True,
    }
    assert "everything adds up" in account.as_text()


@pytest.mark.parametrize(
    ("account", "complaint"),
    [
        (ledger(made=4), "4 readings were made but 3 journalled"),
        (ledger(sent=(ROWS[:2],)), "3 readings were journalled but 2 arrived"),
        (ledger(sent=(ROWS[:2],)), "1 readings are lost, and nobody says why"),
        (ledger(sent=(ROWS[:2],), waiting=[2]), "3 readings were journalled but 2 arrived"),
        (ledger(made=5), "2 readings are lost, and nobody says why"),
        (ledger(sent=(ROWS[:1], ROWS[2:])), "1 readings are missing in between"),
        (ledger(pulses=(7, 6)), "the meters gave 7 pulses, the station counted 6"),
        (ledger(rows=[], made=0, sent=()), "no reading arrived"),
        (
            ledger(rows=[ROWS[0]._replace(value=5.0), *ROWS[1:]]),
            "1 readings arrived other than they were journalled",
        ),
        (
            ledger(arrived={1: ROWS[0], 9: ROWS[0]._replace(seq=9)}),
            "1 readings arrived that the journal does not have",
        ),
        (ledger(malformed=2), "2 messages could not be read"),
        (ledger(rows=[ROWS[2]], made=1, sent=([ROWS[2]],)), "no reading of a level is good"),
        (ledger(rows=[ROWS[2]] * 30, faults=False), "30 readings are bad, more than 2"),
        (dataclasses.replace(ledger(), level_rms_m=0.5), "the level was off by 0.5 m (RMS)"),
    ],
)
def test_whatever_does_not_add_up_is_told(account, complaint):
    assert any(words.startswith(complaint) for words in account.complaints())
    assert account.as_json()["ok"] is False
    assert complaint in account.as_text()


def test_readings_may_wait_where_the_station_sends_by_the_hour():
    account = ledger(sent=(ROWS[:2],), waiting=[1, 3])
    assert account.complaints() == []
    assert account.as_json()["waiting"] == 1
    assert "waiting to be sent" in account.as_text()


def test_what_is_shed_is_given_up_and_not_bad():
    rows = [*ROWS[:2], *(Journalled(3 + i, "level", 2000, None, Reason.SHED) for i in range(20))]
    account = ledger(rows=rows, made=22, sent=(rows,), faults=False)
    assert account.complaints() == []
    assert account.bad == 0
    assert account.by_status == {"shed": 20, "ok": 2}


def test_a_station_without_a_level():
    account = draw_up(
        1, ROWS[:1], Books(), {}, truth=lambda *_: None, levels={}, pulses=(0, 0),
        malformed=0, faults=False, notes={},
    )  # fmt: skip
    assert account.level_rms_m is None
    assert "no level channel" in account.as_text()
