"""The state directory: presets and intents that outlive the daemon, on a disk that may be slow, full or hang."""

from collections.abc import Callable
from dataclasses import replace
from random import Random

from qsyd_rules.effect import RecordIntent
from qsyd_rules.preset import Preset, Presets
from qsyd_simulators.world.agenda import MS, Agenda
from qsyd_simulators.world.faults import DiskTroubles

COMMIT_US = (500, 4 * MS)
"""What a durable write takes at the least and the most. Common practice, no source: a solid-state disk."""


class Store:
    """`presets` are what is durable. Notes are answered through `recorded(intent_id, error)`, unless it was forgotten."""

    def __init__(self, presets: Presets, agenda: Agenda, random: Random) -> None:
        self.presets: dict[tuple[str, str], Preset] = dict(presets)
        self.troubles = DiskTroubles()
        self.durable: set[int] = set()
        """Intents on record."""
        self.highest_id = 0
        self.recorded: Callable[[int, str | None], None] = lambda number, error: None
        self._agenda, self._random = agenda, random
        self._hung: list[tuple[RecordIntent, int]] = []
        self._life = 0

    def record(self, intent: RecordIntent) -> None:
        """Write a note down; answered later."""
        if self.troubles.hangs:
            self._hung.append((intent, self._life))
            return
        self._agenda.after(self._random.randint(*COMMIT_US) + self.troubles.slow_us, self._write, (intent, self._life))

    def come_round(self) -> None:
        """The disk that hung goes on."""
        hung, self._hung = self._hung, []
        for each in hung:
            self._agenda.after(self._random.randint(*COMMIT_US), self._write, each)

    def forget(self) -> None:
        """The daemon has died: nobody waits for answers, and what hung was never written."""
        self._life += 1
        self._hung = []

    def edit(self, antenna: str, segment: str, positions: tuple[int, int] | None) -> None:
        """A preset is stored anew or removed."""
        key = (antenna, segment)
        if positions is None:
            self.presets = {name: preset for name, preset in self.presets.items() if name != key}
        else:
            tune, load = positions
            stored = self.presets.get(key, Preset(antenna, segment, tune, load))
            self.presets = {**self.presets, key: replace(stored, tune=tune, load=load)}

    def _write(self, note: tuple[RecordIntent, int]) -> None:
        intent, life = note
        if life != self._life:
            return
        error = "no space left on device" if self.troubles.full else None
        if error is None:
            self.durable.add(intent.intent_id)
            self.highest_id = max(self.highest_id, intent.intent_id)
        self.recorded(intent.intent_id, error)
