"""A whole simulated station with RF in it: rig, amplifier, antenna switch, and the truth of how they were treated."""

from collections.abc import Callable
from dataclasses import dataclass

from qsyd_simulators.rig_mode import RigMode
from qsyd_simulators.signal_path import HoldingAmplifier, SignalPath
from qsyd_simulators.switch_box import SwitchBox
from qsyd_simulators.transceiver import Transceiver

BURSTS_MIN = 3
MOVES_MIN = 2
FORWARD_W_MIN = 1_000
"""With fewer overs, fewer moves of the switch or less power nothing is shown by nothing having gone wrong."""


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing said of a run, and whether the simulated devices bear it out."""

    text: str
    holds: bool


class Shack:
    """A rig that is switched off, a cold amplifier, a switch, and the RF between them."""

    def __init__(
        self, frequency_hz: int, mode: RigMode, heater_needs_us: int, tank_steps_per_s: int, clock: Callable[[], int]
    ) -> None:
        """`frequency_hz` and `mode` are the dial's; `clock` gives microseconds and is that of the boxes' wires."""
        self.rig = Transceiver(frequency_hz, mode=mode)
        self.rig.set_power(False)
        self.switch = SwitchBox()
        self.amplifier = HoldingAmplifier(heater_needs_us=heater_needs_us, tank_steps_per_s=tank_steps_per_s)
        self.path = SignalPath(self.rig, self.amplifier, self.switch, clock)
        self._clock = clock
        self._turned_us: list[int] = []

    def jump(self, frequency_hz: int) -> None:
        """Turn the dial to where the station has to change over, and take down when."""
        self._turned_us.append(self._clock())
        self.rig.tune(frequency_hz)

    def held_after_ms(self) -> list[float]:
        """From each jump of the dial to the next hold arriving at the amplifier, in milliseconds."""
        held_us = [heard.at_us for heard in self.amplifier.heard if heard.text == "HOLD"]
        first_us = [next((at_us for at_us in held_us if at_us >= turned_us), None) for turned_us in self._turned_us]
        return [
            (at_us - turned_us) / 1000
            for at_us, turned_us in zip(first_us, self._turned_us, strict=True)
            if at_us is not None
        ]

    def claims(self) -> list[Claim]:
        """What must be true when the station has been left; the first one makes sure that the others say something."""
        switch, amplifier, path = self.switch, self.amplifier, self.path
        return [
            Claim(
                f"put to the test: {path.bursts} overs up to {path.forward_w_max} W, {switch.moves} antenna changes",
                path.bursts >= BURSTS_MIN and path.forward_w_max >= FORWARD_W_MIN and switch.moves >= MOVES_MIN,
            ),
            Claim("no antenna contact moved under power", not switch.moved_under_power),
            Claim("no tank capacitor moved under power", not amplifier.moved_under_power),
            Claim("the amplifier was never put into the signal path cold", not amplifier.operated_cold),
            Claim("nor put into it while there was RF on its relay", not amplifier.switched_in_under_power),
            Claim("the rig was never keyed by a command", self.rig.keyed_by_cat == 0),
            Claim(
                "left safe: transmit held, amplifier out, heater off",
                amplifier.transmit_held and not amplifier.operate and not amplifier.heater_on,
            ),
        ]
