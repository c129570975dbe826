"""Wire and fuse for a circuit of the box's own wiring.

Theory of operation. The wire must not lose too much voltage, there and back, warm; it must bear the
fuse's current; and the fuse must bear the load's. So:

1. The fuse is rated at 125 % of the continuous current at least: a fuse run at its rating for hours
   opens in the end. A surge may be 1.35 times its rating, which it bears for about a second.
2. The wire bears the rating of the fuse: before the wire gets hot, the fuse opens.
3. The wire loses no more than what is allowed.

Of the standard sizes the smallest that will do is chosen; what is given is checked instead. The
fuse sits at the battery, for it protects the wire from what the battery can give.

Low voltage does not make this harmless: a battery into a short lights wires, and an arc of direct
current does not go out by itself. Fuses must be rated for direct current of the battery's highest
voltage and for the current that it gives into a short. Local code and a licensed electrician have
the last word.

Sources:
- 125 %, and that the wire bears its fuse: the practice of NEC articles 690.8 and 690.9 (690.8
  looked up, 690.9 from memory). It is written for solar circuits; here it holds for all.
- Ampacity, 14 AWG and thicker: NEC table 310.16, copper, column of 60 °C, with 15, 20 and 30 A for
  14, 12 and 10 AWG as NEC 240.4(D) limits them (looked up in a reprint). In insulation made for
  90 °C it still holds in a box of 55 °C. 16 AWG and thinner: wires in bundles as the ARRL Handbook
  has them (looked up in a reprint).
- Fuses: the customary ratings of blade fuses (looked up); a surge of 1.35 times: ISO 8820-3, which
  has them hold that for 0.75 s at least (from memory).
- Stranded wire has 2 % more resistance: NEC chapter 9, table 8 (looked up in a reprint).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from edge.energy.steps import Step
from edge.measure.wire import copper_resistance

FUSES = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0)
"""Standard ratings in A."""

AMPACITY = {
    4: 70.0, 6: 55.0, 8: 40.0, 10: 30.0, 12: 20.0, 14: 15.0, 16: 6.0, 18: 5.0, 20: 3.7, 22: 2.5,
    24: 2.0, 30: 0.7,
}  # fmt: skip
"""What the standard gauges bear, in A."""

CONTINUOUS = 1.25
SURGE = 1.35
STRANDED = 1.02
WARM_CELSIUS = 60.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """A load and its wire: currents in A, ``length`` one way in m, ``most_drop`` as a share.

    ``nominal_v`` is the battery's nominal voltage. ``gauge`` and ``fuse`` are None where they are
    to be found.
    """

    amperes: float
    length: float
    nominal_v: float = 12.0
    surge: float | None = None
    most_drop: float = 0.03
    gauge: int | None = None
    fuse: float | None = None


@dataclass(frozen=True, slots=True)
class Wiring:
    """What was found for a circuit; ``objections`` say in words what is wrong with it."""

    gauge: int
    ohms: float
    """Both conductors, warm."""
    drop_v: float
    drop: float
    """The same as a share of the nominal voltage."""
    ampacity: float
    least_fuse: float
    fuse: float | None
    """None where no standard fuse is large enough."""
    objections: tuple[str, ...]

    def steps(self) -> tuple[Step, ...]:
        """Return the calculation, in order."""
        fuse = () if self.fuse is None else (Step("fuse", self.fuse, "A"),)
        return (
            Step("least rating of the fuse", self.least_fuse, "A"),
            *fuse,
            Step("size of the wire", self.gauge, "AWG"),
            Step("what the wire bears", self.ampacity, "A"),
            Step("resistance, there and back", self.ohms, "ohm"),
            Step("voltage lost", self.drop_v, "V"),
        )


def ampacity(gauge: int) -> float:
    """Return what a copper wire bears, in A.

    A gauge between the standard ones counts as the thinner. Raises ValueError for gauges thicker
    than 4 and thinner than 30 AWG.
    """
    for listed, amperes in AMPACITY.items():
        if min(AMPACITY) <= gauge <= listed:
            return amperes
    msg = f"gauge {gauge}, outside {min(AMPACITY)} to {max(AMPACITY)} AWG"
    raise ValueError(msg)


def wire_ohms(gauge: int, length: float, celsius: float = WARM_CELSIUS) -> float:
    """Return the resistance in ohms of a stranded pair of ``length`` m one way, there and back.

    Raises ValueError as `edge.measure.wire.copper_resistance` does.
    """
    return 2 * STRANDED * copper_resistance(gauge, length, celsius)


def wire_circuit(circuit: Circuit) -> Wiring:
    """Return wire and fuse for ``circuit``, or what is wrong with those it has.

    Where no standard wire will do, it is that of 4 AWG, with an objection. Raises ValueError as
    `wire_ohms` does.
    """
    least_fuse = max(CONTINUOUS * circuit.amperes, (circuit.surge or 0.0) / SURGE)
    fuse = circuit.fuse or next((rating for rating in FUSES if rating >= least_fuse), None)
    gauge = circuit.gauge or _thinnest(circuit, fuse)
    ohms = wire_ohms(gauge, circuit.length)
    drop_v = ohms * circuit.amperes
    found = Wiring(
        gauge=gauge,
        ohms=ohms,
        drop_v=drop_v,
        drop=drop_v / circuit.nominal_v,
        ampacity=ampacity(gauge),
        least_fuse=least_fuse,
        fuse=fuse,
        objections=(),
    )
    return replace(found, objections=tuple(_objections(circuit, found)))


def _thinnest(circuit: Circuit, fuse: float | None) -> int:
    borne = CONTINUOUS * circuit.amperes if fuse is None else fuse
    thin_first = sorted(AMPACITY, reverse=True)
    for gauge in thin_first:
        drop = wire_ohms(gauge, circuit.length) * circuit.amperes / circuit.nominal_v
        if AMPACITY[gauge] >= borne and drop <= circuit.most_drop:
            return gauge
    return thin_first[-1]


def _objections(circuit: Circuit, found: Wiring) -> Iterator[str]:
    if found.drop > circuit.most_drop:
        yield (
            f"wire of AWG {found.gauge} loses {found.drop_v:.3g} V, {found.drop * 100:.2g} % of"
            f" {circuit.nominal_v:g} V, where {circuit.most_drop * 100:.2g} % may be lost"
        )
    needed = CONTINUOUS * circuit.amperes
    if found.ampacity < needed:
        yield (
            f"wire of AWG {found.gauge} bears {found.ampacity:g} A, less than {needed:.3g} A,"
            " 125 % of the continuous current"
        )
    if found.fuse is None:
        yield f"no standard fuse is as large as {found.least_fuse:.3g} A"
        return
    if found.fuse < needed:
        yield (
            f"a fuse of {found.fuse:g} A is less than {needed:.3g} A, 125 % of the continuous"
            " current, and would open in time"
        )
    if circuit.surge is not None and found.fuse * SURGE < circuit.surge:
        yield f"a fuse of {found.fuse:g} A may open at a surge of {circuit.surge:g} A"
    if found.fuse > found.ampacity:
        yield (
            f"a fuse of {found.fuse:g} A does not protect wire of AWG {found.gauge}, which bears"
            f" {found.ampacity:g} A"
        )
