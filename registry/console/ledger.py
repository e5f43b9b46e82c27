"""The ledger, read: one entry as a sentence, with what it wrote; its canonical text on demand."""

import json

from django.http import HttpResponse

from registry.console._pages import INDEX_DIGITS_MAX, Visit, page
from registry.models import Entry
from registry.queries.changes import change_lines
from registry.queries.entries import clock_offset_s, stated_at
from registry.queries.timelines import images_of, told_event
from registry.rules.errors import absent
from registry.rules.roles import Act

INDEX_MAX = 10**INDEX_DIGITS_MAX


def clock_words(offset_s: int) -> str:
    """Return how far a clock was out whose stated times were moved by so many seconds; blank for none."""
    if not offset_s:
        return ""
    minutes, seconds = divmod(abs(offset_s), 60)
    span = f"{minutes} min {seconds} s" if minutes else f"{seconds} s"
    return f"{span} {'slow' if offset_s > 0 else 'fast'}"


@page(reads=Act.READ_LEDGER)
def entry(visit: Visit, index: int) -> HttpResponse:
    """Show an entry: its sentence, what each row said before and after, and what it is about."""
    if not visit.scope.everywhere or index > INDEX_MAX:
        raise absent("entry")
    event = told_event(index, visit.zone)
    row = Entry.objects.prefetch_related("subjects").get(pk=index)
    labels = {str(subject.thing_id): subject.label for subject in row.subjects.all()}
    context = {
        "title": f"Entry {index}",
        "event": event,
        "row": row,
        "lines": change_lines(images_of(row), labels, index, visit.zone),
        "clock": clock_words(clock_offset_s(row)),
        "stated_at": stated_at(row),
        "leaf_hash": bytes(row.leaf_hash).hex(),
        "newest": visit.present.index,
    }
    if "text" in visit.request.GET:
        context["text"] = json.dumps(json.loads(row.body), indent=2, ensure_ascii=False)
    return visit.show("console/entry.html", context)
