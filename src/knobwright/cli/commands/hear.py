"""``knobwright hear``: move a control, and its description is written down."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE, tell
from knobwright.core.errors import InputError, QuestionError, printable

if TYPE_CHECKING:
    from knobwright.core.surface.heard import Heard
    from knobwright.core.surface.hearing import Hearing

#: The control is at rest when nothing came for so long.
REST_NS = 1_500_000_000


@click.command("hear")
@click.option("--name", default="", metavar="NAME", help="What to call the control.")
@click.option("--label", default="", metavar="TEXT", help="What is printed beside the control.")
@click.option("--into", metavar="FILE", help="The surface to write it into: FILE.surface.toml.")
@click.option("--any-channel", is_flag=True, help="Take it on every channel, not only on this one.")
@click.option(
    "--answer", "answers", multiple=True, metavar="QUESTION=ANSWER",
    help="Answer what only you can tell; repeatable.",
)  # fmt: skip
@click.option("--for", "duration", metavar="TIME", default="30s", show_default=True,
              help="How long to wait for it.")  # fmt: skip
@click.option("--baud", type=click.IntRange(1), default=31_250, help="Speed of a serial line.")
@click.argument("port", metavar="PORT")
def command(
    name: str,
    label: str,
    into: str | None,
    any_channel: bool,
    answers: tuple[str, ...],
    duration: str,
    baud: int,
    port: str,
) -> int:
    """Listen at PORT while you move one control, and write down what it sends.

    Turn a knob all the way both ways, push a button a few times. It ends when the control rests
    for a moment. What can't be told from the messages alone is asked, never guessed: exit status 1
    until it is answered with --answer. With --into the description is added to a surface.
    """
    from knobwright.adapters.files.surfaces import SUFFIX
    from knobwright.core.surface.heard import described

    if into is not None and not name:
        raise InputError("a control needs a name to be written down", hint="add --name NAME")
    if into is not None and not into.endswith(SUFFIX):  # said before the control is moved
        raise InputError(f"the name of a surface ends in {SUFFIX}", where=into)
    hearing = _listen(port, baud, duration)
    for text in answers:
        question, _, value = text.partition("=")
        hearing.answer(question, value)
    heard = hearing.heard()
    show.line(f"{show.count(hearing.n_messages, 'message')} heard: {heard.words}")
    for words in heard.also:
        show.line(f"  besides: {words}")
    try:
        table = described(heard, name or "control-1", label=label, any_channel=any_channel)
    except QuestionError:
        _ask(heard)
        return FINDINGS
    _ask(heard)
    if into is None:
        show.line()
        for line in table.splitlines():
            show.line(line)
        show.line()
        show.line("To keep it, run it again with --name NAME --into FILE.surface.toml")
    else:
        from knobwright.adapters.files.surfaces import add_control

        add_control(into, table)
        show.line(f"{name} is in {into} now")
    return FINE


def _listen(port: str, baud: int, duration: str) -> Hearing:
    """Return what was heard until the control rests, the time is over or Ctrl-C."""
    from knobwright.adapters.clock import monotonic_ns
    from knobwright.cli.incoming import duration_ns, tell_port
    from knobwright.cli.patience import told_to_end
    from knobwright.core.surface.hearing import Hearing
    from knobwright.core.wire import Message, Splitter
    from knobwright.engine.messages import PortPlan
    from knobwright.wiring.listening import Listening

    until_ns = monotonic_ns() + duration_ns(duration)
    hearing, splitter = Hearing(), Splitter()
    last_ns = 0
    with Listening([PortPlan(port, baud)], tell_port) as listening:
        tell(
            f"Move one control of {printable(listening.names[0])} now: turn it slowly all the way "
            "up and all the way down, or press it twice. Then let it rest."
        )
        with told_to_end(listening.end):
            for entry in listening.entries(until_ns):
                if entry is not None:
                    for record in splitter.feed(entry.data, entry.at_ns):
                        if isinstance(record, Message):
                            hearing.feed(record.data, record.at_ns)
                    last_ns = entry.at_ns if hearing.n_messages else 0
                elif last_ns and monotonic_ns() - last_ns > REST_NS:
                    break
    return hearing


def _ask(heard: Heard) -> None:
    for words in heard.needs:
        if words not in heard.words:
            show.line(f"  to be surer, run it again: {words}")
    for ask in heard.asks:
        lead = "or tell" if heard.needs else "tell"
        show.line(f"  {lead} with --answer: {ask.words}")
        for answer, meaning in (ask.answers or {"NUMBER": "a whole number"}).items():
            show.line(f"    --answer {ask.name}={answer}  {meaning}")
