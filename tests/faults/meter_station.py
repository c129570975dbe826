"""A station file for fault runs: the true time as a channel, a meter, and levels, on one panel."""

from __future__ import annotations

STATION = "ash-creek-9"
TRUTH = "truth"
METER = "flow"
TOTAL = f"{METER}.total"
LEVEL = "level-{n}"

PULSES_A_CUBIC_METRE = 1000

# Where in the panel's input registers the values lie.
TRUTH_AT, METER_AT, LEVELS_AT = 0, 2, 10

_HEAD = f"""
[station]
id = "{STATION}"

[clock]
trust = "synchronised"

[buses.panel]
kind = "modbus-tcp"
host = "127.0.0.1"
port = PANEL

[buses.panel.devices.inputs]
unit = 1
timeout = "5 s"

[uplink]
host = "127.0.0.1"
port = LINK
publish = "PUBLISH"
"""

_CHANNEL = """
[channels.NAME]
bus = "panel"
device = "inputs"
sample = "SAMPLE"
"""

_TRUTH = f"""
kind = "value"
read = {{ table = "input", register = {TRUTH_AT}, type = "uint32" }}
range = ["0 m", "1 m"]
"""

_METER = f"""
kind = "pulse"
read = {{ table = "input", register = {METER_AT}, type = "uint32" }}
pulse_volume = "1 L/pulse"
greatest_rate = "100 Hz"
"""

_LEVEL = """
kind = "value"
read = { table = "input", register = REGISTER }
counts = [0, 65535]
range = ["0 m", "30 m"]
"""


def station_file(*, panel: int, link: int, sample: str, publish: str, levels: int) -> str:
    """Return the file: every channel sampled and recorded at ``sample``; ports are on loopback."""
    parts = [_HEAD, _CHANNEL.replace("NAME", TRUTH), _TRUTH]
    parts += [_CHANNEL.replace("NAME", METER), _METER]
    for n in range(levels):
        parts.append(_CHANNEL.replace("NAME", LEVEL.format(n=n)))
        parts.append(_LEVEL.replace("REGISTER", str(LEVELS_AT + n)))
    text = "".join(parts)
    for word, stands_for in {
        "PANEL": str(panel), "LINK": str(link), "SAMPLE": sample, "PUBLISH": publish,
    }.items():  # fmt: skip
        text = text.replace(word, stands_for)
    return text
