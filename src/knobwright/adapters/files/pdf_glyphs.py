"""The characters of a PDF page with their places, from its content stream.

pypdf's own layout text knows neither where a character stands nor how large it is, so that a raised
footnote mark would become a digit of the number before it (``0-12`` with a raised 7 would read
0-127) and text inside forms would be lost. Hence this small interpreter of the text operators
(PDF 1.7, ISO 32000-1, section 9.4) on top of pypdf's parser and font tables.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from statistics import median
from typing import Any, NamedTuple

Matrix = tuple[float, float, float, float, float, float]
UNIT: Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)

MAX_GLYPHS = 200_000  # a densely printed page has about 6 000
MAX_FORM_DEPTH = 8
RAISED = "\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079"
_NARROW = 0.8  # a raised variant of a digit is narrower than this part of the usual one


class Glyph(NamedTuple):
    """One character: text, left and right edge, baseline and size in points, and its direction.

    ``turn`` counts quarter turns against the reading direction (0 upright); places are those on
    the page turned back by it, y upwards. ``raised`` says that it is the font's own small variant.
    """

    text: str
    x0: float
    x1: float
    y: float
    size: float
    turn: int = 0
    raised: bool = False
    bold: bool = False


class Page(NamedTuple):
    """What a page holds: its characters in the order of drawing and how many lines are ruled."""

    glyphs: list[Glyph]
    n_rules: int


class PageError(Exception):
    """A page that can't be taken; the message says why, the hint what next."""

    def __init__(self, message: str, hint: str) -> None:
        super().__init__(message)
        self.hint = hint


class NoFontTablesError(Exception):
    """This version of pypdf keeps its font tables elsewhere: only its layout text is left."""


class _Font(NamedTuple):
    """Codes of a font: how to cut them, what each says, its width and which are raised digits."""

    encoding: str  # "" for one byte a code
    texts: dict[str, str]
    widths: dict[str, float]
    default_width: float
    raised: frozenset[str]
    decode: dict[int, str]
    is_blind: bool = False  # codes that `texts` lacks say nothing: they are numbers of shapes
    is_bold: bool = False


class _State:
    """The graphics state that matters for text; copied by q and restored by Q."""

    __slots__ = ("ctm", "font", "leading", "rise", "scale", "size", "spacing", "word_spacing")

    def __init__(self, ctm: Matrix) -> None:
        self.ctm = ctm
        self.font: _Font | None = None
        self.size = 0.0
        self.spacing = 0.0
        self.word_spacing = 0.0
        self.scale = 1.0
        self.leading = 0.0
        self.rise = 0.0

    def copy(self) -> _State:
        """Return an independent copy."""
        other = _State(self.ctm)
        for slot in self.__slots__:
            setattr(other, slot, getattr(self, slot))
        return other


def read_page(page: Any, *, deadline: float) -> Page:
    """Return the characters of a pypdf page.

    Parameters
    ----------
    page : pypdf.PageObject
        The page.
    deadline : float, seconds of time.monotonic
        When to give up.

    Raises
    ------
    PageError
        More characters than `MAX_GLYPHS`, or the deadline has passed.
    NoFontTablesError
        pypdf's font tables are not where this module knows them.
    """
    box = page.mediabox
    base = _turned(int(page.get("/Rotate", 0) or 0), float(box.left), float(box.bottom),
                   float(box.right), float(box.top))  # fmt: skip
    reader = _Interpreter(page.pdf, deadline)
    contents = page.get("/Contents")
    if contents is not None:
        reader.run(contents.get_object(), page, base, 0)
    return Page(reader.glyphs, reader.n_rules)


def _turned(degrees: int, left: float, bottom: float, right: float, top: float) -> Matrix:
    """Return the matrix that shows a page of that box upright with its corner at 0, 0."""
    return {
        90: (0.0, -1.0, 1.0, 0.0, -bottom, right),
        180: (-1.0, 0.0, 0.0, -1.0, right, top),
        270: (0.0, 1.0, -1.0, 0.0, top, -left),
    }.get(degrees % 360, (1.0, 0.0, 0.0, 1.0, -left, -bottom))


def multiply(m: Matrix, n: Matrix) -> Matrix:
    """Return the product of two affine matrices: first ``m``, then ``n``."""
    return (
        m[0] * n[0] + m[1] * n[2],
        m[0] * n[1] + m[1] * n[3],
        m[2] * n[0] + m[3] * n[2],
        m[2] * n[1] + m[3] * n[3],
        m[4] * n[0] + m[5] * n[2] + n[4],
        m[4] * n[1] + m[5] * n[3] + n[5],
    )


class _Interpreter:
    """Runs content streams and collects glyphs."""

    def __init__(self, pdf: Any, deadline: float) -> None:
        self.pdf = pdf
        self.deadline = deadline
        self.glyphs: list[Glyph] = []
        self.n_rules = 0
        self.state = _State(UNIT)
        self.tm = UNIT
        self.tlm = UNIT
        self.fonts: dict[int, _Font] = {}
        self.n_forms = 0

    def run(self, contents: Any, owner: Any, ctm: Matrix, depth: int) -> None:
        """Run one content stream whose resources ``owner`` (page or form) holds."""
        from pypdf.generic import ContentStream

        outer = self.state
        self.state = _State(ctm)
        stack: list[_State] = []
        resources = _resources(owner)
        for count, (operands, operator) in enumerate(
            ContentStream(contents, self.pdf, "bytes").operations
        ):
            if count % 256 == 0 and time.monotonic() > self.deadline:
                raise PageError("takes too long to read", "print it to a new PDF, or type its text")
            if operator == b"q":
                stack.append(self.state.copy())
            elif operator == b"Q":
                if stack:
                    self.state = stack.pop()
            elif operator == b"Do":
                self._form(operands, resources, depth)
            elif operator in (b"l", b"re"):
                self.n_rules += 1
            elif operator == b"Tf":
                self._set_font(operands, resources)
            else:
                self._text_operator(operator, operands)
        self.state = outer

    def _form(self, operands: list[Any], resources: Any, depth: int) -> None:
        """Run a form; pictures are passed over."""
        forms = _get(resources, "/XObject")
        form = _get(forms, operands[0]) if operands else None
        if form is None or _get(form, "/Subtype") != "/Form" or depth >= MAX_FORM_DEPTH:
            return
        self.n_forms += 1
        if self.n_forms > 1000:
            raise PageError("is drawn from more than 1000 forms", "print it to a new PDF")
        matrix = _numbers(_get(form, "/Matrix") or [], 6) or UNIT
        saved, tm, tlm = self.state, self.tm, self.tlm
        owner = form if _get(form, "/Resources") is not None else {"/Resources": resources}
        self.run(form, owner, multiply(matrix, self.state.ctm), depth + 1)
        self.state, self.tm, self.tlm = saved, tm, tlm

    def _set_font(self, operands: list[Any], resources: Any) -> None:
        if len(operands) < 2:
            return
        self.state.size = _number(operands[1])
        font = _get(_get(resources, "/Font"), operands[0])
        if font is None:
            self.state.font = _NO_FONT
            return
        key = id(font)
        if key not in self.fonts:
            self.fonts[key] = _load_font(font)
        self.state.font = self.fonts[key]

    def _text_operator(self, operator: bytes, operands: list[Any]) -> None:
        state = self.state
        if operator == b"cm":
            if matrix := _numbers(operands, 6):
                state.ctm = multiply(matrix, state.ctm)
        elif operator == b"BT":
            self.tm = self.tlm = UNIT
        elif operator == b"Tm":
            if matrix := _numbers(operands, 6):
                self.tm = self.tlm = matrix
        elif operator in (b"Td", b"TD"):
            if len(operands) >= 2:
                if operator == b"TD":
                    state.leading = -_number(operands[1])
                self._move(_number(operands[0]), _number(operands[1]))
        elif operator == b"T*":
            self._move(0.0, -state.leading)
        elif operator in (b"Tj", b"TJ", b"'", b'"'):
            self._show_operator(operator, operands)
        elif operator in _SETTERS and operands:
            name, factor = _SETTERS[operator]
            setattr(state, name, _number(operands[-1]) * factor)

    def _show_operator(self, operator: bytes, operands: list[Any]) -> None:
        if operator == b'"' and len(operands) >= 3:
            self.state.word_spacing = _number(operands[0])
            self.state.spacing = _number(operands[1])
        if operator in (b"'", b'"'):
            self._move(0.0, -self.state.leading)
        if not operands:
            return
        items = operands[0] if operator == b"TJ" else [operands[-1]]
        for item in items if isinstance(items, list) else [items]:
            if isinstance(item, (bytes, str)):
                self._show(item.encode("latin-1", "replace") if isinstance(item, str) else item)
            else:
                shift = -_number(item) / 1000 * self.state.size * self.state.scale
                self.tm = multiply((1.0, 0.0, 0.0, 1.0, shift, 0.0), self.tm)

    def _move(self, x: float, y: float) -> None:
        self.tlm = multiply((1.0, 0.0, 0.0, 1.0, x, y), self.tlm)
        self.tm = self.tlm

    def _show(self, data: bytes) -> None:
        """Show a string: one glyph a code, the text matrix moved on by each width."""
        state, font = self.state, self.state.font or _NO_FONT
        if len(self.glyphs) + len(data) > MAX_GLYPHS:
            raise PageError(
                f"holds more than {MAX_GLYPHS} characters", "give only the pages that you need"
            )
        for code in _codes(font, data):
            width = font.widths.get(code, font.default_width) / 1000 * state.size
            word = state.word_spacing if code == " " else 0.0
            advance = (width + state.spacing + word) * state.scale
            m = multiply((1.0, 0.0, 0.0, 1.0, 0.0, state.rise), multiply(self.tm, state.ctm))
            self._place(_text_of(font, code), m, width * state.scale, font, code in font.raised)
            self.tm = multiply((1.0, 0.0, 0.0, 1.0, advance, 0.0), self.tm)

    def _place(self, text: str, m: Matrix, width: float, font: _Font, raised: bool) -> None:
        """Store a glyph with its place on the page turned so that it stands upright."""
        turn = round(math.atan2(m[1], m[0]) / (math.pi / 2)) % 4 if m[0] or m[1] else 0
        size = abs(self.state.size) * math.hypot(m[2], m[3])
        x, y = m[4], m[5]
        x, y = ((x, y), (y, -x), (-x, -y), (-y, x))[turn]
        length = width * math.hypot(m[0], m[1])
        if size > 0.05 and all(map(math.isfinite, (x, y, size, length))) and abs(x) + abs(y) < 1e5:
            self.glyphs.append(Glyph(text, x, x + length, y, size, turn, raised, font.is_bold))


_SETTERS: dict[bytes, tuple[str, float]] = {
    b"Tc": ("spacing", 1.0),
    b"Tw": ("word_spacing", 1.0),
    b"Tz": ("scale", 0.01),
    b"TL": ("leading", 1.0),
    b"Ts": ("rise", 1.0),
}


def _resources(owner: Any) -> Any:
    """Return the resources of a page or form, inherited from the page tree where it has none."""
    for _ in range(50):
        found = _get(owner, "/Resources")
        if found is not None:
            return found
        owner = _get(owner, "/Parent")
        if owner is None:
            break
    return {}


def _get(container: Any, key: Any) -> Any:
    """Return a dictionary's item with references followed, None where there is none."""
    try:
        item = container.get(key)
        return item.get_object() if hasattr(item, "get_object") else item
    except (AttributeError, TypeError):
        return None


def _number(item: Any) -> float:
    try:
        return float(item)
    except (TypeError, ValueError, OverflowError):
        return 0.0


def _numbers(items: Any, n: int) -> Matrix | None:
    if not isinstance(items, (list, tuple)) or len(items) < n:
        return None
    a, b, c, d, e, f = (_number(item) for item in items[-n:])
    return a, b, c, d, e, f


def _codes(font: _Font, data: bytes) -> str:
    """Return the codes of a shown string, one character each."""
    if not font.encoding:
        return data.decode("latin-1")
    try:
        return data.decode(font.encoding, "surrogatepass")
    except (UnicodeDecodeError, LookupError):
        return data.decode("utf-16-be", "replace")


UNKNOWN = "\ufffd"
"""What stands for a character that the PDF does not name: never a letter, digit or blank."""

_NO_FONT = _Font("", {}, {}, 500.0, frozenset(), {}, is_blind=True)


def _text_of(font: _Font, code: str) -> str:
    """Return the character that a code shows; `UNKNOWN` where the font does not say."""
    text = font.texts.get(code)
    if text is None:
        text = UNKNOWN if font.is_blind else font.decode.get(ord(code), code)
    return UNKNOWN if len(text) > 1 and text[0] == "/" else text  # a glyph name of no standard


def _load_font(resource: Any) -> _Font:
    try:
        from pypdf.generic._font import Font
    except ImportError as error:
        raise NoFontTablesError from error
    font = Font.from_font_resource(resource)
    encoding = font.encoding if isinstance(font.encoding, str) else ""
    decode = {} if isinstance(font.encoding, str) else dict(font.encoding)
    texts = {str(k): str(v) for k, v in font.character_map.items()}
    widths = {k: _number(v) for k, v in font.character_widths.items()}
    default = widths.get("default", 500.0)
    if not encoding:
        for code, name in decode.items():
            texts.setdefault(chr(code), texts.get(name, name))
    is_blind = _get(resource, "/Encoding") in ("/Identity-H", "/Identity-V")
    if not font.interpretable:
        is_blind, texts = True, {}
    is_bold = any(word in font.name.lower() for word in ("bold", "black", "heavy", "demi"))
    raised = _raised_codes(texts, widths)
    return _Font(encoding, texts, widths, default, raised, decode, is_blind, is_bold)


def _raised_codes(texts: dict[str, str], widths: dict[str, float]) -> frozenset[str]:
    """Return the codes that draw a digit as the font's raised variant, told by their width.

    A font with two codes for one digit has the narrower one for raised marks; so has a font whose
    other digits are all of one width.
    """
    by_digit: dict[str, list[str]] = defaultdict(list)
    for code, text in texts.items():
        if text in "0123456789" and len(text) == 1 and widths.get(code, 0.0) > 0:
            by_digit[text].append(code)
    found = set()
    for codes in by_digit.values():
        widest = max(widths[code] for code in codes)
        found |= {code for code in codes if widths[code] < _NARROW * widest}
    usual = [max(widths[code] for code in codes) for codes in by_digit.values()]
    if len(usual) >= 4:
        middle = median(usual)
        if sum(abs(width - middle) < 0.01 * middle for width in usual) >= 0.6 * len(usual):
            found |= {
                code
                for codes in by_digit.values()
                for code in codes
                if widths[code] < _NARROW * middle
            }
    return frozenset(found)
