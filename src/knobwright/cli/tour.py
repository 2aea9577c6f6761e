"""The way from a leaflet to a sounding parameter, on an invented module: ``knobwright demo``.

Every step that is a command is run as that command, so that what is shown can be typed.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from knobwright.adapters.files import examples
from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.engine.tasks import SetOnStandIn, SetValue
    from knobwright.wiring.sound import Recorded

MODULE = "larkfield-t4"
LEAFLET = "leaflet.pdf"
SHEET = "larkfield-t4.sheet.toml"
SOUND = "larkfield-t4.wav"

#: What the leaflet leaves open, and what the maker would say: the row above has 09, so 1O is 0A;
#: and all rows about it end in a checksum, so xx is one.
ANSWERS = (
    "vibrato-delay=Bn 63 05 62 0A 06 vv",
    "hall-colour=F0 7D id 42 [ 30 07 vv ] cs F7",
)

#: A dozen values to set: name, typed value, channel and key.
VALUES: tuple[tuple[str, str, int, int | None], ...] = (
    ("volume", "100", 1, None),
    ("pan", "40", 1, None),
    ("brightness", "+40", 1, None),
    ("attack", "-20", 1, None),
    ("release", "+30", 1, None),
    ("vibrato delay", "+10", 1, None),
    ("hall time", "1.8 s", 1, None),
    ("hall kind", "plate", 1, None),
    ("hall colour", "30h", 1, None),
    ("echo kind", "long", 1, None),
    ("echo time", "350 ms", 1, None),
    ("part level", "90", 10, None),
    ("key level", "110", 10, 38),
)

_CHORD = (60, 64, 67, 72)
_BEAT_NS = 400_000_000
_DRUM_KEY, _DRUM_CHANNEL = 38, 10


#: Runs a command given its words and returns its exit status.
Runner = Callable[[Sequence[str]], int]


def tour(folder: Path, run: Runner) -> int:
    """Go the whole way in a folder: draft, answer, check, set, hear. Return the exit status.

    Raises
    ------
    KnobwrightError
        A step went wrong, with its own words.
    """
    shutil.copyfile(examples.path(MODULE, LEAFLET), folder / LEAFLET)
    sheet = folder / SHEET
    _head(1, "A maker's leaflet becomes a sheet; what the print leaves open becomes a question.")
    _command(run, "draft", str(folder / LEAFLET), "-o", str(sheet), "--replace")
    _head(2, "The questions are answered; nothing in doubt was ever sent.")
    _command(run, "answer", str(sheet), *ANSWERS)
    _head(3, "The sheet is checked.")
    status = _command(run, "check", str(sheet))
    _head(4, "A parameter is set by name, in the value that a person reads.")
    _command(run, "bytes", "--sheet", str(sheet), "hall time=1.8 s", "brightness=+40")
    _head(5, "A stand-in built from the sheet takes the module's place and tells what it heard.")
    done = _set_and_play(sheet, folder / SOUND)
    return FINE if done and status == FINE else FINDINGS


def _head(number: int, words: str) -> None:
    show.line()
    show.line(f"{number}. {words}")


def _command(run: Runner, *words: str) -> int:
    show.line(f"   $ knobwright {' '.join(_quoted(word) for word in words)}")
    return run(words)


def _quoted(word: str) -> str:
    return f'"{word}"' if set(word) & set(" []{}*") else word


def _set_and_play(sheet: Path, sound: Path) -> bool:
    from knobwright.cli.sheets import load_codec
    from knobwright.engine.tasks import Wanted, set_on_standin
    from knobwright.wiring.sound import record_standin, render_wav

    codec = load_codec(str(sheet))
    recorded = record_standin(codec)
    # The reset comes first, as it would with the module on the table.
    now_ns = _reset(codec, recorded)
    now_ns = _phrase(recorded, now_ns)
    wanted = []
    for name, text, channel, note in VALUES:
        key = codec.find(name).key
        wanted.append(Wanted(key, codec.parse(key, text), channel, note))
    done = set_on_standin(codec, wanted, standin=recorded.standin, start_ns=now_ns)
    _print_heard(done)
    _phrase(recorded, done.end_ns)
    written = render_wav(sound, recorded)
    show.line()
    show.line(
        f"   {written.path}: {written.seconds:.1f} s, the same phrase before and after; "
        f"{written.words}"
    )
    show.line("   Turn headphones and loudspeakers down before you listen.")
    return done.all_the_same


def _reset(codec: Codec, recorded: Recorded) -> int:
    now_ns = 0
    for messages, rest_ms in codec.setup():
        for message in messages:
            recorded.standin.receive(message, now_ns)
        now_ns += rest_ms * 1_000_000
    return now_ns


def _phrase(recorded: Recorded, start_ns: int) -> int:
    """Play a broken chord and a drum; return when it is over, in nanoseconds."""
    at_ns = start_ns
    for key in (*_CHORD, *reversed(_CHORD)):
        recorded.standin.receive(bytes((0x90, key, 96)), at_ns)
        drum = 0x90 | (_DRUM_CHANNEL - 1)
        recorded.standin.receive(bytes((drum, _DRUM_KEY, 80)), at_ns)
        at_ns += _BEAT_NS
        recorded.standin.receive(bytes((0x80, key, 64)), at_ns)
        recorded.standin.receive(bytes((drum & 0x8F, _DRUM_KEY, 64)), at_ns)
    return at_ns + 2 * _BEAT_NS


def _print_heard(done: SetOnStandIn) -> None:
    rows = [_heard_row(value) for value in done.values]
    show.table(("parameter", "for", "set to", "bytes", "heard"), rows)
    ignored = show.count(done.n_ignored, "message") if done.n_ignored else "nothing"
    show.line(f"   {done.module} ignored {ignored}.")
    for item in done.ignored[:5]:
        show.line(f"     {item.data.hex(' ').upper()}: {item.reason}")


def _heard_row(value: SetValue) -> Sequence[str]:
    where = f"channel {value.channel}" if value.channel else "module"
    where += f", key {value.note}" if value.note is not None else ""
    shown = value.shown if value.shown == str(value.raw) else f"{value.shown} (raw {value.raw})"
    heard = (
        value.heard_shown if value.same else f"{value.heard_shown or 'nothing'}  <- not the same"
    )
    return (value.label, where, shown, " | ".join(value.lines), heard)
