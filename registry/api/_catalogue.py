"""What the addresses of the catalogue share: records without a date, the same for all who read."""

from collections.abc import Iterable, Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet

from registry.api._views import ListView, RegisterView
from registry.models.base import Record
from registry.queries.moments import Moment
from registry.queries.records import as_known, records_known_at
from registry.rules.errors import absent


class RecordShown(RegisterView):
    """How one record is shown: as known at the index that its answer names."""

    model: ClassVar[type[Record]]

    def shown(self, key: UUID, moment: Moment) -> Mapping[str, Any]:
        """Return a record; raises RuleBroken NOT_FOUND."""
        found = records_known_at(self.model, moment.index, [key]).get(key)
        if found is None:
            raise absent(self.noun)
        return self.out(found).data


class RecordsView(RecordShown, ListView):
    """A list of records."""

    def rows(self, moment: Moment) -> "QuerySet[Any]":
        """Return all that the register knew at the moment."""
        return self.model._default_manager.filter(registered__lte=moment.index)

    def known(self, rows: list[Any], moment: Moment) -> Iterable[Any]:
        """Return them as the register knew them then."""
        return as_known(rows, moment.index)
