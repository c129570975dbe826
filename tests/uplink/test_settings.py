import pytest

from edge.station.loader import load
from edge.uplink.settings import SettingsError, broker_settings
from tests.stations import TANK, WELL


@pytest.fixture
def well(tmp_path):
    file = tmp_path / "well.toml"
    file.write_text(WELL.read_text())
    return file


def test_the_password_comes_from_a_file_beside_the_station_file(well):
    (well.parent / "ash-creek-2.mqtt-password").write_text("live zero\n")
    settings = broker_settings(load(well), well, {})
    assert (settings.username, settings.password) == ("ash-creek-2", "live zero")
    assert (settings.port, settings.client_id) == (8883, "ash-creek-2")
    assert settings.tls is not None
    assert "live zero" not in repr(settings)


def test_the_credentials_of_the_service_come_first(well, tmp_path):
    (well.parent / "ash-creek-2.mqtt-password").write_text("old")
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    (credentials / "ash-creek-2.mqtt-password").write_text("new")
    environ = {"CREDENTIALS_DIRECTORY": str(credentials)}
    assert broker_settings(load(well), well, environ).password == "new"


def test_a_password_file_that_is_missing_or_no_text(well):
    with pytest.raises(SettingsError, match=r"password_file: found .*: No such file"):
        broker_settings(load(well), well, {})
    (well.parent / "ash-creek-2.mqtt-password").write_bytes(b"\xff\xfe")
    with pytest.raises(SettingsError, match="not a text in UTF-8"):
        broker_settings(load(well), well, {})


def test_an_empty_password_file(well):
    (well.parent / "ash-creek-2.mqtt-password").write_text("\n")
    with pytest.raises(SettingsError, match="empty, expected the password"):
        broker_settings(load(well), well, {})


def test_no_password_no_uplink(tmp_path):
    assert broker_settings(load(TANK), TANK, {}).password is None
    file = tmp_path / "tank.toml"
    file.write_text(TANK.read_text().partition("[uplink]")[0])
    assert broker_settings(load(file), file, {}) is None
