"""Every fault that ``check`` promises: a row with the line it stands on and part of the message."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.core.codec.check import MAX_CHARACTERS, check_sheet
from knobwright.core.errors import InputError, SheetError
from tests.core.codec.fault_rows import FINE_ROWS, ROWS
from tests.core.codec.made import Made, sheets
from tests.core.codec.small import HEAD, MAPS, SUMS, checked, parameter, table

HEAD_LINES = (HEAD + SUMS + MAPS).count("\n")


@pytest.mark.parametrize("name", ROWS)
def test_a_fault_is_said_with_its_line(name: str) -> None:
    body, wanted = ROWS[name]
    found = checked(body)
    assert found.sheet is None
    assert [fault.line - HEAD_LINES for fault in found.faults] == [line for line, _ in wanted]
    for fault, (_, words) in zip(found.faults, wanted, strict=True):
        assert words in str(fault)


def test_all_faults_of_a_sheet_are_said_in_one_call() -> None:
    bodies = [
        body.replace('"x"', f'"x{i}"').replace('"a"', f'"a{i}"')
        for i, (body, _) in enumerate(ROWS.values())
    ]
    texts = [b for b in bodies if b.startswith("[[parameter]]") and "[[parameter]]" not in b[5:]]
    found = checked("".join(texts))
    lines = {fault.line - HEAD_LINES for fault in found.faults}
    assert len(texts) > 40
    first = 1
    for text in texts:
        n_lines = text.count("\n")
        assert lines & set(range(first, first + n_lines)), text
        first += n_lines


def test_what_is_wrong_is_listed_in_the_error() -> None:
    found = checked(parameter("F0 7D vv F7", range=[0, 128]) + parameter("F0 7D 80 F7", "y"))
    with pytest.raises(SheetError) as caught:
        found.require()
    assert len(caught.value.faults) == 2
    assert "(and 1 more)" in caught.value.message
    assert caught.value.where == "small.sheet.toml"


@pytest.mark.parametrize("name", FINE_ROWS)
def test_what_can_be_told_apart_is_no_fault(name: str) -> None:
    assert [str(fault) for fault in checked(FINE_ROWS[name]).faults] == []


def test_open_questions_are_told_and_are_no_faults() -> None:
    body = table(
        "question",
        {
            "about": "hall.colour",
            "place": "page 4",
            "understood": "u",
            "choices": {"yes": "y", "no": "n"},
        },
    )
    found = checked(parameter("F0 7D 01 vv F7") + body)
    assert found.faults == ()
    (question,) = found.questions
    assert str(question).endswith(
        "question: hall.colour: open question: u (page 4; choices: yes, no)"
    )
    assert question.line == HEAD_LINES + 4


def test_a_line_that_is_asked_about_clashes_with_nothing() -> None:
    ask = {"about": "b", "place": "p", "understood": "u", "choices": {"y": "z"}}
    body = parameter("F0 7D 01 vv F7", "a") + parameter("F0 7D 01 vv F7", "b")
    assert checked(body + table("question", ask)).faults == ()
    third = parameter("F0 7D 01 vv F7", "c")
    (fault,) = checked(body + third + table("question", ask)).faults
    assert "tell c from a" in fault.message


NOTE_ROWS = [
    (parameter("F0 7D vv F7", shown={"formula": "log(v)"}), 4, "no value in part of the range"),
    (
        parameter("F0 7D vv F7", shown={"formula": "abs(v - 64)"}),
        4,
        "does not rise or fall all along",
    ),
    (parameter("F0 7D vv F7", choices={0: "A", 1: "a"}), 4, "two choices are called 'a'"),
]


@pytest.mark.parametrize("body, line, words", NOTE_ROWS)
def test_what_is_odd_is_noted_at_its_line(body: str, line: int, words: str) -> None:
    found = checked(parameter("F0 7D 7C 01 F7", "first") + body)
    assert found.sheet is not None
    (note,) = found.notes
    assert words in note.message
    assert note.line == HEAD_LINES + 3 + line


INCLUDED = {
    "base": HEAD.replace("Fennick", "Base")
    + 'voices = 24\n[receiver]\ngap_ms = 5\n[programs]\nline = "Cn pp"\nfirst = 0\n'
    + parameter("Bn 07 vv", "volume", per=["channel"])
    + parameter("Bn 0A vv", "pan", per=["channel"])
    + parameter("F0 7D 0n vv {pan} F7", "wide", per=["channel"]),
    "round": HEAD.replace("format = 1\n", 'format = 1\ninclude = ["again"]\n'),
    "again": HEAD.replace("format = 1\n", 'format = 1\ninclude = ["round"]\n'),
    "broken": HEAD + parameter("F0 7D 80 F7"),
    "many": HEAD.replace("format = 1\n", 'format = 1\ninclude = ["base", "base", "base"]\n'),
    "more": HEAD.replace("format = 1\n", 'format = 1\ninclude = ["many", "many", "many"]\n'),
}


def shelf(name: str) -> str:
    """Resolve an included name; refuse one that leaves the folder, as the file adapter does."""
    if ".." in name:
        raise InputError(f"the include {name!r} would leave the sheet's folder")
    return INCLUDED[name]


def including(names: str, body: str = "") -> str:
    return HEAD.replace("format = 1\n", f"format = 1\ninclude = [{names}]\n") + body


def test_what_is_included_is_there_and_the_sheet_itself_wins() -> None:
    own = parameter("F0 7D 01 vv F7", "volume")
    found = check_sheet(including('"base"', own), library=shelf)
    sheet = found.require()
    by_key = {p.key: p for p in sheet.parameters}
    assert by_key.keys() == {"volume", "pan", "wide"}
    assert (by_key["volume"].included, by_key["pan"].included) == ("", "base")
    assert sheet.module.voices == 24
    assert sheet.programs is not None
    assert sheet.programs.first == 0


def test_an_included_line_gives_way_to_the_same_bytes_and_what_depends_on_it_goes() -> None:
    own = parameter("Bn 0A vv", "place", per=["channel"])
    found = check_sheet(including('"base"', own), library=shelf)
    assert [p.key for p in found.require().parameters] == ["volume", "place"]
    assert [note.message for note in found.notes] == [
        "the included pan gives way to place, which has the same bytes",
        "the included wide is left out, since it depends on pan",
    ]


def test_an_own_line_that_depends_on_what_gave_way_is_a_fault() -> None:
    own = parameter("Bn 0A vv", "place", per=["channel"])
    own += parameter("F0 7D 05 0n vv F7", "y", when={"pan": [1]}, per=["channel"])
    (fault,) = check_sheet(including('"base"', own), library=shelf).faults
    assert "depends on the included pan, which gives way" in fault.message


def test_two_own_lines_clash_beside_an_included_one() -> None:
    own = parameter("Bn 07 vv", "a", per=["channel"]) + parameter("Bn 07 vv", "b", per=["channel"])
    (fault,) = check_sheet(including('"base"', own), library=shelf).faults
    assert "tell b from a" in fault.message


INCLUDE_ROWS = [
    ('"round"', "sheets include each other without end: round > again > round"),
    ('"broken"', "the included sheet 'broken' has a fault: line 7: fault: x: 80 stands inside"),
    ('"../x"', "the include '../x' would leave the sheet's folder"),
]


@pytest.mark.parametrize("names, words", INCLUDE_ROWS)
def test_an_include_that_can_not_be_is_a_fault_at_its_line(names: str, words: str) -> None:
    (fault,) = check_sheet(including(names), library=shelf).faults
    assert words in fault.message
    assert fault.line == 2


def test_without_a_library_nothing_can_be_included() -> None:
    (fault,) = check_sheet(including('"base"')).faults
    assert "nowhere to look" in fault.message


def test_each_included_sheet_is_read_once() -> None:
    asked: list[str] = []

    def counting(name: str) -> str:
        asked.append(name)
        return shelf(name)

    assert check_sheet(including('"more", "many"'), library=counting).faults == ()
    assert sorted(asked) == ["base", "many", "more"]


def test_no_more_than_a_few_sheets_are_included() -> None:
    names = ", ".join(f'"{i}"' for i in range(40))
    (fault,) = check_sheet(including(names), library=lambda name: HEAD).faults
    assert "more than 32 sheets" in fault.message


# Not TOML, or TOML that nobody writes by hand: one fault, and no traceback.
HOSTILE_ROWS = {
    "not TOML": ("format = \n", "line 1: fault: this is not TOML"),
    "an open string": ('format = 1\nx = "', "this is not TOML"),
    "a null byte": ("format = 1\0", "this is not TOML"),
    "deep lists": ("x = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
    "deep tables": ("x = " + "{a = " * 5000 + "1" + "}" * 5000, "nested too deeply"),
    "a key of many parts": ("a." * 500_000 + "a = 1", "500001 parts"),
    "a header of many parts": ("[" + "a." * 500_000 + "a]", "500001 parts"),
    "a number of many digits": ("format = " + "9" * 5000, "can't be read"),
    "a hex number of many digits": ("format = 0x" + "9" * 5000, "64 bits"),
    "too large": (" " * (MAX_CHARACTERS + 1), "larger than 4,000,000 characters"),
}


@pytest.mark.parametrize("name", HOSTILE_ROWS)
def test_a_hostile_text_gets_one_fault(name: str) -> None:
    text, words = HOSTILE_ROWS[name]
    (fault,) = check_sheet(text).faults
    assert words in str(fault)
    assert len(str(fault)) < 1000


def test_many_lines_with_the_same_bytes_are_named_once_each() -> None:
    found = checked("".join(parameter("F0 7D 01 vv F7", f"p{i}") for i in range(400)))
    assert len(found.faults) == 399


def test_more_pairs_than_can_be_compared_are_a_fault_and_never_silence() -> None:
    lines = (parameter("F0 7D 02 vv F7", f"p{i}", when={"k": [i]}) for i in range(700))
    found = checked(parameter("F0 7D 01 vh vl F7", "k") + "".join(lines))
    assert ["too many lines share bytes" in fault.message for fault in found.faults] == [True]


@given(st.text(max_size=300))
def test_any_text_gives_faults_and_never_an_exception(text: str) -> None:
    assert check_sheet(text).faults


_WORDS = st.sampled_from(
    ["vv", "cs", "[", "]", "F7", "Bn", "kk", "4p", "t*3", "{p0}", "id", "63", "80", "data*"]
)
_SCRAPS = st.text('0123456789"[]{}=.,\n abv', max_size=8) | _WORDS


@settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(sheets(), st.data())
def test_a_sheet_changed_anywhere_never_raises(made: Made, data: st.DataObject) -> None:
    text = made.text
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(len(HEAD), len(text)))
        n_gone = data.draw(st.integers(0, 6))
        text = text[:at] + data.draw(_SCRAPS) + text[at + n_gone :]
    found = check_sheet(text)
    assert (found.sheet is None) == bool(found.faults)
    assert all(1 <= fault.line <= text.count("\n") + 1 for fault in found.faults)
