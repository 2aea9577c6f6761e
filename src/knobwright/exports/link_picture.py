"""The link test's time of messages as a picture: SVG, and bars for a terminal.

One column is one class of the histogram; its height is the number of messages. The dashed line is
the time that one cable explains.
"""

from __future__ import annotations

from xml.sax.saxutils import escape

from knobwright.core.link.records import Latency, LinkResult

_WIDTH, _HEIGHT = 760, 380
_LEFT, _RIGHT, _TOP, _BOTTOM = 56, 24, 76, 64
_BAR_LENGTH = 40
_EIGHTHS = " ▏▎▍▌▋▊▉"


def link_svg(result: LinkResult, title: str) -> str:
    """Return the histogram as an SVG document in which text can be read by machines, too.

    Parameters
    ----------
    result : LinkResult
    title : str
        What was tested, such as the names of the ports.
    """
    latency = result.latency
    body = _no_times() if latency is None else _columns(latency) + _axis(latency)
    words = "no message came back" if latency is None else figures(latency)
    return "\n".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {_HEIGHT}" '
            f'width="{_WIDTH}" height="{_HEIGHT}" role="img" font-family="sans-serif">',
            f"<title>{escape(title)}: {escape(words)}</title>",
            f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#ffffff"/>',
            f'<text x="{_LEFT}" y="30" font-size="17" fill="#1b1b1f">{escape(title)}</text>',
            f'<text x="{_LEFT}" y="54" font-size="13" fill="#44444c">{escape(words)}</text>',
            *body,
            "</svg>",
            "",
        )
    )


def figures(latency: Latency) -> str:
    """Return the figures in one line."""
    return (
        f"{latency.n} messages: half within {_ms(latency.median_us)}, 99 % within "
        f"{_ms(latency.p99_us)}, worst {_ms(latency.worst_us)}; "
        f"one cable explains {_ms(latency.wire_us)}"
    )


def bars(latency: Latency) -> list[str]:
    """Return the histogram as lines of text: from when, how many, a bar."""
    most = max(latency.counts)
    n_digits = len(str(most))
    out = []
    for index, count in enumerate(latency.counts):
        at = _ms(latency.from_us + index * latency.class_us)
        eighths = -(-count * _BAR_LENGTH * 8 // most)
        bar = "█" * (eighths // 8) + _EIGHTHS[eighths % 8].strip()
        out.append(f"{at:>10}  {count:>{n_digits}}  {bar}".rstrip())
    return out


def _ms(us: int) -> str:
    return f"{us / 1000:.2f} ms"


def _no_times() -> list[str]:
    return [
        f'<text x="{_WIDTH // 2}" y="{_HEIGHT // 2}" font-size="15" text-anchor="middle" '
        'fill="#44444c">nothing could be timed</text>'
    ]


def _columns(latency: Latency) -> list[str]:
    """Return the columns, with the number of messages above each."""
    most = max(latency.counts)
    width = (_WIDTH - _LEFT - _RIGHT) / len(latency.counts)
    room = _HEIGHT - _TOP - _BOTTOM
    out = []
    for index, count in enumerate(latency.counts):
        if not count:
            continue
        height = max(1.5, room * count / most)
        x, y = _LEFT + index * width, _HEIGHT - _BOTTOM - height
        gap = min(2.0, width / 8)
        out.append(
            f'<rect x="{x + gap:.1f}" y="{y:.1f}" width="{width - 2 * gap:.1f}" '
            f'height="{height:.1f}" fill="#2f6f9f"/>'
        )
        out.append(
            f'<text x="{x + width / 2:.1f}" y="{y - 4:.1f}" font-size="11" '
            f'text-anchor="middle" fill="#1b1b1f">{count}</text>'
        )
    return out


def _axis(latency: Latency) -> list[str]:
    """Return the axis with its times, and the line of what one cable explains."""
    n = len(latency.counts)
    base = _HEIGHT - _BOTTOM
    width = (_WIDTH - _LEFT - _RIGHT) / n
    every = -(-n // 8)
    out = [
        f'<line x1="{_LEFT}" y1="{base}" x2="{_WIDTH - _RIGHT}" y2="{base}" stroke="#1b1b1f"/>',
        f'<text x="{_WIDTH // 2}" y="{_HEIGHT - 14}" font-size="12" text-anchor="middle" '
        'fill="#44444c">from hand-over to arrival, in milliseconds</text>',
    ]
    for index in range(0, n + 1, every):
        x = _LEFT + index * width
        text = f"{(latency.from_us + index * latency.class_us) / 1000:.2f}"
        out.append(
            f'<line x1="{x:.1f}" y1="{base}" x2="{x:.1f}" y2="{base + 5}" stroke="#1b1b1f"/>'
        )
        out.append(
            f'<text x="{x:.1f}" y="{base + 20}" font-size="11" text-anchor="middle" '
            f'fill="#1b1b1f">{text}</text>'
        )
    at = (latency.wire_us - latency.from_us) / latency.class_us
    if 0 <= at <= n:
        x = _LEFT + at * width
        out.append(
            f'<line x1="{x:.1f}" y1="{_TOP - 8}" x2="{x:.1f}" y2="{base}" stroke="#a03a2a" '
            'stroke-dasharray="5 4"/>'
        )
        out.append(
            f'<text x="{x + 5:.1f}" y="{_TOP - 2}" font-size="11" fill="#a03a2a">one cable</text>'
        )
    return out
