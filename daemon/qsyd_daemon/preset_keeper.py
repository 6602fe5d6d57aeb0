"""The presets of the station, changed while it runs: durable first, then in force."""

import asyncio
from collections.abc import Iterable
from typing import TYPE_CHECKING

from qsyd_daemon.rig_follower import monotonic_us
from qsyd_rules.event import PresetsChanged
from qsyd_rules.preset import Preset, adopt

if TYPE_CHECKING:
    from qsyd_daemon.service import Service


class PresetKeeper:
    """On the event loop, between the store and the core of `service`."""

    def __init__(self, service: "Service") -> None:
        self._service = service

    def with_edges(self, presets: Iterable[Preset]) -> list[Preset]:
        """Presets without edges take those of their segment, where this station has it."""
        segments = {segment.name: segment for segment in self._service.core.atlas.station.segments}
        return [adopt(preset, segments[preset.segment]) if preset.segment in segments else preset for preset in presets]

    def adopt_edges(self) -> None:
        """Presets that came without edges take those of their segments, now that a station file meets them."""
        before = list(self._service.store.presets().values())
        adopted = [new for new, old in zip(self.with_edges(before), before, strict=True) if new != old]
        if adopted:
            self._service.store.save_presets(adopted)

    async def save(self, presets: list[Preset]) -> None:
        """Store presets, all or none; they are in force once they are durable. Raises `StoreError`."""
        await asyncio.wrap_future(self._service.store.save_presets(presets))
        saved = tuple((preset.antenna, preset.segment) for preset in presets)
        self._service.tell(PresetsChanged(monotonic_us(), dict(self._service.store.presets()), saved))

    async def remove(self, antenna: str, segment: str) -> bool:
        """Remove a preset; whether there was one. Raises `StoreError`."""
        removed = await asyncio.wrap_future(self._service.store.remove_preset(antenna, segment))
        self._service.tell(PresetsChanged(monotonic_us(), dict(self._service.store.presets())))
        return removed
