"""The station file that fits the bench of `qsyd sim bench`: made from what is served, so that it can be run as it is."""

import json
from collections.abc import Collection, Iterable, Sequence

_FILE = r"""# Made by qsyd sim bench, for as long as that bench is running.
station: {station}
region: 2

rigs:
  main: {{link: {rig}, protocol: ascii-cat, poll: 50 ms, push: true}}

antennas:
{antennas}

amplifier:
  bands: [80m, 40m, 20m, 17m, 15m, 12m, 10m]
  warm_up: {warm_up} s
  output: 1450 W
  limits: {{grid_current: 120 mA, plate_current: 1.0 A, reflected_power: 150 W, swr: 2.5, drive: {drive_w} W}}

outputs:
  switch:
    kind: device
    link: tcp:127.0.0.1:{switch_port}
    commands: {{select-antenna: "PORT {{port}}\n"}}
    acknowledge: '^OK'
  amplifier:
    kind: device
    link: tcp:127.0.0.1:{amplifier_port}
    commands:
      inhibit-transmit: "HOLD\n"
      release-transmit: "FREE\n"
      amplifier-on: "HEAT 1\n"
      amplifier-off: "HEAT 0\n"
      high-voltage-off: "HV 0\n"
      amplifier-standby: "LINE 0\n"
      amplifier-operate: "LINE 1\n"
      recall-preset: "TANK {{tune}} {{load}}\n"
      limit-drive: "DRIVE {{drive_w}}\n"
    acknowledge: '^OK'
    readings:
      ask: "METERS\n"
      every: 100 ms
      match: '{match}'
      stale_after: 1 s
"""

_MATCHING = r"""  matching-unit:
    kind: device
    link: tcp:127.0.0.1:{port}
    commands: {{recall-preset: "MATCH {{matching}}\n"}}
    acknowledge: '^OK'
"""


def station_text(
    station: str,
    rig_path: str,
    switch_port: int,
    amplifier_port: int,
    antennas: Iterable[tuple[str, int, Sequence[str]]],
    *,
    warm_up_s: int,
    drive_w: int,
    match: str,
    units: Collection[int] = (),
    matching_port: int | None = None,
    api_port: int | None = None,
) -> str:
    """The station file. `antennas` are name, port and bands; `match` takes the answer to METERS apart.

    `units` are the ports with a matching unit, `matching_port` is where these are reached. With `api_port` the daemon
    serves its page and API there, on loopback.
    """
    lines = [
        f"  {name}: {{port: {port}, bands: [{', '.join(bands)}]{', matching: 3' if port in units else ''}}}"
        for name, port, bands in antennas
    ]
    matching = _MATCHING.format(port=matching_port) if matching_port is not None else ""
    file = _FILE.format(
        station=station,
        rig=json.dumps(f"serial:{rig_path}"),  # a JSON text is a double-quoted YAML one
        antennas="\n".join(lines),
        warm_up=warm_up_s,
        drive_w=drive_w,
        switch_port=switch_port,
        amplifier_port=amplifier_port,
        match=match,
    )
    api = f'\napi: {{listen: "127.0.0.1:{api_port}"}}\n' if api_port is not None else ""
    return file + matching + api
