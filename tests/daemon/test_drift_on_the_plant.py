"""What no longer fits, found by the shell on a station whose physics is calculated, and shown by its commands.

The plant gives true meters for a true antenna; the real core keys through it, the shell's `Experience` compares, a real
store keeps the mark, and `qsyd plan` reads it. The six hours that a change has to last are the wall clock's, which is told.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest
from running_daemon import qsyd

from qsyd_daemon.bench_station import station_text
from qsyd_daemon.experience import Experience
from qsyd_daemon.station_file.load import load_station
from qsyd_daemon.store.store import Store
from qsyd_rules.event import AmplifierRequest, Event
from qsyd_rules.preset_ageing import Cause
from qsyd_simulators.plant.antenna import Resonance
from qsyd_simulators.plant.plant_wire import METERS_MATCH
from qsyd_simulators.plant.stations import HERON_POINT, bands_of, heron_point
from qsyd_simulators.plant.unattended import UnattendedStation

NOON_S = 1_935_576_000.0
"""2031-05-03T12:00:00Z."""
SLOPE_LEFT = 0.6
"""Of the tube: about 2 dB less gain at the same drive, which is held at the preset's."""
ON_DIPOLE, ON_BEAM = 7_150_000, 14_170_000


@dataclass
class Tuned(UnattendedStation):
    """Heron Point after its tune-up, with what the shell learns from then on."""

    experience: Experience | None = None
    hour: float = 0.0
    warned: list[str] = field(default_factory=list)

    def tell(self, event: Event) -> None:
        super().tell(event)
        if self.experience is not None:
            self.experience.saw(event, self.state.station)

    def over(self, frequency_hz: int) -> None:
        """One over at full drive; an hour goes by, of which the station knows nothing."""
        self.turn_dial(frequency_hz)
        self.run(lambda: (sight := self.sight()).released and sight.amplifier.value == "operate", 60_000_000)
        self.pass_time(1_000_000)
        preset = self.state.station.target.preset if self.state.station.target else None
        assert preset is not None
        self.set_drive(preset.drive_w or 0)
        self.key(True)
        self.pass_time(2_000_000)
        self.key(False)
        self.pass_time(500_000)
        self.hour += 1


@pytest.fixture
def station(tmp_path: Path) -> Iterator[tuple[Tuned, Store, Path]]:
    plant = heron_point(1)
    antennas = [(run.antenna.name, port, bands_of(run)) for port, run in plant.aerials.items()]
    file = tmp_path / "station.yaml"
    file.write_text(
        station_text("Heron Point", "/dev/rig", 1, 2, antennas, warm_up_s=180, drive_w=75, match=METERS_MATCH)
    )
    tuned = Tuned(load_station(file).station, plant)
    tuned.warm_up()
    tuned.tune_up()
    (tmp_path / "state").mkdir()
    store = Store.open(tmp_path / "state")
    store.save_presets(list(tuned.state.station.presets.values())).result(5)
    tuned.experience = Experience(
        tuned.station,
        store,
        lambda _, text: tuned.warned.append(text),
        tuned.now_us,
        lambda: NOON_S + tuned.hour * 3600,
    )
    tuned.ask(AmplifierRequest.OPERATE)
    yield tuned, store, file
    store.close()


def test_a_wire_that_came_down_is_put_down_to_its_antenna_and_plan_shows_it_stale(
    station: tuple[Tuned, Store, Path],
) -> None:
    tuned, store, file = station
    for _ in range(6):
        tuned.over(ON_DIPOLE)
        tuned.over(ON_BEAM)
    assert tuned.warned == []

    run = HERON_POINT[2]
    on_80m, on_40m = run.antenna.resonances
    lower = Resonance(on_40m.resistance_ohm, on_40m.resonant_hz * 0.97, on_40m.q)
    tuned.plant.aerials[2] = replace(run, antenna=replace(run.antenna, resonances=(on_80m, lower)))
    for _ in range(12):
        tuned.over(ON_DIPOLE)
        tuned.over(ON_BEAM)

    assert tuned.experience is not None
    (mark,) = tuned.experience.marks.values()
    assert (mark.antenna, mark.segment.partition("/")[0], mark.cause) == ("cage-dipole", "40m", Cause.ANTENNA)
    assert tuned.warned == [mark.text]
    store.close()  # so that every mark is on the disk, and the command reads what a daemon would
    rows = [
        line
        for line in qsyd("plan", str(file), "--state", str(file.parent / "state")).stdout.splitlines()
        if "stale" in line
    ]
    assert len(rows) == 1
    assert "cage-dipole" in rows[0]
    assert mark.segment in rows[0]
    assert f"antenna since {mark.since[:10]}" in rows[0]


def test_calm_days_mark_nothing(station: tuple[Tuned, Store, Path]) -> None:
    tuned, _, _ = station
    for _ in range(12):
        tuned.over(ON_DIPOLE)
        tuned.over(ON_BEAM)

    assert tuned.warned == []
    assert tuned.experience is not None
    assert tuned.experience.marks == {}
    assert tuned.experience.account.overs == 24


def test_a_tube_that_has_lost_slope_is_put_down_to_the_tube_and_told_once(station: tuple[Tuned, Store, Path]) -> None:
    """The same drive, the antennas as they were, and two decibels less of output everywhere."""
    tuned, _, _ = station
    make = tuned.plant.amplifier.make
    tuned.plant.amplifier.make = replace(make, tube=replace(make.tube, slope_s=make.tube.slope_s * SLOPE_LEFT))
    for _ in range(12):
        for frequency_hz in (ON_BEAM, 18_115_000, 21_200_000):
            tuned.over(frequency_hz)

    assert tuned.experience is not None
    marks = list(tuned.experience.marks.values())
    assert {mark.cause for mark in marks} == {Cause.TUBE}
    assert len(marks) >= 2
    assert tuned.warned == [marks[0].text]
    assert "likely the tube" in marks[0].text
