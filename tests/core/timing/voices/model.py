"""A slow receiver, note by note and event by event, against which the arrays are held.

Not modelled: loudness, portamento, natural decay, half pedals. It shares no line with the program:
it was written from the rules in ``docs/reference/voices.md`` alone and knows nothing of moments
ahead of time; a note is in one of the states down, held (by a pedal) and ringing.
"""

from __future__ import annotations

from typing import Any


class Note:
    """A note that sounds."""

    def __init__(self, number: int, channel: int, key: int, velocity: int) -> None:
        self.number, self.channel, self.key, self.velocity = number, channel, key, velocity
        self.voices, self.tail_ns = 1, 0
        self.kit: Any = None
        self.is_down, self.is_caught, self.is_ringing, self.is_drum = True, False, False, False
        self.until_ns: int | None = None
        self.gone_up = self.let_go = -1


class Channel:
    """What a channel knows."""

    def __init__(self) -> None:
        self.bank_high = self.bank_low = self.high = self.low = self.program = 0
        self.damper = self.sostenuto = self.omni = self.mono = False


class Receiver:
    """Plays events one after the other; ``done[number] = (event, ns)`` says how a note ended."""

    def __init__(self, module: Any) -> None:
        self.module, self.choices = module, module.choices
        self.channels = [Channel() for _ in range(16)]
        self.notes: list[Note] = []
        self.down: dict[tuple[int, int], list[Note]] = {}  # owed a note-off, silent ones too
        self.done: dict[int, tuple[int, int]] = {}
        self.levels: list[int] = []
        self.n_notes = self.n_stray = 0
        self.cut: list[tuple[int, int]] = []
        self.rule = ""
        self.n_voices = 0

    def play(self, number: int, ns: int, message: bytes) -> None:
        """Take event ``number``."""
        for note in list(self.notes):
            if note.until_ns is not None and note.until_ns <= ns:
                self.remove(note, number, note.until_ns)
        self.number, self.ns = number, ns
        kind, c = message[0] & 0xF0, message[0] & 15
        if message[0] >= 0xF0:
            for note in list(self.notes):
                self.remove(note, number, ns)
            self.channels = [Channel() for _ in range(16)]
            self.down.clear()
        elif kind == 0x90 and message[2]:
            self.on(c, message[1], message[2])
        elif kind in (0x80, 0x90):
            self.off(c, message[1])
        elif kind == 0xC0:
            state = self.channels[c]
            state.high, state.low, state.program = state.bank_high, state.bank_low, message[1]
        elif kind == 0xB0:
            self.control(c, message[1], message[2])
        self.levels.append(sum(note.voices for note in self.notes))

    def end(self, number: int, ns: int) -> None:
        """The song is over at ``ns``."""
        for note in list(self.notes):
            until = note.until_ns
            self.remove(note, number, ns + note.tail_ns if until is None else until)

    def remove(self, note: Note, number: int, ns: int) -> None:
        self.notes.remove(note)
        self.done[note.number] = (number, ns)

    def on(self, c: int, key: int, velocity: int) -> None:
        state, choices = self.channels[c], self.choices
        note = Note(self.n_notes, c, key, velocity)
        self.n_notes += 1
        self.give_sound(note, state)
        for other in list(self.notes):
            if other.channel != c:
                continue
            same_key = other.key == key and choices.repeats == "same"
            same_group = (
                note.kit is not None and other.kit is note.kit and other.key != key
                and any(key in g and other.key in g for g in note.kit.exclusive)
            )  # fmt: skip
            if state.mono or same_key or same_group:
                self.stop(other)
        self.steal(note)
        if note.number not in self.done:
            self.notes.append(note)
        owed = self.down.setdefault((c, key), [])
        if choices.repeats == "same":
            owed.clear()
        owed.append(note)

    def give_sound(self, note: Note, state: Channel) -> None:
        module, choices = self.module, self.choices
        heard = (state.high if module.hears_bank[0] else 0,
                 state.low if module.hears_bank[1] else 0, state.program)  # fmt: skip
        if note.channel + 1 in module.drum_channels:
            note.kit = module.kits.get(heard) or next(iter(module.kits.values()), None)
            tail = note.kit.tail_ns if note.kit else -1
            if choices.one_shot:
                note.is_drum = True
                note.tail_ns = tail if tail > 0 else choices.drum_ms * 1_000_000
                note.until_ns = self.ns + note.tail_ns
                return
        elif heard in module.programs:
            note.voices, tail = module.programs[heard]
        else:
            tail = -1
        if tail < 0:
            tail = choices.tail_ms * 1_000_000
        note.tail_ns = tail * choices.tail_percent // 100

    def stop(self, note: Note) -> None:
        self.remove(note, self.number, self.ns)

    def off(self, c: int, key: int) -> None:
        owed = self.down.get((c, key))
        if owed:
            self.key_up(owed.pop(0))
        else:
            self.n_stray += 1

    def key_up(self, note: Note) -> None:
        note.is_down = False
        note.gone_up = self.number
        self.look(note)

    def look(self, note: Note) -> None:
        """Let a note ring out when nothing holds it any more."""
        if note not in self.notes or note.is_down or note.is_ringing or note.is_drum:
            return
        if note.is_caught or self.channels[note.channel].damper:
            return
        note.is_ringing, note.let_go = True, self.number
        if note.tail_ns == 0:
            self.stop(note)
        else:
            note.until_ns = self.ns + note.tail_ns

    def control(self, c: int, control: int, value: int) -> None:
        state = self.channels[c]
        mine = [note for note in self.notes if note.channel == c]
        if control == 0:
            state.bank_high = value
        elif control == 32:
            state.bank_low = value
        elif control in (64, 121):
            state.damper = control == 64 and value >= 64
        if control in (66, 121):
            pressed = control == 66 and value >= 64
            for note in mine:
                if pressed and not state.sostenuto and note.is_down:
                    note.is_caught = True
                elif not pressed:
                    note.is_caught = False
            state.sostenuto = pressed
        if control in (64, 66, 121):
            for note in mine:
                self.look(note)
        if control == 120:
            for note in mine:
                self.stop(note)
        if control in (120, 124, 125, 126, 127) or (control == 123 and not state.omni):
            for place in [place for place in self.down if place[0] == c]:
                for note in self.down.pop(place):
                    self.key_up(note)
        if control in (124, 125):
            state.omni = control == 125
        if control in (126, 127):
            state.mono = control == 126

    def used(self, channel: int) -> int:
        return sum(note.voices for note in self.notes if note.channel == channel)

    def free_for(self, new: Note) -> int:
        free = self.n_voices - sum(note.voices for note in self.notes)
        for channel, kept in self.module.reserve.items():
            if channel - 1 != new.channel:
                free -= max(0, kept - self.used(channel - 1))
        return free

    def may_go(self, note: Note, new: Note) -> bool:
        """Whether a note may be cut for a new one."""
        if note.voices == 0:
            return False
        kept = self.module.reserve.get(note.channel + 1, 0)
        return note.channel == new.channel or self.used(note.channel) - note.voices >= kept

    def steal(self, new: Note) -> None:
        """Make room by the rule; ``cut`` tells (note, by which)."""
        while self.n_voices and new.voices and self.free_for(new) < new.voices:
            may = [note for note in self.notes if self.may_go(note, new)]
            if self.rule == "refused" or not may or self.hopeless(new, may):
                self.cut.append((new.number, new.number))
                self.done[new.number] = (self.number, self.ns)
                return
            victim = self.choose(may)
            self.cut.append((victim.number, new.number))
            self.stop(victim)

    def hopeless(self, new: Note, may: list[Note]) -> bool:
        """Whether even with all that may be cut the new note would not fit: found by trying."""
        trial = Receiver(self.module)
        trial.n_voices, trial.rule, trial.number, trial.ns = self.n_voices, self.rule, 0, 0
        trial.notes = list(self.notes)
        while trial.free_for(new) < new.voices:
            may = [note for note in trial.notes if trial.may_go(note, new)]
            if not may:
                return True
            trial.notes.remove(trial.choose(may))
        return False

    def choose(self, may: list[Note]) -> Note:
        by_age = sorted(may, key=lambda note: note.number)
        if self.rule == "quietest":
            return min(by_age, key=lambda note: note.velocity)
        if self.rule == "last":
            return by_age[-1]
        if self.rule == "released":
            ringing = [note for note in by_age if note.is_ringing]
            held = [note for note in by_age if not note.is_down]
            if ringing:
                return min(ringing, key=lambda note: note.let_go)
            if held:
                return min(held, key=lambda note: note.gone_up)
        return by_age[0]
