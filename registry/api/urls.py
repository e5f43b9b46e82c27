"""The addresses of the API, a line each."""

from django.urls import path, re_path

from registry.api import assignments
from registry.api.documents import DocumentationView, NowhereView, SchemaView

urlpatterns = [
    path("schema/", SchemaView.as_view()),
    path("docs/", DocumentationView.as_view()),
    path("assignments/", assignments.AssignmentsView.as_view()),
    path("assignments/<uuid:key>/", assignments.AssignmentView.as_view()),
    path("assignments/<uuid:key>/end/", assignments.AssignmentEndView.as_view()),
    path("assignments/<uuid:key>/swap/", assignments.AssignmentSwapView.as_view()),
    path("assignments/<uuid:key>/correct/", assignments.AssignmentCorrectView.as_view()),
    path("assignments/<uuid:key>/withdraw/", assignments.AssignmentWithdrawView.as_view()),
    re_path("", NowhereView.as_view()),
]
