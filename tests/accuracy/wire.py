"""Copper wire against the tables of the National Bureau of Standards."""

from __future__ import annotations

from edge.measure.wire import copper_resistance, wire_diameter
from tests.accuracy.check import Check, printed, within

KILOFOOT = 304.8
MIL = 2.54e-5

TABLE = "NBS Circular 31, annealed copper, 20 degC (looked up in reprints)"
HOT = "NBS Circular 31, working table, 65 degC (from memory)"
DIAMETERS = "ASTM B258, nominal diameters (looked up in reprints)"

_OHMS = {
    10: "0.9989", 11: "1.260", 12: "1.588", 13: "2.003", 14: "2.525", 15: "3.184", 16: "4.016",
    17: "5.064", 18: "6.385", 19: "8.051", 20: "10.15", 21: "12.80", 22: "16.14", 23: "20.36",
    24: "25.67", 25: "32.37", 26: "40.81", 27: "51.47", 28: "64.90", 30: "103.2",
}  # fmt: skip
# 81.835 rounds either way; the table has the lower.
_OHMS_29 = 81.83
_OHMS_HOT = {10: "1.18", 12: "1.87", 14: "2.97", 16: "4.73"}
_MILS = {10: "101.9", 12: "80.8", 14: "64.1", 16: "50.8", 18: "40.3", 20: "32.0", 24: "20.1"}


def checks() -> list[Check]:
    return [
        *(
            printed(f"{gauge} AWG at 20 degC, ohm per 1000 ft", TABLE, ohms,
                    copper_resistance(gauge, KILOFOOT, 20.0))
            for gauge, ohms in _OHMS.items()
        ),
        within("29 AWG at 20 degC, ohm per 1000 ft", TABLE, _OHMS_29,
               copper_resistance(29, KILOFOOT, 20.0), 1e-4),
        *(
            printed(f"{gauge} AWG at 65 degC, ohm per 1000 ft", HOT, ohms,
                    copper_resistance(gauge, KILOFOOT, 65.0))
            for gauge, ohms in _OHMS_HOT.items()
        ),
        *(
            printed(f"{gauge} AWG, diameter in mils", DIAMETERS, mils, wire_diameter(gauge) / MIL)
            for gauge, mils in _MILS.items()
        ),
    ]  # fmt: skip
