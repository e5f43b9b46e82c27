"""Settings of the property tests: a busy machine is no failure, so no example has a deadline."""

from hypothesis import settings

settings.register_profile("rules", deadline=None)
settings.load_profile("rules")
