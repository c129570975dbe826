"""The current loop, its filters, and the root of a differential pressure."""

from __future__ import annotations

import math

import numpy as np
import scipy
from scipy.signal import lfilter, medfilt

from edge.measure.curve import Curve
from edge.measure.filters import Damping, Mean, Median
from edge.measure.line import Line
from edge.measure.loop import LoopScale
from edge.measure.root import square_root
from edge.status import Reason
from tests.accuracy.check import Check, exact, within

LIVE_ZERO = "IEC 60381-1: 4 mA is 0 % and 20 mA is 100 %, linear"
OHM = "Ohm's law"
NE43 = "NAMUR NE 43, limits of measuring and of failure"
ISO5167 = "ISO 5167-1:2022, section 5, mass flow equation"
LAG = "IEC 60050-351, time constant: 1 - exp(-t/T) of a step"
FILTERS = f"scipy.signal (scipy {scipy.__version__})"
NUMPY = f"numpy.interp (numpy {np.__version__})"

MILLIAMPS = LoopScale.spanning(Line(0, 1, 0, 0.001), 0.0, 100.0)
ACROSS_250_OHM = LoopScale.spanning(Line(0, 1, 0, 1), 0.0, 100.0, shunt=250.0)

SIGNAL = [0.0, 3.0, 1.0, 4.0, 1.0, 5.0, 9.0, 2.0, 6.0, 5.0, 3.0, 5.0]


def _value(scale: LoopScale, raw: float) -> float:
    value, _ = scale.value(raw)
    return math.nan if value is None else value


def _microamperes(*reasons: Reason) -> list[int]:
    """All whole microamperes up to 25 mA that are judged so."""
    return [ua for ua in range(25_001) if MILLIAMPS.value(ua / 1000)[1] in reasons]


def _loop() -> list[Check]:
    measuring = _microamperes(Reason.SATURATED_LOW, Reason.OK, Reason.SATURATED_HIGH)
    failed_low = _microamperes(Reason.OPEN_LOOP, Reason.LOOP_FAILURE_LOW)
    failed_high = _microamperes(Reason.LOOP_FAILURE_HIGH)
    return [
        *(
            exact(f"{milliamps} mA, % of range", LIVE_ZERO, percent, _value(MILLIAMPS, milliamps))
            for milliamps, percent in ((4, 0.0), (8, 25.0), (12, 50.0), (16, 75.0), (20, 100.0))
        ),
        *(
            exact(f"{volts} V across 250 ohm, mA", OHM, milliamps,
                  1000 * ACROSS_250_OHM.amperes(volts))
            for volts, milliamps in ((1, 4.0), (3, 12.0), (5, 20.0))
        ),
        exact("50 % of range, V across 250 ohm", OHM, 3.0,
              ACROSS_250_OHM.raw(ACROSS_250_OHM.current(50.0))),
        exact("lowest current that measures, mA", NE43, 3.8, measuring[0] / 1000),
        exact("highest current that measures, mA", NE43, 20.5, measuring[-1] / 1000),
        exact("lowest current that is no failure, mA", NE43, 3.6, (failed_low[-1] + 1) / 1000),
        exact("highest current that is no failure, mA", NE43, 21.0, (failed_high[0] - 1) / 1000),
    ]  # fmt: skip


def _orifice(pressure: float) -> float:
    """Mass flow in kg/s of water through an orifice at a differential pressure in Pa."""
    discharge, beta, bore, density = 0.6, 0.5, 0.05, 998.2
    area = math.pi / 4 * bore**2
    return discharge / math.sqrt(1 - beta**4) * area * math.sqrt(2 * pressure * density)


def _roots() -> list[Check]:
    full = 25_000.0
    return [
        *(
            exact(f"{100 * share:g} % of differential pressure, share of flow", ISO5167,
                  _orifice(share * full) / _orifice(full), square_root(share))
            for share in (0.01, 0.1, 0.25, 0.5, 0.81, 1.0)
        ),
        exact("25 % of differential pressure is half the flow", ISO5167, 0.5, square_root(0.25)),
    ]  # fmt: skip


def _after_a_step(seconds: float, step: float, tau: float) -> float:
    damping = Damping(tau)
    shown = damping.take(0.0, 0.0)
    for sample in range(1, round(seconds / step) + 1):
        shown = damping.take(1.0, sample * step)
    return shown


def _filters() -> list[Check]:
    step, tau = 2.0, 5.0
    keep = math.exp(-step / tau)
    lagged = lfilter([1 - keep], [1, -keep], SIGNAL)
    damping, median, mean = Damping(tau), Median(3), Mean(4)
    damped = [damping.take(x, step * index) for index, x in enumerate(SIGNAL)]
    # A median that lies in the middle of its window, and one at its end, are a sample apart.
    middles = medfilt(SIGNAL, 3)[:-1]
    medians = [median.take(x) for x in SIGNAL][1:]
    means = [mean.take(x) for x in SIGNAL]
    averaged = lfilter([0.25] * 4, 1, SIGNAL)
    return [
        *(
            exact(f"step after {constants} time constants", LAG, -math.expm1(-constants),
                  _after_a_step(constants * 10.0, 0.5, 10.0))
            for constants in (1, 2, 3, 5)
        ),
        within("step after 1 time constant, as commonly printed", LAG, 0.632,
               _after_a_step(10.0, 10.0, 10.0), 0.0005 / 0.632),
        *(
            exact(f"damped signal, sample {index}", FILTERS, float(lagged[index]), damped[index])
            for index in (1, 5, 11)
        ),
        *(
            exact(f"median of three, sample {index + 1}", FILTERS, float(middles[index]),
                  medians[index])
            for index in (1, 5, 10)
        ),
        *(
            exact(f"mean of four, sample {index}", FILTERS, float(averaged[index]), means[index])
            for index in (3, 7, 11)
        ),
    ]  # fmt: skip


def _curves() -> list[Check]:
    points = [(0.004, 0.0), (0.0081, 2.5), (0.012, 5.1), (0.02, 10.0)]
    xs, ys = zip(*points, strict=True)
    curve = Curve(points)
    return [
        *(
            exact(f"calibration curve at {1000 * x:g} mA", NUMPY, float(np.interp(x, xs, ys)),
                  curve.held(x))
            for x in (0.003, 0.006, 0.0081, 0.01, 0.019, 0.021)
        ),
        exact("calibration curve, current of 7.5", NUMPY, float(np.interp(7.5, ys, xs)),
              curve.inverse().at(7.5)),
    ]  # fmt: skip


def checks() -> list[Check]:
    return [*_loop(), *_roots(), *_filters(), *_curves()]
