"""``knobwright song``: what will go wrong when a song meets a module, and what to do about it."""

from __future__ import annotations

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE

_N_SHOWN = 40


@click.command("song")
@click.option("--sheet", metavar="SHEET", help="The module's sheet (a file or a standard name).")
@click.option("--bench", metavar="BENCH", help="A bench: its sheet, and its link's speed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option("--strict", is_flag=True, help="Refuse a song with faults.")
@click.option(
    "--baud", type=click.IntRange(0, 10_000_000),
    help="Speed of the line, 31250 where nothing says otherwise; 0 is no limit.",
)  # fmt: skip
@click.option(
    "--running-status/--full-status", default=None, help="Whether a repeated status is left out."
)
@click.option(
    "--tail", "tail_ms", type=click.IntRange(0, 60_000), default=0, metavar="MS",
    help="How long notes ring on where the sheet does not say.",
)  # fmt: skip
@click.option(
    "--voices", type=click.IntRange(0, 65_535), default=0,
    help="Voices of the module where no sheet says.",
)  # fmt: skip
@click.option(
    "--rule", metavar="RULE", default="oldest", show_default=True,
    help="What is cut where voices are too few: oldest, quietest, released, last or refused.",
)  # fmt: skip
@click.option("--pattern", type=click.IntRange(1), default=1, help="Of a format 2 song.")
@click.option("--all", "everything", is_flag=True, help="List every finding.")
@click.argument("song", metavar="FILE")
def command(
    sheet: str | None,
    bench: str | None,
    as_json: bool,
    strict: bool,
    baud: int | None,
    running_status: bool | None,
    tail_ms: int,
    voices: int,
    rule: str,
    pattern: int,
    everything: bool,
    song: str,
) -> int:
    """Examine FILE, a song: its faults, its parts, its way over the cable, its voices.

    With a sheet or a bench it is held against that module: programs, drum keys and controllers
    that are not there, voices that are too few. Every finding has its bar and beat, and a next
    step. Exit status 1 when a finding is more than a remark.
    """
    from knobwright.exports.song_report import song_blocks, song_json
    from knobwright.wiring.survey_work import Asked, examine_file, make_setup

    asked = Asked(
        baud=baud, running_status=running_status, tail_ms=tail_ms, voices=voices,
        rule=rule, pattern=pattern - 1,
    )  # fmt: skip
    examined = examine_file(song, make_setup(sheet, bench, asked), strict=strict)
    if as_json:
        show.json_object(song_json(examined))
    else:
        for number, block in enumerate(
            song_blocks(examined, max_findings=None if everything else _N_SHOWN)
        ):
            if number:
                show.line()
            show.line(block.heading)
            for text in block.lines:
                show.line(text)
            if block.rows:
                show.table(block.header, block.rows)
    return FINDINGS if examined.has_trouble else FINE
