import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hw_fakes.reply_text import CannotWriteError, write_line

CHARGER = r"VB=(?P<battery>-?\d+\.\d+),VP=(?P<panel>-?\d+\.\d+),TB=(?P<temperature>-?\d+\.\d+)"


def test_three_decimals_where_the_pattern_lets_them():
    numbers = {"battery": 12.6154, "panel": 0.0, "temperature": -3.25}
    assert write_line(CHARGER, numbers) == "VB=12.615,VP=0.000,TB=-3.250"


@given(*[st.floats(-1e6, 1e6)] * 3)
def test_what_is_written_can_be_read_again(battery, panel, temperature):
    numbers = {"battery": battery, "panel": panel, "temperature": temperature}
    match = re.fullmatch(CHARGER, write_line(CHARGER, numbers))
    for name, number in numbers.items():
        assert float(match[name]) == pytest.approx(number, abs=0.00051)


@pytest.mark.parametrize(
    ("pattern", "number", "line"),
    [
        (r"(?P<x>\d+)", 4294967295, "4294967295"),
        (r"(?P<x>\d+\.\d)V", 12.34, "12.3V"),
        (r"(?P<x>\d{4})", 42, "0042"),
        (r"(?P<x>[+-]\d+\.\d{2})", 3.14159, "+3.14"),
        (r"(?P<x>[+-]\d{5}\.\d{2})", -3.14159, "-00003.14"),
        (r"0(?P<x>[+-]\d+\.\d+)", 3.14159, "0+3.142"),
        (r"(?P<x>\d+\.\d{5})", 3.14159, "3.14159"),
        (r"(?P<x>.*)", 1.5, "1.500"),
        (r"(?P<x>\d+\.\d+)", -1.5, "0.000"),
    ],
)
def test_the_usual_notations(pattern, number, line):
    assert write_line(pattern, {"x": number}) == line


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (r"\$WX,(?P<x>\d+\.\d+)", "$WX,1.500"),
        (r"^OK\s+(?P<x>\S+)$", "OK 1.500"),
        (r"a\.b\(c\)\[d\] (?P<x>[\d.]+)", "a.b(c)[d] 1.500"),
        (r"\x02\t(?P<x>[\d.]+)\\", "\x02\t1.500\\"),
        (r"(?:OK|ERR):(?P<x>[\d.]+)", "OK:1.500"),
        (r"(?P<x>[\d.]+)( V)?", "1.500"),
        (r"(?P<x>[\d.]+)?", "1.500"),
        (r"(?:x=(?P<x>[\d.]+))*", "x=1.500"),
        (r"\w{3},[^0-9]{2,},.+?,(?P<x>[\d.]+)", "000,  ,0,1.500"),
        (r"[]a]{2}[^]](?P<x>[\d.]+)\Z", "]]01.500"),
        (r"(?P<id>[A-F]\d)=(?P<x>[\d.]+)", "A0=1.500"),
    ],
)
def test_what_stands_around_the_numbers(pattern, line):
    assert write_line(pattern, {"x": 1.5}) == line


def test_a_line_that_does_not_match_after_all_is_an_error():
    with pytest.raises(CannotWriteError, match="no way was found"):
        write_line(r"(?P<x>[\d.]+)\A", {"x": 1.5})


def test_hints_are_taken_where_they_fit():
    pattern = r"(?P<bat>\d+\.\d+) (?P<bat_state>[A-Z]+)"
    assert write_line(pattern, {}, {"bat": 12.5, "bat_state": 12.5}) == "12.500 A"


@pytest.mark.parametrize(
    ("pattern", "why"),
    [
        (r"(?=a)(?P<x>\d+)", r"a construct that cannot be written at 0"),
        (r"(?P<x>[A-Z]+)", r"1\.5 cannot be written as the group 'x', which is '\[A-Z\]\+'"),
        (r"a|(?P<x>[\d.]+)", r"no group 'x' in the lines written"),
        (r"[^\s\S](?P<x>[\d.]+)", r"which cannot be written"),
        (r"(?P<x>[\d.]+", r"never closed"),
        (r"[a", r"never closed"),
        (r"a)", r"a parenthesis too many"),
    ],
)
def test_what_cannot_be_written_is_an_error(pattern, why):
    with pytest.raises(CannotWriteError, match=why):
        write_line(pattern, {"x": 1.5})
