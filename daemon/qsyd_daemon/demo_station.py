"""The station of the demo: an invented hill-top shack in ITU region 1, its antennas, and its stored tank positions."""

import json

from qsyd_rules.preset import Preset

STATION = "Quarry Lane"
DIAL_HZ = 14_085_000
"""Where the dial stands when the rig is switched on."""
WARM_UP_S = 4
WARM_UP_USUAL_S = 180
"""Common practice, no source: three minutes for an indirectly heated cathode."""
COOL_DOWN_S = 1
COOL_DOWN_USUAL_S = 120
"""Common practice, no source."""
SWITCH_TIMEOUT_S = 0.25
SWITCH_TRIES = 3
TANK_STEPS_PER_S = 1000
"""The tank motors' speed: one second from end to end. Common practice, no source: 1 to 10 s."""
REST_MS = 250
"""How long the dial has to rest after a drift; longer than usual, for a busy machine must not make the dial rest."""
GUARD_MS, RELAY_SETTLE_MS, PRESET_SETTLE_MS = 50, 30, 600
WAITS_MS = GUARD_MS + PRESET_SETTLE_MS + RELAY_SETTLE_MS
"""What a change-over waits for by order of the station file; `RELAY_SETTLE_MS` more where the antenna changes."""

_FILE = r"""
station: {station}
region: 1

rigs:
  main: {{link: {rig}, protocol: ascii-cat, poll: 50 ms, push: true, lost_after: 2 s}}

antennas:
  north-yagi: {{port: 1, bands: [20m, 15m], max_power: 1.5 kW}}
  creek-wire: {{port: 2, bands: [80m, 40m], max_power: 1.5 kW}}

amplifier:
  bands: [80m, 40m, 20m, 15m]
  warm_up: {warm_up} s
  cool_down: {cool_down} s
  output: 1200 W
  limits: {{drive: 55 W}}

change_over: {{guard: {guard} ms, relay_settle: {relay} ms, preset_settle: {preset} ms, rest: {rest} ms}}

rules:
  - name: cool RTTY
    when: {{mode: data}}
    then: {{drive: 40 W}}

outputs:
  switch:
    kind: device
    link: tcp:127.0.0.1:{switch_port}
    commands: {{select-antenna: "PORT {{port}}\n"}}
    acknowledge: '^OK'
    timeout: {switch_timeout_ms} ms
    retries: {switch_retries}
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
"""

_POSITIONS = (
    ("creek-wire", "80m/1", 512, 344),
    ("creek-wire", "80m/2", 471, 318),
    ("creek-wire", "80m/3", 433, 295),
    ("creek-wire", "40m/1", 288, 402),
    ("north-yagi", "20m/1", 176, 365),
    ("north-yagi", "15m/1", 121, 391),
)
"""Antenna, segment, tune, load. Invented; every way between two of them is shorter than `preset_settle`."""


def station_text(rig_path: str, switch_port: int, amplifier_port: int) -> str:
    """The station file. `rig_path` is the rig's serial port; the boxes are on TCP ports of this machine."""
    return _FILE.format(
        station=STATION,
        rig=json.dumps(f"serial:{rig_path}"),  # a JSON text is a double-quoted YAML one
        warm_up=WARM_UP_S,
        cool_down=COOL_DOWN_S,
        guard=GUARD_MS,
        relay=RELAY_SETTLE_MS,
        preset=PRESET_SETTLE_MS,
        rest=REST_MS,
        switch_port=switch_port,
        switch_timeout_ms=round(SWITCH_TIMEOUT_S * 1000),
        switch_retries=SWITCH_TRIES - 1,
        amplifier_port=amplifier_port,
    )


def presets() -> list[Preset]:
    """What an earlier tune-up left in the store. Without edges: they take those of their segments."""
    return [
        Preset(antenna=antenna, segment=segment, tune=tune, load=load, drive_w=50)
        for antenna, segment, tune, load in _POSITIONS
    ]
