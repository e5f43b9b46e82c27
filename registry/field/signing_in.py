"""The way into the field page, by the same session as the console's, and whose session it is."""

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView, LogoutView
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from registry.ledger import clock
from registry.models import Staff


class NameAndPassword(AuthenticationForm):
    """A name and a password."""

    error_messages = {
        "invalid_login": "This name and password do not belong together, or the person has left."
        " Mind capital letters.",
        "inactive": "This person has left.",
    }


class SignIn(LoginView):
    """The way in, for everybody who may use the register; what the address names is not followed."""

    form_class = NameAndPassword
    template_name = "field/sign_in.html"

    def get_success_url(self) -> str:
        """Go to the page."""
        return reverse("field:shell")


class SignOut(LogoutView):
    """The way out; what waits on the phone stays there."""

    def get_success_url(self) -> str:
        """Go to the way in."""
        return reverse("field:sign_in")


@require_safe
@never_cache
def session(request: HttpRequest) -> HttpResponse:
    """Tell the page who is signed in, if anybody, and the time; its answer sets the CSRF cookie.

    The page asks before it sends what waits: a line that only seems to be there is found out before a
    change is on its way, and nothing is sent in another person's name.
    """
    get_token(request)
    told: dict[str, Any] = {"now": clock.now().isoformat(), "person": None}
    person = request.user
    if isinstance(person, Staff):
        told["person"] = {"id": str(person.pk), "name": person.name, "role": person.role}
    return JsonResponse(told)
