"""Properties of the core: no deadline, because two cores run more than these tests."""

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
