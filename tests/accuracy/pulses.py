"""Counters, meters, pulse rates and totals over time."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pint
from scipy.integrate import trapezoid

from edge.measure.counter import CounterRules, Tally
from edge.measure.integral import Integral
from edge.measure.meter import KTable, Meter, VolumeTotal, dial
from edge.measure.pulse_rate import PulseRate
from edge.measure.spans import Sum
from edge.measure.switching import RunLog, Threshold
from edge.measure.values import Value
from edge.units import UNITS, parse
from tests.accuracy.check import Check, exact, printed, within
from tests.counter_world import ten_million

RFC_1982 = "RFC 1982, section 5.2 (SERIAL_BITS = 8)"
MPMS = "API MPMS chapter 12.2, meter factor into K-factor (figures as quoted by a primer)"
HERTZ = "SI Brochure, 9th edition, table 4: 1 Hz = 1/s"
CFS_DAY = "USGS Water-Supply Papers (1955), definition of terms: cfs-day"
C705 = "AWWA C705-60, as in 83 Ill. Adm. Code 600.310: test flows and quantities"
NUMPY, SCIPY = f"numpy {np.__version__}", "scipy.integrate.trapezoid"


def checks() -> list[Check]:
    return [*_rollovers(), *_k_factors(), *_rates(), *_totals(), *_ten_million()]


def _step(before: int, after: int, rules: CounterRules) -> int:
    tally, _ = Tally.begin(before, 0, rules).advance(after, 60_000, None, rules)
    return tally.pulses


def _rollovers() -> list[Check]:
    byte = CounterRules.of_bits(8)
    rows = [
        exact("8 bits: 255 + 1 = 0", RFC_1982, 1, _step(255, 0, byte)),
        exact("8 bits: 100 + 100 = 200", RFC_1982, 100, _step(100, 200, byte)),
        exact("8 bits: 200 + 100 = 44", RFC_1982, 100, _step(200, 44, byte)),
        exact("8 bits: the largest step there is", RFC_1982, 127, byte.most(None)),
    ]
    chance = np.random.default_rng(1959)
    for bits, kind in ((8, np.uint8), (16, np.uint16), (32, np.uint32), (64, np.uint64)):
        rules = CounterRules.of_bits(bits)
        start = chance.integers(0, 2**bits, 2000, dtype=kind, endpoint=False)
        # Steps small enough for the sum to be exact as a float, from stands anywhere.
        end = start + chance.integers(0, min(2 ** (bits - 1), 2**40), 2000, dtype=kind)
        theirs = sum(int(step) for step in end - start)
        ours = sum(_step(int(a), int(b), rules) for a, b in zip(start, end, strict=True))
        what = f"{bits} bits: 2000 random steps, rollovers among them"
        rows.append(exact(what, f"{NUMPY}: {kind.__name__} subtraction", theirs, ours))
    return rows


def _k_factors() -> list[Check]:
    pulses = 123_456_789
    registry = pint.UnitRegistry()
    theirs = (pulses / (98.4 / registry.gallon)).to("m**3").magnitude
    meter = Meter.from_k_factor(parse("98.4 pulses/gal").value)

    tenth = Fraction(1, 10)
    total, told = VolumeTotal(Meter(0.1)), 0
    total.take(told, 1.0)
    for factor, many in ((0.1, 9_999_991), (0.25, 10_000_019), (0.1, 123_456_789)):
        changed = VolumeTotal(Meter(factor))
        changed.restore(total.state())
        total, told = changed, told + many
        total.take(told, 1.0)
    fractions = tenth * 9_999_991 + Fraction(1, 4) * 10_000_019 + tenth * 123_456_789

    gallon = Decimal("0.003785411784")
    barrel = UNITS["gal"].factor * 42
    adjusted = Meter.from_k_factor(1000 / barrel / 1.001)

    points = [(20.0, 81_200.0), (60.0, 82_050.0), (150.0, 82_400.0), (400.0, 81_900.0)]
    hertz = np.linspace(5, 450, 500)
    table = KTable(points)
    theirs_k = np.interp(hertz, *np.array(points).T)
    stepwise = VolumeTotal(table)
    stepwise.take(0, None)
    counts = np.rint(hertz * 60).astype(int)
    for count, rate in zip(np.cumsum(counts), hertz, strict=True):
        stepwise.take(int(count), float(rate))
    return [
        exact("123456789 pulses at 98.4 pulses/gal, m3", "pint", theirs, meter.volume(pulses)),
        exact(
            "10^12 pulses at 10 gal/pulse, m3",
            "decimal arithmetic; 1 gal = 231 in3",
            float(10**12 * 10 * gallon),
            Meter(parse("10 gal/pulse").value).volume(10**12),
        ),
        exact(
            "a total over two changes of the factor, m3",
            "fractions",
            float(fractions),
            total.volume,
        ),
        printed(
            "pulses a barrel of 1000 at meter factor 1.001", MPMS, "999.001",
            barrel / adjusted.volume_per_pulse,
        ),
        exact(
            "500 flows by a K-factor table, its ends held, m3/s",
            f"{NUMPY}: interp",
            float(np.sum(hertz / theirs_k)),
            sum(table.flow(float(rate))[0] for rate in hertz),
        ),
        exact(
            "a total of 500 steps by a K-factor table, m3",
            f"{NUMPY}: interp",
            float(np.sum(counts / theirs_k)),
            stepwise.volume,
        ),
        exact(
            "a register that showed 51234.5 m3 at a total of 17.25 m3, at 123.4",
            "decimal arithmetic",
            float(Decimal("51234.5") + Decimal("123.4") - Decimal("17.25")),
            dial(123.4, 51234.5, 17.25),
        ),
    ]  # fmt: skip


def _polled(period: float, poll: float, polls: int) -> PulseRate:
    rate = PulseRate()
    for number in range(polls + 1):
        rate.take(number * poll, math.floor(number * poll / period + 0.37))
    return rate


def _rates() -> list[Check]:
    rows = []
    for what, period, poll, polls in (
        ("1 kHz, polled every minute, Hz", 0.001, 60.0, 3),
        ("50 Hz, polled every 7 s, Hz", 0.02, 7.0, 20),
        ("one pulse in 10 min, polled every minute, Hz", 600.0, 60.0, 60),
        ("one pulse in 17 s, polled every 5 s, Hz", 17.0, 5.0, 400),
    ):
        found = _polled(period, poll, polls).rate()
        tolerance = found.resolution_hz * period
        rows.append(within(what, f"{HERTZ}; own resolution", 1 / period, found.hertz, tolerance))
    # A meter of one pulse a gallon under the three test flows of a 5/8-inch meter.
    for flow, quantity in (("0.25 gpm", 10), ("2 gpm", 10), ("15 gpm", 100)):
        gallons_a_second = parse(flow).value / UNITS["gal"].factor
        seconds = quantity / gallons_a_second
        found = _polled(1 / gallons_a_second, 10.0, round(seconds / 10)).rate()
        what = f"{quantity} gal at {flow}, a pulse a gallon polled every 10 s, Hz"
        tolerance = found.resolution_hz / gallons_a_second
        rows.append(
            within(what, f"{C705}; own resolution", gallons_a_second, found.hertz, tolerance)
        )
    return rows


def _totals() -> list[Check]:
    day = Integral(longest_gap=1800.0)
    for seconds in range(0, 86_401, 900):
        day.take(Value(seconds * 1000, float(seconds), parse("1 cfs").value))
    foot = UNITS["ft"].factor

    chance = np.random.default_rng(1974)
    times = np.cumsum(chance.uniform(1, 120, 5000))
    flows = chance.uniform(0, 0.02, 5000)
    uneven = Integral(longest_gap=120.0)
    log = RunLog(Threshold(0.01, 0.01), longest_gap=120.0)
    for at, flow in zip(times, flows, strict=True):
        value = Value(int(at * 1000), float(at), float(flow))
        uneven.take(value)
        log.take(value)
    ran = flows[:-1] > 0.01
    little = [1e6, *[1.1e-6] * 100_000]
    total = Sum()
    for amount in little:
        total.add(amount)
    return [
        printed("1 cfs for a day, ft3", CFS_DAY, "86400", day.total / foot**3),
        printed("1 cfs for a day, acre-ft", CFS_DAY, "1.983471", day.total / (43560 * foot**3)),
        printed("1 cfs for a day, gal", CFS_DAY, "646317", day.total / UNITS["gal"].factor),
        exact(
            "5000 flows at uneven times, m3", SCIPY, float(trapezoid(flows, times)), uneven.total
        ),
        exact(
            "seconds run at uneven times", NUMPY, float(np.diff(times)[ran].sum()), log.run_seconds
        ),
        exact(
            "starts at uneven times",
            NUMPY,
            int(np.sum((flows[1:] > 0.01) & ~ran)),
            log.starts,
        ),
        exact(
            "100000 times 1.1 mL on top of 10^6 m3, what it adds",
            "math.fsum",
            math.fsum(little) - 1e6,
            total.value - 1e6,
        ),
    ]


def _ten_million() -> list[Check]:
    observable, counted, what = ten_million(seed=1959)
    source = "simulated counters' own ledger"
    return [within(f"10^7 pulses: {what}", source, observable, counted, 0.0)]
