"""The keyboard: notes routed through zones, each ending where it began.

Rules:

* A note-off goes wherever its note-on went, whatever the zones have become since.
* Two keys that sound the same note on the same channel keep it until both are let go. The note-offs
  that were due meanwhile are sent then, or before the note is struck anew, so that as many are sent
  as note-ons.
* A pedal that is down, a bend out of its middle and a pressure are taken back wherever they went.
* What is left out (no zone, or transposed out of 0 to 127) is counted, its note-off with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from knobwright.core.surface import zones as z
from knobwright.core.surface.zones import TAKES, Zone, velocities
from knobwright.core.wire.controllers import FIRST_MODE
from knobwright.core.wire.messages import NO_RELEASE_VELOCITY, is_note_on

__all__ = ["MAX_STACKED", "TAKES", "Keyboard", "Routed", "Zone"]

#: Note-ons of one key without a note-off between them; at one more the oldest is let go.
MAX_STACKED = 16
_FIRST_SWITCH, _LAST_SWITCH = 64, 69
_BEND_MIDDLE = b"\x00\x40"


class Routed(NamedTuple):
    """A message and the link that it goes to: 0 carries channels 1 to 16, 1 carries 17 to 32."""

    link: int
    data: bytes


#: Where a note sounds: channel 0 to 31, and key.
_Sound = tuple[int, int]
#: What one stroke of a key sounds; ``None``: it passed on as it was, for want of zones.
_Stroke = tuple[_Sound, ...] | None


class _Row(NamedTuple):
    """A zone ready for use: channels as bits or numbers from 0, velocities by stroke."""

    zone: Zone
    listens: frozenset[int]
    channels: tuple[int, ...]
    velocities: tuple[int, ...]
    takes: frozenset[str]


class Keyboard:
    """The zones of one input and what is held in them.

    Parameters
    ----------
    zones : sequence of Zone
        Without faults, see :func:`zones.zone_faults`.

    Attributes
    ----------
    n_outside : int
        Note-ons that no zone takes.
    n_out_of_range : int
        Notes left out because they were transposed out of 0 to 127, one for each zone.
    n_stray : int
        Note-offs and key pressures without a note that is held.
    """

    def __init__(self, zones: Sequence[Zone] = ()) -> None:
        self.n_outside = 0
        self.n_out_of_range = 0
        self.n_stray = 0
        self._held: dict[tuple[int, int], list[_Stroke]] = {}
        self._due: dict[_Sound, int] = {}  # note-offs kept back while another key sounds it
        self._users: dict[_Sound, int] = {}  # how many held strokes sound it
        self._away: dict[tuple[int, int], set[int]] = {}  # (status, number) -> where it is not 0
        self._rows: tuple[_Row, ...] = ()
        self.zones: tuple[Zone, ...] = ()
        self.change(zones)

    def change(self, zones: Sequence[Zone]) -> None:
        """Take other zones; what is held ends where it began."""
        self.zones = tuple(zones)
        self._rows = tuple(
            _Row(
                zone,
                frozenset(channel - 1 for channel in zone.listens or range(1, 17)),
                tuple(channel - 1 for channel in zone.channels),
                velocities(zone),
                frozenset(zone.takes),
            )
            for zone in self.zones
        )

    def feed(self, message: bytes) -> list[Routed] | None:
        """Return what a message becomes.

        Parameters
        ----------
        message : bytes
            One whole message with its status byte.

        Returns
        -------
        list of Routed, or None
            ``None``: this is nothing that a zone takes, so it passes on as it is. An empty list:
            it was taken, and nothing is sent for it now.
        """
        kind = message[0] & 0xF0
        if kind == 0x90 and is_note_on(message):
            return self._note_on(message)
        if kind in (0x80, 0x90):
            return self._note_off(message)
        if kind == 0xA0:
            return self._key_pressure(message)
        return self._rest(message, kind) if kind != 0xF0 else None

    def let_go(self) -> list[Routed]:
        """Return what ends every note, pedal, bend and pressure that is held: the input is lost."""
        found: list[Routed] = []
        for channel, key in list(self._held):
            while (channel, key) in self._held:
                found += self._release(channel, key, 0x80, NO_RELEASE_VELOCITY)
        for (status, number), places in self._away.items():
            kind = status & 0xF0
            data = _BEND_MIDDLE if kind == 0xE0 else b"\x00" if kind == 0xD0 else bytes((number, 0))
            found += (_to(place, kind, data) for place in sorted(places))
        self._away.clear()
        return found

    @property
    def n_held(self) -> int:
        """Return how many strokes are held."""
        return sum(map(len, self._held.values()))

    # -- notes -----------------------------------------------------------------------------------

    def _note_on(self, message: bytes) -> list[Routed] | None:
        channel, key, velocity = message[0] & 0x0F, message[1], message[2]
        found: list[Routed] = []
        if len(self._held.get((channel, key), ())) >= MAX_STACKED:
            found += self._release(channel, key, 0x80, NO_RELEASE_VELOCITY)
        if not self._rows:
            self._held.setdefault((channel, key), []).append(None)
            return None
        sounds: dict[_Sound, int] = {}
        n_zones = 0
        for row in self._rows:
            zone = row.zone
            if not (
                zone.keys[0] <= key <= zone.keys[1]
                and zone.velocities[0] <= velocity <= zone.velocities[1]
                and channel in row.listens
            ):
                continue
            n_zones += 1
            sounding = key + zone.transpose
            if not 0 <= sounding <= 127:
                self.n_out_of_range += 1
                continue
            for place in row.channels or (channel,):
                sounds.setdefault((place, sounding), row.velocities[velocity])
        self.n_outside += not n_zones
        self._held.setdefault((channel, key), []).append(tuple(sounds))
        for sound, loud in sounds.items():
            off = _to(sound[0], 0x80, bytes((sound[1], NO_RELEASE_VELOCITY)))
            found += [off] * self._due.pop(sound, 0)
            self._users[sound] = self._users.get(sound, 0) + 1
            found.append(_to(sound[0], 0x90, bytes((sound[1], loud))))
        return found

    def _note_off(self, message: bytes) -> list[Routed] | None:
        channel, key = message[0] & 0x0F, message[1]
        strokes = self._held.get((channel, key))
        if strokes is not None:
            passed = strokes[0] is None
            found = self._release(channel, key, message[0] & 0xF0, message[2])
            return None if passed else found
        if not self._rows:
            return None
        self.n_stray += 1
        return []

    def _release(self, channel: int, key: int, kind: int, velocity: int) -> list[Routed]:
        """Let go the oldest stroke of a key; one that passed on goes to the first link."""
        strokes = self._held[channel, key]
        sounds = strokes.pop(0)
        if not strokes:
            del self._held[channel, key]
        if sounds is None:
            return [_to(channel, kind, bytes((key, velocity)))]
        found: list[Routed] = []
        for sound in sounds:
            left = self._users[sound] - 1
            if left > sum(sound in (other or ()) for other in strokes):  # another key sounds it
                self._users[sound] = left
                self._due[sound] = self._due.get(sound, 0) + 1
                continue
            if left:
                self._users[sound] = left
            else:
                del self._users[sound]
            off = _to(sound[0], kind, bytes((sound[1], velocity)))
            found += [off] * (1 + self._due.pop(sound, 0))
        return found

    def _key_pressure(self, message: bytes) -> list[Routed] | None:
        strokes = self._held.get((message[0] & 0x0F, message[1]))
        if strokes is None:
            if not self._rows:
                return None
            self.n_stray += 1
            return []
        if None in strokes:
            return None
        sounds = dict.fromkeys(sound for stroke in strokes for sound in stroke or ())
        return [_to(place, 0xA0, bytes((key, message[2]))) for place, key in sounds]

    # -- what goes with the notes ----------------------------------------------------------------

    def _rest(self, message: bytes, kind: int) -> list[Routed] | None:
        channel, data = message[0] & 0x0F, message[1:]
        name, number, at_rest = _what(kind, data)
        places = dict.fromkeys(self._places(channel, name))
        # Where it was set before it must be taken back, also when no zone leads there any more.
        away = self._away.get((message[0], number))
        if away is not None and at_rest:
            if not places and away == {channel}:  # as it is, it goes there by itself
                del self._away[message[0], number]
                return None
            places.update(dict.fromkeys(sorted(away)))
            del self._away[message[0], number]
        elif at_rest is False:
            self._away.setdefault((message[0], number), set()).update(places or (channel,))
        if not places:
            return None
        return [_to(place, kind, data) for place in places]

    def _places(self, channel: int, name: str) -> Iterator[int]:
        for row in self._rows:
            if channel in row.listens and name in row.takes:
                yield from row.channels or (channel,)


def _what(kind: int, data: bytes) -> tuple[str, int, bool | None]:
    """Return what a message is for a zone, its number, and whether it is at rest.

    ``None`` for "at rest": it has no rest (a program, a volume), so that nothing is taken back.
    """
    if kind == 0xE0:
        return z.BEND, 0, data == _BEND_MIDDLE
    if kind == 0xD0:
        return z.PRESSURE, 0, data[0] == 0
    if kind == 0xC0:
        return z.PROGRAMS, 0, None
    if _FIRST_SWITCH <= data[0] <= _LAST_SWITCH:
        return z.PEDALS, data[0], data[1] < 64
    # Channel mode (120 to 127) ends notes: it goes wherever the pedals go.
    return (z.PEDALS if data[0] >= FIRST_MODE else z.CONTROLS), data[0], None


def _to(place: int, kind: int, data: bytes) -> Routed:
    return Routed(place >> 4, bytes((kind | place & 0x0F,)) + data)
