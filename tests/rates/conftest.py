"""Properties run without a time limit for one example: a busy machine is not a failure."""

from hypothesis import settings

settings.register_profile("no_deadline", deadline=None)
settings.load_profile("no_deadline")
