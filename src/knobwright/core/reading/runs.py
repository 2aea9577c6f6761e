"""Runs: stretches of a text that are printed as bytes, and the messages that they make.

A run begins with a status byte (or with dots, for a row that continues the one above) and goes
on as
long as tokens that can be bytes follow with nothing but blanks, commas or slashes between.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from knobwright.core.reading.tokens import Tok, scan
from knobwright.core.reading.words import FIELD_ROLES

_GAP = re.compile(r"[\s,;|/<>\[\]{}+]*\Z")
_DATA_WORD = r"(?:data|daten|donn[ée]es|datos|dati|deta|dump)"
_DATA_RUN = re.compile(
    r"[(\[<]?\b(?P<n>\d{1,5}) ?(?:x )?(?:" + _DATA_WORD + r"[ -]?)?(?:bytes?|octets?|baito)\b"
    r"(?: (?:de |di )?" + _DATA_WORD + r")?[)\]>]?"
    r"|[(\[<](?:dump |sound )?" + _DATA_WORD + r"[^()\[\]<>]{0,40}[)\]>]"
    r"|\b" + _DATA_WORD + r" ?(?:\.{2,3}|…|\*)"
    r"|\b(?:dd|d1|d0|vv|v1) ?(?:\.{2,3}|…) ?(?:dd|dn|vv|vn|[dv]\d+)\b",
    re.I,
)

N_DATA = {8: 2, 9: 2, 10: 2, 11: 2, 12: 1, 13: 1, 14: 2}
"""Data bytes of each channel message by the upper half of its status (MIDI 1.0 4.2.1, table 1)."""


class Run(NamedTuple):
    """Bytes printed one after the other: the tokens and where in the text they stand."""

    toks: tuple[Tok, ...]
    start: int
    end: int

    @property
    def is_continuation(self) -> bool:
        """Return whether the run begins with dots instead of a status byte."""
        return bool(self.toks) and self.toks[0].kind == "dots"


@lru_cache(maxsize=8192)
def find_runs(text: str) -> tuple[Run, ...]:
    """Return every run of at least two byte tokens that begins with a status byte or dots."""
    toks = _without_dots(_with_remarks(text, _with_data(text, scan(text))))
    runs: list[Run] = []
    at = 0
    while at < len(toks):
        stop = _run_end(text, toks, at)
        if stop > at:
            part = _trim(text, toks[at:stop])
            if part:
                runs.append(Run(tuple(part), part[0].start, part[-1].end))
                at = stop
                continue
        at += 1
    return tuple(runs)


def whole_run(text: str) -> Run | None:
    """Return the run that a whole cell is, status byte or not; None where other words stand in
    it.
    """
    toks = _with_remarks(text, _with_data(text, scan(text)))
    if not toks or not all(_can_follow(tok) for tok in toks):
        return None
    if not any(tok.kind in ("byte", "half", "slip") for tok in toks):
        return None
    return Run(tuple(toks), toks[0].start, toks[-1].end)


def _can_follow(tok: Tok) -> bool:
    return tok.is_byte_like or tok.kind in ("dots", "number", "wide", "data")


def _starts(text: str, toks: list[Tok], at: int) -> bool:
    """Return whether a run may begin at token ``at``."""
    tok = toks[at]
    follow = sum(1 for t in toks[at + 1 : at + 4] if _can_follow(t))
    if tok.kind == "dots":
        return follow >= 2 and toks[at + 1].kind == "byte"
    if tok.kind == "slip":
        return tok.text[0] in "FB9C" and follow >= 3
    if tok.kind == "number":
        ahead = toks[at + 1 : at + 3]
        close = all(b.start - a.end <= 2 for a, b in zip(toks[at:], ahead, strict=False))
        plain = all(t.text.isdigit() or t.kind == "field" for t in ahead)
        return (176 <= tok.value <= 191 or tok.value == 240) and len(ahead) == 2 and close and plain
    if not tok.is_status:
        return False
    if follow < 1:
        return False
    if tok.kind == "twin" and len(tok.text) == 2:
        return False
    if tok.kind == "byte" and not tok.sure:
        following = toks[at + 1]
        if (
            len(following.text) > 2 and following.kind in ("byte", "half")
        ) or following.kind == "twin":
            return False
        if (
            at + 2 >= len(toks)
            or following.start - tok.end > 2
            or toks[at + 2].start - following.end > 2
        ):
            return False
        return follow >= 2 and not _is_number_like(text, toks, at)
    if tok.kind == "half" and tok.text.isalpha() and tok.text.islower():
        return (
            follow >= 2
            and toks[at + 1].kind == "byte"
            and (tok.text in ("bn", "bx", "cn") or (follow >= 3 and toks[at + 2].kind == "byte"))
        )
    return not (tok.kind in ("byte", "twin") and tok.text.isalpha() and tok.text.islower())


def _is_number_like(text: str, toks: list[Tok], at: int) -> bool:
    """Return whether digits such as ``80 90`` stand as numbers in a sentence."""
    following = toks[at + 1]
    return (
        following.kind not in ("byte", "half", "field", "twin")
        or "." in text[toks[at].end : following.start]
    )


def _run_end(text: str, toks: list[Tok], at: int) -> int:
    """Return the number of the token behind the run that begins at ``at``, or ``at``."""
    if not _starts(text, toks, at):
        return at
    stop = at + 1
    while stop < len(toks):
        tok = toks[stop]
        gap = text[toks[stop - 1].end : tok.start]
        if toks[stop - 1].kind in ("field", "twin") and tok.kind in ("field", "twin"):
            gap = gap.replace("...", "").replace("…", "")
        if not _can_follow(tok) or not _GAP.match(gap):
            break
        if tok.kind == "field" and _is_legend(text, tok):
            break
        if gap.count(" ") >= 3 and not tok.is_status and _is_done(toks[at:stop]):
            break
        new_cell = gap.count(" ") >= 3 and toks[at].kind == "dots"
        if new_cell and tok.kind in ("field", "twin") and toks[stop - 1].kind != "byte":
            break
        if toks[stop - 1].value == 0xF7 and not tok.is_status:
            break
        stop += 1
    return stop if stop - at >= 2 else at


def _is_done(part: list[Tok]) -> bool:
    """Return whether tokens make whole messages with a field in them: what stands in the next cell
    is no byte."""
    return any(t.kind == "field" for t in part) and _complete(part) == len(part)


def _with_data(text: str, toks: list[Tok]) -> list[Tok]:
    """Put one token of kind ``data`` in the place of words such as ``(64 data bytes)``."""
    for match in _DATA_RUN.finditer(text):
        inside = [k for k, t in enumerate(toks) if match.start() <= t.start < match.end()]
        if inside and match.group().strip("()[]<>").lower() not in ("data",):
            size = int(match["n"]) if match["n"] else 0
            tok = Tok("data", match.group(), match.start(), match.end(), size)
            toks[inside[0] : inside[-1] + 1] = [tok]
    return toks


def _without_dots(toks: list[Tok]) -> list[Tok]:
    """Drop dots behind a field: ``dd ...`` stands for as many bytes as the row's table says."""
    return [
        t
        for k, t in enumerate(toks)
        if not (
            t.kind == "dots"
            and k
            and toks[k - 1].kind in ("field", "twin")
            and k + 1 < len(toks)
            and toks[k + 1].kind in ("field", "twin")
        )
    ]


def _with_remarks(text: str, toks: list[Tok]) -> list[Tok]:
    """Take out a byte repeated in brackets in another notation; where the two differ it is a
    slip.
    """
    out: list[Tok] = []
    for tok in toks:
        before = out[-1] if out else None
        if (
            before is not None
            and tok.kind == "byte"
            and before.kind == "byte"
            and len(before.text) != len(tok.text)
            and text[before.end : tok.start].strip() == "("
            and text[tok.end : tok.end + 1] == ")"
        ):
            if before.value != tok.value:
                out[-1] = before._replace(
                    kind="slip", text=f"{before.text} ({tok.text})", end=tok.end + 1
                )
            else:
                out[-1] = before._replace(end=tok.end + 1)
            continue
        out.append(tok)
    return out


def _is_legend(text: str, tok: Tok) -> bool:
    """Return whether an equals sign or colon follows: the token is explained, not sent."""
    return text[tok.end : tok.end + 3].lstrip(" ")[:1] in ("=", ":")


def _trim(text: str, part: list[Tok]) -> list[Tok]:
    """Cut what the messages of a run don't need: words that happen to look like fields."""
    n = _complete(part)
    if n and n < len(part):
        rest = part[n:]
        loose = all(
            t.kind in ("field", "number", "dots")
            or (t.kind == "half" and t.text.isalpha())
            or (t.kind == "twin")
            for t in rest
        )
        if loose or text[part[n - 1].end : rest[0].start].count(" ") >= 2:
            return part[:n]
        if (
            len(text[part[n - 1].end : rest[0].start].strip("<>[]{} ")) > 0
            and not any(t.is_status for t in rest)
            and rest[0].kind != "byte"
        ):
            return part[:n]
    while part and part[-1].kind == "dots":
        part = part[:-1]
    return part if len(part) >= 2 else []


def _complete(part: list[Tok]) -> int:
    """Return how many tokens form whole messages, running status allowed (0: not even one)."""
    done = at = 0
    status = -1
    while at < len(part):
        tok = part[at]
        if tok.value == 0xF0 and tok.kind == "byte":
            ends = [
                k for k in range(at, len(part)) if part[k].kind == "byte" and part[k].value == 0xF7
            ]
            if not ends:
                return 0
            at = done = ends[0] + 1
            status = -1
            continue
        if tok.is_status and tok.value != 0xF0:
            status = tok.value if tok.kind == "half" else tok.value >> 4
            at += 1
        n_data = N_DATA.get(status, 0)
        if n_data == 0:
            return done
        body = part[at : at + n_data]
        if len(body) < n_data or any(_is_hard_status(t) for t in body):
            return done
        if done and body[0].kind != "byte" and body[0].kind != "slip":
            return done
        at += n_data
        done = at
    return done


def _is_hard_status(tok: Tok) -> bool:
    return tok.is_status and tok.kind != "twin" and tok.sure


def field_role(word: str) -> str:
    """Return what a field word stands for by itself: a role, a guess with ``?``, or nothing."""
    if word in FIELD_ROLES:
        return FIELD_ROLES[word]
    if len(word) == 2 and word[0] == word[1]:
        return "value?"
    if len(word) == 2 and word[1].isdigit():
        return "value?"
    return ""
