"""Figures of the time that messages take.

Bounds: a delay of 10 ms with a variation within 1 ms is the published upper bound for playing
instruments (Wessel and Wright 2002; a summary was seen); 10 ms with a jitter of 3 ms either way was
rated worse in listening tests (Jack, Mehrabi, Stockman and McPherson 2018; the abstract was seen).
"""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.link.records import Finding, Latency

LATE_US = 10_000
JITTER_US = 6_000
_CLASSES_US = (20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 20_000, 50_000, 100_000)
_N_CLASSES = 24


def measure(times_ns: Sequence[int], wire_us: int) -> Latency | None:
    """Return the figures of the times in nanoseconds; ``None`` where there are none.

    Percentiles are those of the nearest rank. Classes are of the smallest round width with which
    all times fall into at most 24 of them.
    """
    if not times_ns:
        return None
    times = sorted(time // 1_000 for time in times_ns)
    class_us = next(
        (width for width in _CLASSES_US if times[-1] // width - times[0] // width < _N_CLASSES),
        1 + (times[-1] - times[0]) // (_N_CLASSES - 1),
    )
    first = times[0] // class_us
    counts = [0] * (times[-1] // class_us - first + 1)
    for time in times:
        counts[time // class_us - first] += 1
    return Latency(
        len(times),
        wire_us,
        times[0],
        _rank(times, 50),
        _rank(times, 99),
        times[-1],
        first * class_us,
        class_us,
        tuple(counts),
    )


def _rank(times: Sequence[int], percent: int) -> int:
    """Return the nearest-rank percentile of sorted times."""
    return times[max(0, -(-len(times) * percent // 100) - 1)]


def judge_latency(latency: Latency) -> list[Finding]:
    """Return what is to be said about the time that messages take."""
    out: list[Finding] = []
    if latency.median_us - latency.wire_us > LATE_US:
        out.append(
            Finding(
                "late",
                f"half of the messages take {latency.median_us / 1000:.1f} ms or more, of which "
                f"the cable explains {latency.wire_us / 1000:.2f} ms",
            )
        )
    if latency.spread_us > JITTER_US:
        out.append(
            Finding(
                "jitter",
                f"between {latency.least_us / 1000:.1f} ms and {latency.p99_us / 1000:.1f} ms "
                f"(99 %), at worst {latency.worst_us / 1000:.1f} ms",
            )
        )
    return out
