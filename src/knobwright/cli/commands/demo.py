"""``knobwright demo``: the whole way on an invented module, no hardware needed."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import click


@click.command("demo")
@click.option(
    "--into", metavar="FOLDER", help="Where to put what is made; a new folder by default."
)
@click.option(
    "--once", is_flag=True, hidden=True, help="End when the way is gone (it always does)."
)
@click.pass_context
def command(ctx: click.Context, into: str | None, once: bool) -> int:
    """Go the whole way on an invented module: leaflet, draft, answers, check, set, hear.

    No hardware, driver or sound card is needed. It ends by itself.
    """
    from knobwright.cli import show
    from knobwright.cli.tour import tour
    from knobwright.core.errors import StoreError

    if into is None:
        from tempfile import mkdtemp

        into = mkdtemp(prefix="knobwright-demo-")
    folder = Path(into)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(f"the folder can't be made: {error.strerror}", where=into) from error
    root = ctx.find_root().command

    def run(words: Sequence[str]) -> int:
        sys.stdout.flush()
        status = root.main(list(words), prog_name="knobwright", standalone_mode=False)
        return int(status or 0)

    status = tour(folder, run)
    show.line()
    show.line(f"Everything that was made is in {folder}.")
    return status
