"""Broken and hostile PDFs: one clear error with place and next step, in bounded time."""

from __future__ import annotations

import io
import logging
import time
import zlib

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.adapters.files import pdf
from knobwright.core.errors import LeafletError
from tests.adapters.files.pdf_making import raw_pdf, refusal, text_at, typeset

GOOD = raw_pdf(text_at(50, 700, "Volume") + text_at(200, 700, "B0 07 vv"))
FLATE = b"/Filter /FlateDecode"
BLIND = (
    b"<< /Font << /F1 << /Type /Font /Subtype /Type0 /BaseFont /Odd /Encoding /Identity-H"
    b" /DescendantFonts [<< /Type /Font /Subtype /CIDFontType2 /BaseFont /Odd >>] >> >> >>"
)


def encrypted(password: str) -> bytes:
    """Return a good PDF encrypted with RC4, which needs no further library."""
    writer = pypdf.PdfWriter(clone_from=io.BytesIO(GOOD))
    writer.encrypt(password, "owner", algorithm="RC4-128")
    out = io.BytesIO()
    writer.write(out)
    return out.getvalue()


def nested(opening: bytes, closing: bytes) -> bytes:
    """Return a PDF whose content nests 100 000 deep."""
    return raw_pdf(b"BT /F1 9 Tf " + opening * 100_000 + closing * 100_000 + b" TJ ET")


HOSTILE = {
    "only a header": (b"%PDF-1.7", "damaged"),
    "truncated": (typeset("= Hall")[:-300], "damaged"),
    "encrypted": (encrypted("secret"), "encrypted"),
    "no text layer": (raw_pdf(b"0 0 100 100 re f"), "no text .* scan"),
    "no pages": (raw_pdf(b"", n_pages=0), "without pages"),
    "501 pages": (raw_pdf(b"", n_pages=501), "501 pages; a leaflet may have 500"),
    "nested arrays": (nested(b"[", b"]"), "nested too deeply|damaged"),
    "nested dictionaries": (nested(b"<</A ", b">>"), "damaged"),
    "a bomb": (raw_pdf(zlib.compress(bytes(200_000_000), 9), keys=FLATE), "damaged"),
    "a million characters": (raw_pdf(text_at(50, 700, "x" * 1_000_000, 0.1)), "200000 characters"),
    "a row of 150 000 characters": (
        raw_pdf(text_at(50, 700, "x" * 150_000, 0.1)),
        "100000 characters",
    ),
    "a form that draws itself": (
        raw_pdf(
            b"/X Do /X Do",
            resources=b"<< /XObject << /X 3 0 R >> >>",
            keys=b"/Type /XObject /Subtype /Form /BBox [0 0 9 9]",
        ),
        "no text",
    ),
    "a font without names for its shapes": (
        raw_pdf(b"BT /F1 9 Tf 50 700 Td <00240025> Tj ET", resources=BLIND),
        "fonts don't say",
    ),
    "a font that is not there": (
        raw_pdf(b"BT /F9 9 Tf 50 700 Td (Volume) Tj ET"),
        "fonts don't say",
    ),
    "33 MiB": (b"%PDF-1.7" + bytes(33 * 2**20), "33.0 MiB"),
}


@pytest.mark.parametrize("data, wanted", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_cannot_be_read_is_said(
    data: bytes, wanted: str, capfd: pytest.CaptureFixture[str]
) -> None:
    start = time.monotonic()
    with pytest.raises(LeafletError, match=wanted) as caught:
        pdf.read(data, "x.pdf")
    assert time.monotonic() - start < 20  # a bound against hanging, not a measurement
    assert caught.value.where.startswith("x.pdf")
    assert caught.value.hint
    assert capfd.readouterr() == ("", "")


def test_a_bad_page_is_named() -> None:
    with pytest.raises(LeafletError) as caught:
        pdf.read(nested(b"[", b"]"), "x.pdf")
    assert caught.value.where == "x.pdf, page 1"


def test_an_empty_password_is_tried() -> None:
    assert pdf.read(encrypted(""), "x").rows[0].cells == ("Volume", "B0 07 vv")


def test_time_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "MAX_SECONDS", 0.0)
    with pytest.raises(LeafletError, match="too long") as caught:
        pdf.read(GOOD, "x.pdf")
    assert caught.value.where == "x.pdf, page 1"


def test_many_lines_and_marks_take_no_quadratic_time() -> None:
    start = time.monotonic()
    content = b"BT /F1 9 Tf 50 700 Td " + b"(x) Tj 0 0.01 Td " * 20_000 + b"/F1 5 Tf "
    pdf.read(raw_pdf(content + b"(7) Tj 0 -0.01 Td " * 20_000 + b"ET"), "x")
    assert time.monotonic() - start < 20  # a bound against hanging, not a measurement


def test_the_parsers_keep_quiet_and_their_loggers_are_as_before(
    capfd: pytest.CaptureFixture[str],
) -> None:
    level = logging.getLogger("pypdf").level
    pdf.read(GOOD.replace(b"startxref\n", b"startxref\n9"), "x")  # pypdf warns and repairs
    assert capfd.readouterr() == ("", "")
    assert logging.getLogger("pypdf").level == level


@settings(max_examples=60)
@given(st.data())
def test_damaged_bytes_raise_nothing_but_our_errors(data: st.DataObject) -> None:
    damaged = bytearray(GOOD)
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        damaged[at] = data.draw(st.sampled_from(b"0123456789/<>[]()RTfj %\n\0\xff"))
    error = refusal(lambda: pdf.read(bytes(damaged), "x"))
    assert error is None or (error.hint and "\n" not in str(error))


@settings(max_examples=60)
@given(st.binary(max_size=200))
def test_arbitrary_content_raises_nothing_but_our_errors(content: bytes) -> None:
    made = raw_pdf(b"BT /F1 9 Tf 50 700 Td (Volume) Tj " + content)
    error = refusal(lambda: pdf.read(made, "x"))
    assert error is None or error.hint
