"""A whole station as physics has it: rig drive, antenna switch, amplifier, feed lines, antennas and weather."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from qsyd_rules.readings import Readings
from qsyd_simulators.faults import BoxFaults
from qsyd_simulators.plant.aerial_run import AerialRun
from qsyd_simulators.plant.amplifier_plant import AmplifierPlant
from qsyd_simulators.plant.antenna import OPEN_OHM
from qsyd_simulators.plant.auto_tune import AutoTuner
from qsyd_simulators.plant.matching_unit import MatchSetting
from qsyd_simulators.plant.meters import Meters
from qsyd_simulators.plant.stage import PI_MAKE, Make
from qsyd_simulators.plant.tank import TankSetting
from qsyd_simulators.plant.trips import Trips
from qsyd_simulators.plant.truth import Truth
from qsyd_simulators.plant.weather import CALM, Weather
from qsyd_simulators.switch_box import SwitchBox


@dataclass(frozen=True, slots=True)
class _Port:
    """What the common contact of the switch leads to, from when its contacts rest."""

    run: AerialRun | None
    weather: Weather
    match: MatchSetting | None
    rests_us: int

    def __call__(self, frequency_hz: int, at_us: int) -> complex:
        if self.run is None or at_us < self.rests_us:
            return OPEN_OHM
        feed_ohm = self.run.feed_point_ohm(frequency_hz, at_us, self.weather)
        return self.run.two_port(frequency_hz, self.match).input_ohm(feed_ohm)


class PlantSwitch(SwitchBox):
    """The antenna switch of a station: whoever selects a port, over a wire or not, the station knows."""

    def __init__(self, station: "StationPlant", *, faults: BoxFaults | None = None) -> None:
        super().__init__(faults=faults)
        self._station = station

    def select(self, port: int, at_us: int) -> None:
        super().select(port, at_us)
        self._station.port_selected(at_us)

    @property
    def rests_us(self) -> int:
        """When the contacts rest."""
        return self._rests_at_us or 0


class StationPlant:
    """The amplifier is cold and in standby, port 1 selected, the rig not keyed."""

    def __init__(
        self,
        aerials: Mapping[int, AerialRun],
        make: Make = PI_MAKE,
        *,
        weather: Weather = CALM,
        meters: Meters | None = None,
        trips: Trips | None = None,
        tuner: AutoTuner | None = None,
        at_us: int = 0,
    ) -> None:
        """`aerials` by port, 1 to 8; a port that is not named is open. The rest is the amplifier's."""
        self.aerials = dict(aerials)
        self.weather = weather
        self.amplifier = AmplifierPlant(make, meters=meters, trips=trips, tuner=tuner, at_us=at_us)
        self.switch = PlantSwitch(self)
        self.amplifier.on_rf = self.switch.set_rf
        self._matches: dict[int, MatchSetting] = {}
        self.matched_under_power = False
        """Ground truth: a matching unit has been moved while RF was on it."""
        self.port_selected(at_us)

    # What it is told

    def set_rig(
        self, at_us: int, *, frequency_hz: int | None = None, keyed: bool | None = None, drive_w: float | None = None
    ) -> None:
        """What the rig does from now on; what is not named stays. Raises `ValueError` for what cannot be."""
        self.amplifier.set_drive(at_us, frequency_hz=frequency_hz, keyed=keyed, drive_w=drive_w)

    def select_antenna(self, port: int, at_us: int) -> None:
        """Begin to connect a port; raises `ValueError` for one that is not there."""
        self.switch.select(port, at_us)

    def match(self, setting: MatchSetting | None, at_us: int) -> None:
        """Set the matching unit of the port in use; None is straight through. It stays as it is when others are used.

        Raises `ValueError` where that port has none, and for positions that it has not.
        """
        port = self.switch.port
        run = self.aerials.get(port)
        if setting is None:
            setting = MatchSetting()
        elif run is None or run.unit is None:
            raise ValueError(f"there is no matching unit on port {port}")
        else:
            run.unit.two_port(1_000_000, setting)
        if setting == self._matches.get(port, MatchSetting()):
            return
        self.matched_under_power |= self.amplifier.controls.arriving_w > 0
        self._matches[port] = setting
        self._terminate(at_us)

    def set_weather(self, weather: Weather, at_us: int) -> None:
        """Another weather from now on."""
        self.weather = weather
        self._terminate(at_us)

    def heater(self, on: bool, at_us: int) -> None:
        """See `AmplifierPlant.heater`."""
        self.amplifier.heater(on, at_us)

    def operate(self, on: bool, at_us: int) -> None:
        """Amplifier into the signal path, or out of it."""
        self.amplifier.operate(on, at_us)

    def move_tank(self, tune: int, load: int, at_us: int) -> None:
        """Start both motors; raises `ValueError` for a position beyond an end stop."""
        self.amplifier.move_tank(tune, load, at_us)

    def auto_tune(self, on: bool, at_us: int) -> None:
        """Let the amplifier tune itself while driven."""
        self.amplifier.auto_tune(on, at_us)

    def limit_drive(self, drive_w: float | None, at_us: int | None = None) -> None:
        """The rig's drive is the lower of its own setting and this. Without a time: from the last one told."""
        self.amplifier.limit_drive(drive_w, at_us)

    def hold(self, on: bool, at_us: int | None = None) -> None:
        """Keep the rig from transmitting, or let it. Without a time: from the last one told."""
        self.amplifier.hold(on, at_us)

    # What is so

    def readings(self, at_us: int) -> Readings:
        """What the meters show."""
        return self.amplifier.readings(at_us)

    def truth(self, at_us: int) -> Truth:
        """The true values at `at_us`, those of the antenna too."""
        truth = self.amplifier.truth(at_us)
        port = self.amplifier.controls_at(at_us).termination
        if not isinstance(port, _Port) or port.run is None or at_us < port.rests_us:
            return replace(truth, radiated_w=0.0)
        feed_ohm = port.run.feed_point_ohm(truth.frequency_hz, at_us, port.weather)
        way = port.run.two_port(truth.frequency_hz, port.match)
        return replace(
            truth,
            port=self.switch.port_at(at_us),
            feed_point_ohm=feed_ohm,
            radiated_w=truth.delivered_w * way.efficiency(feed_ohm),
        )

    @property
    def harm(self) -> tuple[str, ...]:
        """Ground truth: everything that has ever been moved or switched in as nothing must be, in words."""
        amplifier = self.amplifier
        seen = (
            (self.switch.moved_under_power, "the antenna switch has moved under power"),
            (self.matched_under_power, "a matching unit has been moved under power"),
            (amplifier.moved_under_power, "the tank has been sent elsewhere under power"),
            (amplifier.switched_in_under_power, "the amplifier has been switched in under power"),
            (amplifier.operated_cold, "the amplifier has been switched in before it was warm"),
        )
        return tuple(text for so, text in seen if so)

    def antenna_ohm(self, port: int, frequency_hz: int, at_us: int) -> complex:
        """What the amplifier would look into on a port, its contacts at rest, its matching unit straight through."""
        return _Port(self.aerials.get(port), self.weather, None, at_us)(frequency_hz, at_us)

    def solve(self, port: int, frequency_hz: int, at_us: int) -> TankSetting:
        """The tank positions that are right on a port at a frequency, in the weather of that moment."""
        make = self.amplifier.make
        return make.tank.solve(frequency_hz, self.antenna_ohm(port, frequency_hz, at_us), make.tube.plate_load_ohm)

    def port_selected(self, at_us: int) -> None:
        """The switch has been told a port."""
        self._terminate(at_us)

    def _terminate(self, at_us: int) -> None:
        port = self.switch.port
        run, match = self.aerials.get(port), self._matches.get(port)
        self.amplifier.terminate(_Port(run, self.weather, match, self.switch.rests_us), at_us)
