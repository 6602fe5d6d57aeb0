"""ASCII CAT: the eleven-digit dialect, where one status answer (IF) tells nearly all, and the nine-digit one.

In the eleven-digit dialect `TX` keys the transmitter, so it is never sent. In the nine-digit one `TX;` asks whether the
rig transmits; with a digit it keys.
"""

import re

from qsyd_daemon.protocols.ascii_frames import MessageSplitter, decode_9, decode_11
from qsyd_daemon.protocols.dialect import Dialect
from qsyd_daemon.protocols.polling import PolledSession
from qsyd_daemon.protocols.queries import AGAIN_SOON_US, ANSWER_TIMEOUT_US, Asker, LinePolicy, Query
from qsyd_daemon.protocols.reports import Report, Vfo, VfoFrequency
from qsyd_daemon.protocols.rig_state import RigState

READS_11 = frozenset({b"IF;", b"FA;", b"FB;", b"MD;", b"FR;", b"FT;", b"AI1;", b"AI2;"})
READS_9 = frozenset({b"FA;", b"FB;", b"TX;", b"MD0;", b"FT;", b"ST;", b"AI1;"})
"""All that is ever sent: reads, and the wish to be told of changes. Where the dial may be set, one form more."""

SET_11 = re.compile(rb"F[AB][0-9]{11};")
SET_9 = re.compile(rb"FA[0-9]{8,9};")
"""What sets the frequency of a VFO (makers' command references, checked: reference table, FA and FB)."""

GARBLED_PAUSE_US = 20_000
"""After a line error, or an answer not finished, before asking again. Common practice, no source."""
BUSY_PAUSE_US = 60_000
SPACING_US = 50_000
"""Nine-digit rigs: some need about 50 ms between writes, and `?;` often means busy just now (checked)."""

_IF = Query(b"IF", b"IF;", carries_frequency=True)
_FA = Query(b"FA", b"FA;", carries_frequency=True, vfo=Vfo.A, again_us=AGAIN_SOON_US)
_FB = Query(b"FB", b"FB;", carries_frequency=True, vfo=Vfo.B, again_us=AGAIN_SOON_US)
_MD = Query(b"MD", b"MD;")
_MD0 = Query(b"MD", b"MD0;")
_FR = Query(b"FR", b"FR;")
_FT = Query(b"FT", b"FT;")
_ST = Query(b"ST", b"ST;")
_TX_READ = Query(b"TX", b"TX;")
_AI1 = Query(b"AI", b"AI1;", is_setting=True)
_AI2 = Query(b"AI", b"AI2;", is_setting=True)

_VFO_QUERIES = {Vfo.A: _FA, Vfo.B: _FB}


class _AsciiFraming(Dialect):
    """What the two dialects share."""

    names_by_use = False

    def __init__(self) -> None:
        self._splitter = MessageSplitter()

    @property
    def damaged(self) -> int:
        return self._splitter.damaged

    def reset(self) -> None:
        self._splitter.drop_fragment()

    def split(self, data: bytes) -> list[bytes]:
        return self._splitter.split(data)

    def drop_fragment(self) -> None:
        self._splitter.drop_fragment()

    def sent(self, request: bytes) -> None:
        pass  # nothing of it comes back

    def garbled_pause_us(self) -> int:
        return GARBLED_PAUSE_US

    def vfo_query(self, vfo: Vfo) -> Query | None:
        return _VFO_QUERIES.get(vfo)


class ElevenDigits(_AsciiFraming):
    """IF, and FB (or FA) while split is on. Where IF is not answered: the VFO in use, and FR, FT and MD in turn."""

    allowed = READS_11
    frequency_set = SET_11
    policy = LinePolicy()
    push = (_AI2, _AI1)
    first = (_IF,)
    alternatives = (_IF, _FA, _MD)
    split_queries = (_IF, _FT)
    doubted_unasked = frozenset({b"FR", b"FT"})  # they come in pairs, and a half says split where there is none

    def decode(self, message: bytes) -> tuple[bytes, Report]:
        return decode_11(message)

    def set_frequency(self, vfo: Vfo, frequency_hz: int) -> bytes | None:
        letters = {Vfo.A: b"FA", Vfo.B: b"FB"}.get(vfo)
        return None if letters is None else letters + b"%011d;" % frequency_hz

    def dial_query(self, vfo: Vfo) -> Query:
        return _VFO_QUERIES.get(vfo, _IF)

    def round(self, turn: int, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        if asker.may_ask(_IF, at_us):
            queries = [_IF]
        elif turn % 2:
            queries = [self.dial_query(state.in_use), _FR, _FT]
        else:
            queries = [self.dial_query(state.in_use), _MD]
        return queries + self._split_vfos(state, at_us)

    def fresh(self, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        if asker.may_ask(_IF, at_us):
            return [_IF, *self._split_vfos(state, at_us)]
        return [self.dial_query(state.in_use), *self._split_vfos(state, at_us), _FR, _FT]

    def instead_of(self, query: Query, state: RigState, asker: Asker) -> tuple[Query, ...]:
        return (self.dial_query(state.in_use), _FR, _FT, _MD) if query is _IF else ()

    def _split_vfos(self, state: RigState, at_us: int) -> list[Query]:
        """The transmitting VFO; while keyed the other one too, for then IF may not show it."""
        other_vfo = state.other_vfo()
        if other_vfo is None:
            return []
        other = _VFO_QUERIES[other_vfo]
        return [other, _VFO_QUERIES[state.in_use]] if state.keyed(at_us) else [other]


class NineDigits(_AsciiFraming):
    """FA, FB while split is on, TX (a read here), and split and mode in turn. The main receiver is VFO A.

    FT tells which VFO transmits. ST is asked only where FT is unknown: on older radios it is the tuning step.
    """

    allowed = READS_9
    frequency_set = SET_9

    def __init__(self) -> None:
        super().__init__()
        self._digits = 9

    policy = LinePolicy(pause_us=BUSY_PAUSE_US, spacing_us=SPACING_US)
    push = (_AI1,)
    first = (_FA, _FT, _TX_READ, _MD0)
    alternatives = (_FA, _TX_READ, _MD0, _FT)
    split_queries = (_FT, _ST)
    doubted_unasked = frozenset({b"ST"})

    def decode(self, message: bytes) -> tuple[bytes, Report]:
        key, report = decode_9(message)
        if key == b"FA" and isinstance(report, VfoFrequency):
            self._digits = len(message) - 2  # eight on older sets
        return key, report

    def set_frequency(self, vfo: Vfo, frequency_hz: int) -> bytes | None:
        return b"FA%0*d;" % (self._digits, frequency_hz) if vfo is Vfo.A else None

    def dial_query(self, vfo: Vfo) -> Query:
        return _FA

    def round(self, turn: int, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        queries = [_FA, _FB] if state.split else [_FA]
        return [*queries, _TX_READ, _MD0 if turn % 2 else self._split_query(asker, at_us)]

    def fresh(self, state: RigState, asker: Asker, at_us: int) -> list[Query]:
        queries = [_FA, _FB] if state.split else [_FA]
        return [*queries, self._split_query(asker, at_us)]

    def instead_of(self, query: Query, state: RigState, asker: Asker) -> tuple[Query, ...]:
        return (_ST,) if query is _FT and asker.is_dropped(_FT) else ()

    def _split_query(self, asker: Asker, at_us: int) -> Query:
        return _ST if asker.is_dropped(_FT) and not asker.may_ask(_FT, at_us) else _FT


class AsciiCatSession(PolledSession):
    """A `RigSession` for ASCII CAT with frequencies of eleven or of nine digits.

    `poll_us` from round to round; `push` asks the rig to report changes by itself (`AI2;`, else `AI1;`; nine digits:
    `AI1;`). Raises ValueError for other numbers of digits and for times that are not positive.
    """

    def __init__(
        self,
        frequency_digits: int,
        poll_us: int,
        push: bool,
        answer_timeout_us: int = ANSWER_TIMEOUT_US,
        *,
        sets_frequency: bool = False,
    ) -> None:
        match frequency_digits:
            case 11:
                dialect: Dialect = ElevenDigits()
            case 9:
                dialect = NineDigits()
            case _:
                raise ValueError(f"frequency_digits {frequency_digits}: ascii-cat has 11 or 9")
        super().__init__(dialect, poll_us, push, answer_timeout_us, sets_frequency=sets_frequency)
