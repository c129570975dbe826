"""From a station file to a `Station`, or to everything that is wrong with the file."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from edge.station.checks import check
from edge.station.energy import EnergySection
from edge.station.faults import Fault, KeyPath, LocatedFault, StationFileError, dotted
from edge.station.model import Bus, Channel, Station, StationInfo, Uplink
from edge.station.outputs import Output
from edge.station.parts import Parts
from edge.station.section import Section
from edge.station.syntax import Parsed, parse
from edge.station.wording import faults_of

SERVICE_STATE = Path("/var/lib/livezero")
"""State directory of the installed service (systemd/livezero@.service)."""

# A station of a thousand channels takes a third of this.
_LARGEST_FILE = 1_000_000

# In these sections every entry is judged by itself; the others are judged as a whole.
_SECTIONS_OF_ENTRIES = ("buses", "channels", "outputs")

# Without these the rest of the energy section would seem to lack what the file does have.
_HEART_OF_ENERGY = ("voltage", "temperature", "compensation", "cells", "plausible", "stages")

_Entry = TypeVar("_Entry")
_Section = TypeVar("_Section", bound=Section)


def load(path: Path) -> Station:
    """Read a station file.

    Raises StationFileError, with every fault, when it cannot be read or is not as it must be.
    """
    file = str(path)
    return station_from(_text(_content(path), file), file)


def station_from(text: str, file: str) -> Station:
    """Make a station of a station file's text; ``file`` is the name to use in faults.

    Raises StationFileError with every fault.
    """
    parsed = parse(text, file)
    faults: list[Fault] = []
    station: Station | None = None
    try:
        station = Station.model_validate(parsed.data)
    except ValidationError as error:
        broken = [_judged_whole(key) for key in parsed.broken]
        faults += [f for f in faults_of(error) if not any(_touch(f.key, key) for key in broken)]
    if station is not None and not parsed.faults:
        faults += check(Parts.of(station))
    else:
        faults += check(_SoundParts(parsed, faults).parts())
    located = [*parsed.faults, *(_located(fault, parsed, file) for fault in faults)]
    if located or station is None:
        raise StationFileError(sorted(located, key=lambda fault: fault.line or 0))
    return station


def located(path: Path, faults: Sequence[Fault]) -> StationFileError:
    """Return faults that were found in a station file later on, each with its line."""
    file = str(path)
    parsed = parse(_text(_content(path), file), file)
    return StationFileError([_located(fault, parsed, file) for fault in faults])


def journal_path(
    station: Station, station_file: Path, environ: Mapping[str, str] = os.environ
) -> Path:
    """Return where the station's journal is, by its settings or by default.

    The default is the service's state directory (``STATE_DIRECTORY``, as systemd sets it); without
    it, where the installed service keeps this station's journal, if it does; or else beside the
    station file.
    """
    if station.journal.file is not None:
        return station_file.parent / station.journal.file
    # systemd joins several state directories with colons; the first is the unit's own.
    directory = environ.get("STATE_DIRECTORY", "").split(":")[0]
    name = f"{station.station.id}.sqlite"
    if directory:
        return Path(directory) / name
    installed = SERVICE_STATE / name
    try:
        is_there = installed.exists()
    except PermissionError:  # the service is installed, and this user may not look into its files
        is_there = True
    return installed if is_there else station_file.parent / name


def secret_path(name: str, station_file: Path, environ: Mapping[str, str] = os.environ) -> Path:
    """Return where a file named by the station file is that holds a secret or a certificate.

    systemd's ``CREDENTIALS_DIRECTORY`` comes first, if the file is there; else a relative path
    starts at the directory of the station file.
    """
    directory = environ.get("CREDENTIALS_DIRECTORY")
    if directory and (Path(directory) / name).exists():
        return Path(directory) / name
    return station_file.parent / name


# ------------------------------------------------------------------------------ reading the file


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_FILE + 1)
    except FileNotFoundError:
        found = "no such file"
    except IsADirectoryError:
        found = "a directory"
    except PermissionError:
        found = "a file that this user may not read"
    except OSError as error:
        found = f"a file that cannot be read ({os.strerror(error.errno or 0).lower()})"
    else:
        if len(content) <= _LARGEST_FILE:
            return content
        found = f"a file of more than {_LARGEST_FILE // 1_000_000} MB"
    raise StationFileError([LocatedFault(str(path), None, "", found, "a station file")])


def _text(content: bytes, file: str) -> str:
    try:
        # Some editors put a byte order mark in front, which TOML does not know.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        found = f"the byte 0x{content[error.start]:02x}, which is not UTF-8"
        raise StationFileError(
            [LocatedFault(file, line, "", found, "text in UTF-8 throughout")]
        ) from None


# ------------------------------------------------------------------------ telling sound from not


class _SoundParts:
    """What of a file has no fault of its own, and may therefore be held against the rest."""

    def __init__(self, parsed: Parsed, faults: list[Fault]) -> None:
        self._data = parsed.data
        self._faulty = [fault.key for fault in faults] + list(parsed.broken)

    def parts(self) -> Parts:
        """Return what is sound."""
        # Built for a faulty file only: a daemon should not carry its types a second time.
        bus: TypeAdapter[Bus] = TypeAdapter(Bus)
        channel: TypeAdapter[Channel] = TypeAdapter(Channel)
        output: TypeAdapter[Output] = TypeAdapter(Output)
        buses = self._entries("buses", bus)
        channels = self._entries("channels", channel)
        outputs = self._entries("outputs", output)
        return Parts(
            self._section("station", StationInfo),
            buses,
            channels,
            outputs,
            self._energy(),
            self._section("uplink", Uplink),
        )

    def _entries(self, section: str, adapter: TypeAdapter[_Entry]) -> dict[str, _Entry | None]:
        """Return the entries of a section by name; None stands for one that is not sound."""
        table = self._data.get(section)
        found = table if isinstance(table, dict) else {}
        # An entry whose header could not be read has left no other trace.
        lost = [str(key[1]) for key in self._faulty if key[:1] == (section,) and len(key) > 1]
        return {
            name: adapter.validate_python(found[name]) if self._is_sound((section, name)) else None
            for name in dict.fromkeys([*found, *lost])
        }

    def _section(self, name: str, kind: type[_Section]) -> _Section | None:
        if name in self._data and self._is_sound((name,)):
            return kind.model_validate(self._data[name])
        return None

    def _energy(self) -> EnergySection | None:
        """Return the energy section without what of it is not sound, if it is sound in the main."""
        table = self._data.get("energy")
        spoilt = {key[1] for key in self._faulty if key[:1] == ("energy",) and len(key) > 1}
        whole = ("energy",) in self._faulty or not spoilt.isdisjoint(_HEART_OF_ENERGY)
        if not isinstance(table, dict) or whole or any(not key for key in self._faulty):
            return None
        loads = {key[2] for key in self._faulty if key[:2] == ("energy", "loads") and len(key) > 2}
        kept = {name: value for name, value in table.items() if name not in spoilt}
        if loads and isinstance(table["loads"], dict):
            kept["loads"] = {name: one for name, one in table["loads"].items() if name not in loads}
        try:
            return EnergySection.model_validate(kept)
        except ValidationError:  # what is missing may be what could not be read
            return None

    def _is_sound(self, key: KeyPath) -> bool:
        return not any(_touch(key, faulty) for faulty in self._faulty)


def _judged_whole(key: KeyPath) -> KeyPath:
    """Return the part of the file that cannot be judged when something at ``key`` is lost."""
    return key[: 2 if key[:1] and key[0] in _SECTIONS_OF_ENTRIES else 1]


def _touch(one: KeyPath, other: KeyPath) -> bool:
    """Whether one of two keys holds the other."""
    shorter = min(len(one), len(other))
    return one[:shorter] == other[:shorter]


def _located(fault: Fault, parsed: Parsed, file: str) -> LocatedFault:
    line = parsed.lines.line_of(fault.key)
    return LocatedFault(file, line, dotted(fault.key), fault.found, fault.expected)
