import json
import subprocess
import sys

import pytest

from tests.accuracy.__main__ import all_checks
from tests.accuracy.check import exact, printed


@pytest.mark.parametrize("check", all_checks(), ids=lambda check: check.what)
def test_against_the_source(check):
    assert check.ok, check


def test_a_printed_number_allows_half_its_last_digit():
    assert printed("x", "s", "4.00", 4.005).ok
    assert not printed("x", "s", "4.00", 4.0051).ok
    assert printed("x", "s", "0", 0.5).ok
    assert not printed("x", "s", "0", 0.51).ok


def test_an_exact_number_allows_next_to_nothing():
    assert exact("x", "s", 1.0, 1.0 + 9e-10).ok
    assert not exact("x", "s", 1.0, 1.0 + 2e-9).ok
    assert not exact("x", "s", 1.0, float("nan")).ok


def test_the_command_gives_the_same_as_json():
    command = [sys.executable, "-m", "tests.accuracy", "--json"]
    done = subprocess.run(command, capture_output=True, check=True)
    rows = json.loads(done.stdout)
    assert len(rows) == len(all_checks()) >= 60
    assert {"what", "source", "expected", "computed", "relative_error", "tolerance"} <= {*rows[0]}
