"""A song made ready for a module: a set-up bar, then the same music.

The bar holds the reset with its rest, programs with their banks, and every start value, each at a
tick where the line is free. What the song itself sets before its notes goes into the bar, so that
it does not hold up the first notes. Before anything is handed out, the new song is read again and
held against the old one (:mod:`knobwright.core.fitting.same`).

Formats 0 and 1 get one bar. The patterns of format 2 are songs of their own, and each gets a bar.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from typing import NamedTuple

from msgspec import Struct, structs

from knobwright.core.codec.plan import Codec
from knobwright.core.errors import EncodeError, InputError
from knobwright.core.fitting.bar import Placed, bar_at, place
from knobwright.core.fitting.foreign import LeftOut, sort_out
from knobwright.core.fitting.head import Head, head_of
from knobwright.core.fitting.lighten import Against, Lightened, Lighter, lighten, outcome
from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.music import Changed, Mapper
from knobwright.core.fitting.parts import is_mapped, is_prepared
from knobwright.core.fitting.programs import Names, prepared_text
from knobwright.core.fitting.reach import Reach
from knobwright.core.fitting.rebuild import (
    SET_UP_NAME,
    Cut,
    in_force,
    set_up_events,
    track_anew,
)
from knobwright.core.fitting.repeats import repeats_in
from knobwright.core.fitting.same import Change, same_music
from knobwright.core.fitting.setup import Maker, SetUp
from knobwright.core.fitting.told import Told, content, n_unreadable, told
from knobwright.core.fitting.wanted import Wanted
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event, Song, Wrap
from knobwright.core.song.tempo import tempo_map
from knobwright.core.song.write import rewrite, write_track
from knobwright.core.state.trust import Trust
from knobwright.core.timing.wire import Link

_MAX_TRACKS = 0xFFFF
#: Each pattern of a format 2 song has a set-up of its own and is compared by itself; hostile files
#: have tens of thousands.
_MAX_PATTERNS = 256
_N_TRACKS_AT = 10  # bytes from the start of the file to the number of tracks (RP-001)
_GENERAL_MIDI_ON = frozenset(
    bytes((0xF0, 0x7E, device, 0x09, what, 0xF7)) for device in range(128) for what in (1, 3)
)
_SYSTEM_RESET = b"\xff"


class Order(NamedTuple):
    """What the user asks for.

    Attributes
    ----------
    link : Link
        Speed of the line and rests after exclusive messages.
    wanted : Wanted
        Values and programs of the parts file.
    mapping : Mapping
        Which programs and drum keys stand for which.
    keep : tuple of str
        Beginnings in hex of exclusive messages that are kept though nobody explains them.
    from_ns : int, nanoseconds
        Where the music begins.
    moves_start : bool
        Whether what the song sets before its notes goes into the bar. Otherwise it stays where it
        is (save for resets, which would undo the bar), and wins over the bar.
    drops_repeats : bool
        Whether settings that set what is set already are left out of the music.
    """

    link: Link = Link()
    wanted: Wanted = Wanted()
    mapping: Mapping = Mapping()
    keep: tuple[str, ...] = ()
    from_ns: int = 0
    moves_start: bool = True
    drops_repeats: bool = False


class MappedProgram(Struct, frozen=True):
    """A program that another stands for on a channel (1 to 16), and how often behind the bar."""

    channel: int
    source: str
    to: str
    n: int


class Bars(Struct, frozen=True):
    """The set-up of a song, or of one pattern (from 1; 0: of the whole song).

    ``n_bars`` bars of ``bar_ticks`` ticks take ``length_ns``; ``placed`` are their messages.
    ``n_moved`` counts messages of the song that the bar took over, ``n_replaced`` those that the
    user's values replace, ``n_unplaced`` data entries that set nothing, ``n_not_begun`` note-offs
    whose notes lie before the start, ``n_repeats`` settings left out that were set already.
    """

    pattern: int
    n_bars: int
    bar_ticks: int
    length_ns: int
    placed: tuple[Placed, ...]
    n_moved: int
    n_replaced: int
    n_unplaced: int
    n_not_begun: int
    n_repeats: int
    programs: tuple[MappedProgram, ...]
    keys: dict[int, int]
    n_key_notes: int


class Prepared(Struct, frozen=True):
    """The prepared song: its bytes, and everything that was done.

    ``lightened`` is what was changed of the music on purpose, ``None`` where nobody asked for it.
    """

    data: bytes
    bars: tuple[Bars, ...]
    left_out: tuple[LeftOut, ...]
    n_unreadable: int
    notes: tuple[str, ...]
    lightened: Lightened | None = None

    @property
    def n_left_out(self) -> int:
        """Return how many messages are left out."""
        return sum(row.n for row in self.left_out)


class _Work(NamedTuple):
    """What came of one song or pattern."""

    bars: Bars
    change: Change
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]


def prepare(song: Song, codec: Codec, standard: Names, order: Order | None = None) -> Prepared:
    """Return a song made ready for a module.

    Parameters
    ----------
    song : Song
        As it was read, of any format and time base.
    codec : Codec
        Of the module's sheet.
    standard : Names
        Of the sheet by whose numbers the mapping's left side counts: General MIDI as a rule.
    order : Order, optional
        What the user asks for.

    Raises
    ------
    InputError
        The song has no tracks, its time base is none of the standard, the start lies outside it,
        or a value can't be sent.
    KnobwrightError
        The sheet can't say what the mapping wants.
    """
    order = Order() if order is None else order
    order.link.check()
    _check(song, codec.sheet.module.name, order)
    preparer = _Preparer(song, codec, standard, order)
    works = [preparer.work(track) for track in preparer.patterns()]
    said = prepared_text(codec.sheet.module.name, is_mapped=bool(order.mapping.programs))
    try:
        data = _written(song, works, said)
    except EncodeError as error:
        raise InputError(
            f"the prepared song can't be written: {error.message}", where=song.name
        ) from error
    after = read_song(data, song.name)
    wrong = [words for work in works for words in same_music(song, after, work.change)]
    if wrong:
        raise InputError(
            f"the prepared song would not be the same music: {wrong[0]}",
            where=song.name,
            hint="nothing was written; please report this song as a fault of the program",
        )
    return Prepared(
        data, tuple(work.bars for work in works),
        tuple(row for work in works for row in work.left_out),
        n_unreadable(song),
        tuple(dict.fromkeys(note for work in works for note in work.notes)),
    )  # fmt: skip


def prepare_lighter(
    song: Song, codec: Codec, standard: Names, order: Order, lighter: Lighter
) -> Prepared:
    """Return a song that is mended, then thinned, then made ready for a module.

    Parameters
    ----------
    song, codec, standard, order
        As for :func:`prepare`.
    lighter : Lighter
        What is changed of the music on purpose. Where nothing is asked for, nothing is.

    Raises
    ------
    InputError, KnobwrightError
        As :func:`prepare` and :func:`~knobwright.core.fitting.lighten.lighten`.

    Notes
    -----
    The proof of the same music compares the prepared song with the lighter one.
    """
    if not lighter.is_asked:
        return prepare(song, codec, standard, order)
    order.link.check()
    _check(song, codec.sheet.module.name, order)
    against = Against(codec, order.link, order.mapping, standard)
    lighter_song, done = lighten(song, against, lighter)
    prepared = prepare(lighter_song, codec, standard, order)
    came = outcome(prepared.data, song.name, against)
    return structs.replace(prepared, lightened=structs.replace(done, prepared=came))


def _check(song: Song, module: str, order: Order) -> None:
    """Refuse a song that can't be prepared."""
    if not song.n_tracks:
        raise InputError("the song has no tracks, so there is nothing to prepare", where=song.name)
    if order.mapping.programs and is_mapped(song, module):
        raise InputError(
            f"the song's programs were mapped to those of {module} before, and mapping them again "
            "would take its numbers for those of General MIDI",
            where=song.name,
            hint="prepare the song as it was at first, or leave the mapping out",
        )


class _Preparer:
    """Works on one song, pattern after pattern."""

    def __init__(self, song: Song, codec: Codec, standard: Names, order: Order) -> None:
        self._song, self._codec, self._order = song, codec, order
        self._standard, self._names = standard, Names(codec.sheet)
        steps = codec.setup()
        # Only exclusive messages: a reset of one channel is a setting like others.
        setup = {message for messages, _ in steps for message in messages if message[0] >= 0xF0}
        self._resets = _GENERAL_MIDI_ON | setup | {_SYSTEM_RESET}

    def patterns(self) -> list[int | None]:
        """Return what gets a set-up: the song (``None``), or each pattern that sends anything.

        Raises
        ------
        InputError
            There are more than 256 patterns.
        """
        song = self._song
        if song.format != 2:
            return [None]
        if song.n_tracks > _MAX_PATTERNS:
            raise InputError(
                f"a song of at most {_MAX_PATTERNS} patterns can be prepared, and this one has "
                f"{song.n_tracks}",
                where=song.name,
                hint="divide it into files of fewer patterns",
            )
        playing: list[int | None] = [n for n in range(song.n_tracks) if told(song, n)[0]]
        return playing or [0]

    def is_reset(self, message: bytes) -> bool:
        """Return whether a message sets the whole module back."""
        return message in self._resets

    def work(self, track: int | None) -> _Work:
        """Return the set-up of the song (``None``) or of a pattern, and what changes."""
        song, order = self._song, self._order
        rows, loose = told(song, track)
        trust = Trust(self._codec, order.keep)
        allowed, refused, left_out = sort_out(rows, loose, song.events.tick.tolist(), trust)
        first_tick = self._first_tick(rows, track)
        first = bisect_left(allowed, first_tick, key=_tick)
        head = head_of(
            allowed, first, is_reset=self.is_reset, reaches_others=Reach(self._codec).ask,
            only_resets=not order.moves_start,
        )  # fmt: skip
        resets = [row.message for row in head.taken if self.is_reset(row.message)]
        gone = {*head.taken, *allowed[:first]}
        music = [row for row in allowed[first:] if row not in gone]
        channels = sorted({row.channel for row in music if row.begins_note})
        channels = [c for c in channels if c in self._codec.sheet.module.channels]
        maker = Maker(self._codec, order.wanted, order.mapping, self._standard)
        set_up = maker.make(head, music, resets, channels)
        bar = bar_at(song, first_tick, track=track)
        placed, n_bars = place(set_up.steps, bar, order.link)
        cut = Cut(first_tick, n_bars * bar.ticks - first_tick, bar)
        mapper = Mapper(maker, order.mapping, self._names, self.is_reset)
        changed = mapper.change(head.taken, [row.message for row in placed], music)
        orphans = _orphans(allowed[:first], music)
        gone |= refused | changed.dropped | orphans
        repeats: frozenset[Told] = frozenset()
        if order.drops_repeats:
            left = [row for row in music if row not in gone]
            repeats = repeats_in(left, changed.replaced, [row.message for row in placed])
            gone |= repeats
        dropped, replaced = self._events(rows, gone, changed.replaced)
        dropped |= {event for event, _ in loose}
        change = Change(
            track, cut, frozenset(dropped), replaced,
            frozenset(row.events[-1] for row in orphans), order.mapping.drums,
            tuple(self._names.drum_channels),
        )  # fmt: skip
        length_ns = int(n_bars * bar.ticks * bar.tick_ns)
        bars = self._bars(track, head, set_up, changed, placed, n_bars, bar.ticks, length_ns,
                          len(orphans), len(repeats), maker)  # fmt: skip
        return _Work(bars, change, left_out, (*set_up.notes, *self._notes(music)))

    def _first_tick(self, rows: Sequence[Told], track: int | None) -> int:
        """Return the tick where the music begins: the first message at or behind the time."""
        if not self._order.from_ns:
            return 0
        import numpy as np

        times = tempo_map(self._song, track=track)
        ticks = [row.tick for row in rows]
        ns = times.ns(np.asarray(ticks, np.int64)).tolist()
        place = bisect_left(ns, self._order.from_ns)
        if place == len(ns):
            raise InputError(
                f"the song's last message comes at {(ns[-1] if ns else 0) / 1e9:.2f} s, and the "
                f"music is to begin at {self._order.from_ns / 1e9:.2f} s",
                where=self._song.name,
            )
        return ticks[place]

    def _events(
        self, rows: Sequence[Told], gone: set[Told], instead: dict[Told, tuple[bytes, ...]]
    ) -> tuple[set[int], dict[int, tuple[bytes, ...]]]:
        """Return which events go, and what stands in the place of others.

        An event may hold several messages (an escape), a message several events (packets).
        """
        dropped: set[int] = set()
        replaced: dict[int, tuple[bytes, ...]] = {}
        together: dict[tuple[int, ...], list[Told]] = {}
        for row in rows:
            together.setdefault(row.events, []).append(row)
        for events, held in together.items():
            if all(row in gone for row in held):
                dropped.update(events)
                continue
            whole = b"".join(row.message for row in held)
            raw = whole if held[0].message[0] < 0xF0 and len(held) == 1 else b"".join(
                content(self._song, event) for event in events
            )  # fmt: skip
            if raw == whole and not any(row in gone or row in instead for row in held):
                continue
            dropped.update(events[:-1])
            kept = [instead.get(row, (row.message,)) for row in held if row not in gone]
            replaced[events[-1]] = tuple(message for messages in kept for message in messages)
        return dropped, replaced

    def _bars(
        self, track: int | None, head: Head, set_up: SetUp, changed: Changed,
        placed: list[Placed], n_bars: int, bar_ticks: int, length_ns: int, n_not_begun: int,
        n_repeats: int, maker: Maker,
    ) -> Bars:  # fmt: skip
        found = {**dict.fromkeys(maker.mapped_programs, 0), **changed.programs}
        programs = tuple(
            MappedProgram(channel, maker.source_words(channel, source),
                          maker.program_words(channel, to), n)
            for (channel, source, to), n in sorted(found.items())
        )  # fmt: skip
        return Bars(
            0 if track is None else track + 1, n_bars, bar_ticks, length_ns, tuple(placed),
            len(head.taken), set_up.n_replaced, head.n_unplaced, n_not_begun,
            n_repeats, programs,
            dict(changed.keys), sum(changed.keys.values()),
        )  # fmt: skip

    def _notes(self, music: Sequence[Told]) -> list[str]:
        """Say what of the music undoes the set-up, or is set again."""
        out = []
        if is_prepared(self._song):
            out.append("the song was prepared before: its old set-up bar stays, as an empty one")
        wanted = self._order.wanted
        if not self._order.moves_start and (wanted.values or wanted.programs):
            out.append("where the song's own start sets what the parts file sets, the song wins")
        resets = [row for row in music if row.channel == 0 and self.is_reset(row.message)]
        if resets:
            out.append(
                f"the song resets the module {len(resets)} times in the middle, first at tick "
                f"{resets[0].tick}: the set-up holds until then"
            )
        return out


def _tick(row: Told) -> int:
    return row.tick


def _orphans(before: Sequence[Told], music: Sequence[Told]) -> frozenset[Told]:
    """Return the note-offs behind the cut whose notes lie before it: those are not begun."""
    open_notes: dict[tuple[int, int], int] = {}
    for row in before:
        if row.is_note:
            name = (row.channel, row.message[1])
            n = open_notes.get(name, 0) + (1 if row.begins_note else -1)
            open_notes[name] = max(0, n)
    orphans = set()
    for row in music if any(open_notes.values()) else ():
        if not row.is_note:
            continue
        name = (row.channel, row.message[1])
        if row.begins_note:
            open_notes[name] = 0
        elif open_notes.get(name, 0):
            open_notes[name] -= 1
            orphans.add(row)
    return frozenset(orphans)


def _written(song: Song, works: Sequence[_Work], said: str) -> bytes:
    """Return the new file: a plain one, whatever the song was packed in."""
    plain = song._replace(wrap=Wrap("", song.data))
    by_track = {work.change.track: work for work in works}
    own_track = song.format != 2 and song.format != 0 and song.n_tracks < _MAX_TRACKS
    tracks: dict[int, list[Event]] = {}
    for track in range(song.n_tracks):
        work = by_track.get(None) or by_track.get(track)
        if work is None:
            continue  # a pattern without messages stays as it is
        change = work.change
        head, rest = track_anew(song, track, change.cut, change.dropped, change.replaced)
        if change.track is not None or track == 0:
            state, start = in_force(song, change.cut, track=change.track)
            head += state
            rest = sorted([*start, *rest], key=_event_tick)
            if not own_track:
                head += set_up_events(work.bars.placed, said)
        tracks[track] = [*head, *rest]
    data = rewrite(plain, tracks)
    if not own_track:
        return data
    name = Event(0, b"\xff\x03" + SET_UP_NAME)
    content = write_track([name, *set_up_events(works[0].bars.placed, said)])
    n_tracks = (song.n_tracks + 1).to_bytes(2, "big")
    data = data[:_N_TRACKS_AT] + n_tracks + data[_N_TRACKS_AT + 2 :]
    return data + b"MTrk" + len(content).to_bytes(4, "big") + content


def _event_tick(event: Event) -> int:
    return event.tick
