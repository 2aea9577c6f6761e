"""A song made lighter on purpose before it is prepared: fewer notes cut, fewer values on the line.

Mending carries out suggestions about voices (:mod:`knobwright.core.timing.voices.suggest`), on the
song as its mapping makes the module hear it; thinning takes out controller values within a
tolerance (:mod:`knobwright.core.timing.thinning`). Both change the music, each only when it is
asked for. The lighter song is read again, and nothing but what is told may be different.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

from msgspec import Struct

from knobwright.core.codec.plan import Codec
from knobwright.core.errors import DecodeError, EncodeError, InputError, NamingError
from knobwright.core.fitting.light_proof import only_mended, only_thinned
from knobwright.core.fitting.mapped_play import mapped_play
from knobwright.core.fitting.mapping import Mapping as Table
from knobwright.core.fitting.programs import Names
from knobwright.core.fitting.told import told
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event, Song, Wrap
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import rewrite
from knobwright.core.timing.lateness import lateness
from knobwright.core.timing.thinning import Removed, Tolerances, thin
from knobwright.core.timing.voices.change import changed_tracks, together
from knobwright.core.timing.voices.front import measure
from knobwright.core.timing.voices.module import polyphony
from knobwright.core.timing.voices.play import play_of
from knobwright.core.timing.voices.suggest import SUGGESTIONS, Effect, effect, mend
from knobwright.core.timing.wire import Link, departures, traffic

#: Suggestions that are done on the module: there is nothing in the song to change.
ON_THE_MODULE = frozenset(("shorter-tails", "lighter-program"))


class Lighter(NamedTuple):
    """What is asked for: rows of ``SUGGESTIONS``, and tolerances (``None``: nothing is thinned)."""

    mend: tuple[str, ...] = ()
    tolerances: Tolerances | None = None

    @property
    def is_asked(self) -> bool:
        """Return whether anything is to be changed."""
        return bool(self.mend) or self.tolerances is not None


class Against(NamedTuple):
    """What the song is held against: the module, its line, and the mapping with its two sides."""

    codec: Codec
    link: Link
    mapping: Table
    standard: Names


class Step(Struct, frozen=True):
    """A suggestion that was carried out: its name, what was done, channel (0: all), events."""

    name: str
    sentence: str
    channel: int
    n_events: int


class Mending(Struct, frozen=True):
    """What was mended in a song (``pattern`` 0) or in a pattern (from 1), in order."""

    pattern: int
    steps: tuple[Step, ...]
    before: Effect
    after: Effect


class OnLine(Struct, frozen=True):
    """How late a song is: the longest wait until a message has left, and notes above the limit."""

    worst_ns: int
    n_late_notes: int
    limit_ns: int


class Thinning(Struct, frozen=True):
    """What was thinned in a song (``pattern`` 0) or in a pattern (from 1).

    ``n_messages`` with ``n_bytes`` bytes were taken out, ``n_selections`` of them selections;
    ``untouched`` are tracks (from 1) left as they are, since they have events that can't be read.
    """

    pattern: int
    removed: tuple[Removed, ...]
    n_messages: int
    n_selections: int
    n_bytes: int
    before: OnLine
    after: OnLine
    untouched: tuple[int, ...]


class Outcome(Struct, frozen=True):
    """The prepared song, or a pattern of it, as it was written."""

    pattern: int
    line: OnLine
    voices: Effect


class Lightened(Struct, frozen=True):
    """Everything that was changed on purpose, and what came of it in the prepared song."""

    mended: tuple[Mending, ...] = ()
    thinned: tuple[Thinning, ...] = ()
    prepared: tuple[Outcome, ...] = ()

    @property
    def is_changed(self) -> bool:
        """Return whether the song was changed at all."""
        steps = any(row.steps for row in self.mended)
        return steps or any(row.n_messages for row in self.thinned)

    def words(self) -> str:
        """Return what the prepared song was compared with, in one sentence."""
        if not self.is_changed:
            return "nothing was found to change on purpose: the music is that of the song as it was"
        ways = [
            word for word, is_done in (
                ("mended", any(row.steps for row in self.mended)),
                ("thinned", any(row.n_messages for row in self.thinned)),
            ) if is_done
        ]  # fmt: skip
        done = " and ".join(ways)
        return f"the same music means here: that of the song as it was {done}, not as it came"


def lighten(song: Song, against: Against, lighter: Lighter) -> tuple[Song, Lightened]:
    """Return a lighter song: first mended, then thinned.

    Parameters
    ----------
    song : Song
        As it was read; of format 2 every pattern is a song of its own.
    against : Against
        What it is held against.
    lighter : Lighter
        What is asked for.

    Raises
    ------
    InputError
        A name in ``mend`` is about the module, the sheet names no voices, a track that is to be
        mended has events that can't be read, a tolerance is none, or the time base is unknown.
    NamingError
        There is no suggestion of a name.
    """
    check_names(lighter.mend, against.codec)
    mended: tuple[Mending, ...] = ()
    thinned: tuple[Thinning, ...] = ()
    if lighter.mend and song.n_tracks:
        song, mended = _mend(song, against, lighter.mend)
    if lighter.tolerances is not None and song.n_tracks:
        song, thinned = _thin(song, against, lighter.tolerances)
    return song, Lightened(mended, thinned)


def check_names(names: Collection[str], codec: Codec) -> None:
    """Refuse suggestions that can't be carried out on a song; errors as in :func:`lighten`."""
    usable = ", ".join(row for row in SUGGESTIONS if row not in ON_THE_MODULE)
    for name in names:
        if name not in SUGGESTIONS:
            raise NamingError(
                f"there is nothing called {name!r} that mends a song",
                hint=f"there is {usable}",
                candidates=tuple(SUGGESTIONS),
            )
        if name in ON_THE_MODULE:
            raise InputError(
                f"{name} is done on the module or in the mapping, not in the song: "
                f"{SUGGESTIONS[name].words}",
                hint=f"what a song can be mended by: {usable}",
            )
    if names and not codec.sheet.module.voices:
        raise InputError(
            f"the sheet of {codec.sheet.module.name} does not say how many voices it has, so no "
            "note is known to be cut",
            hint="write voices = NUMBER into [module] of the sheet",
        )


def outcome(data: bytes, name: str, against: Against) -> tuple[Outcome, ...]:
    """Return how a prepared song does on the line and by voices; its programs are mapped."""
    song = read_song(data, name)
    module = polyphony(against.codec.sheet)
    rows = []
    for pattern in patterns_of(song):
        sent = traffic(timeline(song, pattern=pattern))
        found = lateness(sent, departures(sent, against.link))
        line = OnLine(found.finish.worst_ns, found.n_late_notes, found.limit_ns)
        voices = measure(play_of(song, pattern=pattern), module)
        rows.append(Outcome(_shown(song, pattern), line, effect(voices)))
    return tuple(rows)


def patterns_of(song: Song) -> list[int]:
    """Return the patterns (from 0) that send anything; 0 stands for the whole song."""
    if song.format != 2:
        return [0]
    return [track for track in range(song.n_tracks) if told(song, track)[0]]


def _shown(song: Song, pattern: int) -> int:
    return pattern + 1 if song.format == 2 else 0


def _mend(song: Song, against: Against, names: Sequence[str]) -> tuple[Song, tuple[Mending, ...]]:
    """Carry out suggestions; voices are those of the song as it is mapped."""
    module, target = polyphony(against.codec.sheet), Names(against.codec.sheet)
    rows, changes = [], []
    for pattern in patterns_of(song):
        play = mapped_play(
            play_of(song, pattern=pattern), against.mapping, against.standard, target
        )
        voices = measure(play, module)
        done = mend(song, voices, names)
        steps = tuple(
            Step(s.name, s.sentence, s.channel, s.n_events)
            for s in (tried.suggestion for tried in done.steps)
        )
        rows.append(Mending(_shown(song, pattern), steps, effect(voices), effect(done.voices)))
        changes.append(done.change)
    change = together(changes)
    try:
        tracks = changed_tracks(song, change)
    except DecodeError as error:
        raise InputError(
            f"the song can't be mended: {error.message}",
            where=error.where or song.name,
            hint="prepare it without --mend, then mend the song that was written",
        ) from error
    lighter = _rewritten(song, tracks)
    _require(song, only_mended(song, lighter, change))
    return lighter, tuple(rows)


def _thin(
    song: Song, against: Against, tolerances: Tolerances
) -> tuple[Song, tuple[Thinning, ...]]:
    """Take out values within the tolerances."""
    rows, tracks = [], {}
    for pattern in patterns_of(song):
        done = thin(song, tolerances, codec=against.codec, link=against.link, pattern=pattern)
        tracks.update(done.tracks)
        before, after = (
            OnLine(late.finish.worst_ns, late.n_late_notes, late.limit_ns)
            for late in (done.before, done.after)
        )
        rows.append(
            Thinning(
                _shown(song, pattern), done.removed, done.n_messages, done.n_selections,
                done.n_bytes, before, after, tuple(track + 1 for track in done.untouched),
            )
        )  # fmt: skip
    lighter = _rewritten(song, tracks)
    _require(song, only_thinned(song, lighter, sum(row.n_messages for row in rows)))
    return lighter, tuple(rows)


def _rewritten(song: Song, tracks: Mapping[int, Sequence[Event]]) -> Song:
    """Return the song with some tracks anew, read again; it is no longer packed in anything."""
    if not tracks:
        return song
    plain = song._replace(wrap=Wrap("", song.data))
    try:
        data = rewrite(plain, tracks)
    except EncodeError as error:
        raise InputError(
            f"the lighter song can't be written: {error.message}", where=song.name
        ) from error
    return read_song(data, song.name)


def _require(song: Song, found: Sequence[str]) -> None:
    if found:
        raise InputError(
            f"more of the song would change than was asked for: {found[0]}",
            where=song.name,
            hint="nothing was written; please report this song as a fault of the program",
        )
