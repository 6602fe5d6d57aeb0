"""Links to serial ports behind a network server (RFC 2217): live, against pyserial's own server side, and bad servers.

Sources: RFC 854 for Telnet (255 is IAC and doubled as data, 250 SB, 240 SE), RFC 2217 for the port (option 44, its codes
and that the server acknowledges each setting). The server that is spoken to is `serial.rfc2217.PortManager`, which
shares no code with the client but the numbers.
"""

from pathlib import Path

import pytest
from foreign_devices import ForeignDevice
from foreign_rigs import ForeignRig
from foreign_voices import CiV, ElevenDigits, Panel
from rfc2217_server import ServedWire
from running_daemon import RunningDaemon, line_output, write_station

# The whole daemon


def station_file(path: Path, rig: str, switch: str) -> Path:
    return write_station(
        path,
        [
            "station: Sandbar End",
            "region: 2",
            f"rigs: {{main: {{{rig}, poll: 20 ms, lost_after: 1 s}}}}",
            "antennas:",
            "  hilltop-beam: {port: 1, bands: [20m, 15m, 10m]}",
            "  harbour-wire: {port: 2, bands: [80m, 40m]}",
            "outputs:",
            line_output("switch", switch, {"select-antenna": "PORT {port}"}),
        ],
    )


@pytest.mark.parametrize(
    ("voice", "protocol"),
    [(ElevenDigits, "protocol: ascii-cat, frequency_digits: 11"), (CiV, "protocol: ci-v, address: 0x94")],
)
def test_a_rig_behind_a_server_is_followed_through_change_over_loss_and_return(
    tmp_path: Path, voice: type[ElevenDigits | CiV], protocol: str
) -> None:
    wire = ServedWire(tmp_path / "port")
    with ForeignRig(voice(Panel()), wire) as rig, ForeignDevice() as switch:
        file = station_file(
            tmp_path / "s.yaml", f"link: '{rig.link}', {protocol}, baud: 9600, stop_bits: 2", switch.link
        )
        with RunningDaemon(file, tmp_path / "state") as daemon:
            daemon.wait_for("link-up", rig="main")
            rig.tune(7_150_000)
            daemon.wait_for("frequency", transmit_hz=7_150_000)
            switch.wait_for("PORT 2", 2)
            rig.tune(14_205_000)
            switch.wait_for("PORT 1", 2)
            assert daemon.named("placed")[-1]["antenna"] == "hilltop-beam"

            since = daemon.mark()
            wire.server.cut()
            lost = daemon.wait_for("link-lost", within_s=2, since=since, rig="main")
            assert wire.server.link.removeprefix("rfc2217:") in lost["reason"]
            rig.tune(3_790_000)
            wire.server.mend()
            daemon.wait_for("link-up", within_s=10, since=since, rig="main")
            switch.wait_for("PORT 2", 2)
            assert daemon.stop() == 0
    # RFC 2217: SET-BAUDRATE, SET-STOPSIZE and SET-CONTROL, in force before the first byte of data.
    assert set(wire.server.settings) == {(9600, 2)}
    assert set(wire.server.levels) == {("dtr", False), ("rts", False)}
