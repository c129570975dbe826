"""What draws on the battery of a station at an instant, as its file and its switches have it.

Every load is drawn while all holds that it hangs on: its output is on, its bus is polled, the modem
sends. How long a publishing takes the file says; it begins with the first bytes on the link.

Times are seconds since 1970-01-01 00:00 UTC.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from edge.station.energy import Load
from edge.station.model import Station
from edge.station.outputs import CoilOutput

# Bytes that follow the beginning of a publishing sooner than this share of the shortest interval
# belong to it, however slowly they go.
_SAME_PUBLISHING = 0.5


class StationLoads:
    """The loads of a station that has them in its energy section.

    ``outputs`` says what is truly on. ``changing`` is told, beforehand and with the time, of what
    changes here; who switches an output must tell it by himself.
    """

    def __init__(
        self,
        station: Station,
        outputs: Mapping[str, bool],
        changing: Callable[[float], None],
    ) -> None:
        self._loads = station.energy.loads if station.energy else {}
        self._coils = {name: output.coil_power.value for name, output in station.outputs.items()}
        self._at_resting_contact = {
            name
            for name, output in station.outputs.items()
            if isinstance(output, CoilOutput) and output.inverted
        }
        self._outputs = outputs
        self._changing = changing
        self._halted = False
        self._stopped: frozenset[str] = frozenset()
        self._sent = -math.inf
        interval = station.uplink.publish.value if station.uplink else 0.0
        self._same_publishing = _SAME_PUBLISHING * interval
        self._sendings = sorted(
            {load.per_publish.value for load in self._loads.values() if load.per_publish}
        )

    def halt(self, now: float, *, halted: bool = True) -> None:
        """Halt the computer, or start it again."""
        if halted is not self._halted:
            self._changing(now)
            self._halted = halted

    def stop_buses(self, now: float, names: frozenset[str]) -> None:
        """Have these buses, and no others, not polled."""
        if names != self._stopped:
            self._changing(now)
            self._stopped = names

    def sent(self, now: float) -> None:
        """Take note that something goes over the link."""
        if now - self._sent > self._same_publishing:
            self._changing(now)
            self._sent = now

    def watts(self, now: float) -> float:
        """Return what is drawn at an instant."""
        loads = sum(self._watts(load, now) for load in self._loads.values())
        return loads + sum(w for name, w in self._coils.items() if self._pulled_in(name))

    def until(self, now: float) -> float:
        """Return until when that stays so at most, if nothing is switched."""
        ends = (self._sent + seconds for seconds in self._sendings)
        return min((end for end in ends if end > now), default=math.inf)

    def _pulled_in(self, name: str) -> bool:
        """Tell whether a relay draws: one that is wired to its resting contact does while off."""
        return self._outputs[name] is not (name in self._at_resting_contact)

    def _watts(self, load: Load, now: float) -> float:
        if load.output is not None and not self._outputs[load.output]:
            return 0.0
        if load.bus is not None and load.bus in self._stopped:
            return 0.0
        power = load.power.value
        if self._halted and load.when_halted is not None:
            power = load.when_halted.value
        elif load.per_publish and (self._halted or now >= self._sent + load.per_publish.value):
            return 0.0
        return power / load.efficiency.value
