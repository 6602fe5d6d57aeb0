"""A second judge of where a station stands, which shares nothing with the daemon but the station file's text.

It reads the file as plain YAML and goes through the rules one after the other, as README says they are read. It knows
what the files of this project's scenarios use, and refuses anything else.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

BANDS_HZ = {
    "80m": (3_500_000, 3_800_000),
    "40m": (7_000_000, 7_200_000),
    "30m": (10_100_000, 10_150_000),
    "20m": (14_000_000, 14_350_000),
    "17m": (18_068_000, 18_168_000),
    "15m": (21_000_000, 21_450_000),
    "12m": (24_890_000, 24_990_000),
    "10m": (28_000_000, 29_700_000),
}
"""Region 1: IARU Region 1 HF band plan, June 2016, the bands' own edges; from memory."""


@dataclass(frozen=True)
class Verdict:
    """Where a situation places the station. `holding` are the selections that hold, by name, in file order."""

    band: str | None
    antenna: str | None
    drive_w: int | None
    inhibits: tuple[str, ...]
    holding: tuple[str, ...]
    deciding: tuple[str, ...]
    barefoot: bool


class PlainJudge:
    """One station file, read plainly."""

    def __init__(self, path: Path) -> None:
        self.file: dict[str, Any] = yaml.safe_load(path.read_text())
        self.lines = path.read_text().splitlines()
        self.selections = [rule for rule in self.file["rules"] if "event" not in rule["when"]]

    def line_of(self, rule: str) -> int:
        """The line in which a rule is named."""
        return next(number for number, line in enumerate(self.lines, 1) if line.strip() == f"- name: {rule}")

    def judge(self, frequency_hz: int, mode: str | None, minute: int, held: str | None = None) -> Verdict:
        """Where this would place the station, with every preset stored."""
        antennas: dict[str, Any] = self.file["antennas"]
        band = next((name for name, (low, high) in BANDS_HZ.items() if low <= frequency_hz <= high), None)
        covering = [name for name, each in antennas.items() if band in each["bands"]]
        holding = [rule for rule in self.selections if self._holds(rule["when"], frequency_hz, mode, band, minute)]
        chooser = next((rule for rule in holding if rule["then"].get("antenna") in covering), None)
        antenna = covering[0] if covering else None
        if held in covering:
            antenna, chooser = held, None
        elif chooser is not None:
            antenna = chooser["then"]["antenna"]
        drives = next((rule for rule in holding if "drive" in rule["then"]), None)
        stander = next((rule for rule in holding if "amplifier" in rule["then"]), None)
        deciding = [
            rule["name"]
            for rule in holding
            if rule in (chooser, drives, stander) or {"inhibit", "warn"} & set(rule["then"])
        ]
        limit = int(self.file["amplifier"]["limits"]["drive"].removesuffix(" W"))
        drive_w = min(limit, int(drives["then"]["drive"].removesuffix(" W"))) if drives else limit
        serves = band in self.file["amplifier"]["bands"] and antenna is not None
        bears = antenna is not None and antennas[antenna]["max_power"] == "1.5 kW"
        return Verdict(
            band,
            antenna,
            drive_w,
            tuple(rule["then"]["inhibit"] for rule in holding if "inhibit" in rule["then"]),
            tuple(rule["name"] for rule in holding),
            tuple(deciding),
            not (serves and bears and stander is None),
        )

    def _holds(self, when: dict[str, Any], frequency_hz: int, mode: str | None, band: str | None, minute: int) -> bool:
        unknown = set(when) - {"band", "mode", "frequency", "between"}
        assert not unknown, f"this judge cannot read {unknown}"
        if "band" in when and band not in _many(when["band"]):
            return False
        if "mode" in when and mode not in _many(when["mode"]):
            return False
        if "frequency" in when:
            low, high = when["frequency"].removesuffix(" MHz").split("..")
            if not float(low) * 1e6 <= frequency_hz < float(high) * 1e6:
                return False
        if "between" in when:
            start, end = (int(each[:2]) * 60 + int(each[3:]) for each in when["between"].split(".."))
            return start <= minute < end if start < end else minute >= start or minute < end
        return True


def _many(value: Any) -> list[str]:
    return value if isinstance(value, list) else [value]
