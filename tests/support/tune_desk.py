"""A tune-up by itself, with a station that is only looked at and does at once what is asked of it."""

from dataclasses import dataclass, replace
from typing import Any

from station_bench import S, segments

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.readings import Readings
from qsyd_rules.station import AmplifierLimits
from qsyd_rules.tune_judgement import Usual
from qsyd_rules.tune_plan import TunePlace, TunePlan
from qsyd_rules.tune_sight import Sight
from qsyd_rules.tune_up import Ask, ChangeTuning, Save, TuneAct, TuneStep, TuneUp, TuneWord
from qsyd_rules.tune_up_steps import begin, give, look, say
from qsyd_rules.words import AmplifierState

SEGMENTS = {segment.name: segment for segment in segments()}
METERS = frozenset({"forward_w", "reflected_w", "drive_w", "grid_ma", "tune", "load"})
LIMITS = AmplifierLimits(grid_current_ma=120, drive_w=60)


def place(name: str = "20m/1", antenna: str = "beam") -> TunePlace:
    return TunePlace(antenna, SEGMENTS[name], None, None, 48, Usual())


def plan(*places: TunePlace, **changed: Any) -> TunePlan:
    made = TunePlan(places or (place(),), 1450, LIMITS, meters=METERS, inhibits=True)
    return replace(made, **changed)


@dataclass
class Desk:
    """A tune-up and the station that it sees. What it asks of the amplifier is done at once."""

    of: TunePlan
    it: TuneUp | None = None

    def __post_init__(self) -> None:
        self.sight = Sight(
            at_us=0,
            rig_up=True,
            transmit_hz=14_050_000,
            keyed=False,
            antenna="beam",
            segment="20m/1",
            released=True,
            inhibits=(),
            amplifier=AmplifierState.STANDBY,
            ready_in_us=None,
            wish=False,
            refusal=None,
            drive_w=None,
            tuning=None,
            readings=Readings(),
            read_us=0,
            fault=None,
            lockout=None,
            stopping=False,
        )
        self.acts: list[TuneAct] = []
        self.take(begin(self.of, self.sight))

    def take(self, moved: tuple[TuneUp, tuple[TuneAct, ...]]) -> None:
        self.it, acts = moved
        self.acts += acts
        for act in acts:
            match act:
                case ChangeTuning(tuning=tuning):
                    self.sight = replace(self.sight, tuning=tuning, antenna=tuning.antenna if tuning else "beam")
                case Ask(request=AmplifierRequest.STANDBY):
                    self.sight = replace(self.sight, wish=False, amplifier=AmplifierState.STANDBY)
                case Ask():
                    self.sight = replace(self.sight, wish=True, amplifier=AmplifierState.OPERATE)
                case Save():
                    pass
        if acts:
            self.see()

    def see(self, **changed: Any) -> None:
        self.sight = replace(self.sight, at_us=self.sight.at_us + 1, **changed)
        assert self.it is not None
        self.take(look(self.it, self.sight))

    def wait(self, duration_us: int, **changed: Any) -> None:
        self.sight = replace(self.sight, at_us=self.sight.at_us + duration_us, **changed)
        assert self.it is not None
        self.take(look(self.it, self.sight))

    def say(self, word: TuneWord) -> None:
        assert self.it is not None
        self.take(say(self.it, word, self.sight))

    def give(self, matching: tuple[int, ...] | None = None, **numbers: float) -> None:
        assert self.it is not None
        self.take(give(self.it, Readings(**numbers), self.sight, matching))  # type: ignore[arg-type]

    def show(self, times: int, every_us: int, **readings: float) -> None:
        """The meters show this, so often."""
        for _ in range(times):
            at_us = self.sight.at_us + every_us
            self.wait(every_us, readings=Readings(**readings), read_us=at_us)  # type: ignore[arg-type]

    def step(self) -> TuneStep:
        assert self.it is not None
        return self.it.step

    @property
    def text(self) -> str:
        assert self.it is not None
        return self.it.text

    def to_key(self) -> None:
        self.see(transmit_hz=14_087_500)
        assert self.step() is TuneStep.DRIVE
        self.say(TuneWord.NEXT)
        assert self.step() is TuneStep.KEY

    def one_good_step(self, forward_w: float, drive_w: float) -> None:
        """Keyed, good and at rest for long enough, and unkeyed."""
        self.see(keyed=True)
        self.show(12, S // 10, forward_w=forward_w, reflected_w=2, drive_w=drive_w, grid_ma=20, tune=300, load=410)
        assert self.step() is TuneStep.UNKEY, self.text
        self.see(keyed=False)

    @property
    def kept(self) -> list[Save]:
        return [act for act in self.acts if isinstance(act, Save)]
