"""Rules that answer events: once for each, and never each other."""

import pytest
from station_bench import MS, Bench, S, live, operating, when

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.notice import AmplifierChanged, Warned
from qsyd_rules.station import Rule, Send, Then, When
from qsyd_rules.words import AmplifierState, Mode


def warned(bench: Bench, since_us: int = 0) -> list[Warned]:
    return [notice for notice in bench.told("warning", since_us) if isinstance(notice, Warned)]


def test_a_reaction_answers_each_event_once() -> None:
    bench = live(Rule("mind", when(events={"keyed"}), Then(warn="on the air")))
    for _ in range(3):
        bench.key()
        bench.run(S)
        bench.unkey()
        bench.run(S)

    assert warned(bench) == [Warned("rule", "on the air", "mind")] * 3


def test_a_text_is_sent_with_the_fields_of_its_event_and_of_the_station() -> None:
    say = Send("journal", "{antenna} on {segment}: {took_ms} ms")
    bench = live(Rule("tell", when(events={"change-over-finished"}), Then(send=say)))
    bench.texts.clear()
    bench.tune(7_050_000, push=True)
    bench.run(S)

    assert [(text.output, text.text, text.rule) for text in bench.texts] == [("journal", say.text, "tell")]
    fields = bench.texts[0].fields
    assert fields["event"] == "change-over-finished"
    assert (fields["antenna"], fields["segment"], fields["band"]) == ("wire", "40m/1", "40m")
    assert fields["took_ms"] == 384.0
    assert (fields["station"], fields["rig"], fields["frequency_hz"]) == ("Marsh End", "main", 7_050_000)


def test_reactions_to_warnings_do_not_answer_what_reactions_say() -> None:
    """Two rules that would call each other for ever."""
    bench = live(
        Rule("one", when(events={"warning", "keyed"}), Then(warn="one")),
        Rule("two", when(events={"warning"}), Then(warn="two")),
    )
    start_us = bench.now_us
    bench.key()
    bench.run(S)

    assert [notice.text for notice in warned(bench, start_us)] == ["one"]


def test_a_reaction_hears_the_warnings_of_selections() -> None:
    bench = live(
        Rule("note", when(bands={"40m"}), Then(warn="a crowded band")),
        Rule("tell", when(events={"warning"}), Then(send=Send("journal", "{text}"))),
    )
    bench.texts.clear()
    bench.tune(7_050_000)
    bench.run(S)

    assert [text.fields["text"] for text in bench.texts] == ["a crowded band"]


def test_standby_by_a_reaction_ends_the_wish() -> None:
    bench = operating(Rule("out", when(events={"link-lost"}), Then(amplifier_standby=True)))
    start_us = bench.now_us
    bench.cut_rig()
    bench.run(S)
    bench.rig.silent = False
    bench.run(10 * S)

    assert not bench.is_in_operate()
    assert not bench.state.wish
    assert [at_us - start_us for at_us, command in bench.sent if at_us >= start_us and "standby" in command.name] == [0]


def test_standby_by_a_reaction_takes_back_an_armed_operate() -> None:
    bench = live(Rule("out", when(events={"keyed"}), Then(amplifier_standby=True)))
    bench.ask(AmplifierRequest.ON)
    bench.run(S)
    bench.ask(AmplifierRequest.OPERATE_WHEN_READY)
    bench.key()
    bench.unkey()
    bench.run(200 * S)

    assert not bench.is_in_operate()


def test_what_a_reaction_brings_about_is_an_event_like_any_other() -> None:
    bench = operating(
        Rule(
            "out",
            when(events={"frequency"}, frequencies_hz=((14_100_000, 14_110_000),)),
            Then(amplifier_standby=True, warn="out"),
        ),
        Rule("tell", when(events={"amplifier"}), Then(send=Send("journal", "{state}"))),
    )
    bench.texts.clear()
    start_us = bench.now_us
    bench.tune(14_105_000)
    bench.run(S)

    changes = [notice for notice in bench.told("amplifier", start_us) if isinstance(notice, AmplifierChanged)]
    assert [change.reason for change in changes] == ["rule “out” on frequency"]
    assert [notice.text for notice in warned(bench, start_us)] == ["out"]
    assert [text.fields["state"] for text in bench.texts] == ["standby"]


def test_a_reaction_that_stands_by_on_the_amplifiers_own_event_does_not_loop() -> None:
    bench = operating(
        Rule("never", When(events=frozenset({"amplifier"}), amplifier=frozenset({AmplifierState.OPERATE})), Then())
    )
    again = live(
        Rule("never", when(events={"amplifier"}, amplifier={AmplifierState.OPERATE}), Then(amplifier_standby=True))
    )
    again.operate()
    start_us = again.now_us
    again.run(30 * S)

    assert bench.is_in_operate()
    assert not again.is_in_operate()
    assert again.told("amplifier", start_us) == []


@pytest.mark.parametrize(
    ("condition", "answers"),
    [
        (when(events={"keyed"}, bands={"20m"}), True),
        (when(events={"keyed"}, bands={"40m"}), False),
        (when(events={"keyed"}, modes={Mode.CW}), True),
        (when(events={"keyed"}, modes={Mode.DATA}), False),
        (when(events={"keyed"}, keyed=True), True),
        (when(events={"keyed"}, keyed=False), False),
        (when(events={"keyed"}, frequencies_hz=((14_050_000, 14_050_001),)), True),
        (when(events={"keyed"}, frequencies_hz=((14_050_001, 14_060_000),)), False),
        (when(events={"keyed"}, between=((0, 1),)), True),
        (when(events={"keyed"}, between=((1, 2),)), False),
        (when(events={"keyed"}, amplifier={AmplifierState.OFF}), True),
        (when(events={"keyed"}, amplifier={AmplifierState.OPERATE}), False),
        (When(events=frozenset({"keyed"}), rigs=frozenset({"main"})), True),
        (When(events=frozenset({"keyed"}), rigs=frozenset({"other"})), False),
    ],
)
def test_all_other_conditions_have_to_hold_as_well(condition: When, answers: bool) -> None:
    bench = live(Rule("mind", condition, Then(warn="heard")))
    bench.key()
    bench.run(10 * MS)

    assert bool(warned(bench)) is answers


def test_a_selection_warns_and_sends_once_when_it_begins_to_hold() -> None:
    bench = live(Rule("note", when(bands={"40m"}), Then(warn="crowded", send=Send("journal", "in"))))
    for frequency_hz in (7_050_000, 7_060_000, 14_050_000, 7_060_000):
        bench.tune(frequency_hz)
        bench.run(2 * S)

    assert [notice.text for notice in warned(bench)] == ["crowded", "crowded"]
    assert [text.text for text in bench.texts] == ["in", "in"]


def test_entering_a_segment_without_a_preset_is_told_once() -> None:
    bench = live(presets=False)
    start_us = bench.now_us
    for frequency_hz in (14_250_000, 14_260_000, 10_120_000, 14_260_000):
        bench.tune(frequency_hz)
        bench.run(2 * S)

    missing = bench.told("preset-missing", start_us)
    assert [(notice.antenna, notice.segment, notice.standing) for notice in missing] == [  # type: ignore[union-attr]
        ("beam", "20m/2", "missing"),
        ("beam", "20m/2", "missing"),
    ]
