"""The whole daemon behind rigs that share no code with it: it follows every band, split, silence and a cut link."""

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

import pytest
from foreign_devices import ForeignDevice
from foreign_rigs import Delivery, ForeignRig, PtyWire, TcpWire, Wire
from foreign_voices import CiV, ElevenDigits, NineDigits, Panel, Voice
from running_daemon import RunningDaemon, write_station

LOST_AFTER_S = 1.0
AT_A_TIME = 6
"""How many stations run at once."""
NOISE_ASCII = (b"", b"\xff\x00?", b"", b"@\x80;")
NOISE_BINARY = (b"", b"\xff\x12", b"", b"\xfe\x94\xfd")

# Region 2: a dial position inside each band (edges: 47 CFR 97.301; 160 m and 80 m the Region 2 band plan of 2008;
# 60 m WRC-15), in an order in which no two neighbours share an antenna.
BANDS = (
    ("160m", 1_845_000, "long-wire", 4),
    ("80m", 3_790_000, "harbour-wire", 2),
    ("60m", 5_357_000, "long-wire", 4),
    ("40m", 7_150_000, "harbour-wire", 2),
    ("30m", 10_125_000, "long-wire", 4),
    ("20m", 14_205_000, "hilltop-beam", 1),
    ("17m", 18_130_000, "long-wire", 4),
    ("15m", 21_300_000, "hilltop-beam", 1),
    ("12m", 24_940_000, "long-wire", 4),
    ("10m", 28_400_000, "hilltop-beam", 1),
    ("6m", 50_150_000, "long-wire", 4),
)


class Split(Enum):
    """What such a rig lets others know of split."""

    READ = auto()
    UNREADABLE = auto()  # that it is on, but not where it would transmit
    HIDDEN = auto()


@dataclass(frozen=True)
class Kind:
    """A kind of rig: how to make its voice, what the station file says of it, how its answers come."""

    voice: Callable[[Panel], Voice]
    protocol: str
    delivery: Delivery
    split: Split = Split.READ


ELEVEN = "protocol: ascii-cat, frequency_digits: 11"
NINE = "protocol: ascii-cat, frequency_digits: 9"
CI_V = "protocol: ci-v, address: 0x94"
KINDS = {
    "eleven digits": Kind(ElevenDigits, ELEVEN, Delivery()),
    "eleven digits, in fragments and noise": Kind(ElevenDigits, ELEVEN, Delivery(3, 0.0, NOISE_ASCII)),
    "eleven digits, slow": Kind(ElevenDigits, ELEVEN, Delivery(delay_s=0.03)),
    "eleven digits, refuses IF and reports": Kind(lambda panel: ElevenDigits(panel, ("IF", "AI")), ELEVEN, Delivery(5)),
    "eleven digits, refuses FB": Kind(lambda panel: ElevenDigits(panel, ("FB",)), ELEVEN, Delivery(), Split.UNREADABLE),
    "nine digits": Kind(NineDigits, NINE, Delivery(2, 0.0, NOISE_ASCII)),
    "nine digits, often busy": Kind(lambda panel: NineDigits(panel, busy_every=5), NINE, Delivery()),
    "eight digits, refuses FT and AI": Kind(lambda panel: NineDigits(panel, ("FT", "AI"), digits=8), NINE, Delivery()),
    "ci-v with echo": Kind(CiV, CI_V, Delivery(4)),
    "ci-v without echo, with noise": Kind(lambda panel: CiV(panel, echoes=False), CI_V, Delivery(0, 0.0, NOISE_BINARY)),
    "ci-v in four bytes": Kind(lambda panel: CiV(panel, frequency_bytes=4, reports_changes=False), CI_V, Delivery()),
    "ci-v, refuses 0F, 25 and 26": Kind(
        lambda panel: CiV(panel, refuses=(0x0F, 0x25, 0x26)), CI_V, Delivery(delay_s=0.01), Split.HIDDEN
    ),
}


@dataclass
class Station:
    rig: ForeignRig
    switch: ForeignDevice
    amp: ForeignDevice
    daemon: RunningDaemon


def _station_file(path: Path, rig: ForeignRig, protocol: str, switch: ForeignDevice, amp: ForeignDevice) -> Path:
    return write_station(
        path,
        [
            "station: Sandbar End",
            "region: 2",
            f"rigs: {{main: {{link: '{rig.link}', {protocol}, poll: 50 ms, push: true, lost_after: {LOST_AFTER_S} s}}}}",
            "antennas:",
            "  hilltop-beam: {port: 1, bands: [20m, 15m, 10m]}",
            "  harbour-wire: {port: 2, bands: [80m, 40m]}",
            "  long-wire: {port: 4, bands: [160m, 60m, 30m, 17m, 12m, 6m]}",
            "outputs:",
            "  switch:",
            "    kind: device",
            f"    link: {switch.link}",
            '    commands: {select-antenna: "PORT {port}\\n"}',
            "    acknowledge: '^OK'",
            "    timeout: 300 ms",
            "  amp:",
            "    kind: device",
            f"    link: {amp.link}",
            '    commands: {inhibit-transmit: "HOLD\\n", release-transmit: "FREE\\n", amplifier-standby: "LINE 0\\n"}',
            "    acknowledge: '^OK'",
            "    timeout: 300 ms",
        ],
    )


@contextmanager
def _station(kind: Kind, wire_name: str, directory: Path) -> Iterator[Station]:
    """A daemon among its wires; leaving it asserts, last of all, that nothing ever keyed the rig."""
    wire: Wire = PtyWire(directory / "rig") if wire_name == "pty" else TcpWire()
    with (
        ForeignRig(kind.voice(Panel()), wire, kind.delivery) as rig,
        ForeignDevice() as switch,
        ForeignDevice() as amp,
    ):
        file = _station_file(directory / "station.yaml", rig, kind.protocol, switch, amp)
        with RunningDaemon(file, directory / "state") as daemon:
            yield Station(rig, switch, amp, daemon)


LIVES = [(name, wire) for name in KINDS for wire in ("pty", "tcp")]


@pytest.fixture(scope="module")
def lives(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[tuple[str, str], Future[None]]]:
    """Every kind of rig on every wire, some at a time: a station mostly waits."""
    with ThreadPoolExecutor(AT_A_TIME) as pool:
        yield {life: pool.submit(_live, *life, tmp_path_factory.mktemp("life")) for life in LIVES}
        pool.shutdown(cancel_futures=True)


@pytest.mark.parametrize(("name", "wire"), LIVES, ids=lambda it: it)
def test_rig_is_followed_on_every_band_in_split_and_through_silence_and_never_keyed(
    name: str, wire: str, lives: dict[tuple[str, str], Future[None]]
) -> None:
    lives[name, wire].result(50)


def _live(name: str, wire: str, directory: Path) -> None:
    """One life of a station: all bands on a serial line, some of them over TCP."""
    kind = KINDS[name]
    with _station(kind, wire, directory) as station:
        station.daemon.wait_settled(14_205_000)
        assert station.daemon.named("link-up")[0]["rig"] == "main"
        for band, hertz, antenna, port in BANDS if wire == "pty" else BANDS[::3]:
            _follows_to(station, band, hertz, antenna, port)
        _follows_to(station, *BANDS[3])
        _follows_to(station, *BANDS[5])
        _follows_split(station, kind)
        _notices_silence(station)
        _notices_cut_link(station)
        assert station.rig.heard, "the daemon asked nothing"


def _follows_to(station: Station, band: str, hertz: int, antenna: str, port: int) -> None:
    daemon, lines = station.daemon, station.switch.mark()
    since = daemon.mark()

    station.rig.tune(hertz)

    placed = daemon.wait_for("placed", since=since, band=band)
    assert (placed["antenna"], placed["port"]) == (antenna, port)
    assert placed["segment"].startswith(f"{band}/")
    station.switch.wait_for(f"PORT {port}", 5, lines)
    daemon.wait_settled(hertz, since=since)
    assert station.switch.lines[lines:] == [f"PORT {port}"]
    told = daemon.named("frequency", since)[-1]
    assert (told["frequency_hz"], told["split"]) == (hertz, False)


def _follows_split(station: Station, kind: Kind) -> None:
    """The frequency that counts is the one that would be transmitted on."""
    daemon, panel = station.daemon, station.rig.panel
    lines, since = station.switch.mark(), daemon.mark()

    panel.b_hz = 7_180_000
    panel.split = True

    match kind.split:
        case Split.READ:
            told = daemon.wait_for("frequency", since=since, split=True)
            assert (told["frequency_hz"], told["transmit_hz"]) == (14_205_000, 7_180_000)
            daemon.wait_for("placed", since=since, band="40m", antenna="harbour-wire")
            station.switch.wait_for("PORT 2", 5, lines)
            daemon.wait_for("transmit-released", since=since)
        case Split.UNREADABLE:
            reasons = daemon.wait_for("transmit-inhibited", since=since)["reasons"]
            assert any("split" in reason for reason in reasons)
            time.sleep(0.3)
            assert not daemon.named("frequency", since)
            assert station.switch.lines[lines:] == []
        case Split.HIDDEN:
            time.sleep(0.3)
            assert not daemon.named("frequency", since)
    lines, since = station.switch.mark(), daemon.mark()

    panel.split = False

    if kind.split is Split.READ:
        placed = daemon.wait_for("placed", 8, since, band="20m")
        daemon.wait_until(
            lambda told: told["event"] == "transmit-released" and told["at"] > placed["at"], "release", 8, since
        )
    elif kind.split is Split.UNREADABLE:
        daemon.wait_for("transmit-released", 8, since)
    assert daemon.named("placed")[-1]["band"] == "20m"


def _notices_silence(station: Station) -> None:
    daemon, amp = station.daemon, station.amp
    lines, since = amp.mark(), daemon.mark()
    station.rig.silent = True
    silent_at_s = time.monotonic()

    lost = daemon.wait_for("link-lost", LOST_AFTER_S + 3, since, rig="main")

    after_s = lost["at"] - silent_at_s
    assert 0.5 * LOST_AFTER_S < after_s <= LOST_AFTER_S + 0.5
    assert lost["reason"]
    assert amp.wait_for("HOLD", 1, lines).at_s - silent_at_s <= LOST_AFTER_S + 0.5
    _recovers(station, lambda: setattr(station.rig, "silent", False), since)


def _notices_cut_link(station: Station) -> None:
    daemon, amp = station.daemon, station.amp
    lines, since = amp.mark(), daemon.mark()

    cut_at_s = station.rig.cut()

    lost = daemon.wait_for("link-lost", 2, since, rig="main")
    assert lost["at"] - cut_at_s < 0.3
    assert amp.wait_for("HOLD", 1, lines).at_s - cut_at_s < 0.3
    _recovers(station, station.rig.mend, since)


def _recovers(station: Station, mend: Callable[[], None], since: int) -> None:
    """By itself: the link is up, the decision is told again, transmit is released."""
    daemon, lines = station.daemon, station.switch.mark()

    mend()

    daemon.wait_for("link-up", 8, since)
    daemon.wait_for("transmit-released", 5, since)
    told = [event["event"] for event in daemon.events[since:] if event["event"] in {"link-up", "link-lost", "placed"}]
    assert told == ["link-lost", "link-up", "placed"]
    assert daemon.named("placed", since)[-1]["antenna"] == "hilltop-beam"
    assert station.switch.lines[lines:] == [], "the antenna is where it was"
