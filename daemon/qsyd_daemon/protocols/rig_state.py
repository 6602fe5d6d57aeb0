"""What is known of the rig, and the reading it makes.

The transmit frequency counts. So a VFO that has just taken on a part (the dial, or transmitting in split) is unknown
until it has been read in that part, and no reading is made meanwhile.
"""

from dataclasses import dataclass
from typing import assert_never

from qsyd_daemon.protocols.reports import (
    OTHER_VFO,
    Fact,
    KeyedTold,
    ModeTold,
    ReceiveVfoTold,
    SplitTold,
    Status,
    TransmitVfoTold,
    Vfo,
    VfoFrequency,
)
from qsyd_daemon.protocols.session import RigReading
from qsyd_rules.words import Mode

VFO_TRIES = 2
"""So often a VFO that is needed is asked for, ahead of all else, before it counts as not to be read."""

_MODES_WITH_DATA = frozenset({Mode.LSB, Mode.USB, Mode.AM, Mode.FM})


@dataclass(frozen=True, slots=True)
class _VfoRead:
    frequency_hz: int
    asked_at_us: int | None
    read_at_us: int


class RigState:
    """Grows from facts. `kept_us` is how long what the rig no longer tells is still believed (keyed, the other VFO).

    `names_by_use` is for protocols that name VFOs by their use. Some such rigs swap the names while they transmit in
    split, so there a frequency that has just become the opposite one's is believed only when it is seen a second time
    and no key was down.
    """

    def __init__(self, kept_us: int, names_by_use: bool = False) -> None:
        self._kept_us = kept_us
        self._names_by_use = names_by_use
        self._vfos: dict[Vfo, _VfoRead] = {}
        self._failures: dict[Vfo, int] = {}
        self._mode: Mode | None = None
        self._data = False
        self._keyed: bool | None = None
        self._keyed_at_us = 0
        self._key_asked_at_us = 0
        self._offset = False
        self._transmit_offset_hz = 0
        self._swapped = False
        self._suspected: set[Vfo] = set()
        self._transmit_vfo: Vfo | None = None
        self.in_use = Vfo.A
        self.split = False
        self.is_split_known = False

    def take(self, fact: Fact, asked_at_us: int | None, at_us: int) -> bool:
        """Take in a fact; whether it was about the dial or the transmit frequency."""
        match fact:
            case VfoFrequency():
                return self._take_frequency(fact, asked_at_us, at_us)
            case Status():
                self._take_status(fact, asked_at_us, at_us)
                return True
            case ModeTold():
                self._take_mode(fact)
            case KeyedTold():
                self._take_keyed(fact.keyed, asked_at_us, at_us)
            case SplitTold():
                self._offset = fact.offset
                self.is_split_known = True
                self._take_parts(self.in_use, fact.split)
            case ReceiveVfoTold():
                transmit_vfo = self._transmit_vfo
                self._take_parts(fact.vfo, self.split if transmit_vfo is None else transmit_vfo is not fact.vfo)
            case TransmitVfoTold():
                self._transmit_vfo = fact.vfo
                self.is_split_known = True
                self._take_parts(self.in_use, fact.vfo is not self.in_use)
            case _:
                assert_never(fact)
        return False

    def failed(self, vfo: Vfo) -> None:
        """A read of this VFO was refused or not answered."""
        self._failures[vfo] = self._failures.get(vfo, 0) + 1

    def keyed(self, at_us: int) -> bool | None:
        """Whether the rig transmits; None when it has not said so for `kept_us`."""
        return self._keyed if at_us - self._keyed_at_us <= self._kept_us else None

    @property
    def transmit_offset_hz(self) -> int:
        """How far from the VFO it would transmit (XIT)."""
        return self._transmit_offset_hz

    def other_vfo(self) -> Vfo | None:
        """The VFO that transmits while split is on; None without split, and where there is none to read."""
        return OTHER_VFO.get(self.in_use) if self.split and not self._offset else None

    def is_dial_known(self) -> bool:
        """Whether the VFO in use has been read since it is the one in use."""
        return self.in_use in self._vfos

    def missing_vfo(self) -> Vfo | None:
        """A VFO that must be read before there can be a reading, unless it was tried in vain."""
        for vfo in (self.in_use, self.other_vfo()):
            if vfo is not None and vfo not in self._vfos and self._failures.get(vfo, 0) < VFO_TRIES:
                return vfo
        return None

    def reading(self, at_us: int, is_unasked: bool) -> RigReading | None:
        """The state as a reading; None while the dial, or with split the other VFO, is yet to be read."""
        dial = self._vfos.get(self.in_use)
        if dial is None:
            return None
        asked_at_us = None if is_unasked else dial.asked_at_us
        transmit_hz: int | None = dial.frequency_hz
        if self.split:
            other_vfo = self.other_vfo()
            other = None if other_vfo is None else self._vfos.get(other_vfo)
            if other is not None and at_us - other.read_at_us <= self._kept_us:
                transmit_hz = other.frequency_hz
                if asked_at_us is not None:
                    asked_at_us = None if other.asked_at_us is None else min(asked_at_us, other.asked_at_us)
            elif other is None and other_vfo is not None and self._failures.get(other_vfo, 0) < VFO_TRIES:
                return None
            else:
                transmit_hz = None
        if transmit_hz is not None:
            transmit_hz += self._transmit_offset_hz
        mode = Mode.DATA if self._data and self._mode in _MODES_WITH_DATA else self._mode
        keyed = self.keyed(at_us)
        key_asked_at_us = None if keyed is None else self._key_asked_at_us
        return RigReading(dial.frequency_hz, transmit_hz, self.split, mode, keyed, asked_at_us, key_asked_at_us)

    def _take_frequency(self, fact: VfoFrequency, asked_at_us: int | None, at_us: int) -> bool:
        vfo: Vfo | None = fact.vfo
        if self._names_by_use and self.split:
            vfo = self._resolve(fact.vfo, fact.frequency_hz, at_us)
        if vfo is None:
            return False
        self._vfos[vfo] = _VfoRead(fact.frequency_hz, asked_at_us, at_us)
        if self._failures:
            self._failures.pop(vfo, None)
        return vfo is self.in_use or vfo is self.other_vfo()

    def _resolve(self, vfo: Vfo, frequency_hz: int, at_us: int) -> Vfo | None:
        """Which VFO a frequency belongs to while split is on and names may be swapped; None: not to be believed yet."""
        own, opposite = self._vfos.get(vfo), self._vfos.get(OTHER_VFO[vfo])
        if own is None or opposite is None or own.frequency_hz == opposite.frequency_hz:
            return vfo
        if frequency_hz == own.frequency_hz:
            self._swapped = False
            self._suspected.discard(vfo)
            return vfo
        if frequency_hz == opposite.frequency_hz:
            if self.keyed(at_us):
                self._swapped = True
                return OTHER_VFO[vfo]
            if vfo not in self._suspected:
                self._suspected.add(vfo)
                return None
            self._suspected.discard(vfo)
            return vfo
        return OTHER_VFO[vfo] if self._swapped else vfo

    def _take_status(self, status: Status, asked_at_us: int | None, at_us: int) -> None:
        if status.transmitting is not None:
            self._take_keyed(status.transmitting, asked_at_us, at_us)
        if status.transmit_offset_hz is not None:
            self._transmit_offset_hz = status.transmit_offset_hz
        split = self.split if status.split is None else status.split
        # The frequency shown, and the VFO, may then be those that transmit: the dial is held until it is read itself.
        shows_transmit = split and self.keyed(at_us) is True
        in_use = self.in_use
        if status.vfo is not None and not (shows_transmit and self.is_split_known):
            in_use = status.vfo
        self._take_parts(in_use, split)
        if status.split is not None:
            self.is_split_known = True
            # What a later word on the receive VFO alone is read by.
            self._transmit_vfo = OTHER_VFO.get(in_use) if split else in_use
        self._mode = status.mode
        if not shows_transmit:
            self._vfos[in_use] = _VfoRead(status.frequency_hz, asked_at_us, at_us)
            self._failures.pop(in_use, None)

    def _take_parts(self, in_use: Vfo, split: bool) -> None:
        """Who receives and who transmits: a VFO with a new part is unknown until it is read again."""
        if in_use is self.in_use and split is self.split:
            return
        had_other = self.other_vfo()
        if in_use is not self.in_use:
            self._forget(in_use)
        self.in_use, self.split = in_use, split
        self._swapped = False
        self._suspected.clear()
        other_vfo = self.other_vfo()
        if other_vfo is not None and other_vfo is not had_other:
            self._forget(other_vfo)

    def _forget(self, vfo: Vfo) -> None:
        self._vfos.pop(vfo, None)
        self._failures.pop(vfo, None)

    def _take_mode(self, told: ModeTold) -> None:
        self._mode = told.mode
        if told.data is not None:
            self._data = told.data

    def _take_keyed(self, keyed: bool, asked_at_us: int | None, at_us: int) -> None:
        self._keyed, self._keyed_at_us = keyed, at_us
        if asked_at_us is not None:
            self._key_asked_at_us = asked_at_us
        if keyed:
            self._suspected.clear()
        else:
            self._swapped = False
