"""Tables as CSV (RFC 4180), safe to open where a cell that begins like a formula would be calculated."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from io import StringIO
from typing import Any

from django.http import HttpResponse
from django.utils.http import content_disposition_header
from rest_framework.renderers import BaseRenderer

from registry.api._fields import show_moment

MEDIA_TYPE = "text/csv"
# What a spreadsheet takes for the beginning of a formula, or skips on the way to one.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


class CsvOut(BaseRenderer):
    """CSV as it is asked for by the Accept header; the table itself is made by `csv_answer`."""

    media_type = MEDIA_TYPE
    format = "csv"

    def render(self, data: Any, accepted_media_type: Any = None, renderer_context: Any = None) -> bytes:
        """Refuse: nothing but `csv_answer` makes CSV."""
        raise NotImplementedError


def csv_cell(value: object) -> str:
    """Return a value as a cell: times in UTC, nothing for None, and no formula.

    Text that begins like a formula gets an apostrophe before it, which spreadsheets read as "this is text".
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    text = show_moment(value) if isinstance(value, datetime) else str(value)
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def csv_answer(
    columns: Sequence[str], rows: Iterable[Sequence[object]], name: str, headers: Mapping[str, str]
) -> HttpResponse:
    """Answer with a table to be kept as a file of that name; its first line names the columns."""
    written = StringIO(newline="")
    table = csv.writer(written)  # lines end in CRLF, quotes are doubled: RFC 4180, section 2
    table.writerow(columns)
    table.writerows([csv_cell(value) for value in row] for row in rows)
    return HttpResponse(
        written.getvalue(),
        content_type=f"{MEDIA_TYPE}; charset=utf-8; header=present",  # RFC 4180, section 3
        headers={"Content-Disposition": content_disposition_header(True, name) or "attachment", **headers},
    )
