"""What an earlier run has left behind of a tune-up: told once, after the restart.

The journal knows it. Nothing of a place that was under way is stored, so there is nothing to undo.
"""

import json
from typing import Any

from qsyd_daemon.service import Service
from qsyd_daemon.store.errors import StoreError
from qsyd_rules.notice import TuneUpMoved
from qsyd_rules.tune_up import TuneStep


async def tell_of_interrupted(service: Service, before: str) -> None:
    """Warn of a tune-up that ended with an earlier run; `before` (RFC 3339, UTC) is when this one began."""
    try:
        rows = await service.read_journal(1, None, before, [TuneUpMoved.event], 1)
    except StoreError:
        return  # the state directory is warned of already
    for row in rows:
        last = json.loads(row.text_json)
        if last.get("step") in {None, TuneStep.ENDED}:
            return
        where = f"{last.get('antenna')} on {last.get('segment')}"
        saved, of = _whole(last.get("saved")), _whole(last.get("of"))
        text = (
            f"the last run ended within a tune-up, at {where} ({last['step']}): nothing of that segment was saved, "
            f"{saved} of {of} were before. The amplifier is in standby; `qsyd tune` goes on with what is missing"
        )
        service.warn("tune-up-interrupted", text)
        service.report(TuneUpMoved(TuneStep.ENDED, text, None, None, 0, saved, _whole(last.get("done")), of))


def _whole(value: Any) -> int:
    return value if isinstance(value, int) else 0
