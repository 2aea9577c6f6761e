"""What a bridge tells of itself: records that travel to whoever shows them.

All are tagged, so that they can be parts of one message to another process. None comes faster
than a person can read: what happens often is counted and told now and then.
"""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.state.values import Known, KnownProgram

#: Most bytes of a message that are shown.
MAX_SHOWN_BYTES = 16


class Changed(Struct, frozen=True, tag="changed"):
    """Values that are known otherwise than before, on link ``link`` (0 is the first).

    Each stands as it is now, several changes of one place taken together; a value whose state is
    ``unknown`` was known before.
    """

    link: int
    values: tuple[Known | KnownProgram, ...]


class Asked(Struct, frozen=True, tag="asked"):
    """An exclusive message that nobody the user trusts explains: it was not passed on.

    ``first`` holds its first bytes in hex, ``n`` counts the messages that begin so from that
    source, ``n_bytes`` is the length of the last of them. ``allow`` is what the bench's list of
    allowed beginnings would have to say.
    """

    source: str
    first: str
    n_bytes: int
    n: int
    why: str
    allow: str


class DroppedBytes(Struct, frozen=True, tag="dropped"):
    """Bytes of a source that belong to no message, or messages that were left out, since last told.

    ``first`` holds the first of them in hex.
    """

    source: str
    reason: str
    n: int
    first: str = ""


class Refused(Struct, frozen=True, tag="refused"):
    """A control could not set its parameter, ``n`` times since last told."""

    source: str
    about: str
    message: str
    n: int


class Identified(Struct, frozen=True, tag="identified"):
    """The module said what it is; ``fits`` tells whether that is what the sheet describes."""

    link: int
    maker: str
    family: int
    member: int
    version: str
    fits: bool


class DumpCame(Struct, frozen=True, tag="dump came"):
    """The module sent a dump of a block of the sheet; ``n_values`` of its values are known now."""

    link: int
    block: str
    n_bytes: int
    n_values: int


class ComesBack(Struct, frozen=True, tag="comes back"):
    """What was sent to a link came back on its way in, ``n`` times since last told.

    It is not taken for something that the module said.
    """

    link: int
    n: int


class Answer(Struct, frozen=True):
    """Something that only the user can tell of a control: a name, the question, its answers.

    No ``answers`` means that it takes a whole number.
    """

    name: str
    words: str
    answers: dict[str, str]


class ControlHeard(Struct, frozen=True, tag="control heard"):
    """What is known of the control that is being moved to be described.

    ``table`` is its description for the surface file, empty while it can't be told yet; ``needs``
    says what to do so that more can be said, ``asks`` what only the user can tell.
    """

    source: str
    words: str
    table: str
    needs: tuple[str, ...] = ()
    asks: tuple[Answer, ...] = ()


Told = Changed | Asked | DroppedBytes | Refused | Identified | DumpCame | ComesBack | ControlHeard
