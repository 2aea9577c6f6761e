"""A song made ready for a module: joins the files of song, sheet or bench, mapping and parts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

from knobwright.adapters.files import bench as benches
from knobwright.adapters.files import fitting, safe, sheets
from knobwright.adapters.files import song as songs
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.fitting.lighten import Lighter, check_names
from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.parts import read_parts
from knobwright.core.fitting.prepare import Order, Prepared, prepare_lighter
from knobwright.core.fitting.programs import Names
from knobwright.core.fitting.propose import Proposal, propose
from knobwright.core.fitting.tolerances import read_tolerances
from knobwright.core.fitting.wanted import Wanted
from knobwright.core.song.records import Song
from knobwright.core.timing.wire import Link
from knobwright.core.wire import DIN_BAUD
from knobwright.exports.setup_list import SETUP_LIST_HEAD, exclusive_of, write_setup_list
from knobwright.exports.syx import write_syx

_NS_PER_MS = 1_000_000
#: Stands for a line without limit.
_NO_LIMIT_BAUD = 1_000_000_000


class Module(NamedTuple):
    """What a song is made ready for: codec, line, and beginnings of exclusive that may pass."""

    codec: Codec
    link: Link
    allow: tuple[str, ...] = ()


class Files(NamedTuple):
    """Where the mapping and the parts file are (``None``: there is none), and what to keep."""

    mapping: str | None = None
    parts: str | None = None


def module_of(sheet: str | None, bench: str | None, baud: int | None) -> Module:
    """Return the module that a sheet or a bench names.

    Parameters
    ----------
    sheet, bench : str or None
        One of them: a sheet's file or standard name, or a bench's folder.
    baud : int, bits per second, optional
        Speed of the line; a bench has its own, 31 250 otherwise.

    Raises
    ------
    InputError
        Neither or both are given, or what they name has faults.
    StoreError
        It can't be read.
    """
    if (sheet is None) == (bench is None):
        raise InputError(
            "a song is prepared for one module", hint="name it with --sheet SHEET or --bench BENCH"
        )
    if bench is None:
        assert sheet is not None
        codec = Codec(sheets.load(sheet).require())
        receiver = codec.sheet.receiver
        link = Link(baud or DIN_BAUD, False, receiver.gap_ms * _NS_PER_MS, receiver.gap_holds)
        return Module(codec, link)
    found, codec = benches.load(bench).require()
    receiver = codec.sheet.receiver
    line = found.links[0]
    speed = baud or line.baud or _NO_LIMIT_BAUD
    link = Link(speed, False, line.gap_ms(receiver) * _NS_PER_MS, receiver.gap_holds)
    return Module(codec, link, found.passing.allow)


class Preparing:
    """One song and one module.

    Parameters
    ----------
    song : str
        The song's file.
    module : Module
        What it is made ready for.
    files : Files
        Mapping and parts file.
    strict : bool
        Whether a fault of the song is an error.

    Raises
    ------
    InputError, StoreError
        A file can't be read, or has faults.
    """

    def __init__(
        self, song: str, module: Module, files: Files | None = None, *, strict: bool = False
    ) -> None:
        files = Files() if files is None else files
        self.path, self.module = song, module
        self.song: Song = songs.load(song, strict=strict)
        self.standard, self.target = fitting.general_midi(), Names(module.codec.sheet)
        self.mapping, self.wanted = Mapping(), Wanted()
        if files.mapping is not None:
            self.mapping = fitting.load_mapping(files.mapping, self.standard, self.target)
        if files.parts is not None:
            self.wanted = fitting.load_wanted(files.parts, module.codec)

    def proposals(self) -> list[Proposal]:
        """Return what might stand for what the module lacks and the mapping does not map yet."""
        parts = read_parts(self.song, self.module.codec, standard=self.standard)
        return propose(parts, self.standard, self.target, self.mapping)

    def save_proposals(self, path: str, proposals: list[Proposal]) -> None:
        """Add proposals to a mapping; errors as in ``adapters.files.fitting``."""
        fitting.save_proposals(path, proposals, self.standard, self.target)

    def prepare(
        self,
        *,
        keep: tuple[str, ...] = (),
        from_ns: int = 0,
        moves_start: bool = True,
        drops_repeats: bool = False,
        lighter: Lighter | None = None,
    ) -> Prepared:
        """Return the prepared song; options and errors as in ``core.fitting.prepare``."""
        order = Order(
            self.module.link, self.wanted, self.mapping, (*self.module.allow, *keep), from_ns,
            moves_start, drops_repeats,
        )  # fmt: skip
        return prepare_lighter(
            self.song, self.module.codec, self.standard, order, lighter or Lighter()
        )

    def save(self, prepared: Prepared, path: str) -> None:
        """Write the prepared song, whole or not at all.

        Raises
        ------
        InputError
            It would take the place of the song itself.
        StoreError
            It can't be written.
        """
        if os.path.exists(path) and os.path.samefile(path, self.path):
            raise InputError(
                "the prepared song would take the song's own place", where=path,
                hint="give it another name: -o NAME.mid",
            )  # fmt: skip
        safe.write_bytes(path, prepared.data)


def lighter_of(
    module: Module, *, mend: tuple[str, ...] = (), thins: bool = False,
    tolerances: tuple[str, ...] = (),
) -> Lighter:  # fmt: skip
    """Return what is to be changed of the music on purpose.

    Parameters
    ----------
    module : Module
        What the song is made ready for.
    mend : tuple of str
        Names of suggestions.
    thins : bool
        Whether values are taken out at all.
    tolerances : tuple of str
        Each ``NAME=VALUE``.

    Raises
    ------
    InputError
        Tolerances are given and nothing is to be thinned, or one of them is none; a suggestion
        can't be carried out.
    """
    if tolerances and not thins:
        raise InputError(
            "a tolerance is for thinning, and nothing is thinned unless you ask for it",
            hint="add --thin",
        )
    check_names(mend, module.codec)
    return Lighter(mend, read_tolerances(tolerances, module.codec) if thins else None)


def check_syx(path: str) -> None:
    """Refuse a name that does not end in ``.syx``: the list beside it has that name's stem.

    Raises
    ------
    InputError
        It ends in something else, or a text of that stem is there that is no such list.
    """
    if not path.lower().endswith(".syx"):
        raise InputError(
            "a file of exclusive messages ends in .syx", where=path,
            hint="give it another name: --syx NAME.syx",
        )  # fmt: skip
    listed = Path(path).with_suffix(".txt")
    try:
        with listed.open("rb") as file:
            is_ours = file.read(len(SETUP_LIST_HEAD)) == SETUP_LIST_HEAD.encode()
    except OSError:
        return  # there is none, or writing will say what is wrong
    if not is_ours:
        raise InputError(
            "the list of the set-up would take the place of a text that is something else",
            where=str(listed), hint="give it another name: --syx NAME.syx",
        )  # fmt: skip


def save_set_up(prepared: Prepared, path: str) -> tuple[int, str]:
    """Write the set-up's exclusive messages as a .syx file, and all of it as a list beside it.

    Returns
    -------
    int, str
        How many exclusive messages there are, and the list's path.

    Raises
    ------
    InputError
        The name does not end in ``.syx``.
    StoreError
        A file can't be written.
    """
    check_syx(path)
    exclusive = [row for bars in prepared.bars for row in exclusive_of(bars.placed)]
    listed = str(Path(path).with_suffix(".txt"))
    rows = [(f"pattern {bars.pattern}" if bars.pattern else "", bars.placed)
            for bars in prepared.bars]  # fmt: skip
    safe.write_text(listed, write_setup_list(rows))
    safe.write_bytes(path, write_syx(exclusive))
    return len(exclusive), listed
