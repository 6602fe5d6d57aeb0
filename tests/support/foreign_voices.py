"""How transceivers talk, written from the published wire formats alone and sharing no code with the daemon.

Layouts and command meanings: the makers' PC control and CAT references (ASCII) and remote control chapters (CI-V); what
is from memory: FR, FT, 0F, 25, 26, the digits of MD, and that TX and RX key and unkey.
"""

import re
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar


@dataclass
class Panel:
    """The rig as its operator sees it. VFO A receives; with split on, VFO B transmits."""

    a_hz: int = 14_205_000
    b_hz: int = 14_305_000
    split: bool = False
    keyed: bool = False
    mode: str = "usb"


class Voice(ABC):
    """How one family of rigs talks: bytes in, whole answers out."""

    keying: re.Pattern[bytes]
    """What would key such a rig, anywhere in the bytes it was sent."""

    def __init__(self, panel: Panel) -> None:
        self.panel = panel
        self.unexpected: list[bytes] = []
        """Whatever it was sent that is neither a read nor the wish to be told of changes."""

    @abstractmethod
    def hear(self, data: bytes) -> list[bytes]:
        """Take in bytes; the answers, in order."""

    @abstractmethod
    def report(self) -> list[bytes]:
        """What it says unasked after its dial was turned; empty where nobody asked for that."""


class _AsciiVoice(Voice):
    def __init__(self, panel: Panel, refuses: Sequence[str] = ()) -> None:
        super().__init__(panel)
        self.refuses = frozenset(refuses)
        self.reports_changes = False
        self._heard = b""

    def hear(self, data: bytes) -> list[bytes]:
        *messages, self._heard = (self._heard + data).split(b";")
        return [answer for message in messages for answer in self._answers(message.decode("ascii", "replace").upper())]

    def _answers(self, message: str) -> list[bytes]:
        if message[:2] in self.refuses:
            return [b"?;"]
        if message[:2] == "AI" and len(message) == 3:
            self.reports_changes = message != "AI0"
            return []
        answer = self.read(message)
        if answer is None:
            self.unexpected.append(message.encode())
            return [b"?;"]
        return [answer.encode()]

    @abstractmethod
    def read(self, message: str) -> str | None:
        """The answer to a read; None for anything else."""

    def report(self) -> list[bytes]:
        answer = self.read("FA") if self.reports_changes else None
        return [] if answer is None else [answer.encode()]


class ElevenDigits(_AsciiVoice):
    """ASCII CAT, eleven digits. IF has 38 bytes; while keyed in split its frequency is the transmitting VFO's."""

    keying = re.compile(rb"TX|RX|KY|PS0|MX", re.IGNORECASE)
    MODES: ClassVar = {"lsb": "1", "usb": "2", "cw": "3", "fm": "4", "am": "5", "data": "6"}

    def read(self, message: str) -> str | None:
        panel = self.panel
        mode = self.MODES[panel.mode]
        match message:
            case "FA":
                return f"FA{panel.a_hz:011d};"
            case "FB":
                return f"FB{panel.b_hz:011d};"
            case "MD":
                return f"MD{mode};"
            case "FR":
                return "FR0;"
            case "FT":
                return f"FT{int(panel.split)};"
            case "IF":
                shown_hz = panel.b_hz if panel.split and panel.keyed else panel.a_hz
                # 1-2 IF, 3-13 Hz, 14-18 spaces, 19-23 RIT, 24-25 RIT and XIT on, 26-28 memory, 29 transmit, 30 mode,
                # 31 VFO, 32 scan, 33 split, 34-36 tone, 37 shift, 38 the semicolon
                flags = f"00000{int(panel.keyed)}{mode}00{int(panel.split)}000"
                answer = f"IF{shown_hz:011d}{'':5}+0000{flags} ;"
                assert len(answer) == 38, answer
                return answer
            case _:
                return None


class NineDigits(_AsciiVoice):
    """ASCII CAT, nine digits, or eight in the oldest. `busy_every`: each so manieth read is answered `?;`."""

    keying = re.compile(rb"TX[0-9]|MX|KY|PS0", re.IGNORECASE)
    MODES: ClassVar = {"lsb": "1", "usb": "2", "cw": "3", "fm": "4", "am": "5", "data": "C"}

    def __init__(self, panel: Panel, refuses: Sequence[str] = (), digits: int = 9, busy_every: int = 0) -> None:
        super().__init__(panel, refuses)
        self.digits = digits
        self.busy_every = busy_every
        self.reads = 0

    def read(self, message: str) -> str | None:
        panel = self.panel
        self.reads += 1
        answers = {
            "FA": f"FA{panel.a_hz:0{self.digits}d};",
            "FB": f"FB{panel.b_hz:0{self.digits}d};",
            "TX": f"TX{2 * int(panel.keyed)};",
            "MD0": f"MD0{self.MODES[panel.mode]};",
            "FT": f"FT{int(panel.split)};",
            "ST": f"ST{int(panel.split)};",
        }
        if self.busy_every and self.reads % self.busy_every == 0 and message in answers:
            return "?;"
        return answers.get(message)


class CiV(Voice):
    """CI-V. `echoes`: the one wire hands the host its own bytes back. `refuses` are commands answered with FA."""

    MODES: ClassVar = {"lsb": 0x00, "usb": 0x01, "am": 0x02, "cw": 0x03, "fm": 0x05, "data": 0x01}

    def __init__(
        self,
        panel: Panel,
        address: int = 0x94,
        *,
        echoes: bool = True,
        frequency_bytes: int = 5,
        refuses: Sequence[int] = (),
        reports_changes: bool = True,
    ) -> None:
        super().__init__(panel)
        self.address = address
        self.echoes = echoes
        self.frequency_bytes = frequency_bytes
        self.refuses = frozenset(refuses)
        self.reports_changes = reports_changes
        self.keying = re.compile(
            b"\xfe\xfe" + re.escape(bytes([address])) + b"[^\xfd](\x1c[\x00\x01][^\xfd]|\x17|\x18)", re.DOTALL
        )
        self._heard = b""

    def hear(self, data: bytes) -> list[bytes]:
        *frames, self._heard = (self._heard + data).split(b"\xfd")
        answers = []
        for frame in frames:
            if self.echoes:
                answers.append(frame + b"\xfd")
            if len(frame) < 5 or frame[:2] != b"\xfe\xfe":
                self.unexpected.append(frame)
            elif frame[2] == self.address:
                answers.append(self._frame(frame[3], self._answer(frame[4:])))
        return answers

    def report(self) -> list[bytes]:
        return [self._frame(0x00, b"\x00" + self._bcd(self.panel.a_hz))] if self.reports_changes else []

    def _answer(self, body: bytes) -> bytes:
        panel = self.panel
        if body[0] in self.refuses:
            return b"\xfa"
        mode = self.MODES[panel.mode]
        answers = {
            b"\x03": b"\x03" + self._bcd(panel.a_hz),
            b"\x04": bytes([0x04, mode, 0x01]),
            b"\x0f": bytes([0x0F, int(panel.split)]),
            b"\x1c\x00": bytes([0x1C, 0x00, int(panel.keyed)]),
            b"\x25\x00": b"\x25\x00" + self._bcd(panel.a_hz),
            b"\x25\x01": b"\x25\x01" + self._bcd(panel.b_hz),
            b"\x26\x00": bytes([0x26, 0x00, mode, int(panel.mode == "data"), 0x01]),
        }
        if body not in answers:
            self.unexpected.append(body)
        return answers.get(body, b"\xfa")

    def _frame(self, to: int, body: bytes) -> bytes:
        return b"\xfe\xfe" + bytes([to, self.address]) + body + b"\xfd"

    def _bcd(self, hertz: int) -> bytes:
        """Least significant pair first, the high nibble the more significant digit."""
        digits = f"{hertz:0{2 * self.frequency_bytes}d}"
        return bytes.fromhex(digits)[::-1]
