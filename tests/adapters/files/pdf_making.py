"""PDFs made at test time, typeset or with a content stream of one's own; and what they raise."""

from __future__ import annotations

import io
from collections.abc import Callable

from knobwright.core.errors import KnobwrightError

HELVETICA = b"<< /Font << /F1 << /Type /Font /Subtype /Type1 /BaseFont /Helvetica >> >> >>"


def typeset(source: str) -> bytes:
    """Return the PDF of a typst source."""
    import typst

    made = typst.compile(source.encode(), format="pdf")
    assert isinstance(made, bytes)
    return made


def raw_pdf(
    content: bytes,
    *,
    resources: bytes = HELVETICA,
    keys: bytes = b"",
    page: bytes = b"",
    n_pages: int = 1,
) -> bytes:
    """Return a PDF of ``n_pages`` pages of 595 by 842 points that all show ``content``.

    ``keys`` go into the stream's dictionary, ``page`` into the pages'.
    """
    kids = b" ".join(b"%d 0 R" % (4 + i) for i in range(n_pages))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Count %d /Kids [%s] >>" % (n_pages, kids),
        b"<< /Length %d %s >>\nstream\n%s\nendstream" % (len(content), keys, content),
    ]
    objects += [
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents 3 0 R /Resources "
        + resources
        + page
        + b" >>"
    ] * n_pages
    out = io.BytesIO()
    out.write(b"%PDF-1.7\n")
    starts = []
    for number, item in enumerate(objects, 1):
        starts.append(out.tell())
        out.write(b"%d 0 obj\n%s\nendobj\n" % (number, item))
    table = out.tell()
    out.write(b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1))
    out.writelines(b"%010d 00000 n \n" % start for start in starts)
    out.write(
        b"trailer << /Root 1 0 R /Size %d >>\nstartxref\n%d\n%%%%EOF" % (len(objects) + 1, table)
    )
    return out.getvalue()


def text_at(x: float, y: float, text: str, size: float = 9) -> bytes:
    """Return the operators that show ``text`` at a place in points from the lower left."""
    return b"BT /F1 %f Tf %f %f Td (%s) Tj ET\n" % (size, x, y, text.encode("latin-1"))


def refusal(call: Callable[[], object]) -> KnobwrightError | None:
    """Return the error of ours that ``call`` raises, None where it raises none."""
    try:
        call()
    except KnobwrightError as error:
        return error
    return None
