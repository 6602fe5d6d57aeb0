"""RF on its way: from a keyed rig through the amplifier's relay to the antenna switch, unless the hold contact stops it.

With it the boxes' ground truth (`moved_under_power` and its like) is measured, not assumed.
"""

from collections.abc import Callable

from qsyd_simulators.amplifier_box import HEATER_NEEDS_US, TANK_STEPS_PER_S, AmplifierBox
from qsyd_simulators.switch_box import SwitchBox
from qsyd_simulators.transceiver import Change, Transceiver


class HoldingAmplifier(AmplifierBox):
    """An amplifier whose hold contact is wired to the rig: it says so when the contact opens or closes."""

    def __init__(self, *, heater_needs_us: int = HEATER_NEEDS_US, tank_steps_per_s: int = TANK_STEPS_PER_S) -> None:
        super().__init__(heater_needs_us=heater_needs_us, tank_steps_per_s=tank_steps_per_s)
        self.on_hold_changed: Callable[[], None] | None = None

    def hold_transmit(self) -> None:
        super().hold_transmit()
        self._tell()

    def free_transmit(self) -> None:
        super().free_transmit()
        self._tell()

    def _tell(self) -> None:
        if self.on_hold_changed is not None:
            self.on_hold_changed()


class SignalPath:
    """There is RF while the rig is keyed and the amplifier does not hold it. `clock` gives microseconds."""

    def __init__(
        self, rig: Transceiver, amplifier: HoldingAmplifier, switch: SwitchBox, clock: Callable[[], int]
    ) -> None:
        self.bursts = 0
        """How often RF came up."""
        self.forward_w_max = 0
        """The highest power the amplifier's meter showed as RF came up, in watts."""
        self._rig, self._amplifier, self._switch = rig, amplifier, switch
        self._clock = clock
        self._is_on = False
        amplifier.on_hold_changed = self._update
        rig.subscribe(lambda change: self._update() if change is Change.KEYED else None)

    @property
    def is_on(self) -> bool:
        """Whether there is RF now."""
        return self._is_on

    def _update(self) -> None:
        is_on = self._rig.keyed and not self._amplifier.transmit_held
        if is_on == self._is_on:
            return
        self._is_on = is_on
        at_us = self._clock()
        drive_w = self._rig.drive_mw // 1000
        if self._amplifier.drive_limit_w is not None:
            drive_w = min(drive_w, self._amplifier.drive_limit_w)
        self._switch.set_rf(is_on, at_us)
        self._amplifier.set_drive(drive_w if is_on else 0, at_us)
        if is_on:
            self.bursts += 1
            self.forward_w_max = max(self.forward_w_max, self._amplifier.meters(at_us).forward_w)
