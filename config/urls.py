"""Mounts the faces of the register."""

from django.urls import include, path
from django.views.generic import RedirectView

from registry.console.site import console

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="admin:index"), name="front"),
    path("console/", console.urls),
    path("api/v1/", include("registry.api.urls")),
    path("field/", include("registry.field.addresses")),
]

handler500 = "registry.api.documents.server_error"
