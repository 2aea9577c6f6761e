"""Mappings and parts files: read from disk; a mapping is also written, comments kept."""

from __future__ import annotations

from pathlib import Path

from knobwright.adapters.files import standard
from knobwright.adapters.files.safe import write_text
from knobwright.adapters.files.text import read_text
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.mapping import Mapping, check_mapping
from knobwright.core.fitting.programs import Names
from knobwright.core.fitting.propose import Proposal, with_proposals
from knobwright.core.fitting.wanted import Wanted, check_wanted

#: The sheet whose names and numbers a song's programs have.
GENERAL_MIDI = "general-midi-1"
#: Largest file in bytes.
MAX_BYTES = 1 << 20


def general_midi() -> Names:
    """Return the programs and drum keys of General MIDI."""
    return Names(
        check_sheet(standard.text(GENERAL_MIDI), library=standard.library(), name=GENERAL_MIDI)
        .require()
    )  # fmt: skip


def load_mapping(path: str, source: Names, target: Names) -> Mapping:
    """Return the mapping of a file.

    Parameters
    ----------
    path : str
        ``NAME.mapping.toml``.
    source, target : Names
        What is named behind ``from`` and behind ``to``.

    Raises
    ------
    SheetError
        It has faults; all of them are in ``faults``.
    InputError, StoreError
        It can't be read.
    """
    return check_mapping(read_text(path, "mapping", MAX_BYTES), source, target, name=path).require()


def load_wanted(path: str, codec: Codec) -> Wanted:
    """Return what a parts file wants; errors as in :func:`load_mapping`."""
    return check_wanted(read_text(path, "parts file", MAX_BYTES), codec, name=path).require()


def save_proposals(path: str, proposals: list[Proposal], source: Names, target: Names) -> None:
    """Add rows for proposals to a mapping; the file is made where there is none.

    Raises
    ------
    SheetError
        The mapping has faults, or would have some: nothing is written.
    InputError, StoreError
        It can't be read or written; what was there before is unharmed.
    """
    before = read_text(path, "mapping", MAX_BYTES) if Path(path).exists() else ""
    text = with_proposals(before, proposals)
    check_mapping(text, source, target, name=path).require()
    write_text(path, text)
