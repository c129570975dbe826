import pytest

from edge.station.model import Station
from hw_fakes.loads import StationLoads

NOW = 1_772_348_400.0


def station(loads):
    return Station.model_validate(
        {
            "station": {"id": "ash-creek-7"},
            "buses": {
                "rs485": {
                    "kind": "modbus-rtu",
                    "port": "/dev/x",
                    "devices": {"relays": {"unit": 1}},
                }
            },
            "channels": {
                "level": {
                    "kind": "value",
                    "bus": "rs485",
                    "device": "relays",
                    "read": {"table": "input", "register": 0},
                    "range": ["0 m", "1 m"],
                    "sample": "1 min",
                }
            },
            "outputs": {
                "modem": {
                    "kind": "coil",
                    "bus": "rs485",
                    "device": "relays",
                    "register": 0,
                    "coil_power": "0.25 W",
                }
            },
            "energy": {"loads": loads},
            "uplink": {"host": "broker.ash-creek.example", "publish": "30 min"},
        }
    )


class Plant:
    """The loads of a station, its output, and the times at which a change was announced."""

    def __init__(self, loads):
        self.outputs = {"modem": False}
        self.announced = []
        self.loads = StationLoads(station(loads), self.outputs, self.announced.append)

    def watts(self, after=0.0):
        return self.loads.watts(NOW + after)


def test_what_is_always_on_is_drawn_through_its_converter():
    assert Plant({"computer": {"power": "1.6 W", "efficiency": "80 %"}}).watts() == 2.0


def test_what_hangs_on_an_output_is_drawn_while_it_is_on_and_so_is_its_coil():
    plant = Plant({"modem": {"power": "3 W", "output": "modem"}})
    assert plant.watts() == 0
    plant.outputs["modem"] = True
    assert plant.watts() == 3.25


def test_what_hangs_on_a_bus_is_drawn_while_that_is_polled():
    plant = Plant({"probe": {"power": "1 W", "bus": "rs485"}})
    assert plant.watts() == 1
    plant.loads.stop_buses(NOW, frozenset({"rs485"}))
    plant.loads.stop_buses(NOW + 1, frozenset({"rs485"}))
    assert plant.watts() == 0
    plant.loads.stop_buses(NOW + 2, frozenset())
    assert plant.watts() == 1
    assert plant.announced == [NOW, NOW + 2]


def test_sending_is_drawn_for_so_long_from_the_first_bytes_on():
    plant = Plant({"sending": {"power": "4 W", "per_publish": "20 s"}})
    assert plant.watts() == 0
    assert plant.loads.until(NOW) == float("inf")
    plant.loads.sent(NOW)
    plant.loads.sent(NOW + 10)  # it is the same publishing still
    assert plant.loads.until(NOW + 10) == NOW + 20
    assert [plant.watts(after) for after in (0, 19.9, 20)] == [4, 4, 0]
    plant.loads.sent(NOW + 1800)
    assert plant.watts(1801) == 4
    assert plant.announced == [NOW, NOW + 1800]


@pytest.mark.parametrize(
    ("load", "halted"),
    [
        ({"power": "2 W"}, 2.0),
        ({"power": "2 W", "when_halted": "0.5 W"}, 0.5),
        ({"power": "2 W", "when_halted": "0 W"}, 0.0),
        ({"power": "2 W", "per_publish": "20 s"}, 0.0),
    ],
)
def test_a_computer_that_is_halted_draws_what_the_file_says(load, halted):
    plant = Plant({"computer": load})
    plant.loads.sent(NOW)
    plant.loads.halt(NOW)
    assert plant.watts() == halted
    plant.loads.halt(NOW + 1, halted=False)
    assert plant.watts() == 2
