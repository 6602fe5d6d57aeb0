"""The dial set by a tune-up: when it may, what is read back, and how the operator wins."""

from dataclasses import replace
from typing import Any

from station_bench import S
from tune_desk import Desk, plan

from qsyd_rules.tune_up import ChangeTuning, SetDial, TuneStep, TuneWord
from qsyd_rules.tune_up_dial import HOLD, RESTS_US, SET_US
from qsyd_rules.tune_up_steps import dial_refused, wake_at_us
from qsyd_rules.words import AmplifierState

CENTRE_HZ = 14_087_500
AWAY_HZ = 7_100_000


class DialDesk(Desk):
    """The dial is far away and has rested; transmit is known to be forbidden as soon as that is asked."""

    def __init__(self, **changed: Any) -> None:
        super().__init__(plan(**{"sets_dial": True, **changed}))
        self.wait(2 * S, transmit_hz=AWAY_HZ, segment="40m/1")

    def take(self, moved: Any) -> None:
        super().take(moved)
        tuning = self.sight.tuning
        held = tuning is not None and tuning.hold is not None
        if self.sight.forbidden is not held:
            self.sight = replace(self.sight, forbidden=held, released=not held)

    @property
    def set_to(self) -> list[int]:
        return [act.frequency_hz for act in self.acts if isinstance(act, SetDial)]

    def arrive(self, hz: int = CENTRE_HZ) -> None:
        """The rig is asked, and tells this."""
        self.wait(100_000, transmit_hz=hz, segment="20m/1" if hz == CENTRE_HZ else None, asked_us=self.sight.at_us + 1)


def holds(desk: Desk) -> list[str | None]:
    return [act.tuning.hold for act in desk.acts if isinstance(act, ChangeTuning) and act.tuning is not None]


def test_dial_is_set_once_with_transmit_forbidden_and_the_permit_comes_back() -> None:
    desk = DialDesk()
    desk.see()
    assert desk.set_to == [CENTRE_HZ]
    assert holds(desk)[-1] == HOLD
    before = desk.acts.index(SetDial(CENTRE_HZ))
    assert any(isinstance(act, ChangeTuning) and act.tuning and act.tuning.hold for act in desk.acts[:before])
    assert "is being set to 14.0875 MHz" in desk.text

    desk.arrive()
    assert holds(desk)[-1] is None
    desk.see(released=True)
    assert desk.step() is TuneStep.DRIVE
    assert desk.set_to == [CENTRE_HZ]
    assert desk.it is not None
    assert (wake_at_us(desk.it) or 0) > desk.sight.at_us + 60 * S, "nothing is waited for any more"


def test_without_the_files_word_it_is_never_set() -> None:
    desk = DialDesk(sets_dial=False)
    desk.wait(10 * S)
    assert desk.set_to == []
    assert "it stands at 7.100 MHz" in desk.text


def test_dial_that_is_being_turned_is_left_alone() -> None:
    desk = Desk(plan(sets_dial=True, inhibits=False))
    for hz in range(7_000_000, 7_003_000, 100):
        desk.wait(RESTS_US // 2, transmit_hz=hz, segment="40m/1", moved_us=desk.sight.at_us + RESTS_US // 2)
        assert "leave it alone for a second" in desk.text
    assert not any(isinstance(act, SetDial) for act in desk.acts)
    desk.wait(RESTS_US)
    assert any(isinstance(act, SetDial) for act in desk.acts)


def test_split_is_explained_and_never_set() -> None:
    desk = Desk(plan(sets_dial=True))
    desk.wait(2 * S, transmit_hz=AWAY_HZ, segment="40m/1", split=True)
    assert "split is on" in desk.text
    desk.wait(2 * S, split=False)
    assert not any(isinstance(act, SetDial) for act in desk.acts), "the operator was told to dial"
    desk.say(TuneWord.AGAIN)
    desk.see(forbidden=True)
    assert any(isinstance(act, SetDial) for act in desk.acts)


def test_keyed_it_is_not_set_and_keyed_meanwhile_it_is_left() -> None:
    desk = Desk(plan(sets_dial=True))
    desk.wait(2 * S, transmit_hz=AWAY_HZ, segment="40m/1", keyed=True)
    assert desk.text.startswith("unkey; then dial to")
    assert not any(isinstance(act, SetDial) for act in desk.acts)
    desk.wait(2 * S, keyed=False)
    assert holds(desk)[-1] == HOLD
    desk.see(keyed=True)
    assert holds(desk)[-1] is None
    desk.wait(2 * S, keyed=False, forbidden=True)
    assert not any(isinstance(act, SetDial) for act in desk.acts)
    assert "somebody keyed" in desk.text


def test_amplifier_has_to_be_in_standby_first() -> None:
    desk = Desk(plan(sets_dial=True))
    for changed in ({"wish": True}, {"amplifier": AmplifierState.OPERATE}):
        desk.wait(2 * S, transmit_hz=AWAY_HZ, segment="40m/1", **changed)
        assert "goes to standby" in desk.text
    assert not any(isinstance(act, SetDial) for act in desk.acts)


def test_operator_who_turns_the_dial_meanwhile_wins() -> None:
    desk = DialDesk()
    desk.see()
    desk.wait(50_000, transmit_hz=10_120_000, segment=None)  # reported unasked
    assert "it stands at 10.120 MHz, and is yours: it was turned meanwhile" in desk.text
    assert holds(desk)[-1] is None
    desk.wait(60 * S)
    assert desk.set_to == [CENTRE_HZ]


def test_rig_that_does_not_take_it_is_told_and_not_asked_again() -> None:
    desk = DialDesk()
    desk.see()
    desk.arrive(AWAY_HZ)
    assert "is being set" in desk.text, "a slow rig has its time"
    assert desk.it is not None
    assert (wake_at_us(desk.it) or 0) <= desk.sight.at_us + SET_US
    desk.wait(SET_US)
    assert "the rig did not take the setting" in desk.text
    desk.wait(60 * S)
    assert desk.set_to == [CENTRE_HZ]
    desk.arrive()
    desk.see(released=True)
    assert desk.step() is TuneStep.DRIVE, "dialled by hand"


def test_refusal_of_the_session_is_told_in_its_words() -> None:
    desk = DialDesk()
    desk.see()
    assert desk.it is not None
    desk.take(dial_refused(desk.it, "what the rig is on cannot be set", desk.sight))
    desk.see()
    assert "is yours: what the rig is on cannot be set" in desk.text
    assert holds(desk)[-1] is None


def test_dial_turned_away_later_is_not_turned_back() -> None:
    desk = DialDesk()
    desk.see()
    desk.arrive()
    desk.see(released=True)
    assert desk.step() is TuneStep.DRIVE
    desk.wait(5 * S, transmit_hz=14_095_000)
    assert desk.step() is TuneStep.DIAL
    desk.wait(5 * S)
    assert "it was turned away from there" in desk.text
    assert desk.set_to == [CENTRE_HZ]


def test_again_has_it_set_anew() -> None:
    desk = DialDesk()
    desk.see()
    assert desk.set_to == [CENTRE_HZ]
    desk.say(TuneWord.AGAIN)
    desk.wait(2 * S)
    desk.see()
    assert desk.set_to == [CENTRE_HZ, CENTRE_HZ]
