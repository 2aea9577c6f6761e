"""Findings about a song as a whole: its file, its patterns and ports, and strangers' messages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from msgspec import Struct

from knobwright.core.codec.plan import Codec
from knobwright.core.song.metas import ports
from knobwright.core.song.records import Song
from knobwright.core.state.trust import Trust, suggested_beginning
from knobwright.core.timing.findings import Finding, make
from knobwright.core.timing.wire import EXCLUSIVE, Traffic

_MAX_SHOWN_BYTES = 16
#: Most different messages that are told one by one.
_MAX_FOREIGN = 50


class Foreign(Struct, frozen=True):
    """An exclusive message that no trusted sheet explains.

    ``first`` are its first bytes in hex, ``n_bytes`` its length, ``n`` how often it comes, ``why``
    why it is not trusted, ``allow`` what a list of allowed beginnings would say. ``first_ns`` and
    ``first_tick`` are its place.
    """

    first: str
    n_bytes: int
    n: int
    why: str
    allow: str
    first_ns: int
    first_tick: int

    def finding(self) -> Finding:
        """Return it as a finding."""
        often = "" if self.n == 1 else f", {self.n} times"
        return make(
            "song-exclusive-foreign",
            f"an exclusive message of {self.n_bytes} bytes, {self.first}{often}: {self.why}",
            at_ns=self.first_ns, tick=self.first_tick, value=float(self.n),
        )  # fmt: skip


def song_findings(song: Song, n_notes: int, trouble: str = "") -> Iterator[Finding]:
    """Yield what is to be said about the song as a whole.

    Parameters
    ----------
    song : Song
        As it was read.
    n_notes : int >= 0
        How many notes it plays.
    trouble : str
        Why its times are not known; empty where they are.
    """
    if trouble:
        yield make("song-times-unknown", trouble)
    if song.n_faults:
        n = "one place" if song.n_faults == 1 else f"{song.n_faults} places"
        words = f"the file does not keep to the standard in {n}"
        if song.faults:
            words += f"; the first: {song.faults[0].words()}"
        yield make("song-faults", words, value=float(song.n_faults))
    if song.format == 2 and song.n_tracks > 1:
        words = f"the song is {song.n_tracks} patterns on their own; one of them is examined"
        yield make("song-patterns", words, value=float(song.n_tracks))
    named = ports(song)
    if len(named) > 1:
        words = f"the tracks are meant for {len(named)} cables, and all is reckoned on one"
        yield make("song-several-ports", words, value=float(len(named)))
    if not n_notes and not trouble:
        yield make("song-no-notes", "no note is played in this song")


def foreign_exclusive(
    sent: Traffic, codec: Codec | None, allow: Iterable[str] = ()
) -> tuple[list[Foreign], int]:
    """Return the exclusive messages that nobody trusted explains, and how many there are in all.

    Without a sheet nothing is judged: the first of the two is empty then. ``allow`` holds
    beginnings in hex that the user allows.
    """
    places = np.flatnonzero(sent.status == EXCLUSIVE).tolist()
    if codec is None:
        return [], len(places)
    trust = Trust(codec, allow)
    found: dict[bytes, Foreign] = {}
    for i in places:
        message = sent.messages[i]
        verdict = trust.judge(message)
        if verdict.allowed:
            continue
        row = found.get(message)
        if row is None and len(found) >= _MAX_FOREIGN:
            continue
        if row is None:
            shown = message[:_MAX_SHOWN_BYTES].hex(" ").upper()
            found[message] = Foreign(
                shown + (" ..." if len(message) > _MAX_SHOWN_BYTES else ""),
                len(message), 1, verdict.why, suggested_beginning(message), int(sent.due_ns[i]),
                int(sent.tick[i]),
            )  # fmt: skip
        else:
            found[message] = Foreign(
                row.first, row.n_bytes, row.n + 1, row.why, row.allow, row.first_ns,
                row.first_tick,
            )  # fmt: skip
    return list(found.values()), len(places)
