"""The command line: finds the command, runs it, turns errors into words and exit statuses."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib import import_module

import click

from knobwright import __version__
from knobwright.cli.commands import COMMANDS
from knobwright.cli.exits import BAD_INPUT, FINE, INTERRUPTED, report, report_own_fault, tell
from knobwright.core.errors import KnobwrightError


class _Commands(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        row = COMMANDS.get(name)
        if row is None:
            return None
        command = import_module(f"knobwright.cli.commands.{row.module}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(row.name, row.words) for row in COMMANDS.values()])


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit status: 0 fine, 1 findings, 2 bad input, 3 port or store trouble.",
)
@click.version_option(__version__, message="knobwright %(version)s")
def cli() -> None:
    """From a maker's leaflet to a set parameter: sheets, bytes, values for MIDI sound modules."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words behind the program's name; those of the process by default.
    """
    try:
        status = cli.main(arguments, prog_name="knobwright", standalone_mode=False)
        sys.stdout.flush()
        return status if isinstance(status, int) else FINE
    except KnobwrightError as error:
        return report(error)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except (click.Abort, KeyboardInterrupt):
        tell("knobwright: stopped; nothing was changed by this command")
        return INTERRUPTED
    except click.ClickException as error:
        error.show()
        return BAD_INPUT
    except (BrokenPipeError, SystemExit):
        # The reader of our output went away (head, less): that is fine. click turns it into an
        # exit.
        return FINE
    except Exception as error:  # noqa: BLE001  a user must never see a traceback
        return report_own_fault(error)


def main() -> None:
    """Run the command line and end the process with its exit status."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    sys.exit(run())
