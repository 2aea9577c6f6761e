"""No file names the hosts that packages come from: a registry is reached through its client."""

from __future__ import annotations

import re

from tests.policy.tree import project_files, shown

# Written in pieces so that this file does not find itself.
HOSTS = (
    "py" + "pi.org",
    "files.python" + "hosted",
    "registry." + "npmjs",
    "deb." + "debian.org",
    "security." + "debian.org",
)
_ANY = re.compile("|".join(re.escape(host) for host in HOSTS).encode(), re.IGNORECASE)


def test_the_pattern_finds_each_host() -> None:
    for host in HOSTS:
        assert _ANY.search(f"see https://{host.upper()}/simple".encode()), host


def test_no_file_names_a_registry_host() -> None:
    found = [
        f"{shown(path)}: {match[0].decode()}"
        for path in project_files()
        if (match := _ANY.search(path.read_bytes()))
    ]
    assert not found, "write the package's plain name instead:\n" + "\n".join(found)
