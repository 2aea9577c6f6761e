"""From an examined song to the row of a survey."""

from __future__ import annotations

from collections.abc import Iterable

from msgspec.structs import replace

from knobwright.core.errors import printable
from knobwright.core.fitting.examine import Examined
from knobwright.core.fitting.parts import Part
from knobwright.core.fitting.row import SurveyRow

_NS_PER_MS = 1e6
_NS_PER_S = 1e9
#: Longest sentence that a row keeps, in characters.
_MAX_TEXT = 300


def troubled(
    path: str, size: int, mtime_ns: int, version: str, settings: str, words: str
) -> SurveyRow:
    """Return the row of a song that can't be examined, with the reason."""
    return SurveyRow(path, size, mtime_ns, version, settings, trouble=_short(words))


def row_of(
    examined: Examined, path: str, size: int, mtime_ns: int, version: str, settings: str
) -> SurveyRow:
    """Return the row of an examined song; the other arguments are the row's key."""
    playing = [part for part in examined.parts if part.n_notes]
    row = SurveyRow(
        path, size, mtime_ns, version, settings,
        trouble=_short(examined.trouble),
        title=_short(examined.title),
        packed=examined.packed,
        format=examined.format,
        n_tracks=len(examined.tracks),
        n_faults=examined.n_faults,
        first_fault=_short(examined.faults[0].words()) if examined.faults else "",
        n_findings=len(examined.findings),
        findings=" ".join(sorted({finding.name for finding in examined.findings})),
    )  # fmt: skip
    return row if examined.trouble else replace(row, **_times(examined), **_parts(playing))


def _times(examined: Examined) -> dict[str, object]:
    """Return the columns of wire time and voices."""
    wire, worst, voices = examined.wire, examined.worst, examined.voices
    assert wire is not None
    assert voices is not None
    finish = wire.lateness.finish
    limit = voices.limit
    return {
        "length_s": round(examined.length_ns / _NS_PER_S, 3),
        "n_messages": wire.n_messages,
        "n_notes": voices.n_notes,
        "n_bytes": wire.n_bytes,
        "n_exclusive": examined.n_exclusive,
        "worst_wait_ms": _ms(finish.worst_ns),
        "worst_wait_at": worst.words if worst is not None else "",
        "worst_wait_running_ms": _ms(worst.wait_running_ns if worst is not None else 0),
        "median_wait_ms": _ms(finish.median_ns),
        "most_of_99_wait_ms": _ms(finish.p99_ns),
        "n_late_notes": wire.lateness.n_late_notes,
        "busiest_second_bytes": wire.second.n_due_bytes,
        "load_percent": round(wire.second.load * 100, 1),
        "most_held": voices.held,
        "most_voices": voices.peak,
        "most_voices_at": examined.peak_words,
        "module_voices": limit or None,
        "n_cut": voices.n_cut if limit else None,
    }


def _parts(playing: Iterable[Part]) -> dict[str, object]:
    """Return the columns of parts; what no sheet says is left unknown."""
    parts = list(playing)
    programs = [(part, program) for part in parts for program in part.programs if program.n_notes]
    keys = [key for part in parts for key in part.drum_keys]
    asked = [row for part in parts for row in part.asked]
    return {
        "n_parts": len(parts),
        "channels": " ".join(str(part.channel) for part in parts),
        "programs": _short(" ".join(
            f"{part.channel}:{program.number}" for part, program in programs
        )),
        "n_programs_missing": _n_unknown(program.is_known for _, program in programs),
        "n_drum_keys_missing": _n_unknown(key.is_known for key in keys),
        "n_notes_out_of_range": sum(program.n_outside for _, program in programs),
        "n_controllers_unknown": _n_unknown(row.is_known for row in asked),
    }  # fmt: skip


def _n_unknown(known: Iterable[bool | None]) -> int | None:
    """Return how many are not known; ``None`` where nobody says of any."""
    said = [one for one in known if one is not None]
    return said.count(False) if said else None


def _ms(ns: int) -> float:
    return round(ns / _NS_PER_MS, 3)


def _short(text: str) -> str:
    safe = printable(text)
    return safe if len(safe) <= _MAX_TEXT else f"{safe[: _MAX_TEXT - 3]}..."
