"""The console's own admin site: it lists and shows; writing has views of its own."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib.admin import AdminSite
from django.contrib.admin.forms import AdminAuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.urls import URLPattern, path, reverse

from registry.console._pages import Visit, visit_of
from registry.models import Staff
from registry.rules.roles import Act

# Django's own addresses that are not ours: the front page has our words, passwords are set by an action,
# and nothing is typed into Django's forms.
LEFT_OUT = ("index", "password_change", "password_change_done", "autocomplete", "view_on_site", "app_list")


class SignIn(AdminAuthenticationForm):
    """The way in: a name and a password."""

    error_messages = {
        "invalid_login": "This name and password do not belong together, or the person has left."
        " Mind capital letters.",
        "inactive": "This person has left.",
    }

    def confirm_login_allowed(self, user: Any) -> None:
        """Raise ValidationError for somebody who works through the API alone."""
        if not user.is_staff:
            raise forms.ValidationError(
                "Installers work with their phones. Ask an administrator if you need the console."
            )


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the console to go to from every page."""

    words: str
    address: str
    here: bool


# The places to go to from every page: words, name of the address, who alone sees it (None: everybody).
PLACES: list[tuple[str, str, Callable[[Visit], bool] | None]] = [
    ("Locations", "registry_location_changelist", None),
    ("Accounts", "registry_account_changelist", None),
    ("Cabinets", "registry_cabinet_changelist", None),
    ("Devices", "registry_device_changelist", None),
    ("Visits", "visits", None),
    ("Fleet", "fleet", None),
    ("Quarantine", "quarantine", None),
    ("Counts", "counts", lambda visit: visit.allows(Act.COUNT)),
    ("Catalogue", "catalogue", None),
    ("Staff", "staff", lambda visit: visit.allows(Act.READ_STAFF)),
    ("Ledger", "registry_entry_changelist", Visit.sees_ledger),
]


class ConsoleSite(AdminSite):
    """The front page of office staff and auditors."""

    site_header = "Rimebook"
    site_title = "Rimebook"
    index_title = "The register"
    site_url = None
    enable_nav_sidebar = False
    login_form = SignIn

    def get_urls(self) -> list[Any]:
        """Return the console's own addresses first, then the lists of Django's admin."""
        from registry.console.addresses import PAGES  # its pages need this site

        lists = [url for url in super().get_urls() if getattr(url, "name", "") not in LEFT_OUT]
        return [*(self._own(url) for url in PAGES), *lists]

    def _own(self, url: URLPattern) -> URLPattern:
        return path(str(url.pattern), self.admin_view(url.callback), name=url.name)

    def each_context(self, request: HttpRequest) -> dict[str, Any]:
        """Return what every page of the site needs; where to go is ours, so Django's list is not made."""
        let_in = self.has_permission(request)
        return {
            "site_title": self.site_title,
            "site_header": self.site_header,
            "site_url": self.site_url,
            "has_permission": let_in,
            "available_apps": [],
            "is_popup": False,
            "is_nav_sidebar_enabled": False,
            "log_entries": None,
            "places": self._places(request) if let_in else [],
        }

    def _places(self, request: HttpRequest) -> list[Place]:
        visit = visit_of(request)
        found = []
        for words, name, seen in PLACES:
            if seen is None or seen(visit):
                address = reverse(f"admin:{name}")
                own = f"{reverse('admin:index')}{words.lower()}/"  # where the pages of these things are
                found.append(Place(words, address, request.path.startswith((address, own))))
        return found

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        """Show the way in, under our own title."""
        return super().login(request, {"title": "Sign in", **(extra_context or {})})

    def has_permission(self, request: HttpRequest) -> bool:
        """Say whether the console lets the person in."""
        user = request.user
        return isinstance(user, Staff) and user.is_staff


console = ConsoleSite()
