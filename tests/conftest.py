"""Parts that tests of several rooms share."""

from __future__ import annotations

import getpass
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import structlog
from hypothesis import settings

# How long an example takes says how busy the machine is, and nothing of the code.
settings.register_profile("livezero", deadline=None)
settings.load_profile("livezero")

MOSQUITTO = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/usr/local/bin")
MOSQUITTO_PASSWD = shutil.which("mosquitto_passwd")

# How long a broker may take to come up or to go down, in seconds.
_BROKER_PATIENCE = 10.0
_PORTS_TO_TRY = 5


def free_port() -> int:
    """Return a port of the loopback interface that nobody listened on just now."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


class Mosquitto:
    """A real MQTT broker (MQTT 5, 3.1.1) in a process of its own, on the loopback interface.

    It keeps its port through `stop`, `kill` and `start`. ``options`` are lines of its
    configuration beside the listener.
    """

    def __init__(self, directory: Path, options: list[str]) -> None:
        self.host = "127.0.0.1"
        self.port = free_port()
        self._directory = directory
        self._options = options
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start the broker; return when it accepts connections."""
        for _ in range(_PORTS_TO_TRY):
            if self._started():
                return
            # Someone took the port between our finding it free and the broker's binding it.
            self.port = free_port()
        raise RuntimeError((self._directory / "mosquitto.log").read_text())

    def stop(self) -> None:
        """End the broker in an orderly way."""
        if self._process:
            self._process.terminate()
            self._process.wait(_BROKER_PATIENCE)
            self._process = None

    def kill(self) -> None:
        """End the broker at once, as a power cut would (SIGKILL)."""
        assert self._process
        self._process.kill()
        self._process.wait(_BROKER_PATIENCE)
        self._process = None

    def restart(self) -> None:
        """Stop the broker and start it again on the same port."""
        self.stop()
        self.start()

    def _started(self) -> bool:
        config = self._directory / "mosquitto.conf"
        # A broker started by root would otherwise step down to a user who may not read our files.
        lines = [f"listener {self.port} {self.host}", f"user {getpass.getuser()}", *self._options]
        config.write_text("\n".join(lines) + "\n")
        with (self._directory / "mosquitto.log").open("ab") as log:
            command = [str(MOSQUITTO), "-c", str(config)]
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
        give_up = time.monotonic() + _BROKER_PATIENCE
        while self._process.poll() is None:
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                if time.monotonic() > give_up:
                    break
                time.sleep(0.01)
            else:
                return True
        self.stop()
        return False


@pytest.fixture(autouse=True)
def logs_as_they_were() -> Iterator[None]:
    """Undo what a command run within the tests did to the log."""
    yield
    structlog.reset_defaults()


MakeMosquitto = Callable[..., Mosquitto]


@pytest.fixture
def make_mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MakeMosquitto]:
    """Start brokers with lines of configuration of one's own; all are stopped afterwards."""
    if MOSQUITTO is None:
        pytest.fail("these tests need mosquitto: apt-get install mosquitto")
    started: list[Mosquitto] = []

    def make(*options: str) -> Mosquitto:
        broker = Mosquitto(tmp_path_factory.mktemp("mosquitto"), list(options))
        started.append(broker)
        broker.start()
        return broker

    yield make
    for broker in started:
        broker.stop()


@pytest.fixture
def mosquitto(make_mosquitto: MakeMosquitto) -> Mosquitto:
    """A broker that lets everyone in."""
    return make_mosquitto("allow_anonymous true")


@pytest.fixture
def mosquitto_with_password(make_mosquitto: MakeMosquitto, tmp_path: Path) -> Mosquitto:
    """A broker that lets in only the user ash-creek-2 with the password "live zero"."""
    if MOSQUITTO_PASSWD is None:
        pytest.fail("these tests need mosquitto_passwd, which comes with mosquitto")
    file = tmp_path / "passwords"
    command = [MOSQUITTO_PASSWD, "-b", "-c", str(file), "ash-creek-2", "live zero"]
    subprocess.run(command, check=True)
    return make_mosquitto(f"password_file {file}")
