"""What can go wrong when a song meets a module: every kind of finding is one row of a table.

To add a kind, append a :class:`Kind` to ``FINDINGS``; whoever looks for it makes its findings with
:func:`make`. A finding is one place in one song, with figures; its kind says in general what it
means and what to do next.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from knobwright.core.errors import InputError

#: Likely to be heard, or to be lost.
TROUBLE = "trouble"
#: Worth knowing; the song plays all the same.
REMARK = "remark"
SEVERITIES = (TROUBLE, REMARK)


class Kind(NamedTuple):
    """A kind of finding: its name, its severity, what it means, and what to do next."""

    name: str
    severity: str
    words: str
    next_step: str


FINDINGS: dict[str, Kind] = {
    row.name: row
    for row in (
        # ---- wire: one cable can't keep up (core/timing/causes.py, load.py, chords.py)
        Kind(
            "wire-set-up", TROUBLE,
            "many programs, banks and controllers stand in front of notes at one time, and the "
            "notes wait for them",
            "move the set-up into a bar of its own before the music: knobwright prepare does it",
        ),
        Kind(
            "wire-bend-stream", TROUBLE,
            "notes wait because pitch bends come more densely than the cable carries them",
            "thin the bends, or play the song over the bridge, where notes go first",
        ),
        Kind(
            "wire-pressure-stream", TROUBLE,
            "notes wait because pressure comes more densely than the cable carries it",
            "thin the pressure, or leave it out where the program does not listen to it",
        ),
        Kind(
            "wire-controller-stream", TROUBLE,
            "notes wait because controllers come more densely than the cable carries them",
            "thin the controllers, or play the song over the bridge, where notes go first",
        ),
        Kind(
            "wire-exclusive", TROUBLE,
            "notes wait for exclusive messages, or for the rest that the module needs after them",
            "move the exclusive messages before the music, where nothing waits for them",
        ),
        Kind(
            "wire-notes", TROUBLE,
            "more notes begin and end at one time than the cable carries in good time",
            "drop doubled notes, or give the module a second cable for some of the channels",
        ),
        Kind(
            "wire-system", TROUBLE,
            "notes wait for system messages such as clock, song position or tune request",
            "leave the system messages out of the song: a module of sounds does not need them",
        ),
        Kind(
            "wire-full", REMARK,
            "the cable is nearly full, so that little more may be added there",
            "thin what flows most, or use running status where the link test has proven it",
        ),
        Kind(
            "wire-chord", REMARK,
            "the notes of a chord begin so far apart that it may be heard as broken",
            "drop doubled notes of the chord, or use running status where it has been proven",
        ),
        # ---- parts: what a song asks for and the module has not (core/fitting/part_findings.py)
        Kind(
            "part-channel-missing", TROUBLE,
            "a part plays on a channel that the module does not have",
            "move the part to a channel that is free, or leave it out",
        ),
        Kind(
            "part-program-missing", TROUBLE,
            "a part plays a program that is not in the module's list, so nobody knows what sounds",
            "name a substitute in a mapping: knobwright prepare --propose writes proposals",
        ),
        Kind(
            "part-program-other", REMARK,
            "the module has another kind of sound under that number than General MIDI",
            "if the song was made for General MIDI, name a substitute in a mapping",
        ),
        Kind(
            "part-drum-key-missing", TROUBLE,
            "a drum is played that the module's kit does not have: it stays silent",
            "name another key in a mapping: knobwright prepare --propose writes proposals",
        ),
        Kind(
            "part-keys-outside", TROUBLE,
            "notes lie outside the keys that the program plays",
            "choose a program with a wider range in the mapping, or move the part by an octave",
        ),
        Kind(
            "part-no-program", REMARK,
            "notes begin before any program is chosen: what sounds depends on what was left there",
            "say the program in a parts file: knobwright prepare --parts sends it first",
        ),
        Kind(
            "part-controller-unknown", REMARK,
            "a controller is moved that the module's sheet does not explain: it may do nothing",
            "nothing needs to be done; if the module knows it, add a line to the sheet",
        ),
        Kind(
            "part-parameter-unknown", REMARK,
            "a registered or non-registered parameter is set that the sheet does not explain",
            "nothing needs to be done; if the module knows it, add a line to the sheet",
        ),
        Kind(
            "part-value-refused", REMARK,
            "a parameter is set to a value outside the range that the sheet gives",
            "look at that place: the module passes over the value, or takes its nearest",
        ),
        # ---- the song as a whole (core/fitting/song_findings.py)
        Kind(
            "song-times-unknown", TROUBLE,
            "the file's time base is none that the standard knows, so nothing can be timed",
            "export the song again from the program that made it, or fetch it anew",
        ),
        Kind(
            "song-faults", REMARK,
            "the file does not keep to the standard; it was read as players read it",
            "look at the list of faults; knobwright prepare writes a file without them",
        ),
        Kind(
            "song-no-notes", REMARK,
            "the song plays no note",
            "check that it is the right file",
        ),
        Kind(
            "song-patterns", REMARK,
            "the song is of format 2: patterns that are not played one after the other by itself",
            "name the pattern that you mean: --pattern 2",
        ),
        Kind(
            "song-several-ports", REMARK,
            "the song is written for more than one cable: channels of one cable would mix with "
            "those of another",
            "split the song by its ports, and play each part on a link of its own",
        ),
        Kind(
            "song-exclusive-foreign", REMARK,
            "an exclusive message that no trusted sheet explains may do anything to the module",
            "leave it out, as knobwright prepare and play do, or allow what it begins with",
        ),
        # ---- voices: more is to sound at once than can (core/timing/voices/findings.py)
        Kind(
            "voices-short", TROUBLE,
            "more voices are wanted than the module has: it cuts notes, and which is its own "
            "choice",
            "drop doubled notes, lift the pedal more often, or thin a part: the suggestions say "
            "what each of them saves",
        ),
        Kind(
            "voices-too-heavy", TROUBLE,
            "one note takes more voices than the module has, so that it can't be played",
            "choose a program that takes fewer voices a note, or correct the sheet",
        ),
        Kind(
            "voices-pedal-stuck", TROUBLE,
            "a pedal is put down and never lifted again, so that notes pile up under it",
            "leave the pedals of the channel out, or lift the pedal where the harmony changes",
        ),
        Kind(
            "voices-note-never-ends", TROUBLE,
            "a note begins and is never let go: it rings until something silences the channel",
            "add the note-off, or leave the note out",
        ),
        Kind(
            "voices-doubled", REMARK,
            "a key is struck twice at the same time: a voice and wire time are spent on nothing "
            "but loudness",
            "leave the softer one out; the suggestions say what it saves",
        ),
    )
}  # fmt: skip


class Finding(msgspec.Struct, frozen=True, omit_defaults=True):
    """Something found at one place of a song, so that a page can jump to it.

    Attributes
    ----------
    name : str
        A row of ``FINDINGS``.
    sentence : str
        What was found, with its figures, for people.
    at_ns, until_ns : int or None, nanoseconds from the start of the song
        Where it begins and ends; ``None`` where it is about the whole song.
    tick : int or None
        The tick at ``at_ns``.
    bar : int or None, from 1
        The bar at ``at_ns``; ``None`` also where the time base knows no bars.
    beat : float or None, from 1
        The beat inside that bar, in beats of its time signature.
    channel : int or None, 1 to 16
        Where it is about one channel.
    value, limit : float or None
        What was measured, and what it was held against, in ``unit``.
    unit : str
        Such as ``ms``, ``%`` or ``voices``; empty for a plain number.
    """

    name: str
    sentence: str
    at_ns: int | None = None
    until_ns: int | None = None
    tick: int | None = None
    bar: int | None = None
    beat: float | None = None
    channel: int | None = None
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    @property
    def kind(self) -> Kind:
        """Return the row of the table that it belongs to."""
        return FINDINGS[self.name]

    @property
    def severity(self) -> str:
        """Return how grave it is: one of ``SEVERITIES``."""
        return self.kind.severity

    @property
    def next_step(self) -> str:
        """Return what to do next, in words."""
        return self.kind.next_step


def make(name: str, sentence: str, **place: int | float | str | None) -> Finding:
    """Return a finding of a kind that the table knows.

    Parameters
    ----------
    name : str
        A row of ``FINDINGS``.
    sentence : str
        What was found.
    **place
        Any other field of :class:`Finding`.

    Raises
    ------
    InputError
        There is no such row: nothing is found that nobody can look up.
    """
    if name not in FINDINGS:
        raise InputError(f"there is no kind of finding {name!r}", hint="add a row to FINDINGS")
    return Finding(name, sentence, **place)  # type: ignore[arg-type]


def in_order(findings: list[Finding]) -> list[Finding]:
    """Return findings by time, those about the whole song first, the table's order within one."""
    rank = {name: number for number, name in enumerate(FINDINGS)}
    return sorted(
        findings, key=lambda f: (-1 if f.at_ns is None else f.at_ns, rank[f.name], f.sentence)
    )
