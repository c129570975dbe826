import asyncio

import pytest


@pytest.fixture
def until():
    """Wait until something holds that has no event of its own."""

    async def wait(condition):
        async with asyncio.timeout(5):
            while not condition():  # noqa: ASYNC110
                await asyncio.sleep(0)

    return wait
