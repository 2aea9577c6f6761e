"""The commands of ``knobwright``, one file each.

To add a command, write ``cli/commands/<verb>.py`` with a click command called ``command``, and add
a row to :data:`COMMANDS`; its module is imported only when it is called or its own help is asked
for.
"""

from __future__ import annotations

from typing import NamedTuple


class CommandRow(NamedTuple):
    """A command: its verb, the module below ``cli/commands`` and one line of help."""

    name: str
    module: str
    words: str


COMMANDS: dict[str, CommandRow] = {
    row.name: row
    for row in (
        CommandRow("draft", "draft", "Draft a sheet from a maker's leaflet."),
        CommandRow("answer", "answer", "Answer the open questions of a sheet."),
        CommandRow("check", "check", "Check a sheet, surface or bench: every fault with its line."),
        CommandRow("params", "params", "List the parameters of a sheet."),
        CommandRow("bytes", "bytes_", "Work out the bytes that set parameters."),
        CommandRow("explain", "explain", "Say in words what bytes or a line template mean."),
        CommandRow("ports", "ports", "List the ports that are there, and what each kind can't do."),
        CommandRow("send", "send", "Send bytes or parameters to a port, and tell what comes back."),
        CommandRow("listen", "listen", "Tell in words what comes in at ports."),
        CommandRow("record", "record", "Record what comes in at ports, to be played again."),
        CommandRow("hear", "hear", "Move a control, and its description is written down."),
        CommandRow("bridge", "bridge", "Carry a surface's movements to the module, live."),
        CommandRow("quiet", "quiet", "Stop all sound now."),
        CommandRow("resend", "resend", "Send again what the module should have."),
        CommandRow("play", "play", "Play a song to a port or a bench, notes first."),
        CommandRow(
            "looptest",
            "looptest",
            "Test the way through a cable or pass-through, and name its faults.",
        ),
        CommandRow("song", "song", "Tell what will go wrong when a song meets a module."),
        CommandRow("prepare", "prepare", "Write a song that starts right on a module, every time."),
        CommandRow("survey", "survey", "Hold a folder of songs against a module, in one table."),
        CommandRow("demo", "demo", "Go the whole way on an invented module, no hardware needed."),
        CommandRow("completion", "completion", "Print the completion script for a shell."),
    )
}
