"""The true hardware: where the contacts are, whether RF flows, how warm the cathode truly is. It obeys, whatever harms.

Times of relays are common practice, no source. The watch on all this is `truth`.
"""

from collections.abc import Callable
from math import exp

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.readings import Readings
from qsyd_rules.words import AmplifierState
from qsyd_simulators.world.agenda import Agenda
from qsyd_simulators.world.layout import Layout

CONTACTS_MOVE_US = 15_000
"""From the command at the device to contacts at rest, for the antenna switch and the transfer relay."""
TIME_CONSTANTS = 3.0
"""The warm-up is three time constants of the cathode, 180 s of 60 s: it has 95 % of its temperature then."""
FULL_OUTPUT_W = 1_200.0
BAREFOOT_W = 80.0


class Plant:
    """Cold, in standby, transmit held, no antenna connected. `changed` is called after whatever may matter to RF."""

    def __init__(self, layout: Layout, agenda: Agenda) -> None:
        self._agenda = agenda
        self._layout = layout
        amplifier = layout.station.amplifier
        self._tau_us = amplifier.warm_up_us / TIME_CONSTANTS if amplifier else 1.0
        self._holders = [device.name for device in layout.devices if CommandName.INHIBIT_TRANSMIT in device.carries]
        self.held = dict.fromkeys(self._holders, True)
        self.port: int | str | None = None
        self.contacts_rest_us = 0
        self.moves = 0
        """How often antenna contacts or tank motors have moved."""
        self.in_operate = False
        self.relay_rests_us = 0
        self.heater_on = False
        self._warmth, self._warmth_us = 0.0, 0
        self.tank: tuple[int, int] | None = None
        self.drive_w: int | None = None
        self.keyed = False
        self.transmit_hz = 0
        self.rf = False
        self.unseen_cold = False
        """The heater went off where nobody could notice it, and has not been switched on since."""
        self.reflected_share = 0.01
        """Of forward power; what a broken feed line sends back."""
        self.changed: Callable[[], None] = lambda: None
        self.contacts_moved: Callable[[], None] = lambda: None
        self.operated: Callable[[], None] = lambda: None
        self.stood_by: Callable[[], None] = lambda: None

    # What the rig does

    def set_rig(self, *, keyed: bool, transmit_hz: int) -> None:
        """The rig is keyed or not, and would transmit there."""
        if keyed == self.keyed and transmit_hz == self.transmit_hz:
            return
        self.keyed, self.transmit_hz = keyed, transmit_hz
        self._update()

    # What the devices do

    def obey(self, output: str, command: Command) -> None:
        """One device carries one command out."""
        match command:
            case InhibitTransmit():
                self.hold(output, True)
            case ReleaseTransmit():
                self.hold(output, False)
            case SelectAntenna(port=port):
                if port != self.port:
                    self.port = port
                    self.moves += 1
                    self.contacts_rest_us = self._agenda.now_us + CONTACTS_MOVE_US
                    self.contacts_moved()
                    self._update()
            case AmplifierOperate():
                self._operate()
            case AmplifierStandby():
                self._stand_by()
            case AmplifierOn():
                self._heat(True)
            case AmplifierOff():
                self._heat(False)
                self._stand_by()
            case HighVoltageOff():
                self._stand_by()
            case RecallPreset(tune=tune, load=load):
                self.moves += self.tank != (tune, load)
                self.tank = (tune, load)
                self._update()
            case LimitDrive(drive_w=drive_w):
                self.drive_w = drive_w

    def hold(self, output: str, is_held: bool) -> None:
        """The contact of one permit opens or closes."""
        if output in self.held and self.held[output] != is_held:
            self.held[output] = is_held
            self._update()

    def lose_supply(self, output: str, carries: frozenset[CommandName], *, for_long: bool) -> None:
        """A device is without supply: its relays drop, a permit falls to held; for long, and the heater stays off.

        In a short dip the cathode keeps its heat, and the heater goes on after it (I5 allows for a gap of 5 s).
        """
        if CommandName.SELECT_ANTENNA in carries and self.port is not None:
            self.port = None
            self._update()
        if CommandName.AMPLIFIER_STANDBY in carries and self.in_operate:
            self.in_operate = False
            self._update()
        if CommandName.AMPLIFIER_ON in carries and for_long:
            self._heat(False)
        self.hold(output, True)

    # What is so

    @property
    def warmth(self) -> float:
        """The cathode's temperature, from 0 (cold) towards 1, first order."""
        aged = exp(-(self._agenda.now_us - self._warmth_us) / self._tau_us)
        return 1.0 - (1.0 - self._warmth) * aged if self.heater_on else self._warmth * aged

    @property
    def contacts_rest(self) -> bool:
        """Whether the antenna switch is at rest."""
        return self._agenda.now_us >= self.contacts_rest_us

    def readings(self, carries: frozenset[CommandName]) -> Readings:
        """What a device tells of itself."""
        power_w = 0.0
        if self.rf:
            power_w = FULL_OUTPUT_W if self.in_operate else BAREFOOT_W
        amplifier = self._layout.station.amplifier
        if amplifier is None or CommandName.AMPLIFIER_STANDBY not in carries:
            return Readings(forward_w=power_w, reflected_w=power_w * self.reflected_share)
        if not self.heater_on:
            state = AmplifierState.OFF
        elif self.in_operate:
            state = AmplifierState.OPERATE
        else:
            warm = self.warmth >= 1.0 - exp(-TIME_CONSTANTS) - 1e-9
            state = AmplifierState.STANDBY if warm else AmplifierState.WARM_UP
        tune, load = self.tank if self.tank is not None else (None, None)
        return Readings(
            forward_w=power_w, reflected_w=power_w * self.reflected_share, tune=tune, load=load, state=state
        )

    def _heat(self, on: bool) -> None:
        self._warmth, self._warmth_us = self.warmth, self._agenda.now_us
        self.heater_on = on
        if on:
            self.unseen_cold = False

    def _operate(self) -> None:
        if self.in_operate:
            return
        self.in_operate = True
        self.relay_rests_us = self._agenda.now_us + CONTACTS_MOVE_US
        self.operated()
        self._update()

    def _stand_by(self) -> None:
        if not self.in_operate:
            return
        self.in_operate = False
        self.relay_rests_us = self._agenda.now_us + CONTACTS_MOVE_US
        self.stood_by()
        self._update()

    def _update(self) -> None:
        self.rf = self.keyed and not (self._layout.permit_is_wired and any(self.held.values()))
        self.changed()
