"""What has changed from one station file to the next, as an operator reads it, and what it takes to take it."""

from pathlib import Path

import pytest

from qsyd_daemon.station_file.difference import differences, exchange, stale_now, untakeable
from qsyd_daemon.station_file.load import station_from_text
from qsyd_daemon.station_file.settings import StationFile
from qsyd_rules.preset import Preset

TEXT = """\
station: Sandbar End
region: 2
rigs:
  main: {link: "tcp:127.0.0.1:1", poll: 50 ms, lost_after: 2 s}
antennas:
  beam: {port: 1, bands: [20m, 15m], max_power: 1.5 kW}
  wire: {port: 2, bands: [80m, 40m]}
amplifier:
  warm_up: 180 s
  bands: [80m, 40m, 20m]
  limits: {swr: 2.5, drive: 75 W}
segments: {20m: 2, 40m: [7.000 MHz, 7.125 MHz, 7.300 MHz]}
change_over: {guard: 50 ms}
rules:
  - {name: cool, when: {mode: data}, then: {drive: 25 W}}
  - {name: quiet, when: {frequency: 14.347..14.351 MHz, mode: [usb, am]}, then: {inhibit: too near}}
outputs:
  switch: {kind: device, link: "tcp:127.0.0.1:2", commands: {select-antenna: "PORT {port}\\n"}, acknowledge: ^OK}
  amp:
    kind: device
    link: tcp:127.0.0.1:3
    commands: {amplifier-on: "HEAT 1\\n", amplifier-standby: "LINE 0\\n", amplifier-operate: "LINE 1\\n"}
  notes: {kind: jsonl, path: notes.jsonl}
tests:
  - {frequency: 14.205 MHz, expect: {antenna: beam}}
"""


def read(*changes: tuple[str, str]) -> StationFile:
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return station_from_text(text, Path("station.yaml"))


OLD = read()


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("poll: 50 ms", "poll: 100 ms", ["rig main: poll 100 ms, was 50 ms"]),
        ("lost_after: 2 s", "lost_after: 3 s", ["rig main: lost_after 3 s, was 2 s"]),
        ("127.0.0.1:1", "127.0.0.1:9", ["rig main: link tcp:127.0.0.1:9, was tcp:127.0.0.1:1"]),
        ("port: 1,", "port: 4,", ["antenna beam: port 4, was 1"]),
        ("max_power: 1.5 kW", "max_power: 400 W", ["antenna beam: max_power 400 W, was 1500 W"]),
        ("warm_up: 180 s", "warm_up: 4 min", ["amplifier: warm_up 240 s, was 180 s"]),
        ("swr: 2.5", "swr: 2", ["amplifier: limits: swr 2, was 2.5"]),
        ("drive: 75 W}", "drive: 60 W, key_down: 2 min}", [
            "amplifier: limits: drive 60 W, was 75 W",
            "amplifier: limits: key_down 120 s, was 180 s",
        ]),
        ("20m: 2", "20m: 3", [
            "segments of 20m: 3, was 2; they begin at 14.000 MHz, 14.116666 MHz, 14.233333 MHz",
        ]),
        ("guard: 50 ms", "guard: 80 ms", ["change_over: guard 80 ms, was 50 ms"]),
        ("then: {drive: 25 W}", "then: {drive: 30 W}", ["rule “cool”: then: drive 30 W, was 25 W"]),
        ("mode: [usb, am]", "mode: usb", ["rule “quiet”: when: modes usb, was am, usb"]),
        ("name: cool", "name: cooler", ["rule “cool”: taken away", "rule “cooler”: added"]),
        ("acknowledge: ^OK", "acknowledge: ^ok", ["output switch: acknowledge ^ok, was ^OK"]),
        ("PORT {port}", "SEL {port}", ["output switch: select-antenna SEL {port}\\n, was PORT {port}\\n"]),
        ("path: notes.jsonl", "path: other.jsonl", ["output notes: path other.jsonl, was notes.jsonl"]),
        ("region: 2", "region: 2\nprivileges: us-extra", ["privileges: us-extra, was none", "segments of 60m: they begin at 5.3305 MHz"]),
        ("antenna: beam}", "band: 20m}", ["tests"]),
        ("station: Sandbar End", "station: Sandbar Top", ["station: Sandbar Top, was Sandbar End"]),
    ],
)  # fmt: skip
def test_each_change_is_told_in_the_words_of_the_file(old: str, new: str, told: list[str]) -> None:
    assert list(differences(OLD, read((old, new)))) == told


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("poll: 50 ms", "poll: 0.05 s"),
        ("180 s", "3 min"),
        ("station: Sandbar End\nregion: 2", "# a comment\n\nregion: 2\nstation: 'Sandbar End'"),
        ("7.125 MHz", "7125 kHz"),
        ("change_over: {guard: 50 ms}\n", ""),
        ("max_power: 1.5 kW", "max_power: 1500 W"),
    ],
)
def test_what_is_only_written_otherwise_is_no_change(old: str, new: str) -> None:
    other = read((old, new))
    assert differences(OLD, other) == ()
    assert not exchange(OLD, other).names
    assert untakeable(OLD, other) == []


def test_the_order_of_antennas_and_rules_counts() -> None:
    lines = TEXT.splitlines(keepends=True)
    beam, wire = (next(line for line in lines if line.startswith(f"  {name}:")) for name in ("beam", "wire"))
    assert differences(OLD, read((beam + wire, wire + beam))) == ("antennas: their order",)
    cool, quiet = (next(line for line in lines if f"name: {name}" in line) for name in ("cool", "quiet"))
    assert differences(OLD, read((cool + quiet, quiet + cool))) == ("rules: their order",)


@pytest.mark.parametrize(
    ("old", "new", "names", "others"),
    [
        ("poll: 50 ms", "poll: 60 ms", ("rig main",), ()),
        ("lost_after: 2 s", "lost_after: 3 s", (), ()),
        ("127.0.0.1:2", "127.0.0.1:8", ("switch",), ("switch",)),
        ("acknowledge: ^OK", "acknowledge: ^ok", ("switch",), ()),
        ("HEAT 1", "TUBE 1", ("amp",), ("amp",)),
        ("notes: {kind: jsonl, path: notes.jsonl}", "notes: {kind: log}", ("notes",), ()),
        ("  notes: {kind: jsonl, path: notes.jsonl}\n", "", ("notes",), ()),
        ("  wire: {port: 2", "  wire: {port: 3", (), ()),
    ],
)
def test_only_what_hangs_on_other_settings_is_begun_anew(
    old: str, new: str, names: tuple[str, ...], others: tuple[str, ...]
) -> None:
    plan = exchange(OLD, read((old, new)))
    assert plan.names == names
    assert plan.others == frozenset(others)
    assert plan.has_links is bool(set(names) - {"notes"})


def test_what_takes_a_restart_is_named_with_its_place() -> None:
    api = ("outputs:\n", 'api: {listen: "127.0.0.1:0"}\noutputs:\n')
    new = read(("station: Sandbar End", "\nstation: Sandbar Top"), ('link: "tcp:127.0.0.1:1"', "link: simulated"), api)
    keys = [key for key, _ in untakeable(OLD, new)]
    assert keys == ["station", "api", "rigs.main"]
    assert [new.places[key] for key in keys] == [(2, 1), (18, 1), (5, 3)]
    lease = read((api[0], 'api: {listen: "127.0.0.1:0", lease: 9 s}\noutputs:\n'))
    assert untakeable(read(api), lease) == []


def test_presets_that_other_edges_make_stale_are_named() -> None:
    edges = {segment.name: segment for segment in OLD.station.segments}
    presets = {
        (antenna, name): Preset(antenna, name, 1, 2, low_hz=edges[name].low_hz, high_hz=edges[name].high_hz)
        for antenna, name in (("beam", "20m/1"), ("beam", "20m/2"), ("wire", "40m/1"), ("wire", "80m/1"))
    }
    told = list(stale_now(OLD, read(("20m: 2", "20m: 3"), ("7.125 MHz", "7.130 MHz")), presets))
    assert told == ["presets of beam that are stale now: 20m/1, 20m/2", "presets of wire that are stale now: 40m/1"]
