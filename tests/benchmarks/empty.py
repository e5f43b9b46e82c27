"""The register's addresses and one more, which answers an authenticated POST with nothing.

Served by tests.benchmarks.assignment_http in the place of config.wsgi, so that an assignment is timed beside
what signing in, reading and answering cost by themselves.
"""

import os

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

import django

django.setup()

from django.conf import settings  # noqa: E402

settings.ROOT_URLCONF = __name__

from django.core.wsgi import get_wsgi_application  # noqa: E402
from django.urls import include, path  # noqa: E402
from rest_framework.request import Request  # noqa: E402
from rest_framework.response import Response  # noqa: E402

from registry.api._views import RegisterView  # noqa: E402


class EmptyView(RegisterView):
    """Does nothing, for somebody who is signed in."""

    def post(self, request: Request) -> Response:
        """Answer with nothing."""
        return Response({"read": len(request.data)})


urlpatterns = [path("empty/", EmptyView.as_view()), path("", include("config.urls"))]
application = get_wsgi_application()
