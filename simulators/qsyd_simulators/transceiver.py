"""A transceiver as an operator knows it: two VFOs, split, mode, key. How it is spoken to is left to its voices."""

from collections.abc import Callable
from enum import Enum, auto

from qsyd_simulators.faults import RigFaults
from qsyd_simulators.heard import Heard
from qsyd_simulators.rig_mode import RigMode

FREQUENCY_HZ_MIN = 30_000
FREQUENCY_HZ_MAX = 60_000_000
"""What the simulated set can be tuned to. Common practice, no source: a general-coverage HF receiver with 6 m."""

DRIVE_MW_MAX = 100_000
"""Full output in milliwatts, a usual 100 W set."""

OFFSET_HZ_MAX = 9_999
"""Largest RIT or XIT offset, either way: four digits on the wire."""


class Vfo(Enum):
    """One of the two oscillators."""

    A = 0
    B = 1

    @property
    def other(self) -> "Vfo":
        return Vfo.B if self is Vfo.A else Vfo.A


class Change(Enum):
    """What is different now."""

    VFO_A = auto()
    VFO_B = auto()
    VFO_IN_USE = auto()
    TRANSMIT_VFO = auto()
    MODE = auto()
    KEYED = auto()
    POWERED = auto()
    DRIVE = auto()
    OFFSET = auto()


Listener = Callable[[Change], None]


class Transceiver:
    """The device. Every setter tells the listeners, and only of what is really different afterwards.

    Raises `ValueError` for a frequency, drive or offset it cannot have.
    """

    def __init__(
        self,
        frequency_hz: int = 14_205_000,
        *,
        other_hz: int | None = None,
        mode: RigMode = RigMode.USB,
        faults: RigFaults | None = None,
    ) -> None:
        """Start on VFO A at `frequency_hz`, VFO B at `other_hz` (default the same), not split, not keyed, switched on."""
        self._frequency_hz = {
            Vfo.A: _checked_hz(frequency_hz),
            Vfo.B: _checked_hz(frequency_hz if other_hz is None else other_hz),
        }
        self._mode = {Vfo.A: mode, Vfo.B: mode}
        self._vfo_in_use = Vfo.A
        self._transmit_vfo = Vfo.A
        self._keyed_at_radio = False
        self._keyed_over_wire = False
        self._powered = True
        self._drive_mw = DRIVE_MW_MAX
        self._offset: tuple[int, bool, bool] = (0, False, False)
        self._listeners: list[Listener] = []

        self.faults = RigFaults() if faults is None else faults
        self.push_permitted = True
        """Whether changes may be reported unasked (where a host asked for it, if the protocol needs that)."""
        self.shows_transmit_vfo = False
        """Whether what it calls its operating frequency becomes the transmit VFO's while keyed in split. From memory:
        sets differ in this."""
        self.swr = 1.0
        """Standing wave ratio its own meter sees while keyed, 1.0 and up."""
        self.keyed_by_cat = 0
        """How many commands have keyed it. Nobody who only follows the dial ever makes this other than 0."""
        self.heard: list[Heard] = []
        """The commands its voices received; bounded."""

    def subscribe(self, listener: Listener) -> Callable[[], None]:
        """Call `listener` after every change, until the returned function is called."""
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def _tell(self, change: Change) -> None:
        for listener in tuple(self._listeners):
            listener(change)

    # The dial.

    @property
    def vfo_a_hz(self) -> int:
        return self._frequency_hz[Vfo.A]

    @property
    def vfo_b_hz(self) -> int:
        return self._frequency_hz[Vfo.B]

    @property
    def vfo_in_use(self) -> Vfo:
        """The VFO that receives."""
        return self._vfo_in_use

    @property
    def transmit_vfo(self) -> Vfo:
        return self._transmit_vfo

    @property
    def split(self) -> bool:
        return self._transmit_vfo is not self._vfo_in_use

    @property
    def shown_vfo(self) -> Vfo:
        """The VFO whose frequency the set calls its operating frequency just now."""
        if self.shows_transmit_vfo and self.keyed:
            return self._transmit_vfo
        return self._vfo_in_use

    @property
    def transmit_hz(self) -> int:
        """Where a key-down would put the carrier or the suppressed carrier: split and XIT counted."""
        offset_hz, _, xit = self._offset
        return self._frequency_hz[self._transmit_vfo] + (offset_hz if xit else 0)

    def frequency_of(self, vfo: Vfo) -> int:
        return self._frequency_hz[vfo]

    def tune_vfo_a(self, frequency_hz: int) -> None:
        self.tune_vfo(Vfo.A, frequency_hz)

    def tune_vfo_b(self, frequency_hz: int) -> None:
        self.tune_vfo(Vfo.B, frequency_hz)

    def tune(self, frequency_hz: int) -> None:
        """Turn the dial: tune the VFO in use."""
        self.tune_vfo(self._vfo_in_use, frequency_hz)

    def tune_vfo(self, vfo: Vfo, frequency_hz: int) -> None:
        if self._frequency_hz[vfo] != _checked_hz(frequency_hz):
            self._frequency_hz[vfo] = frequency_hz
            self._tell(Change.VFO_A if vfo is Vfo.A else Change.VFO_B)

    def use_vfo(self, vfo: Vfo) -> None:
        """Press the A/B button: receive on `vfo`; in split, transmit on the one left."""
        was_split = self.split
        self.receive_on(vfo)
        self.set_split(was_split)

    def receive_on(self, vfo: Vfo) -> None:
        """Receive on `vfo` and leave the transmit VFO as it is."""
        if self._vfo_in_use is not vfo:
            self._vfo_in_use = vfo
            self._tell(Change.VFO_IN_USE)

    def transmit_on(self, vfo: Vfo) -> None:
        """Transmit on `vfo` and leave the receiving one as it is."""
        if self._transmit_vfo is not vfo:
            self._transmit_vfo = vfo
            self._tell(Change.TRANSMIT_VFO)

    def set_split(self, split: bool) -> None:
        self.transmit_on(self._vfo_in_use.other if split else self._vfo_in_use)

    @property
    def offset_hz(self) -> int:
        return self._offset[0]

    @property
    def rit(self) -> bool:
        return self._offset[1]

    @property
    def xit(self) -> bool:
        return self._offset[2]

    def set_offset(self, offset_hz: int, *, rit: bool = False, xit: bool = False) -> None:
        """Set the RIT/XIT offset in hertz, -9999 to 9999, and which of the two is on."""
        if abs(offset_hz) > OFFSET_HZ_MAX:
            raise ValueError(f"offset {offset_hz} Hz: at most {OFFSET_HZ_MAX} Hz either way")
        if self._offset != (offset_hz, rit, xit):
            self._offset = (offset_hz, rit, xit)
            self._tell(Change.OFFSET)

    # Mode and drive.

    @property
    def mode(self) -> RigMode:
        """The mode of the VFO in use."""
        return self._mode[self._vfo_in_use]

    @property
    def transmit_mode(self) -> RigMode:
        return self._mode[self._transmit_vfo]

    def mode_of(self, vfo: Vfo) -> RigMode:
        return self._mode[vfo]

    def set_mode(self, mode: RigMode, vfo: Vfo | None = None) -> None:
        """Set the mode of `vfo`, or of the VFO in use."""
        vfo = self._vfo_in_use if vfo is None else vfo
        if self._mode[vfo] is not mode:
            self._mode[vfo] = mode
            self._tell(Change.MODE)

    @property
    def drive_mw(self) -> int:
        """Output the set is turned up to, in milliwatts, 0 to 100 000."""
        return self._drive_mw

    def set_drive(self, drive_mw: int) -> None:
        if not 0 <= drive_mw <= DRIVE_MW_MAX:
            raise ValueError(f"drive {drive_mw} mW: from 0 to {DRIVE_MW_MAX} mW")
        if self._drive_mw != drive_mw:
            self._drive_mw = drive_mw
            self._tell(Change.DRIVE)

    # Key and power.

    @property
    def keyed(self) -> bool:
        """On the air, whoever holds the key."""
        return self._keyed_at_radio or self._keyed_over_wire

    @property
    def keyed_at_radio(self) -> bool:
        return self._keyed_at_radio

    def key(self) -> None:
        """Key at the radio: microphone, paddle or foot switch. A set that is off stays unkeyed."""
        self._set_key(at_radio=self._powered, over_wire=self._keyed_over_wire)

    def unkey(self) -> None:
        """Let go of the key at the radio; what keyed it over a wire still does."""
        self._set_key(at_radio=False, over_wire=self._keyed_over_wire)

    def key_by_command(self) -> None:
        """Key because a command said so; this is counted."""
        self.keyed_by_cat += 1
        self._set_key(at_radio=self._keyed_at_radio, over_wire=self._powered)

    def unkey_by_command(self) -> None:
        self._set_key(at_radio=self._keyed_at_radio, over_wire=False)

    def _set_key(self, *, at_radio: bool, over_wire: bool) -> None:
        was = self._keyed_at_radio, self._keyed_over_wire
        self._keyed_at_radio, self._keyed_over_wire = at_radio, over_wire
        if was != (at_radio, over_wire):
            self._tell(Change.KEYED)

    @property
    def powered(self) -> bool:
        return self._powered

    def set_power(self, on: bool) -> None:
        """Switch the set on or off; switched off it is not keyed."""
        if not on:
            self._set_key(at_radio=False, over_wire=False)
        if self._powered != on:
            self._powered = on
            self._tell(Change.POWERED)


def _checked_hz(frequency_hz: int) -> int:
    if not FREQUENCY_HZ_MIN <= frequency_hz <= FREQUENCY_HZ_MAX:
        raise ValueError(
            f"{frequency_hz} Hz is outside what this set tunes, {FREQUENCY_HZ_MIN} Hz to {FREQUENCY_HZ_MAX} Hz"
        )
    return frequency_hz
