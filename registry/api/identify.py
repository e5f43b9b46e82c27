"""What a scanned code is."""

from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from registry.api._views import RegisterView
from registry.queries.scans import Identified, identify
from registry.rules.errors import RuleBroken
from registry.rules.events import Kind
from registry.rules.identifiers import ScanKind, ScanSource
from registry.rules.particulars import invalid


class ElementOut(serializers.Serializer):  # type: ignore[type-arg]
    """A GS1 element: its application identifier and value."""

    identifier = serializers.SerializerMethodField()
    value = serializers.SerializerMethodField()

    def get_identifier(self, element: tuple[str, str]) -> str:
        """The application identifier."""
        return element[0]

    def get_value(self, element: tuple[str, str]) -> str:
        """The value."""
        return element[1]


class MatchOut(serializers.Serializer):  # type: ignore[type-arg]
    """A thing of the register that the code names."""

    kind = serializers.ChoiceField(choices=[str(kind) for kind in Kind])
    id = serializers.UUIDField()
    label = serializers.CharField()


class IdentifiedOut(serializers.Serializer):  # type: ignore[type-arg]
    """What a code is."""

    kind = serializers.ChoiceField(source="scan.kind", choices=[str(kind) for kind in ScanKind])
    value = serializers.CharField(source="scan.value")
    source = serializers.ChoiceField(source="scan.source", choices=[str(source) for source in ScanSource])
    serial = serializers.CharField(source="scan.serial", help_text="the serial beside a GTIN, or blank")
    elements = ElementOut(source="scan.elements", many=True)
    device_models = serializers.SerializerMethodField(help_text="whose serial scheme accepts the code")
    matches = MatchOut(many=True)

    def get_device_models(self, found: Identified) -> list[str]:
        """The names of the models."""
        return [model.name for model in found.schemes]


class IdentifyView(RegisterView):
    """What a scanned code is, and what it names among the things that you may see."""

    out = IdentifiedOut
    parameters = {"code": "the text of the code, as the scanner gives it"}

    def get(self, request: Request) -> Response:
        """Say what a scanned code is."""
        self.only(*self.parameters)
        code: Any = request.query_params.get("code")
        if not code:
            raise invalid("code", "The code is missing. Scan it, or type what the label shows.")
        try:
            found = identify(code, self.scope)
        except RuleBroken as broken:
            broken.field = "code"
            raise
        return Response(self.out(found).data)
