"""Where the broker is, how to be let in, and whom to trust."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from edge.station.model import Uplink


class TlsFileError(Exception):
    """A certificate or key file cannot be used; says which, and why."""


@dataclass(frozen=True, slots=True)
class Tls:
    """PEM files; without a ``ca_file`` the system's authorities are trusted."""

    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None

    def context(self) -> ssl.SSLContext:
        """Read the files anew, for they are renewed while the program runs.

        Raises TlsFileError.
        """
        try:
            context = ssl.create_default_context(cafile=self.ca_file)
        except OSError as error:  # ssl.SSLError is one
            raise TlsFileError(f"{self.ca_file}: {error.strerror}") from None
        if self.certificate_file:
            try:
                context.load_cert_chain(self.certificate_file, self.key_file)
            except OSError as error:
                files = " with ".join(str(f) for f in (self.certificate_file, self.key_file) if f)
                raise TlsFileError(f"{files}: {error.strerror}") from None
        context.sslsocket_class = _TidySocket
        return context


class _TidySocket(ssl.SSLSocket):
    """Closes itself after a failed handshake, where the MQTT library only forgets it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """All that it takes to connect. Without ``tls`` nothing is encrypted."""

    host: str
    port: int
    client_id: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: Tls | None = None
    keep_alive_s: int = 60
    protocol: Literal["auto", "5", "3.1.1"] = "auto"

    @classmethod
    def from_uplink(
        cls,
        uplink: Uplink,
        station_id: str,
        password: str | None,
        resolve_path: Callable[[str], Path],
    ) -> BrokerSettings:
        """Translate a station file's section; ``resolve_path`` makes its paths absolute."""

        def path(text: str | None) -> Path | None:
            return None if text is None else resolve_path(text)

        tls = Tls(path(uplink.ca_file), path(uplink.certificate_file), path(uplink.key_file))
        return cls(
            host=uplink.host,
            port=uplink.port_number,
            client_id=uplink.client_id or station_id,
            username=uplink.username,
            password=password,
            tls=tls if uplink.tls else None,
            keep_alive_s=min(65535, max(1, round(uplink.keep_alive.value))),
            protocol=uplink.protocol,
        )
