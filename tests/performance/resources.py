"""What the daemon costs: start, memory, processor. The real one, as a process of its own."""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path

from hw_fakes.broker import EmbeddedBroker
from hw_fakes.modbus_device import TcpSlave
from hw_fakes.modbus_unit import ModbusUnit
from tests.performance.figures import Figure

MIB = 1024 * 1024


def station_file(directory: Path, channels: int, modbus_port: int, mqtt_port: int) -> Path:
    text = f"""
        [station]
        id = "ash-creek-2"
        [buses.panel]
        kind = "modbus-tcp"
        host = "127.0.0.1"
        port = {modbus_port}
        devices.inputs.unit = 1
        [clock]
        trust = "plausible"

        [uplink]
        host = "127.0.0.1"
        port = {mqtt_port}
        publish = "5 s"
    """
    for n in range(channels):
        text += f"""
        [channels.c{n}]
        kind = "loop"
        bus = "panel"
        device = "inputs"
        read = {{ table = "input", register = {n} }}
        counts = [0, 65535]
        signal = ["0 mA", "20 mA"]
        range = ["0 ft", "30 ft"]
        sample = "100 ms"
        """
    path = directory / f"{channels}-channels.toml"
    path.write_text("\n".join(line.strip() for line in text.splitlines()))
    return path


def journalled(path: Path) -> int:
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as db:
            return db.execute("SELECT coalesce(max(seq), 0) FROM reading").fetchone()[0]
    except sqlite3.Error:
        return 0


def memory_mib(pid: int, field: str) -> float:
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{field}:"):
            return int(line.split()[1]) / 1024
    raise LookupError(field)


def cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


async def until(process: asyncio.subprocess.Process, holds, pause: float) -> None:
    while not holds():
        if process.returncode is not None:
            raise RuntimeError(f"the daemon ended with {process.returncode}")
        await asyncio.sleep(pause)


async def daemon_costs(directory: Path, channels: int, readings: int) -> list[Figure]:
    unit = ModbusUnit(1)
    for n in range(channels):
        unit.place("input", n, 1, lambda n=n: [30000 + n])
    slave = TcpSlave([unit])
    await slave.start()
    async with EmbeddedBroker() as broker:
        path = station_file(directory, channels, slave.port, broker.port)
        journal = directory / f"{channels}.sqlite"
        started = time.monotonic()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "edge", "run", str(path), "--journal", str(journal),
        )  # fmt: skip
        await until(process, lambda: journalled(journal) > 0, 0.01)
        first = time.monotonic() - started
        cpu_at_start, count_at_start = cpu_seconds(process.pid), journalled(journal)
        await until(process, lambda: journalled(journal) >= readings, 0.25)
        count = journalled(journal)
        cpu = cpu_seconds(process.pid) - cpu_at_start
        rss, peak = memory_mib(process.pid, "VmRSS"), memory_mib(process.pid, "VmHWM")
        process.send_signal(signal.SIGTERM)
        code = await process.wait()
    await slave.stop()
    how = f"livezero run, {channels} channels every 100 ms over Modbus TCP, publishing; exit {code}"
    return [
        Figure("start to first journalled reading", first, "s", how),
        Figure(f"resident memory after {count} readings", rss, "MiB", how),
        Figure("peak of resident memory", peak, "MiB", how),
        Figure("CPU a 1000 readings", 1000 * cpu / (count - count_at_start), "s", how),
        Figure("journal a reading", journal.stat().st_size / count, "B", how),
    ]
