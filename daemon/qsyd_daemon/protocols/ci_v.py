"""CI-V: a conversation on a wire where everybody hears everything, often the own bytes too.

A spoilt query (its echo differs, or a jam code came) is sent again after a short time that differs from try to try.
"""

import re

from qsyd_daemon.protocols.ci_v_frames import (
    BROADCAST,
    CONTROLLER,
    JAM,
    UNASKED,
    FrameSplitter,
    decode_command,
    frequency_to_bcd,
)
from qsyd_daemon.protocols.dialect import Dialect
from qsyd_daemon.protocols.polling import PolledSession
from qsyd_daemon.protocols.queries import AGAIN_SOON_US, ANSWER_TIMEOUT_US, Asker, LinePolicy, Query
from qsyd_daemon.protocols.reports import Notice, Report, Vfo, VfoFrequency
from qsyd_daemon.protocols.rig_state import RigState

READ_COMMANDS = (b"\x03", b"\x04", b"\x0f", b"\x1c\x00", b"\x25\x01", b"\x26\x00")
"""All that is ever sent. `1C 00` with a data byte behind it would key. Where the dial may be set, 05 is sent too."""
SET_COMMAND = b"\x05"
"""Sets the operating frequency: the selected VFO's (makers' chapters, checked)."""
_PAIR = b"[" + b"".join(re.escape(bytes((16 * high + low,))) for high in range(10) for low in range(10)) + b"]"
"""Two decimal digits in a byte: never a control byte, for those begin with F."""

PAUSE_US_MIN = 5_000
PAUSE_US_SPREAD = 25_000
"""The wait after a collision lies between these. Common practice, no source."""
OTHER_VFO_AGAIN_US = 2_000_000


class SelectedAndOther(Dialect):
    """03 for the selected VFO, 25 01 for the other while split is on, 1C 00, and in turn 0F and 26 00 (else 04)."""

    policy = LinePolicy()
    push = ()  # reporting by itself is set in the rig's menu
    doubted_unasked = frozenset()
    names_by_use = True

    def __init__(self, address: int) -> None:
        self._address = address
        self._splitter = FrameSplitter()
        self._sent = b""
        self._is_echoing = False
        self._is_echo_awaited = False
        self._pause_seed = address
        self.allowed = frozenset(self._request(command) for command in READ_COMMANDS)
        self.frequency_set = re.compile(
            re.escape(b"\xfe\xfe" + bytes((address, CONTROLLER)) + SET_COMMAND) + _PAIR + b"{4,5}\xfd", re.DOTALL
        )
        self._frequency_bytes = 5
        self._dial = Query(b"\x03", self._request(b"\x03"), carries_frequency=True, vfo=Vfo.A, again_us=AGAIN_SOON_US)
        self._other = Query(
            b"\x25\x01", self._request(b"\x25\x01"), carries_frequency=True, vfo=Vfo.B, again_us=OTHER_VFO_AGAIN_US
        )
        self._mode = Query(b"\x04", self._request(b"\x04"))
        self._mode_and_data = Query(b"\x26\x00", self._request(b"\x26\x00"))
        self._split_read = Query(b"\x0f", self._request(b"\x0f"))
        self._keyed = Query(b"\x1c\x00", self._request(b"\x1c\x00"))
        self.first = (self._dial, self._split_read, self._keyed, self._mode_and_data)
        self.alternatives = (self._dial, self._keyed, self._mode, self._split_read)
        self.split_queries = (self._split_read,)

    def _request(self, command: bytes) -> bytes:
        return b"\xfe\xfe" + bytes((self._address, CONTROLLER)) + command + b"\xfd"

    @property
    def damaged(self) -> int:
        return self._splitter.damaged

    def reset(self) -> None:
        self._splitter.drop_fragment()
        self._is_echoing = self._is_echo_awaited = False

    def split(self, data: bytes) -> list[bytes]:
        return self._splitter.split(data)

    def drop_fragment(self) -> None:
        self._splitter.drop_fragment()

    def sent(self, request: bytes) -> None:
        self._sent = request[2:-1]
        self._is_echo_awaited = True

    def garbled_pause_us(self) -> int:
        self._pause_seed = (self._pause_seed * 1_103_515_245 + 12_345) % 2**31
        return PAUSE_US_MIN + (self._pause_seed >> 8) % PAUSE_US_SPREAD

    def decode(self, frame: bytes) -> tuple[bytes, Report]:
        if frame == JAM:
            return UNASKED, Notice.GARBLED
        if len(frame) < 3:
            return UNASKED, Notice.DAMAGED
        to, sender = frame[0], frame[1]
        if sender == self._address and to in (CONTROLLER, BROADCAST):
            key, report = decode_command(frame)
            if key == b"\x03" and isinstance(report, VfoFrequency):
                self._frequency_bytes = len(frame) - 3  # four on an early set
            return key if to == CONTROLLER else UNASKED, report
        if frame == self._sent:
            self._is_echoing, self._is_echo_awaited = True, False
            return UNASKED, Notice.IGNORED
        if to == self._address and (sender == CONTROLLER or (self._is_echoing and self._is_echo_awaited)):
            self._is_echo_awaited = False
            return UNASKED, Notice.GARBLED
        return UNASKED, Notice.IGNORED

    def vfo_query(self, vfo: Vfo) -> Query | None:
        return self._dial if vfo is Vfo.A else self._other

    def set_frequency(self, vfo: Vfo, frequency_hz: int) -> bytes | None:
        if vfo is not Vfo.A or frequency_hz >= 100**self._frequency_bytes:
            return None
        return self._request(SET_COMMAND + frequency_to_bcd(frequency_hz, self._frequency_bytes))

    def dial_query(self, vfo: Vfo) -> Query:
        return self._dial

    def round(self, turn: int, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        return [
            *self._frequencies(state),
            self._keyed,
            self._mode_query(asker, at_us) if turn % 2 else self._split_read,
        ]

    def fresh(self, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        return [*self._frequencies(state), self._split_read]

    def instead_of(self, query: Query, state: RigState, asker: Asker) -> tuple[Query, ...]:
        return (self._mode,) if query is self._mode_and_data else ()

    def _frequencies(self, state: RigState) -> list[Query]:
        return [self._dial] if state.other_vfo() is None else [self._dial, self._other]

    def _mode_query(self, asker: Asker, at_us: int) -> Query:
        return self._mode_and_data if asker.may_ask(self._mode_and_data, at_us) else self._mode


class CiVSession(PolledSession):
    """A `RigSession` for CI-V. `address` is the rig's, 01 to EF without our own E0.

    `push` changes nothing here: what the rig reports by itself is always taken in, and a menu of the rig sets it.
    Raises ValueError for an address outside these and for times that are not positive.
    """

    def __init__(
        self,
        address: int,
        poll_us: int,
        push: bool,
        answer_timeout_us: int = ANSWER_TIMEOUT_US,
        *,
        sets_frequency: bool = False,
    ) -> None:
        if not 0x01 <= address <= 0xEF or address == CONTROLLER:
            raise ValueError(f"ci-v address 0x{address:02X}: a rig has 0x01 to 0xEF, and 0xE0 is the controller's")
        super().__init__(SelectedAndOther(address), poll_us, push, answer_timeout_us, sets_frequency=sets_frequency)
