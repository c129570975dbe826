"""Spoilt replies, by hypothesis, through every decoder; `tests.faults.fuzz` does it by the million.

Check values of 16 bits and damage by the few thousand: a chance match would fail nothing here,
because it is counted apart.
"""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.status import Reason
from tests.faults.fuzz import Tally, fuzz
from tests.faults.fuzz_targets import TARGETS, LineTarget, ModbusTarget

seeds = st.integers(0, 2**32)
each = pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)


@each
@given(seed=seeds)
def test_no_mutant_crashes_a_decoder_or_passes_unchecked(target, seed):
    tally = fuzz(target, 20, Random(seed))
    assert tally.complaints == []
    assert (tally.crashes, tally.wrong) == (0, 0)
    counted = tally.rejected + tally.unharmed + tally.unchecked + tally.collisions.total()
    assert counted == tally.mutants == 20


@each
@given(seed=seeds, heard=st.binary(max_size=300))
def test_no_noise_crashes_a_decoder(target, seed, heard):
    exchange = target.exchange(Random(seed))
    said = target.decode(exchange, heard)
    if not isinstance(said, Reason) and target.check_bits:
        assert target.verifies(exchange, heard)


@each
@given(seed=seeds)
def test_a_sound_frame_is_borne_out_by_the_judge(target, seed):
    exchange = target.exchange(Random(seed))
    assert not isinstance(target.decode(exchange, exchange.frame), Reason)
    assert not target.check_bits or target.verifies(exchange, exchange.frame)


class Credulous(ModbusTarget):
    """A decoder that believes everything, to see whether the judge notices."""

    def decode(self, exchange, heard):
        return (heard[-1],)


class Frail(LineTarget):
    """A decoder that breaks."""

    def decode(self, exchange, heard):
        return (float(heard.decode("ascii")),)


def test_the_judge_notices_what_is_believed_unchecked():
    tally = Tally(Credulous("rtu"))
    exchange = tally.target.exchange(Random(1))
    tally.judge("flip", exchange, (-1,), exchange.frame[:-1] + b"\x00")
    assert tally.wrong == 1
    assert tally.complaints[0].startswith("modbus-rtu: (0,) accepted from flip")


def test_the_judge_notices_a_crash():
    tally = Tally(Frail("xor"))
    tally.judge("noise", None, (1.0,), b"\xff")
    assert tally.crashes == 1
    assert "UnicodeDecodeError" in tally.complaints[0]
