"""Square-root extraction: from a differential pressure to the flow that made it.

Across an orifice, a nozzle or a Venturi tube the flow is proportional to the square root of the
differential pressure (ISO 5167-1:2022, section 5, the mass flow equation). So with both as shares
of their full scale: flow = √pressure, and a quarter of the pressure is half of the flow.
"""

from __future__ import annotations

import math


def square_root(share: float, cutoff: float = 0.0) -> float:
    """Return the share of the full flow, from the ``share`` of the full differential pressure.

    Flows below ``cutoff`` (a share of the full flow) are none: near nought the root blows up the
    smallest error of the pressure. A negative pressure is none either; the loop's status tells of a
    transmitter that has wandered off. Any ``share``; above 1 it is extracted likewise.
    """
    flow = math.sqrt(max(share, 0.0))
    return flow if flow >= cutoff else 0.0
