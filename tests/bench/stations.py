"""Invented stations with any number of rules, as the text of a station file; presets for them, as a table."""

import random
from collections.abc import Iterator
from dataclasses import dataclass

SEGMENTS_A_BAND = 6
BANDS_HZ = {
    "80m": (3_500_000, 4_000_000),
    "40m": (7_000_000, 7_300_000),
    "20m": (14_000_000, 14_350_000),
    "17m": (18_068_000, 18_168_000),
    "15m": (21_000_000, 21_450_000),
    "12m": (24_890_000, 24_990_000),
    "10m": (28_000_000, 29_700_000),
}
"""Band edges of ITU Region 2 (ITU Radio Regulations, article 5; from memory)."""
ANTENNA_OF = {band: "long-wire" if band in {"80m", "40m"} else "ridge-beam" for band in BANDS_HZ}
MODES = ("cw", "lsb", "usb", "data")
NARROW_HZ_MAX = 2_000
FREQUENCY_OF = {"20m": 14_205_000, "40m": 7_205_000}
"""Where the dial stands on the two bands that the end-to-end benchmarks change between."""


@dataclass(frozen=True, slots=True)
class Ports:
    """TCP ports on 127.0.0.1 at which the daemon finds its rig and its devices."""

    rig: int
    switch: int
    amplifier: int


def station_text(rule_count: int, ports: Ports, *, push: bool = True) -> str:
    """A station file with `rule_count` rules over bands, segments and narrow frequency ranges; waits at their defaults."""
    bands = ", ".join(BANDS_HZ)
    high_bands = ", ".join(band for band in BANDS_HZ if ANTENNA_OF[band] == "ridge-beam")
    rules = "".join(f"  - {rule}\n" for rule in _rules(rule_count))
    return f"""\
station: Tern Rock
region: 2
privileges: us-extra
rigs:
  main: {{link: "tcp:127.0.0.1:{ports.rig}", protocol: ascii-cat, poll: 50 ms, push: {str(push).lower()}}}
antennas:
  ridge-beam: {{port: 1, bands: [{high_bands}]}}
  long-wire: {{port: 2, bands: [80m, 40m]}}
  low-loop: {{port: 3, bands: [40m], max_power: 500 W}}
amplifier: {{follows: main, bands: [{bands}], warm_up: 1 s, output: 1000 W}}
segments: {{{", ".join(f"{band}: {SEGMENTS_A_BAND}" for band in BANDS_HZ)}}}
rules:{" []" if not rule_count else ""}
{rules}outputs:
  switch:
    kind: device
    link: tcp:127.0.0.1:{ports.switch}
    commands: {{select-antenna: "PORT {{port}}\\n"}}
    acknowledge: '^OK'
  amp:
    kind: device
    link: tcp:127.0.0.1:{ports.amplifier}
    commands:
      inhibit-transmit: "HOLD\\n"
      release-transmit: "FREE\\n"
      amplifier-on: "HEAT 1\\n"
      amplifier-off: "HEAT 0\\n"
      amplifier-standby: "LINE 0\\n"
      amplifier-operate: "LINE 1\\n"
      recall-preset: "TANK {{tune}} {{load}}\\n"
    acknowledge: '^OK'
"""


def preset_table() -> str:
    """A preset for every antenna and segment that the amplifier serves, as `qsyd presets import` takes them."""
    rows = [
        f"{ANTENNA_OF[band]},{band}/{part},{100 * number + part},{50 * number + part}"
        for number, band in enumerate(BANDS_HZ, start=1)
        for part in range(1, SEGMENTS_A_BAND + 1)
    ]
    return "\n".join(["antenna,segment,tune,load", *rows]) + "\n"


def random_dials(count: int, seed: int = 1) -> list[tuple[int, str]]:
    """Places of the dial on the bands of the station: frequency in hertz and mode."""
    chance = random.Random(seed)
    bands = list(BANDS_HZ.values())
    return [(chance.randint(*chance.choice(bands)), chance.choice(MODES)) for _ in range(count)]


def _rules(count: int) -> Iterator[str]:
    """A quarter by band and mode, a quarter by segment, half in ranges of up to 2 kHz, a tenth of those by the hour.

    None forbids transmitting on the bands of `FREQUENCY_OF`.
    """
    chance = random.Random(count)
    for number in range(count):
        band, (low_hz, high_hz) = chance.choice(list(BANDS_HZ.items()))
        mode = chance.choice(MODES)
        match number % 4:
            case 0:
                when, then = f"band: {band}, mode: {mode}", f"drive: {chance.randint(10, 90)} W"
            case 1:
                part = chance.randint(1, SEGMENTS_A_BAND)
                when, then = f"segment: {band}/{part}", f"antenna: {ANTENNA_OF[band]}"
            case _:
                start_hz = chance.randint(low_hz, high_hz - NARROW_HZ_MAX)
                end_hz = start_hz + chance.randint(100, NARROW_HZ_MAX)
                when = f"frequency: {start_hz / 1e6:.6f}..{end_hz / 1e6:.6f} MHz"
                if chance.random() < 0.1:
                    when += f", between: {chance.randint(0, 11):02d}:00..{chance.randint(12, 23)}:00"
                forbids = chance.random() < 0.1 and band not in FREQUENCY_OF
                then = "inhibit: kept free for a net" if forbids else "warn: listen first here"
        yield f"{{name: rule {number}, when: {{{when}}}, then: {{{then}}}}}"
