"""Staff: who works here, as what, and for which depots. A password goes in and never comes out."""

from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.http import HttpResponse
from django_filters import ChoiceFilter, UUIDFilter
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.actions import staff as actions
from registry.api._fields import In, Key, MomentField, Text, Truth
from registry.api._filters import TruthFilter
from registry.api._views import ListView, RegisterFilter, RegisterView, ThingView, changes
from registry.models import ApiToken, Staff, StaffDepot
from registry.queries.moments import Moment, present
from registry.queries.staff import StaffNow, staff_in, staff_now, staff_with_depots
from registry.rules.roles import Act, Role

_ROLES = [str(role) for role in Role]
_EVERYWHERE = "all depots, without naming them"

# --- what is read ----------------------------------------------------------------------------------


class WhyIn(In):
    """Why."""

    reason = Text(required=False, help_text="enters the ledger for good, so nothing personal")


class RoleIn(WhyIn):
    """A person becomes something else."""

    role = serializers.ChoiceField(choices=_ROLES)


class DepotsIn(WhyIn):
    """A person gets exactly these depots, or all."""

    depots = serializers.ListField(child=Key(), help_text="exactly these; none are possible")
    everywhere = Truth(required=False, help_text=_EVERYWHERE)


class PasswordIn(In):
    """A person gets a new password."""

    password = Text(write_only=True)


class AddIn(PasswordIn):
    """A person is let in."""

    username = Text(help_text="by which the person signs in; kept in lower case")
    name = Text()
    role = serializers.ChoiceField(choices=_ROLES)
    depots = serializers.ListField(child=Key(), required=False)
    everywhere = Truth(required=False, help_text=_EVERYWHERE)


# --- what is shown ---------------------------------------------------------------------------------


class GivenDepotOut(serializers.Serializer):  # type: ignore[type-arg]
    """A depot that is given to a person."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    name = serializers.CharField()


class StaffOut(serializers.Serializer):  # type: ignore[type-arg]
    """A person."""

    id = serializers.UUIDField(source="staff.pk")
    username = serializers.CharField(source="staff.username")
    name = serializers.CharField(source="staff.name")
    role = serializers.ChoiceField(source="staff.role", choices=_ROLES)
    active = serializers.BooleanField(source="staff.is_active", help_text="false: the person has left")
    everywhere = serializers.BooleanField(source="staff.everywhere", help_text=_EVERYWHERE)
    depots = GivenDepotOut(many=True)


class TokenInUseOut(serializers.Serializer):  # type: ignore[type-arg]
    """The token that was sent."""

    id = serializers.UUIDField()
    name = serializers.CharField()
    expires_at = MomentField()


class MeOut(StaffOut):
    """The person who asks, and by what they are signed in."""

    token = TokenInUseOut(allow_null=True, help_text="null: by a browser's session")


class StaffFilter(RegisterFilter):
    """Filters of people."""

    role = ChoiceFilter(choices=[(word, word) for word in _ROLES], label="with this role")
    active = TruthFilter(field_name="is_active", label="true: those only who have not left")
    depot = UUIDFilter(method="of_depot", label="to whom this depot is given by name")

    def of_depot(self, rows: "QuerySet[Any]", name: str, value: UUID) -> "QuerySet[Any]":
        """Keep those to whom a depot is given."""
        return rows.filter(pk__in=StaffDepot.objects.current().filter(depot=value).values("staff"))


# --- addresses -------------------------------------------------------------------------------------


class StaffShown(RegisterView):
    """How one person is shown."""

    noun, place = "staff", "staff"
    out = StaffOut
    reads = Act.READ_STAFF

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a person; raises RuleBroken NOT_FOUND."""
        return self.out(staff_now(key)).data


class StaffListView(StaffShown, ListView):
    """People, with their roles and depots."""

    filters = StaffFilter
    searches = ("username", "name")
    orderings = ("name", "username")

    def rows(self, moment: Moment) -> "QuerySet[Staff]":
        """Return everybody, those who have left too."""
        return staff_in()

    def known(self, rows: list[Any], moment: Moment) -> Iterable[StaffNow]:
        """Return them with their depots."""
        return staff_with_depots(rows)

    @changes(actions.add_staff, AddIn, status=HTTPStatus.CREATED, conditional=False)
    def post(self, request: Request, given: dict[str, Any]) -> HttpResponse:
        """Let a person in, with a role and depots."""
        return self.change(made=lambda person: person.pk, **given)


class StaffView(StaffShown, ThingView):
    """One person."""


class StaffRoleView(StaffShown):
    """The role of a person."""

    @changes(actions.change_role, RoleIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Give a person another role."""
        return self.change(key=key, staff_id=key, **given)


class StaffDepotsView(StaffShown):
    """The depots of a person."""

    @changes(actions.change_depots, DepotsIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Give a person exactly these depots, or all."""
        return self.change(key=key, staff_id=key, **given)


class StaffDeactivateView(StaffShown):
    """The leaving of a person."""

    @changes(actions.deactivate_staff, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Let nobody sign in as this person any more."""
        return self.change(key=key, staff_id=key, **given)


class StaffReactivateView(StaffShown):
    """The coming back of a person."""

    @changes(actions.reactivate_staff, WhyIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Let a person in again."""
        return self.change(key=key, staff_id=key, **given)


class StaffPasswordView(StaffShown):
    """The password of a person."""

    @changes(actions.set_password, PasswordIn)
    def post(self, request: Request, key: UUID, given: dict[str, Any]) -> HttpResponse:
        """Set a person's password, which no answer ever shows."""
        return self.change(key=key, staff_id=key, **given)


class MeView(RegisterView):
    """The person who asks."""

    out = MeOut
    tagged = True

    def get(self, request: Request) -> Response:
        """Say who is asking: name, role, depots, and by which token."""
        self.only()
        moment = present()
        shown = StaffOut(staff_now(self.staff.pk)).data
        token = request.auth if isinstance(request.auth, ApiToken) else None
        return self.one({**shown, "token": TokenInUseOut(token).data if token else None}, moment)
