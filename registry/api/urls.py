"""The addresses of the API, a line each."""

from django.urls import path, re_path

from registry.api import assignments, cabinets, devices, identify, locations, provisional, suggestions
from registry.api.documents import DocumentationView, NowhereView, ProblemView, SchemaView

urlpatterns = [
    path("schema/", SchemaView.as_view()),
    path("docs/", DocumentationView.as_view()),
    path("problems/<slug:code>/", ProblemView.as_view()),
    path("identify/", identify.IdentifyView.as_view()),
    path("assignments/", assignments.AssignmentsView.as_view()),
    path("assignments/<uuid:key>/", assignments.AssignmentView.as_view()),
    path("assignments/<uuid:key>/end/", assignments.AssignmentEndView.as_view()),
    path("assignments/<uuid:key>/swap/", assignments.AssignmentSwapView.as_view()),
    path("assignments/<uuid:key>/correct/", assignments.AssignmentCorrectView.as_view()),
    path("assignments/<uuid:key>/withdraw/", assignments.AssignmentWithdrawView.as_view()),
    path("cabinets/", cabinets.CabinetsView.as_view()),
    path("cabinets/<uuid:key>/", cabinets.CabinetView.as_view()),
    path("cabinets/<uuid:key>/move/", cabinets.CabinetMoveView.as_view()),
    path("cabinets/<uuid:key>/split/", cabinets.CabinetSplitView.as_view()),
    path("cabinets/<uuid:key>/scrap/", cabinets.CabinetScrapView.as_view()),
    path("locations/", locations.LocationsView.as_view()),
    path("locations/take-over/", locations.TakeOverView.as_view()),
    path("locations/<uuid:key>/", locations.LocationView.as_view()),
    path("locations/<uuid:key>/timeline/", locations.LocationTimelineView.as_view()),
    path("locations/<uuid:key>/state/", locations.LocationStateView.as_view()),
    path("locations/<uuid:key>/close/", locations.LocationCloseView.as_view()),
    path("locations/<uuid:key>/hand/", locations.LocationHandView.as_view()),
    path("devices/", devices.DevicesView.as_view()),
    path("devices/suggest/", suggestions.SuggestView.as_view()),
    path("devices/provisional/", provisional.ProvisionalView.as_view()),
    path("devices/<uuid:key>/", devices.DeviceView.as_view()),
    path("devices/<uuid:key>/trace/", suggestions.DeviceTraceView.as_view()),
    path("devices/<uuid:key>/hand-over/", devices.DeviceHandOverView.as_view()),
    path("devices/<uuid:key>/repair/", devices.DeviceRepairView.as_view()),
    path("devices/<uuid:key>/return/", devices.DeviceReturnView.as_view()),
    path("devices/<uuid:key>/lost/", devices.DeviceLostView.as_view()),
    path("devices/<uuid:key>/retire/", devices.DeviceRetireView.as_view()),
    path("devices/<uuid:key>/confirm/", provisional.ConfirmView.as_view()),
    path("devices/<uuid:key>/merge/", provisional.MergeView.as_view()),
    path("devices/<uuid:key>/reject/", provisional.RejectView.as_view()),
    re_path("", NowhereView.as_view()),
]
