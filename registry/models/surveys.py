"""Surveys: what somebody saw of a cabinet before work."""

from django.db import models
from django.db.models import Q

from registry.models.base import Record, one_of, word_field
from registry.models.cabinets import Cabinet
from registry.models.staff import Staff
from registry.models.visits import Visit
from registry.rules.surveys import Drilling, Liner, Socket, SurveyOutcome


class CabinetSurvey(Record):
    """One look at a cabinet; a later one is a new row, and the newest by `surveyed_at` counts."""

    cabinet = models.ForeignKey(Cabinet, on_delete=models.PROTECT, related_name="surveys")
    visit = models.ForeignKey(Visit, on_delete=models.PROTECT, null=True, related_name="surveys")
    surveyed_at = models.DateTimeField()
    surveyed_by = models.ForeignKey(Staff, on_delete=models.PROTECT, related_name="+")
    outcome = word_field()
    near_water = models.BooleanField(null=True)  # a sink or a wet floor; null: nobody looked
    needs_ladder = models.BooleanField(null=True)
    drilling = word_field(default=str(Drilling.UNKNOWN))
    liner = word_field(default=str(Liner.UNKNOWN))
    socket = word_field(default=str(Socket.UNKNOWN))
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            one_of("outcome", SurveyOutcome, "cabinet_survey_outcome_known"),
            one_of("drilling", Drilling, "cabinet_survey_drilling_known"),
            one_of("liner", Liner, "cabinet_survey_liner_known"),
            one_of("socket", Socket, "cabinet_survey_socket_known"),
            models.CheckConstraint(
                condition=Q(outcome=str(SurveyOutcome.SUITABLE)) | ~Q(note=""),
                name="cabinet_survey_doubt_told",
            ),
        ]

    def __str__(self) -> str:
        return self.label

    @property
    def label(self) -> str:
        return f"survey of {self.surveyed_at.date()}"
