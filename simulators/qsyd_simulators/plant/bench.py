"""A station on the bench: a transceiver to turn and key, wired to the plant, and what its operator types."""

import re
from collections.abc import Callable
from dataclasses import replace

from qsyd_simulators.frequency_text import frequency_text
from qsyd_simulators.plant import weather as skies
from qsyd_simulators.plant.station_plant import StationPlant
from qsyd_simulators.plant.truth import Truth
from qsyd_simulators.plant.weather import Weather
from qsyd_simulators.rig_server import obey
from qsyd_simulators.transceiver import DRIVE_MW_MAX, Transceiver

HELP = """\
drive 50 W         what the rig is turned up to
antenna 2          move the antenna switch by hand
auto on|off        the amplifier tunes itself while driven
blower on|off      let its blower fail, or mend it
reset              clear the amplifier's own trip
weather rain       {weathers}
truth              what is really so in amplifier and antenna
harm               what has ever been moved or switched in as nothing must be
"""

_WATTS = re.compile(r"([0-9]{1,4}(?:\.[0-9]{1,3})?)\s*[Ww]?", re.ASCII)
_MINUTE_US = 60_000_000


def weathers(seed: int) -> dict[str, Weather]:
    """By name; a shower begins after a minute, for somebody is waiting for it."""
    return {
        "calm": skies.CALM,
        "changeable": skies.changeable(seed),
        "rain": skies.rain(seed, begins_us=_MINUTE_US, lasts_us=60 * _MINUTE_US),
    }


class Bench:
    """The rig's transmit frequency, key and drive are the station's from now on; `clock` gives microseconds."""

    def __init__(self, station: StationPlant, rig: Transceiver, clock: Callable[[], int], seed: int = 1) -> None:
        """`clock` is that of the wires; `seed` is for the weather that may be asked for."""
        self.station, self.rig = station, rig
        self._clock, self._seed = clock, seed
        rig.subscribe(lambda _change: self._follow())
        self._follow()

    def obey(self, line: str) -> str:
        """Do what was typed and answer in plain words; a bad line changes nothing."""
        word, _, rest = line.strip().lower().partition(" ")
        rest = rest.strip()
        station, at_us = self.station, self._clock()
        try:
            match word, rest:
                case "drive", _:
                    self.rig.set_drive(_milliwatts(rest))
                    return f"the rig is turned up to {self.rig.drive_mw / 1000:g} W"
                case "antenna", _:
                    station.select_antenna(_port(rest), at_us)
                case "auto", "on" | "off":
                    station.auto_tune(rest == "on", at_us)
                case "blower", "on" | "off":
                    station.amplifier.blower_works = rest == "on"
                case (("auto" | "blower"), _):
                    return f"{word} '{rest}'? write '{word} on' or '{word} off'"
                case "reset", "":
                    station.amplifier.reset(at_us)
                case "weather", _:
                    station.set_weather(self._weather(rest, at_us), at_us)
                case "truth", "":
                    pass
                case "harm", "":
                    return f"harm: {'; '.join(station.harm) or 'none'}"
                case "help", "":
                    return HELP.format(weathers=", ".join(weathers(0))) + obey("help", self.rig)
                case _:
                    return obey(line, self.rig)
        except ValueError as error:
            return str(error)
        return in_words(station.truth(at_us))

    def _weather(self, name: str, at_us: int) -> Weather:
        choice = weathers(self._seed)
        if name not in choice:
            raise ValueError(f"'{name}' is no weather; there are {', '.join(choice)}")
        return replace(choice[name], since_us=at_us)

    def _follow(self) -> None:
        rig = self.rig
        self.station.set_rig(self._clock(), frequency_hz=rig.transmit_hz, keyed=rig.keyed, drive_w=rig.drive_mw / 1000)


def in_words(truth: Truth) -> str:
    """What is really so, in a line."""
    port = "between contacts, or on an open port" if truth.port is None else f"on port {truth.port}"
    parts = [
        f"{truth.state}{'' if truth.fault is None else f' ({truth.fault})'}",
        f"{frequency_text(truth.frequency_hz)} {port}",
        f"drive {truth.drive_w:.1f} W{', held' if truth.held else ''}",
        f"forward {truth.forward_w:.0f} W, reflected {truth.reflected_w:.0f} W, SWR {truth.swr:.2f}",
        f"plate {truth.plate_v:.0f} V {truth.plate_ma:.0f} mA, grid {truth.grid_ma:.0f} mA",
        f"tune {truth.tune}, load {truth.load}{', travelling' if truth.travelling else ''}",
    ]
    if truth.mismatch_swr is not None:
        parts.append(f"tube sees {truth.mismatch_swr:.2f} : 1")
    parts.append(f"anode {truth.anode_c:.0f} C, exhaust {truth.exhaust_c:.0f} C")
    return "; ".join(parts)


def _milliwatts(text: str) -> int:
    typed = _WATTS.fullmatch(text)
    if typed is None:
        raise ValueError(f"drive '{text}'? write it like drive 50 W, up to {DRIVE_MW_MAX // 1000} W")
    return round(float(typed[1]) * 1000)


def _port(text: str) -> int:
    if not (text.isascii() and text.isdecimal()):
        raise ValueError(f"antenna '{text}'? write the number of a port, like antenna 2")
    return int(text)
