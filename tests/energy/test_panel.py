"""The panel against pvlib: its single-diode model of an invented panel of 36 cells."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pvlib import pvsystem

from edge.energy.panel import Panel, cell_celsius, panel_current, panel_power

PANEL = Panel(100.0)
LIGHT = st.floats(0, 1400)
AIR = st.floats(-40, 50)

SHORT_A, OPEN_V, FACTOR, SERIES_OHM, SHUNT_OHM = 5.95, 22.0, 1.02, 0.25, 150.0


def diode(irradiance, celsius):
    """Return the parameters of the single-diode equation, by De Soto (2006) as pvlib has it."""
    return pvsystem.calcparams_desoto(
        irradiance,
        celsius,
        alpha_sc=0.003,
        a_ref=FACTOR,
        I_L_ref=SHORT_A * (1 + SERIES_OHM / SHUNT_OHM),
        I_o_ref=SHORT_A * math.exp(-OPEN_V / FACTOR),
        R_sh_ref=SHUNT_OHM,
        R_s=SERIES_OHM,
    )


@pytest.fixture(scope="module")
def same_panel():
    """The same panel as its data sheet would have it: three numbers."""
    rated = pvsystem.singlediode(*diode(1000.0, 25.0))
    warm = pvsystem.singlediode(*diode(1000.0, 45.0))
    per_degree = (float(warm["p_mp"]) / float(rated["p_mp"]) - 1) / 20
    return Panel(float(rated["p_mp"]), float(rated["v_mp"]), per_degree)


@pytest.mark.parametrize("air", [-10.0, 20.0, 40.0])
@pytest.mark.parametrize("irradiance", [1000.0, 500.0, 200.0, 50.0])
@pytest.mark.parametrize("battery_v", [11.0, 12.5, 14.4])
def test_the_current_into_a_battery_is_a_little_less_than_a_diode_model_has_it(
    same_panel, irradiance, air, battery_v
):
    reference = float(
        pvsystem.i_from_v(battery_v, *diode(irradiance, cell_celsius(irradiance, air)))
    )
    ours = panel_current(same_panel, irradiance, air, battery_v)
    assert 0.88 * reference <= ours <= reference


@pytest.mark.parametrize("air", [-10.0, 20.0, 40.0])
@pytest.mark.parametrize(
    ("irradiance", "tolerance"), [(1000.0, 0.005), (500.0, 0.01), (200.0, 0.05), (100.0, 0.09)]
)
def test_the_power_is_that_of_a_diode_model(same_panel, irradiance, air, tolerance):
    reference = pvsystem.singlediode(*diode(irradiance, cell_celsius(irradiance, air)))
    ours = panel_power(same_panel, irradiance, air)
    assert ours == pytest.approx(float(reference["p_mp"]), rel=tolerance)


def test_at_standard_conditions_it_gives_what_it_is_rated_at():
    air = 25.0 - 1000 / 31.84
    assert panel_power(PANEL, 1000.0, air) == pytest.approx(100.0)
    assert panel_current(PANEL, 1000.0, air, 12.0) == pytest.approx(100 / 18)
    assert panel_current(PANEL, 1000.0, air, 18.0) == pytest.approx(100 / 18)


def test_into_an_open_circuit_it_drives_nothing():
    air = 25.0 - 1000 / 31.84
    assert panel_current(PANEL, 1000.0, air, 21.8) > 0
    assert panel_current(PANEL, 1000.0, air, 22.0) == 0


def test_a_hot_panel_of_low_voltage_fails_a_battery_that_is_nearly_full():
    low = Panel(100.0, volts=15.0)
    assert panel_current(low, 1000.0, 45.0, 14.4) < 0.5 * panel_current(low, 1000.0, 10.0, 14.4)


@pytest.mark.parametrize("irradiance", [0.0, -5.0, 5e-324])
def test_in_the_dark_there_is_nothing(irradiance):
    assert panel_power(PANEL, irradiance, 20.0) == 0
    assert panel_current(PANEL, irradiance, 20.0, 12.0) == 0


def test_a_panel_that_heat_has_undone_gives_nothing():
    frail = Panel(100.0, per_degree=-0.02)
    assert panel_power(frail, 1000.0, 80.0) == 0
    assert panel_current(frail, 1000.0, 80.0, 1.0) == 0


def test_wind_cools():
    temperatures = [cell_celsius(800.0, 20.0, wind) for wind in (0.0, 1.0, 5.0)]
    assert temperatures[0] == pytest.approx(52.0)
    assert all(after < before for before, after in pairwise(temperatures))


@given(irradiance=LIGHT, air=AIR, battery_v=st.floats(0.1, 30))
def test_tied_to_the_battery_it_never_gives_more_power_than_at_its_best(irradiance, air, battery_v):
    power = battery_v * panel_current(PANEL, irradiance, air, battery_v)
    light = max(1.0, irradiance / 1000)
    # Above 1000 W/m² the voltage is a little above the rated one, which the power does not count.
    assert 0 <= power <= panel_power(PANEL, irradiance, air) * (1 + 0.06 * math.log(light)) + 1e-9


@given(irradiance=LIGHT, air=AIR, volts=st.tuples(st.floats(0, 30), st.floats(0, 30)))
def test_the_higher_the_battery_the_less(irradiance, air, volts):
    low, high = (panel_current(PANEL, irradiance, air, battery_v) for battery_v in sorted(volts))
    assert low >= high
