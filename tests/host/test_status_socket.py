"""The daemon's answer to whoever asks how it is, over a real socket of the abstract name space."""

import asyncio
import contextlib
import errno
import json
import os
import socket
import subprocess
import sys
import threading

import pytest
import structlog

from edge.host import status_socket
from edge.host.status_socket import GarbledError, SilentError, address, ask, serve

TOLD = {"station": "ash-creek-2", "parts": []}


async def asked(journal, patience=10.0):
    return await asyncio.to_thread(ask, journal, patience)


def connected(journal):
    asker = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    asker.settimeout(10)
    asker.connect(address(journal))
    return asker


@pytest.fixture
def journal(tmp_path):
    return tmp_path / "well.sqlite"


@pytest.fixture
def impostor(journal):
    """Listen under the daemon's name, and let the test say what to do with who connects."""
    threads = []
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(address(journal))
        listener.listen(1)

        def behave(with_one):
            def run():
                asker, _ = listener.accept()
                with asker:
                    with_one(asker)

            threads.append(threading.Thread(target=run))
            threads[-1].start()

        yield behave
        for thread in threads:
            thread.join(10)
            assert not thread.is_alive()


async def test_each_question_is_answered_with_what_holds_at_that_moment(journal):
    counts = iter(range(10))
    async with serve(journal, lambda: TOLD | {"made": next(counts)}):
        assert await asked(journal) == TOLD | {"made": 0}
        assert await asked(journal) == TOLD | {"made": 1}


async def test_the_name_needs_no_file_and_is_gone_with_the_server(journal, tmp_path):
    async with serve(journal, lambda: TOLD):
        assert list(tmp_path.iterdir()) == []
    assert await asked(journal) is None


async def test_a_process_of_its_own_can_ask(journal):
    program = (
        "import json, pathlib, sys\n"
        "from edge.host.status_socket import ask\n"
        "print(json.dumps(ask(pathlib.Path(sys.argv[1]), 10)))\n"
    )
    async with serve(journal, lambda: TOLD):
        asker = await asyncio.create_subprocess_exec(
            sys.executable, "-c", program, str(journal), stdout=subprocess.PIPE
        )
        said, _ = await asker.communicate()
    assert json.loads(said) == TOLD


async def test_the_same_journal_by_another_path(journal, tmp_path, monkeypatch):
    (tmp_path / "link").symlink_to(tmp_path, target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    async with serve(journal, lambda: TOLD):
        assert await asked(tmp_path / "link" / "well.sqlite") == TOLD
        assert await asked(journal.relative_to(tmp_path)) == TOLD
        assert await asked(tmp_path / "other.sqlite") is None


def test_a_name_fits_a_socket_address_however_long_the_path(tmp_path):
    # unix(7): 108 bytes, the leading NUL among them.
    assert len(address(tmp_path / ("deep/" * 100)).encode()) < 108
    assert address(tmp_path / "\udcff") != address(tmp_path / "\udcfe")


async def test_a_name_that_is_taken_is_logged_and_the_daemon_goes_on(journal):
    async with serve(journal, lambda: TOLD):
        with structlog.testing.capture_logs() as logs:
            async with serve(journal, lambda: {"another": 1}):
                assert await asked(journal) == TOLD
    (line,) = logs
    assert line["log_level"] == "warning"
    assert line["why"] == os.strerror(errno.EADDRINUSE)


async def test_a_daemon_that_cannot_tell_says_why_in_its_log_and_answers_the_next(journal):
    answers = [TOLD]
    async with serve(journal, answers.pop):
        assert await asked(journal) == TOLD
        with structlog.testing.capture_logs() as logs, pytest.raises(GarbledError):
            await asked(journal)
        assert [line["event"] for line in logs] == ["status cannot be told"]
        answers.append(TOLD)
        assert await asked(journal) == TOLD


async def test_askers_that_do_not_read_are_left_after_a_while(journal, monkeypatch):
    answering = asyncio.Queue()

    def much():
        answering.put_nowait(asyncio.current_task())
        return TOLD | {"name": "x" * 900_000}

    async with serve(journal, much):
        monkeypatch.setattr(status_socket, "_READ_WITHIN", 0.01)
        with await asyncio.to_thread(connected, journal) as idle:
            await (await answering.get())
            assert len(await asyncio.to_thread(all_of, idle)) < 900_000
        monkeypatch.undo()
        assert (await asked(journal))["station"] == "ash-creek-2"


async def test_too_many_askers_at_once_are_turned_away(journal, monkeypatch):
    monkeypatch.setattr(status_socket, "_MOST_ASKERS", 3)
    much = TOLD | {"name": "x" * 900_000}
    async with serve(journal, lambda: much):
        idle = [await asyncio.to_thread(connected, journal) for _ in range(3)]
        with pytest.raises(GarbledError, match="closed without a word"):
            await asked(journal)
        for one in idle:
            one.close()
        while await asked_once_more(journal) != much:
            pass  # the places of those who have gone are not free yet


async def test_an_end_in_the_midst_of_an_answer(journal):
    async with serve(journal, lambda: TOLD | {"name": "x" * 900_000}):
        idle = await asyncio.to_thread(connected, journal)
        assert await asyncio.to_thread(idle.recv, 1) == b"{"
    with idle:
        assert len(await asyncio.to_thread(all_of, idle)) < 900_000


async def test_who_talks_instead_of_listening_harms_nobody(journal):
    async with serve(journal, lambda: TOLD):
        with connected(journal) as talker:
            talker.sendall(b"GET / HTTP/1.1\r\n\r\n" * 1000)
        assert await asked(journal) == TOLD


async def asked_once_more(journal):
    with contextlib.suppress(GarbledError):
        return await asked(journal)


def all_of(asker):
    received = b""
    while part := asker.recv(65_536):
        received += part
    return received


class TestAsking:
    def test_nobody_there(self, journal):
        assert ask(journal, 1.0) is None

    def test_a_process_that_is_stopped(self, journal):
        program = (
            "import os, pathlib, signal, socket, sys\n"
            "from edge.host.status_socket import address\n"
            "listener = socket.socket(socket.AF_UNIX)\n"
            "listener.bind(address(pathlib.Path(sys.argv[1])))\n"
            "listener.listen(0)\n"
            "print('ready', flush=True)\n"
            "os.kill(os.getpid(), signal.SIGSTOP)\n"
        )
        command = [sys.executable, "-c", program, str(journal)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as stopped:
            try:
                assert stopped.stdout.readline() == b"ready\n"
                for _ in range(2):  # with the first, the queue of those to be answered is full
                    with pytest.raises(SilentError, match="no answer within"):
                        ask(journal, 0.05)
            finally:
                stopped.kill()

    def test_one_that_sends_for_ever(self, journal, impostor):
        done = threading.Event()

        def drip(asker):
            with contextlib.suppress(OSError):
                while not done.wait(0.001):
                    asker.sendall(b" ")

        impostor(drip)
        with pytest.raises(SilentError):
            ask(journal, 0.05)
        done.set()

    @pytest.mark.parametrize(
        ("answer", "words"),
        [
            (b"", "closed without a word"),
            (b"good", "not JSON"),
            (b"\xff\xfe\x00", "not JSON"),
            (b"[" * 200_000, "not JSON"),
            (b'["good"]', "not a JSON object"),
            (b"17", "not a JSON object"),
            (b"9" * 10_000, "not JSON"),  # more digits than Python converts
            (b" " * 1_000_001, "more than 1 MB"),
        ],
    )
    def test_what_is_no_answer(self, journal, impostor, answer, words):
        def send(asker):
            with contextlib.suppress(OSError):  # who asked may have heard enough
                asker.sendall(answer)

        impostor(send)
        with pytest.raises(GarbledError, match=words):
            ask(journal, 10.0)

    def test_a_system_that_does_not_let_one_ask(self, journal, monkeypatch):
        def forbidden(*_):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

        monkeypatch.setattr(status_socket.socket, "socket", forbidden)
        with pytest.raises(SilentError, match="Permission denied"):
            ask(journal, 1.0)
