"""What has changed from one station file to the next, in an operator's words, and what each change takes."""

from pathlib import Path

import pytest

from qsyd_daemon.station_file.difference import differences, exchange, stale_now, untakeable
from qsyd_daemon.station_file.load import station_from_text
from qsyd_daemon.station_file.settings import StationFile
from qsyd_rules.preset import Preset, adopt

TEXT = r"""
station: Gull Point
region: 2
rigs: {main: {link: "tcp:127.0.0.1:7001", protocol: ascii-cat}}
antennas:
  beam: {port: 1, bands: [20m]}
  wire: {port: 2, bands: [80m, 40m]}
amplifier: {bands: [80m, 40m, 20m], output: 1450 W, limits: {grid_current: 120 mA}}
segments: {20m: 2, 40m: 2}
rules:
  - {name: cool, when: {mode: data}, then: {drive: 25 W}}
outputs:
  switch: {kind: device, link: "tcp:127.0.0.1:7002", commands: {select-antenna: "PORT {port}\n"}, acknowledge: "^OK"}
  amp:
    kind: device
    link: rfc2217:127.0.0.1:7003
    commands: {amplifier-standby: "S\n", amplifier-operate: "O\n", recall-preset: "T {tune} {load}\n"}
  journal: {kind: jsonl}
api: {listen: "127.0.0.1:7004"}
"""


def file(old: str = "", new: str = "") -> StationFile:
    assert old in TEXT
    return station_from_text(TEXT.replace(old, new) if old else TEXT, Path("station.yaml"))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("region: 2\n", "# moved\nregion: 2   # ITU\n"),
        ("1450 W", "1.45 kW"),
        ("40m: 2", "40m: [7.000 MHz, 7150 kHz, 7.300 MHz]"),
        ("{port: 1, bands: [20m]}", "{bands: [20m], port: 1}"),
        ("segments:", "change_over: {guard: 0.05 s}\nsegments:"),
    ],
)
def test_what_is_only_written_otherwise_is_no_difference(old: str, new: str) -> None:
    other = file(old, new)
    assert differences(file(), other) == ()
    assert exchange(file(), other).names == ()
    assert untakeable(file(), other) == []


def test_the_order_of_antennas_counts_for_the_first_one_serves() -> None:
    beam, wire = "  beam: {port: 1, bands: [20m]}\n", "  wire: {port: 2, bands: [80m, 40m]}\n"
    assert differences(file(), file(beam + wire, wire + beam)) == ("antennas: their order",)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("120 mA", "100 mA", "amplifier: limits: grid_current 100 mA, was 120 mA"),
        ("port: 1", "port: 4", "antenna beam: port 4, was 1"),
        ("20m: 2", "20m: 3", "segments of 20m: 3, was 2; they begin at 14.000 MHz, 14.116666 MHz, 14.233333 MHz"),
        ("40m: 2", "40m: [7.000 MHz, 7.120 MHz, 7.300 MHz]", "segments of 40m: they begin at 7.000 MHz, 7.120 MHz"),
        ("protocol: ascii-cat", "protocol: ascii-cat, poll: 80 ms", "rig main: poll 80 ms, was 50 ms"),
        ("mode: data", "mode: [data, fm]", "rule “cool”: when: modes data, fm, was data"),
        ("{kind: jsonl}", "{kind: log}", "output journal: of another kind"),
        ("name: cool,", "name: cooler,", "rule “cool”: taken away"),
        ("drive: 25 W", "drive: 20 W", "rule “cool”: then: drive 20 W, was 25 W"),
        ("7003", "7003\n    lines_answered: false", "output amp: lines_answered no, was yes"),
        ("7003", "7003\n    dtr: high", "output amp: dtr high, was low"),
        (
            "link: rfc2217:127.0.0.1:7003",
            "link: serial:/dev/a",
            "output amp: link serial:/dev/a, was rfc2217:127.0.0.1:7003",
        ),
        ("7002", "7012", "output switch: link tcp:127.0.0.1:7012, was tcp:127.0.0.1:7002"),
    ],
)
def test_a_change_is_told_in_the_words_of_the_file(old: str, new: str, told: str) -> None:
    assert told in differences(file(), file(old, new))


def test_only_what_changed_on_the_wires_is_begun_anew() -> None:
    assert not exchange(file(), file("120 mA", "100 mA")).has_links
    assert exchange(file(), file("7002", "7012")).names == ("switch",)
    assert exchange(file(), file("7001", "7011")).names == ("rig main",)
    swapped = file("rules:\n", "tune_up: {set_dial: true}\nrules:\n")
    assert exchange(file(), swapped).names == ("rig main",), "another list of what may be sent to it"
    quiet = exchange(file(), file("journal: {kind: jsonl}", "journal: {kind: jsonl, path: other.jsonl}"))
    assert (quiet.names, quiet.has_links) == (("journal",), False)


def test_a_device_at_another_address_may_be_another_one() -> None:
    assert exchange(file(), file("7003", "7013")).others == {"amp"}
    assert exchange(file(), file('recall-preset: "T', 'recall-preset: "TANK')).others == frozenset()


@pytest.mark.parametrize(("old", "new", "key"), [("Gull Point", "Tern Point", "station"), ("7004", "7014", "api")])
def test_what_takes_a_restart_is_named_by_its_key(old: str, new: str, key: str) -> None:
    assert [found for found, _ in untakeable(file(), file(old, new))] == [key]


def test_presets_that_other_edges_make_stale_are_named() -> None:
    segments = {segment.name: segment for segment in file().station.segments}
    presets = {
        (antenna, name): adopt(Preset(antenna, name, 100, 200), segments[name])
        for antenna, name in (("beam", "20m/1"), ("beam", "20m/2"), ("wire", "40m/1"))
    }
    told = list(stale_now(file(), file("20m: 2", "20m: 3"), presets))
    assert told == ["presets of beam that are stale now: 20m/1, 20m/2"]
    assert list(stale_now(file(), file("120 mA", "100 mA"), presets)) == []
