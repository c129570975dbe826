import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.energy.circuits import AMPACITY, FUSES, Circuit, ampacity, wire_circuit, wire_ohms

CIRCUITS = st.builds(
    Circuit,
    amperes=st.floats(0.001, 100),
    length=st.floats(0, 100),
    nominal_v=st.sampled_from([6.0, 12.0, 24.0, 48.0]),
    surge=st.none() | st.floats(0.001, 200),
    most_drop=st.floats(0.005, 0.2),
    gauge=st.none() | st.integers(4, 30),
    fuse=st.none() | st.sampled_from(FUSES),
)


def test_the_modem_of_ash_creek():
    found = wire_circuit(Circuit(amperes=1.0, length=3.0, surge=2.0))
    assert found.least_fuse == pytest.approx(2.0 / 1.35)
    assert found.fuse == 2.0
    assert found.gauge == 20
    assert found.ampacity == 3.7
    # 2 · 3 m · 33.29 mOhm/m at 20 °C, 15.7 % more at 60 °C, 2 % more for the strands.
    assert found.drop_v == pytest.approx(6 * 0.03329 * 1.1572 * 1.02, rel=1e-3)
    assert found.drop == pytest.approx(found.drop_v / 12)
    assert found.objections == ()


def test_the_steps_are_the_calculation():
    found = wire_circuit(Circuit(amperes=1.0, length=3.0))
    values = {step.what: step.value for step in found.steps()}
    assert values["fuse"] == found.fuse
    assert values["voltage lost"] == found.drop_v
    assert values["size of the wire"] == found.gauge


def test_a_long_wire_is_thick_for_its_drop():
    near, far = (wire_circuit(Circuit(5.0, length)).gauge for length in (0.5, 10.0))
    assert far < near


@pytest.mark.parametrize(
    ("circuit", "words"),
    [
        (Circuit(2.0, 10.0, gauge=20, fuse=3.0), ["loses 1.57 V, 13 % of 12 V, where 3 % may be"]),
        (
            Circuit(2.0, 0.1, gauge=24, fuse=3.0),
            ["bears 2 A, less than 2.5 A, 125 %", "does not protect wire of AWG 24, which"],
        ),
        (Circuit(2.0, 0.1, gauge=14, fuse=2.0), ["fuse of 2 A is less than 2.5 A", "open in time"]),
        (Circuit(2.0, 0.1, gauge=14, fuse=3.0, surge=5.0), ["of 3 A may open at a surge of 5 A"]),
        (Circuit(2.0, 0.1, gauge=18, fuse=10.0), ["10 A does not protect wire of AWG 18"]),
        (Circuit(70.0, 0.1), ["bears 70 A, less than 87.5 A", "no standard fuse is as large"]),
        (Circuit(60.0, 0.1, fuse=80.0), ["80 A does not protect wire of AWG 4, which bears 70 A"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_words(circuit, words):
    said = " / ".join(wire_circuit(circuit).objections)
    for part in words:
        assert part in said


def test_where_no_fuse_will_do_there_is_none_in_the_steps():
    found = wire_circuit(Circuit(70.0, 0.1))
    assert found.fuse is None
    assert "fuse" not in {step.what for step in found.steps()}


def test_a_gauge_between_the_standard_ones_counts_as_the_thinner():
    assert ampacity(13) == ampacity(14) == 15
    assert ampacity(26) == ampacity(30)


@pytest.mark.parametrize("gauge", [3, 31, 0])
def test_a_gauge_off_the_table_is_refused(gauge):
    with pytest.raises(ValueError, match="outside 4 to 30 AWG"):
        ampacity(gauge)


# NEC table 310.16, copper, column of 90 °C (looked up in a reprint), and the correction for the
# air around it, sqrt((90 - air) / (90 - 30)), of NEC 310.15(B) (from memory).
@pytest.mark.parametrize(
    ("gauge", "in_90"), [(14, 25), (12, 30), (10, 40), (8, 55), (6, 75), (4, 95)]
)
def test_in_insulation_for_90_degrees_it_holds_in_a_box_of_55(gauge, in_90):
    assert ampacity(gauge) <= in_90 * ((90 - 55) / (90 - 30)) ** 0.5


@given(CIRCUITS)
def test_without_objections_everything_fits(circuit):
    found = wire_circuit(circuit)
    if found.objections:
        return
    assert found.fuse is not None
    assert 1.25 * circuit.amperes <= found.fuse <= found.ampacity
    assert (circuit.surge or 0) <= 1.35 * found.fuse * (1 + 1e-9)
    assert wire_ohms(found.gauge, circuit.length) * circuit.amperes <= (
        circuit.most_drop * circuit.nominal_v * (1 + 1e-9)
    )


@given(CIRCUITS)
def test_what_is_given_is_kept_and_what_is_found_is_standard(circuit):
    found = wire_circuit(circuit)
    assert found.gauge == circuit.gauge or (circuit.gauge is None and found.gauge in AMPACITY)
    assert found.fuse == circuit.fuse or (circuit.fuse is None and found.fuse in {None, *FUSES})
