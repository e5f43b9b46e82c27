"""Sheets: rows as comma-separated values (RFC 4180), safe to open where a cell may be a formula."""

import csv
import io
from collections.abc import Iterable, Sequence

MEDIA_TYPE = "text/csv"
# A cell that begins so may be computed by the program that opens the sheet (OWASP, CSV Injection).
_COMPUTED = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def sheet(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a sheet: the header, then the rows; lines end in CRLF (RFC 4180, section 2).

    None is an empty cell. A text that a program could take for a formula gets an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(header)
    for row in rows:
        writer.writerow([_plain(cell) for cell in row])
    return out.getvalue()


def _plain(cell: object) -> str:
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, int):
        return str(cell)
    text = str(cell)
    return f"'{text}" if text.startswith(_COMPUTED) else text
