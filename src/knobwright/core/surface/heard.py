"""What was heard of one control, and its table for a surface's file."""

from __future__ import annotations

from typing import NamedTuple

from msgspec import Struct

from knobwright.core.errors import QuestionError
from knobwright.core.surface import kinds as k
from knobwright.core.surface.judge import ASKS, LIKELY


class Ask(NamedTuple):
    """A question: its name, the question in words, and the answers that it takes with theirs.

    No answers listed: it takes a whole number.
    """

    name: str
    words: str
    answers: dict[str, str]


class Heard(Struct, frozen=True):
    """What is believed of the control that was moved.

    Attributes
    ----------
    level : str
        ``sure``, ``likely`` or ``asks``: then nothing may be written down yet.
    form, kind : str
        A row of ``FORMS`` and of ``KINDS``; the form is empty while nothing is known.
    line : tuple of str
        Its line in the notation of sheets.
    channel : int or None
        1 to 16, or ``None`` where its messages have none.
    n_bits, range
        Bits of its number, and the lowest and highest that it sent.
    relative, reverse, action, release
        As in ``Control``.
    needs : tuple of str
        What to do so that more can be said.
    asks : tuple of Ask
        What only the user can tell.
    also : tuple of str
        What else came meanwhile, in words.
    n_messages : int
        Messages of this control.
    """

    level: str = ASKS
    form: str = ""
    kind: str = ""
    line: tuple[str, ...] = ()
    channel: int | None = None
    n_bits: int = 7
    range: tuple[int, int] = (0, 127)
    relative: str = ""
    reverse: bool = False
    action: str = ""
    release: str = ""
    needs: tuple[str, ...] = ()
    asks: tuple[Ask, ...] = ()
    also: tuple[str, ...] = ()
    n_messages: int = 0

    @property
    def words(self) -> str:
        """Return it in one sentence."""
        if not self.form:
            return f"nothing to go by yet: {'; '.join(self.needs)}"
        coding = f", steps in {self.relative}" if self.relative else ""
        action = f", {self.action}" if self.action else ""
        on = f" on channel {self.channel}" if self.channel else ""
        return (
            f"{self.kind}{coding}{action}: {k.FORMS[self.form]}{on} ({' | '.join(self.line)}), "
            f"{self.level}"
        )


def described(
    heard: Heard, name: str, *, label: str = "", kind: str = "", any_channel: bool = False
) -> str:
    """Return the ``[[control]]`` table of what was heard, for a surface's file.

    Parameters
    ----------
    heard : Heard
        From :meth:`Hearing.heard`.
    name, label : str
        What to call the control.
    kind : str
        A row of ``KINDS`` where it is another than was heard (a fader sounds like a knob).
    any_channel : bool
        Write ``n`` for the channel: it is understood on every channel.

    Raises
    ------
    QuestionError
        It can't be told yet; the hint says what to do or to answer.
    """
    if heard.level == ASKS or not heard.line:
        todo = [*heard.needs, *(ask.words for ask in heard.asks)]
        raise QuestionError(
            f"what {name} sends can't be told yet", where=name, hint="; ".join(todo) or "move it"
        )
    lines = [_line(text, any_channel and heard.channel is not None) for text in heard.line]
    rows = ["[[control]]", f"name = {_quoted(name)}"]
    if label:
        rows.append(f"label = {_quoted(label)}")
    rows.append(f'kind = "{kind or heard.kind}"')
    sends = lines[0] if len(lines) == 1 else None
    rows.append(f"sends = {_quoted(sends) if sends else f'[{_joined(lines)}]'}")
    if heard.release:
        rows.append(f"release = {_quoted(_line(heard.release, any_channel))}")
    if heard.relative:
        rows.append(f'relative = "{heard.relative}"')
    if heard.reverse:
        rows.append("reverse = true")
    most = (1 << heard.n_bits) - 1 if heard.n_bits else 127
    if not heard.relative and heard.form not in (k.FIXED, k.NOTE) and heard.range != (0, most):
        rows.append(f"range = [{heard.range[0]}, {heard.range[1]}]")
    if heard.action == k.TOGGLE:
        rows.append(f'action = "{heard.action}"')
    if heard.level == LIKELY:
        rows[-1] += f"  # likely: {'; '.join(heard.needs) or 'heard only in part'}"
    return "\n".join(rows) + "\n"


def _line(text: str, any_channel: bool) -> str:
    if not any_channel:
        return text
    words = [word[0] + "n" if _is_channel_status(word) else word for word in text.split()]
    return " ".join(words)


def _is_channel_status(word: str) -> bool:
    return len(word) == 2 and word[0] in "89ABCDE" and word[1] in "0123456789ABCDEF"


def _joined(lines: list[str]) -> str:
    return ", ".join(map(_quoted, lines))


def _quoted(text: str) -> str:
    """Return a basic string of TOML."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    safe = "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped)
    return f'"{safe}"'
