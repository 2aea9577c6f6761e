"""Join a sheet with what it includes: references, clashes, and who gives way to whom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from msgspec.structs import replace

from knobwright.core.codec.clash import MAX_COMPARISONS, Clash, Clashes, depends_on
from knobwright.core.codec.match import Target, targets
from knobwright.core.codec.shown import Scale
from knobwright.core.errors import InputError
from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import Block, Parameter, Sheet
from knobwright.core.sheet.references import References
from knobwright.core.sheet.walk import Tree

#: The included sheets with their names, in the order in which they are named.
Included = Sequence[tuple[str, Sheet]]


def joined(own: Sheet, tree: Tree, included: Included, findings: Findings) -> Sheet:
    """Return the sheet with what it includes; report references and lines that can't be.

    What the sheet itself says wins: a parameter or block of the same name, or one whose bytes
    collide with an included one, takes its place.
    """
    join = _Join(own, tree, findings)
    sheet = join.with_included(included)
    return join.without_clashes(sheet)


class _Join:
    """One sheet while it is joined; ``paths`` are the places of its own parameters and blocks."""

    def __init__(self, own: Sheet, tree: Tree, findings: Findings) -> None:
        self.own = own
        self.tree = tree
        self.findings = findings
        self.mine = {p.key for p in own.parameters}
        self.my_blocks = {b.key for b in own.blocks}
        self.paths = _places(tree, "parameter")
        self.block_paths = _places(tree, "block")

    def with_included(self, included: Included) -> Sheet:
        """Return the sheet with all that it includes, and its own references joined."""
        own = self.own
        theirs: dict[str, Parameter] = {}
        blocks: dict[str, Block] = {}
        for name, sheet in included:
            blocks.update((block.key, block) for block in sheet.blocks)
            for parameter in sheet.parameters:
                if parameter.key not in self.mine:
                    theirs[parameter.key] = replace(parameter, included=parameter.included or name)
        blocks.update((block.key, block) for block in own.blocks)
        everything = {**theirs, **{p.key: p for p in own.parameters}}
        faulty = frozenset(self.paths.keys() | self.block_paths.keys()) - (
            everything.keys() | blocks.keys()
        )
        references = References(self.findings, everything, blocks, faulty)
        mine = []
        for parameter in own.parameters:
            path = self.paths[parameter.key]
            table = self.tree["parameter"][path[1]]
            mine.append(references.join(parameter, table, path))
        last = [sheet for _, sheet in included][::-1]
        return replace(
            own,
            parameters=(*theirs.values(), *mine),
            blocks=tuple(blocks.values()),
            setup=own.setup or next((s.setup for s in last if s.setup), ()),
            programs=own.programs or next((s.programs for s in last if s.programs), None),
            program=own.program or next((s.program for s in last if s.program), ()),
            kits=own.kits or next((s.kits for s in last if s.kits), ()),
            questions=(*own.questions, *(q for s in last for q in s.questions)),
        )

    def without_clashes(self, sheet: Sheet) -> Sheet:
        """Report clashes among the sheet's own lines; included ones give way, which is noted."""
        asked = {q.thing for q in sheet.questions}
        asked.update(also.partition("/")[0] for q in sheet.questions for also in q.also)
        clashes = Clashes(targets(sheet), sheet.module, sheet.programs, asked)
        for target, why in clashes.not_invertible:
            if target.name not in asked:
                self.findings.fault(self._line_of(target), why, about=target.name)
        if not clashes.is_complete:
            words = f"too many lines share bytes: more than {MAX_COMPARISONS:,} pairs to compare"
            self.findings.fault(("parameter",), words, "part the sheet into several")
        gone: dict[str, str] = {}
        gone_blocks: dict[str, str] = {}
        for clash in clashes.found:
            loser = self._loser(clash)
            if loser is not None:
                winner = clash.second if loser is clash.first else clash.first
                name = "[programs]" if winner is loser else winner.name
                (gone_blocks if loser.block else gone).setdefault(loser.name, name)
            elif not {clash.first.name, clash.second.name} & asked:
                self._report(clash)
        for name, winner_name in gone_blocks.items():
            self._note_gone(name, winner_name)
        blocks = tuple(b for b in sheet.blocks if b.key not in gone_blocks)
        return self._without(replace(sheet, blocks=blocks), gone)

    def _loser(self, clash: Clash) -> Target | None:
        """Return which of two gives way: the included one, if any."""
        for target in (clash.first, clash.second):
            own = self.my_blocks if target.block is not None else self.mine
            if target.name not in own:
                return target
        return None

    def _line_of(self, target: Target) -> Path:
        """Return the place of a target's line."""
        if target.block is not None:
            return (*self.block_paths[target.name], "request" if target.is_request else "line")
        path: Path = self.paths.get(target.name, ())
        return (*path, "line") if target.route == 0 else (*path, "route", target.route - 1, "line")

    def _report(self, clash: Clash) -> None:
        first, second, words = clash.first, clash.second, clash.bytes_words
        if first is second:
            self.findings.fault(
                self._line_of(first),
                f"no receiver could tell it from the choice of a program: {words}",
                "take it out, or mend the line of [programs]",
                about=first.name,
            )
        elif first.parameter is second.parameter and first.block is second.block:
            self.findings.fault(
                self._line_of(second),
                f"two routes of {second.name} read different things from the same bytes: {words}",
                "mend one of them",
                about=second.name,
            )
        else:
            hint = "mend one of the lines, or say with when that they hold at different times"
            if first.block is not None or second.block is not None:
                hint = "mend one of the lines, or give the block its size"
            self.findings.fault(
                self._line_of(second),
                f"no receiver could tell {second.name} from {first.name}: both are {words}",
                hint,
                about=second.name,
            )

    def _note_gone(self, name: str, winner: str) -> None:
        words = f"the included {name} gives way to {winner}, which has the same bytes"
        self.findings.note(("include",), words)

    def _without(self, sheet: Sheet, gone: dict[str, str]) -> Sheet:
        """Take out included parameters that gave way, and included ones that depend on them."""
        users: dict[str, list[Parameter]] = {}
        for parameter in sheet.parameters:
            for key in depends_on(parameter):
                users.setdefault(key, []).append(parameter)
        todo = list(gone)
        for name, winner in gone.items():
            self._note_gone(name, winner)
        left_out = set(gone)
        while todo:
            key = todo.pop()
            for user in users.get(key, ()):
                if user.key in self.mine:
                    self.findings.fault(
                        (*self.paths[user.key], "line"),
                        f"it depends on the included {key}, which gives way to a line of the sheet",
                        about=user.key,
                    )
                elif user.key not in left_out:
                    left_out.add(user.key)
                    todo.append(user.key)
                    words = f"the included {user.key} is left out, since it depends on {key}"
                    self.findings.note(("include",), words)
        left = tuple(p for p in sheet.parameters if p.key not in left_out)
        self._note_shapes(left)
        return replace(sheet, parameters=left)

    def _note_shapes(self, parameters: Sequence[Parameter]) -> None:
        """Note formulas of the sheet's own that have gaps or turn back."""
        seen: dict[tuple[str, tuple[tuple[int, int], ...]], str] = {}
        for parameter in parameters:
            if parameter.shown is None or parameter.key not in self.mine or parameter.is_action:
                continue
            same = (parameter.shown.formula, parameter.ranges)
            if same not in seen:
                seen[same] = _shape(parameter)
            if seen[same]:
                path = (*self.paths[parameter.key], "shown")
                self.findings.note(path, seen[same], about=parameter.key)


def _shape(parameter: Parameter) -> str:
    """Say what is odd about a formula over its range, or return an empty string."""
    try:
        scale = Scale(parameter)
    except InputError:
        return ""
    if scale.has_gaps():
        return "the formula has no value in part of the range"
    if not scale.is_monotonic():
        return "the formula does not rise or fall all along the range: some values are ambiguous"
    return ""


def _places(tree: Tree, table: str) -> Mapping[str, tuple[str, int]]:
    """Return the place of each entry of an array of tables by its key."""
    return {
        entry["key"]: (table, i) for i, entry in enumerate(tree.get(table, [])) if "key" in entry
    }
