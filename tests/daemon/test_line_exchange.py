"""Which answer counts for which command, on a clock that is only a number. Nothing here waits."""

import re
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qsyd_daemon.outputs.line_effect import Effect, Finished, Reopen, Send
from qsyd_daemon.outputs.line_exchange import LineExchange
from qsyd_daemon.outputs.line_order import UNDONE_BY
from qsyd_daemon.outputs.line_splitter import LINE_BYTES_MAX
from qsyd_rules.command import SAFE_COMMANDS, CommandName
from qsyd_rules.words import Result

TIMEOUT_US = 500_000
RETRIES = 2
BOUND_US = TIMEOUT_US * (RETRIES + 1)

INHIBIT = CommandName.INHIBIT_TRANSMIT
RELEASE = CommandName.RELEASE_TRANSMIT
STANDBY = CommandName.AMPLIFIER_STANDBY
OPERATE = CommandName.AMPLIFIER_OPERATE
SELECT = CommandName.SELECT_ANTENNA
RECALL = CommandName.RECALL_PRESET


class Bench:
    """An exchange, its clock, and what it has asked for so far. A command's bytes are its ticket."""

    def __init__(self, acknowledge: str | None = "^OK", *, is_open: bool = True) -> None:
        pattern = None if acknowledge is None else re.compile(acknowledge)
        self.exchange = LineExchange("tcp:127.0.0.1:5001", pattern, TIMEOUT_US, RETRIES)
        self.now_us = 1_000_000
        self.sent: list[int] = []
        self.ended: dict[int, Finished] = {}
        self.ended_at_us: dict[int, int] = {}
        self.reopened = 0
        self.answered: list[bool] = []
        """Of each time that it was opened anew: whether anything had been acknowledged over the link."""
        self.on_send: Callable[[int], None] = lambda ticket: None
        self.is_open = False
        if is_open:
            self.open()

    def submit(self, ticket: int, name: CommandName) -> None:
        self._note(self.exchange.submit(ticket, name, b"%d" % ticket, self.now_us))

    def open(self) -> None:
        self.is_open = True
        self._note(self.exchange.opened(self.now_us))

    def lose(self, reason: str = "the far end closed") -> None:
        self.is_open = False
        self._note(self.exchange.closed(reason))

    def hear(self, data: bytes = b"OK\n") -> None:
        self._note(self.exchange.received(data, self.now_us))

    def run(self, by_us: int) -> None:
        """Let time pass, waking the exchange exactly when it asks for it."""
        until_us = self.now_us + by_us
        while (wake_us := self.exchange.wake_at_us()) is not None and wake_us <= until_us:
            assert wake_us >= self.now_us, "asked to be woken in the past"
            self.now_us = wake_us
            before = (len(self.sent), len(self.ended), self.exchange.wake_at_us())
            self._note(self.exchange.due(self.now_us))
            assert before != (len(self.sent), len(self.ended), self.exchange.wake_at_us()), "woken for nothing"
        self.now_us = until_us

    def result(self, ticket: int) -> Result | None:
        return self.ended[ticket].result if ticket in self.ended else None

    def error(self, ticket: int) -> str | None:
        return self.ended[ticket].error

    def _note(self, effects: list[Effect]) -> None:
        for effect in effects:
            match effect:
                case Send(data):
                    self.sent.append(int(data))
                    assert int(data) not in self.ended, "sent after its end"
                    self.on_send(int(data))
                case Finished(ticket):
                    assert ticket not in self.ended, "ended twice"
                    self.ended[ticket] = effect
                    self.ended_at_us[ticket] = self.now_us
                case Reopen(answered=answered):
                    self.reopened += 1
                    self.answered.append(answered)
                    self.is_open = False


def test_command_is_sent_within_the_call_and_acknowledged_by_the_first_matching_line() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    assert bench.sent == [1]

    bench.hear(b"moving\r\n")
    assert bench.result(1) is None
    bench.hear(b"OK 2\r\n")

    assert bench.ended[1] == Finished(1, Result.ACKNOWLEDGED)
    assert bench.exchange.wake_at_us() is None


def test_without_a_pattern_every_command_is_assumed_as_soon_as_it_was_sent() -> None:
    bench = Bench(acknowledge=None)
    for ticket, name in enumerate((SELECT, RECALL, INHIBIT), start=1):
        bench.submit(ticket, name)

    assert bench.sent == [1, 2, 3]
    assert {bench.result(ticket) for ticket in (1, 2, 3)} == {Result.ASSUMED}
    assert bench.exchange.wake_at_us() is None


def test_one_ordinary_command_is_under_way_the_next_waits_for_its_end() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.submit(2, RECALL)
    assert bench.sent == [1]

    bench.hear()

    assert bench.sent == [1, 2]
    assert bench.result(2) is None


def test_silence_ends_after_three_tries_and_reopens_the_link() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.hear(b"ERR 7\n")
    bench.run(BOUND_US - 1)
    assert (bench.sent, bench.result(1), bench.reopened) == ([1, 1, 1], None, 0)

    bench.run(1)

    assert bench.result(1) is Result.FAILED
    assert bench.reopened == 1
    assert bench.error(1) == (
        "no acknowledgement from tcp:127.0.0.1:5001 in 3 tries: "
        "expected a line that matches '^OK' within 500 ms, last heard 'ERR 7'"
    )


def test_what_had_a_whole_time_out_over_an_open_link_was_ignored_and_what_was_cut_off_before_was_not() -> None:
    silent, overtaken, hurried, loose, absent = (Bench(is_open=number < 4) for number in range(5))
    for bench in (silent, overtaken, hurried, loose, absent):
        bench.submit(1, SELECT)
    silent.run(BOUND_US)
    overtaken.run(TIMEOUT_US)
    overtaken.submit(2, INHIBIT)
    hurried.run(TIMEOUT_US - 1)
    hurried.submit(2, INHIBIT)
    for _ in range(RETRIES):
        loose.run(10_000)
        loose.lose()
        loose.open()
    loose.lose()
    absent.run(BOUND_US)

    assert [bench.ended[1].ignored for bench in (silent, overtaken, hurried, loose, absent)] == [
        *(True, True, False, False, False)
    ]


def test_a_link_that_is_given_up_tells_whether_anything_was_acknowledged_over_it() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.hear()
    bench.submit(2, RECALL)
    bench.run(BOUND_US)
    bench.open()
    bench.submit(3, RECALL)
    bench.run(BOUND_US)

    assert bench.answered == [True, False]


def test_late_ok_to_a_first_try_acknowledges_that_command_and_never_the_next() -> None:
    """The first try's OK arrives after the second try; the second try's own OK arrives later still."""
    bench = Bench()
    bench.submit(1, SELECT)
    bench.run(TIMEOUT_US)
    assert bench.sent == [1, 1]
    bench.run(10_000)
    bench.hear()
    assert bench.result(1) is Result.ACKNOWLEDGED

    bench.submit(2, RECALL)
    assert bench.sent == [1, 1], "one OK is still owed"
    bench.run(100_000)
    bench.hear()

    assert bench.sent == [1, 1, 2]
    assert bench.result(2) is None
    bench.hear()
    assert bench.result(2) is Result.ACKNOWLEDGED


def test_an_owed_ok_that_never_comes_is_forgotten_a_timeout_after_the_last_line() -> None:
    bench = Bench()
    bench.submit(1, RECALL)
    bench.run(100_000)
    bench.submit(2, INHIBIT)
    bench.hear()
    bench.run(TIMEOUT_US)
    bench.hear()
    bench.submit(3, SELECT)
    assert bench.sent == [1, 2, 2]

    bench.run(TIMEOUT_US - 1)
    assert bench.sent == [1, 2, 2]
    bench.run(1)

    assert bench.sent == [1, 2, 2, 3]


def test_device_seen_to_answer_late_is_given_that_time_for_what_it_still_owes() -> None:
    """It takes 700 ms for everything: the second try's OK comes 700 ms after the second try."""
    bench = Bench()
    bench.submit(1, SELECT)
    bench.run(700_000)
    bench.hear()
    assert bench.result(1) is Result.ACKNOWLEDGED
    bench.submit(2, RECALL)

    bench.run(TIMEOUT_US)
    assert bench.sent == [1, 1]
    bench.hear()

    assert bench.sent == [1, 1, 2]
    assert bench.result(2) is None


def test_device_seen_to_answer_late_is_not_waited_for_without_end() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.run(700_000)
    bench.hear()
    bench.submit(2, RECALL)

    bench.run(TIMEOUT_US + 700_000 + TIMEOUT_US // 2 - 700_000 - 1)
    assert bench.sent == [1, 1]
    bench.run(1)

    assert bench.sent == [1, 1, 2]


def test_lateness_is_forgiven_once_everything_owed_has_come() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.run(700_000)
    bench.hear()
    bench.run(TIMEOUT_US)
    bench.hear()

    bench.submit(2, RECALL)
    bench.submit(3, INHIBIT)
    bench.hear()
    bench.run(TIMEOUT_US)
    bench.hear()
    bench.submit(4, SELECT)
    bench.run(TIMEOUT_US)

    assert bench.sent == [1, 1, 2, 3, 3, 4]


def test_two_oks_in_one_piece_do_not_acknowledge_what_is_sent_after_them() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.submit(2, RECALL)

    bench.hear(b"OK\nOK\n")

    assert bench.result(1) is Result.ACKNOWLEDGED
    assert (bench.sent, bench.result(2)) == ([1, 2], None)


def test_an_ok_nobody_asked_for_counts_for_nothing() -> None:
    bench = Bench()
    bench.hear(b"OK ready\n")

    bench.submit(1, SELECT)

    assert bench.result(1) is None


def test_the_rest_of_a_forgotten_answer_is_not_read_as_an_answer_to_the_next_command() -> None:
    bench = Bench(acknowledge="OK")
    bench.submit(1, SELECT)
    bench.run(TIMEOUT_US)
    bench.hear(b"OK\nsent O")
    bench.run(TIMEOUT_US)
    bench.submit(2, RECALL)

    bench.hear(b"OK\n")
    assert bench.result(2) is None
    bench.hear(b"OK\n")

    assert bench.result(2) is Result.ACKNOWLEDGED


def test_safe_command_is_sent_at_once_and_abandons_the_one_under_way() -> None:
    bench = Bench()
    bench.submit(1, RECALL)
    bench.submit(2, SELECT)
    bench.submit(3, INHIBIT)
    assert bench.sent == [1, 3]
    assert bench.ended[1] == Finished(1, Result.FAILED, "overtaken by inhibit-transmit")

    bench.hear()
    assert bench.result(3) is None, "this OK may be the one to the recall"
    bench.hear()

    assert bench.result(3) is Result.ACKNOWLEDGED
    assert bench.sent == [1, 3, 2], "what waited goes on behind the safe command"


def test_safe_command_whose_ok_was_counted_for_another_is_confirmed_by_a_retry() -> None:
    """The recall is never answered: one OK is not enough, so the safe command is sent again, and that settles it."""
    bench = Bench()
    bench.submit(1, RECALL)
    bench.submit(2, STANDBY)
    bench.hear()
    bench.run(TIMEOUT_US)
    assert (bench.sent, bench.result(2)) == ([1, 2, 2], None)

    bench.hear()

    assert bench.result(2) is Result.ACKNOWLEDGED


@pytest.mark.parametrize("safe", sorted(SAFE_COMMANDS))
def test_what_would_undo_a_safe_command_that_overtook_it_never_goes_out(safe: CommandName) -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    waiting = dict(enumerate(sorted(UNDONE_BY[safe]), start=2))
    for ticket, name in waiting.items():
        bench.submit(ticket, name)
    bench.submit(9, safe)
    bench.hear(b"OK\nOK\n")
    bench.run(BOUND_US)

    assert bench.sent == [1, 9]
    assert bench.result(9) is Result.ACKNOWLEDGED
    assert waiting
    assert {bench.error(ticket) for ticket in waiting} == {f"overtaken by {safe}"}


def test_two_safe_commands_are_both_sent_at_once_and_confirmed_when_both_answers_are_there() -> None:
    bench = Bench()
    bench.submit(1, INHIBIT)
    bench.submit(2, STANDBY)
    assert bench.sent == [1, 2]

    bench.hear()
    assert not bench.ended, "one OK does not say which of the two it answers"
    bench.hear()

    assert [bench.result(1), bench.result(2)] == [Result.ACKNOWLEDGED, Result.ACKNOWLEDGED]


def test_safe_command_answered_before_the_next_safe_one_is_sent_is_confirmed_at_once() -> None:
    bench = Bench()
    bench.submit(1, INHIBIT)
    bench.hear()
    bench.submit(2, STANDBY)

    assert (bench.result(1), bench.result(2)) == (Result.ACKNOWLEDGED, None)


def test_command_waits_for_a_closed_link_within_its_bound_and_is_not_replayed_after() -> None:
    bench = Bench(is_open=False)
    bench.lose("nobody listens there")
    bench.submit(1, SELECT)
    bench.submit(2, INHIBIT)
    bench.run(BOUND_US)
    error = "no connection to tcp:127.0.0.1:5001: nobody listens there"
    assert [bench.error(1), bench.error(2)] == [error, error]

    bench.open()

    assert (bench.sent, bench.reopened) == ([], 0)


def test_safe_commands_go_first_when_the_link_opens() -> None:
    bench = Bench(is_open=False)
    bench.submit(1, SELECT)
    bench.submit(2, INHIBIT)
    bench.submit(3, STANDBY)

    bench.open()
    assert bench.sent == [2, 3]
    bench.hear(b"OK\nOK\n")

    assert bench.sent == [2, 3, 1]


def test_link_lost_while_waiting_for_the_answer_sends_the_same_command_again_as_one_of_its_tries() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    for _ in range(RETRIES):
        bench.lose()
        bench.run(1_000)
        bench.open()
    assert (bench.sent, bench.result(1)) == ([1, 1, 1], None)

    bench.lose()

    assert bench.result(1) is Result.FAILED
    assert str(bench.error(1)).endswith("heard nothing; the link was closed: the far end closed")


def test_answer_owed_over_a_lost_link_is_not_waited_for_on_the_new_one() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.submit(2, INHIBIT)
    bench.lose()
    bench.open()

    bench.hear()

    assert bench.result(2) is Result.ACKNOWLEDGED


def test_tries_over_a_lost_link_do_not_make_one_ok_on_the_new_one_enough_for_two_commands() -> None:
    bench = Bench()
    bench.submit(1, INHIBIT)
    bench.lose()
    bench.submit(2, STANDBY)
    bench.open()
    assert bench.sent == [1, 1, 2]

    bench.hear()

    assert not bench.ended


def test_link_that_stays_lost_fails_the_command_within_its_bound_saying_that_it_was_sent() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.run(200_000)
    bench.lose("device unplugged")
    bench.run(BOUND_US - 200_000)

    assert bench.error(1) == (
        "no connection to tcp:127.0.0.1:5001: device unplugged (sent once before, never acknowledged)"
    )


def test_what_is_to_be_sent_no_more_may_still_be_answered_and_is_not_sent_again() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.submit(2, RECALL)
    bench.submit(3, RELEASE)
    bench._note(bench.exchange.send_no_more(frozenset({SELECT, RECALL})))
    assert bench.error(2) == "not sent: what it was decided upon does not hold any more"
    bench.run(TIMEOUT_US - 1)
    assert 1 not in bench.ended
    bench.hear()
    assert bench.ended[1].result is Result.ACKNOWLEDGED
    bench.run(BOUND_US)
    assert bench.sent[:2] == [1, 3]


def test_what_is_to_be_sent_no_more_ends_unanswered_with_the_try_it_has_had() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench._note(bench.exchange.send_no_more(frozenset({SELECT})))
    bench.run(TIMEOUT_US)
    assert bench.ended[1].result is Result.FAILED
    bench.run(BOUND_US)

    assert bench.sent == [1]


@pytest.mark.parametrize("lost_first", [True, False])
def test_what_is_to_be_sent_no_more_is_not_sent_over_the_next_link_either(lost_first: bool) -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    steps: list[Callable[[], None]] = [
        bench.lose,
        lambda: bench._note(bench.exchange.send_no_more(frozenset({SELECT}))),
    ]
    for step in steps if lost_first else reversed(steps):
        step()
    bench.run(100_000)
    bench.open()
    bench.run(BOUND_US)

    assert bench.sent == [1]
    assert bench.ended[1].result is Result.FAILED


def test_abandoned_command_is_not_sent_again() -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    bench.submit(2, RECALL)
    bench.exchange.abandon(1, "nobody waits")
    bench.exchange.abandon(2, "nobody waits")

    bench.run(BOUND_US)

    assert bench.sent == [1]


@pytest.mark.parametrize(
    ("pieces", "acknowledges"),
    [
        ([b"O", b"K", b"\r", b"\n"], True),
        ([b"OK\r"], True),
        ([b"\r\n\r\nOK\n"], True),
        ([b"\xff\xfeOK\n"], True),  # what cannot be decoded is left out
        ([b"OK"], False),  # no line yet
        ([b"NOK\n"], False),
        ([b"O\nK\n"], False),
        ([b"OK" + b"x" * (LINE_BYTES_MAX - 2) + b"\n"], True),
        ([b"OK" + b"x" * (LINE_BYTES_MAX - 1) + b"\n"], False),  # damaged: too long
        ([b"OK", b"x" * 5_000, b"x" * 70_000, b"\n"], False),
        ([b"x" * 70_000 + b"\nOK\n"], True),
    ],
)
def test_lines_are_read_whole_whatever_the_pieces(pieces: list[bytes], acknowledges: bool) -> None:
    bench = Bench()
    bench.submit(1, SELECT)
    for piece in pieces:
        bench.hear(piece)

    assert (bench.result(1) is Result.ACKNOWLEDGED) == acknowledges


names = st.sampled_from([INHIBIT, STANDBY, CommandName.HIGH_VOLTAGE_OFF, SELECT, RECALL, RELEASE, OPERATE])
# What the device makes of one line: nothing, or an OK so much later. Up to two time-outs: late ones are the point.
behaviours = st.one_of(st.none(), st.integers(0, 2 * TIMEOUT_US), st.integers(0, 5_000))
moments = st.tuples(st.integers(0, TIMEOUT_US), st.one_of(names, names, names, st.sampled_from(["lose", "open"])))


@settings(max_examples=400, deadline=None)
@given(st.lists(moments, max_size=12), st.lists(behaviours, max_size=40))
def test_no_command_is_acknowledged_that_the_device_did_not_answer(
    history: list[tuple[int, CommandName | str]], behaviour: list[int | None]
) -> None:
    """Whatever is lost or late; also: one end for each command, in time, and nothing sent after it."""
    bench = Bench()
    answers: list[tuple[int, int, int]] = []  # at, ticket, epoch
    answered: set[int] = set()
    submitted: dict[int, int] = {}
    last_sent_us = epoch = 0
    seen: set[int] = set()

    def device_hears(ticket: int) -> None:
        nonlocal last_sent_us, epoch
        # The limit that the module states: after a time-out without a line, an answer to older ones is too late.
        if ticket not in seen and bench.now_us >= last_sent_us + TIMEOUT_US:
            epoch += 1
        seen.add(ticket)
        last_sent_us = bench.now_us
        delay_us = behaviour.pop() if behaviour else None
        if delay_us is not None:
            answers.append((bench.now_us + delay_us, ticket, epoch))

    def pass_time(by_us: int) -> None:
        until_us = bench.now_us + by_us
        while due := [answer for answer in answers if answer[0] <= until_us]:
            answer = min(due)
            answers.remove(answer)
            bench.run(answer[0] - bench.now_us)
            if answer[2] == epoch:
                answered.add(answer[1])
                bench.hear()
        bench.run(until_us - bench.now_us)

    bench.on_send = device_hears
    for number, (gap_us, what) in enumerate(history):
        pass_time(gap_us)
        if isinstance(what, CommandName):
            submitted[number] = bench.now_us
            bench.submit(number, what)
        elif what == "open" and not bench.is_open:
            bench.open()
        elif what == "lose":
            answers.clear()
            bench.lose()
    pass_time(BOUND_US)

    assert submitted.keys() == bench.ended.keys()
    assert all(bench.ended_at_us[ticket] <= at_us + BOUND_US for ticket, at_us in submitted.items())
    assert {ticket for ticket, end in bench.ended.items() if end.result is Result.ACKNOWLEDGED} <= answered


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, TIMEOUT_US), names), max_size=10), st.integers(0, TIMEOUT_US // 20))
def test_device_that_answers_everything_confirms_everything(
    history: list[tuple[int, CommandName]], delay_us: int
) -> None:
    """All but what was overtaken; and safe commands always go out within the call."""
    bench = Bench()
    answers: list[int] = []
    bench.on_send = lambda ticket: answers.append(bench.now_us + delay_us)

    def pass_time(by_us: int) -> None:
        until_us = bench.now_us + by_us
        while answers and answers[0] <= until_us:
            bench.run(answers.pop(0) - bench.now_us)
            bench.hear()
        bench.run(until_us - bench.now_us)

    for number, (gap_us, name) in enumerate(history):
        pass_time(gap_us)
        bench.submit(number, name)
        assert name not in SAFE_COMMANDS or bench.sent[-1] == number
    pass_time(BOUND_US)

    assert len(bench.ended) == len(history)
    for end in bench.ended.values():
        assert end.result is Result.ACKNOWLEDGED or str(end.error).startswith("overtaken by ")
    assert bench.reopened == 0


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 2 * TIMEOUT_US), names), max_size=10),
    st.integers(0, 4 * TIMEOUT_US),
    st.frozensets(names, max_size=3),
)
def test_slow_device_that_ignores_some_commands_never_has_those_acknowledged(
    history: list[tuple[int, CommandName]], latency_us: int, ignored: frozenset[CommandName]
) -> None:
    """However slow: an answer slower than all tries falls to the link that is opened anew."""
    bench = Bench()
    answers: list[int] = []

    def device_hears(ticket: int) -> None:
        if history[ticket][1] not in ignored:
            answers.append(bench.now_us + latency_us)

    def pass_time(by_us: int) -> None:
        until_us = bench.now_us + by_us
        while answers and answers[0] <= until_us:
            bench.run(answers[0] - bench.now_us)
            if not bench.is_open:
                answers.clear()
                bench.open()
            else:
                answers.pop(0)
                bench.hear()
        bench.run(until_us - bench.now_us)

    bench.on_send = device_hears
    for number, (gap_us, name) in enumerate(history):
        pass_time(gap_us)
        bench.submit(number, name)
    pass_time(BOUND_US)

    acknowledged = {history[ticket][1] for ticket, end in bench.ended.items() if end.result is Result.ACKNOWLEDGED}
    assert len(bench.ended) == len(history)
    assert not acknowledged & ignored
