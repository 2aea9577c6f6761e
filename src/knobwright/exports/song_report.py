"""An examined song as words and as JSON, both from the same record."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

from msgspec import to_builtins

from knobwright.core.fitting.examine import Examined
from knobwright.core.fitting.parts import Part, PlayedProgram
from knobwright.core.timing.findings import FINDINGS, TROUBLE, Finding
from knobwright.core.timing.voices.cuts import RULES

_NS_PER_MS = 1e6
_NS_PER_S = 1e9
_NOTE_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_MAX_PROGRAMS = 4
_MAX_ASKED = 6
_MAX_SUGGESTIONS = 5
_MAX_FAULTS = 20


class Block(NamedTuple):
    """A piece of the report: a heading, lines, and a table (none where it has no rows)."""

    heading: str
    lines: tuple[str, ...] = ()
    header: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def song_json(examined: Examined) -> dict[str, Any]:
    """Return all of the record as plain objects; findings with severity, meaning and next step."""
    plain: dict[str, Any] = to_builtins(examined, str_keys=True)
    plain["faults"] = [fault._asdict() for fault in examined.faults]
    if examined.wire is not None:
        plain["wire"]["link"] = examined.wire.link._asdict()
        del plain["wire"]["findings"]  # they stand among all findings
    plain["findings"] = [
        to_builtins(finding)
        | {
            "severity": finding.severity,
            "words": finding.kind.words,
            "next": finding.next_step,
        }
        for finding in examined.findings
    ]
    return plain


def song_blocks(examined: Examined, *, max_findings: int | None = None) -> list[Block]:
    """Return the report, block after block.

    Parameters
    ----------
    examined : Examined
        The song.
    max_findings : int, optional
        Most findings that are listed (and fewer faults and suggestions); all by default. How many
        are left out is said.
    """
    blocks = [_head(examined)]
    if examined.n_faults:
        blocks.append(_faults(examined, max_findings))
    if examined.parts:
        blocks.append(_parts(examined))
    if examined.wire is not None and examined.wire.n_messages:
        blocks.append(Block("On the wire", tuple(_wire(examined))))
    if examined.voices is not None and examined.voices.n_notes:
        blocks.append(Block("Voices", tuple(_voices(examined))))
    if examined.suggestions:
        blocks.append(_suggestions(examined, max_findings))
    return blocks + _findings(examined, max_findings)


# -- head and faults -------------------------------------------------------------------------------


def _head(examined: Examined) -> Block:
    n_tracks = len(examined.tracks)
    facts = [
        f"format {examined.format}" + (f" in {examined.packed}" if examined.packed else ""),
        _count(n_tracks, "track"),
        examined.time_base,
    ]
    if not examined.trouble:
        facts.append(_clock(examined.length_ns))
    if examined.wire is not None:
        facts.append(_count(examined.wire.n_messages, "message"))
    if examined.voices is not None:
        facts.append(_count(examined.voices.n_notes, "note"))
    against = f"held against {examined.module}" if examined.module else "held against no sheet"
    title = f": {examined.title}" if examined.title else ""
    return Block(f"{examined.name}{title}", (", ".join(facts), against))


def _faults(examined: Examined, most: int | None) -> Block:
    shown = examined.faults if most is None else examined.faults[:_MAX_FAULTS]
    n_more = examined.n_faults - len(shown)
    lines = [f"  {fault.words()}" for fault in shown]
    if n_more:
        lines.append(f"  and {n_more} more")
    return Block(f"{_count(examined.n_faults, 'fault')} in the file", tuple(lines))


# -- parts -----------------------------------------------------------------------------------------


def _parts(examined: Examined) -> Block:
    peaks = {} if examined.voices is None else {p.channel: p for p in examined.voices.parts}
    rows = []
    for part in examined.parts:
        voices = peaks.get(part.channel)
        rows.append(
            (
                f"{part.channel}" + (" drums" if part.is_drums else ""),
                _programs(part),
                str(part.n_notes),
                _keys(part),
                "" if voices is None else str(voices.peak),
                _starts(part),
                _unknown(part),
            )
        )
    header = ("channel", "program", "notes", "keys", "voices", "begins with", "not in the sheet")
    return Block("Parts", (), header, tuple(rows))


def _programs(part: Part) -> str:
    played = [program for program in part.programs if program.n_notes]
    told = [_program(program) for program in played[:_MAX_PROGRAMS]]
    if len(played) > _MAX_PROGRAMS:
        told.append(f"and {len(played) - _MAX_PROGRAMS} more")
    return "; ".join(told)


def _program(program: PlayedProgram) -> str:
    if not program.is_chosen:
        return "(none chosen)"
    bank = "" if program.bank == (0, 0) else f" bank {program.bank[0]}, {program.bank[1]}"
    if program.is_known is False:
        meant = f" ({program.standard_name}?)" if program.standard_name else ""
        return f"{program.number}{bank} missing{meant}"
    name = program.name or program.standard_name
    return f"{program.number}{bank}" + (f" {name}" if name else "")


def _keys(part: Part) -> str:
    if part.keys is None:
        return ""
    if part.is_drums:
        missing = [key.key for key in part.drum_keys if key.is_known is False]
        lacking = f", missing {' '.join(map(str, missing))}" if missing else ""
        return _count(len(part.drum_keys), "drum") + lacking
    low, high = part.keys
    return f"{note_name(low)} to {note_name(high)}"


def note_name(key: int) -> str:
    """Return the name of a key: 60 is C4 (common practice; makers differ by an octave)."""
    return f"{_NOTE_NAMES[key % 12]}{key // 12 - 1}"


def _starts(part: Part) -> str:
    return ", ".join(f"{name} {value}" for name, value in part.starts.items())


def _unknown(part: Part) -> str:
    unknown = [asked.words for asked in part.asked if asked.is_known is False]
    more = [f"and {len(unknown) - _MAX_ASKED} more"] if len(unknown) > _MAX_ASKED else []
    return "; ".join(unknown[:_MAX_ASKED] + more)


# -- wire and voices -------------------------------------------------------------------------------


def _wire(examined: Examined) -> Iterator[str]:
    wire, worst = examined.wire, examined.worst
    assert wire is not None
    assert worst is not None
    link = wire.link
    status = "running status" if link.running_status else "full status"
    rest = f", {link.gap_ns / _NS_PER_MS:g} ms of rest after exclusive" if link.gap_ns else ""
    speed = f"{link.baud} baud" if link.baud else "no limit"
    yield f"  line             {speed}, {status}{rest}: {_count(wire.n_bytes, 'byte')}"
    other = "" if link.running_status else f"; {_ms(worst.wait_running_ns)} with running status"
    late = wire.lateness
    yield f"  longest wait     {_ms(worst.wait_ns)} at {worst.words}{other}"
    yield (
        f"  half of all      wait {_ms(late.finish.median_ns)} at most, 99 of 100 "
        f"{_ms(late.finish.p99_ns)}"
    )
    yield (
        f"  notes            {late.n_late_notes} begin to sound more than "
        f"{late.limit_ns / _NS_PER_MS:g} ms late, the latest {_ms(late.notes_finish.worst_ns)}"
    )
    if (bridge := examined.bridge) is not None and bridge.finish.n:
        refused = f"; {_count(bridge.n_refused, 'message')} refused" if bridge.n_refused else ""
        yield (
            f"  over the bridge  notes go first: {bridge.n_late} more than "
            f"{bridge.limit_ns / _NS_PER_MS:g} ms late, the latest {_ms(bridge.finish.worst_ns)}"
            f"{refused}"
        )
    yield (
        f"  busiest second   {_count(wire.second.n_due_bytes, 'byte')} asked for, the line is busy "
        f"{wire.second.load:.0%} of a second at most"
    )
    if wire.chords.n_chords:
        yield (
            f"  chords           {wire.chords.n_broken} of {wire.chords.n_chords} spread over more "
            f"than {wire.chords.limit_ns / _NS_PER_MS:g} ms, the widest {_ms(wire.chords.worst_ns)}"
        )


def _voices(examined: Examined) -> Iterator[str]:
    voices = examined.voices
    assert voices is not None
    has = f", and the module has {voices.limit}" if voices.limit else ""
    yield f"  most at once     {voices.peak} at {examined.peak_words}{has}"
    yield f"  keys down        {voices.held} at most"
    if not voices.limit:
        yield "  cut              not known: no sheet says how many voices the module has"
    elif not voices.n_cut:
        yield "  cut              none"
    else:
        yield (
            f"  cut              {_count(voices.n_cut, 'note')}, {voices.n_cut_held} of them while "
            f"the key is down, where {RULES[voices.rule].words}"
        )
    if voices.n_never_ending:
        yield f"  never let go     {_count(voices.n_never_ending, 'note')}"


def _suggestions(examined: Examined, most: int | None) -> Block:
    """Return what helps; what each does to the music is for ears to judge."""
    found = examined.suggestions
    shown = found if most is None else found[:_MAX_SUGGESTIONS]
    lines = [f"  {one.sentence}" for one in shown]
    if len(shown) < len(found):
        lines.append(f"  {len(found) - len(shown)} more with --all")
    heading = "What would help the voices, each alone (nothing was changed)"
    return Block(heading, tuple(lines))


# -- findings --------------------------------------------------------------------------------------


def _findings(examined: Examined, most: int | None) -> list[Block]:
    found = examined.findings
    if not found:
        return [Block("Nothing was found that stands in the way.")]
    n_trouble = sum(finding.severity == TROUBLE for finding in found)
    heading = f"{_count(len(found), 'finding')}, {n_trouble} of them trouble"
    shown = found if most is None else found[:most]
    rows = tuple((_place(finding), finding.name, _sentence(finding)) for finding in shown)
    left = len(found) - len(shown)
    lines = (f"The first {len(shown)} by time; {left} more with --all.",) if left else ()
    steps = tuple(
        (name, FINDINGS[name].severity, FINDINGS[name].next_step) for name in _names(found)
    )
    return [
        Block(heading, lines, ("bar:beat", "finding", "what"), rows),
        Block("What to do", (), ("finding", "", "next step"), steps),
    ]


def _names(found: Sequence[Finding]) -> list[str]:
    """Return the names of findings, each once: trouble first, then as the table has them."""
    there = {finding.name for finding in found}
    return sorted(
        (name for name in FINDINGS if name in there),
        key=lambda name: FINDINGS[name].severity != TROUBLE,
    )


def _place(finding: Finding) -> str:
    if finding.bar is not None:
        return f"{finding.bar}:{finding.beat:g}"
    return "" if finding.at_ns is None else f"{finding.at_ns / _NS_PER_S:.2f} s"


def _sentence(finding: Finding) -> str:
    """Return the sentence without the place that stands in front of it already."""
    if finding.bar is None:
        return finding.sentence
    return finding.sentence.removeprefix(f"bar {finding.bar}, beat {finding.beat:g}: ")


def _ms(ns: int) -> str:
    return f"{ns / _NS_PER_MS:.1f} ms"


def _clock(ns: int) -> str:
    minutes, seconds = divmod(ns / _NS_PER_S, 60)
    return f"{int(minutes)}:{seconds:04.1f}"


def _count(n: int, one: str) -> str:
    return f"{n} {one if n == 1 else one + 's'}"
