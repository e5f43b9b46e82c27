"""The console's own admin site: it lists and shows; writing has views of its own."""

from typing import Any

from django.contrib.admin import AdminSite


class ConsoleSite(AdminSite):
    """The front page of office staff and auditors."""

    site_header = "Rimebook"
    site_title = "Rimebook"
    index_title = "The register"
    site_url = None

    def get_urls(self) -> list[Any]:
        """Return the site's addresses without Django's password form: a password is set by an action."""
        return [
            url for url in super().get_urls() if not str(getattr(url, "name", "")).startswith("password_")
        ]


console = ConsoleSite()
