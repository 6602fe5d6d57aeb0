"""Draws a run: what an operator in a hurry does, and what goes wrong meanwhile, all from one seed."""

from random import Random

from qsyd_rules.event import AmplifierRequest
from qsyd_rules.station import Station
from qsyd_rules.words import Mode
from qsyd_simulators.world.agenda import MS, S
from qsyd_simulators.world.faults import USUAL, FaultKind
from qsyd_simulators.world.happening import (
    Acknowledge,
    Act,
    Ask,
    ChangeMode,
    Dial,
    EditPreset,
    Happening,
    Key,
    LockOut,
    OtherVfo,
    Plan,
    Split,
    Trouble,
    Unkey,
)
from qsyd_simulators.world.layout import Layout

FAULT_EVERY_S = (None, 40, 15, 15, 6)
"""Mean time between faults, drawn for each run; None is a run without any."""
OFTEN = {FaultKind.KEY_STUCK: 3.0, FaultKind.FEED_LINE_BROKEN: 6.0, FaultKind.RIG_FALSE_BAND: 2.0}
"""Troubles that need company to show anything come more often."""
LASTS_S = (60, 180)
"""How long a run lasts beside the warm-up."""
SHORT_WARM_UP_US = 60 * S
LONG_WARM_UP_RATE = 0.25
"""A station that warms up for minutes has few change-overs to show for its time; it is drawn that much less often."""


def draw(seed: str, layouts: tuple[Layout, ...]) -> Plan:
    """The plan of one run; the same seed gives the same plan."""
    random = Random(f"{seed}/plan")
    rates = [1.0 if _warm_up_us(each) <= SHORT_WARM_UP_US else LONG_WARM_UP_RATE for each in layouts]
    (number,) = random.choices(range(len(layouts)), rates)
    layout = layouts[number]
    station, warm_up_us = layout.station, _warm_up_us(layout)
    until_us = random.randint(*LASTS_S) * S + warm_up_us
    acts = _Acts(random, station)
    if station.amplifier is not None and random.random() < 0.9:
        acts.at(random.randint(200, 3_000) * MS, Ask(AmplifierRequest.ON))
        acts.at(random.randint(3_100, 5_000) * MS, Ask(AmplifierRequest.OPERATE_WHEN_READY))
    at_us = S
    pace_ms = random.choice((200, 300, 500, 1_200))
    busy_from_us = max(0, warm_up_us - 10 * S)
    while at_us < until_us:
        acts.something(at_us)
        hurry = 1 if at_us >= busy_from_us else 3
        at_us += int(random.expovariate(1 / (pace_ms * hurry))) * MS
    _faults(random, acts, until_us)
    return Plan(seed, number, tuple(sorted(acts.happenings, key=lambda each: each.at_us)), until_us)


def _warm_up_us(layout: Layout) -> int:
    amplifier = layout.station.amplifier
    return amplifier.warm_up_us if amplifier else 0


def _faults(random: Random, acts: "_Acts", until_us: int) -> None:
    every_s = random.choice(FAULT_EVERY_S)
    if every_s is None:
        return
    kinds = list(FaultKind)
    rates = [random.random() ** 3 * OFTEN.get(kind, 1.0) for kind in kinds]
    at_us = 0
    while True:
        at_us += int(random.expovariate(1 / every_s) * S)
        if at_us >= until_us:
            return
        kind = random.choices(kinds, rates)[0]
        least_ms, most_ms = USUAL[kind]
        acts.at(at_us, Trouble(kind, random.randint(least_ms, most_ms) * MS))
        if random.random() < 0.2:  # two at once
            at_us -= random.randint(0, 500) * MS
            at_us = max(0, at_us)


class _Acts:
    """Collects happenings."""

    def __init__(self, random: Random, station: Station) -> None:
        self.happenings: list[Happening] = []
        self._random, self._station = random, station
        self._kinds = (
            (self._jump, 50),
            (self._within, 12),
            (self._drift, 6),
            (self._spin, 4),
            (self._outside, 2),
            (self._over, 22),
            (self._split, 5),
            (self._mode, 4),
            (self._ask, 8),
            (self._preset, 3),
            (self._acknowledge, 2),
            (self._lockout, 1),
        )
        self._weights = [weight for _, weight in self._kinds]
        self._dial_hz = 14_050_000
        self._keyed_until_us = 0

    def at(self, at_us: int, act: Act) -> None:
        """Let this happen then."""
        self.happenings.append(Happening(at_us, act))

    def something(self, at_us: int) -> None:
        """One thing that operators do."""
        kind, _ = self._random.choices(self._kinds, self._weights)[0]
        kind(at_us)

    def _dial(self, at_us: int, frequency_hz: int) -> None:
        self._dial_hz = frequency_hz
        self.at(at_us, Dial(frequency_hz))

    def _jump(self, at_us: int) -> None:
        band = self._random.choice(self._station.bands)
        self._dial(at_us, self._random.randrange(band.low_hz, band.high_hz + 1, 10))

    def _within(self, at_us: int) -> None:
        self._dial(at_us, max(1_000_000, self._dial_hz + self._random.randint(-60_000, 60_000)))

    def _drift(self, at_us: int) -> None:
        """Slowly over an edge between two segments, and perhaps back."""
        segment = self._random.choice(self._station.segments)
        step_hz = self._random.choice((-400, -100, 100, 400))
        frequency_hz = segment.low_hz - 4 * step_hz
        for number in range(self._random.randint(4, 12)):
            self._dial(at_us + number * 80 * MS, frequency_hz)
            frequency_hz += step_hz if number < 8 else -step_hz

    def _spin(self, at_us: int) -> None:
        step_hz = self._random.choice((-9_000, -1_000, 1_000, 9_000))
        for number in range(self._random.randint(5, 20)):
            self._dial(at_us + number * 15 * MS, max(1_000_000, self._dial_hz + step_hz))

    def _outside(self, at_us: int) -> None:
        self._dial(at_us, self._random.choice((5_000_000, 13_900_000, 14_351_000, 21_500_000, 14_345_000)))

    def _over(self, at_us: int) -> None:
        random = self._random
        if at_us < self._keyed_until_us:
            return  # one operator has one key
        usual = random.random() < 0.97
        lasts_ms = random.choice((80, 400, 1_500, 4_000) if usual else (12_000, 26_000))
        self.at(at_us, Key(minds_inhibit=random.random() < 0.5))
        end_us = self._keyed_until_us = at_us + random.randint(lasts_ms // 2, lasts_ms) * MS
        if random.random() < 0.3:  # the dial is turned while keyed
            self._jump(random.randint(at_us, end_us)) if random.random() < 0.5 else self._within(end_us - 10 * MS)
        self.at(end_us, Unkey())

    def _split(self, at_us: int) -> None:
        if self._random.random() < 0.5:
            band = self._random.choice(self._station.bands)
            self.at(at_us, OtherVfo(self._random.randrange(band.low_hz, band.high_hz + 1, 10)))
        self.at(at_us, Split(self._random.random() < 0.4))

    def _mode(self, at_us: int) -> None:
        self.at(at_us, ChangeMode(self._random.choice((Mode.CW, Mode.USB, Mode.LSB, Mode.DATA))))

    def _ask(self, at_us: int) -> None:
        requests = (
            *(AmplifierRequest.OPERATE, AmplifierRequest.OPERATE, AmplifierRequest.OPERATE_WHEN_READY),
            *(AmplifierRequest.STANDBY, AmplifierRequest.ON, AmplifierRequest.ON, AmplifierRequest.OFF),
            AmplifierRequest.OFF_NOW,
        )
        request = self._random.choice(requests)
        self.at(at_us, Ask(request))
        if request in {AmplifierRequest.STANDBY, AmplifierRequest.OFF, AmplifierRequest.OFF_NOW}:
            self.at(at_us + 2 * S, Ask(AmplifierRequest.ON))
            self.at(at_us + 4 * S, Ask(AmplifierRequest.OPERATE_WHEN_READY))

    def _preset(self, at_us: int) -> None:
        random = self._random
        segment = random.choice(self._station.segments)
        antenna = random.choice([each for each in self._station.antennas if segment.band in each.bands])
        positions = None if random.random() < 0.3 else (random.randint(300, 900), random.randint(300, 900))
        self.at(at_us, EditPreset(antenna.name, segment.name, positions))

    def _acknowledge(self, at_us: int) -> None:
        self.at(at_us, Acknowledge())
        self.at(at_us + S, Ask(AmplifierRequest.ON))
        self.at(at_us + 2 * S, Ask(AmplifierRequest.OPERATE_WHEN_READY))

    def _lockout(self, at_us: int) -> None:
        self.at(at_us, LockOut(True))
        self.at(at_us + self._random.randint(1, 8) * S, LockOut(False))
