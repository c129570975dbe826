import shutil

import pytest

from edge.journal.journal import Journal
from tests.journal.parts import SERIES


@pytest.fixture(scope="session")
def new_journal(tmp_path_factory):
    """A journal as it is made, to be copied: making one takes a process of its own."""
    path = tmp_path_factory.mktemp("journal") / "new.sqlite"
    Journal(path, SERIES).close()
    return path


@pytest.fixture
def path(tmp_path, new_journal):
    """Where a new journal lies."""
    return shutil.copy(new_journal, tmp_path / "ash-creek.sqlite")


@pytest.fixture
def journal(path):
    """The new journal at `path`, open."""
    journal = Journal(path, SERIES)
    yield journal
    journal.close()
