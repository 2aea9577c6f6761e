"""The table of kinds: addresses, missing libraries, what importing it costs."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from types import ModuleType

import pytest

from knobwright.adapters.ports import (
    file,
    memory,
    osc,
    rtmidi_,
    scripted,
    serial_,
    standin,
    table,
)
from knobwright.adapters.ports.kind import PACKAGE, Driver, Kind, PortSettings, Surroundings
from knobwright.core.errors import NamingError, PortError
from knobwright.core.interfaces import IN, OUT, Found, InPort, Limits, OutPort, Receive

# That a module offers what a kind needs is checked by mypy, here.
DRIVERS: dict[str, Driver] = {
    "rtmidi": rtmidi_,
    "serial": serial_,
    "osc": osc,
    "memory": memory,
    "scripted": scripted,
    "file": file,
    "standin": standin,
}


class ListedModule(ModuleType):
    """A driver with two ports: does not model a port that carries anything."""

    opened: list[str]

    def find(self, surroundings: Surroundings) -> Sequence[Found]:
        return [
            Found("rtmidi", "Larkfield T4 20:0", OUT, "Larkfield T4"),
            Found("rtmidi", "Larkfield T4 20:0", IN, "Larkfield T4"),
            Found("rtmidi", "Larkfield keys 21:0", IN, "Larkfield keys"),
        ]

    def open_out(
        self, name: str, settings: PortSettings, surroundings: Surroundings
    ) -> OutPort | None:
        self.opened.append(name)
        return memory.open_out(name, settings, surroundings)

    def open_in(self, *_: object) -> InPort | None:
        return None


class NoneModule(ListedModule):
    """A driver that finds nothing: does not model one that is slow."""

    def find(self, surroundings: Surroundings) -> Sequence[Found]:
        return []


@pytest.fixture
def listed(monkeypatch: pytest.MonkeyPatch) -> ListedModule:
    made = ListedModule("made")
    made.opened = []
    monkeypatch.setitem(sys.modules, f"{PACKAGE}.rtmidi_", made)
    monkeypatch.setitem(sys.modules, f"{PACKAGE}.serial_", NoneModule("none"))
    return made


def ignore(data: bytes, at_ns: int) -> None:
    """Take bytes and do nothing with them."""


def test_every_kind_has_its_module_and_says_what_it_is() -> None:
    assert {name: row.module for name, row in table.KINDS.items()} == {
        name: str(vars(driver)["__name__"]).rpartition(".")[2] for name, driver in DRIVERS.items()
    }
    assert all(row.words and row.limits.words for row in table.KINDS.values())
    assert table.LISTED_KINDS == ("rtmidi", "serial")


@pytest.mark.parametrize("module", [memory, scripted, file, standin, osc])
def test_the_table_states_the_limits_that_the_module_has(module: ModuleType) -> None:
    name = module.__name__.rpartition(".")[2]
    assert table.KINDS[name].limits == module.LIMITS


def test_the_table_imports_no_kind() -> None:
    code = (
        "import sys, knobwright.adapters.ports.table; "
        "print(*[n for n in sys.modules if n.startswith('knobwright.adapters.ports.')], "
        "*[n for n in ('rtmidi', 'serial', 'pythonosc', 'socket') if n in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert {name.rpartition(".")[2] for name in done.stdout.split()} == {"kind", "names", "table"}


@pytest.mark.parametrize(
    ("text", "kind", "name"),
    [
        ("rtmidi:Larkfield", "rtmidi", "Larkfield"),
        ("serial:/dev/ttyUSB0", "serial", "/dev/ttyUSB0"),
        ("osc:127.0.0.1:9000", "osc", "127.0.0.1:9000"),
        ("Larkfield", "", "Larkfield"),
        ("Larkfield:port 1 20:0", "", "Larkfield:port 1 20:0"),  # no kind: a name with colons
        ("RTMIDI:a", "", "RTMIDI:a"),
        ("file:C:\\take.jsonl", "file", "C:\\take.jsonl"),
        ("memory: a ", "memory", " a "),
    ],
)
def test_an_address_is_a_known_kind_and_a_raw_name(text: str, kind: str, name: str) -> None:
    address = table.parse_address(text)
    assert address == (kind, name)
    assert str(address) == text


@pytest.mark.parametrize("text", ["", " ", "memory:", "rtmidi:  "])
def test_an_address_without_a_name_is_refused_with_the_kinds(text: str) -> None:
    with pytest.raises(NamingError, match="KIND:NAME") as caught:
        table.parse_address(text)
    assert "rtmidi, serial" in caught.value.hint


def test_a_bare_name_is_looked_for_among_what_the_system_lists(listed: ListedModule) -> None:
    assert table.resolve("t4", OUT) == ("rtmidi", "Larkfield T4 20:0", OUT, "Larkfield T4")
    assert table.resolve("Larkfield", OUT).name == "Larkfield T4 20:0"  # only one leads out
    with pytest.raises(NamingError, match="fits 2 ports") as caught:
        table.resolve("Larkfield", IN)
    assert caught.value.where == "Larkfield"
    assert len(caught.value.candidates) == 2


def test_the_raw_name_is_opened_whatever_part_was_typed(listed: ListedModule) -> None:
    port = table.open_out("rtmidi:t4")
    assert port.name == "Larkfield T4 20:0"
    assert listed.opened == ["Larkfield T4 20:0"]
    port.close()


def test_an_identity_is_an_address_too(listed: ListedModule) -> None:
    found = table.resolve("t4", OUT)
    assert table.resolve(f"{found.kind}:{found.identity}", OUT) == found


def test_a_device_path_and_a_port_of_our_own_are_taken_as_they_stand() -> None:
    assert table.resolve("/dev/ttyUSB9", OUT).kind == "serial"
    assert table.resolve("serial:/dev/ttyUSB9", OUT).name == "/dev/ttyUSB9"
    assert table.resolve("rtmidi:+knobs", IN).name == "+knobs"


def test_a_mistyped_kind_is_hinted_at(listed: ListedModule) -> None:
    with pytest.raises(NamingError, match="no port is called 'memroy:a'") as caught:
        table.resolve("memroy:a", OUT)
    assert "kinds that may stand before a colon" in caught.value.hint


def test_a_direction_that_a_kind_has_not_is_said(listed: ListedModule) -> None:
    with pytest.raises(PortError, match="nothing can be received from it"):
        table.open_in("rtmidi:t4", receive=ignore)


@pytest.mark.parametrize(
    "address", ["rtmidi:+a", "rtmidi:Larkfield", "serial:/dev/a", "osc:127.0.0.1:9"]
)
def test_a_missing_library_is_said_with_what_to_install(address: str) -> None:
    row = table.KINDS[table.parse_address(address).kind]
    code = (
        "import sys; sys.modules[sys.argv[1]] = None\n"
        "from knobwright.adapters.ports.table import open_out\n"
        "from knobwright.core.errors import PortError\n"
        "try: open_out(sys.argv[2])\n"
        "except PortError as error: print(error.exit_status, error)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, row.needs, address],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.startswith(f"3 {row.name}: ports of the kind {row.name} need the library")
    assert f"(pip install 'knobwright[{row.extra}]')" in done.stdout
    assert done.stderr == ""


def test_a_fault_of_our_own_is_not_taken_for_a_missing_library() -> None:
    row = Kind(
        "broken", "x", Limits(True, None, 0, "x"), "not_there", needs="rtmidi", extra="ports"
    )
    with pytest.raises(ModuleNotFoundError, match="not_there"):
        row.find(Surroundings())


def test_listing_goes_on_where_one_kind_is_in_trouble(
    listed: ListedModule, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(surroundings: Surroundings) -> Sequence[Found]:
        raise PortError("there is no driver", hint="start one")

    monkeypatch.setattr(sys.modules[f"{PACKAGE}.serial_"], "find", broken)
    listing = table.list_ports(["serial", "rtmidi"])
    assert len(listing.found) == 3
    assert [error.message for error in listing.troubles] == ["there is no driver"]
    with pytest.raises(NamingError, match="no port") as caught:  # what may be the reason is said
        table.resolve("Quillmoor", OUT)
    assert "there is no driver: start one" in caught.value.hint


def test_a_kind_that_does_not_exist_is_refused() -> None:
    with pytest.raises(NamingError, match="no kind of port 'midi'"):
        table.list_ports(["midi"])


def test_receivers_are_given_by_name(listed: ListedModule) -> None:
    got: list[bytes] = []
    receive: Receive = lambda data, at_ns: got.append(data)  # noqa: E731
    source = table.open_in("memory:a table", receive=receive)
    out = table.open_out("memory:a table")
    out.send(b"\xf8")
    out.close()
    source.close()
    assert got == [b"\xf8"]
