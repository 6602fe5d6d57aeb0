"""The dial set by a tune-up, live: over pty and TCP, in both protocols, and how split, a key and a hand on it win."""

import time
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pytest
from live_run import Run, running, until
from side_by_side import named, side_by_side
from tune_bench import TuneBench, tune_bench

pytestmark = pytest.mark.timeout(240)
CENTRE = "14.175000 MHz"
SET_DIAL = "\ntune_up: {set_dial: true, key_down: 4 s}\n"


DRY = """
station: Marsh End
region: 2
rigs:
  main: {{link: "{link}"}}
antennas:
  wire: {{port: 1, bands: [20m]}}
amplifier: {{warm_up: 1 s}}
outputs:
  box:
    kind: device
    link: tcp:127.0.0.1:9
    commands: {{inhibit-transmit: "H\\n", release-transmit: "F\\n", amplifier-on: "A\\n", select-antenna: "P\\n"}}
tune_up: {{set_dial: true}}
"""


@dataclass
class Rigged:
    """A bench whose rig is another process, on a wire of its own."""

    bench: TuneBench
    rig: Run

    def until_rig(self, shown: str) -> None:
        def asked() -> bool | None:
            self.rig.type("show")
            time.sleep(0.05)
            return shown in self.rig.said().splitlines()[-1] or None

        until(asked, lambda: f"{shown!r}: {self.rig.said().splitlines()[-1]}")


@contextmanager
def rigged(place: Path, protocol: str, port: str, tail: str = SET_DIAL) -> Iterator[Rigged]:
    words = ["--tcp", "0"] if port == "tcp" else ["--pty", str(place / "rig")]
    rig_options = ["sim", "rig", "--protocol", protocol, *words, "--frequency", "7.1 MHz"]
    with running(*rig_options, log=place / "rig.log") as rig:
        link = rig.until(r"SIMULATED transceiver, [^:]*: (tcp:\S+|serial:\S+)")[1]

        def edit(text: str) -> str:
            lines = text.splitlines()
            at = next(number for number, line in enumerate(lines) if line.startswith("  main:"))
            lines[at] = f'  main: {{link: "{link}", protocol: {protocol}, poll: 50 ms, lost_after: 4 s}}'
            return "\n".join(lines) + tail

        with tune_bench(place, edit) as bench:
            yield Rigged(bench, rig)


def _dial_is_set_and_what_it_reads_back_counts(protocol: str, port: str, place: Path) -> None:
    with rigged(place, protocol, port) as it:
        bench = it.bench
        it.until_rig("VFO A 7.100000 MHz")
        time.sleep(1.2)  # a dial that has just been seen might be turned
        bench.begins()
        bench.waits_for("key")
        it.until_rig(f"VFO A {CENTRE}, usb, other VFO 7.100000 MHz, split off")
        it.rig.type("show")
        assert "not keyed" in it.rig.said().splitlines()[-1]
        moved = [event for event in bench.events() if event["event"] == "frequency"]
        assert [event["transmit_hz"] for event in moved][-1] == 14_175_000
        reasons = [event["reasons"] for event in bench.events() if event["event"] == "transmit-inhibited"]
        assert any("tune-up: the dial is being set" in each for each in reasons)

        # A hand on the knob wins, and is not fought.
        it.rig.type("tune 14.180 MHz")
        bench.waits_for_text(r"it stands at 14\.180 MHz, and is yours: it was turned away")
        time.sleep(1.5)
        it.until_rig("VFO A 14.180000 MHz")
        assert bench.says("again")[0] == 200
        bench.waits_for("key")
        it.until_rig(f"VFO A {CENTRE}")
        assert bench.says("stop")[0] == 200
        bench.assert_unharmed()


def _split_and_a_key_keep_the_dial_where_it_is(place: Path) -> None:
    with rigged(place, "ascii-cat", "tcp") as it:
        it.rig.type("split on")
        it.until_rig("split on")
        time.sleep(1.2)
        it.bench.begins()
        it.bench.waits_for_text("split is on")
        time.sleep(1.2)
        it.until_rig("VFO A 7.100000 MHz")
        it.rig.type("split off")
        it.until_rig("split off")
        it.rig.type("key")
        until(lambda: it.bench.status()["rigs"]["main"]["keyed"] or None, lambda: "keyed")
        assert it.bench.says("again")[0] == 409
        it.bench.waits_for_text("^unkey; then dial to")
        it.rig.type("unkey")
        time.sleep(1.2)
        it.until_rig("VFO A 7.100000 MHz")
        until(lambda: it.bench.says("again")[0] == 200 or None, lambda: "again")
        it.bench.waits_for("key")
        it.until_rig(f"VFO A {CENTRE}")
        assert it.bench.says("stop")[0] == 200


def _without_the_files_word_the_rig_is_never_set(place: Path) -> None:
    with rigged(place, "ci-v", "tcp", tail="\n") as it:
        it.bench.begins()
        it.bench.waits_for_text(r"it stands at 7\.100 MHz")
        time.sleep(2.5)
        it.until_rig("VFO A 7.100000 MHz")
        assert it.bench.sees()["step"] == "dial"


def _in_a_dry_run_no_rig_is_set(place: Path) -> None:
    """Nothing is sent to any device, the rig's dial included; the tube is hot as far as the daemon knows."""
    with running(
        "sim", "rig", "--protocol", "ascii-cat", "--tcp", "0", "--frequency", "7.1 MHz", log=place / "r"
    ) as rig:
        link = rig.until(r"(tcp:\S+)")[1]
        station, state = place / "station.yaml", place / "s"
        station.write_text(DRY.format(link=link))
        with running("run", str(station), "--state", str(state), "--dry-run", log=place / "run"):
            bench = TuneBench(rig, place)
            until(bench.answers, lambda: "a daemon that answers")
            bench.warm()
            bench.begins("wire", "20m/1")
            bench.waits_for_text("it stands at 7.100 MHz")
            time.sleep(1.5)
            Rigged(bench, rig).until_rig("VFO A 7.100000 MHz")
            assert bench.sees()["step"] == "dial"


CASES = {
    f"dial is set and what it reads back counts, {protocol} over {port}": partial(
        _dial_is_set_and_what_it_reads_back_counts, protocol, port
    )
    for protocol in ("ascii-cat", "ci-v")
    for port in ("tcp", "pty")
} | named(
    _split_and_a_key_keep_the_dial_where_it_is,
    _without_the_files_word_the_rig_is_never_set,
    _in_a_dry_run_no_rig_is_set,
)


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[None]]]:
    with side_by_side(CASES, tmp_path_factory, 3) as started:
        yield started


@pytest.mark.parametrize("name", CASES)
def test_dial_is_set_where_the_file_says_so_and_nobody_minds(name: str, runs: dict[str, Future[None]]) -> None:
    runs[name].result()
