"""Mistakes in the TOML: said in plain words, on the right line, and the rest is read all the same.

The cases are the messages that tomllib has. Where TOML 1.0.0 is the authority it is cited.
"""

import pytest

from edge.station.syntax import parse

VALUE = 'a value: a number, true, false, a list, or text in quotes such as "30 ft"'
END_OF_LINE = 'the end of the line; text stands in quotes, such as "30 ft"'
QUOTE = "the closing quote of a text"


@pytest.mark.parametrize(
    ("statement", "found", "expected"),
    [
        ('key "x"', "'\"x\"' at column 5", '"=" between a key and its value'),
        ("key =", "the end of the line", VALUE),
        ("key = # later", "the end of the line", VALUE),
        ("key = yes", "'yes' at column 7", VALUE),
        ("key = 30 ft", "'ft' at column 10", END_OF_LINE),
        ("key = 007", "'07' at column 8", END_OF_LINE),
        ('key = "open', "the end of the line", QUOTE),
        ("key = 'open", "the end of the file", QUOTE),
        (r'key = "\d+"', "a backslash that escapes nothing",
         'single quotes around a text with backslashes, or "\\\\" for each of them'),
        (r'key = "\u12"', "'12\"' at column 10",
         "as many hexadecimal digits as the escape wants: \\u00e9"),
        (r'key = "\ud800"', "'\"' at column 14", "TOML that can be read"),
        ('key = "\x01"', "'\\x01\"' at column 8", "no control characters"),
        ("key = '\x01'", '"\\x01\'" at column 8', "no control characters"),
        ("key = [0 ft]", "'ft]' at column 10",
         '"," or "]"; text stands in quotes, such as "30 ft"'),
        ("key = { a = 1", "the end of the line", '"," or "}"'),
        ("key = { a = 1, a = 2 }", "a name twice in one table", "every name once"),
        ("[key", "the end of the line", '"]" after the name of a table'),
        ("[key] 5", "'5' at column 7", END_OF_LINE),
    ],
)  # fmt: skip
def test_a_mistake_is_told_in_plain_words_and_the_rest_is_read(statement, found, expected):
    parsed = parse(f"before = 1\n{statement}\n[after]\nit = 2\n", "station.toml")

    (fault,) = parsed.faults
    assert (fault.file, fault.line, fault.key) == ("station.toml", 2, "key")
    assert (fault.found, fault.expected) == (found, expected)
    assert parsed.data == {"before": 1, "after": {"it": 2}}
    assert {key[0] for key in parsed.broken} == {"key"}


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("a = 1\n# \x01\n", 2, "'\\x01' at column 3"),
        ("a = [1,\nb = 2\n", 2, "'b = 2' at column 1"),
        ('a = 1\nb = """open\n\n', 2, "the end of the file"),
        ("a = 1\nb = [\n", 2, "the end of the file"),
        ("a = " + "[" * 5000, None, "brackets nested too deeply"),
        ("a = " + "1" * 5000, None, "a number of too many digits"),
    ],
)
def test_a_mistake_that_may_hide_others_is_the_last_one_told(text, line, found):
    parsed = parse(text, "station.toml")

    (fault,) = parsed.faults
    assert (fault.line, fault.found) == (line, found)
    assert parsed.data == {}
    assert parsed.broken == {()}


def test_what_a_nameless_statement_was_about_is_anyones_guess():
    parsed = parse("a = 1\n= 2\n[]\nb = 3\n[t]\n= 4\n", "station.toml")

    assert [(fault.line, fault.key, fault.found) for fault in parsed.faults] == [
        (2, "", "'= 2' at column 1"),
        (3, "", "']' at column 2"),
        (6, "t", "'= 4' at column 1"),
    ]
    assert parsed.data == {"a": 1, "t": {}}
    assert parsed.broken == {(), ("t",)}


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("a = 1\nb = 2\na = 3\n", "a", "a second value for this name (the first is on line 1)"),
        ("[a]\nb = 1\n[a]\nb = 2\n", "a", "a second table of this name (the first is on line 1)"),
        ("a = 1\n\n[a]\nb = 2\n", "a", "a second table of this name (the first is on line 1)"),
    ],
)
def test_of_a_name_given_twice_the_first_stands(text, key, words):
    # TOML 1.0.0, "Key/Value Pair" and "Table": defining a key, or a table, twice is invalid.
    parsed = parse(text, "station.toml")

    (fault,) = parsed.faults
    assert (fault.line, fault.key, fault.found) == (3, key, words)
    assert fault.expected == "every name once"
    assert parsed.data["a"] in (1, {"b": 1})
    assert parsed.broken == frozenset()


def test_a_name_that_means_something_else_already_is_told_so():
    parsed = parse("a.b = 1\n[a]\nc = 2\n[d]\n", "station.toml")

    (fault,) = parsed.faults
    assert (fault.line, fault.key) == (2, "a")
    assert fault.found == "a name that already stands for something else"
    assert parsed.data == {"a": {"b": 1}, "d": {}}
    assert parsed.broken == {("a",)}


def test_an_array_of_tables_wants_two_brackets_to_close():
    (fault,) = parse("[[key]\na = 1\n", "station.toml").faults

    assert (fault.line, fault.key, fault.found) == (1, "key[0]", "']' at column 6")
    assert fault.expected == '"]]" after the name of an array of tables'


def test_a_value_twice_may_span_lines():
    parsed = parse("[t]\na = 1\na = [\n  2,\n]\nb = 3\n", "station.toml")

    assert [fault.line for fault in parsed.faults] == [3]
    assert parsed.data == {"t": {"a": 1, "b": 3}}


def test_all_mistakes_are_told_up_to_a_limit():
    text = "".join(f"key{number} = {number} ft\n" for number in range(50))

    parsed = parse(text, "station.toml")

    assert [fault.line for fault in parsed.faults] == list(range(1, 21))
    assert parsed.broken == {()}


def test_lines_that_end_as_on_other_systems_count_the_same():
    parsed = parse("a = 1\r\nb = 30 ft\r\n\r\n[c]\r\nd = 2\r\n", "station.toml")

    assert [(fault.line, fault.found) for fault in parsed.faults] == [(2, "'ft' at column 8")]
    assert parsed.lines.line_of(("c", "d")) == 5
