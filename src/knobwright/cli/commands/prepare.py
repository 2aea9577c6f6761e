"""``knobwright prepare``: a song with a set-up bar before it, so that it always starts right."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE, tell
from knobwright.core.errors import InputError, printable

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from knobwright.core.fitting.prepare import Bars, Prepared
    from knobwright.core.fitting.propose import Proposal

_N_SHOWN = 12


@click.command("prepare")
@click.option("--sheet", metavar="SHEET", help="The module's sheet (a file or a standard name).")
@click.option("--bench", metavar="BENCH", help="A bench: its sheet, and its link's speed.")
@click.option("-o", "--output", metavar="FILE", help="The prepared song.")
@click.option("--parts", metavar="FILE", help="Values to set first: NAME.parts.toml.")
@click.option("--mapping", metavar="FILE", help="What stands for what: NAME.mapping.toml.")
@click.option("--propose", metavar="FILE", help="Add proposals to a mapping; none is applied.")
@click.option("--keep", multiple=True, metavar="HEX", help="Keep exclusive that begins so.")
@click.option("--from", "begin", metavar="TIME", help="Begin here: 90s, 1.5min.")
@click.option("--leave-start", is_flag=True, help="Leave the song's own start settings in place.")
@click.option("--drop-repeats", is_flag=True, help="Leave out settings of what is set already.")
@click.option("--mend", multiple=True, metavar="NAME", help="Mend voices; changes the music.")
@click.option("--thin", is_flag=True, help="Take out values that are hardly heard.")
@click.option("--tolerance", multiple=True, metavar="NAME=VALUE", help="For --thin: bend=3.")
@click.option("--syx", metavar="FILE", help="The set-up's exclusive messages; a .txt lists all.")
@click.option("--baud", type=click.IntRange(300, 10_000_000), help="Speed of the line.")
@click.option("--strict", is_flag=True, help="Refuse a song with faults.")
@click.option("--json", "as_json", is_flag=True, help="Tell what was done as one JSON object.")
@click.argument("song", metavar="SONG")
def command(
    sheet: str | None,
    bench: str | None,
    output: str | None,
    parts: str | None,
    mapping: str | None,
    propose: str | None,
    keep: tuple[str, ...],
    begin: str | None,
    leave_start: bool,
    drop_repeats: bool,
    mend: tuple[str, ...],
    thin: bool,
    tolerance: tuple[str, ...],
    syx: str | None,
    baud: int | None,
    strict: bool,
    as_json: bool,
    song: str,
) -> int:
    """Write SONG with a bar of set-up before it: reset, programs, volumes, pans, sends, values.

    Nothing in the bar is late on the line, and the music behind it is the same: the new song is
    read again and held against the old one before it is written. Exclusive messages that the sheet
    does not explain are listed and left out, unless --keep names what they begin with: exit status
    1 then. Programs and drum keys are changed only by the rows of --mapping, notes and pedals
    only by --mend, and values are taken out only by --thin.
    """
    from knobwright.cli.incoming import duration_ns
    from knobwright.wiring.preparing import Files, Preparing, check_syx, lighter_of, module_of

    if output is None and propose is None:
        raise InputError("name the prepared song", hint="-o NAME.mid")
    if syx is not None:
        check_syx(syx)
    module = module_of(sheet, bench, baud)
    lighter = lighter_of(module, mend=mend, thins=thin, tolerances=tolerance)
    work = Preparing(song, module, Files(mapping, parts), strict=strict)
    for fault in work.song.faults[:_N_SHOWN]:
        tell(f"{printable(song)}: {fault}")
    proposals = work.proposals()
    if propose is not None:
        _propose(work.save_proposals, propose, proposals, quiet=as_json)
    if output is None:
        return FINE
    from_ns = 0 if begin is None else duration_ns(begin)
    prepared = work.prepare(
        keep=keep, from_ns=from_ns, moves_start=not leave_start, drops_repeats=drop_repeats,
        lighter=lighter,
    )  # fmt: skip
    work.save(prepared, output)
    if as_json:
        show.json_object(_plain(prepared))
    else:
        _tell(prepared, output, proposals if propose is None else ())
    if syx is not None:
        _save_set_up(prepared, syx)
    return FINDINGS if prepared.left_out else FINE


def _save_set_up(prepared: Prepared, path: str) -> None:
    from knobwright.wiring.preparing import save_set_up

    n_exclusive, listed = save_set_up(prepared, path)
    messages = show.count(n_exclusive, "exclusive message")
    tell(f"{printable(path)}: {messages}; {printable(listed)} lists the whole set-up")


def _propose(
    save: Callable[[str, list[Proposal]], None],
    path: str,
    proposals: Sequence[Proposal],
    *,
    quiet: bool,
) -> None:
    found = [proposal for proposal in proposals if proposal.to is not None]
    save(path, list(proposals))
    if quiet:
        return
    show.line(f"{path}: {show.count(len(found), 'proposal')}; change what you like, then give it "
              "with --mapping")  # fmt: skip
    for proposal in proposals:
        show.line(f"  {proposal.words()}")


def _plain(prepared: Prepared) -> dict[str, object]:
    """Return what was done; the song itself is in its file."""
    from msgspec import structs

    done = structs.asdict(prepared)
    del done["data"]
    done["bars"] = [
        {**structs.asdict(bars), "placed": [row._asdict() for row in bars.placed]}
        for bars in prepared.bars
    ]
    return done


def _tell(prepared: Prepared, output: str, proposals: Sequence[Proposal]) -> None:
    from knobwright.core.fitting.lighter_lines import lighter_lines

    for bars in prepared.bars:
        _tell_bars(bars, output)
    if prepared.lightened is not None:
        for text in lighter_lines(prepared.lightened, n_most=_N_SHOWN):
            show.line(text)
    for row in prepared.left_out[:_N_SHOWN]:
        keep = f'; to keep: --keep "{row.keep}"' if row.keep else ""
        show.line(
            f"  left out: {row.first} ({show.count(row.n_bytes, 'byte')}, {row.n} times, first at "
            f"tick {row.first_tick}): {row.why}{keep}"
        )
    if len(prepared.left_out) > _N_SHOWN:
        show.line(f"  and {len(prepared.left_out) - _N_SHOWN} more kinds of messages left out")
    if prepared.n_unreadable:
        show.line(f"  left out: {show.count(prepared.n_unreadable, 'event')} that can't be read")
    for note in prepared.notes[:_N_SHOWN]:
        show.line(f"  note: {note}")
    if proposals:
        n = show.count(len(proposals), "program or drum", "programs and drums")
        show.line(
            f"  {n} of the song may want a substitute: --propose NAME.mapping.toml lists them"
        )


def _tell_bars(bars: Bars, output: str) -> None:
    where = f", pattern {bars.pattern}" if bars.pattern else ""
    show.line(
        f"{output}{where}: {show.count(bars.n_bars, 'bar')} of set-up "
        f"({bars.length_ns / 1e9:.2f} s, {show.count(len(bars.placed), 'message')}), then the same "
        "music"
    )
    for n, one, many, words in (
        (bars.n_moved, "message", "messages", "of the song's start went into the bar"),
        (bars.n_replaced, "of them", "of them", "gave way to the parts file"),
        (bars.n_unplaced, "data entry", "data entries", "without a selection left out"),
        (bars.n_repeats, "setting", "settings", "left out, being so already"),
        (bars.n_not_begun, "note-off", "note-offs", "left out: the note lies before the start"),
        (bars.n_key_notes, "drum note", "drum notes", "moved to another key by the mapping"),
    ):
        if n:
            show.line(f"  {show.count(n, one, many)} {words}")
    for program in bars.programs:
        show.line(f"  channel {program.channel}: {program.source} is now {program.to}")
