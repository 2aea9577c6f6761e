"""``knobwright bytes``: the bytes that set parameters, and nothing else on standard output."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from knobwright.cli.exits import tell
from knobwright.cli.sheets import load_codec
from knobwright.core.errors import InputError, NamingError, QuestionError, printable

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.core.sheet.records import Question

_FORMS = ("hex", "decimal", "json", "syx", "smf")


@click.command("bytes")
@click.option(
    "--sheet", required=True, metavar="SHEET", help="The sheet (a file or a standard name)."
)
@click.option(
    "--channel",
    type=click.IntRange(1, 16),
    help="The channel, for parameters that are per channel; 1 by default.",
)
@click.option("--key", "note", type=click.IntRange(0, 127), help="The key, for parameters per key.")
@click.option("--device", metavar="HEX", help="The device id to send instead of the sheet's first.")
@click.option(
    "--form",
    type=click.Choice(_FORMS),
    default="hex",
    show_default=True,
    help="How to write the messages.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as --form json.")
@click.option("-o", "--output", metavar="FILE", help="Write to a file, whole or not at all.")
@click.option("--danger", is_flag=True, help="Give lines too that the sheet marks as dangerous.")
@click.argument("words", nargs=-1, required=True, metavar="NAME=VALUE...")
def command(
    sheet: str,
    channel: int | None,
    note: int | None,
    device: str | None,
    form: str,
    as_json: bool,
    output: str | None,
    danger: bool,
    words: tuple[str, ...],
) -> int:
    """Work out the bytes that set parameters: one message a line, in hex.

    NAME is a parameter's key or label or a unique part of one, or "program". VALUE is a raw number
    (64, 40h, 0x40), a choice, a shown value with its unit (1.8s), a signed shown value (+12), or
    "do" for an action. A parameter with an open question is refused and the question shown.
    """
    from knobwright.core.codec.assign import assign
    from knobwright.exports.table import EXPORTS
    from knobwright.exports.timed import Timed

    codec = load_codec(sheet, device)
    try:
        assigned = assign(codec, words, channel=channel, note=note, danger=danger)
    except NamingError as error:
        raise _only_asked_about(codec, words) or error from error
    gap_ms = codec.sheet.receiver.gap_ms
    timed = [
        Timed(m, gap_ms if m[0] == 0xF0 else 0, f"{a.key} = {a.shown}")
        for a in assigned
        for m in a.messages
    ]
    for text in dict.fromkeys(text for a in assigned for text in a.notes):
        tell(f"note: {printable(text)}")
    export = EXPORTS["json" if as_json else form]
    _write(export.write(timed), export.is_text, output)
    return 0


def _only_asked_about(codec: Codec, words: Sequence[str]) -> QuestionError | None:
    """Return the question about the first unknown name, where the sheet only asks about it.

    A line that nobody could read is no parameter yet, but the user finds its name in the leaflet.
    """
    from knobwright.core.codec.names import fold

    for word in words:
        name = word.partition("=")[0]
        try:
            codec.find(name)
        except NamingError as error:
            if not error.message.startswith("no parameter"):
                continue  # it fits several, which are listed
            wanted = fold(name)
            for question in codec.sheet.questions:
                if wanted and wanted in fold(question.about):
                    return _is_open(question)
    return None


def _is_open(question: Question) -> QuestionError:
    choices = "; ".join(f"{name}: {words}" for name, words in question.choices.items())
    return QuestionError(
        f"{question.about} is not in the sheet yet, since it has an open question: "
        f"{question.understood} [{choices}]",
        where=question.place,
        hint=f"answer it: knobwright answer SHEET {question.about}=CHOICE",
    )


def _write(data: bytes, is_text: bool, output: str | None) -> None:
    if output is not None:
        from knobwright.adapters.files.safe import write_bytes

        write_bytes(output, data)
        return
    if not is_text and sys.stdout.isatty():
        raise InputError("raw bytes would garble the terminal", hint="name a file with -o FILE")
    sys.stdout.flush()
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()
