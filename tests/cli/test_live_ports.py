"""``ports``, ``send``, ``listen``, ``record`` and ``hear`` on ports that need no hardware."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from knobwright.exports.trace import HEADER, TraceEntry, read_entry, write_entry
from tests.cli.conftest import Command

MS = 1_000_000


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """Return a trace of a volume, a clock, a note and bytes without a status, 1 ms apart."""
    path = tmp_path / "take.jsonl"
    pieces = (b"\xb0\x07\x64", b"\xf8", b"\x90\x3c\x40", b"\xf6", b"\x11")
    lines = [write_entry(TraceEntry((i + 1) * MS, "in", "desk", p)) for i, p in enumerate(pieces)]
    path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return path


def sent(path: Path) -> list[bytes]:
    """Return the pieces that a trace holds."""
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    assert header == HEADER
    return [read_entry(line).data for line in lines]


class TestPorts:
    def test_the_limits_of_every_kind_are_said(self, knobwright: Command) -> None:
        ran = knobwright("ports", "--limits")
        assert ran.status == 0
        for kind in ("rtmidi", "serial", "osc", "memory", "scripted", "file", "standin"):
            assert f"{kind}: " in ran.out
        assert "exclusive up to" in ran.out

    def test_limits_as_json(self, knobwright: Command) -> None:
        rows = json.loads(knobwright("ports", "--limits", "--json", "--kind", "file").out)
        assert [row["kind"] for row in rows] == ["file"]
        assert rows[0]["limits"]["stream"] is True

    def test_a_kind_without_ports_lists_none(self, knobwright: Command) -> None:
        ran = knobwright("ports", "--kind", "file")
        assert (ran.status, ran.out) == (0, "No port is there now.\n")

    def test_an_unknown_kind_is_refused_with_the_kinds(self, knobwright: Command) -> None:
        ran = knobwright("ports", "--kind", "tape")
        assert ran.status == 2
        assert "rtmidi" in ran.err


class TestSend:
    def test_bytes_arrive_as_they_were_typed(self, knobwright: Command, tmp_path: Path) -> None:
        out = tmp_path / "out.jsonl"
        ran = knobwright("send", "--to", f"file:{out}", "B0 07 64", "90", "3C", "40")
        assert ran.status == 0
        assert b"".join(sent(out)) == bytes.fromhex("B0 07 64 90 3C 40")
        assert "6 bytes sent" in ran.out
        assert "2 messages" in ran.out

    def test_parameters_are_sent_by_name(
        self, knobwright: Command, sheet: Path, tmp_path: Path
    ) -> None:
        # Worked by hand, as in test_bytes.
        out = tmp_path / "out.jsonl"
        ran = knobwright(
            "send", "--to", f"file:{out}", "--sheet", str(sheet), "hall time=1 s", "--gap", "0"
        )
        assert ran.status == 0
        assert b"".join(sent(out)) == bytes.fromhex("F0 7D 10 42 30 05 28 23 F7")

    def test_messages_leave_no_faster_than_the_line(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        # 3 bytes at 31 250 baud take 960 us (MIDI 1.0 Detailed Specification, page 1).
        out = tmp_path / "out.jsonl"
        knobwright("send", "--to", f"file:{out}", *["B0 07 64"] * 20)
        _, *lines = out.read_text(encoding="utf-8").splitlines()
        first, *_, last = [read_entry(line).at_ns for line in lines]
        assert last - first >= 19 * 960_000

    def test_half_a_message_is_refused_and_nothing_sent(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        out = tmp_path / "out.jsonl"
        ran = knobwright("send", "--to", f"file:{out}", "90 3C")
        assert ran.status == 2
        assert "90 3C" in ran.err
        assert not out.exists()

    def test_half_a_message_goes_as_it_is_when_that_is_wanted(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        out = tmp_path / "out.jsonl"
        assert knobwright("send", "--to", f"file:{out}", "--as-is", "90 3C").status == 0
        assert b"".join(sent(out)) == b"\x90\x3c"

    def test_exclusive_of_a_file_that_nobody_explains_is_not_sent(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        dump, out = tmp_path / "dump.syx", tmp_path / "out.jsonl"
        dump.write_bytes(bytes.fromhex("F0 7D 01 02 F7"))
        ran = knobwright("send", "--to", f"file:{out}", "--file", str(dump))
        assert ran.status == 2
        assert "F0 7D 01 02 F7" in ran.err
        assert not out.exists()
        trusted = knobwright("send", "--to", f"file:{out}", "--file", str(dump), "--trust")
        assert trusted.status == 0
        assert b"".join(sent(out)) == bytes.fromhex("F0 7D 01 02 F7")

    def test_a_harmless_universal_message_of_a_file_is_sent(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        dump, out = tmp_path / "on.syx", tmp_path / "out.jsonl"
        dump.write_bytes(bytes.fromhex("F0 7E 7F 09 01 F7"))  # General MIDI on, RP-003
        assert knobwright("send", "--to", f"file:{out}", "--file", str(dump)).status == 0
        assert b"".join(sent(out)) == bytes.fromhex("F0 7E 7F 09 01 F7")

    def test_what_a_standin_answers_is_told(self, knobwright: Command) -> None:
        sheet = "examples/larkfield-bench/larkfield-t4.sheet.toml"
        ran = knobwright(
            "send", "--to", f"standin:{sheet}", "--from", f"standin:{sheet}", "--sheet", sheet,
            "--for", "500ms", "F0 7E 10 06 01 F7",
        )  # fmt: skip
        # MIDI 1.0 Detailed Specification, page 40: 15 bytes with a maker of one byte.
        assert ran.status == 0
        assert "F0 7E 10 06 02 7D 04 00 01 00 00 01 02 00 F7" in ran.out

    def test_a_port_that_is_not_there_is_said(self, knobwright: Command) -> None:
        ran = knobwright("send", "--to", "serial:no such line", "F8")
        assert ran.status in (2, 3)
        assert "no such line" in ran.err


class TestListen:
    def test_what_comes_is_told_in_words(self, knobwright: Command, take: Path) -> None:
        ran = knobwright("listen", f"file:{take}", "--for", "300ms")
        assert ran.status == 0
        assert "channel volume" in ran.out
        assert "note on" in ran.out
        assert "F8" not in ran.out  # counted, not listed
        assert "dropped" in ran.out
        assert "1 of them clock" in ran.err
        assert "1 not understood" in ran.err

    def test_json_lines_are_a_trace_that_is_replayed(
        self, knobwright: Command, take: Path, tmp_path: Path
    ) -> None:
        ran = knobwright("listen", f"file:{take}", "--for", "300ms", "--json")
        again = tmp_path / "again.jsonl"
        again.write_text(ran.out, encoding="utf-8")
        assert sent(again) == sent(take)
        assert knobwright("listen", f"file:{again}", "--for", "300ms").status == 0

    def test_a_sheet_gives_the_names(
        self, knobwright: Command, sheet: Path, tmp_path: Path
    ) -> None:
        path = tmp_path / "nrpn.jsonl"
        entry = TraceEntry(1, "in", "x", bytes.fromhex("B0 63 05 B0 62 12 B0 06 4A"))
        path.write_text(f"{HEADER}\n{write_entry(entry)}\n", encoding="utf-8")
        ran = knobwright("listen", f"file:{path}", "--for", "200ms", "--sheet", str(sheet))
        assert "tone.brightness (Brightness) = +10 (raw 74), channel 1" in ran.out

    @pytest.mark.parametrize("text", ["0", "-1s", "ten", "99999h", ""])
    def test_what_is_no_duration_is_refused(
        self, knobwright: Command, take: Path, text: str
    ) -> None:
        ran = knobwright("listen", f"file:{take}", "--for", text)
        assert ran.status == 2
        assert "duration" in ran.err


class TestRecord:
    def test_a_take_is_kept_and_can_be_replayed(
        self, knobwright: Command, take: Path, tmp_path: Path
    ) -> None:
        kept = tmp_path / "kept.jsonl"
        ran = knobwright("record", f"file:{take}", "-o", str(kept), "--for", "300ms")
        assert ran.status == 0
        assert sent(kept) == sent(take)
        assert "9 bytes in 5 pieces" in ran.out

    def test_a_file_that_is_there_is_left_alone(
        self, knobwright: Command, take: Path, tmp_path: Path
    ) -> None:
        ran = knobwright("record", f"file:{take}", "-o", str(take), "--for", "100ms")
        assert ran.status == 2
        assert "--replace" in ran.err

    def test_a_full_disk_is_said_and_what_was_kept_stays(
        self, knobwright: Command, take: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        import errno

        from knobwright.adapters.files import traces

        kept, n_written = tmp_path / "kept.jsonl", 0
        real = traces._append

        def append(handle: int, line: bytes) -> None:
            nonlocal n_written
            n_written += 1
            if n_written > 3:
                raise OSError(errno.ENOSPC, "No space left on device")
            real(handle, line)

        monkeypatch.setattr(traces, "_append", append)
        ran = knobwright("record", f"file:{take}", "-o", str(kept), "--for", "300ms")
        assert ran.status == 3
        assert "No space left" in ran.err
        assert sent(kept) == sent(take)[:2]


class TestHear:
    def heard(self, knobwright: Command, tmp_path: Path, *more: str) -> str:
        path = tmp_path / "knob.jsonl"
        values = [*range(0, 128, 4), 127, *range(124, -1, -4)]
        lines = [
            write_entry(TraceEntry((i + 1) * 2 * MS, "in", "desk", bytes((0xB0, 0x10, v))))
            for i, v in enumerate(values)
        ]
        path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
        ran = knobwright("hear", f"file:{path}", "--for", "600ms", *more)
        assert ran.status == 0, ran.err
        return ran.out

    def test_a_knob_is_described(self, knobwright: Command, tmp_path: Path) -> None:
        out = self.heard(knobwright, tmp_path)
        assert "[[control]]" in out
        assert 'sends = "B0 10 vv"' in out

    def test_it_is_written_into_a_surface_that_checks(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        from knobwright.adapters.files.surfaces import load

        into = str(tmp_path / "desk.surface.toml")
        self.heard(knobwright, tmp_path, "--name", "knob-1", "--into", into)
        surface = load(into).require()
        assert [control.name for control in surface.controls] == ["knob-1"]
        again = knobwright(
            "hear", f"file:{tmp_path / 'knob.jsonl'}", "--for", "600ms",
            "--name", "knob-1", "--into", into,
        )  # fmt: skip
        assert again.status == 2  # the name is taken: nothing is written twice
        assert len(load(into).require().controls) == 1

    def test_nothing_heard_is_said_with_what_to_do(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        path = tmp_path / "none.jsonl"
        path.write_text(f"{HEADER}\n", encoding="utf-8")
        ran = knobwright("hear", f"file:{path}", "--for", "200ms")
        assert ran.status == 1
        assert "move one control" in ran.out


class TestCtrlC:
    def test_what_has_come_is_recorded_to_the_last_piece(
        self, knobwright: Command, tmp_path: Path
    ) -> None:
        """Ctrl-C in the middle of a flood loses nothing that had come before it."""
        import os
        import signal
        import threading

        path, kept = tmp_path / "flood.jsonl", tmp_path / "kept.jsonl"
        lines = [
            write_entry(TraceEntry(1 + i * 200_000, "in", "desk", bytes((0xB0, 1, i & 0x7F))))
            for i in range(20_000)
        ]
        path.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
        stop = threading.Timer(0.4, lambda: os.kill(os.getpid(), signal.SIGINT))
        stop.start()
        ran = knobwright("record", f"file:{path}", "-o", str(kept), "--for", "20s")
        stop.join()
        assert ran.status == 0
        values = [data[2] for data in sent(kept)]
        assert 0 < len(values) < 20_000
        assert values == [i & 0x7F for i in range(len(values))]  # whole, and in order
