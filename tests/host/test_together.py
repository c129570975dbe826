import asyncio

import pytest

from edge.host.together import together


async def for_ever(ended, name):
    try:
        await asyncio.Event().wait()
    finally:
        ended.append(name)


async def crash():
    raise KeyError("crash")


async def test_all_end_of_the_first_crash_which_is_raised_as_it_is():
    ended = []
    with pytest.raises(KeyError, match="crash"):
        await together([for_ever(ended, "a"), crash(), for_ever(ended, "b")])
    assert sorted(ended) == ["a", "b"]
    assert asyncio.current_task().cancelling() == 0


async def test_whoever_cancels_it_cancels_them_all():
    ended = []
    running = asyncio.create_task(together([for_ever(ended, "a"), for_ever(ended, "b")]))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    assert sorted(ended) == ["a", "b"]


async def test_nothing_to_run_is_over_at_once():
    await together([])
