"""The console's own admin site: it lists and shows; writing has views of its own."""

from django.contrib.admin import AdminSite


class ConsoleSite(AdminSite):
    """The front page of office staff and auditors."""

    site_header = "Rimebook"
    site_title = "Rimebook"
    index_title = "The register"


console = ConsoleSite()
