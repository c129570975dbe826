"""What the voltages of stages mean for the charge."""

import pytest

from edge.energy.battery import LeadAcid
from edge.energy.stages import Effects, Rules, Stage
from edge.plan.thresholds import thresholds

BATTERY = LeadAcid(100.0)
STAGES = (
    Stage("lean", 12.2, 12.6, 900.0, Effects()),
    Stage("dark", 11.8, 12.4, 900.0, Effects(halt=True)),
)


@pytest.mark.parametrize("per_degree", [0.0, -0.012])
def test_at_the_charge_found_the_battery_shows_the_voltage_of_the_cutoff(per_degree):
    rules = Rules(STAGES, volts_per_degree=per_degree)
    for stage, row in zip(STAGES, thresholds(rules, BATTERY, 6.0, (-5.0, 25.0)), strict=True):
        for celsius, found in zip((-5.0, 25.0), row, strict=True):
            assert found.stage == stage.name
            assert found.volts == pytest.approx(stage.cutoff + per_degree * (celsius - 25))
            shown = BATTERY.terminal_v(found.charge, -6.0 / found.volts, celsius)
            assert shown == pytest.approx(found.volts, abs=1e-6)


def test_a_cutoff_that_follows_the_cold_keeps_more_for_worse_days():
    warm, cold = (
        thresholds(Rules(STAGES, volts_per_degree=v), BATTERY, 6.0, (-5.0,))[0][0].charge
        for v in (0.0, -0.012)
    )
    assert cold > warm + 0.2
