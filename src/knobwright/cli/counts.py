"""What an engine has counted, in words: nothing that was left out goes unsaid."""

from __future__ import annotations

import re
from collections.abc import Mapping

from knobwright.cli.show import count

#: Name of a count of the inputs, and the words for one and for many.
_INPUTS = (
    ("dropped", "piece of broken messages left out", "pieces of broken messages left out"),
    ("refused", "setting refused", "settings refused"),
    ("asked", "exclusive message not passed on", "exclusive messages not passed on"),
    ("not_passed_on", "message held back by [pass]", "messages held back by [pass]"),
    ("notes_outside_zones", "note outside every zone", "notes outside every zone"),
    ("notes_out_of_range", "note transposed out of reach", "notes transposed out of reach"),
    ("stray_note_offs", "note-off without its note", "note-offs without their notes"),
    ("bytes_dropped", "byte of no message left out", "bytes of no message left out"),
    (
        "data_without_selection",
        "data entry without a selection left out",
        "data entries without a selection left out",
    ),
)
#: No loss, and of no use to a person: messages that came, and active sensing, which never passes.
_UNTOLD = {"messages_in", "sensing"}
#: The same of a link.
_LINK = (
    ("n_replaced", "value replaced by a newer one", "values replaced by newer ones"),
    ("n_overtaken", "note went before values", "notes went before values"),
    (
        "n_refused_notes",
        "note left out: too many waited, or the port was gone",
        "notes left out: too many waited, or the port was gone",
    ),
    ("n_refused_other", "other message left out", "other messages left out"),
    ("n_spilled", "message left out: the port was stuck", "messages left out: the port was stuck"),
    (
        "n_too_long",
        "exclusive message too long for the link",
        "exclusive messages too long for the link",
    ),
    ("n_limits", "message that the port can't carry", "messages that the port can't carry"),
    (
        "n_unsure",
        "message begun anew: the port was lost in it",
        "messages begun anew: the port was lost in them",
    ),
    ("n_let_go", "note let go for quiet", "notes let go for quiet"),
    ("n_stalls", "time the machine stood still", "times the machine stood still"),
    ("n_waiting", "message waits", "messages wait"),
    ("n_owed", "note is held", "notes are held"),
)
#: A shorter wait is the time of our own work.
_WORTH_TELLING_NS = 100_000
_OF_LINK = re.compile(r"link (\d+) (\w+)\Z")


def count_words(counts: Mapping[str, int]) -> list[str]:
    """Return one line for the inputs, where something was left out, and one for each link.

    Parameters
    ----------
    counts : mapping of str to int
        What the engine answers to ``Ask``.
    """
    links: dict[int, dict[str, int]] = {}
    for name, n in counts.items():
        if found := _OF_LINK.match(name):
            links.setdefault(int(found[1]), {})[found[2]] = n
    left_out = _listed(counts, _INPUTS)
    # A count that has no words yet is told by its name: better so than not at all.
    named = _UNTOLD.union(name for name, _, _ in _INPUTS)
    left_out += [
        f"{n} {name.replace('_', ' ')}"
        for name, n in counts.items()
        if n and name not in named and not _OF_LINK.match(name)
    ]
    lines = [f"inputs: {'; '.join(left_out)}"] if left_out else []
    return lines + [_link(number, row) for number, row in sorted(links.items())]


def _link(number: int, counts: Mapping[str, int]) -> str:
    words = [
        f"{count(counts.get('n_sent', 0), 'message')} sent "
        f"({count(counts.get('n_bytes', 0), 'byte')})"
    ]
    if (worst_ns := counts.get("worst_note_ns", 0)) >= _WORTH_TELLING_NS:
        words.append(f"a note waited {worst_ns / 1e6:.1f} ms at most")
    words += _listed(counts, _LINK)
    if not counts.get("is_there", 1):
        words.append("the port is not there")
    return f"link {number}: {'; '.join(words)}"


def _listed(counts: Mapping[str, int], rows: tuple[tuple[str, str, str], ...]) -> list[str]:
    return [count(n, one, many) for name, one, many in rows if (n := counts.get(name, 0))]
