"""CI-V as a transceiver speaks it: binary frames on one wire that both ends share.

Layouts from makers' chapters on the protocol, where not marked `from memory`.
"""

from collections.abc import Iterator
from itertools import pairwise

from qsyd_simulators import ci_v_modes
from qsyd_simulators.ci_v_frames import (
    END,
    JAM,
    FrameSplitter,
    bcd_frequency,
    bcd_level,
    frame,
    frequency_of,
    level_of,
)
from qsyd_simulators.faults import is_due
from qsyd_simulators.rig_voice import RigVoice
from qsyd_simulators.transceiver import DRIVE_MW_MAX, Change, Transceiver, Vfo

BROADCAST = 0x00
"""Destination of what is sent unasked. From memory."""
ACCEPTED = b"\xfb"
REFUSED = b"\xfa"

_SWR_POINTS = ((1.0, 0), (1.5, 48), (2.0, 80), (3.0, 120))
"""SWR meter: ratio and level, straight lines between. From memory."""


class CiVVoice(RigVoice):
    """The transceiver's end of the wire."""

    def __init__(
        self,
        transceiver: Transceiver,
        address: int = 0x94,
        *,
        frequency_bytes: int = 5,
        echo: bool = True,
        reads_split: bool = True,
        reads_other_vfo: bool = True,
    ) -> None:
        """`address` 01 to DF hex; `frequency_bytes` 5, or 4 as an early set sends; anything else is a `ValueError`.

        `echo`: the interface hands the host its own bytes back, even when the set is silent, for it is the wire that
        does it (frame by frame here, byte by byte on a real wire). Without `reads_split` the set refuses to tell about
        split; without `reads_other_vfo` it lacks commands 25 and 26, as older sets do.
        """
        if not 0x01 <= address <= 0xDF:
            raise ValueError(f"address {address:#04x}: a transceiver's is from 0x01 to 0xdf")
        if frequency_bytes not in (4, 5):
            raise ValueError(f"{frequency_bytes} frequency bytes: CI-V has 5 or (early sets) 4")
        super().__init__(transceiver)
        self.address = address
        self._frequency_bytes = frequency_bytes
        self._echo = echo
        self._reads_split = reads_split
        self._reads_other_vfo = reads_other_vfo
        self._splitter = FrameSplitter()

    # Framing.

    def _replies(self, data: bytes, at_us: int) -> Iterator[bytes]:
        for raw, found in self._splitter.pieces(data):
            if found is None or found[2] != self.address:
                yield raw if self._echo else b""
                continue
            count = self._hear(found, at_us)
            if is_due(self.faults.collide_every, count):
                yield (found[:4] if self._echo else b"") + bytes((JAM, JAM, JAM, END))
                continue
            yield raw if self._echo else b""
            answer = self._reply(found[4:-1])
            yield self._spoiled(frame(found[3], self.address, answer)) if answer else b""

    def _reply(self, command: bytes) -> bytes:
        if not self.transceiver.powered and command != b"\x18\x01":
            return b""
        if self._is_refused(command):
            return REFUSED
        try:
            return self._answer(command[0], command[1:])
        except ValueError:
            return REFUSED

    # Commands.

    def _answer(self, command: int, data: bytes) -> bytes:
        """Obey one command; raises `ValueError` for data the set cannot take."""
        rig = self.transceiver
        match command, tuple(data):
            case 0x00, _:
                rig.tune_vfo(rig.shown_vfo, frequency_of(data, self._frequency_bytes))
                return b""  # the set form that nobody answers; from memory
            case 0x01, (mode, *rest) if len(rest) <= 1:
                rig.set_mode(ci_v_modes.mode_of(mode, 0, *rest))
                return b""
            case 0x03, ():
                return b"\x03" + self._frequency(rig.shown_vfo)
            case 0x04, ():
                return b"\x04" + self._mode_and_filter(rig.shown_vfo)
            case 0x05, _:
                rig.tune_vfo(rig.shown_vfo, frequency_of(data, self._frequency_bytes))
            case 0x06, (mode, *rest) if len(rest) <= 1:
                rig.set_mode(ci_v_modes.mode_of(mode, 0, *rest))
            case 0x0F, () if self._reads_split:
                return bytes((0x0F, rig.split))
            case 0x0F, (0x00 | 0x01 as split,):
                rig.set_split(bool(split))
            case 0x18, (0x00 | 0x01 as power,):
                rig.set_power(bool(power))
            case 0x19, (0x00,):
                return bytes((0x19, 0x00, self.address))
            case 0x1C, (0x00,):
                return bytes((0x1C, 0x00, rig.keyed))
            case 0x1C, (0x00, 0x01):
                rig.key_by_command()
            case 0x1C, (0x00, 0x00):
                rig.unkey_by_command()
            case 0x14 | 0x15, (which, *_):
                return self._level_answer(command, which, data[1:])
            case 0x25 | 0x26, (0x00 | 0x01 as other, *_) if self._reads_other_vfo:
                vfo = rig.shown_vfo.other if other else rig.shown_vfo
                return self._vfo_answer(command, other, vfo, data[1:])
            case _:
                return REFUSED
        return ACCEPTED

    def _level_answer(self, command: int, which: int, data: bytes) -> bytes:
        """The power setting (14 0A) and the power and SWR meters (15 11, 15 12)."""
        rig = self.transceiver
        setting = round(rig.drive_mw * 255 / DRIVE_MW_MAX)
        match command, which, data:
            case 0x14, 0x0A, b"":
                level = setting
            case 0x14, 0x0A, _:
                rig.set_drive(round(level_of(data) * DRIVE_MW_MAX / 255))
                return ACCEPTED
            case 0x15, 0x11, b"":
                level = setting if rig.keyed else 0
            case 0x15, 0x12, b"":
                level = _swr_level(rig.swr) if rig.keyed else 0
            case _:
                return REFUSED
        return bytes((command, which)) + bcd_level(level)

    def _vfo_answer(self, command: int, other: int, vfo: Vfo, data: bytes) -> bytes:
        """Frequency (25) and mode (26) of one VFO, read and, from memory, set."""
        rig = self.transceiver
        match command, tuple(data):
            case 0x25, ():
                return bytes((command, other)) + self._frequency(vfo)
            case 0x25, _:
                rig.tune_vfo(vfo, frequency_of(data, self._frequency_bytes))
            case 0x26, ():
                return bytes((command, other, *ci_v_modes.codes_of(rig.mode_of(vfo))))
            case 0x26, (mode, data_flag, filter_number):
                rig.set_mode(ci_v_modes.mode_of(mode, data_flag, filter_number), vfo)
            case _:
                return REFUSED
        return ACCEPTED

    def _frequency(self, vfo: Vfo) -> bytes:
        return bcd_frequency(self.transceiver.frequency_of(vfo), self._frequency_bytes)

    def _mode_and_filter(self, vfo: Vfo) -> bytes:
        mode, _, filter_number = ci_v_modes.codes_of(self.transceiver.mode_of(vfo))
        return bytes((mode, filter_number))

    # Reports.

    def _report(self, change: Change) -> bytes:
        """Only what is done at the radio, only the operating frequency and mode: never split, never the key."""
        rig = self.transceiver
        if self._receiving or not rig.powered:
            return b""
        vfo = rig.shown_vfo
        frequency = frame(BROADCAST, self.address, b"\x00" + self._frequency(vfo))
        mode = frame(BROADCAST, self.address, b"\x01" + self._mode_and_filter(vfo))
        match change:
            case Change.VFO_A | Change.VFO_B:
                return frequency if (change is Change.VFO_A) == (vfo is Vfo.A) else b""
            case Change.VFO_IN_USE:
                return frequency + mode
            case Change.MODE:
                return mode
            case _:
                return b""


def _swr_level(swr: float) -> int:
    for (low, low_level), (high, high_level) in pairwise(_SWR_POINTS):
        if swr <= high:
            return round(low_level + (swr - low) * (high_level - low_level) / (high - low))
    return _SWR_POINTS[-1][1]
