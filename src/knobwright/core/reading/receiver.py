"""How the module takes bytes: rests, replies, active sensing; and what "reset" means."""

from __future__ import annotations

import re

from knobwright.core.reading.collect import Collected
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Tree
from knobwright.core.reading.words import fold, has_word

_MS = re.compile(r"(\d{1,4})\s*(?:ms|msec|milli\w+|millisekunden)\b", re.I)
_EXCLUSIVE = (
    "exclusive",
    "exklusiv",
    "exclusif",
    "exclusivo",
    "exclusiva",
    "esclusiv",
    "exclusief",
    "sysex",
    "ekusukurushibu",
)
_WAIT = (
    "wait",
    "pause",
    "rest",
    "warten",
    "attendre",
    "esperar",
    "attendere",
    "wachten",
    "matsu",
    "leave",
    "gap",
    "delay between",
    "at least",
    "mindestens",
)
_VOICES = re.compile(
    r"(\d{1,3})\s+(?:voices|stimmen|voix|voces|voci|stemmen|notes at once)\b", re.I
)
GM_ON = ("F0", "7E", "7F", "09", "01", "F7")


def read_receiver(context: Context, collected: Collected, module: Tree) -> Tree:
    """Return the ``[receiver]`` table as far as the leaflet tells; adds the number of voices to
    ``module``."""
    out: Tree = {}
    for _, _, text in context.texts():
        folded = fold(text)
        if len(folded) > 2000:
            continue
        for sentence in re.split(r"(?<=[.;])\s+", text):
            low = fold(sentence)
            match = _MS.search(sentence)
            if match and has_word(low, _EXCLUSIVE) and has_word(low, _WAIT) and "gap_ms" not in out:
                out["gap_ms"] = int(match[1])
                out["gap_holds"] = "exclusive"
            if (
                "voices" not in module
                and (voices := _VOICES.search(sentence))
                and int(voices[1]) > 1
            ) and not has_word(low, ("range", "reserve", "unison")):
                module["voices"] = int(voices[1])
    if any(built.kind in ("request", "dump", "identity") for _, built in collected.others):
        out["replies"] = True
    return out


def read_setup(context: Context, collected: Collected) -> list[Tree]:
    """Return the ``[[setup]]`` table where the leaflet prints a General MIDI reset."""
    for piece in collected.pieces:
        if piece.built.words and piece.built.words[0] == GM_ON:
            row: Tree = {"line": " ".join(GM_ON)}
            near = " ".join(t for _, _, t in piece.found.texts)
            if match := _MS.search(near):
                row["rest_ms"] = int(match[1])
            return [row]
    return []
