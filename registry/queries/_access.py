"""What a person may see: the things of their depots."""

from typing import Any, TypeVar

from django.db.models import Model, Q, QuerySet

from registry.rules.roles import Scope

M = TypeVar("M", bound=Model)


def within(rows: "QuerySet[M, Any]", scope: Scope | None, *depot_paths: str) -> "QuerySet[M, Any]":
    """Keep the rows of the scope's depots, found over any of the paths; no scope keeps all."""
    if scope is None or scope.everywhere:
        return rows
    condition = Q()
    for path in depot_paths:
        condition |= Q(**{f"{path}__in": scope.depots})
    return rows.filter(condition)
