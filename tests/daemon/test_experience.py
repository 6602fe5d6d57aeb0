"""What a station learns from being used: the real core on a virtual clock, and a real store."""

import asyncio
import contextlib
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from guarded_bench import Guarded, a_bench, warm_up
from running_daemon import RunningDaemon, qsyd, write_station
from station_bench import S

from qsyd_daemon.experience import Experience
from qsyd_daemon.preset_table import write_table
from qsyd_daemon.store.database_file import create_database
from qsyd_daemon.store.errors import StoreError
from qsyd_daemon.store.offline import read_stored
from qsyd_daemon.store.preset_database import PRESET_FILE, SCHEMA, PresetDatabase
from qsyd_daemon.store.store import Store
from qsyd_rules.event import PresetsChanged
from qsyd_rules.preset import Preset
from qsyd_rules.preset_ageing import Cause, Mark
from qsyd_rules.tube_account import Day, OldTube, TubeAccount

SECONDS = 5.0
KEY = ("beam", "20m/1")
MARK = Mark(*KEY, Cause.ANTENNA, "beam on 20m/1: SWR 1.2 when saved, 1.9 now", "2026-03-01T18:30:00Z")
NOON_S = 1_772_366_400.0
"""2026-03-01T12:00:00Z."""


@dataclass
class Station:
    """A bench in operate on 20m/1, whose meters show 800 W for 60 W of drive, with what it learns."""

    bench: Guarded
    experience: Experience
    store: Store
    warned: list[tuple[str, str]]
    hour: float = 0.0

    def over(self, seconds: int = 3) -> None:
        """One over; an hour of the wall clock passes before the next, of which the station knows nothing."""
        self.bench.key()
        self.bench.run(seconds * S)
        self.bench.unkey()
        self.bench.run(S)
        self.hour += 1


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    bench = a_bench(metered=True)
    saved = replace(bench.presets[KEY], drive_w=60, forward_w=800, reflected_w=8)
    bench.store(bench.presets | {KEY: saved})
    store = Store.open(tmp_path)
    store.save_presets([saved]).result(SECONDS)
    warned: list[tuple[str, str]] = []
    of = bench.station
    assert of.amplifier is not None
    of = replace(of, amplifier=replace(of.amplifier, output_w=1000))
    found = Station(bench, None, store, warned)  # type: ignore[arg-type]
    experience = Experience(
        of, store, lambda code, text: warned.append((code, text)), bench.now_us, lambda: NOON_S + found.hour * 3600
    )
    found.experience = experience
    bench.watchers.append(lambda event, _: experience.saw(event, bench.state))
    yield found
    store.close()


def test_heater_operate_and_key_are_counted_and_overs_with_their_gain(station: Station) -> None:
    bench = station.bench
    warm_up(bench)
    assert bench.is_in_operate()
    station.over(10)
    station.over(5)

    shown = station.experience.tube_to_json(bench.now_us)

    assert shown["heater_s"] >= 38
    assert 17 <= shown["operate_s"] < shown["heater_s"]
    assert 14 <= shown["key_down_s"] <= 15
    assert shown["overs"] == 2
    (day,) = shown["days"]
    assert (day["date"], day["overs"], day["gain_overs"]) == ("2026-03-01", 2, 2)
    assert day["gain_db"] == pytest.approx(11.25, abs=0.01)  # 10 log10(800 / 60)


def test_barefoot_overs_are_none_of_the_tubes(station: Station) -> None:
    station.over()

    assert station.experience.tube_to_json(station.bench.now_us)["overs"] == 0


def test_a_change_that_lasts_is_told_once_marked_durably_and_gone_with_the_next_save(
    station: Station, tmp_path: Path
) -> None:
    warm_up(station.bench)
    station.bench.lie["reflected_w"] = 60.0
    for _ in range(20):
        station.over()

    (told,) = station.warned
    assert told[0] == "preset-drift"
    assert told[1].startswith("beam on 20m/1: SWR 1.22 when saved, 1.75 now, and it stays")
    (shown,) = station.experience.marks_to_json()
    assert (shown["antenna"], shown["segment"], shown["cause"]) == (*KEY, "antenna")
    station.store.save_tube(TubeAccount()).result(SECONDS)  # after the mark, in the writer's order
    assert station.store.marks()[KEY].text == told[1]
    assert read_stored(tmp_path).marks == dict(station.store.marks())

    anew = replace(station.bench.presets[KEY], reflected_w=60)
    station.store.save_presets([anew]).result(SECONDS)
    station.bench.store(station.bench.presets | {KEY: anew}, KEY)

    assert station.experience.marks_to_json() == []
    assert dict(station.store.marks()) == {}
    assert read_stored(tmp_path).marks == {}


def test_the_account_is_written_and_read_again(station: Station, tmp_path: Path) -> None:
    warm_up(station.bench)
    station.over()

    station.experience.write(station.bench.now_us, at_once=True)
    station.store.close()

    with contextlib.closing(Store.open(tmp_path)) as store:
        assert store.tube() == station.experience.account
        assert store.tube().overs == 1


def test_a_mark_goes_with_the_preset_that_is_removed(station: Station) -> None:
    station.experience.marks[KEY] = MARK

    station.experience.saw(PresetsChanged(station.bench.now_us, {}), station.bench.state)

    assert station.experience.marks == {}


# The store


def test_a_database_of_the_first_version_is_brought_up_to_date(tmp_path: Path) -> None:
    old = replace(SCHEMA, migrations=SCHEMA.migrations[:1])
    create_database(tmp_path / PRESET_FILE, old)
    assert read_stored(tmp_path).marks == {}, "looked at before it is brought up to date"

    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([Preset(*KEY, 1, 2)])
        database.mark([MARK])
        database.put_tube(TubeAccount(10, 5, 1, 3, (Day("2026-03-01", 3, 1, 12.5),)))

    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.open()
        assert database.marks == {KEY: MARK}
        assert database.tube == TubeAccount(10, 5, 1, 3, (Day("2026-03-01", 3, 1, 12.5),))


def test_only_what_is_stored_can_be_marked(tmp_path: Path) -> None:
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([Preset("wire", "80m/1", 1, 2)])
        database.mark([MARK])

        assert database.marks == {}


def test_what_was_reported_marked_is_written_again_when_the_file_is_lost(tmp_path: Path) -> None:
    account = TubeAccount(10, 5, 1, 3, (Day("2026-03-01", 3, 1, 12.5),))
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([Preset(*KEY, 1, 2)])
        database.mark([MARK])
        database.put_tube(account)
        for file in tmp_path.glob(f"{PRESET_FILE}*"):
            file.unlink()
        later = replace(account, heater_us=20)
        database.put_tube(later)

        with contextlib.closing(PresetDatabase(tmp_path, print)) as other:
            other.open()
            assert (other.marks, other.tube) == ({KEY: MARK}, later)


def test_a_mark_of_a_cause_that_is_not_known_is_left_out(tmp_path: Path) -> None:
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([Preset(*KEY, 1, 2)])
        database.mark([MARK])
    with contextlib.closing(sqlite3.connect(tmp_path / PRESET_FILE)) as connection:
        connection.execute("UPDATE ageing SET cause = 'moon'")
        connection.commit()

    assert read_stored(tmp_path).marks == {}
    assert set(read_stored(tmp_path).presets) == {KEY}


# The commands


STATION = """\
station: Sandbar End
region: 2
rigs: {main: {link: simulated}}
antennas:
  beam: {port: 1, bands: [20m]}
amplifier: {follows: main, bands: [20m]}
segments: {20m: 2}
"""


def test_plan_shows_a_marked_preset_as_stale_and_why_and_status_says_it(tmp_path: Path) -> None:
    file = write_station(tmp_path / "station.yaml", [STATION])
    state = tmp_path / "state"
    (tmp_path / "presets.csv").write_text(write_table([Preset(*KEY, 1, 2)]))
    assert qsyd("presets", "import", str(tmp_path / "presets.csv"), "--state", str(state)).returncode == 0
    with contextlib.closing(Store.open(state)) as store:
        store.mark_presets([MARK]).result(SECONDS)

    text = qsyd("plan", str(file), "--state", str(state)).stdout
    rows = qsyd("plan", str(file), "--json", "--state", str(state)).stdout
    with RunningDaemon(file, state) as daemon:
        daemon.wait_for("placed")
        shown = daemon.status()
        lines = daemon.qsyd("status").stdout
        explained = daemon.qsyd("explain", str(file), "14.1 MHz").stdout
        assert daemon.qsyd("presets", "save", *KEY, "--tune", "3", "--load", "4").returncode == 0
        after = daemon.status()
        daemon.stop()

    assert "stale, still recalled: antenna since 2026-03-01" in text
    assert f"Tune up anew: {MARK.text}." in text
    assert '"preset": "stale"' in rows
    assert f'"because": "{MARK.text}"' in rows
    assert [mark["text"] for mark in shown["presets_to_renew"]] == [MARK.text]
    assert f"renew      {MARK.text}" in lines
    assert "preset     tune 1, load 2" in explained, "it goes on being recalled"
    assert after["presets_to_renew"] == []
    assert "stale" not in qsyd("plan", str(file), "--state", str(state)).stdout


def test_tube_asks_the_daemon_and_says_where_there_is_none(tmp_path: Path) -> None:
    file = write_station(tmp_path / "station.yaml", [STATION])
    state = tmp_path / "state"
    nobody = qsyd("tube", "--state", str(state))
    with RunningDaemon(file, state) as daemon:
        daemon.wait_for("placed")
        as_json = daemon.qsyd("tube", "--json")
        text = daemon.qsyd("tube")

    assert nobody.returncode == 69
    assert as_json.returncode == 0
    assert as_json.stdout.startswith('{\n  "heater_s": 0')
    assert "key down  0:00 h" in text.stdout


# Another tube


def test_a_new_tube_is_durable_at_once_and_what_was_written_before_is_not_written_over_it(
    station: Station, tmp_path: Path
) -> None:
    warm_up(station.bench)
    for _ in range(3):
        station.over()

    async def replace_it() -> OldTube:
        station.experience.write(station.bench.now_us, at_once=True)  # on its way when the tube is replaced
        done = station.experience.new_tube("jo", "it was soft", station.bench.now_us)
        station.experience.write(station.bench.now_us, at_once=True)
        return await done

    old = asyncio.run(replace_it())
    station.over()
    station.experience.write(station.bench.now_us, at_once=True)
    station.store.close()

    assert old.account.overs == 3
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.open()
        assert database.old_tubes == (old,)
        assert database.tube.overs == 1
        assert database.tube.heater_us < old.account.heater_us


def test_a_new_tube_that_cannot_be_written_changes_nothing(station: Station, tmp_path: Path) -> None:
    warm_up(station.bench)
    station.over()
    station.experience.tube_to_json(station.bench.now_us)  # up to this moment
    before = station.experience.account
    station.store.close()  # a store that is closed refuses

    async def replace_it() -> OldTube:
        return await station.experience.new_tube("jo", "it was soft", station.bench.now_us)

    with pytest.raises(StoreError):
        asyncio.run(replace_it())
    assert station.experience.account == before
    assert station.experience.tube_to_json(station.bench.now_us)["earlier"] == []
