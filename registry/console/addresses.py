"""The addresses of the console's own pages. A new page is added here, and gets the frame of the site."""

from django.urls import URLPattern, path

from registry.console import accounts, contacts, front, ledger, location_changes, locations, stores

PAGES: list[URLPattern] = [
    path("", front.front, name="index"),
    path("accounts/register/", stores.register_account, name="account_register"),
    path("accounts/register/alone/", stores.register_account_alone, name="account_register_alone"),
    path("accounts/<uuid:key>/", accounts.account, name="account"),
    path("accounts/<uuid:key>/correct/", accounts.correct, name="account_correct"),
    path("accounts/<uuid:key>/close/", accounts.close, name="account_close"),
    path("accounts/<uuid:key>/reopen/", accounts.reopen, name="account_reopen"),
    path("accounts/<uuid:key>/locations/register/", stores.register_location, name="location_register"),
    path("accounts/<uuid:key>/locations/take-over/", stores.take_over, name="location_take_over"),
    path("locations/<uuid:key>/", locations.location, name="location"),
    path("locations/<uuid:key>/correct/", location_changes.correct, name="location_correct"),
    path("locations/<uuid:key>/state/", location_changes.set_state, name="location_state"),
    path("locations/<uuid:key>/close/", location_changes.close, name="location_close"),
    path("locations/<uuid:key>/hand-over/", location_changes.hand, name="location_hand"),
    path("locations/<uuid:key>/contacts/add/", contacts.add, name="contact_add"),
    path("contacts/<uuid:key>/correct/", contacts.correct, name="contact_correct"),
    path("contacts/<uuid:key>/erase/", contacts.erase, name="contact_erase"),
    path("ledger/<int:index>/", ledger.entry, name="entry"),
]
