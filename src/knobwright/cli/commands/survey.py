"""``knobwright survey``: a folder of songs against a module, in one table."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE, INTERRUPTED, tell
from knobwright.core.errors import InputError, printable

if TYPE_CHECKING:
    from knobwright.core.fitting.row import SurveyRow
    from knobwright.engine.survey import Progress, Surveyed
    from knobwright.wiring.survey import Scheduler

_N_WORST = 5
_N_TROUBLED = 10


@click.command("survey")
@click.option(
    "-o", "--output", "table", required=True, metavar="TABLE",
    help="The table to write: its name ends in .csv, .jsonl or .parquet.",
)  # fmt: skip
@click.option("--sheet", metavar="SHEET", help="The module's sheet (a file or a standard name).")
@click.option("--bench", metavar="BENCH", help="A bench: its sheet, and its link's speed.")
@click.option(
    "--baud", type=click.IntRange(0, 10_000_000),
    help="Speed of the line, 31250 where nothing says otherwise; 0 is no limit.",
)  # fmt: skip
@click.option(
    "--running-status/--full-status", default=None, help="Whether a repeated status is left out."
)
@click.option(
    "--voices", type=click.IntRange(0, 65_535), default=0,
    help="Voices of the module where no sheet says.",
)  # fmt: skip
@click.option(
    "--rule", metavar="RULE", default="oldest", show_default=True,
    help="What is cut where voices are too few: oldest, quietest, released, last or refused.",
)  # fmt: skip
@click.option("--processes", type=click.IntRange(1, 256), help="How many at once; all processors.")
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a cluster: tls://HOST:PORT.")
@click.option("--tls-ca", metavar="PEM", help="Certificate of the authority of the cluster.")
@click.option("--tls-cert", metavar="PEM", help="Our own certificate for the cluster.")
@click.option("--tls-key", metavar="PEM", help="The key to that certificate.")
@click.option("--no-tls", is_flag=True, help="A cluster without encryption: tcp://HOST:PORT.")
@click.option(
    "--seconds", type=click.FloatRange(0.1, 86_400), default=60.0, show_default=True,
    help="Longest time for one song.",
)  # fmt: skip
@click.option(
    "--memory", "memory_mib", type=click.IntRange(64, 1 << 20), default=2048, show_default=True,
    metavar="MIB", help="Most memory for one song.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.argument("folder", metavar="FOLDER")
def command(folder: str, table: str, **options: Any) -> int:
    """Examine every song in FOLDER and below it, and write one row a song into TABLE.

    Songs end in .mid, .midi, .smf, .kar, .rmi or .mid.gz. Rows of songs that have not changed are
    kept, so a survey that was broken off (Ctrl-C leaves a table) goes on where it was. Exit status
    1 when a song could not be examined: its row says why.
    """
    from knobwright.wiring.survey import Wanted, n_processors, run_survey
    from knobwright.wiring.survey_work import Asked, make_setup
    from knobwright.wiring.survey_worker import Limits

    asked = Asked(
        baud=options["baud"], running_status=options["running_status"],
        voices=options["voices"], rule=options["rule"],
    )  # fmt: skip
    setup = make_setup(options["sheet"], options["bench"], asked)
    limits = Limits(options["seconds"], options["memory_mib"])
    processes = options["processes"] or n_processors()
    wanted = Wanted(folder, table, setup, processes, _scheduler(**options), limits)
    newest: list[Progress] = []
    try:
        with _Bar() as bar:

            def tell_progress(progress: Progress) -> None:
                newest[:] = [progress]
                bar.show(progress)

            done = run_survey(wanted, tell_progress, _tell_trouble)
    except KeyboardInterrupt:
        n_done, n_songs = (newest[0].n_done, newest[0].n_songs) if newest else (0, 0)
        tell(f"knobwright: stopped; {printable(table)} has {n_done} of {n_songs} songs")
        tell("  next: run it again, and it goes on from there")
        return INTERRUPTED
    _print(done, table, as_json=options["as_json"])
    return FINDINGS if any(row.trouble for row in done.rows) else FINE


def _scheduler(
    cluster: str | None,
    tls_ca: str | None,
    tls_cert: str | None,
    tls_key: str | None,
    no_tls: bool,
    **_: Any,
) -> Scheduler | None:
    """Return where the cluster is; TLS is what is meant unless somebody says otherwise."""
    from knobwright.wiring.survey import Scheduler

    files = (tls_ca, tls_cert, tls_key)
    if cluster is None:
        if no_tls or any(files):
            raise InputError("options of a cluster are given, and no cluster", hint="add --cluster")
        return None
    from knobwright.wiring.cluster import WARNING

    tell(f"Note: {WARNING}.")
    if no_tls:
        if any(files):
            raise InputError("--no-tls and certificates do not go together")
        tell("Note: without TLS, everybody on the way can read it all, and be the cluster.")
        return Scheduler(cluster, None)
    if tls_ca is None or tls_cert is None or tls_key is None:
        raise InputError(
            "a cluster is reached by TLS, which needs --tls-ca, --tls-cert and --tls-key",
            where=cluster,
            hint="name the three files; or say --no-tls on a network that nobody else can reach",
        )
    return Scheduler(cluster, (tls_ca, tls_cert, tls_key))


def _tell_trouble(path: str, why: str) -> None:
    tell(f"knobwright: {printable(path)} can't be looked into: {printable(why)}")


class _Bar:
    """A bar on standard error; on a terminal only."""

    def __init__(self) -> None:
        self._show: Callable[[Progress], None] | None = None
        self._close: Callable[[], None] | None = None

    def __enter__(self) -> _Bar:
        if sys.stderr.isatty():
            self._open()
        return self

    def __exit__(self, *error: object) -> None:
        if self._close is not None:
            self._close()

    def show(self, progress: Progress) -> None:
        """Show how far it is."""
        if self._show is not None:
            self._show(progress)

    def _open(self) -> None:
        from rich.console import Console
        from rich.markup import escape
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
        )  # fmt: skip

        bar = Progress(
            TextColumn("songs"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(),
            TextColumn("{task.fields[newest]}"), console=Console(stderr=True), transient=True,
        )  # fmt: skip
        task = bar.add_task("songs", total=None, newest="")

        def show_(progress: Any) -> None:
            newest = "" if progress.row is None else escape(printable(progress.row.path)[-40:])
            bar.update(task, total=progress.n_songs, completed=progress.n_done, newest=newest)

        bar.start()
        self._show, self._close = show_, bar.stop


def _print(done: Surveyed, table: str, *, as_json: bool) -> None:
    troubled = [row for row in done.rows if row.trouble]
    counts = Counter(name for row in done.rows for name in row.findings.split())
    if as_json:
        show.json_object(
            {
                "table": table,
                "songs": len(done.rows),
                "kept": done.n_kept,
                "not_examined": [{"path": row.path, "trouble": row.trouble} for row in troubled],
                "findings": dict(sorted(counts.items())),
            }
        )
        return
    kept = f", {done.n_kept} of them kept from before" if done.n_kept else ""
    show.line(f"{table}: {show.count(len(done.rows), 'song')}{kept}.")
    if troubled:
        show.line()
        show.line(f"{show.count(len(troubled), 'song')} could not be examined:")
        for row in troubled[:_N_TROUBLED]:
            show.line(f"  {row.path}: {row.trouble}")
        if len(troubled) > _N_TROUBLED:
            show.line(f"  and {len(troubled) - _N_TROUBLED} more: column trouble of the table")
    if counts:
        show.line()
        rows = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
        show.table(("finding", "songs"), [(name, str(n)) for name, n in rows])
    _print_worst(done)


def _print_worst(done: Surveyed) -> None:
    """Print the songs that ask most of the cable and of the module."""

    def worst(figure: Callable[[SurveyRow], float | int | None]) -> list[SurveyRow]:
        rows = [row for row in done.rows if figure(row)]
        return sorted(rows, key=lambda row: (-(figure(row) or 0), row.path))[:_N_WORST]

    rows = [
        ("longest wait", row.path, f"{row.worst_wait_ms:.1f} ms at {row.worst_wait_at}")
        for row in worst(lambda row: row.worst_wait_ms)
    ] + [
        ("most voices", row.path, f"{row.most_voices} at {row.most_voices_at}")
        for row in worst(lambda row: row.most_voices)
    ]
    if rows:
        show.line()
        show.table(("the most of", "song", "how much"), rows)
