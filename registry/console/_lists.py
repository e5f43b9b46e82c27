"""What every list of the console is: it lists and shows, for those who may see; writing has its own views."""

from collections.abc import Callable
from typing import Any, ClassVar

from django.contrib.admin import ModelAdmin, ShowFacets
from django.contrib.admin.views.main import ChangeList
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse
from django.utils.text import capfirst

from registry.console._pages import Visit, refused, visit_of
from registry.rules.errors import absent

Offer = tuple[Callable[..., Any], str, str]  # an action, what its button says, the name of its address


class Rows(ChangeList):
    """A list whose rows lead to our own pages where there are any."""

    def url_for_result(self, result: Any) -> str:
        name = getattr(self.model_admin, "page", "")
        return reverse(f"admin:{name}", args=[result.pk]) if name else super().url_for_result(result)


class ListOnly(ModelAdmin):  # type: ignore[type-arg]
    """A list without a way to write: ModelAdmin's own save path wraps everything in its own transaction.

    `page` names the address of our own page of a row; without one Django's form shows it. `offers` are the
    buttons above the list, `words` what it lists, `when_empty` what to do first.
    """

    actions = None
    list_per_page = 50
    show_full_result_count = False
    show_facets = ShowFacets.NEVER
    page: ClassVar[str] = ""
    offers: ClassVar[tuple[Offer, ...]] = ()
    list_title: ClassVar[str] = ""
    words: ClassVar[str] = ""
    when_empty: ClassVar[str] = "There is nothing here yet."

    def get_changelist(self, request: HttpRequest, **options: Any) -> type[ChangeList]:
        """Return the list whose rows lead to our pages."""
        return Rows

    def changelist_view(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> Any:
        """Show the list, with what this person may do from there."""
        visit = visit_of(request)
        buttons = visit.buttons(
            *((action, words, reverse(f"admin:{name}")) for action, words, name in self.offers)
        )
        told = {
            "buttons": buttons,
            "title": self.list_title or capfirst(str(self.opts.verbose_name_plural)),
            "list_title": self.list_title,
            "list_words": self.words,
            "when_empty": self.when_empty,
        }
        return super().changelist_view(request, {**told, **(extra_context or {})})

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show a row: on our own page where there is one."""
        if request.method != "GET":
            raise PermissionDenied
        row = self.get_object(request, object_id)
        if row is None or not self.has_view_permission(request, row):
            return refused(visit_of(request), absent(None))
        if self.page:
            return HttpResponseRedirect(reverse(f"admin:{self.page}", args=[row.pk]))
        return super().change_view(request, object_id, form_url, {"title": str(row), **(extra_context or {})})

    def history_view(
        self, request: HttpRequest, object_id: str, extra_context: dict[str, Any] | None = None
    ) -> HttpResponse:
        """Show none: what happened is told by the ledger, on our own pages."""
        return refused(visit_of(request), absent(None))

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Nobody adds here."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody changes here."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nobody deletes here."""
        return False


class OfDepots(ListOnly):
    """A list of what belongs to depots: each person sees that of their own."""

    def seen(self, visit: Visit) -> "QuerySet[Any]":
        """Return the rows that this person may see."""
        raise NotImplementedError

    def get_queryset(self, request: HttpRequest) -> "QuerySet[Any]":
        """Return the rows that this person may see, in the order of the list."""
        return self.seen(visit_of(request)).order_by(*self.ordering or ())
