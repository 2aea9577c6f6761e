"""Zones: which part of a keyboard goes where, and how hard it sounds there."""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct

from knobwright.core.surface.curves import CURVES, bent, curve_fault

PEDALS = "pedals"
BEND = "bend"
PRESSURE = "pressure"
CONTROLS = "controls"
PROGRAMS = "programs"

#: What a zone can take besides its notes, in words.
TAKES: dict[str, str] = {
    PEDALS: "switches 64 to 69 (hold, sostenuto, soft ...)",
    BEND: "pitch bend",
    PRESSURE: "channel pressure (pressure of a key always goes where its note went)",
    CONTROLS: "all other control changes",
    PROGRAMS: "program changes",
}


class Zone(Struct, frozen=True):
    """A part of the keyboard and where it goes.

    Attributes
    ----------
    name : str
        What people call it.
    keys : tuple of int, 0 to 127
        Lowest and highest key.
    velocities : tuple of int, 1 to 127
        Softest and hardest stroke that it takes.
    listens : tuple of int, 1 to 16
        Channels of the keyboard; empty: all.
    channels : tuple of int, 1 to 32
        Where it goes (17 to 32 are the second link); empty: the channel on which it came.
    transpose : int, semitones
        What falls out of 0 to 127 then is left out and counted.
    curve, amount, points
        Response to velocity: a row of ``CURVES``, how bent, and the points of a drawn one.
    loudness : tuple of int, 1 to 127
        The velocities that are sent for the softest and the hardest stroke.
    fixed : int, 1 to 127
        One velocity for every stroke; 0: as played.
    takes : tuple of str
        Rows of ``TAKES``: what it takes besides its notes.
    """

    name: str = ""
    keys: tuple[int, int] = (0, 127)
    velocities: tuple[int, int] = (1, 127)
    listens: tuple[int, ...] = ()
    channels: tuple[int, ...] = (1,)
    transpose: int = 0
    curve: str = "linear"
    amount: float = 0.0
    points: tuple[tuple[float, float], ...] = ()
    loudness: tuple[int, int] = (1, 127)
    fixed: int = 0
    takes: tuple[str, ...] = (PEDALS, BEND, PRESSURE)


def velocities(zone: Zone) -> tuple[int, ...]:
    """Return the velocity sent for each stroke 0 to 127, each 1 to 127 (0 is no stroke: 0)."""
    if zone.fixed:
        return (0, *([zone.fixed] * 127))
    forward = bent(zone.curve, zone.amount, zone.points).forward
    low, high = zone.loudness
    return (0, *(low + int(forward((v - 1) / 126) * (high - low) + 0.5) for v in range(1, 128)))


def zone_faults(zone: Zone) -> Iterator[tuple[str, str, str]]:
    """Yield everything that is wrong with a zone: its key in the table, the fault, a hint."""
    for key, limits, pair in (
        ("keys", (0, 127), zone.keys),
        ("velocities", (1, 127), zone.velocities),
        ("loudness", (1, 127), zone.loudness),
    ):
        if not limits[0] <= pair[0] <= pair[1] <= limits[1]:
            yield key, f"{key} are the lowest and the highest, {limits[0]} to {limits[1]}", ""
    if not 0 <= zone.fixed <= 127:
        yield "fixed", f"a fixed velocity is 1 to 127, not {zone.fixed}", ""
    if not -127 <= zone.transpose <= 127:
        yield "transpose", f"transpose is -127 to 127 semitones, not {zone.transpose}", ""
    for key, highest, channels in (("listens", 16, zone.listens), ("channels", 32, zone.channels)):
        if not all(1 <= channel <= highest for channel in channels):
            yield key, f"{key} are 1 to {highest}", ""
    for name in zone.takes:
        if name not in TAKES:
            yield "takes", f"a zone does not take {name!r}", f"one of {', '.join(TAKES)}"
    if wrong := curve_fault(zone.curve, zone.amount, zone.points):
        hint = f"one of {', '.join(CURVES)}" if zone.curve not in CURVES else ""
        yield "curve", wrong, hint
