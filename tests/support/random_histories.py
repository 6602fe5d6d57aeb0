"""How many random histories a test lives through, and on what terms."""

import os

from hypothesis import HealthCheck, settings

LONG = bool(os.environ.get("QSYD_LONG"))


def lived_through(histories: int) -> settings:
    """So many; `QSYD_LONG=1` makes it twenty times as many. A history may be long and slow to draw."""
    return settings(
        deadline=None,
        max_examples=20 * histories if LONG else histories,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
