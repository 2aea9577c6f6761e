"""Build the records of a surface from its walked tree; every fault is reported at once."""

from __future__ import annotations

import re
from typing import Any

from knobwright.core.errors import LineError
from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.line import Line, parse_line
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.walk import Tree
from knobwright.core.surface import kinds as k
from knobwright.core.surface.forms import NUMBER_CONTROLLERS, SELECTIONS, Form, claims, form_of
from knobwright.core.surface.records import ALL, Control, Surface
from knobwright.core.surface.relative import MAX_FACTOR

MAX_CONTROLS = 2000
_SPAN = re.compile(r"\s*([0-9]{1,2})\s*(?:-\s*([0-9]{1,2})\s*)?\Z")
#: What a path's control counts its way in: as fine as fourteen bits.
_PATH_BITS = 14
_RELATIVE_FORMS = (k.CONTROL, k.NRPN, k.RPN)


def build(tree: Tree, findings: Findings) -> Surface:
    """Return the surface's records without what is faulty; every fault is in ``findings``."""
    rows = tree.get("control", [])
    if len(rows) > MAX_CONTROLS:
        findings.fault(("control",), f"a surface has at most {MAX_CONTROLS} controls")
        rows = []
    taken = _Taken(findings)
    controls: list[Control] = []
    for i, row in enumerate(rows):
        control = _Builder(row, ("control", i), findings).build()
        if control is not None:
            taken.add(control, ("control", i))
            controls.append(control)
    return Surface(**{"name": "", **tree.get("surface", {})}, controls=tuple(controls))


class _Builder:
    """Reads one table of a control."""

    def __init__(self, tree: Tree, path: Path, findings: Findings) -> None:
        self.tree = tree
        self.path = path
        self.findings = findings
        self.about = tree.get("name", "")

    def fault(self, key: str, message: str, hint: str = "") -> None:
        self.findings.fault((*self.path, key), message, hint, self.about)

    def build(self) -> Control | None:
        """Return the control, or ``None`` where too little of it is right."""
        tree = self.tree
        if "name" not in tree or "kind" not in tree:
            return None
        by_path = "path" in tree
        if by_path == ("sends" in tree):
            words = "both" if by_path else "neither"
            self.fault("name", f"a control has a line (sends) or a path, and this has {words}")
            return None
        form = Form(k.PATH, 0, None, n_bits=_PATH_BITS)
        line = None
        if not by_path:
            line = self._line("sends")
            found = self._form("sends", line)
            if line is None or found is None:
                return None
            form = found
        most = (1 << form.n_bits) - 1 if form.n_bits else 127
        fields: dict[str, Any] = {
            "form": form.form,
            "line": line,
            "n_bits": form.n_bits,
            "channels": self._channels(form),
            "range": self._span("range", most) or (0, most),
            "acceleration": self._acceleration(),
            **{key: tree[key] for key in ("label", "relative", "reverse", "action") if key in tree},
            **{key: tree[key] for key in ("path", "follows", "note") if key in tree},
        }
        if "release" in tree:
            fields["release"] = self._line("release")
        if by_path:
            fields["numbers"] = self._numbers()
        fields |= self._shown(form, most)
        control = Control(tree["name"], kind=tree["kind"], **fields)
        self._fits(control)
        return control

    # -- pieces ----------------------------------------------------------------------------------

    def _line(self, key: str) -> Line | None:
        try:
            return parse_line(self.tree[key])
        except LineError as error:
            self.fault(key, error.message, error.hint)
            return None

    def _form(self, key: str, line: Line | None) -> Form | None:
        if line is None:
            return None
        try:
            return form_of(line)
        except LineError as error:
            self.fault(key, error.message, error.hint)
            return None

    def _channels(self, form: Form) -> tuple[int, ...]:
        value = self.tree.get("channels")
        if form.channel is not None or form.status >= 0xF0 or form.form == k.PATH:
            if value is not None:
                self.fault("channels", "the line names no channel n, so channels has no meaning")
            return ALL if form.channel is None else (form.channel + 1,)
        if value is None:
            return ALL
        found = channels(value)
        if not found:
            self.fault("channels", f'channels are written "1-16" or [1, 10], not {value!r}')
        return found or ALL

    def _span(self, key: str, most: int) -> tuple[int, int] | None:
        value = self.tree.get(key)
        if value is None:
            return None
        pair: list[Any] = value if isinstance(value, list) and len(value) == 2 else [None, None]
        if not all(type(n) is int and 0 <= n <= most for n in pair) or pair[0] >= pair[1]:
            self.fault(key, f"{key} is the lowest and the highest raw number, within 0 to {most}")
            return None
        return pair[0], pair[1]

    def _numbers(self) -> tuple[float, float]:
        value = self.tree.get("numbers", [0.0, 1.0])
        pair: list[Any] = value if isinstance(value, list) and len(value) == 2 else [None, None]
        if not all(_is_number(n) for n in pair) or pair[0] == pair[1]:
            self.fault("numbers", "numbers are the numbers at the low and at the high end: [0, 1]")
            return 0.0, 1.0
        return float(pair[0]), float(pair[1])

    def _acceleration(self) -> tuple[tuple[float, float], ...]:
        value = self.tree.get("acceleration")
        if value is None:
            return ()
        rows = value if isinstance(value, list) else []
        good = [row for row in rows if isinstance(row, list) and len(row) == 2]
        points = [(float(a), float(b)) for a, b in good if _is_number(a) and _is_number(b)]
        times = [at_ms for at_ms, _ in points]
        hint = "such as [[5, 8], [20, 3], [60, 1]]: ticks 5 ms apart count eight times"
        if not points or len(points) != len(rows) or sorted(set(times)) != times:
            self.fault("acceleration", "is pairs of milliseconds (ascending) and factor", hint)
            return ()
        if times[0] < 0 or not all(1.0 <= factor <= MAX_FACTOR for _, factor in points):
            self.fault("acceleration", f"a factor lies between 1 and {MAX_FACTOR:g}", hint)
            return ()
        return tuple(points)

    def _shown(self, own: Form, most: int) -> dict[str, Any]:
        """Return the fields of how the control is shown a value."""
        value = self.tree.get("echo", False)
        fields: dict[str, Any] = {"echoes": value is not False}
        if isinstance(value, bool):
            if value and self.tree.get("relative"):
                self.fault("echo", "an encoder that sends steps is shown a value by another line")
            if value and own.n_bits == 0:
                self.fault("echo", "the line has no value to show", 'echo = "Bn 10 vv"')
        elif isinstance(value, str | list):
            fields["echo"] = echo_line = self._line("echo")
            form = self._form("echo", echo_line)
            if form is not None and form.n_bits == 0:
                self.fault("echo", "the line has no value to show")
            elif form is not None:
                most = (1 << form.n_bits) - 1
                fields["shows"] = (0, most) if form.n_bits != own.n_bits else None
        else:
            self.fault("echo", "echo is true (by its own line) or a line")
        shows = self._span("shows", most)
        fields |= {} if shows is None else {"shows": shows}
        for key in ("on", "off"):
            fields[key] = self.tree.get(key, min(127, most) if key == "on" else 0)
            if fields[key] > most:
                self.fault(key, f"{key} is a raw number 0 to {most}")
        return fields

    def _fits(self, control: Control) -> None:
        """Report what does not go together."""
        form, tree = control.form, self.tree
        if control.presses and form in (k.PROGRAM, k.BEND):
            self.fault("kind", f"a {control.kind} does not send a {k.FORMS[form]} with a value")
        if not control.presses and form in (k.FIXED, k.NOTE):
            self.fault("kind", f"a {control.kind} does not send a {k.FORMS[form]}", "a button?")
        if control.relative:
            if form not in _RELATIVE_FORMS or control.n_bits != 7:
                self.fault("relative", "steps come in one byte of a control change or number")
            if control.presses:
                self.fault("relative", f"a {control.kind} has no steps")
        elif control.acceleration:
            self.fault("acceleration", "only an encoder that sends steps has acceleration")
        for key in ("release", "action"):
            if key in tree and not control.presses:
                self.fault(key, f"a {control.kind} is not pressed: {key} has no meaning")
        if control.release is not None:
            if form != k.FIXED or not control.release.is_action:
                self.fault("release", "release belongs to a line without a value, and has none")
            elif control.release == control.line:
                self.fault("release", "release is the same message as the press")
        if control.follows and not control.echoes:
            self.fault("follows", "a control follows what it is shown: echo is missing")
        if control.reverse and form in (k.NOTE, k.FIXED):
            self.fault("reverse", f"a {k.FORMS[form]} has no other way round")


class _Taken:
    """What the controls listen for, so that no two listen for the same."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._names: set[str] = set()
        self._owners: dict[tuple[object, ...], str] = {}

    def add(self, control: Control, path: Path) -> None:
        """Add a control; report what is taken already."""
        if control.name in self._names:
            message = f"there are two controls {control.name!r}"
            self._findings.fault((*path, "name"), message, about=control.name)
        self._names.add(control.name)
        key = "path" if control.line is None else "sends"
        for claim in self._claims(control):
            owner = self._owner(claim)
            if owner is not None and owner != control.name:
                message = f"{control.name} sends what {owner} sends"
                hint = "two controls can be told apart only by what they send"
                self._findings.fault((*path, key), message, hint, about=control.name)
                break
        for claim in self._claims(control):
            self._owners.setdefault(claim, control.name)

    def _claims(self, control: Control) -> list[tuple[object, ...]]:
        if control.line is None:
            return [("path", control.path)]
        found: list[tuple[object, ...]] = []
        for line in (control.line, control.release):
            if line is None:
                continue
            form = form_of(line)
            found += claims(form, line, control.channels)
            if form.form == k.FIXED:
                found += (("head", *_head(claim[1])) for claim in found if claim[0] == "exact")
            if form.form in SELECTIONS:
                found += (("numbers", channel) for channel in control.channels)
            elif form.status == 0xB0 and form.form != k.FIXED:
                numbers = {number for number, _ in form.parts} if len(form.parts) > 1 else set()
                if (numbers | {form.number}) & NUMBER_CONTROLLERS:
                    found += (("data", channel) for channel in control.channels)
        return found

    def _owner(self, claim: tuple[object, ...]) -> str | None:
        """Return the control that already listens for a claim, or for something that holds it."""
        owners = self._owners
        kind, *rest = claim
        if kind == "numbers":  # several numbers share a channel, but with no plain controller
            return owners.get(("data", *rest))
        if kind == "data":
            return owners.get(("numbers", *rest))
        if kind == "head":  # several fixed messages may begin alike
            return owners.get(("pair", *rest)) or owners.get(("status", rest[0]))
        if kind == "pair":
            return owners.get(claim) or owners.get(("head", *rest))
        if kind == "status":
            heads = (o for c, o in owners.items() if c[0] == "head" and c[1] == rest[0])
            return owners.get(claim) or next(heads, None)
        return owners.get(claim)


def _head(message: object) -> tuple[int, int]:
    assert isinstance(message, bytes)
    return message[0], message[1] if len(message) > 1 else -1


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def channels(value: object) -> tuple[int, ...]:
    """Return channels written as ``"1-4, 10"`` or ``[1, 10]``; empty where they are not."""
    parts = value.split(",") if isinstance(value, str) else value
    found: set[int] = set()
    for part in parts if isinstance(parts, list) else [""]:
        match = _SPAN.match(str(part)) if not isinstance(part, bool) else None
        low = int(match[1]) if match else 0
        high = int(match[2] or match[1]) if match else 0
        if not 1 <= low <= high <= 16:
            return ()
        found.update(range(low, high + 1))
    return tuple(sorted(found))
