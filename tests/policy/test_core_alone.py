"""The core works with its own dependencies only, and importing it stays light."""

from __future__ import annotations

import subprocess
import sys

from tests.policy.tree import PACKAGE, ROOT

# What core and exports may import from outside the standard library.
ALLOWED = ("msgspec", "numpy", "tomlkit")

_PROBE = """
import importlib, sys

allowed = set(sys.argv[1].split(","))
class OnlyThese:
    def find_spec(self, name, path=None, target=None):
        top = name.partition(".")[0]
        if top not in allowed and top not in sys.stdlib_module_names:
            raise ModuleNotFoundError(f"the core must not need {top!r}", name=top)
sys.meta_path.insert(0, OnlyThese())
for name in sys.argv[2:]:
    try:
        importlib.import_module(name)
    except ImportError as error:
        print(f"{name}: {error}")
"""


def modules(*packages: str) -> list[str]:
    """Return the dotted names of all modules of these packages of ours."""
    names = []
    for package in packages:
        for path in sorted((PACKAGE / package).rglob("*.py")):
            parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
            names.append(".".join(parts[:-1] if parts[-1] == "__init__" else parts))
    return names


def probe(allowed: tuple[str, ...], *names: str) -> str:
    """Import these modules in a fresh interpreter that knows only the allowed packages."""
    done = subprocess.run(
        [sys.executable, "-c", _PROBE, ",".join((*allowed, "knobwright")), *names],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT / "src",
        timeout=60,
    )
    return done.stdout + done.stderr


def test_the_probe_notices_a_foreign_package() -> None:
    assert "must not need 'pytest'" in probe((), "pytest")


def test_core_and_exports_need_only_their_own_dependencies() -> None:
    names = modules("core", "exports")
    assert "knobwright.core.errors" in names
    assert probe(ALLOWED, *names) == ""


def test_the_wire_needs_nothing_at_all() -> None:
    """Words for a message must be there at once: the standard library alone."""
    assert probe((), "knobwright.core.errors", *modules("core/wire")) == ""
