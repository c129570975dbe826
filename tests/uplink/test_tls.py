"""TLS: a real broker with a certificate made for the occasion, and files that are of no use."""

import asyncio
import dataclasses
import shutil
import ssl
import subprocess
from pathlib import Path

import pytest

from edge.uplink.broker import Tls, TlsFileError
from edge.uplink.session import BrokerSettings, ConnectError, Session
from tests.conftest import MakeMosquitto, Mosquitto
from tests.uplink.parts import PATIENCE, Listener, listening, read_packet, scripted_broker

OPENSSL = shutil.which("openssl")


def make_certificate(directory: Path, name: str, *extensions: str) -> tuple[Path, Path]:
    """Make a certificate that is its own authority, and its key."""
    certificate, key = directory / f"{name}.crt", directory / f"{name}.key"
    command = [
        *(str(OPENSSL), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
        *("-nodes", "-days", "2", "-subj", f"/CN={name}"),
        *("-keyout", str(key), "-out", str(certificate)),
        *(part for extension in extensions for part in ("-addext", extension)),
    ]
    subprocess.run(command, check=True, capture_output=True)
    return certificate, key


@pytest.fixture
def broker(make_mosquitto: MakeMosquitto, tmp_path: Path) -> Mosquitto:
    """A broker that shows a certificate and wants to see the client's."""
    if OPENSSL is None:
        pytest.fail("these tests need openssl: apt-get install openssl")
    certificate, key = make_certificate(tmp_path, "broker", "subjectAltName=DNS:localhost")
    client, _ = make_certificate(tmp_path, "client")
    return make_mosquitto(
        "allow_anonymous true",
        f"certfile {certificate}",
        f"keyfile {key}",
        f"cafile {client}",
        "require_certificate true",
    )


def settings(broker: Mosquitto, files: Path, **changes: object) -> BrokerSettings:
    tls = Tls(files / "broker.crt", files / "client.crt", files / "client.key")
    usual = {"host": "localhost", "port": broker.port, "client_id": "ash-creek-2", "tls": tls}
    return BrokerSettings(**usual | changes)


async def test_with_certificates_on_both_sides_messages_pass(
    broker: Mosquitto, tmp_path: Path
) -> None:
    session = Session(settings(broker, tmp_path), "5")
    await session.connect()
    async with listening(settings(broker, tmp_path, client_id="listener")) as heard:
        async with asyncio.timeout(PATIENCE):
            await asyncio.gather(*(session.publish("a", b"%d" % i) for i in range(500)))
        await heard.until(lambda: len(heard.messages) == 500)
    await session.close()


@pytest.mark.parametrize("then", [b"", b"\xe0\x02\x8b\x00"])
async def test_all_messages_of_one_tls_record_are_read(tmp_path: Path, then: bytes) -> None:
    """They are decrypted together, after which the socket is no longer readable."""
    if OPENSSL is None:
        pytest.fail("these tests need openssl: apt-get install openssl")
    certificate, key = make_certificate(tmp_path, "broker", "subjectAltName=IP:127.0.0.1")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate, key)
    number = 400

    async def speak_at_once(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await read_packet(reader)
        writer.write(b"\x20\x03\x00\x00\x00" + b"\x30\x05\x00\x01a\x00x" * number + then)
        await reader.read()

    listener = Listener()
    async with scripted_broker(speak_at_once, context) as plain:
        secret = dataclasses.replace(plain, tls=Tls(certificate))
        session = Session(secret, "5", on_message=listener.take)
        await session.connect()
        await listener.until(lambda: len(listener.messages) == number)
        session.abort()


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"tls": Tls()}, "the broker's certificate is not trusted: self"),
        ({"host": "127.0.0.1"}, "the broker's certificate is not trusted: IP address mismatch"),
    ],
)
async def test_a_broker_that_cannot_prove_itself_is_not_trusted(
    broker: Mosquitto, tmp_path: Path, changes: dict[str, object], why: str
) -> None:
    with pytest.raises(ConnectError, match=why) as caught:
        await Session(settings(broker, tmp_path, **changes), "5").connect()
    assert not caught.value.not_understood


async def test_a_broker_that_wants_a_certificate_and_gets_none(
    broker: Mosquitto, tmp_path: Path
) -> None:
    with pytest.raises(ConnectError):
        await Session(settings(broker, tmp_path, tls=Tls(tmp_path / "broker.crt")), "5").connect()


async def test_a_broker_without_tls(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with pytest.raises(ConnectError, match=r"TLS with 127\.0\.0\.1:\d+ failed|no connection to"):
        await Session(BrokerSettings("127.0.0.1", mosquitto.port, "x", tls=Tls()), "5").connect()


async def test_a_missing_file_is_named(tmp_path: Path) -> None:
    missing = BrokerSettings("127.0.0.1", 1, "x", tls=Tls(tmp_path / "authorities.pem"))
    with pytest.raises(ConnectError, match=r"authorities\.pem: No such file"):
        await Session(missing, "5").connect()


def test_files_that_are_no_certificates_are_named(tmp_path: Path) -> None:
    nonsense = tmp_path / "nonsense.pem"
    nonsense.write_text("not a certificate")
    with pytest.raises(TlsFileError, match=r"nonsense\.pem: "):
        Tls(nonsense).context()
    with pytest.raises(TlsFileError, match=r"nonsense\.pem with .*key\.pem: "):
        Tls(None, nonsense, tmp_path / "key.pem").context()
