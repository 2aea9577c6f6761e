"""Score the reader on the corpus: parameters right, asked about, wrong and not asked about.

Each leaflet's answers (``answers.toml``) were written by people who had not seen the reader. A
parameter of
the draft is *right* when no question stands in its way and its range, ``per``, default, choices
and the bytes of every
vector agree with the answers; *asked* when an open question keeps it from being sent; *wrong*
otherwise. A parameter
that the answers don't know is wrong too, unless it is asked about. Run as a script, the table
is printed;
``--write`` puts it into ``docs/reference/corpus.md``.
"""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from knobwright.adapters.files.leaflet import load
from knobwright.adapters.files.sheets import check_text
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import KnobwrightError, QuestionError
from knobwright.core.reading import Draft, Question, draft
from knobwright.core.reading.rows import Leaflet
from knobwright.core.sheet.records import Parameter
from knobwright.exports.sheet_toml import write_sheet

CORPUS = Path(__file__).parent
PAGE = CORPUS.parents[1] / "docs" / "reference" / "corpus.md"

RIGHT, ASKED, WRONG, MISSED = "right", "asked", "wrong", "missed"


class Verdict(NamedTuple):
    """What became of one parameter: ``state``, whether a question was the only right outcome, and
    why."""

    section: str
    label: str
    state: str
    should_ask: bool
    why: str = ""


class Score(NamedTuple):
    """The verdicts on one leaflet."""

    name: str
    source: str
    habit: str
    verdicts: tuple[Verdict, ...]
    faults: tuple[str, ...] = ()

    def count(self, state: str, should_ask: bool | None = None) -> int:
        """Return how many parameters have this state (of those that must, or need not, be asked
        about)."""
        return sum(
            1 for v in self.verdicts if v.state == state and should_ask in (None, v.should_ask)
        )


def leaflets() -> list[Path]:
    """Return the corpus folders that hold a leaflet and its answers."""
    return sorted(
        p.parent for p in CORPUS.glob("*/answers.toml") if leaflet_of(p.parent) is not None
    )


def leaflet_of(folder: Path) -> Path | None:
    """Return a folder's leaflet as its answers name it, None where it is not there."""
    answers = tomllib.loads((folder / "answers.toml").read_text(encoding="utf-8"))
    path = (folder / answers["leaflet"]).resolve()
    return path if path.is_file() else None


def score(folder: Path) -> Score:
    """Return the verdicts on one leaflet of the corpus."""
    answers = tomllib.loads((folder / "answers.toml").read_text(encoding="utf-8"))
    path = leaflet_of(folder)
    assert path is not None
    leaflet = load(path)
    drafted = draft(leaflet)
    checked = check_text(write_sheet(drafted.tree), folder.name)
    codec = Codec(checked.sheet) if checked.sheet is not None else None
    return Score(
        folder.name,
        path.suffix.lstrip("."),
        answers.get("habit", ""),
        tuple(_verdicts(answers, drafted, codec, leaflet)),
        tuple(str(f) for f in checked.faults),
    )


def plain(text: str) -> str:
    """Return a label or heading as it is compared: small letters, no numbering, no punctuation,
    single blanks."""
    text = re.sub(r"[\s ]+", " ", text.casefold()).strip(" :.-–*")
    return re.sub(r"[^\w ]+", "", text).strip()


def _verdicts(
    answers: dict[str, Any], drafted: Draft, codec: Codec | None, leaflet: Leaflet
) -> list[Verdict]:
    """Compare every parameter of the answers, then what the draft has beyond them."""
    tables = list(drafted.tree.get("parameter", []))
    taken: set[int] = set()
    asked: set[int] = set()
    out: list[Verdict] = []
    for answer in answers.get("parameter", []):
        label, section = answer["label"], answer.get("section", "")
        at = _find(tables, label, section, taken, answers)
        question = _question(drafted.questions, label, section, asked)
        if at is None:
            state, why = MISSED, "not in the draft"
            question = question or _about_row(drafted.questions, label, leaflet, asked)
            if question is not None:
                state, why = ASKED, f"{question.about}: {question.understood}"
        else:
            taken.add(at)
            state, why = _compare(answer, tables[at], drafted, codec)
        if state == RIGHT and answer.get("asked"):
            state, why = WRONG, "taken without a question, but the print does not decide"
        if state == MISSED:
            state = WRONG
        out.append(Verdict(section, label, state, bool(answer.get("asked")), why))
    for at, table in enumerate(tables):
        if at not in taken and not _is_open(table, drafted, codec) and not _is_bank(table):
            out.append(
                Verdict(
                    table.get("section", ""),
                    table["label"],
                    WRONG,
                    False,
                    "not in the leaflet's answers",
                )
            )
    return out


def _is_bank(table: dict[str, Any]) -> bool:
    """Return whether a parameter is a performance message that the answers leave out: pressure."""
    return str(table["line"]) in ("Dn vv", "An kk vv")


def _find(
    tables: list[dict[str, Any]], label: str, section: str, taken: set[int], answers: dict[str, Any]
) -> int | None:
    """Return the draft's parameter with this label and heading; the label alone where it is
    unique."""
    same = [k for k, t in enumerate(tables) if k not in taken and plain(t["label"]) == plain(label)]
    exact = [k for k in same if plain(tables[k].get("section", "")) == plain(section)]
    if exact:
        return exact[0]
    n_answers = sum(1 for a in answers["parameter"] if plain(a["label"]) == plain(label))
    return same[0] if len(same) == 1 and n_answers == 1 else None


def _question(
    questions: tuple[Question, ...], label: str, section: str, asked: set[int]
) -> Question | None:
    """Return an open question about a parameter that the draft does not hold."""
    for exact in (True, False):
        for question in questions:
            if not question.label or plain(question.label) != plain(label):
                continue
            if not exact or plain(question.section) == plain(section):
                return question
    return None


def _about_row(
    questions: tuple[Question, ...], label: str, leaflet: Leaflet, asked: set[int]
) -> Question | None:
    """Return an open question at the row that prints a label: the question quotes the row, or its
    place is the row's. Each question answers for one parameter."""
    name = plain(label)
    places = {
        row.place
        for row in leaflet.rows
        if name in map(plain, row.cells) or plain(row.text).startswith(f"{name} ")
    }
    for question in questions:
        quoted = question.about.endswith(".unread") and _quotes(question.understood, name)
        if id(question) not in asked and (quoted or question.place in places):
            asked.add(id(question))
            return question
    return None


def _quotes(understood: str, name: str) -> bool:
    """Return whether the row that a question quotes holds a name as whole words."""
    quoted = re.search(r"“(.*)”", understood)
    return bool(name and quoted and f" {name} " in f" {plain(quoted[1])} ")


def _is_open(table: dict[str, Any], drafted: Draft, codec: Codec | None) -> bool:
    """Return whether an open question keeps a drafted parameter from being sent."""
    if codec is not None:
        return codec.blocked(table["key"]) is not None
    return any(q.about.partition("/")[0] == table["key"] for q in drafted.questions)


def _compare(
    answer: dict[str, Any], table: dict[str, Any], drafted: Draft, codec: Codec | None
) -> tuple[str, str]:
    """Return the state of one drafted parameter, and what is wrong with it."""
    if _is_open(table, drafted, codec):
        question = codec.blocked(table["key"]) if codec is not None else None
        return ASKED, "" if question is None else f"{question.about}: {question.understood}"
    if answer.get("asked"):
        return RIGHT, ""
    if codec is None:
        return WRONG, "the draft has faults"
    parameter = codec.parameters[table["key"]]
    for check in (_values, _per, _default, _choices, _bytes):
        why = check(answer, parameter, codec)
        if why:
            return WRONG, why
    return RIGHT, ""


def _values(answer: dict[str, Any], parameter: Parameter, codec: Codec) -> str:
    """Compare the raw values that may be sent."""
    if answer.get("type"):
        return (
            ""
            if parameter.type == answer["type"]
            else f"type {parameter.type!r}, not {answer['type']!r}"
        )
    if "range" in answer:
        ranges = answer["range"]
        wanted = [tuple(r) for r in (ranges if isinstance(ranges[0], list) else [ranges])]
    elif "choices" in answer:
        wanted = _runs(sorted(int(k) for k in answer["choices"]))
    else:
        return ""
    got = [tuple(r) for r in parameter.ranges]
    if _members(got) != _members(wanted):
        return f"range {got}, not {wanted}"
    return ""


def _members(ranges: list[tuple[int, ...]]) -> set[int]:
    return {n for low, high in ranges for n in range(low, high + 1)}


def _runs(values: list[int]) -> list[tuple[int, ...]]:
    return [(v, v) for v in values]


def _per(answer: dict[str, Any], parameter: Parameter, codec: Codec) -> str:
    wanted = set(answer.get("per", ()))
    return (
        "" if set(parameter.per) == wanted else f"per {sorted(parameter.per)}, not {sorted(wanted)}"
    )


def _default(answer: dict[str, Any], parameter: Parameter, codec: Codec) -> str:
    if "default" not in answer or answer["default"] == parameter.default:
        return ""
    return f"default {parameter.default}, not {answer['default']}"


def _choices(answer: dict[str, Any], parameter: Parameter, codec: Codec) -> str:
    if "choices" not in answer:
        return ""
    wanted = {int(k): plain(v) for k, v in answer["choices"].items()}
    got = {k: plain(v) for k, v in parameter.choices.items()}
    return "" if got == wanted else f"choices {parameter.choices}, not {answer['choices']}"


def _bytes(answer: dict[str, Any], parameter: Parameter, codec: Codec) -> str:
    """Compare the bytes of every vector, worked out by hand from the print, with the codec's."""
    for vector in answer.get("sends", ()):
        wanted = " ".join(vector["bytes"].replace("|", " ").split())
        value = vector["value"]
        try:
            messages = codec.encode(
                parameter.key,
                tuple(value) if isinstance(value, list) else value,
                vector.get("channel", 1),
                vector.get("key"),
                danger=True,
            )
        except QuestionError as error:
            return f"blocked: {error.message}"
        except KnobwrightError as error:
            return f"value {value}: {error.message}"
        got = " ".join(m.hex(" ").upper() for m in messages)
        if got != wanted:
            return f"value {value} gives {got}, not {wanted}"
    return ""


def table(scores: list[Score]) -> str:
    """Return the figures as a Markdown table."""
    head = (
        "leaflet",
        "kind",
        "parameters",
        "right",
        "asked, and rightly so",
        "asked, though the print decides",
        "wrong and not asked",
    )
    rows = [head, ("---",) * len(head)]
    for s in scores:
        rows.append(
            (
                s.name,
                s.source,
                str(len(s.verdicts)),
                str(s.count(RIGHT)),
                str(s.count(ASKED, True)),
                str(s.count(ASKED, False)),
                str(s.count(WRONG)),
            )
        )
    total = [v for s in scores for v in s.verdicts]
    both = Score("all", "", "", tuple(total))
    rows.append(
        (
            "**all**",
            "",
            str(len(total)),
            str(both.count(RIGHT)),
            str(both.count(ASKED, True)),
            str(both.count(ASKED, False)),
            str(both.count(WRONG)),
        )
    )
    return "\n".join("| " + " | ".join(row) + " |" for row in rows)


def share_right(scores: list[Score]) -> float:
    """Return the share of right parameters among those that a careful reader can decide (0 to
    1).
    """
    decidable = [v for s in scores for v in s.verdicts if not v.should_ask]
    return sum(1 for v in decidable if v.state == RIGHT) / max(1, len(decidable))


def page(scores: list[Score]) -> str:
    """Return the text of ``docs/reference/corpus.md``."""
    return (
        "# What the reader makes of the corpus\n\n"
        "Each leaflet of `tests/corpus/` is an invented maker's; its answers were "
        "written by people who had not seen the reader, most of them before "
        "it. A parameter is *right* when\nits range, scope, default, choices and the "
        "bytes of every vector agree with "
        "the answers and no question is open; *asked* when an open question\nkeeps it "
        "from being sent; *wrong* otherwise. "
        "`python tests/corpus/score.py --write` makes this page anew.\n\n"
        f"{table(scores)}\n\n"
        f"Right among those that the print decides: {100 * share_right(scores):.1f} %.\n\n"
        "The habits:\n\n"
        + "".join(f"* **{s.name}**: {' '.join(s.habit.split())}\n" for s in scores)
    )


def main(arguments: list[str]) -> int:
    """Print the table and every parameter that is not as it should be; ``--write`` writes the
    page."""
    names = [a for a in arguments if not a.startswith("-")]
    scores = [score(f) for f in leaflets() if not names or any(n in f.name for n in names)]
    print(table(scores))
    print(f"right among the decidable: {100 * share_right(scores):.1f} %")
    for s in scores:
        for fault in s.faults[:5]:
            print(f"{s.name}: FAULT {fault}")
        for v in s.verdicts:
            if v.state == WRONG or (v.state == ASKED and not v.should_ask):
                print(f"{s.name}: {v.state}: {v.section} / {v.label}: {v.why}")
    if "--write" in arguments:
        PAGE.write_text(page(scores), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
