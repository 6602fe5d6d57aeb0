"""All device outputs of one station: a command goes to every one that carries it, and ends when it has ended at all."""

from collections.abc import Callable
from dataclasses import replace
from random import Random

from qsyd_rules.command import Command, CommandName
from qsyd_rules.effect import Actuate
from qsyd_rules.event import CommandFinished, DeviceRead, Event, OutputAnswer, OutputConnected, OutputLost
from qsyd_rules.readings import Readings
from qsyd_simulators.world.agenda import MS, Agenda, S
from qsyd_simulators.world.device import Device
from qsyd_simulators.world.layout import Layout
from qsyd_simulators.world.plant import Plant
from qsyd_simulators.world.verdict import Verdict

LATE_US = 2 * S
"""TTL_out: an actuating message that reaches a device later than this after its decision is stale."""
_BOLD = frozenset(
    {
        CommandName.SELECT_ANTENNA,
        CommandName.RECALL_PRESET,
        CommandName.AMPLIFIER_OPERATE,
        CommandName.RELEASE_TRANSMIT,
    }
)


class Outputs:
    """What becomes of commands and links is told through `tell`, as the daemon's events."""

    def __init__(
        self,
        layout: Layout,
        agenda: Agenda,
        plant: Plant,
        verdict: Verdict,
        seed: str,
        tell: Callable[[Event], None],
    ) -> None:
        self._agenda, self._plant, self._verdict, self._tell = agenda, plant, verdict, tell
        self.devices = {plan.name: self._device(plan.name, layout, seed) for plan in layout.devices}
        self._carriers = {
            name: tuple(device for device in self.devices.values() if name in device.plan.carries)
            for name in CommandName
        }
        self._answers: dict[int, list[OutputAnswer]] = {}
        self._expected: dict[int, int] = {}
        self._left_us: dict[int, int] = {}

    def start(self) -> None:
        """The daemon begins to keep the links."""
        for device in self.devices.values():
            device.start()

    def forget(self) -> None:
        """The daemon has died."""
        self._answers, self._expected, self._left_us = {}, {}, {}
        for device in self.devices.values():
            device.forget()

    def freeze(self, until_us: int) -> None:
        """The daemon's loop stands still until then."""
        for device in self.devices.values():
            device.frozen_until_us = until_us

    def drop_permits(self) -> None:
        """Whatever permit falls by itself has fallen."""
        for name in self.devices:
            self._plant.hold(name, True)

    def ask_readings(self) -> None:
        """Begin to ask those that can be asked."""
        for device in self.devices.values():
            if device.plan.readings_every_us:
                device.ask_readings()

    def actuate(self, effect: Actuate) -> None:
        """Hand a command to all that carry it."""
        carriers = self._carriers[effect.command.name]
        self._answers[effect.command_id] = []
        self._expected[effect.command_id] = len(carriers)
        self._left_us[effect.command_id] = self._agenda.now_us
        for device in carriers:
            device.submit(effect.command_id, effect.command)

    def send_no_more(self, names: frozenset[CommandName]) -> None:
        """None of these is sent again."""
        for device in self.devices.values():
            device.send_no_more(names)

    def _device(self, name: str, layout: Layout, seed: str) -> Device:
        plan = next(each for each in layout.devices if each.name == name)
        device = Device(plan, self._agenda, Random(f"{seed}/{name}"), self._plant.obey)
        device.finished = self._finished
        device.connected = lambda output: self._tell(OutputConnected(self._agenda.now_us, output))
        device.lost = lambda output, reason: self._tell(OutputLost(self._agenda.now_us, output, reason))
        device.told = self._told
        device.arrived = self._arrived
        device.meters = lambda: self._plant.readings(plan.carries)
        return device

    def _told(self, output: str, readings: Readings) -> None:
        self._tell(DeviceRead(self._agenda.now_us, output, readings))

    def _arrived(self, command: Command, decided_us: int) -> None:
        if command.name not in _BOLD:
            return
        self._verdict.exercised["I18"] += 1
        age_us = self._agenda.now_us - decided_us
        if age_us > LATE_US:
            text = f"{command.name} delivered {age_us // MS} ms after its decision"
            self._verdict.violate("I18", self._agenda.now_us, text)

    def _finished(self, number: int, answer: OutputAnswer) -> None:
        told = self._answers.get(number)
        if told is None:
            return
        told.append(replace(answer, took_us=self._agenda.now_us - self._left_us[number]))
        if len(told) == self._expected[number]:
            del self._answers[number], self._expected[number], self._left_us[number]
            # Through the agenda: an answer never comes within the turn that sent the command.
            self._agenda.after(0, self._command_finished, (number, tuple(told)))

    def _command_finished(self, what: tuple[int, tuple[OutputAnswer, ...]]) -> None:
        self._tell(CommandFinished(self._agenda.now_us, *what))
