"""Finding a person by the name that a command was given."""

from django.core.management.base import CommandError

from registry.models import Staff


def person_called(username: str) -> Staff:
    """Return the person who signs in so; raises CommandError where there is none."""
    person = Staff.objects.filter(username=username).first()
    if person is None:
        raise CommandError(f"There is nobody called {username}. Look the username up.")
    return person
