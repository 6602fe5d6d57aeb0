"""One daemon, put together from a station file: wires, service, store and control socket; and taken apart again."""

import asyncio
import datetime
import gc
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from structlog.typing import FilteringBoundLogger

from qsyd_daemon import __version__
from qsyd_daemon.api.counters import Counters
from qsyd_daemon.api.event_ring import EventRing
from qsyd_daemon.api.server import Api
from qsyd_daemon.api.station_view import StationView
from qsyd_daemon.apparatus import Apparatus
from qsyd_daemon.fault_past import faults_left, remember
from qsyd_daemon.outputs.device import LineDevice
from qsyd_daemon.outputs.jsonl import JsonlOutput
from qsyd_daemon.outputs.log import LogOutput
from qsyd_daemon.past import Book
from qsyd_daemon.progress import Progress
from qsyd_daemon.reloader import Reloader
from qsyd_daemon.rig_follower import monotonic_us
from qsyd_daemon.service import Service, Wires
from qsyd_daemon.station_file.settings import StationFile
from qsyd_daemon.status import status
from qsyd_daemon.store.store import Store
from qsyd_daemon.tune_up_desk import TuneUpDesk
from qsyd_daemon.tune_up_past import tell_of_interrupted
from qsyd_daemon.ways import Ways
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas

__all__ = ["Daemon", "Ways"]

LEASE_S = 30.0
"""Within this time a lease has to be renewed, where the station file says nothing."""


class Daemon:
    """A running station. `start`, then `close`; `service.crashed` is set when it has to end by itself."""

    def __init__(self, file: StationFile, ways: Ways, store: Store, log: FilteringBoundLogger) -> None:
        """`store` is that of the locked state directory; the daemon closes it."""
        self._log = log
        self._ways = ways
        self._store = store
        self._ring, self._counters = EventRing(), Counters()
        self._apparatus = Apparatus(file, ways, self._counters, log)
        self._events = JsonlOutput("--events", ways.events, log) if ways.events is not None else None
        self._own_log = LogOutput("log", log)
        wires = Wires(
            self._apparatus.devices,
            self._apparatus.notices,
            (
                *((self._events.tell,) if self._events is not None else ()),
                self._to_log,
                self._ring.tell,
                self._counters.tell,
            ),
            self._apparatus.read_rig,
        )
        core = GuardedStation(Atlas(file.station), self._apparatus.wiring(file))
        self.service = self._apparatus.service = Service(core, wires, store, ways.state, log)
        self._desk = TuneUpDesk(self.service, file.tune_key_down_us, self._apparatus.dial_of(core.followed))
        self.reloader = Reloader(file, self._apparatus, self.service, self._desk, ways, self._in_a_line, log)
        self.api = Api(self._view(file), ways.opening, log)
        self.reloader.lease_changed = self.api.renew_leases_within
        self._progress = Progress(
            self._apparatus.permit_lines,
            ways.notifier,
            self.service.is_on_time,
            self.service.loop_stalled,
            self._in_a_line,
        )
        self.reloader.lines_changed = self._progress.guard

    async def start(self) -> None:
        """Open the control socket and the links; the safe state goes out as soon as each link is there."""
        began = datetime.datetime.now(datetime.UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        await self.api.start(self._ways.state)
        self.service.presets.adopt_edges()
        left = await faults_left(self.service)
        self.service.start(self.reloader.file.sha256)
        remember(self.service, left)
        self._apparatus.start([*self._apparatus.outputs.values(), *self._apparatus.rigs.values()])
        for warning in self._store.warnings:
            self.service.warn("state-directory", warning)
        self.service.spawn(tell_of_interrupted(self.service, began))
        gc.collect()
        gc.freeze()  # what was loaded lives as long as the daemon: a full collection would only stall the loop
        self._progress.start()

    async def close(self) -> None:
        """Leave the station safe, then close everything."""
        self._progress.close()
        await self.reloader.close()
        await self.service.stop()
        await self.api.close()
        self._desk.close()
        await self._apparatus.close()
        listening = [*self._apparatus.notices.values(), self._own_log, *([self._events] if self._events else [])]
        await asyncio.gather(*(notice.close() for notice in listening))
        await asyncio.to_thread(self._store.close)

    def reload_soon(self) -> None:
        """Read the station file again, as soon as that may be; what comes of it is told as an event."""
        self.reloader.reload_soon()

    def store_changed(self, healthy: bool, text: str) -> None:
        """The state directory fails, or works again; called on the event loop."""
        self.service.warn("state-directory" if not healthy else "state-directory-back", text)

    def status(self) -> dict[str, Any]:
        """The station at a glance."""
        troubles = {name: link.closed_because for name, link in self._apparatus.links.items() if link.closed_because}
        seen = status(self.service.core, self.service.state.station, monotonic_us(), troubles)
        for name, device in self._apparatus.devices.items():
            if isinstance(device, LineDevice) and device.counts is not None:
                seen["devices"][name]["readings"] = asdict(device.counts)
        tube = self.service.experience.tube_to_json(monotonic_us())
        tube["days"] = tube["days"][-1:]  # the others are for `qsyd tube`
        del tube["earlier"]
        return {
            "version": __version__,
            "simulated": self.reloader.is_simulated,
            "dry_run": self._ways.dry_run,
            "api": {"address": self.api.address, "leases": self.api.leases},
            "station_file": self.reloader.shown(),
            "state_directory": {"path": str(self._ways.state), "healthy": self._store.healthy},
            **seen,
            "tube": tube if self.service.core.atlas.station.amplifier is not None else None,
            "presets_to_renew": self.service.experience.marks_to_json(),
        }

    def _view(self, file: StationFile) -> StationView:
        return StationView(
            service=self.service,
            desk=self._desk,
            directory=self._ways.state,
            status=self.status,
            links=lambda: {name: link.closed_because is None for name, link in self._apparatus.links.items()},
            kept_links=lambda: self._apparatus.links,
            poll_errors=lambda: self._apparatus.poll_errors,
            queued=lambda: {name: notice.queued for name, notice in self._apparatus.notices.items()},
            loop_lag_s=lambda: self._progress.lag_us / 1e6,
            ring=self._ring,
            counters=self._counters,
            reloader=self.reloader,
            book=self._book,
            lease_s=file.api.lease_us / 1e6 if file.api is not None else LEASE_S,
        )

    def _in_a_line(self) -> str:
        """The station at one look, for the service manager."""
        seen = status(self.service.core, self.service.state.station, monotonic_us(), {})
        placed, amplifier = seen["placed"], seen["amplifier"]
        where = f"{placed['segment']} on {placed['antenna']}" if placed else "no frequency yet"
        state = f", amplifier {amplifier['state']}" if amplifier else ""
        transmit = "released" if seen["transmit"]["released"] else "inhibited"
        refused = self.reloader.refused_in_short
        return f"{where}{state}, transmit {transmit}{f'; {refused}' if refused else ''}"

    def _book(self) -> Book:
        file = self.reloader.file
        return Book(self.service.core.atlas, file.sha256, file.rule_lines)

    def _to_log(self, line: Mapping[str, Any]) -> None:
        if line["event"] != "frequency":  # every turn of the dial would drown the rest
            self._own_log.tell({key: value for key, value in line.items() if key not in {"at", "time"}})
