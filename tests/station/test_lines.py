"""Line numbers of keys: by example, and against documents that know their own lines."""

import tomllib
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.station.lines import find_lines
from edge.station.syntax import parse

DOCUMENT = '''\
title = "a # b" # comment
dotted.key.path = 1
"quoted key" . 'and.literal' = 2

[channels.level]           # line 5
range = ["0 ft",           # line 6
  # a comment, not an item: ]
  "30 ft"]                 # line 8
read = { table = "input", nested.register = 3, list = [1, 2] }
text = """
[not.a.table]
key = 1 \\""" still text
"""
literal = \'\'\'
it's ["text"]\'\'\'
after = true

[channels]                 # line 18: after its sub-table
[[wells]]
depth = 1
[wells.pump]
power = 2
[[wells]]
depth = 3
[wells.pump]
power = 4
"\\u0061" = 5
'''


@pytest.mark.parametrize(
    ("key", "line"),
    [
        (("title",), 1),
        (("dotted",), 2),
        (("dotted", "key", "path"), 2),
        (("quoted key", "and.literal"), 3),
        (("channels", "level"), 5),
        (("channels", "level", "range"), 6),
        (("channels", "level", "range", 0), 6),
        (("channels", "level", "range", 1), 8),
        (("channels", "level", "read", "nested", "register"), 9),
        (("channels", "level", "read", "list", 1), 9),
        (("channels", "level", "text"), 10),
        (("channels", "level", "literal"), 14),
        (("channels", "level", "after"), 16),
        (("channels",), 18),
        (("wells",), 19),
        (("wells", 0), 19),
        (("wells", 0, "pump", "power"), 22),
        (("wells", 1), 23),
        (("wells", 1, "depth"), 24),
        (("wells", 1, "pump"), 25),
        (("wells", 1, "pump", "a"), 27),
    ],
)
def test_a_key_is_found_on_its_line(key, line):
    assert find_lines(DOCUMENT).places[key] == line


def test_the_example_is_complete():
    assert set(find_lines(DOCUMENT).places) == set(paths(tomllib.loads(DOCUMENT)))


def test_a_key_that_is_not_there_has_the_line_of_what_is_around_it():
    lines = find_lines(DOCUMENT)
    assert lines.line_of(("channels", "level", "sample")) == 5
    assert lines.line_of(("channels", "level", "range", 7)) == 6
    assert lines.line_of(("channels", "flow", "sample")) == 18
    assert lines.line_of(("uplink", "host")) is None
    assert lines.line_of(()) is None


def test_a_line_belongs_to_the_statement_that_spans_it():
    lines = find_lines(DOCUMENT)
    assert lines.statement_at(7).key == ("channels", "level", "range")
    assert lines.statement_at(12).key == ("channels", "level", "text")
    assert lines.statement_at(4) is None


@pytest.mark.parametrize(
    ("text", "key", "earlier"),
    [
        ("a = 1\na = 2", ("a",), 1),
        ("[a]\n\n[a]", ("a",), 1),
        ("[a]\nb = 1\n[c]\n[a]", ("a",), 1),
        ("[a]\nb.c = 1\nb.c = 2", ("a", "b", "c"), 2),
        ("[a.b]\n[a]", ("a",), None),
        ("[[a]]\n[[a]]", ("a", 1), None),
        ("[[a]]\n[a.b]\n[[a]]\n[a.b]", ("a", 1, "b"), None),
    ],
)
def test_a_name_given_before_is_noticed(text, key, earlier):
    last = find_lines(text).statements[-1]
    assert (last.key, last.earlier_line) == (key, earlier)


@pytest.mark.parametrize(
    ("text", "then"),
    [
        ('a = "open\nb = 1', 2),
        ("a = 'open\nb = 1", 2),
        ('a = ["x", "y"\nb = 1', 2),
        ("a = { b = 1\nc = 1", 2),
        ("a = { b\nc = 1", 2),
        ("a = [,]\nc = 1", 2),
        ("[a\nb = 1", 2),
        ("= = =\nb = 1", 2),
        ("[]\nb = 1", 2),
        ('"open = 1\nb = 1', 2),
        ('"\\q" = 1\nb = 1', 2),
    ],
)
def test_after_a_mistake_the_next_line_is_read_again(text, then):
    assert find_lines(text).statements[-1].first_line == then


def test_what_never_closes_is_unfinished_to_the_end():
    for text in ('a = """x\nb = 1\n', "a = '''x\nb = 1\n"):
        (statement,) = find_lines(text).statements
        assert statement.unfinished
        assert statement.first_line == 1
        assert statement.last_line == 3
    assert find_lines("a = [1,\n").statements[0].unfinished
    assert find_lines("a = {").statements[0].unfinished


def test_brackets_without_end_are_no_trouble():
    (statement,) = find_lines("a = " + "[" * 100_000).statements
    assert statement.unfinished
    (statement,) = find_lines("a = " + "{a=" * 100_000).statements
    assert statement.unfinished


def paths(data, path=()):
    """Yield every key path of parsed TOML."""
    if path:
        yield path
    if isinstance(data, dict):
        for key, value in data.items():
            yield from paths(value, (*path, key))
    if isinstance(data, list):
        for number, item in enumerate(data):
            yield from paths(item, (*path, number))


class Document:
    """A random TOML document that notes on which line it writes each key."""

    DECOYS = ("[x.y]", "k = 1", "# no", "]", "}", "'", ",", "a.b", "=")

    def __init__(self, random: Random) -> None:
        self.random = random
        self.text = ""
        self.lines: dict[tuple, int] = {}
        self._names = 0
        self._statements((), depth=0)
        self._tables()

    def _note(self, path, *, itself=True):
        line = self.text.count("\n") + 1
        for length in range(1, len(path)):
            self.lines.setdefault(path[:length], line)
        if itself:
            self.lines[path] = line

    def _key(self):
        """Return a key that no other key equals, and a way to write it."""
        self._names += 1
        odd = self.random.choice(["a b", ".", "#", "=[{", "", "é", "]"])
        bare = f"k{self._names}"
        return self.random.choice(
            [
                (bare, bare),
                (bare + odd, f'"{bare}{odd}"'),
                (bare + odd, f"'{bare}{odd}'"),
                (bare + '"\\', f'"{bare}\\"\\\\"'),
                (bare + "a", f'"{bare}\\u0061"'),
            ]
        )

    def _space(self):
        return self.random.choice(["", " ", "\t", "  "])

    def _break(self):
        return self.random.choice(["", " ", "\n", "\r\n", "\n  # no ] item, here\n"])

    def _end(self):
        self.text += self._space() + self.random.choice(["", "# end", "# [t] = ,"])
        self.text += self.random.choice(["\n", "\r\n", "\n\n"])

    def _tables(self):
        known = []
        for _ in range(self.random.randrange(5)):
            name, written = self._key()
            around, around_written = self.random.choice([((), ""), *known])
            path, text = (*around, name), around_written + written
            if self.random.random() < 0.3:
                self._array_of_tables(path, text)
                continue
            if self.random.random() < 0.3:
                implied, implied_text = path, text
                sub, sub_written = self._key()
                self._header((*path, sub), f"{text}.{sub_written}")
                path, text = (*path, sub), f"{text}.{sub_written}"
                if self.random.random() < 0.5:
                    self._header(implied, implied_text)
                    path, text = implied, implied_text
            else:
                self._header(path, text)
            known.append((path, f"{text} {self._space()}."))

    def _header(self, path, text):
        self.text += self._space()
        self._note(path)
        self.text += f"[{self._space()}{text}{self._space()}]"
        self._end()
        self._statements(path, depth=0)

    def _array_of_tables(self, path, text):
        for number in range(self.random.randrange(1, 4)):
            self._note((*path, number))
            self.text += f"[[{text}]]"
            self._end()
            self._statements((*path, number), depth=0)
            if self.random.random() < 0.3:
                sub, written = self._key()
                self._header((*path, number, sub), f"{text}.{written}")

    def _statements(self, path, depth):
        for _ in range(self.random.randrange(4)):
            self._assignment(path, depth)
            self._end()

    def _assignment(self, path, depth):
        written = []
        for _ in range(self.random.choice([1, 1, 1, 2, 3])):
            name, text = self._key()
            path = (*path, name)
            written.append(text)
        self.text += self._space()
        self._note(path)
        self.text += f"{self._space()}.".join(written) + f"{self._space()}={self._space()}"
        self._value(path, depth)

    def _value(self, path, depth):
        kind = self.random.randrange(9 if depth < 3 else 7)
        decoys = "".join(self.random.choices(self.DECOYS, k=3))
        if kind == 0:
            self.text += self.random.choice(["1", "-2.5e3", "true", "1979-05-27 07:32:00Z", "inf"])
        elif kind == 1:
            self.text += f'"{decoys}\\""'
        elif kind == 2:
            self.text += "'" + decoys.replace("'", "") + "'"
        elif kind == 3:
            self.text += f'"""{decoys}\n"" {decoys}\\""" \n{decoys}' + self.random.choice(
                ['"""', '""""', '"""""']
            )
        elif kind == 4:
            decoys = decoys.replace("'", "")
            self.text += f"'''{decoys}\n''{decoys}\n''''"
        elif kind == 5:
            self.text += self.random.choice(['""', "''", "{}", "[]", "[ # nothing\n]"])
        elif kind == 6:
            self.text += "0"
        elif kind == 7:
            self._array(path, depth)
        else:
            self.text += "{" + self._space()
            for number in range(self.random.randrange(4)):
                self.text += ", " if number else ""
                self._assignment(path, depth + 1)
            self.text += self._space() + "}"

    def _array(self, path, depth):
        self.text += "["
        count = self.random.randrange(4)
        for number in range(count):
            self.text += self._break()
            self._note((*path, number))
            self._value((*path, number), depth + 1)
            self.text += self._break()
            if number < count - 1 or self.random.random() < 0.5:
                self.text += ","
        self.text += self._break() + "]"


@settings(max_examples=300, deadline=None)
@given(st.randoms(use_true_random=False))
def test_every_key_of_any_document_is_found_where_it_was_written(random):
    document = Document(random)
    data = tomllib.loads(document.text)

    lines = find_lines(document.text)

    assert lines.places == document.lines
    assert set(lines.places) == set(paths(data))
    assert not any(s.unfinished or s.earlier_line for s in lines.statements)


@settings(max_examples=300, deadline=None)
@given(st.randoms(use_true_random=False), st.data())
def test_a_damaged_document_is_read_as_far_as_it_goes(random, data):
    text = Document(random).text
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(text)))
        end = data.draw(st.integers(start, min(len(text), start + 8)))
        piece = data.draw(st.text("[]{}\"'\\=.,#\n\r ak0\x01é", max_size=5))
        text = text[:start] + piece + text[end:]

    lines = find_lines(text)
    parsed = parse(text, "station.toml")

    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in lines.places.values())
    assert all(1 <= s.first_line <= s.last_line <= last for s in lines.statements)
    if not parsed.faults:
        # What tomllib accepts is known line by line, whatever it looks like.
        assert set(paths(parsed.data)) <= set(lines.places)
    assert all(fault.line is None or 1 <= fault.line <= last for fault in parsed.faults)


@given(st.text())
def test_no_text_at_all_is_too_much(text):
    find_lines(text)
    parse(text, "station.toml")
