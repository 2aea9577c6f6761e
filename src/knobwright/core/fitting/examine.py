"""A song held against a module and its cable: faults, parts, wire time, voices, in one record.

Everything that can be said is said: a song whose times can't be computed still has its faults and
its tracks.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from msgspec import Struct, structs

from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.part_findings import part_findings
from knobwright.core.fitting.parts import Part, read_parts
from knobwright.core.fitting.programs import Names
from knobwright.core.fitting.song_findings import Foreign, foreign_exclusive, song_findings
from knobwright.core.song.checks import read_division
from knobwright.core.song.metas import track_names
from knobwright.core.song.records import Fault, Song
from knobwright.core.song.timeline import timeline
from knobwright.core.state.trust import read_beginning
from knobwright.core.timing.bars import Bars
from knobwright.core.timing.findings import TROUBLE, Finding, in_order
from knobwright.core.timing.ordered import Compared, compare
from knobwright.core.timing.places import Places
from knobwright.core.timing.voices.cuts import DEFAULT_RULE, rule_of
from knobwright.core.timing.voices.findings import voice_findings
from knobwright.core.timing.voices.front import VoiceFigures, figures, measure
from knobwright.core.timing.voices.module import Choices, polyphony
from knobwright.core.timing.voices.play import play_of
from knobwright.core.timing.voices.suggest import Suggestion, suggest
from knobwright.core.timing.wire import Link, Traffic, departures, traffic
from knobwright.core.timing.wire_report import Limits, WireReport, report_of
from knobwright.core.wire import DIN_BAUD

_NS_PER_MS = 1_000_000
#: Longest title and track name that is kept, in characters.
_MAX_NAME = 200
#: Most messages that are sent through the order rules, which go message by message: some seconds.
_MAX_ORDERED = 200_000


class Options(Struct, frozen=True):
    """What a song is held against besides the sheet.

    Attributes
    ----------
    baud : int >= 0, bits per second
        Speed of the cable; 0 is no limit.
    running_status : bool
        Whether a repeated status is left out.
    gap_ms : int >= 0, or ``None``
        Rest after an exclusive message; ``None``: what the sheet asks for.
    gap_holds : str
        ``exclusive`` or ``all``: what waits for the rest; empty: as the sheet says.
    tail_ms : int >= 0
        How long a note rings on where the sheet says nothing.
    voices : int >= 0
        Voices of the module where no sheet says; 0: any number.
    rule : str
        How a module with too few voices chooses what it cuts: a row of ``RULES``.
    pattern : int from 0
        Which pattern of a format 2 song.
    allow : tuple of str
        What exclusive messages may begin with, in hex, besides those that the sheet explains.
    """

    baud: int = DIN_BAUD
    running_status: bool = False
    gap_ms: int | None = None
    gap_holds: str = ""
    tail_ms: int = 0
    voices: int = 0
    rule: str = DEFAULT_RULE
    pattern: int = 0
    allow: tuple[str, ...] = ()

    def check(self) -> None:
        """Refuse what no song can be held against.

        Raises
        ------
        InputError
            Speed, rest or rule are none, or a beginning that is allowed is none.
        """
        _link(None, self).check()
        rule_of(self.rule)
        for text in self.allow:
            read_beginning(text)


class Worst(Struct, frozen=True):
    """The message that waits longest on a cable.

    ``wait_ns`` counts from its time in the song to when its last byte has left; ``wait_running_ns``
    is the longest such wait with running status, whatever message that is. ``due_ns``, ``tick``,
    ``bar`` and ``beat`` are its place, ``words`` that place for people.
    """

    wait_ns: int
    wait_running_ns: int
    due_ns: int
    tick: int
    words: str
    bar: int | None = None
    beat: float | None = None


class Examined(Struct, frozen=True):
    """All that was found out about a song.

    ``trouble`` says why times are not known; then ``wire``, ``worst`` and ``voices`` are ``None``
    and there are no parts. ``findings`` are in order of time, those about the whole song first.
    ``bridge`` tells how late notes are when they go first, ``suggestions`` what would help where
    voices are too few, the greatest help first; both only where they were asked for.
    ``foreign`` are exclusive messages that nobody trusted explains.
    """

    name: str
    title: str
    format: int
    packed: str
    time_base: str
    tracks: tuple[str, ...]
    n_tracks_said: int
    n_events: int
    length_ns: int
    faults: tuple[Fault, ...]
    n_faults: int
    module: str
    options: Options
    parts: tuple[Part, ...] = ()
    wire: WireReport | None = None
    worst: Worst | None = None
    bridge: Compared | None = None
    voices: VoiceFigures | None = None
    peak_words: str = ""
    suggestions: tuple[Suggestion, ...] = ()
    foreign: tuple[Foreign, ...] = ()
    n_exclusive: int = 0
    findings: tuple[Finding, ...] = ()
    trouble: str = ""

    @property
    def has_trouble(self) -> bool:
        """Return whether a finding is more than a remark."""
        return any(finding.severity == TROUBLE for finding in self.findings)


def examine(
    song: Song,
    codec: Codec | None = None,
    options: Options | None = None,
    *,
    standard: Names | None = None,
    thorough: bool = False,
) -> Examined:
    """Return all that is to be said about a song before it meets the module.

    Parameters
    ----------
    song : Song
        Of any format, with whatever faults.
    codec : Codec, optional
        Of the module's sheet. Without it nothing is called missing, and voices are not limited.
    options : Options, optional
        The cable, and what the sheet leaves open.
    standard : Names, optional
        Of the sheet ``general-midi-1``: names of programs and drums beside the module's.
    thorough : bool
        Whether to try what helps where voices are too few, and to send the song through the order
        rules of the bridge: both are measured on a copy, which takes its time.

    Raises
    ------
    InputError
        The options are out of range, or a format 2 song has no such pattern.
    """
    options = Options() if options is None else options
    options.check()
    link = _link(codec, options)
    names = track_names(song)
    base = Examined(
        name=song.name,
        title=next((name for name in names if name.strip()), "")[:_MAX_NAME],
        format=song.format,
        packed=song.wrap.kind,
        time_base=read_division(song.division).words(),
        tracks=tuple(name[:_MAX_NAME] for name in names),
        n_tracks_said=song.n_tracks_said,
        n_events=song.n_events,
        length_ns=0,
        faults=song.faults,
        n_faults=song.n_faults,
        module="" if codec is None else codec.sheet.module.name,
        options=options,
    )
    if not read_division(song.division).is_known:
        why = f"times can't be computed: the time base is {base.time_base}"
        return structs.replace(base, trouble=why, findings=tuple(song_findings(song, 0, why)))
    return _examined(base, song, codec, link, standard, thorough)


def _examined(
    base: Examined, song: Song, codec: Codec | None, link: Link, standard: Names | None,
    thorough: bool,
) -> Examined:  # fmt: skip
    """Return the record of a song whose times are known."""
    options = base.options
    bars = Bars(song, pattern=options.pattern)
    line = timeline(song, pattern=options.pattern)
    sent = traffic(line)
    found = departures(sent, link)
    wire = report_of(sent, found, link, Limits(), bars)
    parts = read_parts(song, codec, line=line, standard=standard, pattern=options.pattern)
    module = polyphony(None if codec is None else codec.sheet, Choices(tail_ms=options.tail_ms))
    if not module.voices:
        module = module._replace(voices=options.voices)
    voices = measure(play_of(song, pattern=options.pattern), module, rule=options.rule)
    counted = figures(voices)
    foreign, n_exclusive = foreign_exclusive(sent, codec, options.allow)
    findings = [
        *song_findings(song, counted.n_notes),
        *(row.finding() for row in foreign),
        *part_findings(parts),
        *wire.findings,
        *voice_findings(voices),
    ]
    return structs.replace(
        base,
        length_ns=line.length_ns,
        parts=parts.parts,
        wire=wire,
        worst=_worst(sent, link, wire, bars),
        bridge=_bridge(sent, link, codec) if thorough else None,
        voices=counted,
        peak_words=bars.words(counted.peak_tick) if counted.n_notes else "",
        suggestions=tuple(tried.suggestion for tried in suggest(song, voices)) if thorough else (),
        foreign=tuple(foreign),
        n_exclusive=n_exclusive,
        findings=tuple(in_order(list(_placed(findings, bars)))),
    )


def _link(codec: Codec | None, options: Options) -> Link:
    """Return the cable with the rests that the module needs."""
    gap_ms, gap_holds = options.gap_ms, options.gap_holds
    if codec is not None:
        receiver = codec.sheet.receiver
        gap_ms = receiver.gap_ms if gap_ms is None else gap_ms
        gap_holds = gap_holds or receiver.gap_holds
    return Link(
        options.baud, options.running_status, (gap_ms or 0) * _NS_PER_MS, gap_holds or "exclusive"
    )


def _bridge(sent: Traffic, link: Link, codec: Codec | None) -> Compared | None:
    """Return how late notes are under the order rules; ``None`` without notes, or with too many."""
    if not 0 < len(sent.messages) <= _MAX_ORDERED:
        return None
    place_of = None if codec is None else Places(codec.sheet.parameters)
    return compare(sent, link, place_of=place_of)


def _worst(sent: Traffic, link: Link, wire: WireReport, bars: Bars) -> Worst | None:
    """Return the message that waits longest, and what running status would make of it."""
    if not wire.n_messages:
        return None
    worst = wire.lateness.finish
    running_ns = worst.worst_ns
    if not link.running_status:
        found = departures(sent, link._replace(running_status=True))
        running_ns = int((found.end_ns - sent.due_ns).max())
    tick = int(sent.tick[int(np.searchsorted(sent.due_ns, worst.worst_due_ns))])
    bar, beat = bars.place(tick) or (None, None)
    return Worst(worst.worst_ns, running_ns, worst.worst_due_ns, tick, bars.words(tick), bar, beat)


def _placed(findings: Iterable[Finding], bars: Bars) -> Iterable[Finding]:
    """Give bar and beat to the findings that have a tick only."""
    for finding in findings:
        place = None
        if finding.bar is None and finding.tick is not None:
            place = bars.place(finding.tick)
        if place is None:
            yield finding
        else:
            yield structs.replace(finding, bar=place[0], beat=place[1])
