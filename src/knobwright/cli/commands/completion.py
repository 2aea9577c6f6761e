"""``knobwright completion``: the script that makes a shell complete commands and options."""

from __future__ import annotations

import click


@click.command("completion")
@click.argument("shell", type=click.Choice(("bash", "zsh", "fish")))
@click.pass_context
def command(ctx: click.Context, shell: str) -> int:
    """Print the completion script for SHELL; put it where your shell reads such scripts.

    For bash: knobwright completion bash >> ~/.bashrc
    """
    from click.shell_completion import get_completion_class

    kind = get_completion_class(shell)
    assert kind is not None
    click.echo(kind(ctx.find_root().command, {}, "knobwright", "_KNOBWRIGHT_COMPLETE").source())
    return 0
