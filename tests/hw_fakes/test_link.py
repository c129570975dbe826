import asyncio
import contextlib

import pytest

from hw_fakes.link import CuttableLink


class EchoServer:
    """Sends back what it gets, and counts connections."""

    async def __aenter__(self):
        self.writers = []
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self._server.close()
        for writer in self.writers:
            writer.close()
            with contextlib.suppress(OSError):
                await writer.wait_closed()
        await self._server.wait_closed()

    async def _serve(self, reader, writer):
        self.writers.append(writer)
        with contextlib.suppress(OSError):
            while data := await reader.read(65536):
                writer.write(data)
                await writer.drain()
            writer.write_eof()


@pytest.fixture
async def echo():
    async with EchoServer() as server:
        yield server


@pytest.fixture
async def link(echo):
    async with CuttableLink("127.0.0.1", echo.port) as link:
        yield link


@contextlib.asynccontextmanager
async def connected(link):
    reader, writer = await asyncio.open_connection("127.0.0.1", link.port)
    try:
        yield reader, writer
    finally:
        writer.transport.abort()
        with contextlib.suppress(OSError):
            await writer.wait_closed()


async def test_bytes_pass_both_ways_and_are_counted(link):
    message = bytes(range(256)) * 4096
    async with connected(link) as (reader, writer):
        writer.write(message)
        assert await reader.readexactly(len(message)) == message
        writer.write_eof()
        assert await reader.read() == b""
    assert (link.bytes_to_target, link.bytes_from_target) == (len(message), len(message))
    assert link.connections == 1


async def test_a_cut_breaks_what_is_up_and_refuses_what_is_new_until_restored(link):
    port = link.port
    async with connected(link) as (reader, writer):
        writer.write(b"before")
        await reader.readexactly(6)
        await link.cut()
        assert link.is_cut
        with pytest.raises(ConnectionResetError):
            await reader.readexactly(1)
    with pytest.raises(ConnectionRefusedError):
        await asyncio.open_connection("127.0.0.1", port)
    await link.cut()

    await link.restore()
    assert (link.is_cut, link.port) == (False, port)
    async with connected(link) as (reader, writer):
        writer.write(b"after")
        assert await reader.readexactly(5) == b"after"
    assert link.connections == 2


async def test_a_hung_link_takes_connections_and_passes_nothing_until_restored(link, echo):
    async with connected(link) as (old_reader, old_writer):
        old_writer.write(b"1")
        await old_reader.readexactly(1)
        link.hang()
        assert link.is_hung
        async with connected(link) as (new_reader, new_writer):
            old_writer.write(b"old")
            new_writer.write(b"new")
            reading = [asyncio.ensure_future(r.readexactly(3)) for r in (old_reader, new_reader)]
            await asyncio.wait(reading, timeout=0.05)
            assert not any(task.done() for task in reading)
            assert (link.bytes_to_target, len(echo.writers)) == (1, 1)
            await link.restore()
            assert not link.is_hung
            assert await asyncio.gather(*reading) == [b"old", b"new"]


async def test_what_was_sent_arrives_and_the_answer_is_lost(link, until):
    async with connected(link) as (reader, writer):
        writer.write(b"1")
        await reader.readexactly(1)
        link.hang(replies_only=True)
        writer.write(b"lost answer")
        await until(lambda: link.bytes_to_target == 12)
        assert link.bytes_from_target == 1
        await link.cut()
        with pytest.raises(ConnectionResetError):
            await reader.readexactly(1)


async def test_a_hung_link_can_be_cut(link, until):
    link.hang()
    async with connected(link) as (reader, writer):
        writer.write(b"?")
        await until(lambda: link.connections == 1)
        await link.cut()
        with pytest.raises(ConnectionResetError):
            await reader.readexactly(1)
    await link.restore()
    async with connected(link) as (reader, writer):
        writer.write(b"!")
        assert await reader.readexactly(1) == b"!"


async def test_a_connection_that_comes_in_the_moment_of_the_cut_is_reset(link):
    opening = asyncio.ensure_future(asyncio.open_connection("127.0.0.1", link.port))
    await asyncio.sleep(0)
    await link.cut()
    with pytest.raises(OSError):  # noqa: PT011, PT012 - refused or reset, depending on the moment
        reader, _ = await opening
        await reader.readexactly(1)
    assert link.is_cut


async def test_a_target_that_hangs_up_or_is_not_there_breaks_the_connection(link, echo):
    async with connected(link) as (reader, writer):
        writer.write(b"1")
        await reader.readexactly(1)
        echo.writers[0].transport.abort()
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""
    async with CuttableLink("127.0.0.1", 1) as nowhere, connected(nowhere) as (reader, _):
        with contextlib.suppress(ConnectionResetError):
            assert await reader.read() == b""


async def test_nothing_is_left_behind(echo, until):
    before = asyncio.all_tasks()
    async with CuttableLink("127.0.0.1", echo.port) as link:
        async with connected(link) as (reader, writer):
            writer.write(b"1")
            await reader.readexactly(1)
            await link.cut()
        await link.restore()
    await until(lambda: asyncio.all_tasks() == before)
