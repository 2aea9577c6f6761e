"""``knobwright looptest``: send a planned stream through a link and name its faults."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE, tell
from knobwright.core.errors import StoreError, printable

if TYPE_CHECKING:
    from knobwright.core.link.records import Finding, LinkResult
    from knobwright.engine.looptest import Progress


@click.command("looptest")
@click.option("--out", "out", metavar="PORT", required=True, help="Where the way begins.")
@click.option("--in", "into", metavar="PORT", required=True, help="Where it comes back.")
@click.option("--baud", type=click.IntRange(300), default=31_250, help="Speed of the line.")
@click.option("--quick", is_flag=True, help="Fewer tries and shorter bursts: under 10 seconds.")
@click.option("--picture", metavar="FILE", help="Write the histogram of times as an SVG picture.")
@click.option("--bench", metavar="BENCH", help="Keep the result in this bench.")
@click.option("--link", type=click.IntRange(1, 2), default=1, help="Which link of the bench.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    out: str,
    into: str,
    baud: int,
    quick: bool,
    picture: str | None,
    bench: str | None,
    link: int,
    as_json: bool,
) -> int:
    """Test the way from one PORT to another: cable, pass-through, firmware; name every fault.

    Connect nothing but the way itself: the test plays notes, turns controllers, starts clocks.
    Where something that sounds stays connected, turn its volume down first. Exit status 1 when a
    fault was found.
    """
    from knobwright.core.link.faults import FAULTS
    from knobwright.engine.messages import PortPlan
    from knobwright.wiring.looptest import run_looptest, save_result

    result = run_looptest(
        PortPlan(out, baud),
        PortPlan(into, baud),
        is_quick=quick,
        on_start=_tell_start,
        on_progress=_tell_progress,
    )
    if picture is not None:
        _write_picture(picture, result, f"{out} to {into}")
    if as_json:
        show.json_object(_as_json(result))
    else:
        _print(result)
    if bench is not None:
        kept = save_result(bench, link - 1, result)
        tell(f"Kept in {printable(bench)}: {', '.join(f'{k} = {v}' for k, v in kept.items())}")
    is_faulty = any(not FAULTS[finding.name].is_note for finding in result.findings)
    return FINDINGS if is_faulty else FINE


def _tell_start(out: str, into: str, seconds: float) -> None:
    tell(f"Testing from {printable(out)} to {printable(into)}: about {seconds:.0f} s,")
    tell("more where a fault is looked into. Ctrl-C breaks it off and leaves silence.")


def _tell_progress(progress: Progress) -> None:
    """Print each stage as it begins; on a terminal only."""
    if progress.stage is not None and sys.stderr.isatty():
        words = f": {progress.stage.words}" if progress.stage.words else ""
        tell(f"  {progress.stage.name}{words}")


def _write_picture(path: str, result: LinkResult, title: str) -> None:
    from knobwright.exports.link_picture import link_svg

    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(link_svg(result, printable(title)))
    except OSError as error:
        raise StoreError(
            f"the picture can't be written: {error.strerror}",
            where=os.fspath(path),
            hint="name a file in a folder that is there and may be written to",
        ) from error


def _as_json(result: LinkResult) -> dict[str, object]:
    """Return the result as plain objects, each finding with the words of its fault."""
    from knobwright.core.link.faults import FAULTS

    findings = [
        finding._asdict()
        | {
            "words": FAULTS[finding.name].words,
            "next": FAULTS[finding.name].step,
            "is_note": FAULTS[finding.name].is_note,
        }
        for finding in result.findings
    ]
    latency = None if result.latency is None else result.latency._asdict()
    return result._asdict() | {"findings": findings, "latency": latency}


def _print(result: LinkResult) -> None:
    from knobwright.core.link.faults import FAULTS
    from knobwright.exports.link_picture import bars, figures

    faults = [f for f in result.findings if not FAULTS[f.name].is_note]
    notes = [f for f in result.findings if FAULTS[f.name].is_note]
    sent = f"{result.n_messages} messages, {result.n_bytes} bytes"
    if faults:
        show.line(f"{show.count(len(faults), 'fault')} found; {sent} were sent.")
    else:
        show.line(f"The way is sound: {sent} were sent, and all came back right.")
    for finding in faults:
        _print_finding(finding, "")
    for finding in notes:
        _print_finding(finding, "worth knowing: ")
    show.line()
    _print_facts(result)
    if result.latency is not None:
        show.line()
        show.line(f"Time from hand-over to arrival: {figures(result.latency)}.")
        for text in bars(result.latency):
            show.line(text)


def _print_finding(finding: Finding, before: str) -> None:
    from knobwright.core.link.faults import FAULTS

    fault = FAULTS[finding.name]
    show.line()
    show.line(f"{before}{fault.words}  [{finding.name}]")
    show.line(f"  {finding.details}")
    for name, text in (("place", finding.place), ("sent", finding.sent), ("came", finding.got)):
        if text:
            show.line(f"  {name}: {text}")
    show.line(f"  next: {fault.step}")


def _print_facts(result: LinkResult) -> None:
    """Print what the bench can use."""
    longest = (
        f"{result.longest_exclusive} bytes"
        if result.longest_exclusive
        else f"no limit found up to {result.tried_exclusive} bytes"
        if result.tried_exclusive
        else "not known"
    )
    rest = "none needed" if "rest of 0 ms" in result.stages else "not known"
    if result.rest_ms:
        rest = f"{result.rest_ms} ms"
    burst = "no limit found" if "full rate" in result.stages else "not known"
    if result.longest_burst:
        burst = f"up to {result.longest_burst} bytes"
    show.table(
        ("what", "found"),
        (
            ("running status", result.running_status),
            ("real time", result.real_time),
            ("longest exclusive", longest),
            (
                "rest after an exclusive",
                rest,
            ),
            ("bytes without a rest", burst),
            ("line", f"{result.baud} baud, {10_000_000 / result.baud:.0f} us a byte"),
        ),
    )
