"""A whole station tuned up with nobody there: the real core and the real tune-up on a plant, on virtual time.

An operator model dials, sets the drive, keys and unkeys as it is told; the plant's automatic tuning turns the knobs. The
devices answer each command after a few milliseconds. Nothing here sleeps, and the same plant gives the same history.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from heapq import heappop, heappush
from itertools import count

from qsyd_rules.command import (
    AmplifierOff,
    AmplifierOn,
    AmplifierOperate,
    AmplifierStandby,
    Command,
    CommandName,
    HighVoltageOff,
    InhibitTransmit,
    LimitDrive,
    RecallPreset,
    ReleaseTransmit,
    SelectAntenna,
)
from qsyd_rules.effect import Actuate, ReadRig, RecordIntent, Report
from qsyd_rules.event import (
    AmplifierRequest,
    CommandFinished,
    DeadlineReached,
    DeviceRead,
    Event,
    IntentRecorded,
    OperatorAsked,
    OutputAnswer,
    PresetsChanged,
    RigRead,
    Started,
    TuningChanged,
)
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.notice import Notice
from qsyd_rules.placement import Atlas
from qsyd_rules.preset import Preset
from qsyd_rules.readings import Readings
from qsyd_rules.station import Station
from qsyd_rules.tune_plan import lacking, plan_tune_up
from qsyd_rules.tune_sight import Sight, sight_of
from qsyd_rules.tune_up import Ask, ChangeTuning, Save, SetDial, TuneAct, TuneStep, TuneUp, TuneWord
from qsyd_rules.tune_up_steps import begin, give, look, saved, say, wake_at_us
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import Mode, Result
from qsyd_simulators.plant.matching_unit import MatchSetting
from qsyd_simulators.plant.station_plant import StationPlant

POLL_US = 50_000
METERS_US = 100_000
ANSWER_US = 4_000
NOTE_US = 2_000
REACTS_US = 400_000
"""What the operator takes to see and do something."""
TRIES = 3
"""How often the operator tunes a segment anew before skipping it."""
WIRING = Wiring(
    {
        "switch": frozenset({CommandName.SELECT_ANTENNA}),
        "amplifier": frozenset(CommandName) - {CommandName.SELECT_ANTENNA},
    },
    {
        "amplifier": Meters(
            frozenset(
                {"forward_w", "reflected_w", "drive_w", "plate_v", "plate_ma", "grid_ma", "tune", "load", "state"}
            ),
            1_000_000,
        )
    },
    matches=True,
)
"""Everything carried, matching units too, and an amplifier that tells all its meters."""


@dataclass(frozen=True, slots=True)
class Keying:
    """How the operator model keys: what a wrong move would be is a field."""

    drive_times: float = 1.0
    """Of the drive that the step asks for."""
    ignores_limit: bool = False
    """Whether the rig takes no notice of the limit to its drive."""
    too_long_us: int = 0
    """Keyed on for so long after being told to unkey."""


@dataclass
class UnattendedStation:
    """A station with its plant; `tune_up` does the whole worksheet, `run` passes time."""

    station: Station
    plant: StationPlant
    keying: Keying = field(default_factory=Keying)
    sets_dial: bool = False
    """Whether the station file lets the tune-up set the dial."""
    dial_works: bool = True
    """Whether the rig obeys that."""
    wiring: Wiring = WIRING
    now_us: int = 0
    dial_hz: int = 14_100_000
    keyed: bool = False
    told: list[tuple[int, Notice]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    """What the tune-up said, each once."""
    set_dials: list[tuple[int, bool, str]] = field(default_factory=list)
    """Each setting of the dial by the tune-up: when, whether keyed, and the amplifier's true state."""
    session: TuneUp | None = None
    tries: int = 0

    def __post_init__(self) -> None:
        self.core = GuardedStation(Atlas(self.station), self.wiring)
        self.state = self.core.initial({}, 0)
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._numbers = count()
        self._acts_us: int | None = None
        self._drive_w = 1.0
        self.tell(Started(0, None))
        self._after(POLL_US, self._poll)
        self._after(METERS_US, self._read_meters)

    # Time

    def run(self, until: Callable[[], bool], most_us: int = 3_600_000_000) -> None:
        """Pass time until this is so. Raises `TimeoutError` when it never is."""
        end_us = self.now_us + most_us
        while not until():
            wakes = [self._due[0][0], self.core.wake_at_us(self.state), self._acts_us]
            if self.session is not None:
                wakes.append(wake_at_us(self.session))
            self.now_us = max(self.now_us, min(wake for wake in wakes if wake is not None))
            if self.now_us > end_us:
                raise TimeoutError(f"not within {most_us / 1e6:g} s; the tune-up says {self.texts[-1:]}")
            if self._due[0][0] <= self.now_us:
                heappop(self._due)[2]()
            else:
                self.tell(DeadlineReached(self.now_us))
            self._look()

    def pass_time(self, duration_us: int) -> None:
        """So much time goes by."""
        end_us = self.now_us + duration_us
        self._after(duration_us, lambda: None)
        self.run(lambda: self.now_us >= end_us, duration_us)

    def _after(self, delay_us: int, deed: Callable[[], None]) -> None:
        heappush(self._due, (self.now_us + delay_us, next(self._numbers), deed))

    # The station

    def ask(self, request: AmplifierRequest) -> None:
        """An operator asks something of the amplifier."""
        self.tell(OperatorAsked(self.now_us, 0, request, "operator"))

    def warm_up(self) -> None:
        """Heater on, and the whole warm-up."""
        self.ask(AmplifierRequest.ON)
        self.run(lambda: self.sight().amplifier.value == "standby", 600_000_000)

    def turn_dial(self, frequency_hz: int) -> None:
        """The operator's hand on the dial."""
        self.dial_hz = frequency_hz
        self.plant.set_rig(self.now_us, frequency_hz=frequency_hz)

    def key(self, down: bool) -> None:
        """The operator's hand on the key; a held transmitter gives no RF."""
        self.keyed = down
        self.plant.set_rig(self.now_us, keyed=down, drive_w=self._drive_w)
        self._poll_once()

    def set_drive(self, drive_w: float) -> None:
        """The rig's own setting."""
        self._drive_w = drive_w
        self.plant.set_rig(self.now_us, drive_w=drive_w)

    def sight(self) -> Sight:
        """What the tune-up sees."""
        return sight_of(self.core, self.state.station, self.now_us)

    def tell(self, event: Event) -> None:
        """Hand one event to the core, and carry out what it decides."""
        self.state, effects = self.core.step(self.state, event)
        for effect in effects:
            match effect:
                case Actuate(command_id=number, command=command):
                    self._obey(number, command)
                case RecordIntent(intent_id=number):
                    self._after(NOTE_US, partial(self._noted, number))
                case ReadRig():
                    self._after(ANSWER_US, self._poll_once)
                case Report(notice=notice):
                    self.told.append((event.at_us, notice))
                case _:
                    pass

    def _noted(self, number: int) -> None:
        self.tell(IntentRecorded(self.now_us, number, None))

    def _obey(self, number: int, command: Command) -> None:
        plant, at_us = self.plant, self.now_us
        output = "amplifier"
        match command:
            case SelectAntenna(port=port):
                output = "switch"
                plant.select_antenna(int(port), at_us)
            case InhibitTransmit():
                plant.hold(True, at_us)
            case ReleaseTransmit():
                plant.hold(False, at_us)
            case AmplifierOn():
                plant.heater(True, at_us)
            case AmplifierOff():
                plant.heater(False, at_us)
            case HighVoltageOff():
                plant.amplifier.high_voltage_off(at_us)
            case AmplifierStandby():
                plant.operate(False, at_us)
            case AmplifierOperate():
                plant.operate(True, at_us)
            case RecallPreset(tune=tune, load=load, matching=matching):
                plant.move_tank(tune, load, at_us)
                plant.match(MatchSetting(*matching) if matching else None, at_us)
            case LimitDrive(drive_w=drive_w):
                if not self.keying.ignores_limit:
                    plant.limit_drive(drive_w, at_us)
        answer = (OutputAnswer(output, Result.ACKNOWLEDGED, took_us=ANSWER_US),)
        self._after(ANSWER_US, lambda: self.tell(CommandFinished(self.now_us, number, answer)))

    def _poll(self) -> None:
        self._after(POLL_US, self._poll)
        self._poll_once()

    def _poll_once(self) -> None:
        at_us = self.now_us
        self.tell(RigRead(at_us, self.core.followed, self.dial_hz, self.dial_hz, False, Mode.CW, self.keyed, at_us))

    def _read_meters(self) -> None:
        self._after(METERS_US, self._read_meters)
        self.tell(DeviceRead(self.now_us, "amplifier", self.plant.readings(self.now_us)))

    # The tune-up and its operator

    def tune_up(self, *, most_us: int = 20_000_000_000) -> TuneUp:
        """Tune up everything that is missing or stale, from a warm amplifier; the tune-up as it ended."""
        presets = self.state.station.presets
        plan = plan_tune_up(
            self.core.atlas, self.wiring, presets, lacking(self.core.atlas, presets), sets_dial=self.sets_dial
        )
        self.plant.auto_tune(True, self.now_us)
        self.move(begin(plan, self.sight()))
        self.run(lambda: self.session is not None and self.session.is_over, most_us)
        self.plant.auto_tune(False, self.now_us)
        if self.session is None:
            raise AssertionError("it was begun")
        return self.session

    def _look(self) -> None:
        if self.session is None or self.session.is_over:
            return
        self.move(look(self.session, self.sight()))
        if self._acts_us is not None and self.now_us >= self._acts_us:
            self._acts_us = None
            self._act()
        elif self._acts_us is None and self._has_something_to_do():
            self._acts_us = self.now_us + REACTS_US

    def move(self, moved: tuple[TuneUp, tuple[TuneAct, ...]]) -> None:
        """Take over what a tune-up has come to, and do what it wants."""
        for _ in range(20):
            self.session, acts = moved
            if self.session.text and self.session.text not in self.texts[-1:]:
                self.texts.append(self.session.text)
            if not acts:
                return
            for act in acts:
                self._do(act)
            moved = look(self.session, self.sight())
        raise AssertionError("the tune-up goes round in circles")

    def _do(self, act: TuneAct) -> None:
        match act:
            case ChangeTuning(tuning=tuning):
                self.tell(TuningChanged(self.now_us, tuning))
            case Ask(request=request):
                self.ask(request)
            case Save(preset=preset):
                self._after(NOTE_US, lambda: self._saved(preset))
            case SetDial(frequency_hz=frequency_hz):
                self._after(ANSWER_US, lambda: self._obey_dial(frequency_hz))

    def _obey_dial(self, frequency_hz: int) -> None:
        """The rig has been told, and is asked where it stands."""
        self.set_dials.append((self.now_us, self.keyed, self.plant.truth(self.now_us).state.value))
        if self.dial_works:
            self.turn_dial(frequency_hz)
        self._poll_once()

    def _match(self, it: TuneUp) -> None:
        """What an operator would find by trying: the setting that the unit's own formula gives, then `next`."""
        place = it.place
        if place is None:
            return
        port = next(int(each.port) for each in self.station.antennas if each.name == place.antenna)
        unit = self.plant.aerials[port].unit
        if unit is None:
            raise AssertionError("the station file names a matching unit that is not there")
        hz = place.dial_hz
        wanted = tuple(unit.solve(hz, self.plant.antenna_ohm(port, hz, self.now_us)))
        if it.matching != wanted:
            self.move(give(it, Readings(), self.sight(), wanted))
        elif self.sight().released:
            self.move(say(it, TuneWord.NEXT, self.sight()))

    def _saved(self, preset: Preset) -> None:
        key = (preset.antenna, preset.segment)
        self.tell(PresetsChanged(self.now_us, {**self.state.station.presets, key: preset}, (key,)))
        self.tries = 0
        if self.session is not None:
            self.move(saved(self.session, preset, None, self.sight()))

    def _has_something_to_do(self) -> bool:
        it = self.session
        if it is None:
            return False
        if self.keyed:
            return it.step is not TuneStep.KEY
        if it.step is TuneStep.DIAL and it.plan.sets_dial and it.dial_left is None:
            return False
        waits = it.step is TuneStep.DRIVE and not it.plan.limits_drive
        return waits or it.step in {TuneStep.DIAL, TuneStep.MATCHING, TuneStep.KEY, TuneStep.STOPPED}

    def _act(self) -> None:
        it = self.session
        if it is None or it.place is None:
            return
        if self.keyed:
            if it.step is TuneStep.UNKEY and self.now_us < it.since_us + self.keying.too_long_us:
                self._acts_us = it.since_us + self.keying.too_long_us
                return
            self.key(False)
            return
        match it.step:
            case TuneStep.DIAL:
                self.turn_dial(it.place.dial_hz)
            case TuneStep.MATCHING:
                self._match(it)
            case TuneStep.KEY:
                self.set_drive(it.drive_w * self.keying.drive_times)
                self.key(True)
            case TuneStep.DRIVE:
                self.move(say(it, TuneWord.NEXT, self.sight()))
            case TuneStep.STOPPED:
                self.tries += 1
                word = TuneWord.AGAIN if self.tries < TRIES else TuneWord.SKIP
                self.tries = 0 if word is TuneWord.SKIP else self.tries
                self.move(say(it, word, self.sight()))
            case _:
                pass
