"""Which faults an earlier run has left standing, as the journal knows them: a restart is no acknowledgement."""

import asyncio
import json
from typing import Any

from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.service import Service
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.journal_database import JournalRow
from qsyd_rules.event import FaultRemembered
from qsyd_rules.fault import FaultCode
from qsyd_rules.notice import FaultCleared, FaultFound, StationStarted

ROWS_MAX = 1_000
READ_WITHIN_S = 5.0
Left = list[tuple[FaultCode, str]]
"""Code and detail, in the order in which they were found."""


async def faults_left(service: Service) -> Left | None:
    """The faults that stood when the last run ended; None where the journal cannot be read.

    Asked before this run writes anything of its own: the wall clock may have been set back since.
    """
    names = [StationStarted.event, FaultFound.event, FaultCleared.event]
    try:
        async with asyncio.timeout(READ_WITHIN_S):
            return _standing(await service.read_journal(1, None, None, names, ROWS_MAX))
    except (StoreError, TimeoutError):
        return None


def remember(service: Service, left: Left | None) -> None:
    """Tell the core of them, before any link is opened. Each run tells anew of what stands at its start."""
    if left is None:
        service.warn(
            "faults-unknown", "the journal cannot be read: nobody knows whether a fault stood before this start"
        )
    for code, detail in left or []:
        service.tell(FaultRemembered(monotonic_us(), code, detail))


def _standing(rows: list[JournalRow]) -> Left:
    found: dict[Any, tuple[FaultCode, str]] = {}
    for row in rows:
        told = json.loads(row.text_json)
        if row.event == StationStarted.event:
            found.clear()
        elif row.event == FaultCleared.event:
            found.pop(told.get("number"), None)
        elif told.get("code") in set(FaultCode):
            found[told.get("number")] = FaultCode(told["code"]), str(told.get("detail", ""))
    return list(found.values())
