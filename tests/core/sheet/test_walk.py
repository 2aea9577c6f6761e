"""Unknown keys, missing keys and wrong kinds are found all at once, each with its place."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.sheet.faults import FAULT, MAX_MESSAGE, Findings
from knobwright.core.sheet.places import Places
from knobwright.core.sheet.shape import TABLES, kind_of
from knobwright.core.sheet.walk import MAX_DEPTH, walk


def faults(text: str) -> list[str]:
    findings = Findings(Places(text))
    walk(tomllib.loads(text), findings)
    return [str(fault) for fault in findings.of(FAULT)]


ROWS = [
    ("nmae = 1", "line 4: fault: module.nmae: there is no key 'nmae' here (did you mean 'name'?)"),
    (
        "zzzzzz = 1",
        "line 4: fault: module.zzzzzz: there is no key 'zzzzzz' here (known keys: name,",
    ),
    (
        "maker = 1",
        "line 4: fault: module.maker: maker must be a text in quotes, not a whole number",
    ),
    ("maker = 1979-05-27", "must be a text in quotes, not a date or time"),
    ("voices = -1", "line 4: fault: module.voices: voices must lie between 0 and 100000, not -1"),
    ("voices = true", "voices must be a whole number, not true or false"),
    ("voices = 1.0", "voices must be a whole number, not a number with a point"),
    ("drum_channels = [10, 17]", "drum_channels must lie between 1 and 16, not 17"),
    ("drum_channels = 10", "drum_channels must be a list of whole numbers, not a whole number"),
    ("device_ids = [16]", "device_ids must be a text in quotes, not a whole number"),
    ("[receiver]\nreplies = 1", "line 5: fault: receiver.replies: replies must be true or false"),
    ('[receiver]\ngap_holds = "notes"', "gap_holds must be one of exclusive, all"),
    ("[checksum]\nbody = 1", "line 5: fault: checksum.body: body must be a table"),
    ('[checksum."a b"]\nrule = "xor-7"', "a name has letters, digits, - and _, at most 64"),
    ("[checksum.body]", "line 4: fault: checksum.body: 'rule' is missing in [checksum]"),
    ('[[parameter]]\nkey = "a"', "parameter 1: 'line' is missing in [parameter]"),
    ('[[parameter]]\nkey = "A b"\nline = "F6"', "key must be lower-case letters and digits"),
    ('[[parameter]]\nkey = "a"\nline = []', "line must not be an empty list"),
    ('[[setup]]\nline = "F6"\nresst_ms = 5', "setup 1, resst_ms: there is no key 'resst_ms' here"),
    ("voices = 0x" + "F" * 17, "line 4: fault: module.voices: a whole number has at most 64 bits"),
    ("note = " + "[" * 40 + "]" * 40, f"stand in each other {MAX_DEPTH} deep at most"),
]


@pytest.mark.parametrize("body, words", ROWS)
def test_what_is_wrong_has_its_place(body: str, words: str) -> None:
    found = faults('format = 1\n[module]\nname = "A"\n' + body)
    assert [line for line in found if words in line], found


def test_a_value_where_tables_must_stand_is_said() -> None:
    found = faults('format = 1\nparameter = 1\n[module]\nname = "A"\n')
    assert found == [
        "line 2: fault: parameter: parameter must be an array of tables, such as [[parameter]]"
    ]


def test_everything_is_said_at_once() -> None:
    text = 'frmat = 1\n[modul]\n[receiver]\nreplies = 1\ngap_ms = "x"\n[[kit]]\n'
    found = faults(text)
    assert [line.split(":")[0] for line in found] == [
        "line 1", "line 1", "line 1", "line 2", "line 4", "line 5", "line 6",
    ]  # fmt: skip


def test_a_very_long_value_is_cut_in_the_message() -> None:
    findings = Findings(Places(""))
    findings.fault((), "x" * 10_000)
    (fault,) = findings.of(FAULT)
    assert len(fault.message) == MAX_MESSAGE


def test_the_same_fault_counts_once() -> None:
    findings = Findings(Places(""))
    for _ in range(3):
        findings.fault((), "x")
    assert findings.n_faults == len(findings.of(FAULT)) == 1


def test_suggestions_end_after_very_many_comparisons() -> None:
    findings = Findings(Places(""))
    known = [f"name{i}" for i in range(60_000)]
    assert findings.close("nam1", known, "none") == "did you mean 'name1'?"
    assert findings.close("nam1", known, "none") == "none"


def test_every_inner_table_is_in_the_table_of_tables() -> None:
    inner = {key.inner for keys in TABLES.values() for key in keys.values() if key.inner}
    assert inner <= TABLES.keys()


_VALUES = st.recursive(
    st.none().map(lambda _: "text")
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=5)
    | st.dates(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=8,
)
_KEYS = st.sampled_from(sorted({key for keys in TABLES.values() for key in keys})) | st.text(
    max_size=5
)


@given(st.dictionaries(_KEYS, _VALUES | st.dictionaries(_KEYS, _VALUES, max_size=4), max_size=6))
def test_any_tree_is_walked(tree: Mapping[str, Any]) -> None:
    findings = Findings(Places(""))
    good = walk(dict(tree), findings)
    assert set(good) <= set(tree)
    assert all(kind_of(value) for value in tree.values())
