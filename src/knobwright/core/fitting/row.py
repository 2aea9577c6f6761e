"""One song of a survey as one row of a table: what every form of the table holds."""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct, convert, structs

from knobwright.core.errors import InputError

#: Kinds of columns.
TEXT = "text"
WHOLE = "whole"
DECIMAL = "decimal"
_KINDS = {"str": TEXT, "int": WHOLE, "int | None": WHOLE, "float | None": DECIMAL}


class SurveyRow(Struct, frozen=True):
    """A song, and what came of holding it against a module.

    ``path`` is the song's place below the folder, with ``/`` between its parts and everything that
    is not printable written out (see :func:`told_path`). ``settings`` stands for the sheet and all
    options: rows with the same path, size, time, version and settings need not be worked out again.
    A figure that could not be worked out is ``None``; ``trouble`` then says why. Decimals are
    rounded to three places, so that every form of the table holds the same numbers.
    """

    path: str
    size: int
    mtime_ns: int
    version: str
    settings: str
    trouble: str = ""
    title: str = ""
    packed: str = ""
    format: int | None = None
    n_tracks: int | None = None
    length_s: float | None = None
    n_faults: int | None = None
    first_fault: str = ""
    n_messages: int | None = None
    n_notes: int | None = None
    n_bytes: int | None = None
    worst_wait_ms: float | None = None
    worst_wait_at: str = ""
    worst_wait_running_ms: float | None = None
    median_wait_ms: float | None = None
    most_of_99_wait_ms: float | None = None
    n_late_notes: int | None = None
    busiest_second_bytes: int | None = None
    load_percent: float | None = None
    most_held: int | None = None
    most_voices: int | None = None
    most_voices_at: str = ""
    module_voices: int | None = None
    n_cut: int | None = None
    n_parts: int | None = None
    channels: str = ""
    programs: str = ""
    n_programs_missing: int | None = None
    n_drum_keys_missing: int | None = None
    n_notes_out_of_range: int | None = None
    n_controllers_unknown: int | None = None
    n_exclusive: int | None = None
    n_findings: int | None = None
    findings: str = ""


#: Columns that tell whether a row still holds; no table is a survey without them.
KEY = ("path", "size", "mtime_ns", "version", "settings")

#: What each column holds, for the reference.
WORDS: dict[str, str] = {
    "path": "place below the folder; what is not printable is written out",
    "size": "bytes of the file",
    "mtime_ns": "when the file was changed, nanoseconds since 1970",
    "version": "of Knobwright",
    "settings": "stands for the sheet and all options",
    "trouble": "why the song could not be examined; empty where it could",
    "title": "name of the first track that has one",
    "packed": "gzip, RIFF or both; empty for a plain file",
    "format": "0, 1 or 2",
    "n_tracks": "tracks that are there",
    "length_s": "seconds from the start to the last event",
    "n_faults": "places where the file does not keep to the standard",
    "first_fault": "the first of them",
    "n_messages": "messages that are sent",
    "n_notes": "notes that begin",
    "n_bytes": "bytes on the wire",
    "worst_wait_ms": "longest time from a message's place in the song to the end of its last byte",
    "worst_wait_at": "bar and beat where that is",
    "worst_wait_running_ms": "the longest such time with running status",
    "median_wait_ms": "half of all messages wait no longer",
    "most_of_99_wait_ms": "99 of 100 messages wait no longer",
    "n_late_notes": "notes that begin to sound more than 10 ms late",
    "busiest_second_bytes": "most bytes that one second asks for",
    "load_percent": "most of a second in which the line is busy",
    "most_held": "most keys that are down at once",
    "most_voices": "most voices that sound at once",
    "most_voices_at": "bar and beat where that is",
    "module_voices": "voices of the module; empty where no sheet says",
    "n_cut": "notes that the module has to cut",
    "n_parts": "channels that play notes",
    "channels": "these channels, 1 to 16",
    "programs": "channel:program of each, programs counted from 1",
    "n_programs_missing": "programs that the module has not",
    "n_drum_keys_missing": "drum keys that the kit has not",
    "n_notes_out_of_range": "notes outside the keys of their program",
    "n_controllers_unknown": "controllers that the sheet does not know",
    "n_exclusive": "exclusive messages",
    "n_findings": "all findings",
    "findings": "their names, each once",
}

#: Kind of each column, in order.
COLUMNS: dict[str, str] = {
    name: _KINDS[str(kind)] for name, kind in SurveyRow.__annotations__.items()
}


def told_path(path: str) -> str:
    """Return a path that can be shown and stored, and never stands for two files.

    What is not printable becomes ``\\xNN``, ``\\uNNNN`` or ``\\UNNNNNNNN``, a byte that is no
    UTF-8 (which the system hands over as half a pair) among it; a backslash becomes two.
    """
    if path.isprintable() and "\\" not in path:
        return path
    return "".join(map(_told, path))


def _told(letter: str) -> str:
    if letter == "\\":
        return "\\\\"
    if letter.isprintable():
        return letter
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def key_of(row: SurveyRow) -> tuple[str, int, int, str, str]:
    """Return what tells whether a row still holds."""
    return row.path, row.size, row.mtime_ns, row.version, row.settings


def row_values(row: SurveyRow) -> dict[str, object]:
    """Return a row as column -> value."""
    return structs.asdict(row)


def make_row(values: Mapping[str, object]) -> SurveyRow | None:
    """Return the row that a table holds; ``None`` for one with the columns of another version.

    Raises
    ------
    InputError
        It is no row of a survey: a column of :data:`KEY` is missing, or a value is of another kind.
    """
    lost = [name for name in KEY if name not in values]
    if lost:
        raise InputError(f"a row of a survey has the column {lost[0]}, and this has none")
    if values.keys() != COLUMNS.keys():
        return None
    try:
        return convert(dict(values), SurveyRow)
    except ValueError as error:
        raise InputError(f"this is no row of a survey: {error}") from error
