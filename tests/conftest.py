"""Settings of every test: properties are tried from fixed seeds, without a clock."""

from hypothesis import settings

# A deadline would be a timed test; a random seed would make a run hard to repeat.
settings.register_profile("firelab", deadline=None, derandomize=True)
settings.load_profile("firelab")
