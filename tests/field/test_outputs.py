"""The outputs of a station: who has them on, who waits, who is told why not."""

import asyncio
import contextlib

import pytest
import structlog

from edge.field.output import OutputRules
from edge.field.outputs import Outputs
from edge.status import Category, Reason
from hw_fakes.clock import ManualClock


class ScriptedSwitch:
    """Stands in for a relay where only the order and the time of switching matter."""

    def __init__(self, clock, board=None):
        self.clock = clock
        self.board = board or self
        self.on = None
        self.answer = Reason.OK
        self.found = "as told"
        self.log = []
        self.never_ends = False
        self.closed = False

    async def set(self, on):
        self.log.append((self.clock.monotonic(), "on" if on else "off"))
        if self.never_ends:
            await asyncio.Event().wait()
        if self.answer is Reason.OK:
            self.on = on
        return self.answer

    async def get(self):
        return self.on if self.found == "as told" else self.found

    async def close(self):
        self.closed = True


class Bench:
    """``boards`` names the board of those outputs that have one in common."""

    def __init__(self, clock, boards=None, **rules):
        self.clock = clock
        self.switches = {name: ScriptedSwitch(clock, (boards or {}).get(name)) for name in rules}
        self.outputs = Outputs(
            self.switches, rules, {name for name in rules if name != "lamp"}, clock=clock
        )
        self.got = {}

    def log(self, name):
        return self.switches[name].log

    async def use(self, who, name, seconds):
        """Be inside a supply for so long; ``got`` says what was said, and when."""
        async with self.outputs.powered(name) as reason:
            self.got[who] = (reason, self.clock.monotonic())
            if reason is Reason.OK:
                await self.clock.sleep(seconds)


@contextlib.asynccontextmanager
async def running(boards=None, **rules):
    clock = ManualClock()
    bench = Bench(clock, boards, **rules)
    tasks = [asyncio.create_task(bench.outputs.run())]
    bench.start = lambda *use: tasks.append(asyncio.create_task(bench.use(*use)))
    await clock.settle()
    try:
        yield bench, clock
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def test_a_supply_is_off_until_somebody_needs_it_and_warms_up_first():
    async with running(loops=OutputRules(warm_up=5)) as (bench, clock):
        assert bench.log("loops") == [(0, "off")]
        assert not bench.outputs.is_on("loops")
        await clock.advance(10)
        bench.start("a", "loops", 2)
        await clock.advance(4)
        assert bench.outputs.is_on("loops")
        assert bench.got == {}
        await clock.advance(10)
        assert bench.got == {"a": (Reason.OK, 15)}
        assert bench.log("loops")[1:] == [(10, "on"), (17, "off")]


async def test_all_who_need_a_supply_share_one_switching_and_one_warm_up():
    async with running(loops=OutputRules(warm_up=5)) as (bench, clock):
        bench.start("a", "loops", 2)
        await clock.advance(3)
        bench.start("b", "loops", 6)
        await clock.advance(3)
        bench.start("c", "loops", 1)
        await clock.advance(20)
        assert bench.got == {"a": (Reason.OK, 5), "b": (Reason.OK, 5), "c": (Reason.OK, 6)}
        assert bench.log("loops")[1:] == [(0, "on"), (11, "off")]


async def test_least_times_hold_up_both_ways():
    async with running(loops=OutputRules(least_on=60, least_off=100)) as (bench, clock):
        bench.start("a", "loops", 1)
        await clock.advance(99)
        assert bench.got == {}  # off since the start, at the latest
        await clock.advance(500)
        assert bench.got == {"a": (Reason.OK, 100)}
        assert bench.log("loops") == [(0, "off"), (100, "on"), (160, "off")]


async def test_an_output_that_supplies_nothing_is_on_unless_forbidden():
    async with running(lamp=OutputRules()) as (bench, clock):
        assert bench.log("lamp") == [(0, "on")]
        await clock.advance(10)
        bench.outputs.forbid({"lamp"})
        bench.outputs.forbid({"lamp"})
        await clock.advance(10)
        bench.outputs.forbid(frozenset())
        await clock.advance(10)
        assert bench.log("lamp") == [(0, "on"), (10, "off"), (20, "on")]
        with pytest.raises(KeyError):
            bench.outputs.forbid({"lanp"})


async def test_who_is_inside_a_forbidden_supply_gets_a_minute_to_leave():
    async with running(modem=OutputRules()) as (bench, clock):
        bench.start("quick", "modem", 30)
        bench.start("slow", "modem", 300)
        await clock.advance(10)
        bench.outputs.forbid({"modem"})
        bench.start("late", "modem", 1)
        await clock.advance(59)
        assert bench.got["late"] == (Reason.SHED, 10)
        assert bench.outputs.is_on("modem")
        await clock.advance(2)
        assert bench.log("modem")[1:] == [(0, "on"), (70, "off")]
        # It may be on again while "slow" is still inside.
        bench.outputs.forbid(())
        await clock.advance(1)
        assert bench.outputs.is_on("modem")


async def test_a_forbidden_supply_goes_off_with_the_last_who_leaves():
    async with running(modem=OutputRules()) as (bench, clock):
        bench.start("quick", "modem", 30)
        await clock.advance(10)
        bench.outputs.forbid({"modem"})
        await clock.advance(100)
        assert bench.log("modem")[1:] == [(0, "on"), (30, "off")]
        bench.start("late", "modem", 1)
        await clock.advance(100)
        assert len(bench.log("modem")) == 3


async def test_who_waits_for_the_warm_up_of_a_supply_that_is_then_forbidden():
    async with running(modem=OutputRules(warm_up=30)) as (bench, clock):
        bench.start("a", "modem", 30)
        await clock.advance(10)
        bench.outputs.forbid({"modem"})
        await clock.advance(1)
        assert bench.got == {"a": (Reason.SHED, 10)}
        assert bench.log("modem")[1:] == [(0, "on"), (10, "off")]


async def test_a_dead_relay_is_no_supply_until_it_answers_again():
    with structlog.testing.capture_logs() as logs:
        async with running(loops=OutputRules(warm_up=5, retry_limit=8)) as (bench, clock):
            bench.switches["loops"].answer = Reason.NO_REPLY
            bench.start("a", "loops", 1)
            await clock.advance(1)
            assert bench.got == {"a": (Reason.NO_SUPPLY, 0)}
            await clock.advance(100)
            bench.start("b", "loops", 1)
            await clock.advance(1)
            assert bench.got["b"] == (Reason.NO_SUPPLY, 101)
            trouble = bench.outputs.conditions()[1]
            assert trouble.part == "output loops"
            assert trouble.category is Category.FAILURE
            assert "no reply within the time-out" in trouble.found
            assert "tries again every 8 s at least" in trouble.doing
            bench.switches["loops"].answer = Reason.OK
            await clock.advance(10)
            bench.start("c", "loops", 1)
            await clock.advance(10)
            assert bench.got["c"] == (Reason.OK, 117)
            assert len(bench.outputs.conditions()) == 1
    assert [(e["event"], e.get("reason")) for e in logs] == [
        ("output fails", "no-reply"),
        ("output works again", None),
    ]


async def test_an_output_found_otherwise_than_told_is_no_supply():
    with structlog.testing.capture_logs() as logs:
        async with running(loops=OutputRules(retry_limit=8)) as (bench, clock):
            bench.switches["loops"].found = False
            bench.start("a", "loops", 1)
            await clock.settle()
            await asyncio.sleep(0.15)  # real time, which contacts get to move
            await clock.advance(30)
            assert bench.got == {"a": (Reason.NO_SUPPLY, 0)}
            assert not bench.outputs.is_on("loops")
    assert [e.get("reason") for e in logs][:1] == ["not-as-switched"]


async def test_a_contact_that_never_shows_on_is_told_once_however_often_it_goes_off(monkeypatch):
    monkeypatch.setattr("edge.field.driven._CONTACTS_SETTLE", 0.0)
    with structlog.testing.capture_logs() as logs:
        async with running(loops=OutputRules(retry_limit=8)) as (bench, clock):
            switch = bench.switches["loops"]
            switch.found = False
            for user in range(10):
                bench.start(user, "loops", 1)
                await clock.advance(60)
            assert {reason for reason, _ in bench.got.values()} == {Reason.NO_SUPPLY}
            assert [one["event"] for one in logs] == ["output fails"]
            switch.found = "as told"
            await clock.advance(60)
            assert len(logs) == 1  # it goes off, as it did before
            bench.start("last", "loops", 1)
            await clock.advance(1)
            assert bench.got["last"][0] is Reason.OK
            assert [one["event"] for one in logs] == ["output fails", "output works again"]
            # What fails later is told as ever.
            switch.answer = Reason.NO_REPLY
            bench.start("later", "loops", 1)
            await clock.advance(1)
    assert [one.get("reason") for one in logs] == ["not-as-switched", None, "no-reply"]


async def test_a_slow_contact_is_no_failure():
    async with running(loops=OutputRules()) as (bench, clock):
        switch = bench.switches["loops"]
        looks = []

        async def get():
            looks.append(switch.on)
            return switch.on if len(looks) % 2 == 0 else not switch.on

        switch.get = get
        bench.start("a", "loops", 1)
        for _ in range(50):
            await asyncio.sleep(0.01)
            await clock.settle()
        assert bench.got == {"a": (Reason.OK, 0)}


async def test_a_refresh_looks_and_writes():
    async with running(lamp=OutputRules(refresh=60)) as (bench, clock):
        await clock.advance(150)
        assert bench.log("lamp") == [(0, "on"), (60, "on"), (120, "on")]
        bench.switches["lamp"].on = False  # its board lost the supply for a moment
        await clock.settle()
        advancing = asyncio.create_task(clock.advance(60))
        await advancing
        assert bench.log("lamp")[3:] == [(180, "on")]
        assert bench.outputs.is_on("lamp")


async def test_while_a_board_is_silent_one_output_asks_for_all():
    supplies = ["a", "b", "c", "alone"]
    rules = dict.fromkeys(supplies, OutputRules(refresh=60, retry_limit=300))
    boards = dict.fromkeys("abc", "relays")
    with structlog.testing.capture_logs() as logs:
        async with running(boards, **rules) as (bench, clock):
            for name in supplies:
                bench.switches[name].answer = Reason.NO_REPLY
            await clock.advance(59)
            asked = {name: len(bench.log(name)) for name in supplies}
            await clock.advance(3600)
            more = {name: len(bench.log(name)) - asked[name] for name in supplies}
            assert more["a"] + more["b"] + more["c"] == more["alone"] > 0
            # Nobody waits for what is not even asked.
            for name in "abc":
                bench.start(name, name, 1)
            await clock.advance(1)
            assert {bench.got[name][0] for name in "abc"} == {Reason.NO_SUPPLY}
            assert len(bench.outputs.conditions()) == 1 + 4
            for name in supplies:
                bench.switches[name].answer = Reason.OK
            await clock.advance(300)
            assert len(bench.outputs.conditions()) == 1
    said = [(one["event"], one["output"]) for one in logs]
    assert sorted(said) == sorted(
        [(event, name) for event in ("output fails", "output works again") for name in supplies]
    )


async def test_what_a_board_says_of_one_output_holds_up_no_other():
    rules = dict.fromkeys("ab", OutputRules(retry_limit=300))
    async with running(dict.fromkeys("ab", "relays"), **rules) as (bench, clock):
        bench.switches["a"].answer = Reason.ILLEGAL_ADDRESS
        bench.start("1", "a", 1)
        await clock.advance(600)
        bench.start("2", "a", 1)
        bench.start("3", "b", 1)
        await clock.advance(1)
        got = {who: reason for who, (reason, _) in bench.got.items()}
        assert got == {"1": Reason.NO_SUPPLY, "2": Reason.NO_SUPPLY, "3": Reason.OK}


async def test_at_rest_every_output_of_a_silent_board_is_asked():
    rules = dict.fromkeys("abc", OutputRules(retry_limit=300))
    async with running(dict.fromkeys("abc", "relays"), **rules) as (bench, clock):
        await clock.advance(10)
        for name in "abc":
            bench.switches[name].answer = Reason.NO_REPLY
            bench.start(name, name, 1)
        await clock.advance(600)
    asked = {name: len(bench.log(name)) for name in "abc"}
    assert set((await bench.outputs.rest()).values()) == {Reason.NO_REPLY}
    assert {len(bench.log(name)) - asked[name] for name in "abc"} == {1}


async def test_the_summary_says_how_all_are():
    rules = dict.fromkeys(["lamp", "loops", "modem", "dead"], OutputRules())
    async with running(**rules) as (bench, clock):
        bench.switches["dead"].answer = Reason.NO_REPLY
        bench.start("a", "dead", 1)
        bench.outputs.forbid({"modem"})
        await clock.advance(1)
        summary = bench.outputs.conditions()[0]
        assert summary.sound
        assert (
            summary.found
            == "on: lamp; off: loops; off to spare the battery: modem; not known: dead"
        )
        assert bench.outputs.names == ["lamp", "loops", "modem", "dead"]


async def test_at_the_end_all_come_to_rest_least_times_or_not():
    rules = {"lamp": OutputRules(least_on=3600), "modem": OutputRules(at_rest=True)}
    async with running(**rules) as (bench, clock):
        await clock.advance(1)
    assert await bench.outputs.rest() == {"lamp": Reason.OK, "modem": Reason.OK}
    assert bench.log("lamp") == [(0, "on"), (1, "off")]
    assert bench.log("modem")[-1] == (1, "on")
    assert all(switch.closed for switch in bench.switches.values())


async def test_rest_takes_no_time_without_end():
    async with running(lamp=OutputRules(), loops=OutputRules()) as (bench, _):
        bench.outputs._rest_within = 0.05
    bench.switches["loops"].never_ends = True
    with structlog.testing.capture_logs() as logs:
        reasons = await bench.outputs.rest()
    assert reasons == {"lamp": Reason.OK, "loops": Reason.NO_REPLY}
    assert [(e["event"], e["output"]) for e in logs] == [
        ("output may not be in its safe state", "loops")
    ]
    assert bench.switches["loops"].closed


async def test_rest_before_the_tasks_have_ended_is_not_undone():
    async with running(lamp=OutputRules(refresh=60)) as (bench, clock):
        await bench.outputs.rest()
        await clock.advance(300)
        assert {what for at, what in bench.log("lamp") if at > 0} <= {"off"}


async def test_a_defect_ends_the_task_with_its_own_error():
    clock = ManualClock()
    bench = Bench(clock, lamp=OutputRules(), loops=OutputRules())

    async def defect(on):
        raise ZeroDivisionError

    bench.switches["loops"].set = defect
    with pytest.raises(ZeroDivisionError):
        await bench.outputs.run()
    # Started again by its supervisor, all goes on.
    del bench.switches["loops"].set
    running = asyncio.create_task(bench.outputs.run())
    bench_user = asyncio.create_task(bench.use("a", "loops", 1))
    await clock.advance(10)
    assert bench.got == {"a": (Reason.OK, 0)}
    running.cancel()
    await asyncio.gather(running, bench_user, return_exceptions=True)


async def test_who_comes_while_the_relay_is_just_being_switched_off():
    async with running(loops=OutputRules(warm_up=5)) as (bench, clock):
        switch, at_once = bench.switches["loops"], bench.switches["loops"].set

        async def slowly(on):
            reason = await at_once(on)
            await clock.sleep(3)
            return reason

        switch.set = slowly
        bench.start("a", "loops", 1)
        await clock.advance(10)
        assert bench.got == {"a": (Reason.OK, 8)}
        assert bench.log("loops")[-1] == (9, "off")
        bench.start("b", "loops", 1)
        await clock.advance(30)
        assert bench.log("loops")[1:] == [(0, "on"), (9, "off"), (12, "on"), (21, "off")]
        assert bench.got["b"] == (Reason.OK, 20)
