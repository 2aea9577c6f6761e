"""Key paths get the line on which they stand."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.sheet.places import Path, Places, longest_key

TEXT = '''format = 1                      # line 1
"include" = [
  "midi-1",   # a comment with ] and "
]
[module]
name = "a # b [ c ] = d"
[checksum.body]
rule = "x"
note = """
[parameter]
range = 1
"""
[[parameter]]
key = "one"
range = [0, 1]
[[parameter.route]]
line = "first"
[[parameter.route]]
line = "second"
[[parameter]]
key = "two"
shown = { formula = "v", unit = "a, b = c" }
choices = { 0 = "}", "1" = "x", 2 = "z" }
at = [
  { block = "a", byte = 1 },
  { block = "a", byte = 2 },
]
[parameter.when]
"echo.kind" = ["long"]
[[parameter]]
key.sub = 1
'quoted key' = 2
deep = """one quote " and two "" and an escape \\""" here"""
[[question]]
about = "x"
[question.gives.yes]
line = "l"
  [  indented . table  ]
  inner = 3
'''

ROWS: list[tuple[Path, int]] = [
    ((), 1),
    (("format",), 1),
    (("include",), 2),
    (("include", 0), 2),
    (("module",), 5),
    (("module", "name"), 6),
    (("module", "nothing"), 5),
    (("checksum", "body", "rule"), 8),
    (("checksum", "body", "note"), 9),
    (("parameter",), 13),
    (("parameter", 0, "key"), 14),
    (("parameter", 0, "range"), 15),
    (("parameter", 0, "route", 0, "line"), 17),
    (("parameter", 0, "route", 1), 18),
    (("parameter", 0, "route", 1, "line"), 19),
    (("parameter", 1), 20),
    (("parameter", 1, "shown"), 22),
    (("parameter", 1, "shown", "unit"), 22),
    (("parameter", 1, "choices", "1"), 23),
    (("parameter", 1, "choices", "2"), 23),
    (("parameter", 1, "at"), 24),
    (("parameter", 1, "when", "echo.kind"), 29),
    (("parameter", 2, "key", "sub"), 31),
    (("parameter", 2, "quoted key"), 32),
    (("parameter", 2, "deep"), 33),
    (("question", 0, "about"), 35),
    (("question", 0, "gives", "yes", "line"), 37),
    (("indented", "table", "inner"), 39),
    (("parameter", 9, "key"), 13),
]


def test_the_text_is_toml() -> None:
    assert tomllib.loads(TEXT)["parameter"][2]["deep"].endswith('""" here')


@pytest.mark.parametrize("path, line", ROWS)
def test_a_path_has_its_line(path: Path, line: int) -> None:
    assert Places(TEXT).line(path) == line


# TOML 1.0 knows \n and \r\n only; Python's str.splitlines() would count more.
@pytest.mark.parametrize("sign", ["\u2028", "\u2029", "\x85", "\x0b", "\x0c", "\x1c"])
def test_only_a_line_feed_ends_a_line(sign: str) -> None:
    assert Places(f'a = "{sign}"\nb = 1\n').line(("b",)) == 2


def test_line_ends_of_another_system_count_once() -> None:
    assert Places('a = """\r\n\r\n"""\r\nb = 1\r\n').line(("b",)) == 4


KEY_ROWS = [
    ("a.b.c = 1", 0),
    ("a.b.c.d = 1", 4),
    ("x = { \"a\" . 'b'.c.d = 1 }", 4),
    ("[a.b.c.d.e]", 5),
    ("# a.b.c.d.e", 0),
    ('x = "a.b.c.d.e"', 0),
    ('x = """\na.b.c.d.e\n"""', 0),
    ("x = '''\na.b.c.d.e\n'''", 0),
    ('x = "#"\na.b.c.d = 1', 4),
    ('x = "\\"a.b.c.d', 0),
]


@pytest.mark.parametrize("text, n_parts", KEY_ROWS)
def test_keys_of_too_many_parts_are_seen(text: str, n_parts: int) -> None:
    assert longest_key(text, 3) == n_parts


@given(st.text(max_size=200) | st.text("[]{}\"'\\=.,#\na1 ", max_size=200))
def test_any_text_has_places_and_no_key_fails(text: str) -> None:
    assert Places(text).line(("a", 0, "b")) >= 1
    assert longest_key(text, 3) != 3
