"""``knobwright answer``: settle the open questions of a sheet."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE
from knobwright.core.errors import InputError, SheetError

if TYPE_CHECKING:
    from knobwright.core.codec.check import Checked
    from knobwright.core.sheet.records import Question


@click.command("answer")
@click.argument("sheet")
@click.argument("answers", nargs=-1, metavar="[ABOUT=CHOICE]...")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(sheet: str, answers: tuple[str, ...], as_json: bool) -> int:
    """Answer open questions of SHEET and save it, comments kept.

    Without ABOUT=CHOICE they are asked one by one; an empty answer leaves a question open. Exit
    status 1 while questions are left.
    """
    from knobwright.adapters.files.sheets import check_text, read, save

    text = read(sheet)
    checked = check_text(text, sheet)
    checked.require()
    done: list[str] = []
    if answers:
        for word in answers:
            text, checked, words = _settle(text, checked, sheet, *_split(word))
            done.append(words)
        save(sheet, text)
    elif not as_json:
        if not sys.stdin.isatty() and not _has_input():
            return _list(checked)
        text, checked, done = _ask(text, checked, sheet)
        if done:
            save(sheet, text)
    left = _own_questions(checked)
    if as_json:
        show.json_object({"answered": done, "open": [_question(q) for q in left]})
    else:
        for words in done:
            show.line(f"settled {words}")
        show.line(f"{show.count(len(left), 'question')} left" if left else "no question is left")
    return FINDINGS if left else FINE


def _split(word: str) -> tuple[str, str]:
    about, equals, choice = word.partition("=")
    if not equals or not about.strip() or not choice.strip():
        raise InputError(f"{word!r} is not ABOUT=CHOICE", hint="for instance: hall.colour=yes")
    return about, choice


def _has_input() -> bool:
    """Return whether standard input may hold answers (a pipe or file, not a closed one)."""
    return not sys.stdin.closed and sys.stdin.readable()


def _own_questions(checked: Checked) -> tuple[Question, ...]:
    return checked.require().questions


def _settle(
    text: str, checked: Checked, sheet: str, about: str, choice: str
) -> tuple[str, Checked, str]:
    """Return the text, its check and words after one answer; refuse one that breaks the sheet."""
    from knobwright.adapters.files.sheets import check_text
    from knobwright.core.sheet.answer import find_question, settle

    question = find_question(_own_questions(checked), about)
    settled = settle(text, question, choice)
    after = check_text(settled.text, sheet)
    if after.sheet is None:
        raise SheetError(
            f"that answer to {question.about} would leave a fault in the sheet: {after.faults[0]}",
            where=sheet,
            hint="nothing was changed; give another answer",
            faults=tuple(map(str, after.faults)),
        )
    return settled.text, after, settled.done


def _ask(text: str, checked: Checked, sheet: str) -> tuple[str, Checked, list[str]]:
    from knobwright.core.errors import KnobwrightError, one_line

    done: list[str] = []
    for question in _own_questions(checked):
        _print(question)
        while True:
            try:
                typed = click.prompt("answer", default="", show_default=False, prompt_suffix=": ")
            except click.Abort:
                return text, checked, done
            finally:
                if not sys.stdin.isatty():
                    show.line()  # nobody typed the line end that a terminal would show
            if not typed.strip():
                break
            try:
                text, checked, words = _settle(text, checked, sheet, question.about, typed)
            except KnobwrightError as error:
                show.line(f"  {one_line(error)}")
                continue
            done.append(words)
            break
    return text, checked, done


def _print(question: Question) -> None:
    show.line()
    show.line(f"{question.about}  ({question.place})")
    show.line(f"  understood: {question.understood}")
    for i, (name, words) in enumerate(question.choices.items(), 1):
        show.line(f"  {i} {name}: {words}")
    if question.takes:
        show.line(f"  or type the {question.takes}")


def _list(checked: Checked) -> int:
    questions = _own_questions(checked)
    for question in questions:
        _print(question)
    show.line(f"{show.count(len(questions), 'open question')}" if questions else "no open question")
    return FINDINGS if questions else FINE


def _question(question: Question) -> dict[str, object]:
    return {
        "about": question.about,
        "place": question.place,
        "understood": question.understood,
        "choices": question.choices,
        "takes": question.takes,
    }
