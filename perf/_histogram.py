"""Percentiles and histograms of latencies: bars in a terminal, and a picture."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

#: Edges of the bars in microseconds: each is a tenth of a decade wide, from 10 us to 100 ms.
EDGES_US = [10 * 10 ** (i / 10) for i in range(41)]


class Spread(NamedTuple):
    """How latencies spread, in microseconds."""

    n: int
    median: float
    p99: float
    p999: float
    worst: float


def spread(latencies_ns: Sequence[int]) -> Spread:
    """Return the spread of latencies given in nanoseconds; at least one is needed."""
    ordered = sorted(latencies_ns)

    def at(share: float) -> float:
        # The smallest latency that at least this share of all does not exceed.
        return ordered[max(math.ceil(share * len(ordered)) - 1, 0)] / 1000

    return Spread(len(ordered), at(0.5), at(0.99), at(0.999), ordered[-1] / 1000)


def counts(latencies_ns: Sequence[int]) -> list[int]:
    """Return how many latencies lie in each bar of ``EDGES_US``; the ends take what lies beyond."""
    found = [0] * (len(EDGES_US) - 1)
    for latency_ns in latencies_ns:
        place = math.floor(10 * math.log10(max(latency_ns, 1) / 1000 / EDGES_US[0]))
        found[min(max(place, 0), len(found) - 1)] += 1
    return found


def bars(latencies_ns: Sequence[int], width: int = 50) -> list[str]:
    """Return lines of a terminal's histogram, long bars for logarithms of counts."""
    found = counts(latencies_ns)
    used = [i for i, n in enumerate(found) if n]
    most = math.log10(max(found) + 1)
    lines = []
    for i in range(used[0], used[-1] + 1):
        bar = "#" * round(width * math.log10(found[i] + 1) / most)
        lines.append(f"{EDGES_US[i]:9.0f} us {found[i]:8d} {bar}")
    return lines


def picture(series: dict[str, Sequence[int]], limits_us: dict[str, float]) -> str:
    """Return an SVG: one histogram below the other on one logarithmic scale, limits as lines.

    The height of a bar is the logarithm of its count, so that single late events can be seen.
    """
    width, height, left, gap = 780, 150, 60, 82
    total = len(series) * (height + gap) + 10
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {total}" '
        'font-family="sans-serif" font-size="12">',
        f'<rect width="{width}" height="{total}" fill="#ffffff"/>',
    ]

    def x(us: float) -> float:
        return left + (width - left - 50) * math.log10(us / EDGES_US[0]) / 4

    for number, (name, latencies_ns) in enumerate(series.items()):
        top = 48 + number * (height + gap)
        base = top + height
        found = counts(latencies_ns)
        most = math.log10(max(found) + 1)
        parts.append(
            f'<text x="{left}" y="{top - 28}" fill="#222">{name}; '
            "height is the logarithm of the count, red is what is promised</text>"
        )
        for i, n in enumerate(found):
            if n:
                tall = height * math.log10(n + 1) / most
                wide = x(EDGES_US[i + 1]) - x(EDGES_US[i]) - 1
                parts.append(
                    f'<rect x="{x(EDGES_US[i]):.1f}" y="{base - tall:.1f}" width="{wide:.1f}" '
                    f'height="{tall:.1f}" fill="#3b6ea5"><title>{n}</title></rect>'
                )
        for us in (10, 100, 1000, 10_000, 100_000):
            shown = f"{us} us" if us < 1000 else f"{us // 1000} ms"
            parts.append(f'<text x="{x(us):.1f}" y="{base + 15}" fill="#555">{shown}</text>')
        for words, limit_us in limits_us.items():
            place = x(limit_us)
            parts.append(
                f'<line x1="{place:.1f}" x2="{place:.1f}" y1="{top - 8}" y2="{base}" '
                'stroke="#b03a2e" stroke-dasharray="4 3"/>'
                f'<text x="{place:.1f}" y="{top - 12}" text-anchor="middle" '
                f'fill="#b03a2e">{words}</text>'
            )
        parts.append(
            f'<line x1="{left}" x2="{width - 50}" y1="{base}" y2="{base}" stroke="#222"/>'
            f'<text x="6" y="{top + 12}" fill="#555">{max(found)}</text>'
        )
    return "\n".join([*parts, "</svg>"]) + "\n"
