"""What a worker is told and what it does: a song's bytes in, a row out.

A worker needs no files: the sheet comes as text with all that it includes, the song as bytes.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec
from msgspec import Struct

from knobwright import __version__
from knobwright.adapters.files import bench as benches
from knobwright.adapters.files import sheets, standard
from knobwright.adapters.files import song as songs
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError, KnobwrightError, NamingError
from knobwright.core.fitting.examine import Examined, Options, examine
from knobwright.core.fitting.programs import Names
from knobwright.core.fitting.row import SurveyRow
from knobwright.core.fitting.survey import row_of, troubled
from knobwright.core.song.read import read_song
from knobwright.core.timing.voices.cuts import DEFAULT_RULE
from knobwright.engine.survey import Job

_N_HASH = 16
#: The standard sheet whose names are shown beside the module's.
_GM = "general-midi-1"


class SheetTexts(Struct, frozen=True):
    """A sheet with everything that it includes, as text; ``device`` is the id to send to."""

    name: str
    text: str
    includes: dict[str, str] = {}
    device: int | None = None

    def codec(self) -> Codec:
        """Return its codec.

        Raises
        ------
        SheetError
            It has faults.
        """
        sheet = check_sheet(self.text, name=self.name, library=self._include).require()
        return Codec(sheet, device=self.device)

    def _include(self, name: str) -> str:
        if name not in self.includes:
            raise NamingError(f"nothing to include under the name {name!r}")
        return self.includes[name]


class Setup(Struct, frozen=True):
    """What every song of a survey is held against; ``version`` is that of Knobwright."""

    sheet: SheetTexts | None
    options: Options
    version: str = __version__

    @property
    def settings(self) -> str:
        """Return a short text that stands for all of it, whatever the path of the sheet."""
        sheet = None if self.sheet is None else msgspec.structs.replace(self.sheet, name="")
        return hashlib.sha256(msgspec.msgpack.encode((sheet, self.options))).hexdigest()[:_N_HASH]


def sheet_texts(path: str) -> SheetTexts:
    """Return the texts of the sheet at a path, or of a standard sheet.

    Raises
    ------
    SheetError
        The sheet has faults.
    InputError, StoreError
        A file can't be read.
    """
    is_standard = path in standard.names() and not Path(path).exists()
    text = standard.text(path) if is_standard else sheets.read(path)
    resolve = standard.library(None if is_standard else Path(path).absolute().parent)
    includes: dict[str, str] = {}

    def note(name: str) -> str:
        return includes.setdefault(name, resolve(name))

    check_sheet(text, name=path, library=note).require()
    return SheetTexts(path, text, dict(sorted(includes.items())))


class Asked(Struct, frozen=True):
    """What the user asks for beside sheet or bench; ``None`` is left to them."""

    baud: int | None = None
    running_status: bool | None = None
    tail_ms: int = 0
    voices: int = 0
    rule: str = DEFAULT_RULE
    pattern: int = 0

    def options(self, link: Options | None = None) -> Options:
        """Return the options; ``link`` holds what a bench says of its link."""
        base = Options() if link is None else link
        return msgspec.structs.replace(
            base,
            baud=base.baud if self.baud is None else self.baud,
            running_status=(
                base.running_status if self.running_status is None else self.running_status
            ),
            tail_ms=self.tail_ms,
            voices=self.voices,
            rule=self.rule,
            pattern=self.pattern,
        )


def make_setup(sheet: str | None, bench: str | None, asked: Asked) -> Setup:
    """Return what songs are held against.

    Parameters
    ----------
    sheet : str, optional
        Path of a sheet, or the name of a standard one.
    bench : str, optional
        Folder of a bench: its sheet, and speed, rests and running status of its first link.
    asked : Asked
        What goes before both.

    Raises
    ------
    SheetError
        The sheet or the bench has faults.
    InputError, StoreError
        Both are given, a file can't be read, or what is asked for is out of range.
    """
    if sheet is not None and bench is not None:
        raise InputError("a bench has its own sheet", hint="leave --sheet out")
    if bench is not None:
        setup = _bench_setup(bench, asked)
    else:
        setup = Setup(None if sheet is None else sheet_texts(sheet), asked.options())
    setup.options.check()
    return setup


def _bench_setup(path: str, asked: Asked) -> Setup:
    bench, codec = benches.load(path).require()
    receiver = codec.sheet.receiver
    said = Options(allow=bench.passing.allow)
    for link in bench.links[:1]:
        said = msgspec.structs.replace(
            said,
            baud=link.baud,
            running_status=link.uses_running_status(receiver),
            gap_ms=link.gap_ms(receiver),
            gap_holds=receiver.gap_holds,
        )
    file = benches.folder_of(path) / bench.sheet
    texts = sheet_texts(str(file) if file.exists() else bench.sheet)
    return Setup(msgspec.structs.replace(texts, device=bench.device), asked.options(said))


class Examiner:
    """Examines one song after the other against one sheet.

    Parameters
    ----------
    setup : Setup
        Of the survey.

    Raises
    ------
    SheetError
        The sheet has faults.
    InputError
        The survey was begun by another version of Knobwright.
    """

    def __init__(self, setup: Setup) -> None:
        if setup.version != __version__:
            raise InputError(
                f"this worker has Knobwright {__version__}, and the survey {setup.version}",
                hint="install the same version everywhere",
            )
        self._codec = None if setup.sheet is None else setup.sheet.codec()
        self._options = setup.options

    def row(self, job: Job) -> SurveyRow:
        """Return the row of a song, whatever the song is: what is wrong with it stands there."""
        try:
            song = read_song(job.data)
            examined = examine(song, self._codec, self._options)
            return row_of(examined, job.path, job.size, job.mtime_ns, job.version, job.settings)
        except KnobwrightError as error:
            words = error.message
        except MemoryError:
            words = "it needs more memory than a song may have"
        except Exception as error:  # noqa: BLE001  one song must never end a survey of thousands
            words = f"this is a fault in Knobwright itself: {type(error).__name__}: {error}"
        return troubled(job.path, job.size, job.mtime_ns, job.version, job.settings, words)


def examine_file(path: str, setup: Setup, *, strict: bool = False) -> Examined:
    """Return all that is to be said about the song in a file.

    Parameters
    ----------
    path : str
        Of the song.
    setup : Setup
        What it is held against.
    strict : bool
        Whether a fault of the file is an error.

    Raises
    ------
    StoreError
        The file can't be read.
    InputError
        It is no song, has no such pattern, or (with ``strict``) has faults.
    """
    song = songs.load(path, strict=strict)
    codec = None if setup.sheet is None else setup.sheet.codec()
    standard_names = Names(
        check_sheet(standard.text(_GM), name=_GM, library=standard.library()).require()
    )
    return examine(song, codec, setup.options, standard=standard_names, thorough=True)
