"""A guarded bench whose station file is changed while it runs, as the daemon does it: at rest, links made safe first."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from guarded_bench import TOLD, WARM_UP_US, WIRINGS, Core, Guarded, a_station
from station_bench import MS, S, segments
from station_observer import Observer, Told

from qsyd_rules.amplifier import Off
from qsyd_rules.command import CommandName, RecallPreset, SelectAntenna
from qsyd_rules.event import DeadlineReached, Event, ExchangeChanged, OutputConnected, Reloaded
from qsyd_rules.guarded import GuardedStation
from qsyd_rules.placement import Atlas
from qsyd_rules.rest import is_told_to_be_safe, waits_for
from qsyd_rules.segment import Parts, segments_of
from qsyd_rules.station import Amplifier, Antenna, Rule, Station, Then, When, WithoutPreset
from qsyd_rules.wiring import Meters, Wiring
from qsyd_rules.words import AmplifierState, Mode, Result

REST_WITHIN_US = 30 * S


@dataclass
class Reloading(Guarded):
    """Reloads take the new station on where the old one is at rest; else nothing happens."""

    reloads: int = 0
    """How many have come into force."""

    def reload(
        self,
        of: Station,
        outputs: Mapping[str, frozenset[CommandName]] | None = None,
        *,
        cut: frozenset[str] = frozenset(),
        others: frozenset[str] = frozenset(),
        rig: bool = False,
    ) -> bool:
        """Whether it came into force. `cut` are outputs whose settings have changed, `others` those on another address."""
        wired = dict(self.outputs if outputs is None else outputs)
        exchanged = {name for name in {*wired, *self.outputs} if wired.get(name) != self.outputs.get(name)}
        touched = frozenset(exchanged | ((cut | others) & {*wired, *self.outputs}))
        if of.amplifier is None and not isinstance(self.state.amplifier, Off):
            return False  # the daemon refuses that: it could not be cooled down any more
        if waits_for(self.guard, self.state, self.now_us) is not None:
            return False
        if touched or rig:
            self.tell(ExchangeChanged(self.now_us, "links are opened anew"))
            until_us = self.now_us + REST_WITHIN_US
            while not self._is_ready() and self.now_us < until_us:
                self.run(10 * MS)
            if not self._is_ready():
                self.tell(ExchangeChanged(self.now_us, None))
                return False
        self._take(of, wired, touched, others & touched, rig)
        return True

    def _is_ready(self) -> bool:
        return is_told_to_be_safe(self.guard, self.state) and waits_for(self.guard, self.state, self.now_us) is None

    def _take(
        self,
        of: Station,
        wired: dict[str, frozenset[CommandName]],
        touched: frozenset[str],
        others: frozenset[str],
        rig: bool,
    ) -> None:
        before, wiring = self.station, self.guard.wiring
        told_by = [output for output, carried in wired.items() if CommandName.AMPLIFIER_OPERATE in carried]
        meters = {output: Meters(TOLD, S) for output in told_by} if self.metered else {}
        self.station, self.outputs = of, wired
        self.guard = GuardedStation(Atlas(of), Wiring(wired, meters))
        self.guard.core = Core(self.guard.atlas, self.guard.wiring, self.tripped)
        self.reloads += 1
        rigs = frozenset({"main"}) if rig else frozenset()
        self.tell(Reloaded(self.now_us, before, wiring, touched, others, rigs))
        for output in meters.keys() - wiring.meters.keys():
            self._at(self.now_us + 10 * MS, lambda output=output: self._meter(output))  # type: ignore[misc]
        for output in sorted(touched & wired.keys()):
            if output not in self.failing:
                self._at(self.now_us + 5 * MS, lambda output=output: self._reopened(output))  # type: ignore[misc]

    def _reopened(self, output: str) -> None:
        if output in self.outputs and output not in self.failing:
            self.tell(OutputConnected(self.now_us, output))


class ReloadObserver(Observer):
    """The second opinion, which also knows what another station file makes doubtful."""

    def _take(self, event: Event) -> None:
        if isinstance(event, Reloaded):
            self._reloaded(event)
        super()._take(event)

    def _reloaded(self, event: Reloaded) -> None:
        of = self.bench.station
        self.times = of.change_over
        self._known.clear()
        for output in event.outputs:
            carried = event.wired.of(output) | self.bench.outputs.get(output, frozenset())
            for told in (self.permit, self.line, self.antenna, self.tank, self.drive):
                if told.command is not None and told.command.name in carried:
                    told.result = Result.FAILED
            if CommandName.LIMIT_DRIVE in carried:
                self.drive_w = None
        antenna, tank = self.antenna.command, self.tank.command
        if isinstance(antenna, SelectAntenna):
            ports = {each.name: each.port for each in of.antennas}
            if ports.get(antenna.antenna) != antenna.port:
                self.antenna.result = Result.FAILED
        if isinstance(tank, RecallPreset):
            was = {each.name: (each.low_hz, each.high_hz) for each in event.before.segments}
            edges = {each.name: (each.low_hz, each.high_hz) for each in of.segments}
            if edges.get(tank.segment) != was.get(tank.segment):
                self.tank = Told()
        if event.rigs:
            self._lose_rig()
        heated = [
            {name for name, carried in outputs.items() if CommandName.AMPLIFIER_ON in carried}
            for outputs in (event.wired.outputs, self.bench.outputs)
        ]
        if of.amplifier is None or event.before.amplifier is None or heated[0] != heated[1] or event.others & heated[0]:
            self._forget_heater()
        elif event.outputs & heated[0]:
            self.amplifier_lost_us = event.at_us

    def _forget_heater(self) -> None:
        if self.heater_credit_us is not None or self.bench.station.amplifier is None:
            self.wished = False
        self.heater_credit_us = self.amplifier_lost_us = None


def _amplifier(change: Callable[[Amplifier], Amplifier]) -> Callable[[Station], Station]:
    def changed(of: Station) -> Station:
        assert of.amplifier is not None
        return replace(of, amplifier=change(of.amplifier))

    return changed


def _antennas(*antennas: Antenna) -> Callable[[Station], Station]:
    return lambda of: replace(of, antennas=antennas)


def _rules(*rules: Rule) -> Callable[[Station], Station]:
    return lambda of: replace(of, rules=rules)


def _cut_20m(of: Station) -> Station:
    """20 m in three parts, which have the names of the two there were, and one more."""
    band = next(each for each in of.bands if each.name == "20m")
    rest = [each for each in of.segments if each.band != "20m"]
    return replace(of, segments=tuple(sorted((*rest, *segments_of(band, Parts(3))), key=lambda each: each.low_hz)))


BEAM = Antenna("beam", 1, ("20m", "17m", "15m"))
WIRE = Antenna("wire", 2, ("80m", "40m", "30m"))
LOOP = Antenna("loop", 3, ("40m",), max_power_w=500)
VARIANTS: dict[str, Callable[[Station], Station]] = {
    "as it was": lambda of: of,
    "a longer warm-up": _amplifier(lambda it: replace(it, warm_up_us=3 * WARM_UP_US)),
    "a shorter warm-up": _amplifier(lambda it: replace(it, warm_up_us=WARM_UP_US // 2)),
    "a longer cool-down": _amplifier(lambda it: replace(it, cool_down_us=30 * S)),
    "other segments": _cut_20m,
    "ports swapped": _antennas(replace(BEAM, port=2), replace(WIRE, port=1), LOOP),
    "no beam on 20 m": _antennas(replace(BEAM, bands=("17m", "15m")), replace(WIRE, bands=("80m", "40m", "20m")), LOOP),
    "no loop": _antennas(BEAM, WIRE),
    "the loop first": _antennas(LOOP, BEAM, WIRE),
    "a weak beam": _antennas(replace(BEAM, max_power_w=400), WIRE, LOOP),
    "20 m inhibited": _rules(Rule("quiet", When(bands=frozenset({"20m"})), Then(inhibit="a beacon"))),
    "standby on 20 m": _rules(Rule("cool", When(bands=frozenset({"20m"})), Then(amplifier_standby=True))),
    "drive rules": _rules(
        Rule("a", When(modes=frozenset({Mode.CW})), Then(drive_w=25)),
        Rule("b", When(amplifier=frozenset({AmplifierState.OPERATE})), Then(drive_w=60)),
    ),
    "amplifier not on 20 m": _amplifier(lambda it: replace(it, bands=("80m", "40m"))),
    "operate without presets": _amplifier(lambda it: replace(it, without_preset=WithoutPreset.OPERATE)),
    "estimates": _amplifier(lambda it: replace(it, without_preset=WithoutPreset.ESTIMATE)),
    "short overs": _amplifier(lambda it: replace(it, limits=replace(it.limits, key_down_us=5 * S, drive_w=40))),
    "slow relays": lambda of: replace(
        of, change_over=replace(of.change_over, guard_us=200 * MS, relay_settle_us=90 * MS, preset_settle_us=S)
    ),
    "wide hysteresis": lambda of: replace(of, change_over=replace(of.change_over, hysteresis_hz=5_000)),
    "no amplifier": lambda of: replace(of, amplifier=None),
}
"""Changes to `guarded_bench.a_station`, each from the station as it was at first."""


def variant(name: str) -> Station:
    """One of them."""
    return VARIANTS[name](a_station())


__all__ = ["VARIANTS", "WIRINGS", "DeadlineReached", "ReloadObserver", "Reloading", "segments", "variant"]
