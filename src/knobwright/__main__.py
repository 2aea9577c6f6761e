"""The program's entry point: ``knobwright`` and ``python -m knobwright``."""

from __future__ import annotations


def main() -> None:
    """Run the command line; the import waits until here so that reading this file costs nothing."""
    from knobwright.cli.main import main as run

    run()


if __name__ == "__main__":
    main()
