import asyncio
import io
import json
import socket

import pytest
import structlog

from edge.host.logs import set_up_logs
from edge.host.notify import Notifier


# The protocol of sd_notify(3): datagrams of KEY=value to the socket that NOTIFY_SOCKET names.
@pytest.mark.parametrize("abstract", [False, True])
def test_words_to_the_service_manager(tmp_path, abstract):
    name = f"\0livezero-{tmp_path.name}-{id(tmp_path)}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(name)
        manager.settimeout(5)
        environ = {"NOTIFY_SOCKET": name.replace("\0", "@"), "WATCHDOG_USEC": "60000000"}
        notifier = Notifier(environ)
        assert notifier.watchdog_period == 30.0
        notifier.ready()
        notifier.alive()
        notifier.status("5 of 5 series good")
        notifier.stopping()
        assert [manager.recv(100) for _ in range(4)] == [
            b"READY=1",
            b"WATCHDOG=1",
            b"STATUS=5 of 5 series good",
            b"STOPPING=1",
        ]


async def test_signs_of_life_until_told_to_stop(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)
        environ = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "2000"}
        stop, loop = asyncio.Event(), asyncio.get_running_loop()
        telling = asyncio.create_task(Notifier(environ).until(stop, lambda: "all is\nwell"))
        heard = [await loop.sock_recv(manager, 100) for _ in range(6)]
        assert heard == [b"WATCHDOG=1", b"STATUS=all is well"] * 3
        stop.set()
        await telling


def test_without_a_service_manager_nothing_happens(tmp_path):
    Notifier({}).ready()
    assert Notifier({"WATCHDOG_USEC": "0"}).watchdog_period is None
    assert Notifier({"WATCHDOG_USEC": "soon"}).watchdog_period is None
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).ready()


def test_logs_are_json_where_nobody_looks():
    out = io.StringIO()
    set_up_logs(stream=out)
    structlog.get_logger().warning("device fails", device="loops")
    event = json.loads(out.getvalue())
    assert (event["event"], event["level"], event["device"]) == ("device fails", "warning", "loops")
    assert event["timestamp"].endswith("Z")


def test_a_crash_in_json_is_one_line():
    out = io.StringIO()
    set_up_logs("json", stream=out)
    try:
        1 / 0  # noqa: B018
    except ZeroDivisionError:
        structlog.get_logger().exception("task crashed")
    assert len(out.getvalue().splitlines()) == 1
    assert json.loads(out.getvalue())["exception"][0]["exc_type"] == "ZeroDivisionError"


def test_logs_are_text_when_asked():
    out = io.StringIO()
    set_up_logs("text", stream=out)
    structlog.get_logger().info("station running")
    assert "station running" in out.getvalue()
    assert not out.getvalue().startswith("{")
