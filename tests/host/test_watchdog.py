"""The watchdog, with a real process and a service manager that this test plays.

What systemd does is from systemd.service(5), WatchdogSec=: when the signs of life stop coming, the
process gets SIGABRT.
"""

import contextlib
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = """
import asyncio, os, signal, time
from edge.host.notify import Notifier

def block():
    os.write(1, b"blocked\\n")
    time.sleep(3600)  # in C, as a call into a library that hangs

async def main():
    asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, block)
    notifier = Notifier(os.environ)
    notifier.ready()
    await notifier.until(asyncio.Event(), lambda: "5 of 5 series good\\nand more")

asyncio.run(main())
"""
PERIOD_S = 0.05


class Manager:
    """The service manager's part: the socket, and the process."""

    def __init__(self, directory):
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(directory / "notify"))
        self.socket.settimeout(10)
        self.process = subprocess.Popen(
            [sys.executable, "-c", PROGRAM],
            cwd=Path(__file__).parents[2],
            env=os.environ
            | {
                "NOTIFY_SOCKET": str(directory / "notify"),
                "WATCHDOG_USEC": str(round(2e6 * PERIOD_S)),
                "PYTHONFAULTHANDLER": "1",
            },
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def next(self):
        return self.socket.recv(200)

    def drain(self):
        self.socket.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                self.next()


@pytest.fixture
def manager(tmp_path):
    manager = Manager(tmp_path)
    yield manager
    manager.process.kill()
    manager.process.communicate()
    manager.socket.close()


def test_a_loop_that_stands_still_gives_no_sign_of_life_and_says_where_it_stood(manager):
    assert manager.next() == b"READY=1"
    for _ in range(3):
        assert manager.next() == b"WATCHDOG=1"
        assert manager.next() == b"STATUS=5 of 5 series good and more"
    manager.process.send_signal(signal.SIGUSR1)
    assert manager.process.stdout.readline() == "blocked\n"
    manager.drain()
    manager.socket.settimeout(10 * PERIOD_S)
    with pytest.raises(TimeoutError):
        manager.next()
    manager.process.send_signal(signal.SIGABRT)
    _, log = manager.process.communicate(timeout=10)
    assert manager.process.returncode == -signal.SIGABRT
    assert "in block" in log
