"""``knobwright play``: a song to a port, notes first, silence at the end."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE, INTERRUPTED, tell
from knobwright.cli.patience import ending_in_order, uninterrupted
from knobwright.core.errors import InputError, printable

if TYPE_CHECKING:
    from knobwright.cli.errand import Errand
    from knobwright.core.codec.plan import Codec
    from knobwright.engine.messages import Start
    from knobwright.engine.player import Played
    from knobwright.engine.song_plan import Plan

_N_SHOWN = 8
#: How long the player may take to end after it was told to.
_ENDS_S = 5.0


@click.command("play")
@click.option("--to", "out", required=True, metavar="PORT|BENCH", help="Where to.")
@click.option("--sheet", metavar="SHEET", help="The module's sheet: explains exclusive messages.")
@click.option("--allow", multiple=True, metavar="HEX", help="Send exclusive that begins so, too.")
@click.option("--from", "begin", metavar="TIME", help="Begin here: 90s, 1.5min.")
@click.option("--until", "end", metavar="TIME", help="End here.")
@click.option("--speed", type=float, default=1.0, show_default=True, help="Times as fast.")
@click.option("--pattern", type=click.IntRange(1), default=1, help="Of a format 2 song.")
@click.option("--strict", is_flag=True, help="Refuse a song with faults.")
@click.option(
    "--baud", type=click.IntRange(0), default=31_250, show_default=True,
    help="Speed of the line to PORT; 0 is no limit.",
)  # fmt: skip
@click.argument("song", metavar="SONG")
def command(
    out: str,
    sheet: str | None,
    allow: tuple[str, ...],
    begin: str | None,
    end: str | None,
    speed: float,
    pattern: int,
    strict: bool,
    baud: int,
    song: str,
) -> int:
    """Play SONG, a Standard MIDI File, at the speed of the line: notes first, nothing lost.

    PORT is a port; BENCH a folder with a bench.toml, whose link and sheet are used. Exclusive
    messages that no trusted sheet explains are counted, told and not sent, unless --allow names
    what they begin with: exit status 1 then. Ctrl-C leaves silence.
    """
    from knobwright.adapters.files import song as songs
    from knobwright.cli.errand import Errand
    from knobwright.core.state.trust import Trust
    from knobwright.engine.song_plan import plan

    loaded = songs.load(song, strict=strict)
    for fault in loaded.faults[:_N_SHOWN]:
        tell(f"{printable(song)}: {fault}")
    start, codec, byte_ns = _target(out, sheet, baud)
    trust = Trust(codec, allow)
    planned = plan(loaded, codec, trust, pattern=pattern - 1)
    _tell_plan(planned, song, pattern)
    with ending_in_order(), Errand(start) as errand:
        played = _play(errand, planned, begin, end, speed, byte_ns)
        # The last messages of a dense song may wait for the line still.
        counts = errand.wait_idle() if played.is_whole else errand.counts()
    show.line(_words(planned, played, counts))
    if not played.is_whole:
        return INTERRUPTED
    return FINDINGS if planned.n_untrusted else FINE


def _target(out: str, sheet: str | None, baud: int) -> tuple[Start, Codec, int]:
    """Return how to start the engine, the codec that explains the song, and the time of a byte."""
    import os

    from knobwright.adapters.files.bench import BENCH, folder_of, load
    from knobwright.cli.sheets import load_codec
    from knobwright.engine.messages import LinkPlan, PortPlan, Start
    from knobwright.wiring.links import byte_ns

    if os.path.exists(folder_of(out) / BENCH):
        if sheet is not None:
            raise InputError("a bench has its own sheet", hint="leave --sheet out")
        bench, codec = load(out).require()
        return Start(bench=str(folder_of(out)), hears=False), codec, byte_ns(bench.links[0].baud)
    # A sheet of channel messages alone explains no exclusive message: the harmless ones are left.
    codec = load_codec(sheet or "midi-1")
    receiver = codec.sheet.receiver
    link = LinkPlan(
        PortPlan(out, baud), gap_ms=receiver.gap_ms, gap_holds=receiver.gap_holds,
        active_sensing=receiver.active_sensing,
    )  # fmt: skip
    return Start(links=(link,)), codec, byte_ns(baud)


def _tell_plan(planned: Plan, song: str, pattern: int) -> None:
    name = printable(planned.name or song)
    n_messages = show.count(len(planned.messages), "message")
    tell(f"{name}: {planned.length_ns / 1e9:.1f} s, {n_messages}; Ctrl-C leaves silence.")
    if planned.n_patterns > 1:
        tell(f"  this is pattern {pattern} of {planned.n_patterns}; --pattern chooses another")
    for row in planned.untrusted[:_N_SHOWN]:
        tell(
            f"  not sent: {row.first} ({show.count(row.n_bytes, 'byte')}, {row.n} times, first at "
            f'{row.first_ns / 1e9:.2f} s): {printable(row.why)}; to send: --allow "{row.allow}"'
        )
    if len(planned.untrusted) > _N_SHOWN:
        tell(f"  and {len(planned.untrusted) - _N_SHOWN} more kinds of exclusive messages")
    for unknown in planned.unknown[:_N_SHOWN]:
        many = "s" if len(unknown.channels) > 1 else ""
        channels = ", ".join(map(str, unknown.channels))
        tell(
            f"  not in the sheet, sent all the same: {printable(unknown.words)}, "
            f"{show.count(unknown.n, 'time')} on channel{many} {channels}"
        )
    if planned.ports:
        ports = ", ".join(str(port) for port, _ in planned.ports)
        tell(f"  tracks are meant for several ports ({ports}): all are sent to this one")


def _play(
    errand: Errand, planned: Plan, begin: str | None, end: str | None, speed: float, byte_ns: int
) -> Played:
    """Play in this process; the engine's process keeps the line and what sounds."""
    import threading
    from collections.abc import Sequence

    from knobwright.adapters.clock import monotonic_ns
    from knobwright.cli.incoming import duration_ns
    from knobwright.core.timing.items import Item
    from knobwright.engine.messages import Bytes
    from knobwright.engine.player import ClockAlarm, Player

    def push(items: Sequence[Item]) -> None:
        for item in items:
            data, rest_ns = b"".join(item.messages), item.rest_ns
            errand.send(Bytes(data, "song", rest_ns=rest_ns, is_trusted=True))

    player = Player(planned, push, clock=monotonic_ns, alarm=ClockAlarm(monotonic_ns),
                    byte_ns=byte_ns)  # fmt: skip
    player.set_speed(speed)
    start_ns = 0 if begin is None else duration_ns(begin)
    end_ns = None if end is None else duration_ns(end)
    done: list[Played | BaseException] = []
    ended = threading.Event()

    def run() -> None:
        try:
            done.append(player.play(start_ns=start_ns, end_ns=end_ns))
        except BaseException as error:  # noqa: BLE001  raised below, in the thread that waits
            done.append(error)
        finally:
            ended.set()

    # Not the thread's own join: a Ctrl-C inside that takes a running thread for an ended one
    # (CPython 3.11).
    thread = threading.Thread(target=run, name="player", daemon=True)
    try:
        thread.start()
        while not ended.wait(0.1):
            errand.listen()
    except KeyboardInterrupt:
        pass
    finally:
        with uninterrupted():
            player.stop()
            ended.wait(_ENDS_S)
    if not done:  # it was stopped before it had begun
        raise KeyboardInterrupt
    result = done[0]
    if isinstance(result, BaseException):
        raise result
    return result


def _words(planned: Plan, played: Played, counts: dict[str, int]) -> str:
    whole = "played" if played.is_whole else "stopped"
    late_ms = counts.get("link 1 worst_note_ns", 0) / 1e6
    words = [
        f"{whole} at {played.at_ns / 1e9:.1f} s: {show.count(played.n_messages, 'message')}",
        f"a note waited {late_ms:.1f} ms at most",
    ]
    if played.n_chased:
        words.append(f"{played.n_chased} of earlier settings sent first")
    for name, said in (
        ("n_replaced", "values replaced by newer ones"),
        ("n_refused_notes", "notes refused: the line can't carry so many"),
    ):
        if n := counts.get(f"link 1 {name}", 0):
            words.append(f"{n} {said}")
    if planned.n_untrusted:
        words.append(f"{show.count(planned.n_untrusted, 'exclusive message')} not sent")
    if played.n_unplaced:
        words.append(f"{played.n_unplaced} data entries without a selection not sent")
    return "; ".join(words)
