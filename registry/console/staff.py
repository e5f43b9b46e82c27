"""People: who works here, as what and for which depots; and the tokens of their phones."""

from collections.abc import Callable, Mapping
from datetime import timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.urls import reverse

from registry.actions import staff, tokens
from registry.console._choices import zone_of_person
from registry.console._forms import Choice, PlainForm, Reason, Text, WholeNumber, words_of
from registry.console._pages import Button, Visit, page
from registry.console._writing import Wish, write, writing
from registry.models import Depot
from registry.queries.changes import ChangeLine
from registry.queries.staff import StaffNow, staff_in, staff_now, staff_with_depots
from registry.queries.tokens import token_now, tokens_in
from registry.rules.roles import Act, Role
from registry.rules.tokens import LIFE_DEFAULT, LIFE_MAX

PEOPLE_SHOWN = 50  # on one page
TOKENS_SHOWN = 50  # of one person: the newest
ALL, NAMED = "all", "named"


def address_of(key: UUID) -> str:
    """Return the address of a person's page."""
    return reverse("admin:person", args=[key])


def trail() -> list[tuple[str, str]]:
    """Return the way from the front page to a person."""
    return [("Staff", reverse("admin:staff"))]


@page(reads=Act.READ_STAFF)
def people(visit: Visit) -> HttpResponse:
    """List the people: those who work here first, then those who have left."""
    rows = staff_in().order_by("-is_active", "name", "id")
    shown = Paginator(rows, PEOPLE_SHOWN).get_page(visit.request.GET.get("page"))
    return visit.show(
        "console/staff.html",
        {
            "title": "Staff",
            "shown": shown,
            "people": staff_with_depots(shown.object_list),
            "buttons": visit.buttons((staff.add_staff, "Add a person", reverse("admin:staff_add"))),
            "keep_query": "",
        },
    )


@page(reads=Act.READ_STAFF)
def person(visit: Visit, key: UUID) -> HttpResponse:
    """Show a person: role, depots, and the tokens of their phones to those who manage them."""
    visit.in_zone(zone_of_person(visit))
    now = staff_now(key)
    manages = visit.allows(Act.MANAGE_TOKENS)
    held = tokens_in().filter(staff=key).order_by("revoked", "-expires_at", "id")[:TOKENS_SHOWN]
    return visit.show(
        "console/person.html",
        {
            "title": now.staff.name,
            "trail": trail(),
            "now": now,
            "buttons": _buttons(visit, now),
            "manages_tokens": manages,
            "tokens": [(token, token.expires_at <= visit.now) for token in held] if manages else [],
            "token_buttons": visit.buttons(
                (tokens.issue_token, "Issue a token", reverse("admin:token_issue", args=[key]))
            )
            if now.staff.is_active
            else [],
        },
    )


def _buttons(visit: Visit, now: StaffNow) -> list[Button]:
    def to(name: str) -> str:
        return reverse(f"admin:{name}", args=[now.staff.pk])

    if not now.staff.is_active:
        return visit.buttons((staff.reactivate_staff, "Let in again", to("staff_reactivate")))
    return visit.buttons(
        (staff.change_role, "Change the role", to("staff_role")),
        (staff.change_depots, "Change the depots", to("staff_depots")),
        (staff.set_password, "Set a password", to("staff_password")),
        (staff.deactivate_staff, "Has left", to("staff_deactivate")),
    )


# --- forms -----------------------------------------------------------------------------------------


class Depots(forms.TypedMultipleChoiceField):
    """Depots, each ticked or not."""

    def __init__(self) -> None:
        super().__init__(
            label="Depots by name", required=False, coerce=UUID, widget=forms.CheckboxSelectMultiple
        )

    def offer(self) -> None:
        """Offer every depot, by code."""
        self.choices = [(str(depot.pk), depot.label) for depot in Depot.objects.order_by("code")]


class DepotsForm(PlainForm):
    """For which depots a person works."""

    sees = Choice("Works for", [(NAMED, "the depots named here"), (ALL, "all depots, those to come too")])
    depots = Depots()

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["depots"].offer()  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        """Refuse depots by name beside all of them."""
        if self.cleaned_data.get("sees") == ALL and self.cleaned_data.get("depots"):
            self.add_error("depots", "All depots need no names. Untick them, or choose those named here.")
        return self.cleaned_data

    def given_depots(self) -> dict[str, Any]:
        """Return the depots as the actions take them."""
        return {"depots": self.cleaned_data["depots"], "everywhere": self.cleaned_data["sees"] == ALL}


class ChangeDepotsForm(DepotsForm):
    """For which depots a person works from now on, and why."""

    reason = Reason()


class PasswordForm(PlainForm):
    """A password that somebody gets."""

    password = Text(
        "Password",
        widget=forms.PasswordInput({"autocomplete": "new-password"}),
        help_text="Tell it to the person in private.",
    )


class AddForm(DepotsForm, PasswordForm):
    """Somebody new."""

    name = Text("Name")
    username = Text("Name to sign in with", help_text="short, without spaces; small letters")
    role = Choice("Role", words_of(Role), blank="choose")
    field_order = ["name", "username", "password", "role", "sees", "depots"]


class RoleForm(PlainForm):
    """What a person is to the register."""

    role = Choice("Role", words_of(Role))
    reason = Reason()


class WhyForm(PlainForm):
    """Why."""

    reason = Reason()


# --- people ----------------------------------------------------------------------------------------


@writing(staff.add_staff)
def add(visit: Visit) -> HttpResponse:
    """Let a person in, with a role and depots."""
    return write(
        visit,
        Wish(
            title="Add a person",
            form=AddForm,
            action=staff.add_staff,
            arguments=lambda form: {
                **{name: form.cleaned_data[name] for name in ("name", "username", "password", "role")},
                **form.given_depots(),
            },
            back=reverse("admin:staff"),
            after=lambda written: address_of(written.pk),
            initial={"sees": NAMED},
            words="The ledger learns role and depots, and a commitment of the name: never name or password.",
            template="console/writing_at_once.html",
        ),
    )


@writing(staff.set_password)
def set_password(visit: Visit, key: UUID) -> HttpResponse:
    """Set a person's password."""
    return _write(
        visit,
        key,
        "Set a password for",
        staff.set_password,
        PasswordForm,
        PlainForm.given,
        "The old one ends at once, and so does what is signed in with it.",
        template="console/writing_at_once.html",
    )


@writing(staff.change_role)
def change_role(visit: Visit, key: UUID) -> HttpResponse:
    """Give a person another role."""
    now = staff_now(key)
    return _write(
        visit,
        key,
        "Change the role of",
        staff.change_role,
        RoleForm,
        PlainForm.given,
        initial={"role": now.staff.role},
    )


@writing(staff.change_depots)
def change_depots(visit: Visit, key: UUID) -> HttpResponse:
    """Give a person other depots."""
    now = staff_now(key)
    return _write(
        visit,
        key,
        "Change the depots of",
        staff.change_depots,
        ChangeDepotsForm,
        lambda form: {**form.given_depots(), "reason": form.cleaned_data["reason"]},
        "They see and change what belongs to these depots, and nothing else.",
        initial={
            "sees": ALL if now.staff.everywhere else NAMED,
            "depots": [str(depot.pk) for depot in now.depots],
        },
    )


@writing(staff.deactivate_staff)
def deactivate(visit: Visit, key: UUID) -> HttpResponse:
    """Let nobody sign in as a person any more."""
    words = "Nobody signs in as them any more, nor with their tokens. What they did stays theirs."
    return _write(visit, key, "Has left:", staff.deactivate_staff, WhyForm, PlainForm.given, words)


@writing(staff.reactivate_staff)
def reactivate(visit: Visit, key: UUID) -> HttpResponse:
    """Let a person in again."""
    words = "With the role, depots, password and tokens that they had."
    return _write(visit, key, "Let in again:", staff.reactivate_staff, WhyForm, PlainForm.given, words)


def _write(
    visit: Visit,
    key: UUID,
    verb: str,
    action: Callable[..., Any],
    form: type[PlainForm],
    arguments: Callable[[Any], Mapping[str, Any]],
    words: str = "",
    **more: Any,
) -> HttpResponse:
    """Write something about a person; every such page has the same shape."""
    now = staff_now(key)
    return write(
        visit,
        Wish(
            title=f"{verb} {now.staff.name}",
            form=form,
            action=action,
            arguments=lambda typed: {"staff_id": key, **arguments(typed)},
            back=address_of(key),
            about=[key],
            words=words,
            **more,
        ),
    )


# --- tokens ----------------------------------------------------------------------------------------


class IssueForm(PlainForm):
    """For which phone or program a token is, and how long it lives."""

    name = Text(
        "Phone or program", help_text="so that it is known again, such as: phone of the Tarnmouth van"
    )
    days = WholeNumber("Lives for, in days", help_text=f"up to {LIFE_MAX.days}")
    reason = Reason()

    def arguments(self, visit: Visit) -> dict[str, Any]:
        """Return what the action takes."""
        given = self.given()
        days = timedelta(days=min(max(given.pop("days"), 0), 10 * LIFE_MAX.days))  # the rule knows the bounds
        return {**given, "expires_at": visit.now + days}


@writing(tokens.issue_token)
def issue(visit: Visit, key: UUID) -> HttpResponse:
    """Issue a token; its secret is shown once, in the answer to this form."""
    visit.in_zone(zone_of_person(visit))
    return _write(
        visit,
        key,
        "Issue a token to",
        tokens.issue_token,
        IssueForm,
        lambda form: form.arguments(visit),
        "With it a phone or program does through the API what this person may. Its secret is shown once.",
        initial={"days": LIFE_DEFAULT.days},
        fields={"expires_at": "days"},
        also=lambda form: [ChangeLine("name of the token", "nothing", form.cleaned_data["name"])],
        shown_once=lambda written: written[1],
    )


@writing(tokens.revoke_token)
def revoke(visit: Visit, key: UUID) -> HttpResponse:
    """Let nobody sign in with a token any more."""
    token = token_now(key)
    return write(
        visit,
        Wish(
            title=f"Revoke the token of {token.name}",
            form=WhyForm,
            action=tokens.revoke_token,
            arguments=lambda form: {"token_id": key, **form.given()},
            back=address_of(token.staff_id),
            about=[key],
            words=f"It is one of {token.staff.name}'s. Whatever holds its secret is locked out at once.",
        ),
    )
