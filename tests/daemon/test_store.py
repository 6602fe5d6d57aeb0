"""What was reported saved is there, whatever happens to the process, the disk or the file; and no caller waits."""

import contextlib
import json
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from qsyd_daemon.store.errors import RefusedError, StoreError
from qsyd_daemon.store.event_queue import EventQueue
from qsyd_daemon.store.journal_database import JOURNAL_FILE, JournalDatabase, JournalRow
from qsyd_daemon.store.offline import read_presets
from qsyd_daemon.store.preset_backup import BACKUP_FILES
from qsyd_daemon.store.preset_database import PRESET_FILE, PresetDatabase
from qsyd_daemon.store.store import Store
from qsyd_rules.preset import Preset
from qsyd_rules.tube_account import Day, OldTube, TubeAccount

ROOT = Path(__file__).parents[2]
SECONDS = 10  # the longest any future here may take
PRESET = Preset(
    antenna="harbour-wire",
    segment="80m/1",
    tune=1200,
    load=800,
    matching=(7, 0, 3),
    drive_w=45,
    forward_w=1400,
    reflected_w=12,
    grid_ma=80,
    saved_at="2026-03-01T18:30:00Z",
    low_hz=3_500_000,
    high_hz=3_600_000,
)


def preset(number: int) -> Preset:
    return replace(PRESET, segment=f"80m/{number}", tune=number)


def by_key(*presets: Preset) -> dict[tuple[str, str], Preset]:
    return {(each.antenna, each.segment): each for each in presets}


def event(number: int, name: str = "frequency") -> dict[str, object]:
    return {"at": number / 10, "time": f"2026-03-01T18:30:{number % 60:02d}.000Z", "event": name, "number": number}


def wait_until(condition: Callable[[], bool], seconds: float = SECONDS) -> bool:
    until = time.monotonic() + seconds
    while not condition() and time.monotonic() < until:
        time.sleep(0.01)
    return condition()


@contextlib.contextmanager
def opened(directory: Path, on_change: Callable[[bool, str], None] | None = None, **more: int) -> Iterator[Store]:
    store = Store.open(directory, on_change, **more)
    try:
        yield store
    finally:
        store.close()


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another program in the middle of a long write."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        yield
        other.execute("ROLLBACK")


# Saving, removing, intents


def test_a_first_start_is_empty_and_warns_of_nothing(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        assert (dict(store.presets()), store.warnings, store.healthy) == ({}, (), True)
        assert (store.open_intents(), store.last_intent_id) == ([], 0)


def test_what_was_saved_is_there_after_a_restart(tmp_path: Path) -> None:
    bare = Preset("low-loop", "40m/1", 0, 0)
    with opened(tmp_path) as store:
        store.save_preset(PRESET).result(SECONDS)
        store.save_presets([bare, preset(2)]).result(SECONDS)
        store.save_preset(replace(preset(2), tune=5)).result(SECONDS)
        assert store.presets() == by_key(PRESET, bare, replace(preset(2), tune=5))

    with opened(tmp_path) as store:
        assert store.presets() == by_key(PRESET, bare, replace(preset(2), tune=5))
        assert store.warnings == ()


def test_removing_says_whether_there_was_one(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.save_preset(PRESET).result(SECONDS)
        assert store.remove_preset("harbour-wire", "80m/1").result(SECONDS) is True
        assert store.remove_preset("harbour-wire", "80m/1").result(SECONDS) is False

    assert read_presets(tmp_path) == {}


@pytest.mark.parametrize("bad", [replace(PRESET, tune=1 << 63), replace(PRESET, antenna="\ud800")])
def test_one_preset_that_cannot_be_stored_keeps_all_of_them_out(tmp_path: Path, bad: Preset) -> None:
    with opened(tmp_path) as store:
        with pytest.raises(RefusedError):
            store.save_presets([preset(2), bad]).result(SECONDS)
        assert (dict(store.presets()), store.healthy) == ({}, True)

    assert read_presets(tmp_path) == {}


def test_an_intent_that_ended_before_a_slow_disk_had_taken_it_is_not_left_open(tmp_path: Path) -> None:
    """The antenna follows barefoot without waiting for the note: record and end may come to the disk at once."""
    with opened(tmp_path) as store:
        busy, go_on = threading.Event(), threading.Event()

        def slow(connection: sqlite3.Connection) -> None:
            busy.set()
            assert go_on.wait(SECONDS)

        store._writer.submit(lambda: store._presets._with(slow))
        assert busy.wait(SECONDS)
        recorded = [store.record_intent(1, "{}")]
        store.close_intent(1, "finished")
        recorded.append(store.record_intent(2, "{}"))
        store.close_intent(2, "finished")
        store._batch_at = 0.0  # and a batch is due before their turn comes
        go_on.set()
        for each in recorded:
            each.result(SECONDS)
    with opened(tmp_path) as store:
        assert store.open_intents() == []


def test_an_intent_stays_open_until_it_is_closed(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        for number in (1, 2, 3):
            store.record_intent(number, json.dumps({"to": number})).result(SECONDS)
            if number < 3:
                store.close_intent(number, "finished")

    with opened(tmp_path) as store:
        assert [(each.intent_id, each.text_json) for each in store.open_intents()] == [(3, '{"to": 3}')]
        assert store.last_intent_id == 3
        with pytest.raises(RefusedError):
            store.record_intent(3, "{}").result(SECONDS)
        store.close_intent(3, "unknown")

    with opened(tmp_path) as store:
        assert store.open_intents() == []


def test_after_closing_nothing_is_accepted(tmp_path: Path) -> None:
    store = Store.open(tmp_path)
    assert store.close() is True

    with pytest.raises(StoreError, match="closed"):
        store.save_preset(PRESET).result(SECONDS)
    with pytest.raises(StoreError, match="closed"):
        store.read_journal().result(SECONDS)


# The journal


def test_the_journal_has_no_gaps_and_goes_on_after_a_restart(tmp_path: Path) -> None:
    for run in range(2):
        with opened(tmp_path) as store:
            for number in range(700):
                store.journal(event(run * 700 + number))

    with opened(tmp_path) as store:
        rows = store.read_journal(limit=10_000).result(SECONDS)
    assert [row.sequence for row in rows] == list(range(1, 1401))
    assert [json.loads(row.text_json)["number"] for row in rows] == list(range(1400))


def test_the_journal_is_read_by_sequence_time_and_event_with_what_waits(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        for number in range(50):
            store.journal(event(number, "fault" if number % 10 == 0 else "frequency"))
        faults = store.read_journal(events={"fault"}, limit=2)
        since = store.read_journal(since_sequence=49)
        late = store.read_journal(since_time="2026-03-01T18:30:40", events={"fault", "keyed"})
        none = store.read_journal(events=())

        assert [row.sequence for row in faults.result(SECONDS)] == [31, 41]
        assert [row.sequence for row in since.result(SECONDS)] == [49, 50]
        assert late.result(SECONDS) == [
            JournalRow(41, "2026-03-01T18:30:40.000Z", "fault", json.dumps(event(40, "fault")))
        ]
        assert none.result(SECONDS) == []


def test_an_event_that_is_not_json_is_journalled_by_name(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        store.journal({"event": "odd\ud800", "time": "2026-03-01T18:30:00Z", "value": object()})
        store.journal(event(2))
        rows = store.read_journal().result(SECONDS)

    assert [row.event for row in rows] == ["odd\\ud800", "frequency"]
    assert "not JSON" in json.loads(rows[0].text_json)["error"]


def test_the_journal_is_bounded_and_pruned_a_little_at_a_time(tmp_path: Path) -> None:
    with contextlib.closing(JournalDatabase(tmp_path, 10_000, print)) as journal:
        for start in range(0, 5_000, 500):
            journal.append([event(start + number) for number in range(500)])

    with contextlib.closing(JournalDatabase(tmp_path, 100, print)) as journal:
        journal.append([event(0)])
        assert _sequences(tmp_path)[0] == 1_002  # no more than 1,000 beyond what came in
        for _ in range(5):
            journal.append([event(0)])
    assert _sequences(tmp_path) == list(range(4_907, 5_007))


def _sequences(directory: Path) -> list[int]:
    with contextlib.closing(sqlite3.connect(directory / JOURNAL_FILE)) as connection:
        return [row[0] for row in connection.execute("SELECT sequence FROM journal ORDER BY sequence")]


def test_the_oldest_events_are_dropped_and_the_journal_says_how_many() -> None:
    events = EventQueue(5)
    for number in range(8):
        events.put(event(number))
    batch = events.take(3)
    assert batch is not None
    for number in range(8, 12):
        events.put(event(number))
    events.put_back(batch)  # the disk failed, and there is room for none of them

    batch = events.take(100)
    assert batch is not None
    warning, *rest = batch.as_written()
    assert [each["number"] for each in rest] == [7, 8, 9, 10, 11]
    assert warning["text"] == "7 events were not journalled: the disk did not keep up"
    assert events.dropped == 7
    assert events.take(1) is None


# Callers never wait; a disk that fails, and comes back


def test_no_caller_waits_while_another_program_holds_the_database(tmp_path: Path) -> None:
    news: list[tuple[bool, str]] = []
    with opened(tmp_path, lambda healthy, text: news.append((healthy, text))) as store:
        with locked(tmp_path / PRESET_FILE), locked(tmp_path / JOURNAL_FILE):
            slow = 0  # a busy machine takes the processor away now and then; a wait for the lock would be each one's
            saving = store.save_preset(PRESET)
            for number in range(2_000):
                started = time.perf_counter()
                store.journal(event(number))
                store.close_intent(number, "finished")
                slow += (time.perf_counter() - started) * 1000 >= 5
            with pytest.raises(StoreError, match="another program holds the database locked"):
                saving.result(SECONDS)
            assert dict(store.presets()) == {}
            assert not store.healthy
        assert wait_until(lambda: store.healthy)
        store.save_preset(PRESET).result(SECONDS)
        rows = store.read_journal(limit=10_000).result(SECONDS)

    assert slow < 20
    assert [row.sequence for row in rows] == list(range(1, 2_001))
    assert news[0][0] is False
    assert news[-1][0] is True
    assert len(news) <= 6  # on change, not once a try


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one MiB; needs the right to mount."""
    directory = tmp_path / "disk"
    directory.mkdir()
    mount = shutil.which("mount")
    options = ["-t", "tmpfs", "-o", "size=1m", "tmpfs", str(directory)]
    if mount is None or subprocess.run([mount, *options], capture_output=True, check=False).returncode:
        pytest.skip("may not mount a file system here")
    try:
        yield directory
    finally:
        subprocess.run(["umount", "-l", str(directory)], check=True)


def fill(directory: Path) -> Path:
    filler = directory / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while file.write(b"x" * 512):
            pass
    return filler


def test_a_full_disk_fails_in_words_and_recovers_by_itself(small_disk: Path) -> None:
    news: list[tuple[bool, str]] = []
    with opened(small_disk, lambda healthy, text: news.append((healthy, text))) as store:
        store.save_preset(PRESET).result(SECONDS)
        filler = fill(small_disk)
        failure: StoreError | None = None
        saved = [PRESET]
        for number in range(2, 60):  # the log may have some room yet
            store.journal(event(number))
            try:
                store.save_presets([replace(preset(number), antenna=f"wire-{number}-{n}") for n in range(40)]).result(9)
                saved += [replace(preset(number), antenna=f"wire-{number}-{n}") for n in range(40)]
            except StoreError as error:
                failure = error
                break
        assert "the disk is full; free some space" in str(failure)
        assert store.presets() == by_key(*saved)
        assert (False, f"presets cannot be written: {failure}") in news  # a probe may fit into the last room already
        with pytest.raises(StoreError):
            store.save_presets([replace(preset(9), antenna=f"long-{n}") for n in range(400)]).result(SECONDS)

        filler.unlink()
        freed = time.monotonic()
        assert wait_until(lambda: store.healthy)
        assert time.monotonic() - freed < 10
        store.save_preset(preset(99)).result(SECONDS)
        store.record_intent(1, "{}").result(SECONDS)
    assert read_presets(small_disk) == by_key(*saved, preset(99))
    assert "disk is full" in news[0][1]


def test_a_disk_that_reports_errors_fails_in_words_and_recovers_by_itself(tmp_path: Path) -> None:
    """A limit on the size of files: every write beyond it fails with an error that is not `disk full`."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    news: list[tuple[bool, str]] = []
    with opened(tmp_path, lambda healthy, text: news.append((healthy, text))) as store:
        store.save_preset(PRESET).result(SECONDS)
        resource.setrlimit(resource.RLIMIT_FSIZE, (48 << 10, hard))
        try:
            with pytest.raises(StoreError, match="input/output error"):
                store.save_presets([preset(number) for number in range(2, 2_000)]).result(SECONDS)
            assert store.presets() == by_key(PRESET)
            assert news[0][0] is False
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        store.save_presets([preset(number) for number in range(2, 2_000)]).result(SECONDS)
        assert wait_until(lambda: store.healthy)
    assert read_presets(tmp_path) == by_key(PRESET, *(preset(number) for number in range(2, 2_000)))


def test_a_read_only_disk_serves_without_saving(small_disk: Path) -> None:
    with opened(small_disk) as store:
        store.save_preset(PRESET).result(SECONDS)
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    assert read_presets(small_disk) == by_key(PRESET)

    with opened(small_disk) as store:
        assert not store.healthy
        assert store.presets() == by_key(PRESET)
        assert any("read-only" in warning for warning in store.warnings)
        with pytest.raises(StoreError, match="read-only"):
            store.save_preset(preset(2)).result(SECONDS)
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
        store.save_preset(preset(3)).result(SECONDS)
        assert store.presets() == by_key(PRESET, preset(3))
        assert wait_until(lambda: store.healthy)
    with opened(small_disk) as store:
        assert store.presets() == by_key(PRESET, preset(3))
        assert store.warnings == ()


def test_closing_ends_in_two_seconds_even_while_the_disk_hangs(tmp_path: Path) -> None:
    store = Store.open(tmp_path)
    with locked(tmp_path / PRESET_FILE):
        saving = [store.save_preset(preset(number)) for number in range(1, 4)]
        started = time.monotonic()
        assert store.close() is False
        assert time.monotonic() - started < 2.5
        for future in saving:
            with pytest.raises(StoreError):
                future.result(SECONDS)
    assert wait_until(lambda: not any(thread.name == "store" for thread in threading.enumerate()))


def test_files_that_vanish_while_the_daemon_runs_are_made_again_from_memory(tmp_path: Path) -> None:
    news: list[tuple[bool, str]] = []
    with opened(tmp_path, lambda healthy, text: news.append((healthy, text))) as store:
        store.save_preset(PRESET).result(SECONDS)
        store.save_tube(TubeAccount(3, 2, 1, 1, (Day("2026-03-01", 1),))).result(SECONDS)
        store.retire_tube(OldTube("2026-03-02T08:00:00Z", "operator", "low gain", store.tube())).result(SECONDS)
        store.save_tube(TubeAccount(30, 20, 10, 2, (Day("2026-03-03", 2),))).result(SECONDS)
        tubes = store.tube(), store.old_tubes()
        for path in tmp_path.iterdir():
            path.unlink()
        store.save_preset(preset(2)).result(SECONDS)

    assert read_presets(tmp_path) == by_key(PRESET, preset(2))
    with opened(tmp_path) as store:
        assert (store.tube(), store.old_tubes()) == tubes
        assert (store.tube().overs, len(store.old_tubes())) == (2, 1)
    assert any("made again with the presets in memory" in text for _, text in news)


def test_a_file_that_is_damaged_while_the_daemon_runs_is_made_again_from_memory(tmp_path: Path) -> None:
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([preset(number) for number in range(1, 300)])
        database.close()
        path = tmp_path / PRESET_FILE
        path.write_bytes(path.read_bytes()[:4096] + bytes(path.stat().st_size - 4096))
        database.put([preset(300)])

        assert read_presets(tmp_path) == by_key(*(preset(number) for number in range(1, 301)))


# Killed at any instant

SAVE_FOR_EVER = f"""
import sys; sys.path[:0] = [{str(ROOT / "daemon")!r}, {str(ROOT / "rules")!r}]
from dataclasses import replace
from pathlib import Path
from qsyd_daemon.store.store import Store
from qsyd_rules.preset import Preset
store = Store.open(Path(sys.argv[1]))
number = int(sys.argv[2])
intent_id = store.last_intent_id
while True:
    number += 1
    intent_id += 1
    store.journal({{"at": number, "time": "2026-03-01T18:30:00Z", "event": "frequency", "number": number}})
    store.record_intent(intent_id, "{{}}").result()
    store.save_preset(Preset("wire", f"80m/{{number % 50 + 1}}", number, intent_id)).result()
    print(number, intent_id, flush=True)
"""


def test_no_preset_that_was_reported_saved_is_lost_by_a_kill(tmp_path: Path) -> None:
    """At an instant drawn anew each time, in start, save, checkpoint and backup alike."""
    moments = random.Random(7)
    acknowledged: dict[tuple[str, str], int] = {}
    last_number = last_intent_id = 0
    kills = 0
    while kills < 30 or (len(acknowledged) <= 30 and kills < 300):  # a busy machine saves less between two kills
        kills += 1
        command = [sys.executable, "-S", "-c", SAVE_FOR_EVER, str(tmp_path), str(last_number)]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        time.sleep(moments.uniform(0.05, 0.25))
        child.kill()
        output, _ = child.communicate()
        for line in output.splitlines(keepends=True):
            if line.endswith("\n"):
                last_number, last_intent_id = map(int, line.split())
                acknowledged["wire", f"80m/{last_number % 50 + 1}"] = last_number
        found = read_presets(tmp_path)
        for key, number in acknowledged.items():
            assert found[key].tune in (number, last_number + 1)  # the last may be saved and not yet reported
        _check_sound(tmp_path)
    assert len(acknowledged) > 30

    with opened(tmp_path) as store:
        assert store.warnings == ()
        assert store.last_intent_id >= last_intent_id
        sequences = [row.sequence for row in store.read_journal(limit=1_000_000).result(SECONDS)]
        assert sequences == list(range(1, len(sequences) + 1))


def _check_sound(directory: Path) -> None:
    for name in (PRESET_FILE, JOURNAL_FILE):
        if (directory / name).exists():
            with contextlib.closing(sqlite3.connect(directory / name)) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


# Damaged files


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A state directory with 60 presets in the database and in the newest backup."""
    directory = tmp_path_factory.mktemp("good")
    with opened(directory) as store:
        store.save_presets([preset(number) for number in range(1, 61)]).result(SECONDS)
        for number in range(200):
            store.journal(event(number))
    return directory


SIXTY = by_key(*(preset(number) for number in range(1, 61)))


def copy_of(good: Path, directory: Path) -> Path:
    shutil.copytree(good, directory)
    return directory / PRESET_FILE


def damage_pages(content: bytearray) -> None:
    content[4096:] = bytes(len(content) - 4096)


def foreign_application_id(content: bytearray) -> None:
    content[68:72] = b"abcd"


def change_one_number(content: bytearray) -> None:
    """A sound database with a wrong tune position in it."""
    content[content.index(b"[7, 0, 3]") + 1 : content.index(b"[7, 0, 3]") + 2] = b"8"


def other_bytes(content: bytearray) -> None:
    content[:] = b"no database at all, only a line of text" * 100


@pytest.mark.parametrize(
    "damage",
    [
        bytearray.clear,
        lambda content: content.__setitem__(slice(None), bytes(len(content))),
        lambda content: content.__delitem__(slice(50, None)),
        lambda content: content.__delitem__(slice(4096, None)),
        lambda content: content.__delitem__(slice(len(content) // 2 + 7, None)),
        damage_pages,
        foreign_application_id,
        change_one_number,
        other_bytes,
    ],
    ids=["empty", "zeros", "header-cut", "one-page", "half", "pages-zeroed", "foreign", "one-number", "text"],
)
def test_a_damaged_file_is_kept_and_the_backup_restored(
    good: Path, tmp_path: Path, damage: Callable[[bytearray], None]
) -> None:
    path = copy_of(good, tmp_path / "state")
    content = bytearray(path.read_bytes())
    damage(content)
    path.write_bytes(content)
    with pytest.raises(StoreError, match="restores the newest good backup"):
        read_presets(path.parent)

    with opened(path.parent) as store:
        assert store.presets() == SIXTY
        (warning,) = store.warnings
        assert store.healthy
        store.save_preset(preset(61)).result(SECONDS)
    assert "restored the backup of 2" in warning
    assert "with 60 presets" in warning
    (aside,) = path.parent.glob("qsyd.damaged-*.sqlite3")
    assert aside.name in warning
    assert aside.read_bytes() == content
    assert read_presets(path.parent) == SIXTY | by_key(preset(61))


def test_any_flipped_bits_leave_the_presets_as_they_were_saved(good: Path, tmp_path: Path) -> None:
    bits = random.Random(11)
    content = (good / PRESET_FILE).read_bytes()
    for run in range(40):
        path = copy_of(good, tmp_path / str(run))
        damaged = bytearray(content)
        for _ in range(bits.choice((1, 1, 8))):
            # Every second flip in the header, where a bit has most meaning.
            place = bits.randrange(100 if bits.random() < 0.5 else len(damaged))
            damaged[place] ^= 1 << bits.randrange(8)
        path.write_bytes(damaged)
        with opened(path.parent) as store:
            assert store.presets() == SIXTY
            store.save_preset(preset(61)).result(SECONDS)
            assert store.healthy
            if store.warnings:
                assert list(path.parent.glob("qsyd.damaged-*.sqlite3"))
        assert read_presets(path.parent) == SIXTY | by_key(preset(61))
        shutil.rmtree(path.parent)


def test_the_older_backup_serves_when_the_newest_is_damaged_too(tmp_path: Path) -> None:
    with contextlib.closing(PresetDatabase(tmp_path, print)) as database:
        database.put([PRESET])
        database.back_up()
        database.put([preset(2)])
        database.back_up()
    (tmp_path / PRESET_FILE).write_bytes(b"")
    (tmp_path / BACKUP_FILES[0]).write_bytes(bytes(8192))

    with opened(tmp_path) as store:
        assert store.presets() == by_key(PRESET)


def test_without_a_good_backup_the_loss_is_told(tmp_path: Path) -> None:
    (tmp_path / PRESET_FILE).write_bytes(bytes(8192))

    with opened(tmp_path) as store:
        assert dict(store.presets()) == {}
        (warning,) = store.warnings
    assert "all zeros; kept as qsyd.damaged-" in warning
    assert "there is no good backup, so there are no presets" in warning


def test_a_database_that_is_gone_is_restored_and_told(good: Path, tmp_path: Path) -> None:
    path = copy_of(good, tmp_path / "state")
    path.unlink()
    with pytest.raises(StoreError, match="is gone"):
        read_presets(path.parent)

    with opened(path.parent) as store:
        assert store.presets() == SIXTY
        assert "was gone; restored the backup" in store.warnings[0]


def test_a_damaged_journal_leaves_the_presets_alone(good: Path, tmp_path: Path) -> None:
    path = copy_of(good, tmp_path / "state")
    journal = path.with_name(JOURNAL_FILE)
    journal.write_bytes(journal.read_bytes()[:4096] + b"\xff" * 9000)

    with opened(path.parent) as store:
        assert store.presets() == SIXTY
        assert "a new journal is begun" in store.warnings[0]
        store.journal(event(1))
        assert len(store.read_journal().result(SECONDS)) == 1


@pytest.mark.parametrize("name", [PRESET_FILE, JOURNAL_FILE])
def test_a_database_of_a_newer_version_is_refused_and_left_alone(good: Path, tmp_path: Path, name: str) -> None:
    path = copy_of(good, tmp_path / "state").with_name(name)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE notes SET value = '9' WHERE name = 'schema'")
        connection.execute("PRAGMA user_version=9")
        connection.commit()
    before = path.read_bytes()

    with pytest.raises(StoreError, match="made by a newer qsyd"):
        Store.open(path.parent)
    assert path.read_bytes() == before


# Reading where no daemon answers


def snapshot(directory: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in directory.iterdir() if not path.name.endswith("-shm")}


def test_a_missing_directory_has_no_presets_and_is_not_made(tmp_path: Path) -> None:
    assert read_presets(tmp_path / "state") == {}
    assert read_presets(tmp_path) == {}
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("left_behind", [("", "-wal", "-shm"), ("", "-wal"), ("",)], ids=["killed", "copied", "closed"])
def test_reading_beside_a_log_sees_it_and_leaves_no_trace(tmp_path: Path, left_behind: tuple[str, ...]) -> None:
    source, state = tmp_path / "source", tmp_path / "state"
    source.mkdir()
    state.mkdir()
    with contextlib.closing(PresetDatabase(source, print)) as database:
        database.put([PRESET])
        database.move_log_into_database()
        database.put([preset(2)])
        for suffix in left_behind:
            shutil.copyfile(source / (PRESET_FILE + suffix), state / (PRESET_FILE + suffix))
        assert read_presets(source) == by_key(PRESET, preset(2))  # beside the process that writes
    before = snapshot(state)

    assert read_presets(state) == (by_key(PRESET, preset(2)) if "-wal" in left_behind else by_key(PRESET))
    assert snapshot(state) == before
    assert {path.name for path in state.iterdir()} == {PRESET_FILE + suffix for suffix in left_behind}


def test_a_reader_beside_a_busy_daemon_always_sees_a_saved_state(tmp_path: Path) -> None:
    with opened(tmp_path) as store:
        futures = []
        for number in range(1, 60):
            futures.append(store.save_presets([replace(PRESET, antenna=name, tune=number) for name in ("a", "b")]))
            tunes = {each.tune for each in read_presets(tmp_path).values()}
            assert len(tunes) <= 1
        for future in futures:
            future.result(SECONDS)
