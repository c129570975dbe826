"""What holds for every test of the uplink."""

import asyncio
from collections.abc import AsyncIterator

import pytest


@pytest.fixture(autouse=True)
async def no_task_is_left_behind() -> AsyncIterator[None]:
    """Let what a test has let go of come to its end before the loop is closed."""
    yield
    await asyncio.sleep(0)
