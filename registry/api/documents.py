"""What the API says of itself: its schema, its documentation, and what each problem means."""

from typing import Any, ClassVar

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.views import View
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.views import SpectacularAPIView
from rest_framework import serializers
from rest_framework.exceptions import NotFound
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._fields import JsonOut
from registry.api._views import RegisterView
from registry.api.problems import MEDIA_TYPE, ApiCode, status_of, title_of
from registry.rules.errors import Code


class MadeOnce(SchemaGenerator):  # type: ignore[misc]
    """Makes the schema once a process: it hangs on nothing but the code, and takes a second to make."""

    _made: ClassVar[dict[bool, Any]] = {}

    def get_schema(self, request: Any = None, public: bool = False) -> Any:
        """Return the schema."""
        if public not in self._made:
            self._made[public] = super().get_schema(request=request, public=public)  # type: ignore[no-untyped-call]
        return self._made[public]


class SchemaView(SpectacularAPIView):  # type: ignore[misc]
    """The OpenAPI schema, open to everybody: it tells nothing of what is in the register."""

    generator_class = MadeOnce
    authentication_classes = ()
    permission_classes = ()

    def handle_exception(self, exc: Exception) -> Response:
        """Tell a problem in JSON, in whatever form the schema was asked for."""
        self.request.accepted_renderer, self.request.accepted_media_type = JsonOut(), JsonOut.media_type
        return super().handle_exception(exc)


class DocumentationView(View):
    """The documentation to read, and to try; all of its files are our own."""

    def get(self, request: HttpRequest) -> HttpResponse:
        """Show the page."""
        return render(request, "registry/api_documentation.html")


_CODES = sorted({*map(str, Code), *map(str, ApiCode)})


class ProblemKindOut(serializers.Serializer):  # type: ignore[type-arg]
    """A kind of problem."""

    code = serializers.ChoiceField(choices=_CODES)
    title = serializers.CharField()
    status = serializers.IntegerField()


class ProblemView(RegisterView):
    """What a problem's `type` leads to."""

    authentication_classes = ()
    permission_classes = ()
    out = ProblemKindOut

    def get(self, request: Request, code: str) -> Response:
        """Say what a code stands for."""
        if code not in _CODES:
            raise NotFound
        return Response({"code": code, "title": title_of(code), "status": int(status_of(code))})


class NowhereView(RegisterView):
    """Any other address."""

    schema = None
    authentication_classes = ()
    permission_classes = ()

    def initial(self, request: Request, *args: Any, **keys: Any) -> None:
        """Say that there is nothing."""
        raise NotFound


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer a defect of ours: to a program as a problem document, to a person as a page."""
    if request.path.startswith("/api/"):
        return JsonResponse(
            {
                "type": "about:blank",
                "title": "Internal Server Error",
                "status": 500,
                "detail": "Something is wrong with the register's program. Nothing was written;"
                " tell the office, and send the same again later.",
            },
            status=500,
            content_type=MEDIA_TYPE,
        )
    return render(request, "500.html", status=500)
