"""What the tests of the console's pages share: browsers that are signed in, and forms filled and sent."""

import re
from typing import Any

from django.test import Client
from django.urls import reverse

from registry.models import Staff

UNSEEN = ("once_key", "seen_index")


def signed_in(actor: Any) -> Client:
    """Return a browser in which a person has signed in."""
    client = Client()
    client.force_login(Staff.objects.get(pk=actor.staff_id))
    return client


def at(name: str, *keys: Any) -> str:
    """Return the address of a page of the console."""
    return reverse(f"admin:{name}", args=keys)


def text_of(page: Any) -> str:
    """Return a page's text as a person reads it: no tags, entities read, runs of space made one."""
    from html import unescape

    bare = re.sub(r"<(script|style|template)\b.*?</\1>", " ", page.content.decode(), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", bare)).split())


def unseen(page: Any) -> dict[str, str]:
    """Return what a form carries beside what is typed."""
    found = {}
    for name in UNSEEN:
        match = re.search(rf'name="{name}" value="([^"]*)"', page.content.decode())
        assert match, f"the form carries no {name}"
        found[name] = match[1]
    return found


def typed(page: Any, **values: Any) -> dict[str, Any]:
    """Return what a browser would post of the form on a page: what it began with, and what is typed."""
    form = page.context["form"]
    forms = [form, *(getattr(form, "rows", None).forms if getattr(form, "rows", None) else [])]
    data: dict[str, Any] = {}
    if getattr(form, "rows", None) is not None:
        forms.append(form.rows.management_form)
    for one in forms:
        for bound in one:
            value = bound.value()
            data[bound.html_name] = "" if value is None else str(value)
    return {**data, **unseen(page), **{name.replace("__", "-"): value for name, value in values.items()}}


def post(client: Client, address: str, step: str, **values: Any) -> Any:
    """Fill a fresh form with values, and send it."""
    page = client.get(address)
    assert page.status_code == 200, page.status_code
    return client.post(address, {**typed(page, **values), "step": step})


def problems(page: Any) -> dict[str, str]:
    """Return what is refused, by the address of the field on the page; blank for the whole form."""
    assert page.status_code == 422, page.status_code
    return dict(page.context["problems"])


def lines(page: Any) -> list[tuple[str, str, str]]:
    """Return what a page says would change."""
    assert page.status_code == 200, page.status_code
    return [(line.what, line.was, line.will) for line in page.context["lines"]]
