"""What is drawn in every stage, reckoned by hand beside it."""

import pytest

from edge.energy.stages import Effects
from edge.plan.demand import demand_in, demands
from edge.station.loader import load
from tests.plan.stations import NORTH, SOUTH, WELL_7, changed


def lines(station, effects):
    return {line.load: line for line in demand_in(station, station.energy, effects).lines}


NORMAL = Effects()
HALTED = Effects(halt=True)


@pytest.fixture
def well():
    return load(WELL_7)


def test_a_load_that_is_always_on(well):
    line = lines(well, NORMAL)["computer"]
    assert line.duty == 1
    assert line.wh_per_day == pytest.approx(1.6 / 0.88 * 24)


def test_sensors_are_supplied_around_their_slots(well):
    # 8 s of warm-up and a second of reading, every 5 min; stretched, every 15 min.
    assert lines(well, NORMAL)["transmitters"].duty == pytest.approx(9 / 300)
    assert lines(well, Effects(stretch_sampling=3))["transmitters"].duty == pytest.approx(9 / 900)
    # The relay that switches them draws as long.
    assert lines(well, NORMAL)["coil of sensors"].duty == pytest.approx(9 / 300)


def test_channels_share_a_supply():
    # Every 5 and every 10 min: every other slot is shared. Every 7.5 and 5 min: every third is.
    shared = changed(WELL_7, ('range = ["0 psi", "100 psi"]', 'range = ["0 psi", "99 psi"]'))
    assert lines(shared, NORMAL)["transmitters"].duty == pytest.approx(9 / 300)
    text = 'range = ["0 psi", "100 psi"]\nsupply = "sensors"\nsample = "5 min"'
    other = changed(WELL_7, (text, text.replace("5 min", "450 s")))
    slots = {n * 300 for n in range(288)} | {n * 450 for n in range(192)}
    assert lines(other, NORMAL)["transmitters"].duty == pytest.approx(len(slots) * 9 / 86400)


def test_windows_that_meet_are_one():
    text = 'supply = "sensors"\nsample = "5 min"'
    often = changed(WELL_7, (text, text.replace("5 min", "9 s")))
    assert lines(often, NORMAL)["transmitters"].duty == 1


def test_least_on_counts(well):
    slow = changed(WELL_7, ('warm_up = "8 s"', 'warm_up = "8 s"\nleast_on = "60 s"'))
    assert lines(slow, NORMAL)["transmitters"].duty == pytest.approx(60 / 300)


def test_what_a_stage_has_off(well):
    off = lines(well, Effects(off=frozenset({"visitors", "sensors"})))
    assert off["access-point"].duty == off["transmitters"].duty == 0
    assert off["coil of visitors"].duty == 0
    assert lines(well, NORMAL)["access-point"].duty == 1


def test_the_link_of_a_connection_that_stands(well):
    assert lines(well, NORMAL)["modem"].duty == 1
    assert lines(well, Effects(stretch_publishing=4))["modem"].duty == 1


def test_the_link_of_a_timetable(well):
    # 40 s of warm-up and 20 s of sending, three times a day.
    three = lines(well, Effects(publish_at=(360, 720, 1080)))
    assert three["modem"].duty == pytest.approx(3 * 60 / 86400)
    assert three["sending"].duty == pytest.approx(3 * 20 / 86400)


def test_the_link_of_a_connection_for_each_publishing():
    # 60 s of warm-up, and the 30 s that are taken for sending where nothing is said.
    north = load(NORTH)
    assert lines(north, NORMAL)["modem"].duty == pytest.approx(24 * 90 / 86400)
    assert lines(north, Effects(stretch_publishing=8))["modem"].duty == pytest.approx(
        3 * 90 / 86400
    )


def test_the_link_switched_off(well):
    dead = lines(well, Effects(off=frozenset({"modem"})))
    assert dead["modem"].duty == dead["sending"].duty == 0


def test_sending_without_a_switched_link():
    assert lines(load(SOUTH), NORMAL)["sending"].duty == pytest.approx(24 * 25 / 86400)


def test_no_uplink_no_publishing():
    text = SOUTH.read_text(encoding="utf-8")
    without = changed(SOUTH, (text[text.index("[uplink]") :], ""))
    assert lines(without, NORMAL)["sending"].duty == 0


def test_a_bus_that_is_stopped(well):
    of_bus = changed(WELL_7, ('power = "0.5 W"', 'power = "0.5 W"\nbus = "rs485"'))
    stopped = Effects(stopped=frozenset({"rs485"}))
    assert lines(of_bus, NORMAL)["modules"].duty == 1
    assert lines(of_bus, stopped)["modules"].duty == 0
    # Nor do its sensors need a supply.
    assert lines(of_bus, stopped)["transmitters"].duty == 0
    assert demand_in(of_bus, of_bus.energy, stopped).measures
    both = Effects(stopped=frozenset({"rs485", "charger"}))
    assert not demand_in(of_bus, of_bus.energy, both).measures


def test_halted(well):
    halted = lines(well, HALTED)
    assert halted["computer"].wh_per_day == pytest.approx(0.2 / 0.88 * 24)
    assert halted["modules"].duty == 1
    assert halted["modem"].duty == halted["sending"].duty == halted["transmitters"].duty == 0
    assert not demand_in(well, well.energy, HALTED).measures
    resting = changed(WELL_7, ('title = "Modem"', 'title = "Modem"\nat_rest = "on"'))
    assert lines(resting, HALTED)["modem"].duty == 1


def test_the_controller_draws_too(well):
    assert lines(well, HALTED)["charge controller"].wh_per_day == pytest.approx(0.008 * 12 * 24)


def test_all_stages_in_order(well):
    found = demands(well, well.energy)
    assert [one.stage for one in found] == ["normal", "lean", "sparse", "dark"]
    assert [one.publishings_per_day for one in found] == [48, 24, 3, 0]
    drawn = [one.wh_per_day for one in found]
    assert drawn == sorted(drawn, reverse=True)
    assert found[0].watts == pytest.approx(drawn[0] / 24)


def test_what_the_energy_section_reads_keeps_its_pace(well):
    assert well.steady_channels() == {"battery", "box"}
    supplied = changed(
        WELL_7,
        ('range = ["0 degC", "1 degC"]', 'range = ["0 degC", "1 degC"]\nsupply = "visitors"'),
        ('off = ["visitors"]\n', ""),
    )
    slow = lines(supplied, Effects(stretch_sampling=10))["access-point"]
    assert slow.duty == pytest.approx(1 / 300)


def test_a_voltage_that_is_computed():
    extra = '[channels.sum]\nkind = "sum"\nof = ["battery", "panel"]\n\n[channels.well]'
    computed = changed(
        WELL_7, ("[channels.well]", extra), ('voltage = "battery"', 'voltage = "sum"')
    )
    assert computed.steady_channels() == {"battery", "panel", "box"}
