"""The addresses of the console's own pages. A new page is added here, and gets the frame of the site."""

from django.urls import URLPattern, path

from registry.console import accounts, ledger, locations

PAGES: list[URLPattern] = [
    path("accounts/<uuid:key>/", accounts.account, name="account"),
    path("accounts/<uuid:key>/correct/", accounts.correct, name="account_correct"),
    path("accounts/<uuid:key>/close/", accounts.close, name="account_close"),
    path("accounts/<uuid:key>/reopen/", accounts.reopen, name="account_reopen"),
    path("locations/<uuid:key>/", locations.location, name="location"),
    path("ledger/<int:index>/", ledger.entry, name="entry"),
]
