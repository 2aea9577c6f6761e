"""Fewer controller values in a song, without leaving a tolerance that the musician sets.

Thinned are pitch bend, pressure, continuous controllers, data of RPN and NRPN, and, with a sheet,
its continuous parameters by whatever message: see ``thin_streams``. What stays and what may go, and
what is promised for every note: see ``thin_points``. Notes, programs, banks, switches, steps, meta
events and everything else stay as they are, in their places. Selections go only where the data
behind them went and another selection follows before any other data.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.song.arrays import is_channel
from knobwright.core.song.exclusive import join_exclusive
from knobwright.core.song.records import EXCLUSIVE, UNREADABLE, Event, Faults, Song
from knobwright.core.song.timeline import Timeline, timeline
from knobwright.core.song.write import track_events
from knobwright.core.timing.classify import DATA, RESET_CONTROLLERS, SELECTORS
from knobwright.core.timing.lateness import Lateness, lateness
from knobwright.core.timing.thin_points import deviation, kept
from knobwright.core.timing.thin_streams import Streams, Tolerances
from knobwright.core.timing.wire import Link, Traffic, departures, traffic, traffic_of

__all__ = ["Removed", "Thinned", "Tolerances", "thin"]

Flags = NDArray[np.bool_]


class Removed(msgspec.Struct, frozen=True):
    """What was taken out of one parameter.

    ``channel`` is 1 to 16, 0 for a parameter of the whole module. ``n_values`` it had, of which
    ``n_removed`` went, with ``n_bytes`` bytes of full messages. ``worst`` is how far what is held
    is from what the song said, at most: never above ``tolerance``, both in ``unit``.
    """

    name: str
    channel: int
    n_values: int
    n_removed: int
    n_bytes: int
    tolerance: float
    unit: str
    worst: float

    def words(self) -> str:
        """Return it for people, in one line."""
        where = f" on channel {self.channel}" if self.channel else ""
        unit = f" {self.unit}" if self.unit else ""
        return (
            f"{self.name}{where}: {self.n_removed} of {self.n_values} values taken out "
            f"({self.n_bytes} bytes), never more than {self.worst:.3g}{unit} away"
        )


class Thinned(NamedTuple):
    """A song with fewer values.

    ``tracks`` are the tracks that changed, for ``song.write.rewrite``. ``removed`` has a row for
    each parameter that lost something, the largest first; ``n_selections`` are selections that
    went with their data. ``before`` and ``after`` are the lateness on the link that was asked for.
    ``untouched`` are tracks (from 0) with events that can't be read: they are left as they are.
    """

    tracks: dict[int, list[Event]]
    removed: tuple[Removed, ...]
    n_selections: int
    n_messages: int
    n_bytes: int
    before: Lateness
    after: Lateness
    untouched: tuple[int, ...]


def thin(
    song: Song,
    tolerances: Tolerances | None = None,
    *,
    codec: Codec | None = None,
    link: Link | None = None,
    pattern: int = 0,
) -> Thinned:
    """Return a song with fewer continuous values.

    Parameters
    ----------
    song : Song
    tolerances : Tolerances, optional
        With all tolerances 0 only values go that say again what is held.
    codec : Codec, optional
        Of the module that the song is for.
    link : Link, optional
        For the figures before and after; a MIDI cable where none is given.
    pattern : int from 0
        Which pattern of a format 2 song.

    Returns
    -------
    Thinned
        ``tracks`` is empty where nothing went.

    Raises
    ------
    InputError
        A tolerance is negative, the sheet has no parameter of a name in ``by_parameter``, or the
        song's time base is unknown.
    """
    tolerances = tolerances or Tolerances()
    _check(tolerances, codec)
    line = timeline(song, pattern=pattern)
    event, loose, untouched = _events_of(song, line, pattern)
    streams = Streams(tolerances, codec)
    for number, (at_ns, message, is_loose) in enumerate(
        zip(line.ns.tolist(), line.messages, loose.tolist(), strict=True)
    ):
        # Nothing but notes is so frequent, and notes change no parameter.
        if message[0] >= 0xA0:
            streams.take(number, at_ns, message, loose=is_loose)
        else:
            streams.note(number, message)
    gone = np.zeros(len(line.messages), np.bool_)
    rows = _choose(streams, line.messages, gone)
    n_selections = _drop_selections(line.messages, loose, gone)
    before, after = _compare(traffic(line), gone, link or Link())
    sizes = np.fromiter(map(len, line.messages), np.int64, len(line.messages))
    return Thinned(
        _tracks(song, event[gone]), rows, n_selections, int(gone.sum()), int(sizes[gone].sum()),
        before, after, untouched,
    )  # fmt: skip


def _check(tolerances: Tolerances, codec: Codec | None) -> None:
    numbers = {
        "bend_cents": tolerances.bend_cents,
        "steps": tolerances.steps,
        "pressure_steps": tolerances.pressure_steps,
        **{f"controller {n}": value for n, value in tolerances.by_controller.items()},
        **tolerances.by_parameter,
    }
    for name, value in numbers.items():
        if not 0 <= value < float("inf"):
            raise InputError(f"a tolerance is 0 or more, found {value} for {name}")
    for key in tolerances.by_parameter:
        if codec is None or key not in codec.parameters:
            raise InputError(
                f"there is no parameter {key!r} to set a tolerance for",
                hint="give the module's sheet" if codec is None else "knobwright params lists them",
            )


def _events_of(
    song: Song, line: Timeline, pattern: int
) -> tuple[NDArray[np.int64], Flags, tuple[int, ...]]:
    """Return the event of each played message, whether it may be taken out, and tracks left alone.

    Only an event that holds exactly one message may go: no packet of a split exclusive message, no
    escape with several, nothing in a track that can't be written anew.
    """
    events = song.events
    chosen = is_channel(events.status)
    whole = join_exclusive(song.data, events, Faults())
    extra = np.fromiter((row.event for row in whole), np.int64, len(whole))
    one = np.fromiter(
        (len(row.message) == int(events.size[row.event]) + 1 for row in whole), np.bool_, len(whole)
    )
    one &= events.status[extra] == EXCLUSIVE
    if song.format == 2:
        chosen &= events.track == pattern
        kept_rows = events.track[extra] == pattern
        extra, one = extra[kept_rows], one[kept_rows]
    plain = np.flatnonzero(chosen)
    index = np.concatenate((plain, extra))
    order = np.lexsort((index, events.tick[index]))
    unreadable = np.unique(events.track[events.status == UNREADABLE])
    loose = np.concatenate((np.ones(len(plain), np.bool_), one))[order]
    loose &= ~np.isin(line.track, unreadable)
    return index[order], loose, tuple(unreadable.tolist())


def _choose(streams: Streams, messages: list[bytes], gone: Flags) -> tuple[Removed, ...]:
    """Mark what goes, and return it by parameter."""
    found: dict[tuple[str, int], Removed] = {}
    for stretch in streams.stretches():
        stays = kept(stretch.points, stretch.tolerance)
        members = [
            number
            for point, stay in zip(stretch.points, stays, strict=True)
            if not stay
            for number in point.members
        ]
        gone[members] = True
        key = (stretch.name, stretch.channel)
        old = found.get(key)
        found[key] = Removed(
            *key, len(stays) + (old.n_values if old else 0),
            stays.count(False) + (old.n_removed if old else 0),
            sum(len(messages[number]) for number in members) + (old.n_bytes if old else 0),
            stretch.tolerance, stretch.unit,
            max(deviation(stretch.points, stays), old.worst if old else 0.0),
        )  # fmt: skip
    rows = [row for row in found.values() if row.n_removed]
    return tuple(sorted(rows, key=lambda row: (-row.n_bytes, row.name, row.channel)))


def _drop_selections(messages: list[bytes], loose: Flags, gone: Flags) -> int:
    """Take out selections that select nothing any more; return how many."""
    pending: list[dict[int, list[int]]] = [{} for _ in range(16)]
    has_lost = [False] * 16
    dropped: list[int] = []
    for number, message in enumerate(messages):
        status = message[0]
        if status >= 0xF8 and status != 0xFF:
            continue
        if status >= 0xF0:  # may read or forget what is selected, on any channel
            for channel in range(16):
                pending[channel].clear()
            continue
        if status >> 4 != 0xB:
            continue
        channel, controller = status & 15, message[1]
        if controller in SELECTORS:
            pending[channel].setdefault(controller, []).append(number)
        elif controller in DATA and gone[number]:
            has_lost[channel] = True
        elif controller in DATA or controller >= RESET_CONTROLLERS - 1:
            dropped += _superseded(pending[channel], has_lost[channel])
            has_lost[channel] = False
    for channel in range(16):
        dropped += _superseded(pending[channel], has_lost[channel])
    free = [number for number in dropped if loose[number]]
    gone[free] = True
    return len(free)


def _superseded(pending: dict[int, list[int]], has_lost: bool) -> list[int]:
    """Return selectors that a later one of the same controller made old, and forget them all."""
    out = [number for rows in pending.values() for number in rows[:-1]] if has_lost else []
    pending.clear()
    return out


def _compare(sent: Traffic, gone: Flags, link: Link) -> tuple[Lateness, Lateness]:
    """Return the lateness of all messages, and of those that stay."""
    before = lateness(sent, departures(sent, link))
    rest = [message for message, is_gone in zip(sent.messages, gone.tolist(), strict=True)
            if not is_gone]  # fmt: skip
    less = traffic_of(sent.due_ns[~gone].tolist(), rest)
    return before, lateness(less, departures(less, link))


def _tracks(song: Song, gone: NDArray[np.int64]) -> dict[int, list[Event]]:
    """Return the tracks that lose events, without them."""
    tracks: dict[int, list[Event]] = {}
    for track in np.unique(song.events.track[gone]).tolist():
        start = int(np.searchsorted(song.events.track, track))
        mine = set((gone[song.events.track[gone] == track] - start).tolist())
        rows = track_events(song, track)
        tracks[track] = [row for number, row in enumerate(rows) if number not in mine]
    return tracks
