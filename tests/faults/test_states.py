"""A real station says by itself what is the matter with it, and that it is well again.

A short tour; ``python -m tests.faults.states`` is the whole one.
"""

import pytest

from tests.faults import states
from tests.faults.station import Rig


@pytest.mark.parametrize(
    ("tour", "edit"),
    [
        ((states.well, states.journal_unwritable), str),
        (states.LOST, states.lost),
    ],
)
async def test_the_status_names_what_is_the_matter(tmp_path, tour, edit):
    async with Rig(tmp_path, 1, edit=edit) as rig:
        await rig.run_station()
        sights = [sight async for sight in states.seen(rig, tour, mend=edit is str)]
    assert [sight.state for sight in sights] == list(tour)
    for sight in sights:
        assert sight.named, sight.page
        assert sight.mended, sight.page
        assert sight.code == (0 if sight.state is states.well else 1)
