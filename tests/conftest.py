"""What all tests share: hypothesis keeps no stopwatch, for a machine may be busy with other things."""

from hypothesis import settings

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")
