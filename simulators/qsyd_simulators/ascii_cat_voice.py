"""ASCII CAT as a transceiver speaks it: two letters, fixed-width parameters, a semicolon.

Two dialects, told apart by the digits of a frequency: eleven (A11), and nine or eight (A9). A set gets no answer, a
read gets the same letters with the value, and `?;` is a refusal of whatever kind. Layouts from makers' command
references, where not marked `from memory`.
"""

import re
from collections.abc import Iterator

from qsyd_simulators.ascii_cat_modes import A9_MODES, A11_MODES, a9_code, a11_code
from qsyd_simulators.faults import is_due
from qsyd_simulators.rig_voice import RigVoice
from qsyd_simulators.transceiver import DRIVE_MW_MAX, Change, Transceiver, Vfo

REFUSED = "?;"
LINE_ERROR = "E;"
COMMAND_BYTES_MAX = 64
"""Longer than any command; more without a semicolon is an overrun."""

A11_IDENTITY = "999"
A9_IDENTITY = "9999"
"""Model numbers of the simulated sets; invented."""

_DRIVE_W_MIN = 5
"""Lowest value of PC. From memory (A11); a public compilation of makers' references (A9)."""


class AsciiCatVoice(RigVoice):
    """One host's line to the transceiver; each has its own AI setting."""

    def __init__(
        self, transceiver: Transceiver, frequency_digits: int = 11, *, st_is_tuning_step: bool = False
    ) -> None:
        """Speak A11 with `frequency_digits` 11, A9 with 9 or 8; other widths are a `ValueError`.

        With `st_is_tuning_step` the A9 command ST means the tuning step, as on older sets, and says nothing of split.
        """
        if frequency_digits not in (8, 9, 11):
            raise ValueError(f"{frequency_digits} frequency digits: ASCII CAT has 11, 9 or (older sets) 8")
        super().__init__(transceiver)
        self.frequency_digits = frequency_digits
        self.auto_information = 0
        """The AI level this host has set: 0 is off."""
        self._is_a11 = frequency_digits == 11
        self._st_is_tuning_step = st_is_tuning_step
        self._tuning_step = 1
        self._buffer = b""

    # Framing.

    def _replies(self, data: bytes, at_us: int) -> Iterator[bytes]:
        *commands, self._buffer = (self._buffer + data).split(b";")
        for command in commands:
            count = self._hear(command + b";", at_us)
            yield self._spoiled(self._reply(command, count).encode("ascii"))
        if len(self._buffer) > COMMAND_BYTES_MAX:
            self._buffer = b""
            yield self._spoiled(LINE_ERROR.encode("ascii"))

    def _reply(self, command: bytes, count: int) -> str:
        text = command.decode("ascii", "replace").upper()
        if not self.transceiver.powered and not (self._is_a11 and text.startswith("PS")):
            return ""
        if is_due(self.faults.busy_every, count) or self._is_refused(text.encode("ascii", "replace")):
            return REFUSED
        try:
            answer = self._answer(text[:2], text[2:])
        except ValueError:
            return REFUSED
        return answer if answer in ("", REFUSED) else answer + ";"

    # Commands.

    def _answer(self, letters: str, value: str) -> str:
        """Obey one command; raises `ValueError` for a value the set cannot take."""
        rig = self.transceiver
        match letters, value:
            case "FA", "":
                return self._frequency("FA", Vfo.A)
            case "FB", "":
                return self._frequency("FB", Vfo.B)
            case "FA", _:
                rig.tune_vfo_a(_digits(value, self.frequency_digits))
            case "FB", _:
                rig.tune_vfo_b(_digits(value, self.frequency_digits))
            case "IF", "":
                return self._status()
            case "PC", "":
                return self._drive()
            case "PC", _:
                rig.set_drive(_drive_mw(value))
            case "AI", "":
                return f"AI{self.auto_information}"
            case "AI", "0" | "1":
                self.auto_information = int(value)
            case "AI", "2" | "4" if self._is_a11:
                self.auto_information = int(value)
            case "ID", "":
                return "ID" + (A11_IDENTITY if self._is_a11 else A9_IDENTITY)
            case "FT", "":
                return f"FT{rig.transmit_vfo.value}"
            case "FT", "0" | "1":
                rig.transmit_on(Vfo(int(value)))
            case _:
                return self._a11_answer(letters, value) if self._is_a11 else self._a9_answer(letters, value)
        return ""

    def _a11_answer(self, letters: str, value: str) -> str:
        rig = self.transceiver
        match letters, value:
            case "MD", "":
                return self._mode()
            case "MD", _ if value in A11_MODES:
                rig.set_mode(A11_MODES[value])
            case "TX", "" | "0" | "1" | "2":
                rig.key_by_command()
            case "RX", "":
                rig.unkey_by_command()
            case "FR", "":
                return f"FR{rig.vfo_in_use.value}"
            case "FR", "0" | "1":
                rig.receive_on(Vfo(int(value)))
            case "PS", "":
                return f"PS{rig.powered:d}"
            case "PS", "0" | "1":
                rig.set_power(value == "1")
            case _:
                return REFUSED
        return ""

    def _a9_answer(self, letters: str, value: str) -> str:
        rig = self.transceiver
        match letters, value:
            case "MD", "0":
                return self._mode()
            case "MD", _ if value[:1] == "0" and value[1:] in A9_MODES:
                rig.set_mode(A9_MODES[value[1:]])
            case "TX", "":
                return self._transmit()
            case "MX", "":
                return f"MX{rig.keyed:d}"
            case "TX" | "MX", "1":
                rig.key_by_command()
            case "TX" | "MX", "0":
                rig.unkey_by_command()
            case "FT", "2" | "3":
                rig.transmit_on(Vfo(int(value) - 2))
            case "ST", "":
                return f"ST{self._tuning_step if self._st_is_tuning_step else int(rig.split)}"
            case "ST", "0" | "1":
                if self._st_is_tuning_step:
                    self._tuning_step = int(value)
                else:
                    rig.set_split(value == "1")
            case "RM", "5" | "6":
                return self._meter(value)
            case _:
                return REFUSED
        return ""

    # Answers, without their semicolon.

    def _frequency(self, letters: str, vfo: Vfo) -> str:
        return f"{letters}{self.transceiver.frequency_of(vfo):0{self.frequency_digits}d}"

    def _mode(self) -> str:
        if self._is_a11:
            return "MD" + a11_code(self.transceiver.mode)
        return "MD0" + a9_code(self.transceiver.mode)

    def _transmit(self) -> str:
        """A9 only: 0 idle, 1 keyed by CAT, 2 keyed at the radio."""
        rig = self.transceiver
        return "TX2" if rig.keyed_at_radio else f"TX{rig.keyed:d}"

    def _drive(self) -> str:
        return f"PC{max(_DRIVE_W_MIN, round(self.transceiver.drive_mw / 1000)):03d}"

    def _meter(self, which: str) -> str:
        """RM5 output, RM6 SWR, 000 to 255 while keyed. The real scale is not linear and differs; this one is invented."""
        rig = self.transceiver
        level = 255 * rig.drive_mw // DRIVE_MW_MAX if which == "5" else min(255, round((rig.swr - 1) * 60))
        return f"RM{which}{level if rig.keyed else 0:03d}000"

    def _status(self) -> str:
        """IF, without its semicolon: 37 characters in A11, 27 in A9 (26 where a frequency has eight digits)."""
        rig = self.transceiver
        vfo = rig.shown_vfo
        frequency = f"{rig.frequency_of(vfo):0{self.frequency_digits}d}"
        offset = f"{rig.offset_hz:+05d}{rig.rit:d}{rig.xit:d}"
        if self._is_a11:
            mode = a11_code(rig.mode_of(vfo))
            return f"IF{frequency}     {offset}000{rig.keyed:d}{mode}{vfo.value}0{rig.split:d}0000"
        return f"IF001{frequency}{offset}{a9_code(rig.mode_of(vfo))}00000"

    # Reports.

    def _report(self, change: Change) -> bytes:
        if change is Change.POWERED and not self.transceiver.powered:
            self.auto_information = 0  # often cleared at power-off
        if self.auto_information == 0:
            return b""
        if self._is_a11 and self.auto_information == 1:
            return (self._status() + ";").encode("ascii")
        report = self._changed_value(change)
        return (report + ";").encode("ascii") if report else b""

    def _changed_value(self, change: Change) -> str:
        """The answer that holds what changed. From memory, for all but FA, FB and MD."""
        rig = self.transceiver
        match change:
            case Change.VFO_A:
                return self._frequency("FA", Vfo.A)
            case Change.VFO_B:
                return self._frequency("FB", Vfo.B)
            case Change.MODE:
                return self._mode()
            case Change.VFO_IN_USE:
                return f"FR{rig.vfo_in_use.value}" if self._is_a11 else self._status()
            case Change.TRANSMIT_VFO:
                return f"FT{rig.transmit_vfo.value}"
            case Change.KEYED:
                return ("TX0" if rig.keyed else "RX") if self._is_a11 else self._transmit()
            case Change.DRIVE:
                return self._drive()
            case Change.OFFSET:
                return self._status()
            case Change.POWERED:
                return f"PS{rig.powered:d}" if self._is_a11 else ""


def _digits(value: str, width: int) -> int:
    """A zero-padded number of exactly `width` digits; anything else is a `ValueError`."""
    if not re.fullmatch(rf"[0-9]{{{width}}}", value):
        raise ValueError(f"{value!r} is not {width} digits")
    return int(value)


def _drive_mw(value: str) -> int:
    watts = _digits(value, 3)
    if watts < _DRIVE_W_MIN:
        raise ValueError(f"{watts} W is less than the set can be turned down to")
    return watts * 1000
