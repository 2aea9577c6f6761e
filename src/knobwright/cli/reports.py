"""What the engine reports, in words: one function, used by every command that watches an engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knobwright.cli.show import count
from knobwright.core.errors import printable
from knobwright.engine import messages as m
from knobwright.engine import told as t

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.core.state.values import Known, KnownProgram


def report_words(report: m.Report, codec: Codec | None = None) -> list[str]:
    """Return the lines that tell a report; none for what is not for people.

    Parameters
    ----------
    report : Report
        From the supervisor. Traces, statistics and changed values are shown by who asked for them.
    codec : Codec, optional
        Spells values.
    """
    match report:
        case m.PortState():
            return [_port(report)]
        case m.Trouble():
            return [_trouble(report)]
        case m.Restarted():
            let_go = f"{count(report.n_let_go, 'held note')} let go" if report.n_let_go else (
                "no note was held"
            )  # fmt: skip
            return [f"the engine stopped ({report.words}) and was started again: {let_go}"]
        case m.GaveUp():
            return [f"{report.words}: it is not started again"]
        case m.Stopped() if report.n_owed:
            return [
                f"{count(report.n_owed, 'note')} could not be let go, since the port is not there: "
                "they are let go when it is opened next"
            ]
        case m.Ready() if report.n_let_go:
            were = "was" if report.n_let_go == 1 else "were"
            return [f"{count(report.n_let_go, 'note')} of an earlier run {were} let go"]
        case _:
            return _told(report, codec)


def _port(state: m.PortState) -> str:
    name = printable(state.name)
    words = printable(state.words).removeprefix(f"{name}: ")
    if state.is_there:
        # An input has a name of the bench: say which port that is.
        return f"{name} is there" + ("" if not words or words in name else f" ({words})")
    return f"{name} is not there{': ' if words else ''}{words}; waiting for it"


def _trouble(trouble: m.Trouble) -> str:
    place = f"{printable(trouble.where)}: " if trouble.where else ""
    more = f" ({trouble.n_more} more times)" if trouble.n_more else ""
    hint = f"; next: {printable(trouble.hint)}" if trouble.hint else ""
    return f"{place}{printable(trouble.words)}{more}{hint}"


def _told(report: m.Report, codec: Codec | None) -> list[str]:
    match report:
        case t.Asked():
            return [
                f"from {printable(report.source)}: an exclusive message was not passed on "
                f"({report.first}, {count(report.n_bytes, 'byte')}, {report.n} so far): "
                f'{printable(report.why)}; to let such pass: allow = ["{report.allow}"] in [pass]'
            ]
        case t.DroppedBytes():
            first = f", first {report.first}" if report.first else ""
            return [
                f"from {printable(report.source)}: {report.n} times left out: "
                f"{printable(report.reason)}{first}"
            ]
        case t.Refused():
            return [
                f"{printable(report.source)}: {printable(report.about)} was not set, "
                f"{count(report.n, 'time')}: {printable(report.message)}"
            ]
        case t.Identified():
            fits = "as the sheet has it" if report.fits else "which is not what the sheet describes"
            return [
                f"link {report.link + 1}: the module is maker {report.maker}, family "
                f"{report.family}, member {report.member}, version {report.version}: {fits}"
            ]
        case t.DumpCame():
            return [
                f"link {report.link + 1}: a dump of {printable(report.block)} came, "
                f"{count(report.n_bytes, 'byte')}: {count(report.n_values, 'value')} known from it"
            ]
        case t.ComesBack():
            return [
                f"link {report.link + 1}: what was sent comes back ({report.n} times): is an "
                "output looped to the input, or does the module pass on what it takes?"
            ]
        case t.ControlHeard():
            more = [need for need in report.needs if need not in report.words]
            needs = "".join(f"; {printable(need)}" for need in more)
            asks = [f"  asked: {printable(ask.words)}" for ask in report.asks]
            table = [line for line in report.table.splitlines() if line]
            return [f"{printable(report.source)}: {printable(report.words)}{needs}", *asks, *table]
        case t.Changed() if codec is not None:
            return [_value(value, codec) for value in report.values]
        case _:
            return []


def _value(value: Known | KnownProgram, codec: Codec) -> str:
    from knobwright.core.state.values import Known

    where = f", channel {value.channel}" if value.channel else ""
    if not isinstance(value, Known):
        number = "unknown" if value.number is None else str(value.number)
        return f"program{where}: {number} ({value.state})"
    where += f", key {value.note}" if value.note is not None else ""
    shown = "unknown" if value.raw is None else codec.spell(value.key, value.raw)
    return f"{value.key}{where}: {shown} ({value.state})"
