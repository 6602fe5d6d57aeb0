"""The rig as it truly is, the link it answers on, and what of it the daemon gets to hear."""

from collections.abc import Callable
from random import Random

from qsyd_rules.event import RigRead
from qsyd_rules.words import Mode
from qsyd_simulators.world.agenda import MS, Agenda, S
from qsyd_simulators.world.faults import RigTroubles
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.plant import Plant

REOPEN_US = 50 * MS
FIRST_US, LAST_US = 500 * MS, 30 * S


class WorldRig:
    """The followed rig. `read(event)` and `closed(reason)` are told to the daemon."""

    def __init__(self, layout: Layout, agenda: Agenda, random: Random, plant: Plant) -> None:
        self.name = layout.station.followed
        self.frequency_hz = 14_050_000
        self.other_hz = 14_200_000
        self.split = False
        self.mode = Mode.CW
        self.key_down = False
        """What the operator's hand does; a stuck key transmits without."""
        self.troubles = RigTroubles()
        self.is_open = False
        self.read: Callable[[RigRead], None] = lambda event: None
        self.closed: Callable[[str], None] = lambda reason: None
        self.sensed: Callable[[bool | None], None] = lambda keyed: None
        """Told what the sensed keying line says."""
        self._agenda, self._random, self._plant = agenda, random, plant
        self._poll_us, self._latency_us, self._pushes = layout.poll_us, layout.rig_latency_us, layout.push
        self._epoch = 0
        self._arrives_us = 0
        self._failures = 0
        self._runs = False
        self._key_before = False
        self._key_changed_us = 0

    @property
    def keyed(self) -> bool:
        """Whether it truly transmits, as far as the rig is concerned."""
        return self.key_down or self.troubles.key_stuck

    @property
    def transmit_hz(self) -> int:
        """Where it would transmit."""
        return self.other_hz if self.split else self.frequency_hz

    def start(self) -> None:
        """The daemon begins to keep the link."""
        self._runs = True
        self._failures = 0
        self._agenda.after(REOPEN_US, self._open, self._epoch)

    def forget(self) -> None:
        """The daemon has died."""
        self._runs = self.is_open = False
        self._epoch += 1

    def press(self, down: bool) -> None:
        """The operator's hand on the key."""
        if self.key_down != down:
            self.key_down = down
            self.changed()

    def sense(self, keyed: bool) -> None:
        """The keying line is looked at."""
        self.sensed(None if self.troubles.key_line_unreadable else keyed)

    def changed(self) -> None:
        """Something of the rig has been changed by hand: the hardware feels it, and the rig reports it if it does."""
        keyed = self.keyed
        turned = keyed != self._plant.keyed
        if turned:
            self._key_before, self._key_changed_us = self._plant.keyed, self._agenda.now_us
        self._plant.set_rig(keyed=keyed, transmit_hz=self.transmit_hz)
        if turned:
            self.sense(keyed)
        if self._pushes and self.is_open:
            self._say(None)

    def ask(self) -> None:
        """The daemon asks at once, beside its polls."""
        if self.is_open:
            self._say(self._agenda.now_us)

    def cut(self, reason: str) -> None:
        """The link breaks; the daemon notices at once, and opens it again when it can."""
        if not self.is_open:
            return
        self.is_open = False
        self._epoch += 1
        self.closed(reason)
        self._agenda.after(self._pause_us(), self._open, self._epoch)

    def _pause_us(self) -> int:
        if self._failures == 0:
            return REOPEN_US
        return min(LAST_US, FIRST_US << min(self._failures - 1, 10)) * self._random.randint(80, 120) // 100

    def _open(self, epoch: int) -> None:
        if epoch != self._epoch or self.is_open or not self._runs:
            return
        if self.troubles.refused:
            self._failures += 1
            self._agenda.after(self._pause_us(), self._open, self._epoch)
            return
        self.is_open = True
        self._failures = 0
        self._poll(self._epoch)

    def _poll(self, epoch: int) -> None:
        if epoch == self._epoch:
            self._agenda.after(self._poll_us, self._poll, epoch)
            self._say(self._agenda.now_us)

    def _say(self, asked_us: int | None) -> None:
        """The rig tells its state as it is now; it arrives later, and in order."""
        troubles = self.troubles
        if troubles.silent:
            return
        if troubles.garbled_per_mille and self._random.randrange(1000) < troubles.garbled_per_mille:
            return
        dial_hz = self.frequency_hz
        if troubles.false_hz is not None:
            dial_hz, troubles.false_hz = troubles.false_hz, None
        transmit_hz: int | None = dial_hz
        if self.split:
            transmit_hz = None if troubles.other_unreadable else self.other_hz
        now_us = self._agenda.now_us
        arrives_us = now_us + self._latency_us + troubles.late_us
        if arrives_us <= self._arrives_us:
            arrives_us = self._arrives_us + 1
        self._arrives_us = arrives_us
        event = RigRead(
            arrives_us, self.name, dial_hz, transmit_hz, self.split, self.mode, self._key_told(now_us), asked_us
        )
        self._agenda.at(arrives_us, self._heard, (event, self._epoch))

    def _heard(self, what: tuple[RigRead, int]) -> None:
        event, epoch = what
        if epoch == self._epoch:
            self.read(event)

    def _key_told(self, now_us: int) -> bool | None:
        troubles = self.troubles
        if troubles.key_unknown:
            return None
        if troubles.key_denied:
            return False
        if troubles.key_late_us and now_us < self._key_changed_us + troubles.key_late_us:
            return self._key_before
        return self._plant.keyed
